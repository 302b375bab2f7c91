"""How fast a crop comes up at a soil temperature: a rate that is integrated over what was measured.

Progress is the integral of `EmergenceModel.rate` over the soil temperature since sowing: 1 is the
day of emergence by the table. Each row of the table (J. F. Harrington and P. A. Minges, Vegetable
Seed Germination, 1954) becomes a model:

- At a tested temperature the rate is one over the row's days, exactly.
- Between two tested temperatures the logarithm of the rate follows a shape-preserving cubic
  (F. N. Fritsch and R. E. Carlson, SIAM J. Numer. Anal. 17(2):238-246, 1980, with the weighted
  harmonic mean of slopes of F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput.
  5(2):300-304, 1984): no dip or hump that the row does not have, and never 0.
- Below the coldest and above the hottest of them the rate falls in a straight line to 0, at the
  nearest of: a temperature where nothing came up; where the line through the last two tested rates
  meets 0 (on the cold side the base of thermal time); 10 °C further, where nothing is known.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, isfinite, log

#: How far [°C] beyond the last tested temperature a rate is believed, if nothing says less.
_REACH_C = 10.0
#: A wait beyond this is not called an emergence; the longest in the table is 172 days.
_LONGEST_DAYS = 365.0
#: The table's days are whole numbers: 2 may have been 1.5 or 2.5.
_ROUNDING_DAYS = 0.5
#: Part of the days to emergence after which the first seedlings may be up (common practice, no source).
FIRST_UP = 0.75
#: Multiple of the table's days by which a real tray, cooler and deeper in places and of older seed, is
#: up or in trouble (common practice, no source).
LAST_UP = 1.75


class _Pieces:
    """What `EmergenceModel` works out once; no field, so neither compared, shown nor dumped.

    _knots: temperatures [°C] where the rate's formula changes, from its zero in the cold to that in
        the heat.
    _pieces: for each knot but the last, the rate there and coefficients in rising powers of the °C
        above it: of the rate itself in the first and last piece, elsewhere of the logarithm of its
        ratio to the rate at the knot.
    """

    __slots__ = ("_knots", "_pieces")
    _knots: tuple[float, ...]
    _pieces: tuple[tuple[float, float, float, float], ...]


@dataclass(frozen=True, slots=True)
class EmergenceModel(_Pieces):
    """Rate of emergence over soil temperature, from a row of the published days-to-emergence table.

    points: (soil temperature [°C], days to emergence), at least two, the tested cells in order of
        temperature.
    never: soil temperatures [°C] tested at which nothing came up, each below or above all points.

    Raises ValueError for points or temperatures that are not so.
    """

    points: tuple[tuple[float, float], ...]
    never: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        temperatures = [float(temperature) for temperature, _ in self.points]
        days = [float(day) for _, day in self.points]
        _check(temperatures, days, self.never)
        rates = [1 / day for day in days]
        logs = [-log(day) for day in days]
        slopes = _slopes(temperatures, logs)
        pieces = [
            (rate, *_hermite(t1 - t0, y1 - y0, m0, m1))
            for rate, (t0, t1), (y0, y1), (m0, m1) in zip(
                rates[:-1], pairwise(temperatures), pairwise(logs), pairwise(slopes), strict=True
            )
        ]
        coldest, hottest = temperatures[0], temperatures[-1]
        reach_down = _reach(
            rates[0],
            (rates[1] - rates[0]) / (temperatures[1] - coldest),
            [coldest - cold for cold in self.never if cold < coldest],
        )
        reach_up = _reach(
            rates[-1],
            (rates[-2] - rates[-1]) / (hottest - temperatures[-2]),
            [hot - hottest for hot in self.never if hot > hottest],
        )
        first = (0.0, rates[0] / reach_down, 0.0, 0.0)
        last = (rates[-1], -rates[-1] / reach_up, 0.0, 0.0)
        knots = (coldest - reach_down, *temperatures, hottest + reach_up)
        object.__setattr__(self, "_knots", knots)
        object.__setattr__(self, "_pieces", (first, *pieces, last))

    def __reduce__(self) -> tuple[type[EmergenceModel], tuple[object, ...]]:
        return EmergenceModel, (self.points, self.never)

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

    def days(self, soil_c: float) -> float | None:
        """Days to emergence at a constant `soil_c`; None where it never comes up, or in a year."""
        rate = self.rate(soil_c)
        return 1 / rate if rate * _LONGEST_DAYS >= 1 else None


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


def may_be_up(progress: float, elapsed_days: float) -> bool:
    """Whether the first seedling of a batch may be up, `elapsed_days` after sowing.

    progress: the integral of the rate over those days; the early edge follows from their ratio.
    """
    return progress > 0 and progress >= early_fraction(elapsed_days / progress)


def _check(temperatures: list[float], days: list[float], never: tuple[float, ...]) -> None:
    if len(temperatures) < 2:
        raise ValueError("days to emergence are needed at two temperatures or more")
    if not all(map(isfinite, [*temperatures, *never])):
        raise ValueError("a temperature is not a finite number")
    for cooler, warmer in pairwise(temperatures):
        if not cooler < warmer:
            raise ValueError(f"{warmer:g} °C comes after {cooler:g} °C; allowed: rising order")
    for temperature, day in zip(temperatures, days, strict=True):
        if not 0 < day <= _LONGEST_DAYS:
            raise ValueError(
                f"{day:g} days at {temperature:g} °C; allowed: over 0, up to {_LONGEST_DAYS:g}"
            )
    for temperature in never:
        if temperatures[0] <= temperature <= temperatures[-1]:
            raise ValueError(
                f"nothing comes up at {temperature:g} °C, yet something does at "
                f"{temperatures[0]:g} and {temperatures[-1]:g} °C"
            )


def _reach(rate: float, fall_per_c: float, never: list[float]) -> float:
    """How far [°C] beyond the last tested temperature the rate meets 0; see the module's text."""
    thermal_time = rate / fall_per_c if fall_per_c > 0 else _REACH_C
    return min([_REACH_C, thermal_time, *never])


def _slopes(x: Sequence[float], y: Sequence[float]) -> list[float]:
    """Slopes dy/dx at each point that let no cubic between two points leave their range."""
    steps = [x1 - x0 for x0, x1 in pairwise(x)]
    secants = [(y1 - y0) / h for (y0, y1), h in zip(pairwise(y), steps, strict=True)]
    if len(secants) == 1:
        return [secants[0], secants[0]]
    inner = []
    for (h0, h1), (s0, s1) in zip(pairwise(steps), pairwise(secants), strict=True):
        w0, w1 = 2 * h1 + h0, h1 + 2 * h0
        inner.append((w0 + w1) / (w0 / s0 + w1 / s1) if s0 * s1 > 0 else 0.0)
    first = _end_slope(steps[0], steps[1], secants[0], secants[1])
    last = _end_slope(steps[-1], steps[-2], secants[-1], secants[-2])
    return [first, *inner, last]


def _end_slope(h0: float, h1: float, s0: float, s1: float) -> float:
    """Slope at an end, by the parabola through the three points there, held to shape."""
    slope = ((2 * h0 + h1) * s0 - h0 * s1) / (h0 + h1)
    if slope * s0 <= 0:
        return 0.0
    if s0 * s1 < 0 and abs(slope) > 3 * abs(s0):
        return 3 * s0
    return slope


def _hermite(h: float, rise: float, m0: float, m1: float) -> tuple[float, float, float]:
    """The cubic from 0 that rises by `rise` over `h`, with slopes m0 and m1 at its ends: the
    coefficients of the first, second and third power."""
    secant = rise / h
    return m0, (3 * secant - 2 * m0 - m1) / h, (m0 + m1 - 2 * secant) / (h * h)
