"""The room's temperature where no probe measures it, from what each bench reads and does. Pure.

A bench is one store of heat in the room, and a Kalman filter follows it every few minutes:

    dT/dt = (room - E + M h + L g - T) / tau        air = room + B (T - room) + A g

T is the soil, h the mat's part of the time on after two equal lags, g the lamp's after one. The room,
the lifts M and L that mat and lamp would give in the end, the lamp's lift A of the air and tau are
learned together (an extended filter: B. D. O. Anderson and J. B. Moore, *Optimal Filtering*, 1979,
chapter 8, from memory). B, how far the air over the tray goes with the soil, and E, how far a moist
open tray stands under the room, are taken as given. All benches stand in one room, so their estimates
are put together, each by how sure it is.

It is for people to read, for findings and forecasts. No guard goes by it: what switches off for heat
without effect believes a measured room alone. Apart from the mat's controller on purpose, which has a
model of its own for its own end.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

#: One step of the filter [s]; readings between are averaged.
UPDATE = 300.0
#: Without a tick for so long [s] nobody knows what was on, nor what became of the bench.
GAP = 600.0
#: What one store of heat leaves out lasts for hours, and the filter does not know of it [°C].
MODEL = 0.7
#: An estimate less sure than this [°C, standard deviation] is none.
SURE = 2.5

HOUR = 3600.0
_MAT_LAG, _LAMP_LAG = 360.0, 600.0
# State of the filter: soil, room, M, L, A [°C], logarithm of tau [s].
_T, _ROOM, _M, _L, _A, _TAU = range(6)
_N = 6
# Standard deviations at the start, and of the wandering in an hour.
_UNSURE = (0.3, 2.5, 0.0, 0.0, 0.0, 0.12)
_WANDER = (0.6, 0.6, 0.015, 0.015, 0.015, 0.005)
#: Of a reading [°C]: the probe's own error, and that the bench is no single store.
_SOIL_NOISE, _AIR_NOISE = 0.15, 0.8
#: Covered and open: share of the soil's lift that the air over it has, depression of a moist tray [°C],
#: what a watt a tray lifts soil by [°C/W], time constant [h].
_AIR_SHARE, _MOIST = (0.5, 0.15), (0.1, 1.2)
_MAT_LIFT, _LAMP_LIFT, _LAMP_AIR = (0.55, 0.35), (0.2, 0.08), (0.2, 0.1)
_TAU_H = (2.4, 1.4)
#: How unsure the lifts are, as a share; half as much is added when the cover comes off or goes on.
_LIFT_UNSURE = 0.15


_LENGTH = 11 + _N + _N * _N
_SUMS = 7  # what is added up between steps comes first


@dataclass(frozen=True, slots=True)
class Estimate:
    """A room temperature [°C] and its standard deviation [°C]."""

    celsius: float
    sd: float


@dataclass(slots=True)
class _Mind:
    """What is remembered between ticks, as plain numbers: sums since the last step, the lagged heat,
    the state and the rows of its covariance. covered: 1 or 0, as of the last step."""

    elapsed: float
    heated: float
    lit: float
    soil_sum: float
    soil_n: float
    air_sum: float
    air_n: float
    covered: float
    h1: float
    h2: float
    g: float
    x: list[float]
    p: list[list[float]]

    @classmethod
    def of(cls, memory: Sequence[float]) -> _Mind:
        elapsed, heated, lit, soil, soil_n, air, air_n, covered, h1, h2, g, *rest = memory
        rows = [rest[_N * k : _N * (k + 1)] for k in range(1, _N + 1)]
        return cls(
            elapsed, heated, lit, soil, soil_n, air, air_n, covered, h1, h2, g, rest[:_N], rows
        )

    def kept(self) -> tuple[float, ...]:
        head = (
            self.elapsed, self.heated, self.lit, self.soil_sum, self.soil_n, self.air_sum, self.air_n,
            self.covered, self.h1, self.h2, self.g,
        )  # fmt: skip
        return (*head, *self.x, *(value for row in self.p for value in row))


def observe(
    memory: tuple[float, ...],
    *,
    dt: float,
    soil: float | None,
    air: float | None,
    mat: bool,
    lamp: bool,
    covered: bool,
    mat_watts: float,
    lamp_watts: float,
) -> tuple[float, ...]:
    """The memory of a bench one tick on.

    memory: what the last call returned, empty before. dt: seconds since then, in which mat and lamp were
    on or not. soil, air: good readings over the tray [°C], None without. mat_watts, lamp_watts: a tray.
    Begins with the first reading, of a bench that is taken to be no warmer than what was on accounts for.
    """
    if len(memory) != _LENGTH:  # none yet, or that of another version
        first = soil if soil is not None else air
        if first is None:
            return ()
        return _begin(first, mat, lamp, covered, mat_watts, lamp_watts).kept()
    if (elapsed := memory[0] + dt) < UPDATE and dt <= GAP:  # most ticks only add to the sums
        _, heated, lit, soil_sum, soil_n, air_sum, air_n = memory[:_SUMS]
        if soil is not None:
            soil_sum, soil_n = soil_sum + soil, soil_n + 1
        if air is not None:
            air_sum, air_n = air_sum + air, air_n + 1
        sums = elapsed, heated + dt * mat, lit + dt * lamp, soil_sum, soil_n, air_sum, air_n
        return sums + memory[_SUMS:]
    mind = _Mind.of(memory)
    if dt > GAP:  # the bench went its own way: of the room only that it has wandered is known
        mind = _after_gap(mind, dt, soil)
    else:
        mind.elapsed += dt
        mind.heated += dt * mat
        mind.lit += dt * lamp
    if soil is not None:
        mind.soil_sum, mind.soil_n = mind.soil_sum + soil, mind.soil_n + 1
    if air is not None:
        mind.air_sum, mind.air_n = mind.air_sum + air, mind.air_n + 1
    if mind.elapsed >= UPDATE:
        if bool(mind.covered) != covered:
            _cover(mind, covered)
        _live(mind)
        _see(mind)
    return mind.kept()


def estimate(memory: Sequence[float]) -> Estimate | None:
    """What a bench makes of the room; None while it knows too little."""
    if len(memory) != _LENGTH:
        return None
    mind = _Mind.of(memory)
    sd = math.hypot(math.sqrt(mind.p[_ROOM][_ROOM]), MODEL)
    return Estimate(mind.x[_ROOM], sd) if sd <= SURE else None


def together(estimates: Iterable[Estimate | None]) -> Estimate | None:
    """One estimate of several benches in one room, each by how sure it is.

    They share what the model leaves out, so that more benches make it no surer than the surest.
    """
    known = [one for one in estimates if one is not None]
    if not known:
        return None
    weights = [one.sd**-2 for one in known]
    mean = sum(w * one.celsius for w, one in zip(weights, known, strict=True)) / sum(weights)
    return Estimate(mean, min(one.sd for one in known))


def _begin(
    first: float, mat: bool, lamp: bool, covered: bool, mat_watts: float, lamp_watts: float
) -> _Mind:
    k = 0 if covered else 1
    lifts = (_MAT_LIFT[k] * mat_watts, _LAMP_LIFT[k] * lamp_watts, _LAMP_AIR[k] * lamp_watts)
    begun_warm = lifts[0] * mat / 2 + lifts[1] * lamp / 2
    x = [first, first - begun_warm + _MOIST[k], *lifts, math.log(_TAU_H[k] * HOUR)]
    sds = list(_UNSURE)
    for state, lift in zip((_M, _L, _A), lifts, strict=True):
        sds[state] = _LIFT_UNSURE * lift
    sds[_ROOM] += begun_warm
    p = [[sds[i] ** 2 if i == j else 0.0 for j in range(_N)] for i in range(_N)]
    return _Mind(0, 0, 0, 0, 0, 0, 0, float(covered), float(mat), float(mat), float(lamp), x, p)


def _after_gap(mind: _Mind, dt: float, soil: float | None) -> _Mind:
    hours = dt / HOUR
    mind.elapsed = mind.heated = mind.lit = mind.soil_sum = mind.soil_n = 0.0
    mind.air_sum = mind.air_n = mind.h1 = mind.h2 = mind.g = 0.0
    if soil is not None:
        mind.x[_T] = soil
    for state, variance in ((_T, 1.0), (_ROOM, _WANDER[_ROOM] ** 2 * min(hours, 48.0))):
        for other in range(_N):
            if state == _T:
                mind.p[state][other] = mind.p[other][state] = 0.0
        mind.p[state][state] += variance
    return mind


def _cover(mind: _Mind, covered: bool) -> None:
    """A cover holds warmth in: the lifts and tau change by what is usual, and are less sure."""
    was, is_ = (0, 1) if mind.covered else (1, 0)
    mind.covered = float(covered)
    for state, figures in ((_M, _MAT_LIFT), (_L, _LAMP_LIFT), (_A, _LAMP_AIR)):
        factor = figures[is_] / figures[was]
        mind.x[state] *= factor
        _scale(mind.p, state, factor)
        mind.p[state][state] += (_LIFT_UNSURE / 2 * mind.x[state]) ** 2
    mind.x[_TAU] += math.log(_TAU_H[is_] / _TAU_H[was])
    mind.p[_TAU][_TAU] += _UNSURE[_TAU] ** 2 / 4


def _scale(p: list[list[float]], state: int, factor: float) -> None:
    for other in range(_N):
        p[state][other] *= factor
        p[other][state] *= factor


def _live(mind: _Mind) -> None:
    """One step on: the lagged heat, the state, and how sure it is."""
    dt = mind.elapsed
    heated, lit = mind.heated / dt, mind.lit / dt
    fade = 1.0 - math.exp(-dt / _MAT_LAG)
    before = mind.h2, mind.g
    mind.h1 += fade * (heated - mind.h1)
    mind.h2 += fade * (mind.h1 - mind.h2)
    mind.g += (1.0 - math.exp(-dt / _LAMP_LAG)) * (lit - mind.g)
    h, g = (before[0] + mind.h2) / 2, (before[1] + mind.g) / 2
    x, p = mind.x, mind.p
    moist = _MOIST[0 if mind.covered else 1]
    stays = math.exp(-dt / math.exp(x[_TAU]))
    ends = x[_ROOM] - moist + x[_M] * h + x[_L] * g
    over = x[_T] - ends
    moved = 1.0 - stays
    row = [stays, moved, moved * h, moved * g, 0.0, over * stays * dt / math.exp(x[_TAU])]
    x[_T] = ends + over * stays
    column = [sum(row[k] * p[k][j] for k in range(_N)) for j in range(_N)]
    top = sum(column[j] * row[j] for j in range(_N))
    for j in range(1, _N):
        p[_T][j] = p[j][_T] = column[j]
    p[_T][_T] = top
    for state, wander in enumerate(_WANDER):
        p[state][state] += wander * wander * dt / HOUR
    mind.elapsed = mind.heated = mind.lit = 0.0


def _see(mind: _Mind) -> None:
    """Take in the mean readings of the step."""
    if mind.soil_n:
        _update(mind, [1.0, 0.0, 0.0, 0.0, 0.0, 0.0], mind.soil_sum / mind.soil_n, _SOIL_NOISE)
    if mind.air_n:
        share = _AIR_SHARE[0 if mind.covered else 1]
        _update(
            mind, [share, 1.0 - share, 0.0, 0.0, mind.g, 0.0], mind.air_sum / mind.air_n, _AIR_NOISE
        )
    mind.soil_sum = mind.soil_n = mind.air_sum = mind.air_n = 0.0
    x = mind.x
    for state in (_M, _L, _A):
        x[state] = min(max(x[state], 0.0), 40.0)
    x[_TAU] = min(max(x[_TAU], math.log(0.3 * HOUR)), math.log(12 * HOUR))
    x[_ROOM] = min(max(x[_ROOM], -30.0), 50.0)


def _update(mind: _Mind, seen: list[float], value: float, noise: float) -> None:
    """The Kalman update for one reading, value = seen . x + noise."""
    x, p = mind.x, mind.p
    along = [sum(p[i][k] * seen[k] for k in range(_N)) for i in range(_N)]
    spread = sum(seen[k] * along[k] for k in range(_N)) + noise * noise
    error = value - sum(seen[k] * x[k] for k in range(_N))
    if error * error > 16.0 * spread:  # poured water, a lifted tray: the soil moved, not the room
        p[_T][_T] += error * error
        along[_T] += seen[_T] * error * error
        spread += (seen[_T] * error) ** 2
    for i in range(_N):
        gain = along[i] / spread
        x[i] += gain * error
        for j in range(_N):
            p[i][j] -= gain * along[j]
    for i, j in pairwise(range(_N)):  # rounding must not tilt it
        p[i][j] = p[j][i] = (p[i][j] + p[j][i]) / 2
