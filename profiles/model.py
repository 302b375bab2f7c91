"""The shape of a crop profile: what it wants at each stage, each figure with its source.

Temperatures are °C and say what they are of: soil (what a mat can warm and a soil probe judges) or
air. `source` is a key of the bibliography (`profiles/data/sources.toml`).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator
from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Literal, Self, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, Strict, model_validator

from profiles.emergence import EmergenceModel

#: The hottest soil [°C] a profile may steer to; the limit for hardware and fire is above it.
STEER_MAX_C = 32.0

_P = TypeVar("_P", bound=BaseModel)


def _within(low: float, high: float, unit: str) -> Callable[[_P], _P]:
    """A check that every number of a figure or span is in its range."""

    def check(part: _P) -> _P:
        for key, number in vars(part).items():
            if key in ("value", "low", "high") and not low <= number <= high:
                raise ValueError(
                    f"{key} = {number:g} is outside the allowed {low:g} to {high:g} {unit}"
                )
        return part

    return check


Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Hours = Annotated[Number, Field(ge=0, le=24)]
YesNo = Annotated[bool, Strict()]
Source = Annotated[
    str, Field(pattern=r"^[a-z0-9-]+$", description="small letters, digits and hyphens")
]


class Stage(StrEnum):
    """Where a batch is in its life under the lamps; a closed batch has left it."""

    GERMINATION = "germination"
    SEEDLING = "seedling"
    GROWING_ON = "growing-on"
    HOLDING = "holding"
    HARDENING = "hardening"


class Part(BaseModel):
    """A piece of a profile: frozen, and refuses keys that it does not know."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, arbitrary_types_allowed=True, defer_build=True
    )


class Citation(Part):
    """An entry of the bibliography.

    kind: "published"; "common-practice", a fact of the trade without a source; "memory", written
        down without a source at hand; "judgement", drawn from published figures that the citation
        names; "own", the grower's.
    """

    kind: Literal["published", "common-practice", "memory", "judgement", "own"]
    citation: Annotated[str, Field(min_length=1)]


class Figure(Part):
    """One number and where it comes from; the unit is in the key's name."""

    value: Number
    source: Source
    note: str = ""


class Span(Part):
    """A range, low to high, and where it comes from; the unit is in the key's name."""

    low: Number
    high: Number
    source: Source
    note: str = ""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.low > self.high:
            raise ValueError(f"low ({self.low:g}) is above high ({self.high:g})")
        return self


class Flag(Part):
    """Yes or no, and who says so."""

    value: YesNo
    source: Source
    note: str = ""


class LightNeed(Flag):
    """Whether seed is lit while it germinates; `only_helps` where it comes up in the dark too."""

    only_helps: YesNo = False

    @model_validator(mode="after")
    def _in_step(self) -> Self:
        if self.only_helps and not self.value:
            raise ValueError("only_helps = true needs value = true: light that helps is given")
        return self


class CellsPerTray(Part):
    """Cells in a tray of 10 x 20 inches: the usual count, and others that growers use."""

    usual: Annotated[int, Strict(), Field(ge=1, le=1000)]
    also: tuple[Annotated[int, Strict(), Field(ge=1, le=1000)], ...] = ()
    source: Source
    note: str = ""


class Note(Part):
    """A sentence to act on, and where it comes from."""

    text: Annotated[str, Field(min_length=1)]
    source: Source


_Days = Annotated[Span, AfterValidator(_within(0.5, 60, "days"))]


class Feed(Note):
    """What to feed, in words, and how often and how strong where that is regular.

    interval_days: days from one feed to the next; None where none falls due by itself.
    strength: of what the label says, 0.5 is half.
    """

    interval_days: _Days | None = None
    strength: Annotated[Number, Field(gt=0, le=1)] | None = None

    @model_validator(mode="after")
    def _has_strength(self) -> Self:
        if self.interval_days is not None and self.strength is None:
            raise ValueError("interval_days needs strength, the part of the label rate")
        return self


class Water(Note):
    """How to water, in words, and how long the stage's usual container lasts.

    interval_days: days from wet to dry, for the cells of `Crop.cells_per_tray`, from growing-on for
        the pot where the crop is potted on. A bench, a mix and a week differ: a time to look, no more.
    """

    interval_days: _Days | None = None


class LimitKind(StrEnum):
    """What goes wrong where a limit is overstepped."""

    BOLTING_AFTER_COLD = "bolting-after-cold"
    BOLTING_IN_LONG_DAYS = "bolting-in-long-days"
    BULBING = "bulbing"
    BUTTONING = "buttoning"
    CHILLING_INJURY = "chilling-injury"
    COLD_ROT = "cold-rot"
    THERMODORMANCY = "thermodormancy"


class Limit(Part):
    """What a crop may not be put through, and what it does to it. Exactly one bound is given.

    soil_below_c, soil_above_c, air_below_c: °C. photoperiod_above_h: hours of light in 24.
    hours: how long beyond the bound does the harm. Under a photoperiod the days count whole, so a
        week of too long days is 168; in the cold of nights only the hours of the nights.
    counted: "in a row", where a break starts it anew, or "in all".
    stages: in which it is watched for.
    consequence: a sentence.
    source: of the bound; the note says where `hours` comes from if from elsewhere.
    """

    soil_below_c: Annotated[Number, Field(ge=-5, le=30)] | None = None
    soil_above_c: Annotated[Number, Field(ge=5, le=40)] | None = None
    air_below_c: Annotated[Number, Field(ge=-10, le=25)] | None = None
    photoperiod_above_h: Hours | None = None
    hours: Annotated[Number, Field(ge=0, le=2400)]
    counted: Literal["in a row", "in all"]
    stages: Annotated[tuple[Stage, ...], Field(min_length=1)]
    consequence: Annotated[str, Field(min_length=1)]
    source: Source
    note: str = ""

    @model_validator(mode="after")
    def _one_bound(self) -> Self:
        given = [key for key in _BOUNDS if getattr(self, key) is not None]
        if len(given) != 1:
            raise ValueError(
                f"{' and '.join(given) or 'no bound'} given; allowed: one of {', '.join(_BOUNDS)}"
            )
        return self

    @property
    def key(self) -> str:
        """The name of the bound that is given, as in the file."""
        return next(key for key in _BOUNDS if getattr(self, key) is not None)

    @property
    def quantity(self) -> Literal["soil", "air", "photoperiod"]:
        """What is bounded: the temperature of the soil or the air, or the hours of light."""
        return _BOUNDS[self.key][0]

    @property
    def side(self) -> Literal["below", "above"]:
        """On which side of the bound the harm is."""
        return _BOUNDS[self.key][1]

    @property
    def bound(self) -> float:
        """The bound, in `unit`."""
        bound: float = getattr(self, self.key)
        return bound

    @property
    def unit(self) -> str:
        return _BOUNDS[self.key][2]

    def exceeded(self, value: float) -> bool:
        """Whether `value`, in `unit`, is beyond the bound; not-a-number is not."""
        return value < self.bound if self.side == "below" else value > self.bound


_BOUNDS: dict[str, tuple[Literal["soil", "air", "photoperiod"], Literal["below", "above"], str]] = {
    "soil_below_c": ("soil", "below", "°C"),
    "soil_above_c": ("soil", "above", "°C"),
    "air_below_c": ("air", "below", "°C"),
    "photoperiod_above_h": ("photoperiod", "above", "h"),
}
_BOUND_OF = {
    LimitKind.BOLTING_AFTER_COLD: "air_below_c",
    LimitKind.BOLTING_IN_LONG_DAYS: "photoperiod_above_h",
    LimitKind.BULBING: "photoperiod_above_h",
    LimitKind.BUTTONING: "air_below_c",
    LimitKind.CHILLING_INJURY: "air_below_c",
    LimitKind.COLD_ROT: "soil_below_c",
    LimitKind.THERMODORMANCY: "soil_above_c",
}


class Temperature(Part):
    """A range of temperature [°C], marked soil or air."""

    low: Number
    high: Number
    of: Literal["soil", "air"]
    source: Source
    note: str = ""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.low > self.high:
            raise ValueError(f"low ({self.low:g}) is above high ({self.high:g})")
        return self


class Photoperiod(Part):
    """Hours of light in 24: the best, inside what is acceptable on a shared bench.

    source: of `best`; the note says where `low` and `high` come from if from elsewhere.
    """

    low: Hours
    best: Hours
    high: Hours
    source: Source
    note: str = ""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.low <= self.best <= self.high:
            raise ValueError(
                f"best ({self.best:g} h) is not between low ({self.low:g}) and high ({self.high:g})"
            )
        return self


def _of_soil(span: Temperature) -> Temperature:
    if span.of != "soil":
        raise ValueError(f'of = "{span.of}"; allowed: "soil", for a germination figure is of soil')
    return span


def _of_air(span: Temperature) -> Temperature:
    if span.of != "air":
        raise ValueError(f'of = "{span.of}"; allowed: "air", for day and night figures are of air')
    return span


SoilTemperature = Annotated[
    Temperature, AfterValidator(_of_soil), AfterValidator(_within(0, STEER_MAX_C, "°C"))
]
AirTemperature = Annotated[
    Temperature, AfterValidator(_of_air), AfterValidator(_within(-10, 45, "°C"))
]


class StageTargets(Part):
    """What one stage asks for.

    photoperiod_h: hours of light in 24; None where no lamp is asked for (hardening is outdoors).
        In germination it is what the first seedling up needs, see `Crop.light_to_germinate`.
    soil_best, soil_acceptable: soil temperature steered to, and the range a shared bench must keep.
    soil_best_night: soil temperature steered to outside the lamp's hours, for seed that wants
        days warmer than nights to come up; None where the soil is kept even.
    soil_ceiling_c: the soil temperature at which this crop, at this stage, is being harmed.
    root_zone_floor_c: soil temperature that a mat keeps after emergence, where the crop wants one.
    air_day, air_night: air temperature while the lamp's hours run, and otherwise.
    mat: "soil-target" heats to `soil_best`; "floor" only keeps `root_zone_floor_c`; "off" never.
    dli: daily light integral, mol m-2 d-1.
    dif_c: mean air by day less mean air by night [°C] that keeps plants stocky; a larger one
        stretches them. None where there is no stem to stretch.
    cover: whether the tray is under a cover.
    """

    photoperiod_h: Photoperiod | None = None
    soil_best: SoilTemperature | None = None
    soil_best_night: SoilTemperature | None = None
    soil_acceptable: SoilTemperature | None = None
    soil_ceiling_c: Annotated[Figure, AfterValidator(_within(5, 38, "°C"))]
    root_zone_floor_c: Annotated[Figure, AfterValidator(_within(5, 25, "°C"))] | None = None
    air_day: AirTemperature | None = None
    air_night: AirTemperature | None = None
    mat: Literal["soil-target", "floor", "off"]
    dli: Annotated[Span, AfterValidator(_within(0, 65, "mol m-2 d-1"))] | None = None
    dif_c: Annotated[Span, AfterValidator(_within(-15, 15, "°C"))] | None = None
    cover: YesNo = False
    feed: Feed
    water: Water

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        problems = []
        best, acceptable, floor = self.soil_best, self.soil_acceptable, self.root_zone_floor_c
        ceiling = self.soil_ceiling_c.value
        if self.mat == "soil-target" and (best is None or acceptable is None):
            problems.append('mat = "soil-target" needs soil_best and soil_acceptable')
        if self.mat == "floor" and floor is None:
            problems.append('mat = "floor" needs root_zone_floor_c')
        if best and acceptable and not acceptable.low <= best.low <= best.high <= acceptable.high:
            problems.append(
                f"soil_best ({best.low:g} to {best.high:g} °C) is not inside soil_acceptable "
                f"({acceptable.low:g} to {acceptable.high:g} °C)"
            )
        if (night := self.soil_best_night) is not None:
            if best is None or acceptable is None:
                problems.append("soil_best_night needs soil_best and soil_acceptable")
            elif not acceptable.low <= night.low <= night.high <= acceptable.high:
                problems.append(
                    f"soil_best_night ({night.low:g} to {night.high:g} °C) is not inside "
                    f"soil_acceptable ({acceptable.low:g} to {acceptable.high:g} °C)"
                )
        if acceptable and acceptable.high >= ceiling:
            problems.append(
                f"soil_acceptable goes up to {acceptable.high:g} °C; allowed: under "
                f"soil_ceiling_c, {ceiling:g} °C"
            )
        if floor and floor.value >= ceiling:
            problems.append(
                f"root_zone_floor_c is {floor.value:g} °C; allowed: under "
                f"soil_ceiling_c, {ceiling:g} °C"
            )
        if problems:
            raise ValueError("; ".join(problems))
        return self


class EmergenceDays(Part):
    """A grower's own days to emergence, where the shipped table has no row that fits.

    days: pairs of soil temperature [°C] and days to emergence, in order of temperature.
    never: soil temperatures [°C] at which nothing came up.
    """

    days: tuple[tuple[Number, Number], ...]
    never: tuple[Number, ...] = ()
    source: Source
    note: str = ""

    @model_validator(mode="after")
    def _makes_a_model(self) -> Self:
        self.model()
        return self

    def model(self) -> EmergenceModel:
        return EmergenceModel(points=self.days, never=self.never)


class NormalSeedlings(Part):
    """Percent of normal seedlings over soil temperature, from a row of the published table.

    points: (constant soil temperature [°C], percent of the seeds sown), at least one over 0, the
        usable cells in order of temperature.

    A lot's own ceiling is not its temperature's doing, so percentages are told as parts of the row's
    best.
    """

    points: Annotated[
        tuple[tuple[Number, Annotated[Number, Field(ge=0, le=100)]], ...], Field(min_length=1)
    ]

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for (cooler, _), (warmer, _) in pairwise(self.points):
            if not cooler < warmer:
                raise ValueError(f"{warmer:g} °C comes after {cooler:g} °C; allowed: rising order")
        if not any(percent for _, percent in self.points):
            raise ValueError("no temperature gives a seedling; allowed: over 0 % at one or more")
        return self

    def percent(self, soil_c: float) -> float | None:
        """Percent of the row's best stand at a constant `soil_c`, in a straight line between the
        cells; None outside of them, where nobody tested."""
        at = [celsius for celsius, _ in self.points]
        if not at[0] <= soil_c <= at[-1]:
            return None
        best = max(percent for _, percent in self.points)
        index = bisect_left(at, soil_c)
        t1, p1 = self.points[index]
        if t1 == soil_c:
            return 100 * p1 / best
        t0, p0 = self.points[index - 1]
        return 100 * (p0 + (p1 - p0) * (soil_c - t0) / (t1 - t0)) / best


class _CropFigures(Part):
    """What a crop and its file have in common, see `Crop`."""

    name: Annotated[
        str,
        Field(
            pattern=r"^[a-z][a-z0-9-]*$",
            description="small letters, digits and hyphens, beginning with a letter",
        ),
    ]
    title: Annotated[str, Field(min_length=1)]
    code: Annotated[str, Field(pattern=r"^[A-Z]{2,3}$", description="two or three capitals")]
    aliases: tuple[Annotated[str, Field(min_length=1)], ...] = ()
    group: str = ""
    stand_in: str = ""
    light_to_germinate: LightNeed
    depth_mm: Annotated[Span, AfterValidator(_within(0, 150, "mm"))]
    cells_per_tray: CellsPerTray
    seeds_per_cell: Annotated[Span, AfterValidator(_within(1, 20, "seeds"))]
    plants_per_cell: Annotated[Figure, AfterValidator(_within(1, 20, "plants"))]
    thin_days_from_emergence: Annotated[Span, AfterValidator(_within(0, 90, "days"))]
    thinning: Note
    pot_cm: Annotated[Figure, AfterValidator(_within(3, 30, "cm"))] | None = None
    pot_on_weeks_from_emergence: Annotated[Span, AfterValidator(_within(0, 30, "weeks"))] | None = (
        None
    )
    weeks_to_transplant: Annotated[Span, AfterValidator(_within(1, 52, "weeks"))]
    harden_days: Annotated[Span, AfterValidator(_within(1, 30, "days"))]
    harden_min_night_c: Annotated[Figure, AfterValidator(_within(-10, 25, "°C"))]
    plant_out_weeks_from_last_frost: Annotated[Span, AfterValidator(_within(-30, 30, "weeks"))]
    outdoor_soil_min_c: Annotated[Figure, AfterValidator(_within(0, 30, "°C"))]
    weeks_to_harvest: Annotated[Span, AfterValidator(_within(1, 60, "weeks"))]
    germination_percent: Annotated[Figure, AfterValidator(_within(1, 100, "%"))]
    seed_life_years: Annotated[Figure, AfterValidator(_within(0.5, 20, "years"))]
    limits: dict[LimitKind, Limit] = {}
    stages: dict[Stage, StageTargets]

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        missing = [stage.value for stage in Stage if stage not in self.stages]
        if missing:
            raise ValueError(f"no targets for stage {', '.join(missing)}")
        germination = self.stages[Stage.GERMINATION]
        if germination.soil_best is None or germination.soil_acceptable is None:
            raise ValueError("stages.germination needs soil_best and soil_acceptable")
        problems = []
        if (self.pot_cm is None) != (self.pot_on_weeks_from_emergence is None):
            problems.append(
                "pot_cm and pot_on_weeks_from_emergence go together; allowed: both, or neither"
            )
        if self.plants_per_cell.value > self.seeds_per_cell.high:
            problems.append(
                f"plants_per_cell is {self.plants_per_cell.value:g}; allowed: at most the high of "
                f"seeds_per_cell, {self.seeds_per_cell.high:g}"
            )
        for kind, limit in self.limits.items():
            if limit.key != _BOUND_OF[kind]:
                problems.append(f"limits.{kind.value} has {limit.key}; allowed: {_BOUND_OF[kind]}")
                continue
            problems += [
                f"stages.{stage.value}.{line}; allowed: not {limit.side} "
                f"limits.{kind.value}.{limit.key}, {limit.bound:g} {limit.unit}"
                for stage in limit.stages
                for line in _oversteps(self.stages[stage], limit)
            ]
        if problems:
            raise ValueError("\n".join(problems))
        return self


def _oversteps(targets: StageTargets, limit: Limit) -> Iterator[str]:
    """Which of a stage's own targets would go beyond the limit."""
    span: Photoperiod | Temperature | None
    match limit.quantity:
        case "photoperiod":
            key, span = "photoperiod_h", targets.photoperiod_h
        case "soil":
            key, span = "soil_acceptable", targets.soil_acceptable
        case "air":
            # Cold air is not ruled out, for outdoors nobody chooses it: it is tallied.
            return
    if span is not None:
        end = span.low if limit.side == "below" else span.high
        if limit.exceeded(end):
            yield f"{key} goes {'down' if limit.side == 'below' else 'up'} to {end:g} {limit.unit}"


class CropFile(_CropFigures):
    """A crop as its file gives it: with the name of a row of the emergence table, or days of its own.

    emergence_days: goes before emergence_row.
    normal_seedlings_row: row of the table of normal seedlings, where that is another than
        emergence_row; "none" where no row fits.
    """

    emergence_row: str = ""
    emergence_days: EmergenceDays | None = None
    normal_seedlings_row: str = ""

    @model_validator(mode="after")
    def _has_days(self) -> Self:
        if not self.emergence_row and self.emergence_days is None:
            raise ValueError("emergence_row is missing; or give [emergence_days]")
        return self


class Crop(_CropFigures):
    """One crop's profile.

    code: two or three capitals that begin the batch codes on plant labels.
    aliases: other names that growers use for it.
    group: the file of shared figures that this crop's file was laid over.
    emergence_row: the row of the emergence table that this crop follows; `stand_in` says when it
        is another crop's, for want of one of its own. The crop's own name where its file gives days.
    emergence_source: where the days to emergence come from.
    normal_seedlings: see `normal_percent`; None where no row of the table fits.
    light_to_germinate: whether the lamp is on before the first seedling is up.
    depth_mm: of sowing.
    seeds_per_cell, plants_per_cell: sown, and left after thinning.
    thin_days_from_emergence, thinning: when and how to thin, or to prick out.
    pot_cm, pot_on_weeks_from_emergence: the pot it is moved to from its cell, and when; None where
        it stays in its cell until it is planted out.
    weeks_to_transplant: from sowing to planting out.
    harden_days: before planting out; harden_min_night_c: no colder a night meanwhile.
    plant_out_weeks_from_last_frost: negative is before it; outdoor_soil_min_c: nor in colder soil.
    weeks_to_harvest: from planting out to the first picking, as many before the first autumn frost.
    germination_percent: of a fresh packet, where neither it nor a test says more.
    seed_life_years: that seed keeps cool and dry, after which it is tested before it is sown.
    limits: what it may not be put through, by what comes of it.
    """

    emergence_row: Annotated[str, Field(min_length=1)]
    emergence: EmergenceModel
    emergence_source: Source = "own"
    normal_seedlings_row: str = ""
    normal_seedlings: NormalSeedlings | None = None
    normal_seedlings_source: Source = "own"

    def normal_percent(self, soil_c: float) -> float | None:
        """Percent of normal seedlings at a constant `soil_c` [°C], 100 at the crop's best; None where
        nobody tested. Cells in conflict are settled in profiles/data/README.md."""
        return self.normal_seedlings.percent(soil_c) if self.normal_seedlings else None

    def sourced(self) -> Iterator[tuple[str, Part]]:
        """Every part that has a source, with its dotted place: all that a list of figures must show.

        The tables of emergence are not among them, see `emergence_source`.
        """
        return _sourced(self, "")


def _sourced(part: Part, place: str) -> Iterator[tuple[str, Part]]:
    if place and "source" in type(part).model_fields:
        yield place, part
    for key, value in part:
        here = f"{place}.{key}" if place else key
        if isinstance(value, Part):
            yield from _sourced(value, here)
        elif isinstance(value, dict):
            for name, inner in value.items():
                yield from _sourced(inner, f"{here}.{name.value}")
