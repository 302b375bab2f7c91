"""The shape of a saved world, checked when it is taken over again."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

_Celsius = Annotated[float, Field(ge=-60, le=120, allow_inf_nan=False)]
_Amount = Annotated[float, Field(ge=0, allow_inf_nan=False)]
_Utc = Annotated[float, Field(allow_inf_nan=False)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class SavedNodes(_Part):
    """The five nodes of one bench, °C."""

    mat: _Celsius
    lower: _Celsius
    upper: _Celsius
    surface: _Celsius
    headspace: _Celsius


class SavedBench(_Part):
    """A bench: temperatures [°C], water, cover, and what was counted."""

    nodes: SavedNodes
    probes: dict[str, _Celsius]
    moisture: Annotated[float, Field(ge=0, le=1)]
    covered: bool
    lamp_s: _Amount
    mat_s: _Amount
    light_mol: _Amount


class SavedLot(_Part):
    """Cells in one place; a requirement of None is a seed that never comes up."""

    place: str | None
    requirements: Annotated[list[_Amount | None], Field(min_length=1)]
    progress: _Amount
    emerged: list[_Utc]
    light_h: _Amount
    light_mol: _Amount
    dark_h: _Amount
    spell_h: _Amount
    longest_dark_h: _Amount
    height_mm: _Amount


class SavedBatch(_Part):
    """A batch and where its cells stand."""

    depth_mm: Annotated[float, Field(ge=0, le=100)]
    sown_utc: _Utc
    closed: bool
    lots: Annotated[list[SavedLot], Field(min_length=1)]


class SavedWorld(_Part):
    """The whole of it. utc: of the moment; origin_utc: what faults "from the start" count from."""

    schema_: Annotated[Literal[1], Field(alias="schema")]
    utc: _Utc
    origin_utc: _Utc
    room_probes: dict[str, _Celsius]
    benches: dict[str, SavedBench]
    batches: dict[str, SavedBatch]
