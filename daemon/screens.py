"""What a person sees, built of Rich renderables: plain sentences, readable without colour at 80 columns.

Every function is pure: it takes what was read, and returns what to print. Text that came from
elsewhere goes through `plain` and never through Rich's markup.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import BaseModel, ValidationError
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from daemon.alarms import PRIORITIES
from daemon.events import Event
from daemon.messages import AlarmMessage, BatchMessage, BenchMessage, RelayReport
from drivers.protocols import Quality
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
from profiles.problems import explain
from profiles.units import Units, f_from_celsius, format_temperature

if TYPE_CHECKING:
    from daemon.check import Finding

#: A picture this old [s] is no longer the present; a daemon ticks at least every minute.
STALE = 300.0

#: What a reading is worth, in words; the subject is the probe.
QUALITY: Mapping[Quality, str] = {
    Quality.OK: "is good",
    Quality.MISSING: "is not there",
    Quality.CRC: "fails its check sum",
    Quality.GARBLED: "sends garbled text",
    Quality.POWER_ON: "reads 85 °C, its power-on value",
    Quality.OUT_OF_RANGE: "reads what can't be",
    Quality.SLOW: "does not answer in time",
    Quality.JUMP: "jumps as no soil can",
    Quality.FROZEN: "has not moved for hours",
}
_ALARM_STYLES = {"critical": "bold red", "high": "red", "medium": "yellow", "low": ""}
_MARKS = {
    "fine": ("✓", "+", "green"),
    "caution": ("!", "!", "yellow"),
    "problem": ("✗", "x", "red"),
}


def plain(text: str) -> str:
    """Text from elsewhere as it may be printed: one line, and nothing that commands a terminal."""
    return "".join(char if char.isprintable() else " " for char in text)


def _text(text: str, style: str = "") -> Text:
    return Text(plain(text), style=style)


def console(*, stderr: bool = False) -> Console:
    """Where everything is printed: no colours but our own, none at all where nobody wants them."""
    return Console(stderr=stderr, highlight=False, markup=False, emoji=False)


@dataclass(frozen=True, slots=True)
class View:
    """How a person wants to read it. zone: the site's; None for this machine's own."""

    zone: tzinfo | None
    units: Units = "C"

    def local(self, moment: str | float) -> datetime:
        """A moment, RFC 3339 or POSIX seconds, by the local clock."""
        at = (
            datetime.fromisoformat(moment)
            if isinstance(moment, str)
            else datetime.fromtimestamp(moment, UTC)
        )
        return at.astimezone(self.zone)

    def when(self, moment: str | float, now: datetime) -> str:
        """A moment as one says it: the time alone today, with the day otherwise."""
        at = self.local(moment)
        return f"{at:%H:%M}" if at.date() == now.date() else f"{self.day(moment, now)} {at:%H:%M}"

    def day(self, moment: str | float, now: datetime) -> str:
        """A local date; its year only where it is not this one."""
        at = self.local(moment)
        return f"{at.day} {at:%b}" + (f" {at:%Y}" if at.year != now.year else "")

    def deg(self, celsius: float) -> str:
        """A temperature."""
        return format_temperature(celsius, self.units)

    def degs(self, low: float, high: float) -> str:
        """A range of temperature."""
        return f"{self.deg(low).removesuffix(f' °{self.units}')} to {self.deg(high)}"


# --- the state of a site -------------------------------------------------------------------------

_Message = TypeVar("_Message", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Picture:
    """What the broker keeps of a site, read.

    online: what the daemon, or the broker for it, last said; None when it never said anything.
    unreadable: a sentence for each message that this version does not understand.
    """

    online: bool | None
    benches: Sequence[BenchMessage]
    batches: Sequence[BatchMessage]
    alarms: Sequence[AlarmMessage]
    unreadable: Sequence[str]

    @classmethod
    def of(cls, kept: Mapping[str, Mapping[str, Any]]) -> Picture:
        """From the messages, by topic less its `hotbed/<site>/`."""
        unreadable: list[str] = []

        def read(kind: str, model: type[_Message]) -> list[_Message]:
            found = []
            for topic in sorted(kept):
                if topic.partition("/")[0] != kind:
                    continue
                try:
                    found.append(model.model_validate(kept[topic]))
                except ValidationError as error:
                    unreadable.append(
                        f"{topic} can't be read by this version of hotbed "
                        f"({explain(error, model)[0]}): update the older of the two"
                    )
            return found

        return cls(
            online={"online": True, "offline": False}.get(
                str(kept.get("availability", {}).get("state"))
            ),
            benches=read("bench", BenchMessage),
            batches=read("batch", BatchMessage),
            alarms=read("alarm", AlarmMessage),
            unreadable=unreadable,
        )

    @property
    def at(self) -> str | None:
        """When the daemon last said how its benches are, RFC 3339; None when it never did."""
        return max((bench.at for bench in self.benches), default=None)


def status(site: str, picture: Picture, view: View, now: float) -> RenderableType:
    """The whole site: alarms on top, then bench by bench, then what stands elsewhere.

    now: POSIX seconds by this machine.
    """
    # The daemon's own time, where it runs: the simulator's may be days ahead.
    here = view.local(picture.at if picture.at is not None else now)
    parts: list[RenderableType] = [_header(site, picture, view, now)]
    parts += [_text(sentence, "yellow") for sentence in picture.unreadable]
    if picture.alarms:
        parts += [Text(), *_alarms(picture.alarms, view, here)]
    known = {bench.bench for bench in picture.benches}
    for bench in picture.benches:
        parts += [Text(), _bench(bench, view, here)]
        parts += [_batch(one, view, here) for one in picture.batches if one.place == bench.bench]
    elsewhere = sorted({one.place for one in picture.batches} - known)
    for place in elsewhere:
        parts += [Text(), _text(f"{place}, without heat or lamps", "bold")]
        parts += [_batch(one, view, here) for one in picture.batches if one.place == place]
    if picture.benches and not picture.batches:
        name = picture.benches[0].bench
        parts += [
            Text(),
            Text(f"Nothing is sown yet; for example: hotbed sow lettuce --bench {name}"),
        ]
    return Group(*parts)


def age(seconds: float) -> str:
    """A span of time in the largest unit that fits."""
    for unit, name in ((86400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= unit:
            many = int(seconds // unit)
            return f"{many} {name}{'s' if many > 1 else ''}"
    return "under a minute"


def behind(picture: Picture, now: float) -> float | None:
    """How old the picture is [s]; None when it holds no bench. Negative for a clock that is ahead."""
    return None if picture.at is None else now - datetime.fromisoformat(picture.at).timestamp()


def _header(site: str, picture: Picture, view: View, now: float) -> Text:
    old = behind(picture, now)
    head = _text(site, "bold")
    if picture.at is not None:
        at = view.local(picture.at)
        head.append(f"  {at:%A} {at.day} {at:%B}, {at:%H:%M}")
    aged = f", {age(old)} old" if old is not None and old >= 0 else ""
    if picture.online is not True:
        head.append(f"\nThe daemon is not running. Its last known state{aged}:", "bold red")
    elif old is not None and old > STALE:
        head.append(f"\nNo news from the daemon. Its last known state{aged}:", "bold red")
    return head


def alarms(standing: Sequence[AlarmMessage], view: View, now: float) -> RenderableType:
    """All alarms, the most urgent first."""
    if not standing:
        return Text("No alarms.")
    return Group(*_alarms(standing, view, view.local(now)))


def _alarms(
    standing: Sequence[AlarmMessage], view: View, now: datetime
) -> Iterator[RenderableType]:
    urgent = sorted(
        standing,
        key=lambda one: (one.state == "shelved", PRIORITIES.index(one.priority), one.raised_at),
    )
    for alarm in urgent:
        said = {
            "active": "",
            "acknowledged": f", seen by {alarm.acknowledged_by or 'somebody'}",
            "returned": ", returned to normal",
            "shelved": f", snoozed until {view.when(alarm.snoozed_until, now)}"
            if alarm.snoozed_until
            else "",
        }[alarm.state]
        head = _text(f"{alarm.priority.upper()} {alarm.title}", _ALARM_STYLES[alarm.priority])
        head.append(plain(f"  since {view.when(alarm.raised_at, now)}{said}"), "not bold default")
        yield head
        if alarm.state == "shelved":
            continue
        rows = [("what", alarm.cause), ("if not", alarm.consequence), ("do", alarm.action)]
        if alarm.needs_reset:
            rows.append(("then", f"hotbed alarms reset {alarm.alarm}"))
        elif alarm.state in ("active", "returned"):
            rows.append(("seen?", f"hotbed alarms ack {alarm.alarm}"))
        if alarm.state == "returned":
            rows = rows[:1] + rows[3:]
        yield _rows(rows)


def _rows(rows: Iterable[tuple[str, str | Text]], *, indent: int = 2, width: int = 9) -> Padding:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=width, style="dim")
    grid.add_column(overflow="fold")
    for label, text in rows:
        grid.add_row(label, text if isinstance(text, Text) else _text(text))
    return Padding(grid, (0, 0, 0, indent))


def _bench(bench: BenchMessage, view: View, now: datetime) -> RenderableType:
    title = f"  {bench.title}" if bench.title and bench.title != bench.bench else ""
    head = _text(bench.bench, "bold")
    head.append(plain(f"{title}  ({bench.trays_taken:g} of {bench.trays:g} trays taken)"))
    rows: list[tuple[str, str | Text]] = [("soil", _soil(bench, view)), ("air", _air(bench, view))]
    if bench.room is not None:
        rows.append(("room", view.deg(bench.room)))
    bad = [
        f"{one.probe} {QUALITY[Quality(one.quality)] if one.quality in list(Quality) else one.quality}"
        for one in bench.readings
        if one.quality != "ok"
    ]
    if bad:
        rows.append(("probes", Text(plain("; ".join(bad)), "yellow")))
    if bench.mat is not None:
        rows.append(("mat", _relay(bench.mat, "h on today", view, now)))
    if bench.lamp is not None:
        rows.append(("lamp", _relay(bench.lamp, "h of light so far today", view, now)))
    if bench.covered:
        rows.append(("cover", "on"))
    rows += [("stop", _text(f"safety stop: {one}", "red")) for one in bench.safety_stops]
    rows += [("conflict", _text(one, "yellow")) for one in bench.conflicts]
    return Group(head, _rows(rows))


def _soil(bench: BenchMessage, view: View) -> str:
    measured = any(one.measures == "soil" for one in bench.readings)
    if bench.soil is not None:
        said = view.deg(bench.soil)
    else:
        said = "no good reading" if measured else "not measured"
    aim = bench.aim
    if aim.soil is None:
        return f"{said}, not to be heated" if bench.mat is not None else said
    accepts = (
        f" (accepted: {view.degs(aim.soil_range.low, aim.soil_range.high)})"
        if aim.soil_range is not None
        else ""
    )
    return f"{said}, aiming for {view.deg(aim.soil)}{accepts}"


def _air(bench: BenchMessage, view: View) -> str:
    if bench.air is not None:
        said = view.deg(bench.air)
    else:
        measured = any(one.measures == "air" for one in bench.readings)
        said = "no good reading" if measured else "not measured"
    day = bench.lamp is not None and bench.lamp.on
    span = bench.aim.air_day if day else bench.aim.air_night
    if span is None:
        return said
    return f"{said}, wanted {'by day' if day else 'by night'} {view.degs(span.low, span.high)}"


def _relay(relay: RelayReport, hours: str, view: View, now: datetime) -> Text:
    said = Text("on" if relay.on else "off", "bold")
    # What a person wants outranks the program, not a safety stop, and then only the stop is the why.
    keep = (
        f" ({relay.kept_by or 'somebody'} keeps it {relay.kept})"
        if relay.kept is not None and f"kept {relay.kept}" not in relay.why
        else ""
    )
    said.append(plain(f": {relay.why}{keep}; {relay.hours_today:.1f} {hours}"), "not bold")
    if relay.next is not None:
        turn = "on" if relay.next.on else "off"
        said.append(f"; next {turn} {view.when(relay.next.at, now)}", "not bold")
    if relay.confirmed is not None and relay.confirmed != relay.on:
        said.append(f"; it reports {'on' if relay.confirmed else 'off'} itself", "red")
    return said


def _batch(batch: BatchMessage, view: View, now: datetime) -> RenderableType:
    name = f"{batch.title} '{batch.variety}'" if batch.variety else batch.title
    head = _text(f"  {batch.batch}", "bold")
    cells = f", {batch.cells} cells" if batch.cells else ""
    trays = f"{batch.trays:g} tray" + ("s" if batch.trays > 1 else "")
    head.append(plain(f"  {name}: {trays}{cells}"), "not bold")
    days = int(batch.days)
    rows = [
        (
            "stage",
            f"{batch.stage.value} since {view.day(batch.since, now)}, "
            f"{days} day{'' if days == 1 else 's'} after sowing"
            + (", covered" if batch.covered else ""),
        )
    ]
    if batch.stage is Stage.GERMINATION and not any(one.up for one in batch.counts):
        rows.append(("emerges", _emergence(batch, view, now)))
    if batch.counts:
        last = batch.counts[-1]
        of = f" of {last.of}" if last.of else ""
        rows.append(("counted", f"{last.up}{of} up, {view.day(last.at, now)}, by {last.by}"))
    rows += [("next" if i == 0 else "", step) for i, step in enumerate(batch.next)]
    return Group(head, _rows(rows, indent=4))


def _emergence(batch: BatchMessage, view: View, now: datetime) -> str:
    done = (
        f"{batch.emergence_percent:.0f} % of the warmth it needs; "
        if batch.emergence_percent is not None
        else ""
    )
    if batch.expected is None:
        return f"{done}no date: the soil there is not measured, or too cold or hot to come up"
    early, table, late = (
        view.day(moment, now)
        for moment in (batch.expected.early, batch.expected.table, batch.expected.late)
    )
    if early == late:
        return f"{done}expected {early}"
    return f"{done}expected {early} to {late}, by the table {table}"


# --- history -------------------------------------------------------------------------------------


def history(events: Sequence[Event], view: View) -> RenderableType:
    """Events, oldest first, with the day wherever it changes."""
    if not events:
        return Text("Nothing is written down yet.")
    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True, style="dim")
    grid.add_column(overflow="fold")
    day = ""
    for event in events:
        at = view.local(event.at)
        today = f"{at:%a} {at.day} {at:%b %Y}"
        if today != day:
            grid.add_row(Text(today, "bold not dim"), "")
            day = today
        grid.add_row(f"  {at:%H:%M}", _event(event))
    return grid


def event_line(event: Event, view: View) -> Text:
    """One event as it happens."""
    return Text(f"{view.local(event.at):%H:%M:%S}  ").append_text(_event(event))


def _event(event: Event) -> Text:
    by = f", {event.by}" if event.by and event.by not in event.text else ""
    return _text(f"{event.text}{by}")


# --- the check -----------------------------------------------------------------------------------


def findings(found: Sequence[Finding], *, ascii_only: bool = False) -> RenderableType:
    """What the check found, and how many of it want mending."""
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=1)
    grid.add_column(overflow="fold")
    for one in found:
        mark, bare, style = _MARKS[one.severity]
        said = _text(f"{one.place}: ", "bold").append(plain(one.text), "not bold")
        if one.mend:
            said.append("\n").append(plain(one.mend), "not bold")
        grid.add_row(Text(bare if ascii_only else mark, style), said)
    problems = sum(one.severity == "problem" for one in found)
    cautions = sum(one.severity == "caution" for one in found)
    counts = [
        f"{many} {word}{'s' if many > 1 else ''}"
        for many, word in ((problems, "problem"), (cautions, "caution"))
        if many
    ]
    return Group(
        grid, Text(), Text(" and ".join(counts) + "." if counts else "All is well.", "bold")
    )


# --- crops ---------------------------------------------------------------------------------------


def crops(library: Library, view: View) -> RenderableType:
    """The crops a site knows, a line each."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    headings = (
        "name",
        "code",
        "also called",
        f"seed likes soil °{view.units}",
        "weeks",
        "up in days",
    )
    for heading in headings:
        table.add_column(heading, overflow="fold")
    for crop in library.crops.values():
        best = crop.stages[Stage.GERMINATION].soil_best
        assert best is not None  # the model insists
        days = crop.emergence.days((best.low + best.high) / 2)
        table.add_row(
            _text(crop.name, "bold"),
            crop.code,
            _text(", ".join(crop.aliases)),
            view.degs(best.low, best.high).removesuffix(f" °{view.units}"),
            f"{crop.weeks_to_transplant.low:g} to {crop.weeks_to_transplant.high:g}",
            f"{days:.0f}" if days is not None else "never",
        )
    legend = "weeks: from sowing to transplant; up in days: at the middle of what the seed likes."
    return Group(
        table, Text(), Text(legend, "dim"), Text("All of one: hotbed crops show lettuce", "dim")
    )


def crop_sheet(crop: Crop, library: Library, view: View) -> RenderableType:
    """Every figure of a crop, stage by stage, each with its source, and the bibliography below."""
    head = _text(crop.title, "bold").append(f"  {crop.name}, code {crop.code}", "not bold")
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
        grid.add_row(f"  {label}", _text(said), figure.source)

    for label, figure in general:
        row(label, figure, units.get(label, "°C"))
    cited[crop.emergence_source] = None
    grid.add_row("  days to emergence", _text(_days(crop, view)), crop.emergence_source)
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
        books.add_row(f"  {key}", _text(library.sources[key].citation))
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
        shown = celsius if view.units == "C" else f_from_celsius(celsius)
        return f"{shown:g} °{view.units}"

    said = ", ".join(f"{days:g} at {at(celsius)}" for celsius, days in crop.emergence.points)
    never = ", ".join(at(celsius) for celsius in crop.emergence.never)
    note = f" ({crop.stand_in})" if crop.stand_in else ""
    return said + (f"; none at {never}" if never else "") + note
