"""What people do reaches the simulated benches, and what was done goes on after a kill."""

from __future__ import annotations

import json
import math
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.config import Config, load
from daemon.requests import KINDS, RefusedError, apply
from daemon.simulated import (
    WATER_LITRES,
    Mirror,
    as_simulated,
    build_world,
    example,
    saved_utc,
)
from daemon.state import Memory, Now, Site
from profiles.library import load_library
from sim.weather import RoomTemperature
from sim.world import World

START = 1_806_908_400.0  # 2027-04-05 07:00 UTC
LIBRARY = load_library()
PLUGS = """
schema = 1
site = { name = "quince-yard", zone = "Europe/Berlin", tick = 30 }
mqtt = { broker = "broker.example" }
[bench.sill]
trays = 1
lamp = { watts = 20, device = { driver = "mqtt", topic = "plug/set", state_topic = "plug/state" } }
[bench.shelf]
trays = 2
mat = { watts = 40, device = { driver = "gpio", pin = 17, active = "low" } }
[[bench.shelf.probes]]
name = "soil"
measures = "soil"
offset = 1.5
device = { driver = "onewire", id = "28-00000a1b2c3d" }
"""


class Benches:
    """The example's benches, what is remembered of them, and the mirror between."""

    def __init__(self, start: float = START) -> None:
        self.site = Site.of(example(), LIBRARY)
        self.world = build_world(example(), start_utc=start, room=RoomTemperature.constant(18.0))
        self.mirror = Mirror(self.world, self.site)
        self.memory = Memory()
        self.mono = 0.0

    def ask(self, kind: str, **arguments: Any) -> None:
        """Only the memory: the mirror has not seen it yet."""
        self.mono += 1.0
        asked: Any = KINDS[kind].model_validate(arguments)
        self.memory = apply(
            self.memory, self.site, asked, "Marit", Now(self.mono, START + self.mono)
        ).memory

    def do(self, kind: str, **arguments: Any) -> None:
        self.ask(kind, **arguments)
        self.mirror(self.memory)

    def places(self, batch: str) -> dict[str | None, int]:
        """How many cells of a batch stand where."""
        found: dict[str | None, int] = {}
        for lot in self.world.save()["batches"][batch]["lots"]:
            found[lot["place"]] = found.get(lot["place"], 0) + len(lot["requirements"])
        return found


@pytest.fixture
def benches() -> Benches:
    return Benches()


def test_sowing_puts_seed_on_the_bench_at_its_depth_under_its_cover(benches: Benches) -> None:
    benches.do("sow", crop="tomato", place="lower", trays=1, cells=50)
    assert benches.places("TOM1") == {"lower": 50}
    assert benches.world.truth("lower").covered
    assert not benches.world.truth("upper").covered
    assert benches.world.save()["batches"]["TOM1"]["depth_mm"] == 6.0
    benches.do("sow", crop="onion", place="chamber", trays=0.5)
    assert benches.places("ONI1") == {None: 36}  # 72 cells to a tray, where nobody counted


def test_moving_takes_all_of_a_batch_to_a_bench_and_off_it(benches: Benches) -> None:
    benches.do("sow", crop="tomato", place="lower", cells=72)
    benches.do("move", batch="TOM1", to="upper")
    assert benches.places("TOM1") == {"upper": 72}
    assert [benches.world.truth(name).covered for name in ("lower", "upper")] == [False, True]
    benches.do("move", batch="TOM1", to="cold-frame")
    assert benches.places("TOM1") == {None: 72}
    assert not benches.world.truth("upper").covered


def test_a_part_that_is_moved_is_a_batch_of_its_own_and_goes_its_own_way(
    benches: Benches,
) -> None:
    benches.do("sow", crop="tomato", place="lower", trays=2, cells=100)
    # Potted on, the part takes more room, and is still a quarter of the cells.
    benches.do("move", batch="TOM1", to="upper", trays=0.5, takes=2)
    assert benches.places("TOM1") == {"lower": 75}
    assert benches.places("TOM1B") == {"upper": 25}
    benches.do("move", batch="TOM1B", to="porch")
    assert benches.places("TOM1") == {"lower": 75}
    assert benches.places("TOM1B") == {None: 25}
    benches.do("close", batch="TOM1", outcome="planted-out", count=60)
    saved = benches.world.save()["batches"]
    assert (saved["TOM1"]["closed"], saved["TOM1B"]["closed"]) == (True, False)


def test_closing_takes_a_batch_away_and_its_counts_stay(benches: Benches) -> None:
    benches.do("sow", crop="lettuce", place="lower", cells=36)
    benches.world.advance(6 * 86400.0)
    up = benches.world.seedlings("LET1").up
    assert up > 0
    benches.mono = 6 * 86400.0
    benches.do("close", batch="LET1", outcome="lost", why="slugs")
    assert benches.world.save()["batches"]["LET1"]["closed"]
    assert benches.world.seedlings("LET1").up == up
    assert not benches.world.truth("lower").covered


def test_the_cover_goes_by_the_stage_and_by_what_is_logged(benches: Benches) -> None:
    benches.do("sow", crop="tomato", place="lower")
    benches.do("stage", batch="TOM1", to="seedling")
    assert not benches.world.truth("lower").covered
    benches.do("log", batch="TOM1", what="cover", text="on")
    assert benches.world.truth("lower").covered
    # One batch under a cover is enough; nothing else that is done touches it.
    benches.do("sow", crop="pepper", place="lower")
    benches.do("log", batch="TOM1", what="cover", text="off")
    assert benches.world.truth("lower").covered
    benches.do("close", batch="PEP1", outcome="lost", why="mice")
    assert not benches.world.truth("lower").covered


def test_watering_is_for_all_trays_of_the_bench_and_only_for_a_bench(
    benches: Benches, monkeypatch: pytest.MonkeyPatch
) -> None:
    poured: list[tuple[str, float]] = []
    real = World.water

    def water(self: World, bench: str, litres: float, celsius: float) -> None:
        poured.append((bench, litres))
        real(self, bench, litres, celsius)

    monkeypatch.setattr(World, "water", water)
    benches.do("sow", crop="tomato", place="lower", trays=0.5)
    benches.do("sow", crop="pepper", place="lower", trays=1.5)
    benches.do("sow", crop="onion", place="porch")
    benches.world.advance(5 * 86400.0)
    benches.mono = 5 * 86400.0
    dry = benches.world.truth("lower").moisture
    benches.do("log", batch="TOM1", what="watered")
    benches.do("log", batch="TOM1", what="note", text="looks well")
    benches.do("log", batch="ONI1", what="watered")
    assert poured == [("lower", 2 * WATER_LITRES)]
    assert benches.world.truth("lower").moisture > dry


def test_what_changes_nothing_at_the_benches_touches_nothing(benches: Benches) -> None:
    benches.do("sow", crop="tomato", place="lower")
    before = benches.world.save()
    benches.do("keep", bench="lower", relay="mat", to="off")
    benches.do("log", batch="TOM1", what="note", text="quiet")
    assert benches.world.save() == before


CODES = st.sampled_from(["TOM1", "TOM1B", "TOM2", "PEP1", "PEP1B", "ONI1"])
PLACES = st.sampled_from(["lower", "upper", "porch", "outdoors"])
ASKED = st.one_of(
    st.tuples(
        st.just("sow"),
        st.fixed_dictionaries(
            {
                "crop": st.sampled_from(["tomato", "pepper", "onion"]),
                "place": PLACES,
                "trays": st.sampled_from([0.25, 1.0, 2.0]),
                "cells": st.none() | st.integers(1, 80),
            }
        ),
    ),
    st.tuples(
        st.just("move"),
        st.fixed_dictionaries(
            {"batch": CODES, "to": PLACES, "trays": st.none() | st.sampled_from([0.01, 0.125, 0.5])}
        ),
    ),
    st.tuples(
        st.just("stage"),
        st.fixed_dictionaries(
            {"batch": CODES, "to": st.sampled_from(["germination", "seedling", "hardening"])}
        ),
    ),
    st.tuples(
        st.just("close"),
        st.fixed_dictionaries({"batch": CODES, "outcome": st.just("handed-over")}),
    ),
    st.tuples(st.just("log"), st.fixed_dictionaries({"batch": CODES, "what": st.just("watered")})),
    st.tuples(st.just("kill"), st.just({})),
)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(ASKED, st.booleans()), min_size=3, max_size=14))
def test_whatever_people_do_and_whenever_it_is_killed_the_world_has_what_the_journal_has(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[tuple[str, Any], bool]]
) -> None:
    benches = Benches()
    path = tmp_path_factory.mktemp("world") / "world.json"
    for (kind, arguments), saved in steps:
        if kind == "kill":
            memory = benches.memory
            benches = Benches()
            benches.memory = memory
            benches.mirror.resume(path)
        else:
            with suppress(RefusedError):
                benches.ask(kind, **arguments)
        benches.mirror(benches.memory)
        if saved:
            benches.mirror.save(path)
        world = benches.world.save()["batches"]
        standing = {code for code, one in world.items() if not one["closed"]}
        assert standing == set(benches.memory.batches)
        for code, batch in benches.memory.batches.items():
            bench = batch.place if batch.place in benches.site.benches else None
            assert set(benches.places(code)) == {bench}
        for name in benches.site.benches:
            covered = any(
                batch.covered and batch.place == name for batch in benches.memory.batches.values()
            )
            assert benches.world.truth(name).covered == covered


# --- after a kill ----------------------------------------------------------------------------------


def test_what_was_done_after_the_last_save_is_done_at_the_next_start(
    benches: Benches, tmp_path: Path
) -> None:
    path = tmp_path / "world.json"
    for crop in ("tomato", "pepper", "onion"):
        benches.do("sow", crop=crop, place="lower", trays=0.5, cells=40)
    benches.world.advance(3 * 86400.0)
    progress = benches.world.save()["batches"]["TOM1"]["lots"][0]["progress"]
    assert progress > 0
    benches.mirror.save(path)
    # Then, within the half minute before it is saved again, much happens; and the process is killed.
    benches.mono = 3 * 86400.0
    benches.ask("stage", batch="TOM1", to="seedling")
    benches.ask("move", batch="TOM1", to="upper")
    benches.ask("move", batch="PEP1", to="upper", trays=0.25)
    benches.ask("close", batch="ONI1", outcome="lost", why="dropped")
    benches.ask("sow", crop="lettuce", place="upper", trays=0.5)
    memory = benches.memory
    after = Benches(START + 3 * 86400.0 + 600)
    after.mirror.resume(path)
    assert after.places("TOM1") == {"lower": 40}
    after.mirror(memory)
    assert after.places("TOM1") == {"upper": 40}
    assert after.world.save()["batches"]["TOM1"]["lots"][0]["progress"] >= progress
    assert after.places("PEP1") == {"lower": 20}
    assert after.places("PEP1B") == {"upper": 20}
    assert after.places("LET1") == {"upper": 36}
    assert after.world.save()["batches"]["ONI1"]["closed"]
    covers = [after.world.truth(name).covered for name in ("lower", "upper")]
    assert covers == [True, True]  # PEP1, and its part


def test_a_cover_taken_off_after_the_last_save_is_off_after_the_start(tmp_path: Path) -> None:
    benches, path = Benches(), tmp_path / "world.json"
    benches.do("sow", crop="tomato", place="lower")
    benches.mirror.save(path)
    benches.ask("log", batch="TOM1", what="cover", text="off")
    after = Benches(START + 60)
    after.mirror.resume(path)
    assert after.world.truth("lower").covered
    after.mirror(benches.memory)
    assert not after.world.truth("lower").covered


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", '{"world": {}}', '{"world": {"schema": 9}, "known": {}}',
     '{"world": 7, "known": {"TOM1": {}}}'],
)  # fmt: skip
def test_a_saved_world_that_can_not_be_read_is_left_and_everything_sown_anew(
    benches: Benches, tmp_path: Path, caplog: pytest.LogCaptureFixture, text: str
) -> None:
    path = tmp_path / "world.json"
    path.write_text(text)
    benches.ask("sow", crop="tomato", place="lower", cells=12)
    benches.mirror.resume(path)
    assert "the simulated benches begin anew" in caplog.text
    benches.mirror(benches.memory)
    assert benches.places("TOM1") == {"lower": 12}
    assert saved_utc(path) == -math.inf


def test_no_saved_world_is_no_problem(
    benches: Benches, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    benches.mirror.resume(tmp_path / "world.json")
    assert saved_utc(tmp_path / "world.json") == -math.inf
    assert caplog.text == ""


def test_the_moment_of_a_saved_world_is_found(benches: Benches, tmp_path: Path) -> None:
    path = tmp_path / "world.json"
    benches.world.advance(1000.0)
    benches.mirror.save(path)
    assert saved_utc(path) == START + 1000
    assert not path.with_suffix(".new").exists()
    assert set(json.loads(path.read_text())) == {"world", "known"}


def test_a_batch_of_a_crop_that_is_no_longer_known_does_not_keep_the_others_from_going_on(
    benches: Benches, tmp_path: Path
) -> None:
    path = tmp_path / "world.json"
    benches.do("sow", crop="tomato", place="lower", trays=0.5, cells=12)
    benches.do("sow", crop="pepper", place="lower", trays=0.5, cells=12)
    benches.mirror.save(path)
    after = Benches(START + 60)
    crops = {name: crop for name, crop in LIBRARY.crops.items() if name != "pepper"}
    after.mirror.site = replace(after.site, library=replace(LIBRARY, crops=crops))
    after.mirror.resume(path)
    assert after.world.batches == ("TOM1",)


# --- a site of one's own ---------------------------------------------------------------------------


@pytest.fixture
def plugs(tmp_path: Path) -> Config:
    path = tmp_path / "plugs.toml"
    path.write_text(PLUGS)
    return load(path)


def test_a_site_of_one_s_own_is_simulated_with_its_own_broker_and_figures(plugs: Config) -> None:
    config = as_simulated(plugs)
    assert config.uses("simulated")
    assert not any(config.uses(driver) for driver in ("gpio", "onewire", "mqtt"))
    assert config.mqtt == plugs.mqtt
    assert config.bench["shelf"].probes[0].offset == 0.0
    assert config.bench["shelf"].mat is not None
    assert config.bench["shelf"].mat.watts == 40
    assert config.bench["shelf"].lamp is None
    assert config.site == plugs.site


def test_plugs_report_themselves_in_the_simulation_too_and_bare_boards_don_t(
    plugs: Config,
) -> None:
    world = build_world(plugs, start_utc=START)
    assert world.relay("sill", "lamp").state().confirmed is False
    assert world.relay("shelf", "mat").state().confirmed is None


def test_the_example_has_probes_enough_and_may_have_everything_on_at_once() -> None:
    config = example()
    assert {name: len(bench.probes) for name, bench in config.bench.items()} == {
        "lower": 3,
        "upper": 2,
    }
    loads = [
        relay.watts
        for bench in config.bench.values()
        for relay in (bench.lamp, bench.mat)
        if relay is not None
    ]
    assert sum(loads) <= config.site.power_budget
