"""What a person wants raised in a season: the list on the command line and the file, read into orders.

A word is CROP:PLANTS, with a variety and with succession if wanted: tomato/Hollow Lane:24,
lettuce:36@2wx3 (36 plants every 2 weeks, 3 times). The file is TOML and says all that a plan takes;
what neither says is the crop's own. Figures marked common practice have no source.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from daemon.config import Config, Name
from profiles.library import Library, UnknownCrop
from profiles.mix import CONTAINERS, Container, Filling
from profiles.model import Crop
from profiles.problems import explain, nearest
from profiles.season import (
    Anchor,
    Bench,
    FirstFrost,
    HandOver,
    LastFrost,
    Order,
    Phase,
    SoilNormals,
    crop_timing,
)
from profiles.seeds import Germination, germination_by_packet, germination_by_test

#: A season's list with every key in it, to begin one's own from.
EXAMPLE = """\
# A season's list for `hotbed plan --list`. What is left out is the crop's own.

last_frost = 2027-05-10     # or first_frost (of autumn), or hand_over
margin_days = 7             # kept from the frost
# Or, where last_frost is the mean of a record: its standard deviation, and the chance you take.
# spread_days = 9
# risk_percent = 10

# Mean soil temperature outdoors, °C, January to December (or 52 weeks): nothing is planted out colder.
soil_c = [2, 3, 5, 9, 14, 17, 19, 19, 15, 11, 6, 3]

# Benches, instead of those of the configuration. They serve for germination, growing, hardening.
[bench.lower]
trays = 2
serves = ["germination"]

[bench.upper]
trays = 4
serves = ["growing"]

[bench.cold-frame]
trays = 6
serves = ["hardening"]

# A container of your own: litres of water that one takes to the brim, how many stand in a tray's room.
[container.jar]
litres = 0.35
per_tray = 28
kind = "pot"                # or "cell", "open tray"

[[sow]]
crop = "tomato"
variety = "Hollow Lane"
plants = 24
test = { sprouted = 17, sown = 20 }     # your own germination test; goes before the packet
sow_in = "cells-72"         # see `hotbed mix` for all
pot_on_into = "jar"         # "none" where it stays in its cell
seeds_per_cell = 2
thin = true                 # false for a clump that grows on together
spare_percent = 10          # raised over the plants wanted
assurance_percent = 90      # the chance that as many come up
germinate_at_c = 25         # soil
germinate_on = "lower"
grow_on = "upper"

[[sow]]
crop = "lettuce"
plants = 36
every_weeks = 2             # succession
times = 3
germination_percent = 85    # the packet's
seed_year = 2026
sow_in = "open-tray"
prick_out_into = "cells-128"

[[sow]]
crop = "broccoli"
plants = 18
hand_over = 2027-04-24      # dates of its own
days_to_maturity = 70       # counted from a first frost
"""
#: Percent of a good new lot that comes up (common practice, no source).
_GOOD_LOT = 90.0


class OrdersError(Exception):
    """A list that can't be planned; a line for each problem, with its place and what is allowed."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))


class _Table(BaseModel):
    # Strict: true is not 1 plant, and "24" is text.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Dates(_Table):
    """What planting out follows from: one of the three dates.

    margin_days: kept from a frost date; or, for a frost date that is the mean of a record, its
    standard deviation `spread_days` and the `risk_percent` of frost that is taken.
    """

    last_frost: date | None = None
    first_frost: date | None = None
    hand_over: date | None = None
    margin_days: Annotated[int, Field(ge=0, le=60)] | None = None
    spread_days: Annotated[float, Field(ge=0, le=60)] | None = None
    risk_percent: Annotated[float, Field(ge=1, le=50)] | None = None

    @model_validator(mode="after")
    def _one_date(self) -> Self:
        given = [key for key in ("last_frost", "first_frost", "hand_over") if getattr(self, key)]
        if len(given) > 1:
            raise ValueError(f"{' and '.join(given)} are both given; allowed: one of them")
        if (self.spread_days is None) != (self.risk_percent is None):
            raise ValueError("spread_days and risk_percent go together")
        keys = ("margin_days", "spread_days")
        margins = [key for key in keys if getattr(self, key) is not None]
        if len(margins) > 1:
            raise ValueError("margin_days and spread_days are both given; allowed: one of them")
        if margins and (not given or self.hand_over):
            raise ValueError(f"{margins[0]} goes with last_frost or first_frost")
        return self

    def anchor(self) -> Anchor | None:
        """The date that a season is planned from; None where none is given."""
        if self.hand_over is not None:
            return HandOver(self.hand_over)
        frost = LastFrost if self.last_frost is not None else FirstFrost
        day = self.last_frost or self.first_frost
        if day is None:
            return None
        if self.spread_days is not None and self.risk_percent is not None:
            return frost.from_record(day, self.spread_days, self.risk_percent / 100)
        return frost(day, self.margin_days or 0)

    def said(self) -> str:
        """The date that a season is planned from, in words."""
        anchor = self.anchor()
        assert anchor is not None
        if self.hand_over is not None:
            return f"the hand-over on {self.hand_over}"
        day = self.last_frost or self.first_frost
        frost, side = ("last", "after") if self.last_frost is not None else ("first", "before")
        if self.risk_percent is None and not self.margin_days:
            return f"the {frost} frost of {day}"
        side = f"{side} the {frost} frost"
        if self.risk_percent is not None:
            return f"{anchor.day}, {side} of {day} on average, for {self.risk_percent:g} % of risk"
        return f"{self.margin_days} day{'' if self.margin_days == 1 else 's'} {side} of {day}"


class SeedTest(_Table):
    """A germination test of one's own."""

    sprouted: Annotated[int, Field(ge=0, le=10_000)]
    sown: Annotated[int, Field(ge=1, le=10_000)]


class Wanted(Dates):
    """So many plants of a crop; every key but `crop` and `plants` may be left out.

    plants: at each sowing. germination_percent: the packet's; seed_year: when it was packed; test:
    of one's own, which goes before both. every_weeks, times: succession.
    sow_in, prick_out_into, pot_on_into: containers by name, the latter two also "none".
    spare_percent: over `plants`; assurance_percent: the chance that as many come up.
    germinate_at_c: soil [°C]. germinate_on, grow_on: benches. The dates are this crop's own.
    """

    crop: Annotated[str, Field(min_length=1, max_length=60)]
    plants: Annotated[int, Field(ge=1, le=5000)]
    variety: Annotated[str, Field(max_length=60)] = ""
    germination_percent: Annotated[float, Field(gt=0, le=100)] | None = None
    seed_year: Annotated[int, Field(ge=1990, le=2100)] | None = None
    test: SeedTest | None = None
    every_weeks: Annotated[int, Field(ge=1, le=26)] | None = None
    times: Annotated[int, Field(ge=1, le=30)] = 1
    sow_in: str | None = None
    prick_out_into: str | None = None
    pot_on_into: str | None = None
    seeds_per_cell: Annotated[int, Field(ge=1, le=12)] | None = None
    thin: bool | None = None
    spare_percent: Annotated[float, Field(ge=0, le=100)] = 10.0
    assurance_percent: Annotated[float, Field(ge=50, le=99.9)] = 90.0
    germinate_at_c: Annotated[float, Field(ge=0, le=35)] | None = None
    germinate_on: str = ""
    grow_on: str = ""
    days_to_maturity: Annotated[int, Field(ge=14, le=300)] | None = None

    @model_validator(mode="after")
    def _succession(self) -> Self:
        if (self.times > 1) != (self.every_weeks is not None):
            raise ValueError("every_weeks and times (2 or more) go together")
        return self


class Shelf(_Table):
    """A bench or frame: trays of 10 x 20 inch, and what it serves for."""

    trays: Annotated[int, Field(ge=1, le=1000)]
    serves: Annotated[
        list[Literal["germination", "growing", "hardening"]],
        Field(min_length=1, default_factory=lambda: ["germination", "growing"]),
    ]


class Measured(_Table):
    """A container of one's own: litres to the brim, measured with water, and how many to a tray."""

    litres: Annotated[float, Field(ge=0.001, le=50)]
    per_tray: Annotated[int, Field(ge=1, le=1000)]
    kind: Literal["cell", "pot", "open tray"] = "pot"


class SeasonFile(Dates):
    """The whole file. soil_c: mean soil temperature outdoors [°C] by month or by week."""

    soil_c: Annotated[list[Annotated[float, Field(ge=-30, le=50)]], Field(default_factory=list)]
    bench: Annotated[dict[Name, Shelf], Field(default_factory=dict)]
    container: Annotated[dict[Name, Measured], Field(default_factory=dict)]
    sow: Annotated[list[Wanted], Field(default_factory=list, max_length=500)]

    @model_validator(mode="after")
    def _whole_year(self) -> Self:
        if self.soil_c and len(self.soil_c) not in (12, 52):
            raise ValueError(
                f"soil_c has {len(self.soil_c)} entries; allowed: 12 (months) or 52 (weeks)"
            )
        if taken := sorted(set(self.container) & set(CONTAINERS)):
            raise ValueError(f"container.{taken[0]} is known already; choose another name")
        return self


def read_file(path: Path) -> SeasonFile:
    """The season's list of a file. Raises OrdersError."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise OrdersError([f"{path}: cannot be read: {error.strerror}"]) from None
    except RecursionError:
        raise OrdersError([f"{path}: is nested too deeply"]) from None
    except ValueError as error:  # no TOML, no UTF-8, or a number of too many digits
        raise OrdersError([f"{path}: is not TOML: {error}"]) from None
    return _read(SeasonFile, data, f"{path}: ")


_M = TypeVar("_M", bound=BaseModel)


def _read(model: type[_M], data: Mapping[str, Any], place: str) -> _M:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise OrdersError([f"{place}{line}" for line in explain(error, model)]) from None


_WORD = re.compile(
    r"(?P<crop>[^/:@]+)(?:/(?P<variety>[^:@]+))?:(?P<plants>\d{1,6})"
    r"(?:@(?P<weeks>\d{1,3})wx(?P<times>\d{1,3}))?",
    re.ASCII,
)


def read_word(word: str) -> Wanted:
    """What one word of the command line wants. Raises OrdersError."""
    found = _WORD.fullmatch(word.strip())
    if found is None:
        raise OrdersError(
            [
                f"{word!r} is no order; allowed: CROP:PLANTS as in tomato:24, CROP/VARIETY:PLANTS, and "
                "with @2wx3 behind it every 2 weeks, 3 times"
            ]
        )
    table: dict[str, Any] = {"crop": found["crop"].strip(), "plants": int(found["plants"])}
    if found["variety"]:
        table["variety"] = found["variety"].strip()
    if found["weeks"]:
        table |= {"every_weeks": int(found["weeks"]), "times": int(found["times"])}
    return _read(Wanted, table, f"{word}: ")


@dataclass(frozen=True, slots=True)
class Season:
    """All that `plan_season` takes. counted_from: the anchor in words."""

    orders: tuple[Order, ...]
    anchor: Anchor
    benches: tuple[Bench, ...]
    soil: SoilNormals | None
    counted_from: str


def season(
    wanted: Iterable[Wanted],
    dates: Dates,
    file: SeasonFile,
    library: Library,
    today: date,
    config: Config | None = None,
) -> Season:
    """The season that is wanted by the words and the file together.

    dates: of the command line, which go before the file's. today: what a seed's age is counted to.
    config: whose benches are used where the file gives none. Raises OrdersError.
    """
    asked = dates if dates.anchor() is not None else file
    anchor = asked.anchor()
    if anchor is None:
        raise OrdersError(
            [
                "from which date? Give --last-frost 2027-05-10, --first-frost or --hand-over; or "
                "last_frost = 2027-05-10, first_frost or hand_over in the list"
            ]
        )
    named = [(one.crop, one) for one in wanted]
    named += [(f"sow[{n}] ({one.crop})", one) for n, one in enumerate(file.sow, start=1)]
    if not named:
        raise OrdersError(["nothing is to be sown; for example: tomato:24"])
    containers = dict(CONTAINERS) | {
        name: Container(name, name, own.kind, own.per_tray, own.litres)
        for name, own in file.container.items()
    }
    orders: list[Order] = []
    problems: list[str] = []
    for place, one in named:
        try:
            orders.append(_order(one, library.crop(one.crop), containers, today))
        except (UnknownCrop, ValueError) as error:
            problems.append(f"{place}: {error}")
    if problems:
        raise OrdersError(problems)
    benches = tuple(
        Bench(name, shelf.trays, frozenset(Phase(phase) for phase in shelf.serves))
        for name, shelf in file.bench.items()
    )
    if not benches and config is not None:
        benches = benches_of(config)
    soil = SoilNormals(tuple(file.soil_c)) if file.soil_c else None
    return Season(tuple(orders), anchor, benches, soil, asked.said())


def benches_of(config: Config) -> tuple[Bench, ...]:
    """The benches of a site: seed germinates where there is a mat, plants grow where there is a lamp.

    Where no bench has a mat (or a lamp), all must do. Half a tray is no room for a whole one.
    """
    roomy = {name: bench for name, bench in config.bench.items() if bench.trays >= 1}
    heated = [name for name, bench in roomy.items() if bench.mat is not None] or list(roomy)
    lit = [name for name, bench in roomy.items() if bench.lamp is not None] or list(roomy)
    return tuple(
        Bench(
            name,
            int(bench.trays),
            frozenset(
                phase
                for phase, serving in ((Phase.GERMINATION, heated), (Phase.GROWING, lit))
                if name in serving
            ),
        )
        for name, bench in roomy.items()
    )


def _order(one: Wanted, crop: Crop, containers: Mapping[str, Container], today: date) -> Order:
    """Raises ValueError."""
    sow_in = _container("sow_in", one.sow_in, containers)
    if sow_in is None:
        sow_in = _nearest(containers, "cell", crop.cells_per_tray.usual)
    prick = _container("prick_out_into", one.prick_out_into, containers)
    if prick is None and sow_in.kind == "open tray" and one.prick_out_into is None:
        prick = _nearest(containers, "cell", crop.cells_per_tray.usual)
    pot_on = _container("pot_on_into", one.pot_on_into, containers)
    if pot_on is None and one.pot_on_into is None and crop.pot_cm is not None:
        pot_on = _pot(containers, crop.pot_cm.value)
    steps = [step for step in (sow_in, prick, pot_on) if step is not None]
    for before, into in pairwise(steps):
        Filling(into, 0, before if before.kind != "open tray" else None)
    # What grows as a clump is sown as one.
    clump = crop.plants_per_cell.value > 1
    each = crop.plants_per_cell.value if clump else crop.seeds_per_cell.high
    return Order(
        crop=crop_timing(crop, one.germinate_at_c, days_to_maturity=one.days_to_maturity),
        plants=one.plants,
        germination=_germination(one, crop, today),
        label=one.variety,
        anchor=one.anchor(),
        sow_in=sow_in,
        prick_out_into=prick,
        pot_on_into=pot_on,
        seeds_per_cell=one.seeds_per_cell or round(each),
        thin=not clump if one.thin is None else one.thin,
        spare=one.spare_percent / 100,
        assurance=one.assurance_percent / 100,
        times=one.times,
        every_weeks=one.every_weeks or 0,
        germinate_on=one.germinate_on,
        grow_on=one.grow_on,
    )


def _germination(one: Wanted, crop: Crop, today: date) -> Germination:
    if one.test is not None:
        return germination_by_test(one.test.sprouted, one.test.sown)
    age = 0 if one.seed_year is None else today.year - one.seed_year
    if age < 0:
        raise ValueError(f"seed_year is {one.seed_year}; allowed: up to {today.year}")
    life = crop.seed_life_years.value
    if age > life:
        raise ValueError(
            f"seed of {one.seed_year} is {age} years old and keeps for {life:g}: test some of it first, "
            "and give test = { sprouted = 17, sown = 20 }"
        )
    if one.germination_percent is not None:
        return germination_by_packet(one.germination_percent, age, life)
    # What is usual is low enough for a poor lot; a good one's loss by age is not taken from it too.
    usual, aged = crop.germination_percent.value, germination_by_packet(_GOOD_LOT, age, life)
    return replace(
        aged,
        share=min(usual / 100, aged.share),
        basis=f"usual for {'seed of its age' if age else 'fresh seed'}: "
        f"{min(usual, 100 * aged.share):.0f} %",
    )


def _container(key: str, name: str | None, known: Mapping[str, Container]) -> Container | None:
    """The container of that name; None where none is given, or "none"."""
    if name is None or (name == "none" and key != "sow_in"):
        return None
    return container(name, known, key)


def container(name: str, known: Mapping[str, Container], what: str = "container") -> Container:
    """The container of that name. Raises ValueError with what there is."""
    if name not in known:
        raise ValueError(
            f"{what}: {name!r}{nearest(name, list(known))}; allowed: {', '.join(known)}"
        )
    return known[name]


def _nearest(known: Mapping[str, Container], kind: str, per_tray: int) -> Container:
    every = [one for one in known.values() if one.kind == kind]
    return min(every, key=lambda one: abs(one.per_tray - per_tray))


def _pot(known: Mapping[str, Container], across_cm: float) -> Container:
    """The pot that stands as many to a tray as one so wide."""
    name = f"pot-{across_cm:g}cm"
    if name in known:
        return known[name]
    return _nearest(known, "pot", round(54 / across_cm) * round(27.5 / across_cm))
