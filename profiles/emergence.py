"""How fast a crop comes up at a soil temperature: a rate that is integrated over what was measured.

Progress is the integral of `EmergenceModel.rate` over the soil temperature since sowing: 1 is the
day of emergence by the table. A row of the table (J. F. Harrington and P. A. Minges, Vegetable
Seed Germination, 1954) has three to nine tested cells of whole days, too few to fit a curve to and
too coarse to join up. So a row borrows from the others, as a Gaussian process does (C. E. Rasmussen
and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, chapter 2):

- The logarithm of the days is a curve that all rows share, plus what is the row's own: a level, a
  slope and a bend, and a smooth remainder. How far rows differ in each is in `COMMON`, estimated
  from the 24 rows together. The row's curve is then what its cells make likely.
- A cell of d days stands for anything from d - 1/2 to d + 1/2, so a day counts for little where
  days are many and for much where they are few; the curve need not pass through it.
- Towards a temperature where nothing came up the rate falls to 0, and is halved
  `Common.halved_c` before it.
- Where nothing is known the curve is believed for one step of the table (5 °C) past the last tested
  cell, and no further than 0 and 40 °C. From there the rate falls in a straight line to 0 in another
  5 °C.

Cells left out of the fit are met closer than by interpolation of the row alone, or by thermal time
with a base, an optimum and a ceiling: see the test that prints them all.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import ceil, exp, inf, isfinite, log, sqrt

#: A wait beyond this is not called an emergence; the longest in the table is 172 days.
LONGEST_DAYS = 365.0
#: The table's days are whole numbers: 2 may have been 1.5 or 2.5.
_ROUNDING_DAYS = 0.5
#: No crop of the table is up in under a day; no rate is believed beyond twice that.
_FASTEST_PER_DAY = 2.0
#: One step of the table [°C]: how far past the last tested cell its curve is believed, over how much
#: more it falls to 0, and the length over which a row's own remainder is alike.
_STEP_C = 5.0
#: The temperatures [°C] of the table.
_COLDEST_C, _HOTTEST_C = 0.0, 40.0
#: How far apart [°C] the curve is worked out beforehand; between, a cubic meets its slopes.
_KNOT_C = 1.25
#: Steepest change of the logarithm of the days [1/°C] of a knot; the table's is 0.4.
_STEEPEST = 2.0
#: Part of the days to emergence after which the first seedlings may be up (common practice, no source).
FIRST_UP = 0.75
#: Multiple of the table's days by which a real tray, cooler and deeper in places and of older seed, is
#: up or in trouble (common practice, no source).
LAST_UP = 1.75


@dataclass(frozen=True, slots=True)
class Common:
    """What the rows of a days-to-emergence table have in common, and how far they differ.

    With u = (°C - 20) / 10, all of the natural logarithm of days:

    mean: the shared curve, coefficients of rising powers of u.
    level, slope, bend: standard deviation over rows of the coefficients of 1, u and u squared.
    local: standard deviation at 20 °C of a row's smooth remainder. local_per_10c: its growth over
        10 °C; rows differ more in what heat does to them.
    noise: standard deviation of a cell, beside its rounding.
    halved_c: distance [°C] from a temperature where nothing came up at which the rate is halved.
    """

    mean: tuple[float, ...]
    level: float
    slope: float
    bend: float
    local: float
    local_per_10c: float
    noise: float
    halved_c: float


#: Of the 24 rows of the table, by restricted maximum likelihood; tests/profiles/test_emergence_table.py
#: has the fit, and holds these figures to it.
COMMON = Common(
    mean=(1.787, -0.668, 0.1914, -0.0071, 0.0461),
    level=0.5351,
    slope=0.169,
    bend=0.1081,
    local=0.1419,
    local_per_10c=1.5483,
    noise=0.0386,
    halved_c=4.1055,
)


class _Pieces:
    """What `EmergenceModel` works out once; no field, so neither compared, shown nor dumped.

    _knots: temperatures [°C] where the rate's formula changes, from its zero in the cold to that in
        the heat.
    _pieces: for each knot but the last, the rate there and coefficients in rising powers of the °C
        above it: of the rate itself in the first and last piece, elsewhere of the logarithm of its
        ratio to the rate at the knot.
    _doubts: for each knot the standard deviation of the logarithm of the days there.
    """

    __slots__ = ("_doubts", "_knots", "_pieces")
    _knots: tuple[float, ...]
    _pieces: tuple[tuple[float, float, float, float], ...]
    _doubts: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class EmergenceModel(_Pieces):
    """Rate of emergence over soil temperature, from a row of a days-to-emergence table.

    points: (soil temperature [°C], days to emergence), at least two, the tested cells in order of
        temperature.
    never: soil temperatures [°C] tested at which nothing came up, each below or above all points.
    rounding: the days may be off by this much either way; half a day for whole days.
    common: what the row borrows from others.

    Raises ValueError for points or temperatures that are not so.
    """

    points: tuple[tuple[float, float], ...]
    never: tuple[float, ...] = ()
    rounding: float = _ROUNDING_DAYS
    common: Common = field(default=COMMON, repr=False)

    def __post_init__(self) -> None:
        _check(self.points, self.never, self.rounding)
        curve = _Curve(self.points, self.never, self.rounding, self.common)
        coldest, hottest = self.points[0][0], self.points[-1][0]
        never_cold = max((t for t in self.never if t < coldest), default=-inf)
        never_hot = min((t for t in self.never if t > hottest), default=inf)
        believed_cold = max(coldest - _STEP_C, min(coldest, _COLDEST_C))
        believed_hot = min(hottest + _STEP_C, max(hottest, _HOTTEST_C))
        zero_cold = max(believed_cold - _STEP_C, never_cold)
        zero_hot = min(believed_hot + _STEP_C, never_hot)
        first = min(coldest, max(believed_cold, zero_cold + 1))
        last = max(hottest, min(believed_hot, zero_hot - 1))
        count = ceil((last - first) / _KNOT_C)
        knots = [first + (last - first) * index / count for index in range(count + 1)]
        values, slopes, doubts = zip(*map(curve.at, knots), strict=True)
        rates = [exp(value) for value in values]
        inner = [
            (rate, *_hermite(t1 - t0, y1 - y0, m0, m1))
            for rate, (t0, t1), (y0, y1), (m0, m1) in zip(
                rates[:-1], pairwise(knots), pairwise(values), pairwise(slopes), strict=True
            )
        ]
        rise = (0.0, rates[0] / (first - zero_cold), 0.0, 0.0)
        fall = (rates[-1], -rates[-1] / (zero_hot - last), 0.0, 0.0)
        object.__setattr__(self, "_knots", (zero_cold, *knots, zero_hot))
        object.__setattr__(self, "_pieces", (rise, *inner, fall))
        object.__setattr__(self, "_doubts", (doubts[0], *doubts, doubts[-1]))

    def __reduce__(self) -> tuple[type[EmergenceModel], tuple[object, ...]]:
        return EmergenceModel, (self.points, self.never, self.rounding, self.common)

    def rate(self, soil_c: float) -> float:
        """Part of the way to emergence that a day at `soil_c` goes, in 1/day; 0 where it does not.

        Continuous, finite and never negative; 0 for not-a-number.
        """
        knots = self._knots
        if not knots[0] < soil_c < knots[-1]:
            return 0.0
        index = bisect_right(knots, soil_c) - 1
        above = soil_c - knots[index]
        start, b, c, d = self._pieces[index]
        if 0 < index < len(knots) - 2:
            return start * exp(above * (b + above * (c + above * d)))
        return max(0.0, start + above * b)  # rounding may pass 0 in the last bit

    def gain(self, from_c: float, to_c: float, days: float) -> float:
        """Progress over `days` in which the soil went from one temperature [°C] to the other.

        The trapezoid rule: for the short steps of a tick or a log.
        """
        return 0.5 * (self.rate(from_c) + self.rate(to_c)) * days

    def days(self, soil_c: float) -> float | None:
        """Days to emergence at a constant `soil_c`; None where it never comes up, or in a year."""
        rate = self.rate(soil_c)
        return 1 / rate if rate * LONGEST_DAYS >= 1 else None

    def doubt(self, soil_c: float) -> float:
        """Standard deviation of the logarithm of `days` there: how well the row knows it.

        About 0.05 among cells of many days, more where rounding is coarse or cells are few, most
        past the last one. It is of an ideal lot, as the table's; a tray's own comes on top.
        """
        knots, doubts = self._knots, self._doubts
        if not knots[0] < soil_c < knots[-1]:
            return doubts[0] if soil_c <= knots[0] else doubts[-1]
        index = bisect_right(knots, soil_c) - 1
        share = (soil_c - knots[index]) / (knots[index + 1] - knots[index])
        return doubts[index] + share * (doubts[index + 1] - doubts[index])


def early_fraction(days: float) -> float:
    """The progress (integral of the rate) at which the first seedling may be up; the early edge.

    days: the table's days to emergence at the temperatures the batch has had, that is
        `EmergenceModel.days` at a steady one, elapsed days over progress at one that swings.

    Leans early, for a seedling that waits in the dark is spoilt, and a lamp that waits for it is
    not: `FIRST_UP` of days that may have been rounded up by half a day.
    """
    return FIRST_UP * (1 - _ROUNDING_DAYS / days) if days > _ROUNDING_DAYS else 0.0


def late_fraction(days: float) -> float:
    """The progress by which a batch should be up, past which something is wrong; the late edge.

    days: over 0, as for `early_fraction`; `LAST_UP` of days that may have been rounded down by half
        a day.
    """
    return LAST_UP * (1 + _ROUNDING_DAYS / days)


class _Curve:
    """The logarithm of a row's rate, as its cells and the other rows make likely."""

    def __init__(
        self,
        points: Sequence[tuple[float, float]],
        never: Sequence[float],
        rounding: float,
        common: Common,
    ) -> None:
        self._common = common
        self._never = never
        self._at = [temperature for temperature, _ in points]
        cells = [_log_of_rounded(days, rounding) for _, days in points]
        away = [
            mean + self._taper(t)[0] - _polynomial(common.mean, _u(t))[0]
            for t, (mean, _) in zip(self._at, cells, strict=True)
        ]
        covariance = [[self._alike(t, other)[0] for other in self._at] for t in self._at]
        for index, (_, variance) in enumerate(cells):
            covariance[index][index] += variance + common.noise**2
        self._factor = _cholesky(covariance)
        self._weights = _backward(self._factor, _forward(self._factor, away))

    def at(self, soil_c: float) -> tuple[float, float, float]:
        """Logarithm of the rate [1/day] at `soil_c`, its slope [1/°C] and standard deviation."""
        common = self._common
        log_days, slope = _polynomial(common.mean, _u(soil_c))
        slope /= 10
        alike = [self._alike(soil_c, t) for t in self._at]
        for weight, (value, change) in zip(self._weights, alike, strict=True):
            log_days += weight * value
            slope += weight * change
        known = _forward(self._factor, [value for value, _ in alike])
        variance = self._alike(soil_c, soil_c)[0] - sum(part * part for part in known)
        taper, taper_slope = self._taper(soil_c)
        log_rate, slope = taper - log_days, taper_slope - slope
        doubt = sqrt(max(0.0, variance) + common.noise**2)
        if log_rate > (most := log(_FASTEST_PER_DAY)):
            return most, 0.0, doubt
        return max(log_rate, -20.0), min(_STEEPEST, max(-_STEEPEST, slope)), doubt

    def _alike(self, a: float, b: float) -> tuple[float, float]:
        """Covariance of a row's own part at two temperatures, and its change [1/°C] with the first.

        The remainder is a Matérn process of order 5/2 (Rasmussen and Williams, equation 4.17).
        """
        common = self._common
        ua, ub = _u(a), _u(b)
        level, slope, bend = common.level**2, common.slope**2 * ub, common.bend**2 * ub * ub
        r = sqrt(5) * abs(a - b) / _STEP_C
        local = common.local**2 * common.local_per_10c ** (ua + ub) * exp(-r)
        value = level + slope * ua + bend * ua * ua + local * (1 + r + r * r / 3)
        change = (slope + 2 * bend * ua) / 10
        change += local * (1 + r + r * r / 3) * log(common.local_per_10c) / 10
        change -= local * r / 3 * (1 + r) * sqrt(5) / _STEP_C * (1 if a > b else -1)
        return value, change

    def _taper(self, soil_c: float) -> tuple[float, float]:
        """Logarithm of the part of the rate left near where nothing came up, and its slope [1/°C]."""
        half = self._common.halved_c
        value = slope = 0.0
        for side in (-1, 1):
            gaps = [(t - soil_c) * side for t in self._never if (t - self._at[0]) * side > 0]
            if gaps:
                gap = max(1.0, min(gaps))
                value += log(gap / (gap + half))
                slope -= side * half / (gap * (gap + half))
        return value, slope


def _u(soil_c: float) -> float:
    return (soil_c - 20) / 10


def _log_of_rounded(days: float, rounding: float) -> tuple[float, float]:
    """Mean and variance of the logarithm of what is anywhere within `rounding` of `days`."""
    if rounding < 1e-3 * days:
        return log(days), rounding**2 / (3 * days**2)
    low, high = max(0.0, days - rounding), days + rounding
    log_low, log_high = log(low) if low else 0.0, log(high)
    mean = (high * log_high - low * log_low) / (high - low) - 1
    square = (high * (log_high**2 - 2 * log_high) - low * (log_low**2 - 2 * log_low)) / (high - low)
    return mean, max(0.0, square + 2 - mean**2)


def _polynomial(coefficients: Sequence[float], x: float) -> tuple[float, float]:
    """A polynomial of rising powers at x, and its slope there."""
    value = slope = 0.0
    for coefficient in reversed(coefficients):
        slope = slope * x + value
        value = value * x + coefficient
    return value, slope


def _cholesky(matrix: Sequence[Sequence[float]]) -> list[list[float]]:
    """The lower triangle, row by row, whose product with its transpose is the matrix."""
    factor: list[list[float]] = []
    for index, row in enumerate(matrix):
        mine: list[float] = []
        for other in range(index):
            above = factor[other]
            done = sum(a * b for a, b in zip(mine, above, strict=False))
            mine.append((row[other] - done) / above[other])
        mine.append(sqrt(row[index] - sum(a * a for a in mine)))
        factor.append(mine)
    return factor


def _forward(factor: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    solved: list[float] = []
    for row, value in zip(factor, right, strict=True):
        solved.append((value - sum(a * b for a, b in zip(row, solved, strict=False))) / row[-1])
    return solved


def _backward(factor: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    solved = list(right)
    for index in reversed(range(len(solved))):
        row = factor[index]
        solved[index] /= row[index]
        for other in range(index):
            solved[other] -= row[other] * solved[index]
    return solved


def _hermite(h: float, rise: float, m0: float, m1: float) -> tuple[float, float, float]:
    """The cubic from 0 that rises by `rise` over `h`, with slopes m0 and m1 at its ends: the
    coefficients of the first, second and third power."""
    secant = rise / h
    return m0, (3 * secant - 2 * m0 - m1) / h, (m0 + m1 - 2 * secant) / (h * h)


def _check(points: Sequence[tuple[float, float]], never: Sequence[float], rounding: float) -> None:
    if len(points) < 2:
        raise ValueError("days to emergence are needed at two temperatures or more")
    temperatures = [temperature for temperature, _ in points]
    if not all(map(isfinite, [*temperatures, *never])):
        raise ValueError("a temperature is not a finite number")
    for cooler, warmer in pairwise(temperatures):
        if not cooler < warmer:
            raise ValueError(f"{warmer:g} °C comes after {cooler:g} °C; allowed: rising order")
    for temperature, days in points:
        if not 0 < days <= LONGEST_DAYS:
            raise ValueError(
                f"{days:g} days at {temperature:g} °C; allowed: over 0, up to {LONGEST_DAYS:g}"
            )
    if not 0 <= rounding <= LONGEST_DAYS:
        raise ValueError(f"rounding by {rounding:g} days; allowed: 0 to {LONGEST_DAYS:g}")
    for temperature in never:
        if temperatures[0] <= temperature <= temperatures[-1]:
            raise ValueError(
                f"nothing comes up at {temperature:g} °C, yet something does at "
                f"{temperatures[0]:g} and {temperatures[-1]:g} °C"
            )
