"""The decision core as a whole: whatever it is fed, the safety rules hold, and it forgets nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.decide import Decision, decide
from daemon.requests import KINDS, MAX_BYTES, RefusedError, apply, envelope
from daemon.state import (
    Batch,
    Inputs,
    Keep,
    Memory,
    MoistureSpec,
    Now,
    Site,
    dump,
    restore,
    shifted,
)
from drivers.protocols import Quality, Reading
from profiles.model import Stage
from tests.daemon.builders import DAY, HOUR, bench, site

START = 1_806_000_000.0
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
    moves: list[tuple[object, float, float, str]], codes: tuple[str, ...]
) -> None:
    memory, mono, skew = Memory(batches=batches(*codes)), 1000.0, 0.0
    for given_reading, dt, step, keep in moves:
        mono, skew = mono + dt, skew + step
        reading = None
        if given_reading is not None:
            value, quality, age = given_reading  # type: ignore[misc]
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
