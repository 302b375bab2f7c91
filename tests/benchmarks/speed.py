"""How fast a rehearsal is, and its simulator against scipy's `solve_ivp` at the same error.

The thermal network of one bench, a day with a mat that switches and a room that swings, looked at once
a minute. Each method of `solve_ivp` is given the same matrices; of each, the loosest tolerance counts
that stays within ERROR of a tight solution at every look. It runs in two ways: from minute to minute, as
a rehearsal must, where at each look it is decided what comes next; and, for comparison, with the inputs
known ahead, so that it starts anew only where one switches.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from functools import partial

import numpy as np
from scipy.integrate import solve_ivp  # type: ignore[import-untyped]

from daemon.app import read_site
from daemon.rehearsal import Rehearsal, default_faults, default_plan, start_of
from daemon.simulated import example
from sim.thermal import AIR, SEED_DEPTH_MM, ThermalNetwork, TrayFigures, soil_site
from tests.benchmarks.tables import Cell, Table

#: °C at any minute of the day, and the least that the project asks for.
ERROR, TIMES = 0.01, 20.0
#: Minutes between two switchings of the mat; the day is a multiple of it.
SWITCHES = 20
METHODS = ("RK45", "DOP853", "LSODA", "BDF", "Radau")
TOLERANCES = [10.0**-n for n in range(1, 9)]
DAY_MINUTES = 1440


def network() -> ThermalNetwork:
    """A covered bench of two trays with two probes; dry, so that nothing but the heat moves."""
    figures = TrayFigures()
    probes = [(soil_site(SEED_DEPTH_MM, figures), 30.0), (AIR, 60.0)]
    return ThermalNetwork(
        figures, trays=2, mat_watts=36, lamp_watts=48, probes=probes, covered=True, moisture=0.0
    )


def inputs(minute: int) -> tuple[float, float, float, float]:
    """Room at the start and the end of a minute's stretch of SWITCHES, mat and lamp."""
    stretch = minute // SWITCHES
    room = [18 + 3 * math.sin(2 * math.pi * (stretch + k) * SWITCHES / DAY_MINUTES) for k in (0, 1)]
    lit = 6 * 60 <= minute < 20 * 60
    return room[0], room[1], float(stretch % 2 == 0), float(lit)


def ours() -> np.ndarray:
    """Every minute's nodes and probes, by the simulator's own step."""
    net, seen = network(), []
    for minute in range(DAY_MINUTES):
        begin, end, mat, lamp = inputs(minute)
        part = minute % SWITCHES
        along = [begin + (end - begin) * (part + k) / SWITCHES for k in (0, 1)]
        net.step(60_000_000, along[0], along[1], mat, lamp)
        seen.append(net.temps)
    return np.array(seen)


def integrated(method: str, tolerance: float, stride: int) -> np.ndarray:
    """The same by `solve_ivp`, which starts anew every `stride` minutes."""
    net, seen = network(), []
    a, b = net.system()
    state = np.array(net.temps)
    looks = np.arange(1, stride + 1) * 60.0
    for minute in range(0, DAY_MINUTES, stride):
        begin, end, mat, lamp = inputs(minute)
        per_s = (end - begin) / (SWITCHES * 60)
        begin += per_s * (minute % SWITCHES) * 60
        level = b @ np.array([begin, 0.0, mat, lamp, 1.0])
        rise = b[:, 0] * per_s
        found = solve_ivp(
            lambda t, x, level=level, rise=rise: a @ x + level + rise * t,
            (0.0, looks[-1]), state, method=method, t_eval=looks, rtol=tolerance, atol=tolerance,
            **({"jac": lambda t, x: a} if method in ("LSODA", "BDF", "Radau") else {}),
        )  # fmt: skip
        state = found.y[:, -1]
        seen.append(found.y.T)
    return np.concatenate(seen)


def taken(run: Callable[[], object], times: int) -> float:
    """Seconds of processor time, the best of so many runs."""
    best = math.inf
    for _ in range(times):
        began = time.process_time()
        run()
        best = min(best, time.process_time() - began)
    return best


def against_scipy(quick: bool) -> Table:
    """The table of the simulator against `solve_ivp`."""
    states = [k for k in range(len(network().temps)) if k != 5]  # but for the water that evaporated
    truth = integrated("LSODA", 1e-11, SWITCHES)[:, states]
    mine = taken(ours, 5)
    worst = float(np.abs(ours()[:, states] - truth).max())
    rows: list[list[Cell]] = [["the simulator", "1 min", None, worst, mine * 1e3, 1.0]]
    for stride in (1, SWITCHES):
        for method in METHODS:
            for tolerance in TOLERANCES:
                error = float(
                    np.abs(integrated(method, tolerance, stride)[:, states] - truth).max()
                )
                if error <= ERROR:
                    run = partial(integrated, method, tolerance, stride)
                    cost = taken(run, 1 if quick else 3)
                    row = [f"solve_ivp {method}", f"{stride} min", tolerance, error]
                    rows.append([*row, cost * 1e3, cost / mine])
                    break
    return Table(
        f"A bench's day by the minute, within {ERROR:g} °C of the exact solution",
        ("method", "starts anew", "tolerance", "worst error °C", "CPU ms a day", "times ours"),
        rows,
        (
            f"Asked for: {TIMES:g} times at the least, by the fastest of scipy's methods that goes from "
            "minute to minute.",
        ),
    )


def rehearsed(quick: bool) -> Table:
    """The table of the default rehearsal."""
    days = 7.0 if quick else 56.0
    settings = example()
    site, _ = read_site(settings)
    season = Rehearsal(
        settings, site, start=start_of(None, site.zone), days=days, seed=0, faults=default_faults(),
        plan=default_plan(site, days),
    )  # fmt: skip
    began, spent = time.perf_counter(), time.process_time()
    season.run()
    wall, cpu = time.perf_counter() - began, time.process_time() - spent
    return Table(
        "The default rehearsal",
        ("days", "benches", "tick s", "wall s", "CPU s", "virtual / real", "µs a tick and bench"),
        [
            [
                days, len(site.benches), site.tick, wall, cpu, days * 86400 / wall,
                cpu / (days * 86400 / site.tick) / len(site.benches) * 1e6,
            ]
        ],
        ("Asked for: 10 s at the most on a quiet machine.",),
        {"virtual / real": 0},
    )  # fmt: skip


def benchmark(quick: bool, jobs: int) -> list[Table]:
    """Both tables."""
    del jobs
    return [rehearsed(quick), against_scipy(quick)]
