"""Light: what a meter's reading means, how much of it a plant gets in a day, and where to hang a lamp.

The daily light integral is DLI [mol m-2 d-1] = PPFD [µmol m-2 s-1] x hours x 3600 / 1e6, so
1 µmol m-2 s-1 for 24 h is 0.0864 (A. P. Torres and R. G. Lopez, Measuring Daily Light Integral in a
Greenhouse, Purdue Extension HO-238-W).

A fixture over a bench is as wide as its distance to the leaves, so inverse square, a law of points,
does not hold there. PPFD at a point follows from the fixture's geometry in closed form, as if the
lamp hung in the dark: a reflecting wall or tent makes the light fall off more slowly than told here.
How strong the lamp is comes from one reading at a known height, which takes in its reflector, its
age and the dust on it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from math import atan, ceil, hypot, pi
from statistics import linear_regression

from profiles.bounds import check, check_over_0, check_whole
from profiles.units import TRAY_MM

_MOL_PER_UMOL_HOUR = 3600 / 1e6
#: Lumens a square foot to lux: the international foot is 0.3048 m.
LUX_PER_FOOTCANDLE = 1 / 0.3048**2

#: To show wherever a person is told to move a lamp.
LAMP_CAUTION = (
    "Switch the lamp off and unplug it before you move it. Hang it by a chain or cord made for its "
    "weight, keep it and its plugs out of the spray, and its flex in a drip loop. Fixed wiring by "
    "local code and a licensed electrician."
)


def dli(ppfd: float, hours: float) -> float:
    """DLI [mol m-2 d-1] of `hours` a day at a steady `ppfd` [µmol m-2 s-1].

    Raises ValueError for a negative PPFD or hours outside 0 to 24.
    """
    if not ppfd >= 0:
        raise ValueError(f"PPFD is {ppfd:g} µmol m-2 s-1; allowed: 0 or more")
    if not 0 <= hours <= 24:
        raise ValueError(f"hours of light are {hours:g}; allowed: 0 to 24")
    return ppfd * hours * _MOL_PER_UMOL_HOUR


def ppfd_for_dli(dli: float, hours: float) -> float:
    """The steady PPFD [µmol m-2 s-1] that gives `dli` [mol m-2 d-1] in `hours` a day.

    Raises ValueError for a negative DLI or hours not over 0 and up to 24.
    """
    if not dli >= 0:
        raise ValueError(f"DLI is {dli:g} mol m-2 d-1; allowed: 0 or more")
    if not 0 < hours <= 24:
        raise ValueError(f"hours of light are {hours:g}; allowed: over 0, up to 24")
    return dli / (hours * _MOL_PER_UMOL_HOUR)


def hours_for_dli(dli: float, ppfd: float) -> float:
    """The hours a day that a steady `ppfd` [µmol m-2 s-1] takes to give `dli` [mol m-2 d-1].

    Over 24 where so weak a light cannot give it in a day. Raises ValueError for a negative DLI or a
    PPFD not over 0.
    """
    if not dli >= 0:
        raise ValueError(f"DLI is {dli:g} mol m-2 d-1; allowed: 0 or more")
    if not ppfd > 0:
        raise ValueError(f"PPFD is {ppfd:g} µmol m-2 s-1; allowed: over 0")
    return dli / (ppfd * _MOL_PER_UMOL_HOUR)


# A reading in lux or foot-candles


class LightKind(StrEnum):
    """What gives the light that a meter reads."""

    SUN = "sun"
    COOL_WHITE_FLUORESCENT = "cool-white-fluorescent"
    METAL_HALIDE = "metal-halide"
    HIGH_PRESSURE_SODIUM = "high-pressure-sodium"
    INCANDESCENT = "incandescent"
    WHITE_LED = "white-led"
    RED_BLUE_LED = "red-blue-led"


@dataclass(frozen=True, slots=True)
class LuxPerPpfd:
    """How many lux go with 1 µmol m-2 s-1 of one kind of light (400 to 700 nm).

    value: [lux per µmol m-2 s-1].
    low, high: between what lamps of this kind lie; both are `value` where the source gives one figure.
    source: a key of the bibliography; `note` says what it is drawn from.
    """

    value: float
    low: float
    high: float
    source: str
    note: str = ""


def _thimijan_heins(value: float) -> LuxPerPpfd:
    return LuxPerPpfd(value, value, value, "thimijan-heins-1983")


#: R. W. Thimijan and R. D. Heins, Photometric, Radiometric, and Quantum Light Units of Measure,
#: HortScience 18(6):818-822, 1983. White LEDs came later: their figure is drawn from the spectra of
#: CIE 015:2018, Colorimetry, whose other lamps give Thimijan and Heins' figures within 4 %.
LUX_PER_PPFD: dict[LightKind, LuxPerPpfd] = {
    LightKind.SUN: _thimijan_heins(54),
    LightKind.COOL_WHITE_FLUORESCENT: _thimijan_heins(74),
    LightKind.METAL_HALIDE: _thimijan_heins(71),
    LightKind.HIGH_PRESSURE_SODIUM: _thimijan_heins(82),
    LightKind.INCANDESCENT: _thimijan_heins(50),
    LightKind.WHITE_LED: LuxPerPpfd(
        69,
        58,
        74,
        "cie-015-2018",
        "the mean of illuminants LED-B1 to LED-B5, worked out from their spectra (67 to 72); the "
        "range, for lamps of other colour rendering, is from memory",
    ),
}


@dataclass(frozen=True, slots=True)
class PpfdReading:
    """PPFD [µmol m-2 s-1] from a lux meter's reading, `low` to `high` as lamps of the kind differ.

    A hand-held meter's own error, 5 to 10 % (common practice, no source), comes on top.
    """

    value: float
    low: float
    high: float
    basis: LuxPerPpfd


def ppfd_from_lux(lux: float, kind: LightKind) -> PpfdReading:
    """PPFD from a reading in lux, for the kind of light that was read.

    Raises ValueError for a negative reading, and for red and blue lamps: a lux meter sees green,
    and gives next to nothing for light that a plant uses well.
    """
    check("reading", lux, 0, 200_000, "lux")
    basis = LUX_PER_PPFD.get(kind)
    if basis is None:
        known = ", ".join(LUX_PER_PPFD)
        raise ValueError(
            f"lux say nothing about a {kind} lamp, for a lux meter hardly sees red and blue: take a "
            f"reading in µmol m-2 s-1, or the maker's PPFD; allowed: {known}"
        )
    return PpfdReading(lux / basis.value, lux / basis.high, lux / basis.low, basis)


def ppfd_from_footcandles(footcandles: float, kind: LightKind) -> PpfdReading:
    """PPFD from a reading in foot-candles; see `ppfd_from_lux`."""
    check("reading", footcandles, 0, 200_000 / LUX_PER_FOOTCANDLE, "foot-candles")
    return ppfd_from_lux(footcandles * LUX_PER_FOOTCANDLE, kind)


# The fixture's geometry


@dataclass(frozen=True, slots=True)
class Tubes:
    """Parallel tubes in one plane, each a line that emits by Lambert's cosine law.

    count: 1 to 24; length_m: of the part that shines; spacing_m: from one tube's middle to the next.
    downward: False for a round tube, which shines all round (fluorescent); True for a flat strip
        that faces down (an LED tube, a bar), whose light falls off towards its sides as well.
    closest_m: the least distance to the leaves (2 inches: Utah State University Extension,
        Transplant Production, has 2 to 3 inches for cool white fluorescent tubes).
    """

    count: int
    length_m: float
    spacing_m: float = 0.0
    downward: bool = False
    closest_m: float = 0.05

    def __post_init__(self) -> None:
        check_whole("number of tubes", self.count, 1, 24)
        check("length of a tube", self.length_m, 0.1, 5, "m")
        if self.count > 1:
            check("spacing of the tubes", self.spacing_m, 0.01, 2, "m")
        check("closest distance", self.closest_m, 0.02, 2, "m")

    def factor(self, height_m: float, along_m: float = 0.0, across_m: float = 0.0) -> float:
        """PPFD at a level point for 1 µmol s-1 m-1 sr-1 of each tube square to its axis, in 1/m.

        height_m: from the leaves up to the tubes; along_m, across_m: from below the fixture's
        middle, along the tubes and across them.

        With d the point's distance from the tube's line and s along it, a round tube gives the
        integral of h d / (d² + s²)² ds over its length, a flat strip h/d of that.
        """
        half = self.length_m / 2
        middle = (self.count - 1) / 2
        total = 0.0
        for number in range(self.count):
            d = hypot(across_m - (number - middle) * self.spacing_m, height_m)
            ends = _line(half - along_m, d) + _line(half + along_m, d)
            total += ends * height_m / d * (height_m / d if self.downward else 1.0)
        return total


def _line(s: float, d: float) -> float:
    """The integral of d² / (d² + s²)² ds from 0 to s; odd in s."""
    return (s / (d * d + s * s) + atan(s / d) / d) / 2


@dataclass(frozen=True, slots=True)
class Panel:
    """A flat rectangle that shines evenly over its face, by Lambert's cosine law.

    length_m, width_m: of the face. closest_m: the least distance to the leaves (from memory; the
    maker's figure goes before it).
    """

    length_m: float
    width_m: float
    closest_m: float = 0.2

    def __post_init__(self) -> None:
        check("length of the panel", self.length_m, 0.05, 5, "m")
        check("width of the panel", self.width_m, 0.01, 5, "m")
        check("closest distance", self.closest_m, 0.02, 2, "m")

    def factor(self, height_m: float, along_m: float = 0.0, across_m: float = 0.0) -> float:
        """PPFD at a level point over the PPFD close against the panel: the configuration factor of
        a rectangle parallel to a small surface, 0 to 1.

        Arguments as for `Tubes.factor`. The closed form is the textbooks' (D. C. Hamilton and
        W. R. Morgan, Radiant-Interchange Configuration Factors, NACA Technical Note 2836, 1952).
        """
        a, b = self.length_m / 2, self.width_m / 2
        return sum(
            _corner((a + end * along_m) / height_m, (b + side * across_m) / height_m)
            for end in (-1, 1)
            for side in (-1, 1)
        )


def _corner(x: float, y: float) -> float:
    """Configuration factor of a rectangle x by y heights, from a point below its corner; odd in both."""
    u, v = hypot(1.0, x), hypot(1.0, y)
    return (x / u * atan(y / u) + y / v * atan(x / v)) / (2 * pi)


Fixture = Tubes | Panel


@dataclass(frozen=True, slots=True)
class Bed:
    """The patch of leaves below a lamp: one tray, or all that stand under it.

    length_m, width_m: along the fixture's length and across it; the defaults are those of one tray
    of 10 x 20 inch, as it measures outside (common practice, no source).
    along_m, across_m: how far its middle is from below the fixture's.
    """

    length_m: float = TRAY_MM[0] / 1000
    width_m: float = TRAY_MM[1] / 1000
    along_m: float = 0.0
    across_m: float = 0.0

    def __post_init__(self) -> None:
        check("length of the bed", self.length_m, 0.05, 5, "m")
        check("width of the bed", self.width_m, 0.05, 5, "m")
        check("offset along the lamp", self.along_m, -5, 5, "m")
        check("offset across the lamp", self.across_m, -5, 5, "m")

    def points(self) -> list[tuple[float, float]]:
        """(along, across) [m] of an even grid, at most 46 mm apart: the cells of a tray of 72."""
        return [
            (x, y)
            for x in _middles(self.length_m, self.along_m)
            for y in _middles(self.width_m, self.across_m)
        ]


def _middles(length: float, offset: float) -> list[float]:
    count = ceil(length / 0.046)
    return [offset + length * ((number + 0.5) / count - 0.5) for number in range(count)]


@dataclass(frozen=True, slots=True)
class BedLight:
    """PPFD [µmol m-2 s-1] over a bed: its mean, and the least and most lit of its points."""

    mean: float
    least: float
    most: float

    @property
    def uniformity(self) -> float:
        """Least over mean, 0 to 1: the uniformity of EN 12464-1, here of PPFD."""
        return self.least / self.mean


@dataclass(frozen=True, slots=True)
class Lamp:
    """A fixture whose strength is known; see `calibrate`.

    strength: PPFD [µmol m-2 s-1] for a `factor` of 1.
    """

    fixture: Fixture
    strength: float

    def __post_init__(self) -> None:
        check_over_0("strength of the lamp", self.strength, "µmol m-2 s-1")

    def ppfd(self, height_m: float, along_m: float = 0.0, across_m: float = 0.0) -> float:
        """PPFD [µmol m-2 s-1] at `height_m` below the lamp, off its middle by the other two [m].

        Raises ValueError for a height outside 0.02 to 5 m.
        """
        check("height of the lamp", height_m, 0.02, 5, "m")
        return self.strength * self.fixture.factor(height_m, along_m, across_m)

    def over(self, bed: Bed, height_m: float) -> BedLight:
        """PPFD over the bed with the lamp `height_m` over the leaves; raises as `ppfd` does."""
        light = [self.ppfd(height_m, x, y) for x, y in bed.points()]
        return BedLight(sum(light) / len(light), min(light), max(light))


def calibrate(
    fixture: Fixture,
    ppfd: float,
    height_m: float,
    along_m: float = 0.0,
    across_m: float = 0.0,
) -> Lamp:
    """The lamp that gives the reading `ppfd` [µmol m-2 s-1] at that place below it.

    height_m: from the meter up to the lamp; along_m, across_m: off the lamp's middle [m].
    Raises ValueError for a reading not over 0 and up to 5000, or a height outside 0.02 to 5 m.
    """
    if not 0 < ppfd <= 5000:
        raise ValueError(f"PPFD is {ppfd:g} µmol m-2 s-1; allowed: over 0, up to 5000")
    return Lamp(fixture, ppfd / Lamp(fixture, 1.0).ppfd(height_m, along_m, across_m))


# Height and hours that meet a stage's light


@dataclass(frozen=True, slots=True)
class LampSetting:
    """A height and hours, what they give, and whether that is enough.

    height_m: from the leaves up to the lamp. dli: of the bed's mean [mol m-2 d-1]; above the
    asked-for figure where the highest lamp or the shortest day still gives more.
    problem: why the asked-for figure is out of reach, and the best that is; empty when it is met.
    """

    height_m: float
    hours: float
    light: BedLight
    dli: float
    problem: str = ""

    @property
    def reached(self) -> bool:
        return not self.problem

    @property
    def least_dli(self) -> float:
        """DLI [mol m-2 d-1] of the bed's least lit point."""
        return dli(self.light.least, self.hours)


def height_for_dli(
    lamp: Lamp, bed: Bed, dli: float, hours: float, *, highest_m: float = 1.0
) -> LampSetting:
    """The greatest height that gives the bed `dli` [mol m-2 d-1] on average in `hours` a day.

    The greatest, for light is more even from higher up; between the fixture's closest distance and
    `highest_m`. Where none gives it, the brightest height and a `problem`. Raises ValueError for a
    DLI not over 0, hours outside 0 to 24, or a `highest_m` not over the closest distance, up to 5 m.
    """
    closest = lamp.fixture.closest_m
    check("highest place of the lamp", highest_m, closest, 5, "m")
    check_over_0("DLI", dli, "mol m-2 d-1")
    wanted = ppfd_for_dli(dli, hours)

    def mean(height_m: float) -> float:
        return lamp.over(bed, height_m).mean

    # Where tubes hang beside the bed the light first rises with height, so the last fall through
    # the wanted PPFD is looked for before it is closed in on.
    steps = 48
    heights = [closest * (highest_m / closest) ** (n / steps) for n in range(steps)] + [highest_m]
    means = [mean(height) for height in heights]
    enough = [n for n, found in enumerate(means) if found >= wanted]
    if not enough:
        n = means.index(max(means))
        best = _brightest(mean, heights[max(0, n - 1)], heights[min(steps, n + 1)])
        if mean(best) < wanted:
            return _setting(lamp, bed, best, hours, dli, "longer days, more lamps or stronger ones")
        low, high = best, heights[min(steps, n + 1)]
    elif enough[-1] == steps:
        return _setting(lamp, bed, highest_m, hours)
    else:
        low, high = heights[enough[-1]], heights[enough[-1] + 1]
    while high - low > 1e-6:
        middle = (low + high) / 2
        low, high = (middle, high) if mean(middle) >= wanted else (low, middle)
    return _setting(lamp, bed, low, hours)


def lamp_hours(
    lamp: Lamp,
    bed: Bed,
    dli: float,
    height_m: float,
    *,
    shortest_h: float = 0.0,
    longest_h: float = 24.0,
) -> LampSetting:
    """The hours a day that give the bed `dli` [mol m-2 d-1] on average from `height_m`.

    Between `shortest_h` and `longest_h`, the photoperiods that the stage allows; where even the
    longest gives less, that and a `problem`. Raises ValueError for a DLI not over 0, a height
    outside 0.02 to 5 m, or hours out of order or outside 0 to 24.
    """
    check_over_0("DLI", dli, "mol m-2 d-1")
    check("longest day", longest_h, 0, 24, "h")
    check("shortest day", shortest_h, 0, longest_h, "h")
    needed = hours_for_dli(dli, lamp.over(bed, height_m).mean)
    if needed > longest_h:
        return _setting(
            lamp, bed, height_m, longest_h, dli, "a lower lamp, more lamps or stronger ones"
        )
    return _setting(lamp, bed, height_m, max(needed, shortest_h))


def _setting(
    lamp: Lamp, bed: Bed, height_m: float, hours: float, wanted: float = 0.0, remedy: str = ""
) -> LampSetting:
    light = lamp.over(bed, height_m)
    given = dli(light.mean, hours)
    problem = (
        f"{wanted:g} mol m-2 d-1 is out of reach: the most from there is {given:.1f}, "
        f"in {hours:g} h; {remedy} would help"
        if remedy
        else ""
    )
    return LampSetting(height_m, hours, light, given, problem)


def _brightest(mean: Callable[[float], float], low: float, high: float) -> float:
    """Where `mean` is greatest between two heights [m], of which it has one peak."""
    while high - low > 1e-6:
        third = (high - low) / 3
        if mean(low + third) < mean(high - third):
            low += third
        else:
            high -= third
    return low


# As the plants grow towards the lamp

#: How long [days] records tell how fast plants grow now.
_GROWTH_DAYS = 14


@dataclass(frozen=True, slots=True)
class LampRaise:
    """When to raise a lamp, and to where.

    gap_m: between leaves and lamp on the day asked about, by the records and the growth since.
    growth_m_per_day: how fast the plants grow; None where fewer than two records tell.
    due: the day by which the leaves are as near as is allowed; None where growth is not known, or
        is none.
    lamp_m: over the mix, to have the wanted gap again on that day (on the day asked about if `due`
        is None or past).
    """

    gap_m: float
    growth_m_per_day: float | None
    due: date | None
    lamp_m: float


def next_raise(
    records: Sequence[tuple[date, float]],
    lamp_m: float,
    gap_m: float,
    *,
    on: date,
    least_gap_m: float | None = None,
) -> LampRaise:
    """When plants of the recorded heights have grown too near a lamp that is to stay `gap_m` over them.

    records: (date, plant height over the mix [m]), in any order, at least one, none after `on`;
        growth is the straight line through those of the fortnight before the last.
    lamp_m: the lamp's height over the mix. least_gap_m: how near the leaves may come; three quarters
        of `gap_m` if not given.

    Raises ValueError for no records, one after `on`, or heights and gaps that are out of range.
    """
    if not records:
        raise ValueError("no plant height is recorded; allowed: one record or more")
    check("height of the lamp", lamp_m, 0.02, 5, "m")
    check("gap to the lamp", gap_m, 0.02, 2, "m")
    least = 0.75 * gap_m if least_gap_m is None else least_gap_m
    check("least gap to the lamp", least, 0, gap_m, "m")
    for day, height in records:
        check(f"plant height on {day}", height, 0, 5, "m")
        if day > on:
            raise ValueError(f"a plant height is recorded on {day}; allowed: up to {on}")
    records = sorted(records)
    last, height = records[-1]
    recent = [(day, h) for day, h in records if (last - day).days <= _GROWTH_DAYS]
    growth = None
    if len({day for day, _ in recent}) > 1:
        line = linear_regression([(day - last).days for day, _ in recent], [h for _, h in recent])
        growth = max(0.0, line.slope)
        height = max(height, line.intercept)
    height_on = height + (growth or 0.0) * (on - last).days
    due, height_due = None, height_on
    if lamp_m - height_on <= least:
        due = on
    elif growth:
        # A day that no calendar has is as good as never. Rounded, for 0.03 / 0.002 is over 15 to a float.
        days = ceil(round((lamp_m - least - height_on) / growth, 9))
        if days <= 366:
            due = on + timedelta(days)
            height_due = height_on + growth * days
    return LampRaise(lamp_m - height_on, growth, due, height_due + gap_m)
