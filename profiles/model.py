"""The shape of a crop profile: what it wants at each stage, each figure with its source.

Temperatures are °C and say what they are of: soil (what a mat can warm and a soil probe judges) or
air. `source` is a key of the bibliography (`profiles/data/sources.toml`).
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from profiles.emergence import EmergenceModel

Celsius = Annotated[float, Field(ge=-10, le=45, allow_inf_nan=False)]
Hours = Annotated[float, Field(ge=0, le=24, allow_inf_nan=False)]
Source = Annotated[str, Field(min_length=1, pattern=r"^[a-z0-9-]+$")]


class Stage(StrEnum):
    """Where a batch is in its life under the lamps; a closed batch has left it."""

    GERMINATION = "germination"
    SEEDLING = "seedling"
    GROWING_ON = "growing-on"
    HOLDING = "holding"
    HARDENING = "hardening"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


class Figure(_Part):
    """One number and where it comes from; the unit is in the key's name."""

    value: Annotated[float, Field(allow_inf_nan=False)]
    source: Source
    note: str = ""


class Span(_Part):
    """A range, low to high, and where it comes from; the unit is in the key's name."""

    low: Annotated[float, Field(allow_inf_nan=False)]
    high: Annotated[float, Field(allow_inf_nan=False)]
    source: Source
    note: str = ""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.low > self.high:
            raise ValueError(f"low ({self.low:g}) is above high ({self.high:g})")
        return self


class Flag(_Part):
    """Yes or no, and who says so."""

    value: bool
    source: Source
    note: str = ""


class Note(_Part):
    """A sentence to act on, and where it comes from."""

    text: Annotated[str, Field(min_length=1)]
    source: Source


class Temperature(_Part):
    """A range of temperature [°C], marked soil or air."""

    low: Celsius
    high: Celsius
    of: Literal["soil", "air"]
    source: Source
    note: str = ""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.low > self.high:
            raise ValueError(f"low ({self.low:g}) is above high ({self.high:g})")
        return self


class Photoperiod(_Part):
    """Hours of light in 24: the best, inside what is acceptable on a shared bench."""

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


class StageTargets(_Part):
    """What one stage asks for.

    photoperiod_h: hours of light in 24; None where no lamp is asked for (hardening is outdoors).
        In germination it is what the first seedling up needs, see `Crop.light_to_germinate`.
    soil_best, soil_acceptable: soil temperature steered to, and the range a shared bench must stay in.
    soil_ceiling_c: the soil temperature at which this crop, at this stage, is being harmed.
    air_day, air_night: air temperature while the lamp's hours run, and otherwise.
    mat: "soil-target" heats to `soil_best`; "floor" only keeps `root_zone_floor_c`; "off" never.
    dli: daily light integral, mol m-2 d-1.
    cover: whether the tray is under a cover.
    """

    photoperiod_h: Photoperiod | None = None
    soil_best: Temperature | None = None
    soil_acceptable: Temperature | None = None
    soil_ceiling_c: Figure
    root_zone_floor_c: Figure | None = None
    air_day: Temperature | None = None
    air_night: Temperature | None = None
    mat: Literal["soil-target", "floor", "off"]
    dli: Span | None = None
    cover: bool = False
    feed: Note
    water: Note

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        for key in ("soil_best", "soil_acceptable"):
            span: Temperature | None = getattr(self, key)
            if span is not None and span.of != "soil":
                raise ValueError(f"{key} is marked {span.of!r}; a germination figure is of soil")
        for key in ("air_day", "air_night"):
            span = getattr(self, key)
            if span is not None and span.of != "air":
                raise ValueError(f"{key} is marked {span.of!r}; day and night figures are of air")
        if self.mat == "soil-target" and (self.soil_best is None or self.soil_acceptable is None):
            raise ValueError('mat = "soil-target" needs soil_best and soil_acceptable')
        if self.mat == "floor" and self.root_zone_floor_c is None:
            raise ValueError('mat = "floor" needs root_zone_floor_c')
        if self.soil_best is not None and self.soil_acceptable is not None:
            best, acceptable = self.soil_best, self.soil_acceptable
            if best.low < acceptable.low or best.high > acceptable.high:
                raise ValueError(
                    f"soil_best ({best.low:g} to {best.high:g} °C) is not inside soil_acceptable "
                    f"({acceptable.low:g} to {acceptable.high:g} °C)"
                )
        if not 5 <= self.soil_ceiling_c.value <= 38:
            raise ValueError(
                f"soil_ceiling_c is {self.soil_ceiling_c.value:g} °C; allowed: 5 to 38"
            )
        return self


class Crop(_Part):
    """One crop's profile.

    code: two or three capitals that begin the batch codes on plant labels.
    emergence_row: the row of the emergence table that this crop follows; `stand_in` says when it
        is another crop's, for want of one of its own.
    """

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]*$")]
    title: Annotated[str, Field(min_length=1)]
    code: Annotated[str, Field(pattern=r"^[A-Z]{2,3}$")]
    emergence_row: Annotated[str, Field(min_length=1)]
    stand_in: str = ""
    light_to_germinate: Flag
    depth_mm: Span
    weeks_to_transplant: Span
    harden_min_night_c: Figure
    plant_out_weeks_from_last_frost: Span
    outdoor_soil_min_c: Figure
    stages: dict[Stage, StageTargets]
    emergence: EmergenceModel

    @model_validator(mode="after")
    def _every_stage(self) -> Self:
        missing = [stage.value for stage in Stage if stage not in self.stages]
        if missing:
            raise ValueError(f"no targets for stage {', '.join(missing)}")
        return self
