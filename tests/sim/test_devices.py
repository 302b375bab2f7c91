"""Simulated probes and relays as the daemon sees them, alone and with what can be wrong with them."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.protocols import Probe, Quality, Reading, Relay, RelayState
from sim.devices import NOISE_DRAWS, STEP_C, ProbeSpec, SimProbe, SimRelay
from sim.faults import FaultKind


class Stand:
    """A world of two numbers."""

    def __init__(self) -> None:
        self.time = 0.0
        self.powered = True

    def now(self) -> float:
        return self.time


def probe(celsius: float | Callable[[], float], stand: Stand, **spec: float) -> SimProbe:
    sensor = celsius if callable(celsius) else lambda: celsius
    return SimProbe(ProbeSpec("soil", **spec), stand, sensor, [])  # type: ignore[arg-type]


@given(st.floats(-55, 125))
def test_a_probe_reads_in_sixteenths_the_nearest_one(celsius: float) -> None:
    value = probe(celsius, Stand()).latest().value
    assert value is not None
    assert (value / STEP_C).is_integer()
    assert abs(value - celsius) <= STEP_C / 2


def test_a_reading_is_of_now_and_carries_the_probes_offset() -> None:
    stand = Stand()
    stand.time = 12.25
    assert probe(20.0, stand, offset_c=-0.5).latest() == Reading(19.5, Quality.OK, 12.25)


def test_noise_follows_the_time_so_that_asking_twice_gives_the_same() -> None:
    stand = Stand()
    noise = [0.0] * NOISE_DRAWS
    noise[60] = 1.0
    noisy = SimProbe(ProbeSpec("soil"), stand, lambda: 20.0, noise)
    values = []
    for stand.time in (0.0, 60.0, 60.0, 120.0):
        values.append(noisy.latest().value)
    assert values == [20.0, 21.0, 21.0, 20.0]


@pytest.mark.parametrize(
    ("kind", "value", "quality"),
    [
        (FaultKind.PROBE_LOST, None, Quality.MISSING),
        (FaultKind.PROBE_CRC, None, Quality.CRC),
        (FaultKind.PROBE_POWER_ON, 85.0, Quality.POWER_ON),
        (FaultKind.PROBE_SLOW, None, Quality.SLOW),
    ],
)
def test_each_way_to_fail_is_told_apart_and_ends(
    kind: FaultKind, value: float | None, quality: Quality
) -> None:
    one = probe(20.0, Stand())
    one.suffer(frozenset({kind}), 0.0)
    assert one.latest() == Reading(value, quality, 0.0)
    one.suffer(frozenset(), 0.0)
    assert one.latest().quality is Quality.OK


def test_a_frozen_probe_repeats_its_value_and_looks_well() -> None:
    stand, soil = Stand(), [20.0]
    one = probe(lambda: soil[0], stand)
    one.suffer(frozenset({FaultKind.PROBE_FROZEN}), 0.0)
    soil[0], stand.time = 30.0, 600.0
    assert one.latest() == Reading(20.0, Quality.OK, 600.0)
    one.suffer(frozenset({FaultKind.PROBE_FROZEN, FaultKind.PROBE_DRIFT}), 600.0)
    assert one.latest().value == 20.0  # frozen already, another fault does not thaw it
    one.suffer(frozenset(), 700.0)
    assert one.latest().value == 30.0


def test_a_drifting_probe_leaves_the_truth_by_the_day() -> None:
    stand = Stand()
    one = probe(20.0, stand)
    one.drift_c_s, one.drift_since = 1.0 / 86400, 0.0
    one.suffer(frozenset({FaultKind.PROBE_DRIFT}), 0.0)
    stand.time = 2 * 86400.0
    assert one.latest().value == 22.0


def test_without_power_a_probe_is_missing() -> None:
    stand = Stand()
    stand.powered = False
    assert probe(20.0, stand).latest().quality is Quality.MISSING


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("depth_mm", -1.0, "depth_mm is -1.0; allowed: 0 to 200"),
        ("lag_s", 0.0, "lag_s is 0.0; allowed: 1 to 3600"),
        ("noise_c", math.nan, "noise_c is nan; allowed: 0 to 5"),
        ("offset_c", 11.0, "offset_c is 11.0; allowed: -10 to 10"),
    ],
)
def test_a_probe_out_of_range_is_refused(key: str, value: float, said: str) -> None:
    with pytest.raises(ValueError, match=f"probe p: {said}"):
        ProbeSpec("p", **{key: value})  # type: ignore[arg-type]


def test_a_probe_in_air_is_slower_than_in_soil_unless_said() -> None:
    assert ProbeSpec("p", "air").lag > ProbeSpec("p", "soil").lag
    assert ProbeSpec("p", "air", lag_s=5.0).lag == 5.0


def relay(stand: Stand, *, feedback: bool) -> tuple[SimRelay, list[bool]]:
    heard: list[bool] = []
    one = SimRelay("a/mat", stand, lambda: heard.append(one.closed), feedback=feedback)
    return one, heard


def test_a_bare_board_confirms_nothing_and_a_plug_reports_its_contacts() -> None:
    for feedback, said in ((False, None), (True, True)):
        one, heard = relay(Stand(), feedback=feedback)
        one.set(True, 60.0)
        assert one.state() == RelayState(True, said)
        assert one.closed
        one.set(False, 60.0)
        assert one.state() == RelayState(False, None if said is None else False)
        assert heard == [True, False]


def test_a_lease_is_renewed_from_now_and_its_end_is_kept_in_microseconds() -> None:
    stand = Stand()
    one, heard = relay(stand, feedback=False)
    one.set(True, 60.0)
    assert one.expires_us == 60_000_000
    stand.time = 30.0
    one.set(True, 60.0)
    assert one.expires_us == 90_000_000
    assert heard == [True]
    one.drop()
    assert (one.state().commanded, one.closed) == (False, False)


@pytest.mark.parametrize("lease", [0.0, -1.0, math.nan])
def test_on_without_a_lease_is_off(lease: float) -> None:
    one, _ = relay(Stand(), feedback=False)
    one.set(True, 60.0)
    one.set(True, lease)
    assert not one.closed


def test_a_lease_without_end_is_taken_for_a_very_long_one() -> None:
    one, _ = relay(Stand(), feedback=False)
    one.set(True, math.inf)
    assert one.closed


def test_a_stuck_relay_stays_put_and_only_a_plug_tells() -> None:
    board, _ = relay(Stand(), feedback=False)
    board.stick(True)
    assert board.closed
    assert board.state() == RelayState(False, None)
    plug, _ = relay(Stand(), feedback=True)
    plug.stick(False)
    plug.set(True, 60.0)
    assert not plug.closed
    assert plug.state() == RelayState(True, False, "a/mat was asked for on and reports off")
    plug.stick(None)
    assert plug.closed
    assert plug.state().fault is None


def test_without_power_nothing_is_on_not_even_a_welded_contact() -> None:
    stand = Stand()
    one, _ = relay(stand, feedback=True)
    one.set(True, 60.0)
    one.stick(True)
    stand.powered = False
    one.drop()
    assert not one.closed
    assert one.state() == RelayState(False, None, "a/mat does not answer")
    one.set(True, 60.0)
    assert not one.state().commanded


async def test_starting_and_closing_drive_a_relay_off_and_both_keep_their_protocols() -> None:
    stand = Stand()
    one, _ = relay(stand, feedback=False)
    seam: Relay = one
    for finish in (seam.start, seam.close):
        one.set(True, 60.0)
        await finish()
        assert not one.closed
    soil: Probe = probe(20.0, stand)
    await soil.start()
    assert soil.latest().value == 20.0
    await soil.close()
