"""The learning mat controller: its model against a reference integrator, its landings against the
simulated bench, and that no input makes it unsafe.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from daemon.control import MatController, MatView, hysteresis
from daemon.predictive import LAGS, UPDATE, Bench, learned, learning, watts_needed, why
from sim.thermal import ThermalNetwork, TrayFigures, soil_site

HOUR = 3600.0
TRUE = Bench(rise=5.0, loss=0.4, lag=16.0, lamp=0.0, room=14.0, most=26.5, misfit=1.0)


def view(now: float, soil: float, aim: float, on: bool, **more: object) -> MatView:
    seen = MatView(now, soil, aim, 0.25, on, lamp=False, room=None)
    return replace(seen, **more)  # type: ignore[arg-type]


def equations(_t: float, y: list[float], heat: float) -> list[float]:
    """The module's own differential equation, in hours, with h after two equal lags."""
    tau = TRUE.lag / 60 / LAGS
    soil, h1, h2 = y
    return [
        TRUE.rise * h2 - TRUE.loss * (soil - TRUE.room),
        (heat - h1) / tau,
        (h1 - h2) / tau,
    ]


def run_equations(hours: float, aim: float) -> tuple[list[float], tuple[float, ...]]:
    """A bench that is exactly the model, integrated by scipy, read in sixteenths of a degree."""
    y, memory, on = [TRUE.room, 0.0, 0.0], (), False
    soils = []
    for k in range(int(hours * 60)):
        reading = round(y[0] * 16) / 16
        on, memory = learning(view(k * 60.0, reading, aim, on), memory)
        y = list(
            solve_ivp(equations, (0, 1 / 60), y, args=(float(on),), rtol=1e-6, atol=1e-8).y[:, -1]
        )
        soils.append(y[0])
    return soils, memory


def test_it_learns_the_figures_of_a_bench_that_solve_ivp_integrates() -> None:
    soils, memory = run_equations(20.0, 22.0)
    found = learned(memory)
    assert found is not None
    assert found.rise == pytest.approx(TRUE.rise, rel=0.15)
    assert found.lag == pytest.approx(TRUE.lag, rel=0.2)
    assert found.most == pytest.approx(TRUE.most, abs=2.5)
    assert max(soils) < 22.3
    settled = np.array(soils[4 * 60 :]) - 22.0
    assert np.sqrt(np.mean(settled**2)) < 0.1
    needed = watts_needed(memory, 36.0, None, 22.0)
    assert needed == pytest.approx(36.0 * TRUE.loss * (22.0 - TRUE.room) / TRUE.rise, rel=0.1)


class Tray:
    """The simulated tray under a controller, a tick a minute, read in sixteenths of a degree."""

    def __init__(self, controller: MatController = learning, **figures: float | bool) -> None:
        self.net = ThermalNetwork(
            mat_watts=18.0,
            probes=[(soil_site(12.7, TrayFigures()), 45.0)],
            room_c=15.0,
            covered=bool(figures.get("covered", True)),
        )
        self.controller = controller
        self.memory: tuple[float, ...] = ()
        self.now, self.on, self.switchings = 0.0, False, 0

    def run(
        self,
        hours: float,
        aim: Callable[[float], float],
        *,
        rise_at: float | None = None,
        rise_to: float = 0.0,
    ) -> list[float]:
        soils = []
        for _ in range(round(hours * 60)):
            ahead = ()
            if rise_at is not None and self.now < rise_at:
                ahead = ((rise_at - self.now, rise_to),)
            reading = round(self.net.probe(0) * 16) / 16
            seen = view(self.now, reading, aim(self.now), self.on, ahead=ahead)
            was = self.on
            self.on, self.memory = self.controller(seen, self.memory)
            self.switchings += self.on is not was
            self.net.step(60_000_000, 15.0, 15.0, float(self.on), 0.0)
            self.net.moisture = 1.0
            self.now += 60.0
            soils.append(self.net.probe(0))
        return soils


def test_from_nothing_known_it_lands_without_overshoot_and_stays_closer_than_on_off() -> None:
    ours, plain = Tray(), Tray(hysteresis)
    soils = ours.run(30, lambda _: 22.0)
    others = plain.run(30, lambda _: 22.0)
    assert max(soils) < 22.3
    off = np.array([soils[6 * 60 :], others[6 * 60 :]]) - 22.0
    rms = np.sqrt(np.mean(off**2, axis=1))
    assert rms[0] < 0.1
    assert rms[0] < 0.4 * rms[1]
    assert ours.switchings < 100


def test_it_begins_to_warm_before_an_announced_rise_and_is_there_in_time_and_not_much_before() -> (
    None
):
    tray = Tray()
    tray.run(20, lambda _: 19.0)
    rise = tray.now + 8 * HOUR
    soils = tray.run(10, lambda now: 19.0 if now < rise else 22.5, rise_at=rise, rise_to=22.5)
    at = 8 * 60
    assert soils[at + 10] > 22.25
    assert soils[at - 60] < 22.25
    assert max(soils) < 22.75


def test_it_coasts_into_a_lower_aim_and_catches_it() -> None:
    tray = Tray()
    tray.run(20, lambda _: 22.0)
    fall = tray.now
    soils = tray.run(10, lambda _: 20.0)
    assert min(soils) > 19.6
    assert fall == 20 * HOUR


def test_a_memory_kept_and_given_back_changes_nothing() -> None:
    whole, halved = Tray(), Tray()
    first = whole.run(12, lambda _: 22.0) + whole.run(6, lambda _: 22.0)
    second = halved.run(12, lambda _: 22.0)
    halved.memory = tuple(float(repr(number)) for number in halved.memory)
    second += halved.run(6, lambda _: 22.0)
    assert first == second
    assert len(halved.memory) < 200


def test_after_a_gap_it_keeps_what_it_learned_and_takes_the_mat_for_having_been_off() -> None:
    tray = Tray()
    tray.run(20, lambda _: 22.0)
    before = learned(tray.memory)
    for _ in range(240):  # a power cut of four hours
        tray.net.step(60_000_000, 15.0, 15.0, 0.0, 0.0)
        tray.now += 60.0
    tray.on = False
    soils = tray.run(8, lambda _: 22.0)
    after = learned(tray.memory)
    assert before is not None
    assert after is not None
    assert after.rise == pytest.approx(before.rise, rel=0.15)
    assert max(soils) < 22.3
    assert abs(soils[-1] - 22.0) < 0.25


def test_a_clock_that_starts_anew_is_a_gap_too() -> None:
    tray = Tray()
    tray.run(20, lambda _: 22.0)
    tray.now, tray.on = 5.0, False
    soils = tray.run(4, lambda _: 22.0)
    assert max(abs(soil - 22.0) for soil in soils[60:]) < 0.4


def test_quick_ticks_are_averaged_and_the_mat_holds_still_between_plans() -> None:
    memory: tuple[float, ...] = ()
    on, memory = learning(view(0.0, 15.0, 22.0, False), memory)
    assert on
    kept = learned(memory)
    for k in range(1, 12):
        on, memory = learning(view(k * 5.0, 15.0, 22.0, on), memory)
        assert on
        assert learned(memory) == kept
    on, memory = learning(view(60.0, 15.0, 22.0, on), memory)
    assert learned(memory) != kept
    assert UPDATE == 60.0


def test_readings_that_leave_the_model_give_the_mat_to_plain_on_off_and_it_says_so() -> None:
    tray = Tray()
    tray.run(12, lambda _: 22.0)
    memory, on, now = tray.memory, tray.on, tray.now
    plain = False
    for k in range(120):  # a probe that somebody plays with
        soil = 22.0 + (1.5 if k % 4 < 2 else -1.5)
        seen = view(now + k * 60.0, soil, 22.0, on)
        on, memory = learning(seen, memory)
        if "plain on/off" in why(seen, memory):
            plain = True
            assert on == hysteresis(seen, ())[0]
    assert plain


def test_why_is_one_sentence_with_its_figures() -> None:
    tray = Tray()
    said = set()
    for _ in range(300):
        soil = tray.run(1 / 60, lambda _: 22.0)[-1]
        text = why(view(tray.now, soil, 22.0, tray.on), tray.memory)
        assert text.count("°C") >= 3
        assert "aiming for 22.00 °C" in text
        said.add(text.split(": ")[1].split(" ")[0])
    assert len(said) >= 3
    assert why(view(0, 20.0, 22.0, False), ()) == "soil 20.00 °C, aiming for 22.00 °C"


numbers = st.floats(allow_nan=True, allow_infinity=True)


@given(memory=st.lists(numbers, max_size=80).map(tuple), soil=st.floats(-55, 125))
def test_any_memory_that_is_not_its_own_begins_anew(memory: tuple[float, ...], soil: float) -> None:
    seen = view(0.0, soil, 22.0, False)
    assert learning(seen, memory) == learning(seen, ())


@settings(max_examples=30, deadline=None)
@given(
    soils=st.lists(st.floats(-55, 125), min_size=1, max_size=40),
    steps=st.lists(st.sampled_from([1.0, 20.0, 60.0, 300.0, 5000.0]), min_size=40, max_size=40),
    room=st.none() | st.floats(-40, 60),
)
def test_whatever_is_read_it_answers_with_finite_numbers(
    soils: list[float], steps: list[float], room: float | None
) -> None:
    memory: tuple[float, ...] = ()
    now, on = 0.0, False
    for soil, step in zip(soils, steps, strict=False):
        now += step
        seen = view(now, soil, 22.0, on, room=room, ahead=((4000.0, 25.0),))
        on, memory = learning(seen, memory)
        assert all(map(math.isfinite, memory))
        assert why(seen, memory)


@given(soil=st.floats(24.5, 60))
def test_soil_well_over_its_aim_is_never_heated_by_a_bench_that_is_known(soil: float) -> None:
    memory: tuple[float, ...] = ()
    on = False
    for k in range(30):
        on, memory = learning(view(k * 60.0, soil, 22.0, on), memory)
        assert not on
