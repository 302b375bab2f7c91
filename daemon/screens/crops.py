"""The crops: all in a list, and all of one."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from daemon.screens.base import View, plain, styled
from daemon.sharing import said_hardship
from profiles.library import Library
from profiles.model import (
    CellsPerTray,
    Crop,
    Figure,
    Flag,
    LightNeed,
    Limit,
    Note,
    Photoperiod,
    Span,
    Stage,
    Temperature,
)
from profiles.setpoint import WATTS_PER_C, Shared, Trade, best_shared
from profiles.units import MM_PER_INCH, celsius_difference_from_f, format_difference


def crops(library: Library, view: View) -> RenderableType:
    """The crops a site knows, a line each."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("name", "code", "also called", f"soil °{view.units}", "up", "weeks"):
        table.add_column(heading, overflow="fold", no_wrap=heading != "also called")
    for crop in library.crops.values():
        best = crop.stages[Stage.GERMINATION].soil_best
        assert best is not None  # the model insists
        days = crop.emergence.days((best.low + best.high) / 2)
        low, high = (view.shown(end) for end in (best.low, best.high))
        weeks = crop.weeks_to_transplant
        table.add_row(
            styled(crop.name, "bold"),
            crop.code,
            styled(", ".join(crop.aliases)),
            f"{low:.0f} to {high:.0f}",
            ("never" if days is None else f"{days:.0f} days")
            + (f", as {crop.emergence_row}" if crop.stand_in else ""),
            f"{weeks.low:g} to {weeks.high:g}",
        )
    legend = (
        "soil: what the seed likes; up: days to emergence at the middle of that, by the table's row of "
        "another crop where it says as which; weeks: from sowing to transplant."
    )
    return Group(
        table, Text(), Text(legend, "dim"), Text("All of one: hotbed crops show lettuce", "dim")
    )


def crop_sheet(
    crop: Crop, library: Library, view: View, found: Trades | None = None
) -> RenderableType:
    """Every figure of a crop, stage by stage, each with its source, and the bibliography below.

    found: what each temperature of the soil comes to, told first.
    """
    head = styled(crop.title, "bold").append(f"  {crop.name}, code {crop.code}", "not bold")
    if crop.aliases:
        head.append(plain(f", also called {', '.join(crop.aliases)}"), "not bold")
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=26, style="dim", overflow="fold")
    grid.add_column(overflow="fold")
    grid.add_column(style="dim", max_width=20, overflow="fold")
    cited: dict[str, None] = {}

    def row(label: str, said: str, source: str) -> None:
        # A note names others that it was weighed against.
        cited.update((key, None) for key in library.sources if key in (source, *_KEYS(said)))
        grid.add_row(f"  {label}", styled(said), source)

    figures: list[tuple[str, Any]] = list(crop.sourced())
    for place, figure in figures:
        if not place.startswith(("stages.", "limits.")):
            row(_LABELS[place], _figure(place, figure, view), figure.source)
    row("days to emergence", _days(crop, view), crop.emergence_source)
    if crop.limits:
        grid.add_row(Text("never", "bold not dim"), "", "")
    for kind, limit in crop.limits.items():
        row(kind.value.replace("-", " "), _limit(limit, view), limit.source)
    for stage in Stage:
        grid.add_row(Text(stage.value, "bold not dim"), "", "")
        targets = crop.stages[stage]
        if targets.photoperiod_h is None:
            grid.add_row("  light", "no lamp asked for", "")
        grid.add_row("  mat", _MAT[targets.mat], "")
        grid.add_row("  cover", "on" if targets.cover else "off", "")
        for place, figure in figures:
            _, _, key = place.rpartition(f"stages.{stage.value}.")
            if key != place and key:
                said = _figure(key, figure, view)
                if key == "photoperiod_h" and stage is Stage.GERMINATION:
                    said += _AFTER_EMERGENCE * (not crop.light_to_germinate.value)
                row(_LABELS[key], said, figure.source)
    books = Table.grid(padding=(0, 1))
    books.add_column(max_width=26, overflow="fold")
    books.add_column(overflow="fold")
    for key in sorted(cited):
        books.add_row(f"  {key}", styled(library.sources[key].citation))
    told = [] if found is None else [trades(found, view), _how_traded(crop, view), Text()]
    return Group(head, Text(), *told, grid, Text(), Text("Sources", "bold"), books)


_AFTER_EMERGENCE = "; for after emergence, the seed itself needs none"
_KEYS = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)+").findall
_MAT = {
    "soil-target": "heats to what the seed likes",
    "floor": "keeps the roots from the cold only",
    "off": "off",
}
#: What each figure is called, by its key.
_LABELS = {
    "light_to_germinate": "light to germinate",
    "depth_mm": "depth",
    "cells_per_tray": "cells to a tray",
    "seeds_per_cell": "seeds to a cell",
    "plants_per_cell": "plants left in a cell",
    "thin_days_from_emergence": "thin, after emergence",
    "thinning": "thinning",
    "pot_cm": "pot",
    "pot_on_weeks_from_emergence": "pot on, after emergence",
    "weeks_to_transplant": "sowing to transplant",
    "harden_days": "hardening",
    "harden_min_night_c": "hardening, coldest night",
    "plant_out_weeks_from_last_frost": "out, after last frost",
    "outdoor_soil_min_c": "soil outdoors, coldest",
    "weeks_to_harvest": "planting out to harvest",
    "germination_percent": "fresh seed comes up",
    "seed_life_years": "seed keeps",
    "photoperiod_h": "light",
    "dli": "light, daily integral",
    "soil_best": "soil, best",
    "soil_best_night": "soil, best by night",
    "soil_acceptable": "soil, accepted",
    "soil_ceiling_c": "soil, harmed from",
    "root_zone_floor_c": "soil, at least",
    "air_day": "air by day",
    "air_night": "air by night",
    "dif_c": "air, day over night",
    "feed": "feed",
    "feed.interval_days": "feed, every",
    "water": "water",
    "water.interval_days": "dry after",
}
#: The unit of a figure, by its key; a key on "_c" is in °C.
_UNITS = {
    "depth_mm": "mm",
    "seeds_per_cell": "",
    "plants_per_cell": "",
    "thin_days_from_emergence": "days",
    "pot_cm": "cm",
    "pot_on_weeks_from_emergence": "weeks",
    "weeks_to_transplant": "weeks",
    "harden_days": "days",
    "plant_out_weeks_from_last_frost": "weeks",
    "weeks_to_harvest": "weeks",
    "germination_percent": "%",
    "seed_life_years": "years",
    "dli": "mol m-2 d-1",
    "feed.interval_days": "days",
    "water.interval_days": "days",
}


def _figure(key: str, figure: Any, view: View) -> str:
    note = f" ({figure.note})" if getattr(figure, "note", "") else ""
    unit = _UNITS.get(key, "")
    match figure:
        case Note():
            return figure.text
        case LightNeed() if figure.only_helps:
            said = "it helps"
        case Flag():
            said = "yes" if figure.value else "no"
        case CellsPerTray():
            also = f"; also {', '.join(map(str, figure.also))}" if figure.also else ""
            said = f"{figure.usual}{also}"
        case Photoperiod():
            said = f"{figure.best:g} h; {figure.low:g} to {figure.high:g} h accepted"
        case Temperature():
            said = view.degs(figure.low, figure.high)
        case Span() if key == "dif_c":
            low, high = (
                format_difference(each, view.units, 0) for each in (figure.low, figure.high)
            )
            said = f"{low} to {high}" if low != high else low
        case Span() if key == "depth_mm" and view.units == "F":
            low, high = (f"{each / MM_PER_INCH:.2g}" for each in (figure.low, figure.high))
            said = f"{low} to {high} in" if low != high else f"{low} in"
        case Figure() if key == "pot_cm" and view.units == "F":
            said = f"{10 * figure.value / MM_PER_INCH:.1f} in"
        case Span():
            to = f" to {figure.high:g}" if figure.high > figure.low else ""
            said = f"{figure.low:g}{to} {unit}".rstrip()
        case Figure():
            said = (
                view.deg(figure.value)
                if key.endswith("_c")
                else f"{figure.value:g} {unit}".rstrip()
            )
        case _:  # pragma: no cover
            raise TypeError(f"{figure!r} is no figure")
    return said + note


def _limit(limit: Limit, view: View) -> str:
    bound = view.deg(limit.bound) if limit.unit == "°C" else f"{limit.bound:g} h of light a day"
    where = {"soil": "soil ", "air": "air ", "photoperiod": ""}[limit.quantity]
    side = "under" if limit.side == "below" else "over"
    note = f" ({limit.note})" if limit.note else ""
    return f"{where}{side} {bound} for {limit.hours:g} h {limit.counted}: {limit.consequence}{note}"


def _days(crop: Crop, view: View) -> str:
    def at(celsius: float) -> str:
        return f"{view.shown(celsius):g} °{view.units}"

    said = ", ".join(f"{days:g} at {at(celsius)}" for celsius, days in crop.emergence.points)
    never = ", ".join(at(celsius) for celsius in crop.emergence.never)
    note = f" ({crop.stand_in})" if crop.stand_in else ""
    return said + (f"; none at {never}" if never else "") + note


@dataclass(frozen=True, slots=True)
class Trades:
    """What each temperature of the soil comes to, in a room of `room_c` [°C], for so many trays.

    aim_c: what is aimed for. measured: whether the room is, and not taken as given. stand_in: the crop
    whose row of the table it goes by, where that is another.
    """

    rows: Sequence[Trade]
    room_c: float
    trays: float
    aim_c: float
    measured: bool = True
    stand_in: str = ""


def trades(found: Trades, view: View) -> RenderableType:
    """A line for each temperature of the soil, the one aimed for marked."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("soil", "by the table", "half up in a tray", "normal", "mat", "until then"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    for row in found.rows:
        half = row.half_up
        table.add_row(
            view.deg(row.soil_c),
            "never" if row.table_days is None else f"{row.table_days:.0f} days",
            "" if half is None else f"{half.mid:.0f} ({half.low:.0f} to {half.high:.0f}) days",
            "untested" if row.normal_percent is None else f"{row.normal_percent:.0f} %",
            "none" if row.soil_c < found.room_c else f"{row.mat_w:.0f} W",
            "" if row.mat_kwh is None else f"{row.mat_kwh:.1f} kWh",
            Text("aim" if row.soil_c == found.aim_c else "", "bold"),
        )
    many = "one covered tray" if found.trays == 1 else f"{found.trays:g} covered trays"
    taken = "" if found.measured else " (taken as that: no probe measures it)"
    parts: list[RenderableType] = [
        Text(f"Germinating {many} in a room of {view.deg(found.room_c)}{taken}", "bold"),
        table,
    ]
    if found.stand_in:
        parts.append(styled(f"The table has no row of it: the days are {found.stand_in}'s.", "dim"))
    if any(row.soil_c < found.room_c for row in found.rows):
        parts.append(Text("None: the room is warmer than that, and no mat cools.", "dim"))
    return Group(*parts)


def _how_traded(crop: Crop, view: View) -> Text:
    lift = format_difference(18 / WATTS_PER_C, view.units)
    watts = WATTS_PER_C if view.units == "C" else celsius_difference_from_f(WATTS_PER_C)
    said = (
        f"Normal: of the seedlings, against the crop's best. The mat: {watts:.2f} W hold a tray "
        f"1 °{view.units} over the room, for 18 W lift a covered one by {lift} (common practice, no "
        "source)."
    )
    if crop.stages[Stage.GERMINATION].soil_best_night is not None:
        said += " This seed wants cooler nights: the table is for even warmth."
    return Text(said, "dim")


def shared(
    found: Shared,
    fares: Sequence[tuple[Trade, Trade]],
    groups: Sequence[Sequence[Crop]],
    view: View,
) -> RenderableType:
    """One temperature for several crops: how each fares, why it is that one, or how to part them.

    fares: of each crop, at the shared temperature and at its own.
    """
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    unit = f" °{view.units}"
    headings = (
        "crop",
        f"likes{unit}",
        f"accepts{unit}",
        "half up here",
        "by itself",
        "normal here",
    )
    for heading in headings:
        table.add_column(heading, overflow="fold")
    for crop, (here, alone) in zip(found.crops, fares, strict=True):
        stage = crop.stages[Stage.GERMINATION]
        assert stage.soil_best is not None  # the model insists
        assert stage.soil_acceptable is not None
        percent = here.normal_percent
        table.add_row(
            styled(crop.name, "bold"),
            view.degs(stage.soil_best.low, stage.soil_best.high).removesuffix(unit),
            view.degs(stage.soil_acceptable.low, stage.soil_acceptable.high).removesuffix(unit),
            "never" if here.half_up is None else f"{here.half_up.mid:.0f} days",
            "never" if alone.half_up is None else f"{alone.half_up.mid:.0f} days",
            "untested" if percent is None else f"{percent:.0f} %",
        )
    return Group(
        Text(f"Aim for soil at {view.deg(found.soil_c)}", "bold"),
        styled(why_shared(found, groups, view)),
        Text(),
        table,
    )


def why_shared(found: Shared, groups: Sequence[Sequence[Crop]], view: View) -> str:
    """Why it is that temperature; and how to part them, where they can't share a bench well."""
    parted = "; ".join(
        f"{', '.join(crop.name for crop in group)} at {view.deg(best_shared(group).soil_c)}"
        for group in groups
    )
    if found.low_c > found.high_c:
        return (
            f"{found.low_of.name} wants soil of {view.deg(found.low_c)} or more, {found.high_of.name} at "
            f"most {view.deg(found.high_c)}: they can't share a bench well, and this is only the "
            f"warmest that all stand. On a bench each: {parted}."
        )
    accepted = f"all accept {view.degs(found.low_c, found.high_c)}"
    if found.hardships:
        costs = "; ".join(f"{cost.crop.name} {said_hardship(cost)}" for cost in found.hardships)
        return (
            f"They can't share a bench well, though {accepted}. At {view.deg(found.soil_c)}: {costs}. "
            f"On a bench each: {parted}."
        )
    if len(found.crops) == 1:
        return (
            f"The middle of what it likes best; accepted is {view.degs(found.low_c, found.high_c)}."
        )
    return (
        "Kindest to all: quick for each, and the most of its seedlings normal, where a lost one weighs "
        f"more than a late one; {accepted}."
    )
