"""What was recorded is decided again alike, and what is not alike is named by its tick."""

from __future__ import annotations

import asyncio
import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter
from typer.testing import CliRunner

from daemon import predictive
from daemon import replay as module
from daemon.app import JOURNAL, read_site
from daemon.cli import app
from daemon.control import MatView, hysteresis
from daemon.journal import Journal, JournalError, StoredTick, TickRow, read_ticks
from daemon.rehearsal import Rehearsal, default_plan, start_of
from daemon.replay import dump_site, replay, restore_site, rolled_forward
from daemon.simulated import example
from daemon.state import DAY, Memory, Site, restore
from profiles.library import Library
from sim.faults import Fault

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def site() -> Site:
    return read_site(example())[0]


def record(
    folder: Path, days: float, *faults: Fault, start: str | None = None, seed: int = 0
) -> Path:
    """The journal of a season of the example site."""
    config = example()
    site, _ = read_site(config)
    begin = start_of(start, site.zone)
    plan = [replace(one, day=n) for n, one in enumerate(default_plan(site, 56))]
    journal = Journal.open(folder / JOURNAL, begin)
    Rehearsal(
        config, site, start=begin, days=days, seed=seed, faults=faults, plan=plan, journal=journal
    ).run()
    asyncio.run(journal.close())
    return folder / JOURNAL


def fault(kind: str, target: str | None, at: float, duration: float, **more: Any) -> Fault:
    where = {} if target is None else {"target": target}
    return Fault.model_validate({"kind": kind, "at": at, "duration": duration, **where, **more})


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four days, with a probe lost and the power cut; not to be changed."""
    return record(
        tmp_path_factory.mktemp("season"),
        4,
        fault("probe-lost", "lower/front", 0.5 * DAY, 7200),
        fault("power-cut", None, 1.6 * DAY, 5 * 3600),
    )


@pytest.fixture
def path(season: Path, tmp_path: Path) -> Path:
    """A copy of the same, to do harm to."""
    (tmp_path / JOURNAL).write_bytes(season.read_bytes())
    return tmp_path / JOURNAL


def spoil(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as db:
        for one in statements:
            db.execute(one)
        db.commit()


def test_the_site_comes_back_equal_from_its_text(site: Site) -> None:
    again = restore_site(dump_site(site))
    assert replace(again, library=site.library) == site
    assert dict(again.crops) == dict(site.crops)


def test_the_site_s_text_is_what_the_reader_of_it_would_write(site: Site) -> None:
    bare = replace(site, library=Library(dict(site.crops), {}), husbandry={}, counted={})
    assert dump_site(site) == TypeAdapter(Site).dump_json(bare).decode()


def test_a_season_is_decided_again_alike(season: Path) -> None:
    found = replay(season)
    assert found.differences == []
    assert (found.differing, found.skipped, found.starts) == (0, 0, 2)
    assert found.ticks == 4 * 1440 - 5 * 60
    assert found.requests > 3
    assert found.checkpoints == 3, "one in the first stretch, two in the second"


def test_a_leap_day_with_hardware_that_misbehaves_is_decided_again_alike(tmp_path: Path) -> None:
    """Each season of test_rehearsal.py is replayed there, the days on which clocks change among them."""
    path = record(
        tmp_path,
        2.2,
        fault("relay-stuck-on", "lower/mat", 0.7 * DAY, 3600),
        fault("probe-out-of-soil", "lower/front", 1.2 * DAY, 3600),
        fault("lamp-dead", "upper", 1.7 * DAY, 3600),
        start="2028-02-28",
        seed=5,
    )
    found = replay(path)
    assert (found.differing, found.skipped) == (0, 0), found.differences
    assert found.ticks == pytest.approx(2.2 * 1440, abs=1)


def test_another_process_decides_alike_whatever_its_hash_seed(season: Path) -> None:
    """The order of a set must decide nothing."""
    for seed in ("1", "77"):
        done = subprocess.run(
            [sys.executable, "-m", "daemon.cli", "replay", "--state", str(season.parent), "--json"],
            cwd=ROOT, capture_output=True, text=True, check=False,
            env=os.environ | {"PYTHONHASHSEED": seed},
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        assert json.loads(done.stdout)["result"]["differing"] == 0


# --- differences -----------------------------------------------------------------------------------


def warmer(tick: StoredTick) -> str:
    """Makes the soil of that tick, and of the few before, a little warmer than it was."""
    return (
        f"UPDATE reading SET value = value + 0.5 WHERE tick BETWEEN {tick.n - 5} AND {tick.n}"
        " AND probe IN (SELECT n FROM name WHERE name LIKE 'lower/%')"
    )


def switching_tick(path: Path, bench: str, part: int) -> StoredTick:
    """A tick at which a relay was switched on, when the soil had long been warm."""
    for tick in read_ticks(path, 1500, 3000):
        for kind, body in tick.steps:
            if kind == "switched" and json.loads(body).get(bench, [0, 0])[part]:
                return tick
    raise AssertionError


def test_a_decision_that_differs_names_its_tick_and_what_is_switched(path: Path) -> None:
    tick = switching_tick(path, "lower", 1)
    with closing(sqlite3.connect(path)) as db:
        db.execute(warmer(tick))
        db.commit()
    found = replay(path)
    one = next(one for one in found.differences if one.what == "outputs")
    assert (one.n, one.at) == (tick.n, tick.at)
    assert "lower's mat was on and is now off" in one.detail


def test_another_controller_is_found_out_and_said_only_until_the_next_checkpoint(
    season: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def plain(view: MatView, mind: tuple[float, ...]) -> Any:
        return hysteresis(replace(view, half_band=view.half_band + 0.3), mind)[0], mind

    monkeypatch.setattr(predictive, "learning", plain)
    found = replay(season)
    assert found.differing > 10
    assert len(found.differences) == module.TOLD < found.differing < found.ticks


def test_a_word_that_differs_is_told_apart_from_a_switching(path: Path) -> None:
    tick = switching_tick(path, "lower", 1)
    told = tick.told[:4] + b"else"
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE tick SET told = ? WHERE n = ?", (told, tick.n))
        db.commit()
    found = replay(path)
    assert [(one.n, one.what) for one in found.differences] == [(tick.n, "words")]


def test_a_memory_that_differs_is_found_at_the_checkpoint(path: Path) -> None:
    ticks = [tick for tick in read_ticks(path, 2, 9999) if dict(tick.steps).get("memory")]
    changed = dict(ticks[0].steps)["memory"].replace('"serials":{', '"serials":{"XYZ":9,')
    with closing(sqlite3.connect(path)) as db:
        db.execute(
            "UPDATE step SET body = ?, content = NULL WHERE tick = ?"
            " AND kind = (SELECT n FROM name WHERE name = 'memory')",
            (changed, ticks[0].n),
        )
        db.commit()
    found = replay(path)
    assert [one.n for one in found.differences] == [ticks[0].n]
    assert found.differences[0].what == "memory"
    assert "serials" in found.differences[0].detail


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        ("DELETE FROM request WHERE id = 'rehearsal-2'", "rehearsal-2 before it is not in the"),
        ("UPDATE request SET body = '{}' WHERE id = 'rehearsal-2'", "once done, is refused"),
    ],
)
def test_a_request_that_is_gone_or_now_refused_is_named(path: Path, harm: str, said: str) -> None:
    spoil(path, harm)
    one = replay(path).differences[0]
    assert one.what == "memory"
    assert said in one.detail


# --- from where, and what can't be ------------------------------------------------------------------


def test_it_begins_at_the_last_checkpoint_before_the_time_asked_for(season: Path) -> None:
    whole = replay(season)
    assert whole.since is not None
    part = replay(season, since=whole.since + 3.2 * DAY, until=whole.since + 3.5 * DAY)
    assert (part.differing, part.skipped) == (0, 0)
    assert part.since is not None
    assert part.until is not None
    assert whole.since + 2 * DAY < part.since <= whole.since + 3.2 * DAY
    assert part.until < whole.since + 3.5 * DAY


def test_ticks_after_a_gap_wait_for_the_next_checkpoint(path: Path) -> None:
    spoil(path, "UPDATE tick SET lost = 3 WHERE n = 100")
    found = replay(path)
    assert found.differing == 0
    assert found.skipped == 1440 - 99
    assert replay(path, since=None, until=None).starts == 2


def test_ticks_of_an_older_schema_are_left_out(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / JOURNAL, 0.0)
    journal.note(ticks=[TickRow(n, n) for n in range(5)])
    asyncio.run(journal.close())
    found = replay(tmp_path / JOURNAL)
    assert (found.ticks, found.skipped) == (0, 5)
    done = CliRunner().invoke(app, ["replay", "--state", str(tmp_path)])
    assert done.exit_code == 1
    assert "nothing that can be replayed" in done.output


def test_a_step_of_a_later_version_is_refused_by_name(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / JOURNAL, 0.0)
    journal.note(ticks=[TickRow(1, 1, steps=(("moon", "full"),), told=b"x")])
    asyncio.run(journal.close())
    with pytest.raises(JournalError, match="tick 1 has a step of kind 'moon'"):
        replay(tmp_path / JOURNAL)


def test_damaged_steps_are_named(path: Path) -> None:
    spoil(path, "UPDATE content SET body = x'00'")
    with pytest.raises(JournalError, match="what was noted at tick 1 is damaged"):
        replay(path)
    spoil(path, "UPDATE step SET body = '{', content = NULL")
    with pytest.raises(JournalError, match="tick 1 is not as this hotbed writes it"):
        replay(path)


def test_the_command_tells_and_its_exit_status_too(path: Path) -> None:
    run = CliRunner().invoke
    done = run(app, ["replay", "--state", str(path.parent)])
    assert done.exit_code == 0
    assert "the same, every one of them" in done.output
    tick = switching_tick(path, "lower", 1)
    spoil(path, warmer(tick))
    done = run(app, ["replay", "--state", str(path.parent)])
    assert done.exit_code == 1
    assert "outputs: lower's mat was on and is now off" in done.output
    done = run(app, ["replay", "--state", str(path.parent), "--json"])
    found = json.loads(done.output)
    assert done.exit_code == 1
    assert not found["ok"]
    assert tick.n in [one["tick"] for one in found["result"]["differences"]]
    assert run(app, ["replay", "--state", str(path.parent), "--since", "soon"]).exit_code == 2
    assert run(app, ["replay", "--state", str(path.parent / "no")]).exit_code == 1


# --- after a kill -----------------------------------------------------------------------------------


def memory_before(path: Path, n: int) -> Memory:
    player = module._Player(path, module.Replayed())
    for tick in read_ticks(path, 1, n - 1):
        player.play(tick)
    assert player.memory
    return player.memory


def cut(path: Path, n: int) -> None:
    """As if the power had gone before tick `n` was written."""
    spoil(path, f"DELETE FROM step WHERE tick >= {n}", f"DELETE FROM tick WHERE n >= {n}")


def test_a_saved_state_is_brought_on_to_the_last_tick_as_it_was_decided_then(
    path: Path, site: Site
) -> None:
    n, whole = next(
        (tick.n, restore(dict(tick.steps)["memory"]))
        for tick in read_ticks(path, 2, 9999)
        if "memory" in dict(tick.steps)
    )
    cut(path, n)
    for back in (1, 40):
        saved = memory_before(path, n - back)
        again, last = rolled_forward(path, saved, site, patience=60)
        assert last == whole.at != saved.at
        assert again == whole


def test_a_saved_state_is_left_as_it_is_where_the_ticks_since_do_not_fit(
    path: Path, site: Site
) -> None:
    saved = memory_before(path, 1000)
    other = replace(site, soil_limit=site.soil_limit - 1)
    assert rolled_forward(path, saved, other) == (saved, None)
    undated = replace(saved, at=None)
    assert rolled_forward(path, undated, site) == (undated, None)
    assert rolled_forward(path, saved, site, patience=0.0) == (saved, None)
    spoil(path, "UPDATE tick SET lost = 1 WHERE n = 1002")
    _, last = rolled_forward(path, saved, site, patience=60)
    assert saved.at
    assert last
    assert last.mono == saved.at.mono + 2 * site.tick
    spoil(path, "UPDATE step SET body = '{', content = NULL WHERE tick < 1000")
    assert rolled_forward(path, saved, site) == (saved, None)


def test_a_batch_of_a_crop_that_is_not_known_rests_and_is_not_lost(path: Path, site: Site) -> None:
    saved = memory_before(path, 1000)
    odd = replace(next(iter(saved.batches.values())), code="ODD1", crop="no-such-crop")
    saved = replace(saved, batches={**saved.batches, "ODD1": odd})
    again, last = rolled_forward(path, saved, site, patience=60)
    assert last
    assert again.batches["ODD1"] == odd


def test_a_season_that_is_recorded_by_the_command_can_be_replayed(tmp_path: Path) -> None:
    run = CliRunner().invoke
    folder = tmp_path / "season"
    done = run(app, ["rehearse", "--days", "1", "--record", str(folder), "--json"])
    assert done.exit_code == 0, done.output
    done = run(app, ["replay", "--state", str(folder), "--json"])
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["result"]["ticks"] == 1440
    again = run(app, ["rehearse", "--days", "1", "--record", str(folder)])
    assert again.exit_code == 1
    assert "has a journal already" in again.output + again.stderr
