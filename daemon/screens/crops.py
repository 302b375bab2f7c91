"""The crops: all in a list, and all of one."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from daemon.screens.base import View, plain, styled
from profiles.library import Library
from profiles.model import (
    Crop,
    Figure,
    Flag,
    Note,
    Photoperiod,
    Span,
    Stage,
    StageTargets,
    Temperature,
)


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
            f"{days:.0f} days" if days is not None else "never",
            f"{weeks.low:g} to {weeks.high:g}",
        )
    legend = (
        "soil: what the seed likes; up: days to emergence at the middle of that; weeks: from sowing to "
        "transplant."
    )
    return Group(
        table, Text(), Text(legend, "dim"), Text("All of one: hotbed crops show lettuce", "dim")
    )


def crop_sheet(crop: Crop, library: Library, view: View) -> RenderableType:
    """Every figure of a crop, stage by stage, each with its source, and the bibliography below."""
    head = styled(crop.title, "bold").append(f"  {crop.name}, code {crop.code}", "not bold")
    if crop.aliases:
        head.append(plain(f", also called {', '.join(crop.aliases)}"), "not bold")
    general = [
        ("depth", crop.depth_mm),
        ("light to germinate", crop.light_to_germinate),
        ("weeks to transplant", crop.weeks_to_transplant),
        ("weeks from last frost", crop.plant_out_weeks_from_last_frost),
        ("hardening, coldest night", crop.harden_min_night_c),
        ("soil outdoors, coldest", crop.outdoor_soil_min_c),
    ]
    units = {"depth": "mm", "weeks to transplant": "weeks", "weeks from last frost": "weeks"}
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=26, style="dim", overflow="fold")
    grid.add_column(overflow="fold")
    grid.add_column(style="dim", max_width=18, overflow="fold")
    cited: dict[str, None] = {}

    def row(label: str, figure: Any, unit: str = "") -> None:
        said = _figure(figure, unit, view)
        # A note names others that it was weighed against.
        cited.update((key, None) for key in library.sources if key in (figure.source, *_KEYS(said)))
        grid.add_row(f"  {label}", styled(said), figure.source)

    for label, figure in general:
        row(label, figure, units.get(label, "°C"))
    cited[crop.emergence_source] = None
    grid.add_row("  days to emergence", styled(_days(crop, view)), crop.emergence_source)
    for stage in Stage:
        grid.add_row(Text(stage.value, "bold not dim"), "", "")
        targets = crop.stages[stage]
        for label, figure, unit in _stage_figures(targets):
            if figure is not None:
                row(label, figure, unit)
        if targets.photoperiod_h is None:
            grid.add_row("  light", "no lamp asked for", "")
        grid.add_row("  mat", _MAT[targets.mat], "")
        grid.add_row("  cover", "on" if targets.cover else "off", "")
        row("feed", targets.feed)
        row("water", targets.water)
    books = Table.grid(padding=(0, 1))
    books.add_column(max_width=26, overflow="fold")
    books.add_column(overflow="fold")
    for key in sorted(cited):
        books.add_row(f"  {key}", styled(library.sources[key].citation))
    return Group(head, grid, Text(), Text("Sources", "bold"), books)


_KEYS = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)+").findall
_MAT = {
    "soil-target": "heats to what the seed likes",
    "floor": "keeps the roots from the cold only",
    "off": "off",
}


def _stage_figures(targets: StageTargets) -> Iterator[tuple[str, Any, str]]:
    yield "light", targets.photoperiod_h, "h"
    yield "light, daily integral", targets.dli, "mol m-2 d-1"
    yield "soil, best", targets.soil_best, "°C"
    yield "soil, accepted", targets.soil_acceptable, "°C"
    yield "soil, harmed from", targets.soil_ceiling_c, "°C"
    yield "soil, at least", targets.root_zone_floor_c, "°C"
    yield "air by day", targets.air_day, "°C"
    yield "air by night", targets.air_night, "°C"


def _figure(figure: Any, unit: str, view: View) -> str:
    note = f" ({figure.note})" if getattr(figure, "note", "") else ""
    match figure:
        case Note():
            return figure.text
        case Flag():
            said = "yes" if figure.value else "no"
        case Photoperiod():
            said = f"{figure.best:g} h; {figure.low:g} to {figure.high:g} h accepted"
        case Temperature():
            said = view.degs(figure.low, figure.high)
        case Span():
            to = f" to {figure.high:g}" if figure.high > figure.low else ""
            said = f"{figure.low:g}{to} {unit}"
        case Figure():
            said = view.deg(figure.value) if unit == "°C" else f"{figure.value:g} {unit}"
        case _:  # pragma: no cover
            raise TypeError(f"{figure!r} is no figure")
    return said + note


def _days(crop: Crop, view: View) -> str:
    def at(celsius: float) -> str:
        return f"{view.shown(celsius):g} °{view.units}"

    said = ", ".join(f"{days:g} at {at(celsius)}" for celsius, days in crop.emergence.points)
    never = ", ".join(at(celsius) for celsius in crop.emergence.never)
    note = f" ({crop.stand_in})" if crop.stand_in else ""
    return said + (f"; none at {never}" if never else "") + note
