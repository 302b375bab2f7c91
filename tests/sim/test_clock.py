"""Clocks set by hand and clocks that run faster."""

from __future__ import annotations

import pytest

from drivers.protocols import Clock
from sim.clock import ScaledClock, VirtualClock


def test_a_virtual_clock_stands_still_until_it_is_moved() -> None:
    clock = VirtualClock(1000.0, mono=5.0)
    assert (clock.mono(), clock.utc()) == (5.0, 1000.0)
    clock.advance(60.0)
    assert (clock.mono(), clock.utc()) == (65.0, 1060.0)


def test_stepping_the_wall_clock_leaves_the_monotonic_scale_alone() -> None:
    clock = VirtualClock(1000.0)
    clock.set_utc(400.0)
    clock.advance(1.0)
    assert (clock.mono(), clock.utc()) == (1.0, 401.0)


@pytest.mark.parametrize("seconds", [-1.0, float("nan"), float("inf")])
def test_a_virtual_clock_never_goes_back(seconds: float) -> None:
    with pytest.raises(ValueError, match="allowed: 0 or more"):
        VirtualClock(0.0).advance(seconds)


def test_a_scaled_clock_runs_as_many_times_faster_on_both_scales() -> None:
    real = 100.0
    clock = ScaledClock(60.0, 5000.0, real=lambda: real)
    assert (clock.mono(), clock.utc()) == (0.0, 5000.0)
    real = 102.0
    assert (clock.mono(), clock.utc()) == (120.0, 5120.0)
    assert clock.real_seconds(60.0) == 1.0


@pytest.mark.parametrize("speed", [0.0, -1.0, 1e6, float("nan")])
def test_a_speed_out_of_range_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="allowed: over 0 to 100000"):
        ScaledClock(speed, 0.0)


def test_both_keep_the_protocol() -> None:
    clocks: list[Clock] = [VirtualClock(0.0), ScaledClock(1.0, 0.0)]
    assert all(clock.mono() >= 0.0 for clock in clocks)
