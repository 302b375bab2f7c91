"""The world: time, leases, faults, what a person does, and taking it up again from a file."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.protocols import Quality
from profiles.emergence import EmergenceModel
from sim.clock import ScaledClock, VirtualClock
from sim.devices import ProbeSpec
from sim.faults import Fault, FaultKind
from sim.thermal import TrayFigures
from sim.weather import RoomTemperature
from sim.world import BenchSpec, World

START = datetime(2027, 2, 1, tzinfo=UTC).timestamp()
HOUR = 3600.0
DAY = 86400.0
PROBES = (ProbeSpec("soil", noise_c=0.0), ProbeSpec("air", "air", noise_c=0.0))
WARM = BenchSpec("warm", mat_watts=18.0, lamp_watts=24.0, probes=PROBES, covered=True)
LIGHT = BenchSpec("light", trays=4, lamp_watts=96.0, probes=PROBES, feedback=True)
# Tomato's row, days to emergence at 12.7 mm (Harrington and Minges 1954).
TOMATO = EmergenceModel(((10, 43), (15, 14), (20, 8), (25, 6), (30, 6), (35, 9)), (0, 5, 40))


def world(*benches: BenchSpec, room: RoomTemperature | None = None, **more: Any) -> World:
    return World(
        benches or (WARM, LIGHT),
        start_utc=START,
        room=room or RoomTemperature.constant(20.0),
        **more,
    )


def heat(one: World, hours: float, *, bench: str = "warm", tick: float = 60.0) -> None:
    """Keep a mat on by renewing its lease at each tick."""
    began = one.now()
    for k in range(round(hours * HOUR / tick)):
        one.relay(bench, "mat").set(True, 3 * tick)
        one.advance(began + (k + 1) * tick)


# Heat and time


def test_a_covered_heated_bench_ends_8_to_11_degrees_over_the_room_and_its_probe_says_so() -> None:
    """Common practice, no source: a propagation mat lifts 15 to 20 °F."""
    one = world()
    heat(one, 16)
    truth = one.truth("warm")
    assert 28.0 <= truth.seed_depth_c <= 31.0
    reading = one.probe("warm", "soil").latest()
    assert reading.quality is Quality.OK
    assert reading.value == pytest.approx(truth.seed_depth_c, abs=0.05)
    assert (truth.mat_heating, truth.lamp_lit) == (True, False)
    assert truth.mat_s == pytest.approx(16 * HOUR)
    assert truth.mat_wh == pytest.approx(16 * 18)
    assert one.truth("light").mat_s == 0.0


@settings(deadline=None, max_examples=25)
@given(st.lists(st.floats(0.001, 5 * HOUR), min_size=1, max_size=12))
def test_how_time_is_cut_into_advances_does_not_matter(pieces: list[float]) -> None:
    room = RoomTemperature.daily(seed=2)
    whole, cut = world(room=room), world(room=room)
    for one in (whole, cut):
        one.relay("warm", "mat").set(True, 2 * HOUR)
        one.relay("light", "lamp").set(True, 5000.5)
    elapsed = 0.0
    for piece in pieces:
        elapsed += piece
        cut.advance(elapsed)
    whole.advance(elapsed)
    for bench in ("warm", "light"):
        at_once, in_parts = whole.truth(bench), cut.truth(bench)
        # A band of moisture may be entered at the end of another hop: some hundredths at most.
        assert at_once.seed_depth_c == pytest.approx(in_parts.seed_depth_c, abs=0.05)
        assert at_once.headspace_c == pytest.approx(in_parts.headspace_c, abs=0.05)
        assert at_once.mat_s == pytest.approx(in_parts.mat_s, abs=1e-5)
        assert at_once.lamp_s == pytest.approx(in_parts.lamp_s, abs=1e-5)
        assert at_once.room_c == pytest.approx(in_parts.room_c, abs=1e-9)


def test_a_lease_ends_at_its_moment_inside_a_long_advance() -> None:
    one = world()
    relay = one.relay("warm", "mat")
    relay.set(True, 90.5)
    one.advance(2 * HOUR)
    assert not relay.state().commanded
    assert one.truth("warm").mat_s == pytest.approx(90.5)


def test_a_renewed_lease_holds_without_a_gap() -> None:
    one = world()
    heat(one, 1)
    assert one.truth("warm").mat_s == pytest.approx(HOUR)


def test_time_never_goes_back() -> None:
    one = world()
    one.advance(100.0)
    before = one.truth("warm")
    one.advance(50.0)
    assert one.now() == 100.0
    assert one.truth("warm") == before


def test_hourly_weather_is_followed_exactly_whatever_the_tick_is_offset_by() -> None:
    room = RoomTemperature.daily(14.0, 10.0, seed=5)
    fine, coarse = (
        World([WARM], start_utc=START + 13.7, room=room, room_probes=[ProbeSpec("r", "room")])
        for _ in range(2)
    )
    for k in range(1, 6 * 360 + 1):
        fine.advance(k * 10.0)
    coarse.advance(6 * HOUR)
    assert fine.truth("warm").seed_depth_c == pytest.approx(
        coarse.truth("warm").seed_depth_c, abs=1e-9
    )
    assert fine.truth("warm").room_c == room.at(START + 13.7 + 6 * HOUR)
    sensor = [one.room_probe("r").latest().value for one in (fine, coarse)]
    assert sensor[0] == sensor[1]


def test_a_room_probe_lags_the_room() -> None:
    room = RoomTemperature.daily(15.0, 20.0, drift_c=0.0)
    slow = ProbeSpec("r", "room", lag_s=1800.0, noise_c=0.0)
    one = world(room=room, room_probes=[slow])
    one.advance(10 * HOUR)  # warming
    value = one.room_probe("r").latest().value
    assert value is not None
    # After a long straight rise a first-order lag is lag x slope behind.
    behind = room.at(START + 10 * HOUR) - room.at(START + 9.5 * HOUR)
    assert room.at(START + 10 * HOUR) - value == pytest.approx(behind, rel=0.1)


def test_the_air_under_a_lit_lamp_is_warmer_and_the_light_is_counted() -> None:
    one = world(replace(LIGHT, ppfd=250.0))
    began = one.truth("light").headspace_c
    for k in range(8 * 60):
        one.relay("light", "lamp").set(True, 180.0)
        one.advance((k + 1) * 60.0)
    truth = one.truth("light")
    assert 1.5 <= truth.headspace_c - began <= 4.0
    assert truth.lamp_lit
    assert truth.lamp_wh == pytest.approx(8 * 96)
    # Torres and Lopez, HO-238-W: DLI = PPFD x hours x 3600 / 1e6.
    assert truth.light_mol == pytest.approx(250 * 8 * 3600 / 1e6)


def test_light_worked_out_from_watts_is_that_of_a_seedling_shelf() -> None:
    """24 W of LED a tray for 16 h give 10 to 15 mol m-2 d-1 (Owen 2021), within a quarter."""
    dli = LIGHT.canopy_ppfd * 16 * 3600 / 1e6
    assert 0.75 * 10 <= dli <= 1.25 * 15


def test_a_cover_takes_some_light_and_keeps_the_heat() -> None:
    lifts, light = {}, {}
    for covered in (False, True):
        one = world()
        one.cover("warm", covered)
        one.relay("warm", "lamp").set(True, 1e6)
        heat(one, 12)
        lifts[covered] = one.truth("warm").seed_depth_c - 20
        light[covered] = one.truth("warm").light_mol
    assert lifts[True] > lifts[False] + 4.0
    assert light[True] < light[False]


def test_benches_take_figures_of_their_own() -> None:
    better = replace(WARM, name="lagged", figures=TrayFigures(down_w_k=0.1))
    one = world(WARM, better)
    for k in range(12 * 60):
        for name in ("warm", "lagged"):
            one.relay(name, "mat").set(True, 180.0)
        one.advance((k + 1) * 60.0)
    assert one.truth("lagged").seed_depth_c > one.truth("warm").seed_depth_c + 3.0


# Clocks


def test_devices_bring_the_world_up_to_its_clock() -> None:
    clock = VirtualClock(START)
    one = world(clock=clock)
    one.relay("warm", "mat").set(True, HOUR)
    clock.advance(2 * HOUR)
    reading = one.probe("warm", "soil").latest()
    assert reading.at == 2 * HOUR
    assert one.truth("warm").mat_s == pytest.approx(HOUR)
    assert not one.relay("warm", "mat").state().commanded


def test_a_real_pause_on_a_fast_clock_is_stepped_through() -> None:
    real = 50.0
    clock = ScaledClock(10.0, START, real=lambda: real)
    one = world(clock=clock, start_mono=clock.mono())
    one.sow("warm", "t-1", TOMATO, 72)
    one.relay("warm", "mat").set(True, 20 * DAY)
    real += 12 * DAY / 10
    assert one.probe("warm", "soil").latest().at == pytest.approx(12 * DAY)
    counts = one.seedlings("t-1")
    assert counts.first_up_utc is not None
    assert START + 3 * DAY < counts.first_up_utc < START + 7 * DAY
    assert one.utc() == pytest.approx(START + 12 * DAY)


def test_a_wall_clock_that_steps_does_not_move_the_weather() -> None:
    clock = VirtualClock(START)
    room = RoomTemperature.daily(seed=1)
    one = world(room=room, clock=clock)
    clock.set_utc(START + 5 * HOUR)
    clock.advance(HOUR)
    assert one.truth("warm").room_c == room.at(START + HOUR)


# What a person does


def test_seedlings_come_up_when_the_soil_has_been_warm_for_long_enough() -> None:
    """Tomato takes 6 days at 25 to 30 °C (Harrington and Minges 1954); real trays a little more."""
    one = world()
    one.sow("warm", "t-1", TOMATO, 72)
    heat(one, 10 * 24)
    counts = one.seedlings("t-1")
    assert counts.first_up_utc is not None
    assert counts.half_up_utc is not None
    assert 4.0 <= (counts.first_up_utc - START) / DAY <= 6.5
    assert 6.0 <= (counts.half_up_utc - START) / DAY <= 8.5
    assert counts.up / counts.cells == pytest.approx(0.85, abs=0.12)
    cold = world(room=RoomTemperature.constant(13.0))
    cold.sow("warm", "t-1", TOMATO, 72)
    cold.advance(10 * DAY)
    assert cold.seedlings("t-1").up == 0  # 18 days and more at 13 °C


def test_seedlings_up_in_the_dark_get_leggy_and_under_the_lamp_they_do_not() -> None:
    lit, dark = world(), world()
    for one in (lit, dark):
        one.sow("warm", "t-1", TOMATO, 72)
        for k in range(12 * 24):
            one.relay("warm", "mat").set(True, HOUR + 1)
            on = one is lit and 6 <= k % 24 < 22
            one.relay("warm", "lamp").set(on, HOUR)
            one.advance((k + 1) * HOUR)
    assert not lit.seedlings("t-1").leggy
    assert lit.seedlings("t-1").light_mol > 5
    assert dark.seedlings("t-1").leggy
    assert dark.seedlings("t-1").light_h == 0.0


def test_a_batch_moved_in_part_goes_on_in_both_places() -> None:
    one = world()
    one.sow("warm", "t-1", TOMATO, 100, germination=1.0)
    heat(one, 24)
    one.move("t-1", "light", 0.25)
    heat(one, 24 * 9)
    assert one.seedlings("t-1").cells == 100
    up = one.seedlings("t-1").up
    assert 60 <= up < 100  # the quarter on the cool bench is behind
    one.move("t-1", "light")
    one.move("t-1", "light")  # nothing is elsewhere: no change
    one.advance(one.now() + 12 * DAY)
    assert one.seedlings("t-1").up == 100


def test_a_part_that_becomes_a_batch_of_its_own_is_moved_counted_and_closed_alone() -> None:
    one, whole = (world(room=RoomTemperature.constant(22.0)) for _ in range(2))
    for each in (one, whole):
        each.sow("warm", "t-1", TOMATO, 72)
        each.advance(4 * DAY)
    one.part("t-1", "t-1b", 0.25)
    one.advance(4.5 * DAY)
    one.move("t-1b", "light")
    one.part("t-1", "t-1c", 0.5)
    cells = [one.seedlings(name).cells for name in ("t-1", "t-1b", "t-1c")]
    assert cells == [27, 18, 27]
    for each in (one, whole):
        each.relay("light", "lamp").set(True, 30 * DAY)
        each.advance(8 * DAY)
    one.close("t-1c")
    for each in (one, whole):
        each.advance(12 * DAY)
    counts = {name: one.seedlings(name) for name in one.batches}
    assert 0 < counts["t-1c"].up < counts["t-1c"].viable
    assert sum(each.viable for each in counts.values()) == whole.seedlings("t-1").viable
    assert counts["t-1"].leggy
    assert not counts["t-1b"].leggy
    for name in ("t-1", "t-1b"):
        assert counts[name].up == counts[name].viable
    assert again(one.save(), one.utc()).seedlings("t-1b") == counts["t-1b"]


@given(st.floats(0.001, 0.999), st.floats(0.01, 1.0), st.integers(2, 90))
@settings(deadline=None, max_examples=60)
def test_parting_and_moving_lose_no_cell(share: float, moved: float, cells: int) -> None:
    one = world()
    one.sow("warm", "t-1", TOMATO, cells)
    one.move("t-1", "light", moved)
    one.part("t-1", "t-2", share)
    left, gone = (one.seedlings(name).cells for name in ("t-1", "t-2"))
    assert left + gone == cells
    assert gone == min(cells - 1, max(1, round(cells * share)))
    one.move("t-1", None)
    one.move("t-2", "warm")
    one.close("t-1")
    one.close("t-2")
    one.advance(HOUR)


def test_off_the_benches_a_batch_is_at_the_rooms_temperature_and_its_light_is_not_ours() -> None:
    one = world(room=RoomTemperature.constant(25.0))
    one.sow(None, "t-1", TOMATO, 72)
    one.advance(15 * DAY)
    counts = one.seedlings("t-1")
    assert counts.up == counts.viable
    assert (counts.light_h, counts.dark_h, counts.leggy) == (0.0, 0.0, False)


def test_a_closed_batch_keeps_its_counts_and_no_longer_changes() -> None:
    one = world(room=RoomTemperature.constant(25.0))
    one.sow("warm", "t-1", TOMATO, 72)
    one.advance(7 * DAY)
    counts = one.seedlings("t-1")
    assert 0 < counts.up < counts.viable
    one.close("t-1")
    one.close("t-1")
    with pytest.raises(ValueError, match="t-1 is closed"):
        one.move("t-1", "light")
    one.advance(20 * DAY)
    assert one.seedlings("t-1") == counts
    assert one.batches == ("t-1",)


def test_seeds_sown_deeper_on_a_mat_are_warmer() -> None:
    one = world(room=RoomTemperature.constant(12.0))
    one.sow("warm", "shallow", TOMATO, 200, depth_mm=3.0)
    one.sow("warm", "deep", TOMATO, 200, depth_mm=35.0)
    heat(one, 9 * 24, tick=600.0)
    assert one.seedlings("deep").up > one.seedlings("shallow").up


def test_cold_water_cools_the_soil_at_once_and_the_probe_after_its_lag() -> None:
    one = world(replace(WARM, moisture=0.5))
    heat(one, 12)
    warm = one.truth("warm").seed_depth_c
    one.water("warm", 1.0, 8.0)
    assert one.truth("warm").seed_depth_c < warm - 5.0
    assert one.truth("warm").moisture > 0.9
    heat(one, 1 / 60)
    value = one.probe("warm", "soil").latest().value
    assert value is not None
    assert 0.0 < value - one.truth("warm").seed_depth_c < 2.0


def test_seeds_feel_cold_water_at_once() -> None:
    one = world(room=RoomTemperature.constant(25.0))
    one.sow("warm", "t-1", TOMATO, 72)
    one.advance(DAY)

    def progress() -> float:
        found: float = one.save()["batches"]["t-1"]["lots"][0]["progress"]
        return found

    warm = progress()
    assert warm == pytest.approx(1 / 6, rel=0.05)
    one.water("warm", 100.0, 0.5)
    one.advance(DAY + 60.0)
    assert progress() - warm < 1e-3 * 60 / DAY


def test_a_spell_in_the_dark_ends_where_the_light_is_not_ours() -> None:
    one = world(room=RoomTemperature.constant(25.0))
    one.sow("warm", "t-1", TOMATO, 1, germination=1.0)
    while not one.seedlings("t-1").up:
        one.advance(one.now() + 600.0)
    for place, hours in (("warm", 15), (None, 1), ("warm", 10)):
        one.move("t-1", place)
        one.advance(one.now() + hours * HOUR)
    counts = one.seedlings("t-1")
    assert counts.dark_h == pytest.approx(25, abs=0.2)
    assert counts.longest_dark_h == pytest.approx(15, abs=0.2)


def test_a_person_is_told_what_cannot_be_done() -> None:
    one = world()
    one.sow("warm", "t-1", TOMATO, 72)
    with pytest.raises(ValueError, match="t-1 is sown already"):
        one.sow("warm", "t-1", TOMATO, 72)
    with pytest.raises(ValueError, match="cells is 0; allowed: 1 to"):
        one.sow("warm", "t-2", TOMATO, 0)
    with pytest.raises(ValueError, match=r"share of 1.0 of 72 cells; allowed: over 0, under 1"):
        one.part("t-1", "t-2", 1.0)
    with pytest.raises(ValueError, match=r"batch t-1 is there already"):
        one.part("t-1", "t-1", 0.5)
    with pytest.raises(ValueError, match=r"share is 1.5; allowed: over 0 to 1"):
        one.move("t-1", "light", 1.5)
    with pytest.raises(ValueError, match="water celsius is 90; allowed: 0 to 60"):
        one.water("warm", 1.0, 90)
    with pytest.raises(ValueError, match="litres is nan"):
        one.water("warm", math.nan, 20)
    with pytest.raises(KeyError, match="bench 'cold': allowed: warm, light"):
        one.move("t-1", "cold")
    with pytest.raises(KeyError, match="batch 't-9': allowed: t-1"):
        one.seedlings("t-9")
    with pytest.raises(KeyError, match="relay 'mat': allowed: lamp"):
        one.relay("light", "mat")
    with pytest.raises(KeyError, match="probe 'sol': allowed: soil, air"):
        one.probe("warm", "sol")
    with pytest.raises(KeyError, match="none here"):
        one.room_probe("r")


def test_sowing_on_a_bench_that_is_not_there_leaves_nothing_behind() -> None:
    one = world()
    with pytest.raises(KeyError):
        one.sow("cold", "t-1", TOMATO, 72)
    assert one.batches == ()
    one.sow("warm", "t-1", TOMATO, 72)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"trays": 0}, "trays is 0; allowed: 0.1 to 64"),
        ({"mat_watts": -1.0}, "mat_watts is -1.0; allowed: 0 to 20000"),
        ({"moisture": 2}, "moisture is 2; allowed: 0 to 1"),
        ({"ppfd": 1e5}, "ppfd is 100000.0; allowed: 0 to 2500"),
        ({"probes": (ProbeSpec("a"), ProbeSpec("a"))}, "two probes have one name"),
    ],
)
def test_a_bench_out_of_range_is_refused(change: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=f"bench warm: {said}"):
        replace(WARM, **change)


def test_two_benches_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="bench names"):
        world(WARM, WARM)
    with pytest.raises(ValueError, match="bench names"):
        world(replace(WARM, name="room"))
    with pytest.raises(ValueError, match="seed is -1; allowed: 0 or more"):
        world(seed=-1)


# Faults


def test_a_probe_fails_from_its_moment_to_its_end() -> None:
    lost = Fault(kind=FaultKind.PROBE_LOST, target="warm/soil", at=90.0, duration=60.0)
    one = world(faults=[lost])
    seen = []
    for second in (60, 89.5, 90, 149, 150):
        one.advance(second)
        seen.append(one.probe("warm", "soil").latest().quality)
        assert one.probe("light", "soil").latest().quality is Quality.OK
    missing = Quality.MISSING
    assert seen == [Quality.OK, Quality.OK, missing, missing, Quality.OK]


def test_a_probe_out_of_the_soil_comes_down_to_the_room_while_the_mat_goes_on() -> None:
    out = Fault(kind=FaultKind.PROBE_OUT_OF_SOIL, target="warm/soil", at=12 * HOUR)
    one = world(faults=[out])
    heat(one, 12.5)
    value = one.probe("warm", "soil").latest().value
    assert value == pytest.approx(20.0, abs=0.1)
    assert one.truth("warm").seed_depth_c > 28


def test_a_drifting_probe_and_a_frozen_one_look_well() -> None:
    drift = Fault(kind=FaultKind.PROBE_DRIFT, target="warm/soil", at=DAY, drift_c_per_day=2.0)
    frozen = Fault(kind=FaultKind.PROBE_FROZEN, target="warm/air", at=DAY)
    room = RoomTemperature.daily(18, 6, seed=1)
    one, well = world(faults=[drift, frozen], room=room), world(room=room)
    values = []
    for hours in (24, 30, 36, 48):
        one.advance(hours * HOUR)
        well.advance(hours * HOUR)
        values.append(one.probe("warm", "air").latest().value)
    assert len(set(values)) == 1
    ends = [each.probe("warm", "soil").latest().value for each in (one, well)]
    assert None not in ends
    assert ends[0] - ends[1] == pytest.approx(2.0, abs=0.07)  # type: ignore[operator]


def test_a_welded_relay_heats_unasked_and_a_dead_one_does_not_heat() -> None:
    faults = [
        Fault(kind=FaultKind.RELAY_STUCK_ON, target="warm/mat", at=0.0, duration=HOUR),
        Fault(kind=FaultKind.RELAY_STUCK_OFF, target="light/lamp", at=0.0),
    ]
    one = world(faults=faults)
    one.relay("light", "lamp").set(True, 10 * HOUR)
    one.advance(2 * HOUR)
    assert one.truth("warm").mat_s == pytest.approx(HOUR)
    assert one.truth("light").lamp_s == 0.0
    assert one.relay("light", "lamp").state().confirmed is False
    assert one.relay("light", "lamp").state().fault is not None


def test_a_dead_lamp_or_mat_is_switched_on_and_gives_nothing() -> None:
    faults = [
        Fault(kind=FaultKind.LAMP_DEAD, target="light", at=0.0),
        Fault(kind=FaultKind.MAT_DEAD, target="warm", at=HOUR),
    ]
    one = world(faults=faults)
    one.relay("light", "lamp").set(True, 10 * HOUR)
    one.relay("warm", "mat").set(True, 10 * HOUR)
    one.advance(2 * HOUR)
    assert one.relay("light", "lamp").state().confirmed is True
    assert (one.truth("light").lamp_s, one.truth("light").lamp_wh) == (0.0, 0.0)
    assert one.truth("warm").mat_s == pytest.approx(HOUR)


def test_in_a_power_cut_all_is_off_and_stays_off_until_it_is_asked_for_again() -> None:
    cut = Fault(kind=FaultKind.POWER_CUT, at=HOUR, duration=HOUR)
    welded = Fault(kind=FaultKind.RELAY_STUCK_ON, target="light/lamp", at=0.0)
    one = world(faults=[cut, welded])
    relay = one.relay("warm", "mat")
    relay.set(True, 10 * HOUR)
    one.advance(1.5 * HOUR)
    assert one.faults.active("power-cut", one.now())
    assert not one.powered
    assert one.probe("warm", "soil").latest().quality is Quality.MISSING
    relay.set(True, 10 * HOUR)
    assert not one.truth("warm").mat_heating
    assert not one.truth("light").lamp_lit
    one.advance(3 * HOUR)
    assert one.powered
    assert one.truth("warm").mat_s == pytest.approx(HOUR)
    assert one.truth("light").lamp_s == pytest.approx(2 * HOUR)  # welded: it comes back by itself
    assert one.probe("warm", "soil").latest().quality is Quality.OK
    relay.set(True, HOUR)
    assert one.truth("warm").mat_heating


def test_a_lease_does_not_outlive_a_power_cut() -> None:
    one = world(faults=[Fault(kind=FaultKind.POWER_CUT, at=HOUR, duration=60.0)])
    one.relay("warm", "mat").set(True, 10 * HOUR)
    one.advance(5 * HOUR)
    assert not one.relay("warm", "mat").state().commanded
    assert one.truth("warm").mat_s == pytest.approx(HOUR)


def test_a_broker_that_is_gone_is_for_the_driver_to_ask_about() -> None:
    one = world(faults=[Fault(kind=FaultKind.BROKER_GONE, at=60.0, duration=60.0)])
    asked = [one.faults.active(FaultKind.BROKER_GONE, now) for now in (0.0, 60.0, 119.0, 120.0)]
    assert asked == [False, True, True, False]


def test_a_cold_watering_happens_once_at_its_moment_even_inside_a_long_advance() -> None:
    fault = Fault(kind=FaultKind.COLD_WATERING, target="warm", at=HOUR, litres=1.0, celsius=5.0)
    one, dry = world(faults=[fault]), world()
    for each in (one, dry):
        each.advance(HOUR - 1)
    assert one.truth("warm").seed_depth_c == dry.truth("warm").seed_depth_c
    for each in (one, dry):
        each.advance(HOUR + 1)
    cooled = dry.truth("warm").seed_depth_c - one.truth("warm").seed_depth_c
    assert 3.0 < cooled < 5.0
    for each in (one, dry):
        each.advance(DAY)
    assert one.truth("warm").seed_depth_c == pytest.approx(dry.truth("warm").seed_depth_c, abs=0.1)


def test_local_times_of_faults_are_of_the_sites_zone() -> None:
    from zoneinfo import ZoneInfo

    zone = ZoneInfo("Europe/Berlin")
    start = datetime(2027, 3, 27, 12, tzinfo=zone).timestamp()
    cut = Fault(kind=FaultKind.POWER_CUT, at=datetime(2027, 3, 28, 6), duration=60.0)  # noqa: DTZ001
    one = World([WARM], start_utc=start, room=RoomTemperature.constant(20), faults=[cut], zone=zone)
    one.advance(17 * HOUR - 1)  # the night is an hour short
    assert one.powered
    one.advance(17 * HOUR)
    assert not one.powered


@pytest.mark.parametrize(
    ("kind", "target", "allowed"),
    [
        ("probe-lost", "warm/sol", "warm/soil, warm/air, light/soil, light/air, room/r"),
        ("probe-out-of-soil", "room/r", "warm/soil, warm/air, light/soil, light/air"),
        ("relay-stuck-on", "light/mat", "warm/lamp, warm/mat, light/lamp"),
        ("mat-dead", "light", "warm"),
        ("cold-watering", "porch", "warm, light"),
    ],
)
def test_a_fault_that_aims_at_nothing_is_refused(kind: str, target: str, allowed: str) -> None:
    fault = Fault(kind=FaultKind(kind), target=target, at=0.0)
    with pytest.raises(ValueError, match=rf"fault 1 \({kind}\): target .* allowed: {allowed}$"):
        world(faults=[fault], room_probes=[ProbeSpec("r", "room")])


# The same again


def season(seed: int) -> str:
    """A busy fortnight, as text."""
    faults = [
        Fault(kind=FaultKind.POWER_CUT, at=2 * DAY, duration=5 * HOUR),
        Fault(kind=FaultKind.PROBE_OUT_OF_SOIL, target="warm/soil", at=4 * DAY, duration=HOUR),
    ]
    one = World(
        [replace(WARM, probes=(ProbeSpec("soil"), ProbeSpec("air", "air"))), LIGHT],
        start_utc=START,
        room=RoomTemperature.daily(seed=seed),
        seed=seed,
        faults=faults,
    )
    lines = []
    one.sow("warm", "t-1", TOMATO, 72)
    one.sow("light", "t-2", TOMATO, 40, depth_mm=6.0)
    for k in range(14 * 24):
        soil = one.probe("warm", "soil").latest()
        one.relay("warm", "mat").set(soil.value is not None and soil.value < 27.0, 2 * HOUR)
        one.relay("light", "lamp").set(6 <= k % 24 < 22, 2 * HOUR)
        if k == 200:
            one.move("t-1", "light", 0.4)
            one.water("light", 2.0, 12.0)
        one.advance((k + 1) * HOUR)
        lines.append(f"{soil} {one.truth('warm')} {one.truth('light')}")
    lines += [str(one.seedlings("t-1")), str(one.seedlings("t-2")), json.dumps(one.save())]
    return "\n".join(lines)


def test_the_same_seed_gives_the_same_to_the_last_bit_and_another_seed_another() -> None:
    assert season(3) == season(3)
    assert season(3) != season(4)


def test_the_seed_alone_decides_in_another_process_with_other_hashing() -> None:
    here = Path(__file__)
    code = (
        "import importlib.util, sys, hashlib\n"
        f"spec = importlib.util.spec_from_file_location('again', {str(here)!r})\n"
        "again = importlib.util.module_from_spec(spec); spec.loader.exec_module(again)\n"
        "print(hashlib.sha256(again.season(3).encode()).hexdigest())\n"
    )
    digests = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(here.parents[2])},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(digests) == 1


# Taking it up again


def busy(**more: Any) -> World:
    one = world(room=RoomTemperature.daily(seed=1), room_probes=[ProbeSpec("r", "room")], **more)
    one.sow("warm", "t-1", TOMATO, 72)
    one.sow(None, "t-2", TOMATO, 10)
    heat(one, 6 * 24, tick=600.0)
    one.move("t-1", "light", 0.5)
    one.cover("warm", False)
    one.water("light", 1.0, 15.0)
    heat(one, 12, tick=600.0)
    one.relay("warm", "mat").set(False, 0.0)
    return one


def again(saved: dict[str, Any], utc: float, **more: Any) -> World:
    one = World(
        (WARM, LIGHT),
        start_utc=utc,
        room=RoomTemperature.daily(seed=1),
        room_probes=[ProbeSpec("r", "room")],
        **more,
    )
    one.restore(json.loads(json.dumps(saved)), lambda _batch: TOMATO)
    return one


def test_a_world_taken_up_at_once_is_the_same_world() -> None:
    one = busy()
    other = again(one.save(), one.utc())
    for bench in ("warm", "light"):
        assert other.truth(bench) == one.truth(bench)
        for probe in ("soil", "air"):
            values = [each.probe(bench, probe).latest().value for each in (one, other)]
            assert values[0] == values[1]
    for batch in ("t-1", "t-2"):
        assert other.seedlings(batch) == one.seedlings(batch)
    assert other.save() == {**one.save(), "utc": other.utc()}


def test_a_world_taken_up_later_has_lived_on_with_everything_off() -> None:
    one = busy()
    one.advance(one.now() + 123.0)
    one.relay("warm", "mat").set(True, 1e6)
    saved = one.save()
    other = again(saved, one.utc() + 3 * DAY)
    one.relay("warm", "mat").set(False, 0.0)
    one.advance(one.now() + 3 * DAY)
    assert other.now() == 0.0
    for bench in ("warm", "light"):
        ends = (one.truth(bench), other.truth(bench))
        assert ends[1].seed_depth_c == pytest.approx(ends[0].seed_depth_c, abs=1e-9)
        assert ends[1].mat_s == ends[0].mat_s
        assert ends[1].moisture == pytest.approx(ends[0].moisture, abs=1e-12)
    assert other.seedlings("t-1").up == one.seedlings("t-1").up
    assert other.seedlings("t-1").up > 0


def test_a_world_saved_later_than_now_is_taken_as_it_is() -> None:
    one = busy()
    other = again(one.save(), one.utc() - 2 * DAY)
    assert other.truth("warm").seed_depth_c == one.truth("warm").seed_depth_c
    assert other.utc() == one.utc() - 2 * DAY
    other.advance(HOUR)


def test_what_was_on_in_the_world_that_takes_over_goes_off() -> None:
    one, other = world(), world()
    one.advance(HOUR)
    other.relay("warm", "mat").set(True, 1e6)
    other.advance(HOUR)
    other.restore(one.save(), lambda _batch: TOMATO)
    assert not other.relay("warm", "mat").state().commanded
    assert not other.truth("warm").mat_heating


def test_a_spell_in_the_dark_goes_on_over_a_restart() -> None:
    one = world(room=RoomTemperature.constant(25.0))
    one.sow("warm", "t-1", TOMATO, 1, germination=1.0)
    while not one.seedlings("t-1").up:
        one.advance(one.now() + 600.0)
    one.advance(one.now() + 15 * HOUR)
    other = again(one.save(), one.utc())
    other.advance(6 * HOUR)
    assert other.seedlings("t-1").leggy
    assert not one.seedlings("t-1").leggy


def test_years_away_count_as_400_days_and_are_soon_over() -> None:
    one = busy()
    other = again({**one.save(), "utc": 0.0}, one.utc())
    assert other.truth("warm").moisture < 0.2


def test_faults_keep_their_times_over_a_restart() -> None:
    fault = Fault(kind=FaultKind.POWER_CUT, at=10 * DAY, duration=DAY)
    watering = Fault(kind=FaultKind.COLD_WATERING, target="warm", at=DAY)
    one = busy(faults=[fault, watering])
    other = again(one.save(), one.utc(), faults=[fault, watering])
    left = 10 * DAY - one.now()
    other.advance(left - 1)
    assert other.powered
    other.advance(left)
    assert not other.powered


def test_a_watering_is_not_poured_again_when_its_very_moment_was_saved() -> None:
    watering = Fault(kind=FaultKind.COLD_WATERING, target="warm", at=DAY)
    one = world(faults=[watering])
    one.advance(DAY)
    assert one.truth("warm").seed_depth_c < 16
    late = World(
        (WARM,), start_utc=one.utc(), room=RoomTemperature.constant(20.0), faults=[watering]
    )
    late.restore(one.save(), lambda _batch: TOMATO)
    assert late.truth("warm") == one.truth("warm")


def test_benches_and_batches_that_came_or_went_are_no_obstacle() -> None:
    one = busy()
    other = world(WARM, replace(LIGHT, name="new"), room=RoomTemperature.daily(seed=1))
    other.restore(one.save(), lambda batch: TOMATO if batch == "t-1" else None)
    assert other.batches == ("t-1",)
    assert other.seedlings("t-1").cells == 72
    moved = World(
        [replace(WARM, probes=(*PROBES, ProbeSpec("extra", depth_mm=30.0, noise_c=0.0)))],
        start_utc=one.utc(),
        room=RoomTemperature.daily(seed=1),
    )
    moved.restore(one.save(), lambda _batch: TOMATO)
    value = moved.probe("warm", "extra").latest().value
    assert value == pytest.approx(one.truth("warm").seed_depth_c, abs=4.0)
    moved.advance(DAY)
    assert moved.seedlings("t-1").cells == 72


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("schema",), 2, "schema: 2; allowed: 1"),
        (("utc",), "now", "utc: 'now'; allowed: a number"),
        (("benches", "warm", "moisture"), 1.5, r"moisture: 1.5; allowed: 0 to 1"),
        (("benches", "warm", "nodes", "mat"), math.nan, r"nodes.mat: .*allowed: -60 to 120"),
        (("batches", "t-1", "lots"), [], r"batches.t-1.lots"),
        (("extra",), 1, r"extra: no such key"),
    ],
)
def test_a_damaged_file_is_refused_and_nothing_changes(
    path: tuple[str, ...], value: object, said: str
) -> None:
    saved = busy().save()
    target = saved
    for key in path[:-1]:
        target = target[key]
    target[path[-1]] = value
    one = world()
    one.sow("warm", "mine", TOMATO, 5)
    before = one.save()
    with pytest.raises(ValueError, match=f"saved world: .*{said}"):
        one.restore(saved, lambda _batch: TOMATO)
    assert one.save() == before
