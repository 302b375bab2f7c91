"""The shape of a crop profile: what it wants at each stage, each figure with its source.

Temperatures are °C and say what they are of: soil (what a mat can warm and a soil probe judges) or
air. `source` is a key of the bibliography (`profiles/data/sources.toml`).
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import Annotated, Literal, Self, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, Strict, model_validator

from profiles.emergence import EmergenceModel

#: The hottest soil [°C] a profile may steer to; the limit for hardware and fire is above it.
STEER_MAX_C = 32.0

_P = TypeVar("_P", bound=BaseModel)


def _within(low: float, high: float, unit: str) -> Callable[[_P], _P]:
    """A check that every number of a figure or span is in its range."""

    def check(part: _P) -> _P:
        for key in ("value", "low", "high"):
            number = getattr(part, key, low)
            if not low <= number <= high:
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

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


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


class Note(Part):
    """A sentence to act on, and where it comes from."""

    text: Annotated[str, Field(min_length=1)]
    source: Source


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
    soil_ceiling_c: the soil temperature at which this crop, at this stage, is being harmed.
    root_zone_floor_c: soil temperature that a mat keeps after emergence, where the crop wants one.
    air_day, air_night: air temperature while the lamp's hours run, and otherwise.
    mat: "soil-target" heats to `soil_best`; "floor" only keeps `root_zone_floor_c`; "off" never.
    dli: daily light integral, mol m-2 d-1.
    cover: whether the tray is under a cover.
    """

    photoperiod_h: Photoperiod | None = None
    soil_best: SoilTemperature | None = None
    soil_acceptable: SoilTemperature | None = None
    soil_ceiling_c: Annotated[Figure, AfterValidator(_within(5, 38, "°C"))]
    root_zone_floor_c: Annotated[Figure, AfterValidator(_within(5, 25, "°C"))] | None = None
    air_day: AirTemperature | None = None
    air_night: AirTemperature | None = None
    mat: Literal["soil-target", "floor", "off"]
    dli: Annotated[Span, AfterValidator(_within(0, 65, "mol m-2 d-1"))] | None = None
    cover: YesNo = False
    feed: Note
    water: Note

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
    stand_in: str = ""
    light_to_germinate: Flag
    depth_mm: Annotated[Span, AfterValidator(_within(0, 150, "mm"))]
    weeks_to_transplant: Annotated[Span, AfterValidator(_within(1, 52, "weeks"))]
    harden_min_night_c: Annotated[Figure, AfterValidator(_within(-10, 25, "°C"))]
    plant_out_weeks_from_last_frost: Annotated[Span, AfterValidator(_within(-30, 30, "weeks"))]
    outdoor_soil_min_c: Annotated[Figure, AfterValidator(_within(0, 30, "°C"))]
    stages: dict[Stage, StageTargets]

    @model_validator(mode="after")
    def _every_stage(self) -> Self:
        missing = [stage.value for stage in Stage if stage not in self.stages]
        if missing:
            raise ValueError(f"no targets for stage {', '.join(missing)}")
        germination = self.stages[Stage.GERMINATION]
        if germination.soil_best is None or germination.soil_acceptable is None:
            raise ValueError("stages.germination needs soil_best and soil_acceptable")
        return self


class CropFile(_CropFigures):
    """A crop as its file gives it: with the name of a row of the emergence table, or days of its own.

    emergence_days: goes before emergence_row.
    """

    emergence_row: str = ""
    emergence_days: EmergenceDays | None = None

    @model_validator(mode="after")
    def _has_days(self) -> Self:
        if not self.emergence_row and self.emergence_days is None:
            raise ValueError("emergence_row is missing; or give [emergence_days]")
        return self


class Crop(_CropFigures):
    """One crop's profile.

    code: two or three capitals that begin the batch codes on plant labels.
    aliases: other names that growers use for it.
    emergence_row: the row of the emergence table that this crop follows; `stand_in` says when it
        is another crop's, for want of one of its own. The crop's own name where its file gives days.
    emergence_source: where the days to emergence come from.
    """

    emergence_row: Annotated[str, Field(min_length=1)]
    emergence: EmergenceModel
    emergence_source: Source = "own"
