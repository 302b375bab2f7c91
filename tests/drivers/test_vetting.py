"""Judging a series of readings: jumps are ridden out, frozen probes found, nothing latches."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from drivers.protocols import Quality, Reading
from drivers.vetting import AIR, SOIL, Vetting, VettingLimits, vet

STEP = 1 / 16
OK, JUMP, FROZEN, OUT = Quality.OK, Quality.JUMP, Quality.FROZEN, Quality.OUT_OF_RANGE


def judge(
    values: Iterable[float],
    *,
    every: float = 10.0,
    state: Vetting | None = None,
    limits: VettingLimits = SOIL,
    active: bool = False,
) -> tuple[Vetting, list[Quality]]:
    """The verdicts on values read at a steady interval (s), after those that `state` has seen."""
    state = state or Vetting()
    at = state.at
    verdicts = []
    for value in values:
        at += every
        state, judged = vet(state, Reading(value, OK, at), limits=limits, active=active)
        assert (judged.value, judged.at) == (value, at)
        verdicts.append(judged.quality)
    return state, verdicts


def dithered(value: float, readings: int) -> list[float]:
    """A level with the last bit at unrest."""
    return [value + STEP * (n % 3 - 1) for n in range(readings)]


# --- jumps --------------------------------------------------------------------------------------


def test_the_first_reading_is_taken_as_it_is() -> None:
    assert judge([21.0])[1] == [OK]


def test_a_spike_costs_one_reading() -> None:
    assert judge([21.0, 29.0, 21.0, 13.0, 21.0625])[1] == [OK, JUMP, OK, JUMP, OK]


def test_cold_water_is_ridden_out_then_believed() -> None:
    # 24 °C soil watered to 14: the probe follows within a minute, then the soil warms again.
    fall = [14 + 10 * math.exp(-t / 25) for t in range(10, 60, 10)]
    rise = [14.2 + 0.01 * n for n in range(60)]
    _, verdicts = judge([24.0, 24.0625, *fall, *rise])
    assert verdicts[:2] == [OK, OK]
    refusals = verdicts.count(JUMP)
    assert set(verdicts[2 : 2 + refusals]) == {JUMP}
    assert set(verdicts[2 + refusals :]) == {OK}
    assert SOIL.ride_out_s <= refusals * 10 <= SOIL.ride_out_s + 60


def test_a_new_level_that_goes_again_is_never_believed() -> None:
    hand_warmed = dithered(33.0, 20)
    _, verdicts = judge([21.0, *hand_warmed, *dithered(21.0, 5)])
    assert verdicts == [OK] + [JUMP] * 20 + [OK] * 5


def test_a_loose_contact_between_two_levels_keeps_to_the_first() -> None:
    _, verdicts = judge([20.0, 30.0] * 100)
    assert verdicts == [OK, JUMP] * 100


def test_readings_that_do_not_agree_confirm_no_level() -> None:
    assert judge([20.0, *[30.0, 40.0] * 24])[1] == [OK] + [JUMP] * 48


def test_two_slow_readings_do_not_confirm_a_level_but_three_do() -> None:
    _, verdicts = judge([20.0, 40.0, 40.0, 40.0], every=300)
    assert verdicts == [OK, JUMP, JUMP, OK]


def test_a_small_jump_is_believed_when_soil_could_have_come_that_far() -> None:
    # 0.5 °C at any time and 1 °C a minute since the last accepted reading: 2 °C takes 90 s.
    assert judge([20.0, *[22.0] * 10])[1] == [OK] + [JUMP] * 8 + [OK] * 2


def test_a_long_silence_allows_any_change() -> None:
    state, _ = judge([20.0])
    _, verdicts = judge([28.0], every=3600, state=state)
    assert verdicts == [OK]


def test_a_tick_without_a_new_reading_changes_nothing() -> None:
    for values in ([20.0], [20.0, 30.0], [20.0, 20.0]):
        state, verdicts = judge(values)
        again = Reading(values[-1], OK, state.at)
        for _ in range(100):
            after, judged = vet(state, again, active=True)
            assert after is state
            assert judged.quality is verdicts[-1]


def test_the_scale_of_a_new_boot_starts_the_series_over() -> None:
    state, _ = judge([20.0, 35.0], every=1000)
    after, judged = vet(state, Reading(30.0, OK, 3.0))
    assert judged.quality is OK
    assert after == Vetting(30.0, 3.0, 30.0, 3.0)


def test_air_may_change_faster_than_soil() -> None:
    gust = [22.0, 21.0, 20.0, 19.0]
    assert judge(gust)[1] == [OK, JUMP, JUMP, JUMP]
    assert judge(gust, limits=AIR)[1] == [OK] * 4


# --- range --------------------------------------------------------------------------------------


@pytest.mark.parametrize("value", [-10.0625, 60.0625, math.inf, -math.inf, math.nan])
def test_what_no_bench_can_be_is_out_of_range_and_forgotten(value: float) -> None:
    state, _ = judge([21.0])
    after, judged = vet(state, Reading(value, OK, 20.0))
    assert judged.quality is OUT
    assert after is state
    assert judge([21.0], state=state)[1] == [OK]


def test_an_ok_without_a_number_is_garbled() -> None:
    assert vet(Vetting(), Reading(None, OK, 1.0))[1] == Reading(None, Quality.GARBLED, 1.0)


# --- frozen -------------------------------------------------------------------------------------


def test_a_still_night_in_a_cellar_is_believed_and_a_stuck_value_is_not() -> None:
    night = [18.0625] * (10 * 360)  # ten hours
    state, verdicts = judge(night)
    assert set(verdicts) == {OK}
    state, verdicts = judge([18.0625] * (3 * 360), state=state)
    assert verdicts == [OK] * (2 * 360) + [FROZEN] * 360


def test_soil_that_must_move_is_found_frozen_sooner() -> None:
    state, verdicts = judge([18.0625] * 3 * 360)
    assert set(verdicts) == {OK}
    state, verdicts = judge([18.0625] * 2 * 360, state=state, active=True)
    assert verdicts == [OK] * 539 + [FROZEN] * 181  # 90 minutes
    # and stays so at rest, until a single step shows that it lives
    state, verdicts = judge([18.0625, 18.125, 18.125], state=state)
    assert verdicts == [FROZEN, OK, OK]


def test_a_silence_says_nothing_about_stillness() -> None:
    _, verdicts = judge([18.0625] * 100, every=3600, active=True)
    assert set(verdicts) == {OK}


def test_a_probe_that_wanders_by_one_step_an_hour_is_alive() -> None:
    values = [20.0 + STEP * (n // 360 % 2) for n in range(48 * 360)]
    assert set(judge(values, active=True)[1]) == {OK}


# --- rules for all series -----------------------------------------------------------------------

LEVELS = st.floats(SOIL.low + 1, SOIL.high - 1)
READINGS = st.builds(
    Reading,
    st.none() | st.floats(-60, 130) | st.sampled_from([20.0, 20.0625, 30.0, math.nan]),
    st.sampled_from(Quality),
    st.floats(0, 1e5),
)


@st.composite
def slow_series(draw: st.DrawFn) -> list[Reading]:
    """Readings that never change faster than soil can, some of them failed, at any intervals."""
    at, value = draw(st.floats(0, 1e6)), draw(LEVELS)
    series = []
    for _ in range(draw(st.integers(1, 40))):
        gap = draw(st.floats(0.1, 130.0))
        at += gap
        # 0.499 rather than 0.5 leaves room for rounding
        most = 0.499 + gap / 60
        value = min(SOIL.high, max(SOIL.low, value + most * draw(st.floats(-1, 1))))
        series.append(Reading(value, OK, at))
        if draw(st.booleans()):
            series.append(Reading(None, Quality.CRC, at + gap / 2))
            at += gap / 2
    return series


@given(slow_series(), st.booleans())
def test_a_good_slow_series_is_never_refused(series: list[Reading], active: bool) -> None:
    state = Vetting()
    for reading in series:
        state, judged = vet(state, reading, active=active)
        assert judged is reading


@given(st.lists(READINGS, max_size=40), st.booleans())
def test_nothing_bad_ever_becomes_good(series: list[Reading], active: bool) -> None:
    state = Vetting()
    for reading in sorted(series, key=lambda reading: reading.at):
        state, judged = vet(state, reading, active=active)
        assert judged.at == reading.at
        assert judged.value is reading.value
        if reading.quality is not OK:
            assert judged is reading
        elif judged.quality is OK:
            assert reading.value is not None
            assert SOIL.low <= reading.value <= SOIL.high
        else:
            assert judged.quality in {JUMP, FROZEN, OUT, Quality.GARBLED}


@given(
    before=st.lists(READINGS, max_size=30),
    level=LEVELS,
    every=st.floats(1.0, 300.0),
    active=st.booleans(),
)
def test_no_level_that_persists_is_refused_for_long(
    before: list[Reading], level: float, every: float, active: bool
) -> None:
    state = Vetting()
    for reading in sorted(before, key=lambda reading: reading.at):
        state, _ = vet(state, reading, active=active)
    readings = 3 + math.ceil(SOIL.ride_out_s / every)
    _, verdicts = judge(dithered(level, readings + 50), every=every, state=state, active=active)
    assert set(verdicts[readings:]) == {OK}


@given(jump=st.floats(5.6, 30.0), up=st.booleans(), every=st.floats(1.0, 60.0))
def test_a_jump_beyond_what_time_allows_is_refused_for_the_whole_ride(
    jump: float, up: bool, every: float
) -> None:
    level = 25.0 + (jump if up else -jump)
    state, _ = judge([25.0])
    _, verdicts = judge([level] * 400, every=every, state=state)
    refusals = verdicts.count(JUMP)
    assert verdicts == [JUMP] * refusals + [OK] * (400 - refusals)
    held = refusals * every  # from the first sight to the reading that was believed
    assert SOIL.ride_out_s - 1e-6 <= held <= max(SOIL.ride_out_s + every, 2 * every) + 1e-6


@given(st.lists(READINGS, max_size=20), st.booleans())
def test_the_state_survives_json(series: list[Reading], active: bool) -> None:
    adapter = TypeAdapter(Vetting)
    state = Vetting()
    for reading in sorted(series, key=lambda reading: reading.at):
        state, _ = vet(state, reading, active=active)
        assert adapter.validate_json(adapter.dump_json(state)) == state


def test_limits_are_the_callers() -> None:
    brief = replace(SOIL, frozen_s=60.0, ride_out_s=0.0, high=30.0)
    assert judge([20.0] * 8, limits=brief)[1] == [OK] * 6 + [FROZEN] * 2
    assert judge([20.0, 25.0, 25.0, 25.1], limits=brief)[1] == [OK, JUMP, JUMP, OK]
    assert judge([30.5], limits=brief)[1] == [OUT]
