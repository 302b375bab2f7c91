"""The decision core as a whole: whatever it is fed, the safety rules hold, and it forgets nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.decide import LATE_CALENDAR, Decision, _usual_days, aims_of, decide
from daemon.outage import resumed
from daemon.requests import KINDS, MAX_BYTES, RefusedError, apply, envelope
from daemon.state import (
    NEVER,
    Batch,
    BenchMemory,
    Count,
    HeatWatch,
    Inputs,
    Keep,
    Memory,
    MoistureSpec,
    Now,
    RelaySpec,
    Site,
    dump,
    restore,
    shifted,
)
from drivers.protocols import Quality, Reading
from profiles.model import Photoperiod, Stage
from tests.daemon.builders import (
    DAY,
    HOUR,
    START,
    Runner,
    Tray,
    batch,
    bench,
    good,
    holding,
    site,
    utc,
)

TICK = 60.0
SITE = site(bench(), power_budget=55.0)  # the lamp's 40 W and the mat's 20 do not fit together


def batches(*codes: str) -> dict[str, Batch]:
    made = {
        "TOM1": Batch(
            "TOM1", "tomato", "shelf", Stage.GERMINATION, START, START, 1.0, covered=True
        ),
        "LET1": Batch("LET1", "lettuce", "shelf", Stage.SEEDLING, START, START, 1.0),
        "PEP1": Batch("PEP1", "pepper", "shelf", Stage.SEEDLING, START, START, 1.0),
    }
    return {code: made[code] for code in codes}


def tick(
    memory: Memory,
    mono: float,
    reading: Reading | None,
    *,
    utc: float | None = None,
    to: Site = SITE,
) -> Decision:
    readings = {} if reading is None else {"shelf/soil": reading}
    return decide(memory, to, Inputs(readings), Now(mono, START + mono if utc is None else utc))


READINGS = st.one_of(
    st.none(),
    st.tuples(
        st.floats(-60, 130) | st.floats(18, 37),
        st.sampled_from([Quality.OK] * 6 + list(Quality)),
        st.floats(0, 400),
    ),
)
MOVES = st.lists(
    st.tuples(
        READINGS,
        st.sampled_from([TICK] * 8 + [1.0, 300.0, 4 * HOUR]),
        st.sampled_from([0.0] * 8 + [-2 * HOUR, HOUR, 9 * HOUR]),
        st.sampled_from(["", "", "", "mat on", "mat off", "lamp on", "release"]),
    ),
    min_size=5,
    max_size=60,
)


@settings(max_examples=150, deadline=None)
@given(MOVES, st.sampled_from([("TOM1",), ("LET1",), ("TOM1", "PEP1"), ("TOM1", "LET1"), ()]))
def test_whatever_happens_no_safety_rule_is_broken(
    moves: list[tuple[tuple[float, Quality, float] | None, float, float, str]],
    codes: tuple[str, ...],
) -> None:
    memory, mono, skew = Memory(batches=batches(*codes)), 1000.0, 0.0
    for given_reading, dt, step, keep in moves:
        mono, skew = mono + dt, skew + step
        reading = None
        if given_reading is not None:
            value, quality, age = given_reading
            reading = Reading(value, quality, mono - age)
        keeps = dict(memory.keeps)
        if keep == "release":
            keeps = {}
        elif keep:
            relay, way = keep.split()
            keeps[f"shelf/{relay}"] = Keep(
                way == "on", "Ona", START, mono + HOUR if way == "on" else None
            )
        memory = replace(memory, keeps=keeps)
        before = dump(memory)
        now = Now(mono, START + mono + skew)
        inputs = Inputs({} if reading is None else {"shelf/soil": reading})
        decision = decide(memory, SITE, inputs, now)
        assert dump(memory) == before, "decide changed what it was given"
        again = decide(restore(before), SITE, inputs, now)
        assert again.outputs == decision.outputs
        assert dump(again.memory) == dump(decision.memory)
        output, bench_memory = decision.outputs["shelf"], decision.memory.benches["shelf"]
        kept = decision.memory.keeps
        if output.mat:
            assert mono - bench_memory.soil_at < SITE.probe_grace
            assert not bench_memory.latched
            assert (
                reading is None
                or reading.value is None
                or mono - reading.at >= SITE.probe_grace  # said before it fell silent
                or not (
                    reading.quality in (Quality.OK, Quality.JUMP, Quality.FROZEN)
                    and reading.value >= SITE.soil_limit
                )
            )
        for relay, on in (("lamp", output.lamp), ("mat", output.mat)):
            held = kept.get(f"shelf/{relay}")
            assert not (on and held is not None and not held.on)
        assert 40.0 * output.lamp + 20.0 * output.mat <= SITE.power_budget
        memory = decision.memory


def test_a_lost_probe_switches_the_mat_off_within_the_grace_and_raises_the_alarm() -> None:
    memory = Memory(batches=batches("TOM1"))
    for n in range(5):
        decision = tick(memory, n * TICK, Reading(20.0 + n / 16, Quality.OK, n * TICK))
        memory = decision.memory
    assert decision.outputs["shelf"].mat
    last = 4 * TICK
    for n in range(5, 9):
        decision = tick(memory, n * TICK, Reading(None, Quality.MISSING, n * TICK))
        memory = decision.memory
        if n * TICK - last >= SITE.probe_grace:
            assert not decision.outputs["shelf"].mat
            assert "no-soil-reading.shelf" in memory.alarms


def test_after_a_power_cut_the_lamp_is_right_at_the_first_tick() -> None:
    memory = Memory(batches=batches("LET1"))
    memory = tick(memory, 0.0, Reading(19.0, Quality.OK, 0.0)).memory
    for gone in range(48):
        mono = 100.0 + gone * HOUR
        booted = shifted(restore(dump(memory)), 0.0)
        after = tick(booted, mono, Reading(19.0, Quality.OK, mono)).outputs["shelf"].lamp
        fresh = Memory(batches=batches("LET1"))
        # Only a night that has begun may keep it dark for longer than a fresh start would.
        assert after <= tick(fresh, mono, Reading(19.0, Quality.OK, mono)).outputs["shelf"].lamp


def test_the_lamp_comes_on_by_itself_from_the_early_edge_and_the_cover_waits_for_a_person() -> None:
    memory, lit_at = Memory(batches=batches("TOM1")), None
    for n in range(int(9 * DAY / 600)):
        mono = n * 600.0
        soil = 25.0 + (n % 3) / 16
        decision = tick(memory, mono, Reading(soil, Quality.OK, mono), to=site(bench()))
        memory = decision.memory
        if decision.outputs["shelf"].lamp and lit_at is None:
            lit_at = mono / DAY
    # Harrington and Minges (1954): tomato 6 days at 25 °C.
    assert lit_at is not None
    assert 2.5 < lit_at < 6
    assert memory.batches["TOM1"].covered
    assert memory.batches["TOM1"].stage is Stage.GERMINATION


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=400) | st.text(max_size=200).map(str.encode))
def test_whatever_is_sent_as_a_request_is_read_or_refused(payload: bytes) -> None:
    said = "read"
    try:
        envelope(payload)
    except RefusedError as error:
        said = str(error)
    assert said


def test_a_request_that_is_too_large_is_refused_with_the_limit() -> None:
    with pytest.raises(RefusedError, match=str(MAX_BYTES)):
        envelope(b" " * (MAX_BYTES + 1))


def test_a_request_against_an_older_revision_is_refused_and_changes_nothing() -> None:
    memory, now = Memory(batches=batches("TOM1")), Now(HOUR, START + HOUR)
    asked = KINDS["stage"].model_validate({"batch": "tom1", "to": "seedling", "revision": 1})
    done = apply(memory, SITE, asked, "Ona", now)
    assert done.memory.batches["TOM1"].stage is Stage.SEEDLING
    again = KINDS["stage"].model_validate({"batch": "TOM1", "to": "growing-on", "revision": 1})
    with pytest.raises(RefusedError, match="revision 2, you saw 1"):
        apply(done.memory, SITE, again, "Joss", now)


def test_a_latched_fault_keeps_the_mat_off_until_a_person_resets_it() -> None:
    memory = Memory(batches=batches("TOM1"))
    decision, mono = None, 0.0
    for n in range(8 * 60):  # the probe lies in the room: whatever the mat does, it reads 18 °C
        mono = n * TICK
        decision = tick(memory, mono, Reading(18.0 + (n % 2) / 16, Quality.OK, mono))
        memory = decision.memory
    assert decision is not None
    assert "mat-without-effect.shelf" in memory.alarms
    assert not decision.outputs["shelf"].mat
    reset = KINDS["reset"].model_validate({"alarm": "mat-without-effect.shelf"})
    memory = apply(memory, SITE, reset, "Ona", Now(mono, START + mono)).memory
    after = tick(memory, mono + 2 * TICK, Reading(18.0, Quality.OK, mono + 2 * TICK))
    assert after.outputs["shelf"].mat


# --- rules one by one ------------------------------------------------------------------------------

SEEDLING, GERM = Stage.SEEDLING, Stage.GERMINATION
LETTUCE = holding(batch("LET1", "lettuce", SEEDLING))
SEED = holding(batch("TOM1", "tomato"))


def steady(at: float) -> float:
    """Soil that moves by a step now and then, as real soil does."""
    return 20.0 + (int(at) // 1800 % 2) / 16


@pytest.mark.parametrize(
    ("zone", "lights_on", "change"),
    [
        # Instants at which clocks change, IANA time zone database; see test_control.
        ("Europe/Berlin", 6, "2025-03-30T01:00:00Z"),
        ("Europe/Berlin", 6, "2025-10-26T01:00:00Z"),
        ("America/New_York", 22, "2025-11-02T06:00:00Z"),
        ("Australia/Lord_Howe", 6, "2025-10-04T15:30:00Z"),
        ("Africa/Cairo", 0, "2025-04-24T22:00:00Z"),
    ],
)
def test_a_night_on_which_clocks_change_has_its_hours_of_darkness(
    zone: str, lights_on: int, change: str
) -> None:
    at = utc(change)
    there = site(bench(lights_on=timedelta(hours=lights_on)), zone=ZoneInfo(zone))
    runner = Runner(there, LETTUCE, utc=at - 2 * DAY, soil=steady)
    changes: list[tuple[float, bool]] = []
    while runner.utc < at + 2 * DAY:
        on = runner.tick().outputs["shelf"].lamp
        if not changes or changes[-1][1] != on:
            changes.append((runner.mono, on))
    hours = aims_of(LETTUCE, there)["shelf"].hours
    whole = list(pairwise(changes))[1:]
    assert len(whole) >= 5
    for (start, on), (end, _) in whole:
        if on:
            assert end - start <= hours * HOUR + TICK
        else:
            assert end - start >= (24 - hours) * HOUR - TICK


@pytest.mark.parametrize("gone", [1.0, 5.0, 9.0, 20.0, 49.0])
def test_after_a_power_cut_the_lamp_follows_the_time_and_the_gap_counts_for_emergence(
    gone: float,
) -> None:
    memory = replace(
        LETTUCE,
        batches={
            **LETTUCE.batches,
            "TOM1": replace(batch("TOM1", "tomato"), sown_at=utc("2027-03-03T00:00:00Z")),
        },
    )
    runner = Runner(site(), memory, utc=utc("2027-03-03T11:00:00Z"), soil=steady)
    runner.pass_by(2 * HOUR)
    before = runner.memory.progress["TOM1"]
    runner.memory = replace(shifted(restore(dump(runner.memory)), -runner.mono))
    runner.mono = 0.0
    output = runner.tick(gone * HOUR).outputs["shelf"]
    hours = aims_of(memory, SITE)["shelf"].hours
    local = (runner.utc / HOUR + 1) % 24  # Berlin, winter
    assert output.lamp == (6 <= local < 6 + hours)
    rate = SITE.crops["tomato"].emergence.rate(20.0)
    counted = runner.memory.progress["TOM1"] - before
    assert counted == pytest.approx(gone / 24 * rate, rel=0.02)
    # Neither light nor heat is put down for hours without current.
    assert runner.memory.benches["shelf"].lit_s <= 2 * HOUR
    assert any("nothing was decided" in text for text in runner.told("clock")) == (
        gone * HOUR > 600
    )


def test_what_is_kept_off_stays_off_over_a_restart_and_a_boot_and_what_is_kept_on_lapses() -> None:
    memory = replace(
        LETTUCE,
        keeps={
            "shelf/lamp": Keep(False, "Ada", START, None),
            "shelf/mat": Keep(True, "Ada", START, 1000.0 + HOUR),
        },
    )
    runner = Runner(site(), memory, utc=utc("2027-03-03T11:00:00Z"), soil=steady)
    output = runner.tick().outputs["shelf"]
    assert (output.lamp, output.mat) == (False, True)
    assert output.lamp_why == "kept off by Ada"
    runner.memory = shifted(restore(dump(runner.memory)), 500.0)
    runner.mono += 500.0
    runner.pass_by(HOUR - 180.0)
    assert runner.memory.benches["shelf"].mat
    runner.pass_by(120.0)
    assert not runner.memory.benches["shelf"].mat
    assert runner.told("keep") == ["shelf: the mat is no longer kept on, as Ada had asked"]
    runner.pass_by(3 * DAY)
    assert not runner.memory.benches["shelf"].lamp


@pytest.mark.parametrize("known", [True, False], ids=["night seen to begin", "fresh start"])
@pytest.mark.parametrize("min_on", [0.0, 60.0, 1800.0])
def test_work_light_is_half_an_hour_a_night_however_it_is_asked_for(
    known: bool, min_on: float
) -> None:
    lamp = RelaySpec(watts=40.0, min_on=min_on, min_off=0.0)
    begin = utc("2027-03-03T12:00:00Z") if known else utc("2027-03-03T21:30:00Z")
    runner = Runner(site(bench(lamp=lamp)), LETTUCE, utc=begin, soil=steady)
    if known:
        runner.until(utc("2027-03-03T21:30:00Z"))
    lit = 0.0
    while runner.utc < utc("2027-03-04T04:50:00Z"):
        # A minute on, a minute not, all night long.
        until = runner.mono + 60.0
        runner.memory = replace(
            runner.memory, keeps={"shelf/lamp": Keep(True, "Ada", START, until + 1)}
        )
        for _ in range(2):
            lit += TICK * runner.tick().outputs["shelf"].lamp
    assert 0 < lit <= 1800.0 + TICK


def test_the_least_time_on_does_not_reach_into_the_night() -> None:
    lamp = RelaySpec(watts=40.0, min_on=1800.0, min_off=0.0)
    end = utc("2027-03-03T05:00:00Z") + aims_of(LETTUCE, SITE)["shelf"].hours * HOUR
    runner = Runner(site(bench(lamp=lamp)), LETTUCE, utc=end - 300.0, soil=steady)
    assert runner.tick().outputs["shelf"].lamp
    runner.until(end)
    assert not runner.memory.benches["shelf"].lamp


@pytest.mark.parametrize("uncovered", [True, False])
def test_a_tray_that_cools_quickly_once_its_cover_is_off_has_its_probe_in_it(
    uncovered: bool,
) -> None:
    memory = holding(batch("TOM1", "tomato", covered=True))
    falls_from = START + HOUR

    def soil(at: float) -> float:
        return 22.0 - max(0.0, min(at - falls_from, 20 * 60.0)) / 200.0

    runner = Runner(site(), memory, soil=soil)
    runner.until(falls_from)
    if uncovered:
        now = {"TOM1": replace(runner.memory.batches["TOM1"], covered=False)}
        runner.memory = replace(runner.memory, batches=now)
    runner.pass_by(25 * 60.0)
    bench = runner.memory.benches["shelf"]
    assert bench.mat
    assert (bench.watch.fell_from is None) is uncovered
    assert bench.uncovered_at == (runner.mono - 24 * 60.0 if uncovered else NEVER)
    later = shifted(runner.memory, 500.0).benches["shelf"]
    assert later.uncovered_at - bench.uncovered_at == 500.0


def test_seed_that_needs_light_is_lit_at_once() -> None:
    memory = holding(batch("LET1", "lettuce", covered=True))
    runner = Runner(site(), memory, utc=utc("2027-03-03T11:00:00Z"), soil=18.0)
    assert runner.tick().outputs["shelf"].lamp


def test_a_clock_never_set_neither_calls_the_lamp_nor_cries_that_seed_is_late() -> None:
    runner = Runner(site(), SEED, utc=1000.0, trusted=False, soil=steady)
    runner.pass_by(3 * HOUR)
    assert runner.memory.called == frozenset()
    assert set(runner.memory.alarms) == {"clock-unset"}
    # At the very second of sowing, and with a clock set back behind it, likewise.
    for at in (START, START - 5 * DAY):
        runner = Runner(site(), replace(SEED, progress={"TOM1": 0.3}), utc=at - TICK, soil=steady)
        runner.pass_by(2 * HOUR)
        assert runner.memory.called == frozenset()
        assert not runner.memory.alarms


def test_seed_in_soil_too_cold_to_move_is_overdue_by_the_calendar() -> None:
    usual = _usual_days(SITE.crops["tomato"], None)
    edge = START + LATE_CALENDAR * usual * DAY
    runner = Runner(
        site(bench(mat=None)), SEED, utc=edge - 600.0, soil=lambda at: steady(at) - 16.0
    )
    runner.until(edge - 1.0)
    assert runner.memory.progress["TOM1"] == 0.0
    assert "emergence-overdue.TOM1" not in runner.memory.pending
    runner.pass_by(HOUR + 2 * TICK)
    alarm = runner.memory.alarms["emergence-overdue.TOM1"]
    assert "TOM1 was sown" in alarm.cause
    assert "where it is warm enough" in alarm.cause
    # In a place without a bench, where nothing is measured, too; not once some are up.
    elsewhere = Runner(site(), holding(batch(place="chamber")), utc=edge + TICK)
    elsewhere.pass_by(HOUR + 2 * TICK)
    assert "emergence-overdue.TOM1" in elsewhere.memory.alarms
    up = holding(replace(batch(), counts=(Count(START, 1, 72, "Ada"),)))
    seen = Runner(site(), up, utc=edge + TICK)
    seen.pass_by(HOUR + 2 * TICK)
    assert "emergence-overdue.TOM1" not in seen.memory.alarms


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 1e300])
def test_a_number_that_is_none_hides_no_hot_probe_beside_it(value: float) -> None:
    two = site(bench(soil=("front", "back")))
    for order in ((value, 36.0), (36.0, value)):
        readings = {
            f"shelf/{name}": Reading(one, Quality.OK, 60.0)
            for name, one in zip(("front", "back"), order, strict=True)
        }
        decision = decide(SEED, two, Inputs(readings), Now(60.0, START))
        assert "soil-over-limit" in decision.memory.benches["shelf"].stops
        assert not decision.outputs["shelf"].mat


@pytest.mark.parametrize(("age", "holds"), [(119.0, True), (120.0, False)])
def test_what_a_probe_said_before_it_fell_silent_holds_no_stop(age: float, holds: bool) -> None:
    two = site(bench(soil=("front", "back")))
    memory = replace(SEED, benches={"shelf": BenchMemory(stops=frozenset({"soil-over-limit"}))})
    readings = {
        "shelf/front": Reading(20.0, Quality.OK, 1000.0),
        "shelf/back": Reading(34.0, Quality.OK, 1000.0 - age),
    }
    decision = decide(memory, two, Inputs(readings), Now(1000.0, START))
    assert ("soil-over-limit" in decision.memory.benches["shelf"].stops) is holds


def test_frost_is_no_heat_and_the_hottest_of_two_is_the_hottest_below_zero_too() -> None:
    two = site(bench(soil=("front", "back")))
    readings = {"shelf/front": good(0.0, 60.0), "shelf/back": good(-5.0, 60.0)}
    memory = replace(SEED, benches={"shelf": BenchMemory(stops=frozenset({"soil-over-limit"}))})
    decision = decide(memory, two, Inputs(readings), Now(60.0, START))
    assert decision.memory.benches["shelf"].stops == frozenset()


def test_hot_soil_is_an_alarm_on_a_bench_without_a_mat_too() -> None:
    runner = Runner(site(bench(mat=None)), LETTUCE, soil=36.0)
    runner.tick()
    assert "soil-over-limit.shelf" in runner.memory.alarms
    assert "crop-too-hot.shelf" in runner.memory.pending


def test_a_shed_lamp_comes_back_for_the_mat_gives_way_and_a_long_shedding_is_an_alarm() -> None:
    # Hot seed under a cover beside lettuce with leaves: the mat alone would hold the soil where the
    # lamp may not be lit.
    memory = holding(batch("PEP1", "pepper", covered=True), batch("LET1", "lettuce", SEEDLING))
    runner = Runner(site(), memory, utc=utc("2027-03-03T06:00:00Z"))
    tray = Tray(26.0, lamp_lift=9.0)
    runner.soil = lambda at: round(tray.soil * 16) / 16
    lit = shed = 0
    while runner.utc < utc("2027-03-03T18:00:00Z"):
        shelf = runner.memory.benches.get("shelf", BenchMemory())
        tray.step(TICK, 18.0, shelf.mat, shelf.lamp)
        output = runner.tick().outputs["shelf"]
        lit += output.lamp
        if not output.lamp and "lamp-over-cover" in runner.memory.benches["shelf"].stops:
            shed += 1
            assert not output.mat
            assert output.mat_why.startswith("safety stop: ")
    assert shed > 0
    assert lit > 4 * 60
    # In a room so hot that it stays off, somebody is told.
    hot = Runner(site(), memory, utc=utc("2027-03-03T06:00:00Z"))
    hot.soil = lambda at: 26.5 + (int(at) // 1800 % 2) / 16
    hot.pass_by(2 * HOUR + 2 * TICK)
    assert "lamp-shed.shelf" in hot.memory.alarms


def test_a_gap_is_no_proof_of_anything_about_the_mat() -> None:
    memory = replace(
        SEED,
        benches={
            "shelf": BenchMemory(
                soil=26.0, soil_at=1000.0, mat=True, mat_last=1000.0, full_since=0.0,
                full_soil=26.0, watch=HeatWatch(on_s=10_000.0, high=26.0, kept=26.0),
            )
        },
        at=Now(1000.0, START),
    )  # fmt: skip
    runner = Runner(site(), memory, soil=16.0)
    runner.tick(9 * HOUR)
    shelf = runner.memory.benches["shelf"]
    assert not shelf.latched
    assert shelf.watch.on_s <= 0.0
    assert shelf.heated_s == 0.0
    assert not [text for text in runner.told("advisory") if "out of reach" in text]


def test_two_mats_short_of_power_do_not_take_turns_by_the_minute() -> None:
    two = site(bench("left", lamp=None), bench("right", lamp=None), power_budget=20.0)
    memory = holding(batch("TOM1", place="left"), batch("TOM2", place="right"))
    runner = Runner(two, memory)
    trays = {"left": Tray(18.0), "right": Tray(18.0)}
    for _ in range(6 * 60):
        for name, tray in trays.items():
            shelf = runner.memory.benches.get(name, BenchMemory())
            tray.step(TICK, 18.0, shelf.mat, False)
            runner.extra[f"{name}/soil"] = good(round(tray.soil * 16) / 16, 0.0)
        outputs = runner.tick().outputs
        assert outputs["left"].mat + outputs["right"].mat <= 1
    assert len(runner.told("switching")) <= 6 * 8
    assert abs(trays["left"].soil - trays["right"].soil) < 1.5


def test_light_round_the_clock_needs_no_clock() -> None:
    lettuce = SITE.crops["lettuce"]
    always = Photoperiod(low=24, best=24, high=24, source="own")
    stage = lettuce.stages[SEEDLING].model_copy(update={"photoperiod_h": always})
    crop = lettuce.model_copy(update={"stages": {**lettuce.stages, SEEDLING: stage}})
    there = replace(SITE, library=replace(SITE.library, crops={**SITE.crops, "lettuce": crop}))
    runner = Runner(there, LETTUCE, trusted=False, soil=steady)
    assert runner.tick().outputs["shelf"].lamp


def test_a_mat_kept_on_with_nothing_to_heat_is_guarded_all_the_same() -> None:
    memory = replace(LETTUCE, keeps={"shelf/mat": Keep(True, "Ada", START, 1e9)})
    runner = Runner(site(), memory, soil=lambda at: 18.0 + (int(at) // 1800 % 2) / 16)
    runner.pass_by(3 * HOUR + 5 * TICK)
    assert "mat-without-effect" in runner.memory.benches["shelf"].latched
    assert not runner.memory.benches["shelf"].mat


def test_what_a_lost_probe_read_last_is_not_counted_as_soil_that_a_batch_has_had() -> None:
    memory = Memory(batches=batches("LET1"))
    for n in range(10):
        memory = tick(memory, n * TICK, Reading(19.0 + n / 16, Quality.OK, n * TICK)).memory
    counted = memory.tallies["LET1"].soil_s
    assert counted == pytest.approx(9 * TICK)
    for n in range(10, 200):
        memory = tick(memory, n * TICK, Reading(None, Quality.MISSING, n * TICK)).memory
    assert memory.tallies["LET1"].soil_s <= counted + SITE.probe_grace
    assert memory.tallies["LET1"].s == pytest.approx(199 * TICK)


def test_a_fresh_moisture_probe_tells_the_tally_and_an_old_or_failed_one_nothing() -> None:
    spec = replace(SITE.benches["shelf"], moisture=MoistureSpec("shelf/moisture", dry=600, wet=300))
    damp = replace(SITE, benches={"shelf": spec})

    def known(reading: Reading | None, hours: int) -> tuple[float, float]:
        memory = Memory(batches=batches("LET1"))
        for n in range(hours * 12 + 1):
            now = Now(n * 300.0, START + n * 300.0)
            heard = {} if reading is None else {"shelf/moisture": reading}
            memory = decide(memory, damp, Inputs(heard), now).memory
        tally = memory.tallies["LET1"]
        return tally.wet_known_s / HOUR, tally.wet_run_s / HOUR

    assert known(Reading(290, Quality.OK, 0.0), 2) == pytest.approx((2, 2), abs=0.1)
    assert known(Reading(310, Quality.OK, 0.0), 2) == pytest.approx((2, 0), abs=0.1)
    assert known(Reading(290, Quality.OK, 0.0), 9)[0] == pytest.approx(3, abs=0.1)
    assert known(Reading(290, Quality.GARBLED, 0.0), 2) == (0, 0)
    assert known(None, 2) == (0, 0)


def test_outdoor_air_that_a_silent_thermometer_read_long_ago_is_no_chill() -> None:
    garden = replace(SITE, outdoor_air=("outdoor/fence",))
    plant = replace(batches("LET1")["LET1"], place="cold-frame", stage=Stage.HARDENING)
    memory = Memory(batches={"LET1": plant})
    old = Reading(2.0, Quality.OK, 0.0)
    for n in range(int(6 * HOUR / 300)):
        now = Now(n * 300.0, START + n * 300.0)
        memory = decide(memory, garden, Inputs({"outdoor/fence": old}), now).memory
    assert memory.tallies["LET1"].air_s <= HOUR


def test_yesterdays_forecast_is_not_written_down_as_tonights() -> None:
    garden = replace(SITE, night_low="outdoor/night-low")
    memory, old = Memory(), Reading(3.0, Quality.OK, 0.0)
    for n in range(3 * 24):
        now = Now(n * HOUR, START + n * HOUR)
        memory = decide(memory, garden, Inputs({"outdoor/night-low": old}), now).memory
    lows = [care for care in memory.care["site"].entries if care.value == 3.0]
    assert 1 <= len(lows) <= 2  # of the day it came, and of one that began within half a day
    assert all(care.at - START < 12 * HOUR for care in lows)


def test_a_cut_that_no_clock_measured_is_no_fall_that_the_mat_must_make_good() -> None:
    # The board woke with the time it went to sleep with: by all it knows it was away for a moment.
    run = Runner(site(), holding(batch()), soil=22.0)
    run.pass_by(HOUR)
    shown = replace(run.memory.benches["shelf"].watch, kept=22.0, high=22.0)
    benches = {"shelf": replace(run.memory.benches["shelf"], watch=shown)}
    memory = replace(run.memory, benches=benches)
    run.memory = resumed(memory, by=0.0, gone=0.0, booted=True)
    run.soil = 12.0
    run.tick()
    watch = run.memory.benches["shelf"].watch
    assert (watch.fell_from, watch.kept, watch.low) == (None, None, 12.0)
