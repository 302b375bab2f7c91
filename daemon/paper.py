"""What is printed on paper: labels for trays, the day's sheet, the season's report. Pure.

Each as plain text for a line printer, and as one HTML page with nothing outside of it, black on white,
that prints on A4 and on Letter alike. Text that came from elsewhere is escaped.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from math import ceil
from textwrap import wrap

from daemon.energy import Energy, said_energy
from daemon.messages import AlarmMessage, BatchMessage, BenchMessage, TaskReport
from daemon.screens.base import View, plain
from daemon.story import Story

#: Characters of a line, as line printers and mail have it.
WIDTH = 78
#: Characters inside a label's frame, and labels in a row of text.
_LABEL, _LABELS = 34, 2
#: Tasks that fall due within so many days after the sheet's day are told as coming.
_COMING_DAYS = 3
#: Empty lines to write on, for each batch.
_LINES = 1

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
@page {{ margin: 12mm }}
* {{ box-sizing: border-box }}
body {{ margin: 0 auto; max-width: 186mm; color: #000; background: #fff;
  font: 10.5pt/1.35 "Liberation Sans", Arial, Helvetica, sans-serif }}
h1 {{ font-size: 17pt; margin: 0 0 1mm }}
h2 {{ font-size: 13pt; margin: 5mm 0 1.5mm; border-bottom: 0.6mm solid #000; break-after: avoid }}
h3 {{ font-size: 11pt; margin: 3mm 0 1mm; break-after: avoid }}
p {{ margin: 0 0 1.5mm }}
{style}
@media screen {{ body {{ padding: 8mm 4mm }} }}
</style>
</head>
<body>
{body}
</body>
</html>
"""


def _page(title: str, style: str, body: Iterable[str]) -> str:
    return _PAGE.format(title=_html(title), style=style.strip(), body="\n".join(body))


def _html(text: str) -> str:
    return escape(plain(text))


# --- labels --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Label:
    """What stands on a tray's label. tray: which of how many, empty where there is one."""

    batch: str
    crop: str
    variety: str
    sown: str
    seed: str
    place: str
    tray: str


def labels(batches: Sequence[BatchMessage], view: View) -> tuple[Label, ...]:
    """A label for each tray of each batch, and for a part of one."""
    found = []
    for one in batches:
        many = max(1, ceil(one.trays))
        seed = [f"lot {one.lot}" if one.lot else "", f"seed {one.year}" if one.year else ""]
        seed.append(one.treatment)
        for number in range(1, many + 1):
            found.append(
                Label(
                    one.batch,
                    one.title,
                    one.variety,
                    f"sown {view.local(one.sown_at).date()}",
                    ", ".join(filter(None, seed)),
                    one.place,
                    f"tray {number} of {many}" if many > 1 else "",
                )
            )
    return tuple(found)


def labels_text(found: Sequence[Label]) -> str:
    """Labels with frames of plain characters, two in a row, to be cut out."""
    edge = "+" + "-" * (_LABEL + 2) + "+"
    blocks = []
    for one in found:
        lines = [
            f"{one.batch:<{max(0, _LABEL - len(one.tray))}}{one.tray}",
            f"{one.crop} {one.variety}".rstrip(),
            f"{one.sown}, on {one.place}",
            one.seed,
        ]
        inner = [f"| {plain(line)[:_LABEL]:<{_LABEL}} |" for line in lines]
        blocks.append([edge, *inner, edge])
    rows = [blocks[n : n + _LABELS] for n in range(0, len(blocks), _LABELS)]
    text = ["\n".join("  ".join(parts) for parts in zip(*row, strict=True)) for row in rows]
    return "\n\n".join(text) + "\n"


_LABEL_STYLE = """
.labels { display: grid; grid-template-columns: repeat(2, 90mm); gap: 0 }
.label { height: 32mm; padding: 2mm 4mm; border: 0.2mm dashed #000; break-inside: avoid; overflow: hidden;
  display: grid; grid-template-columns: 1fr auto; align-content: space-between }
.code { font-size: 30pt; font-weight: bold; line-height: 1; letter-spacing: 0.5mm }
.tray { font-size: 9pt; text-align: right }
.what { grid-column: 1 / 3; font-size: 13pt; line-height: 1.15; white-space: nowrap; overflow: hidden;
  text-overflow: ellipsis }
.when { grid-column: 1 / 3; font-size: 10pt; line-height: 1.2; white-space: nowrap; overflow: hidden;
  text-overflow: ellipsis }
"""


def labels_html(found: Sequence[Label]) -> str:
    """Labels of 90 x 32 mm, two in a row, the code big enough to be read from the door."""

    def parts() -> Iterator[str]:
        yield '<div class="labels">'
        for one in found:
            variety = f" <b>{_html(one.variety)}</b>" if one.variety else ""
            seed = f"; {_html(one.seed)}" if one.seed else ""
            yield (
                f'<div class="label"><div class="code">{_html(one.batch)}</div>'
                f'<div class="tray">{_html(one.tray)}<br>{_html(one.place)}</div>'
                f'<div class="what">{_html(one.crop)}{variety}</div>'
                f'<div class="when">{_html(one.sown)}{seed}</div></div>'
            )
        yield "</div>"

    return _page("Labels", _LABEL_STYLE, parts())


# --- the day's sheet -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Entry:
    """One batch on the sheet: what it is, what is to be done today, and what is coming."""

    batch: str
    what: str
    today: tuple[str, ...]
    coming: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """A bench, or a place without heat and lamps, with its batches."""

    name: str
    about: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class DaySheet:
    """What there is to do on one day. alarms: what somebody must act on, with what to do. cautions: what
    could hurt somebody who does what is on it."""

    site: str
    day: str
    alarms: tuple[str, ...]
    places: tuple[Place, ...]
    cautions: tuple[str, ...] = ()


def day_sheet(
    site: str,
    benches: Sequence[BenchMessage],
    batches: Sequence[BatchMessage],
    alarms: Sequence[AlarmMessage],
    view: View,
    now: datetime,
) -> DaySheet:
    """The sheet of the day of `now`, by the site's clock: benches first, then what stands elsewhere."""
    here = view.local(now.timestamp())
    names = [bench.bench for bench in benches]
    about = {bench.bench: _about(bench, view) for bench in benches}
    elsewhere = sorted({one.place for one in batches} - set(names))
    return DaySheet(
        site,
        f"{here:%A} {here.day} {here:%B %Y}",
        tuple(
            f"{alarm.title}: {alarm.cause}. {alarm.action}"
            for alarm in alarms
            if alarm.state != "shelved"
        ),
        tuple(
            Place(
                name,
                about.get(name, "without heat or lamps"),
                tuple(_entry(one, view, here) for one in batches if one.place == name),
            )
            for name in (*names, *elsewhere)
        ),
        tuple(dict.fromkeys(task.caution for one in batches for task in one.tasks if task.caution)),
    )


def _about(bench: BenchMessage, view: View) -> str:
    aim = f"soil to {view.deg(bench.aim.soil)}" if bench.aim.soil is not None else "no heat"
    light = f"{bench.aim.light_hours:g} h of light" if bench.aim.light_hours else "no light"
    title = f"{bench.title}; " if bench.title and bench.title != bench.bench else ""
    return f"{title}{aim}, {light}"


def _entry(one: BatchMessage, view: View, here: datetime) -> Entry:
    today, coming = [], []
    for task in one.tasks:
        due = view.local(task.due).date() if task.due is not None else None
        ahead = (due - here.date()).days if due is not None else 0
        if ahead <= 0:
            late = f" (since {view.day(task.due, here)})" if task.due and ahead < 0 else ""
            today.append(f"{_said(task)}{late}")
        elif ahead <= _COMING_DAYS and task.due is not None:
            coming.append(f"by {view.day(task.due, here)}: {_said(task)}")
    name = f"{one.title} '{one.variety}'" if one.variety else one.title
    cells = f", {one.cells} cells" if one.cells else ""
    trays = f"{one.trays:g} tray" + ("s" if one.trays > 1 else "")
    return Entry(
        one.batch,
        f"{name}, {one.stage.value}, day {int(one.days)}; {trays}{cells}",
        tuple(today),
        tuple(coming),
    )


def _said(task: TaskReport) -> str:
    return f"{task.text[:1].upper()}{task.text[1:]}"


def day_text(sheet: DaySheet) -> str:
    """The sheet for a line printer, with boxes to tick."""
    lines = [f"{sheet.site}: {sheet.day}", "By: ____________________", ""]
    for alarm in sheet.alarms:
        lines += _filled("[ ] ALARM ", alarm)
    for place in sheet.places:
        lines += ["", f"{place.name.upper()}  ({place.about})", "=" * WIDTH]
        if not place.entries:
            lines.append("nothing stands here")
        for one in place.entries:
            lines += ["", *_filled(f"{one.batch}  ", one.what)]
            for task in one.today or ("Look at it",):
                lines += _filled("  [ ] ", task)
            for task in one.coming:
                lines += _filled("      ", task)
            lines += ["  Seen: " + "_" * (WIDTH - 8)] * _LINES
    for caution in sheet.cautions:
        lines += ["", *_filled("", caution)]
    return "\n".join(plain(line).rstrip() for line in lines) + "\n"


def _filled(head: str, text: str) -> list[str]:
    """Wrapped, with a hanging indent."""
    return wrap(plain(text), WIDTH, initial_indent=head, subsequent_indent=" " * len(head)) or [
        head
    ]


_DAY_STYLE = """
.by { float: right; font-size: 10pt; margin-top: 2mm }
.about { font-weight: normal; font-size: 10pt }
.batch { break-inside: avoid; margin-bottom: 2.5mm }
.code { font-weight: bold; font-size: 13pt; margin-right: 2mm }
.task { display: grid; grid-template-columns: 7mm 1fr; margin: 0.8mm 0 }
.box { width: 4mm; height: 4mm; border: 0.35mm solid #000; margin-top: 0.4mm }
.coming { margin-left: 7mm; font-size: 9.5pt; font-style: italic }
.seen { margin: 1mm 0 0 7mm; border-bottom: 0.2mm solid #000; height: 6mm; font-size: 9pt }
.alarm { border: 0.6mm solid #000; padding: 1.5mm 2mm }
"""


def day_html(sheet: DaySheet) -> str:
    """The sheet as a page, with boxes to tick and lines to write on."""

    def task(text: str, kind: str = "task") -> str:
        return f'<div class="{kind}"><div class="box"></div><div>{_html(text)}</div></div>'

    def parts() -> Iterator[str]:
        yield '<div class="by">By: ______________________</div>'
        yield f"<h1>{_html(sheet.day)}</h1><p>{_html(sheet.site)}</p>"
        for alarm in sheet.alarms:
            yield task(f"ALARM {alarm}", "task alarm")
        for place in sheet.places:
            yield f'<h2>{_html(place.name)} <span class="about">{_html(place.about)}</span></h2>'
            if not place.entries:
                yield "<p>Nothing stands here.</p>"
            for one in place.entries:
                yield '<div class="batch">'
                yield f'<div><span class="code">{_html(one.batch)}</span>{_html(one.what)}</div>'
                yield from (task(each) for each in one.today or ("Look at it",))
                yield from (f'<div class="coming">{_html(each)}</div>' for each in one.coming)
                yield '<div class="seen">Seen:</div>' * _LINES
                yield "</div>"
        yield from (f"<p><b>{_html(caution)}</b></p>" for caution in sheet.cautions)

    return _page(f"{sheet.site}, {sheet.day}", _DAY_STYLE, parts())


# --- the season's report -------------------------------------------------------------------------

_LEARNT = "What was expected of the next batch's emergence, after each"
_COLUMNS = ("batch", "crop", "sown", "up after", "stand", "ended", "outcome")


def _row(story: Story, view: View) -> tuple[str, ...]:
    days, stand = story.first_up_days, story.stand
    of = f"/{stand.of}" if stand.of else ""
    count = f", {story.count}" if story.count is not None else ""
    count += f"/{story.cells}" if count and story.cells else ""
    why = f" ({story.why})" if story.why else ""
    return (
        story.batch,
        story.crop or "part of another",
        str(view.local(story.sown_at).date()),
        "" if days is None else f"{days:.1f} d",
        "" if stand.up is None else f"{stand.up}{of}",
        "" if story.ended_at is None else str(view.local(story.ended_at).date()),
        f"{story.outcome}{count}{why}" if story.outcome else "stands",
    )


_Drawn = Mapping[str, tuple[Energy, str | None]]


def _drawn(energy: _Drawn) -> list[str]:
    return [
        f"{name}: {said_energy(one.kwh, one.cost, currency)}, lamp {one.lamp_wh / 1000:.2f}, "
        f"mat {one.mat_wh / 1000:.2f}"
        for name, (one, currency) in energy.items()
    ]


def _learnt(told: Sequence[Story]) -> list[tuple[str, str]]:
    """What each batch that came up made of the next one's emergence, in days of the table."""
    return [(story.batch, f"{story.crop}: {story.learnt}") for story in told if story.learnt]


def season_text(told: Sequence[Story], energy: _Drawn, view: View) -> str:
    """All batches in a table, what the benches drew, what was learnt, then the story of each."""
    rows = [_COLUMNS, *(_row(story, view) for story in told)]
    widths = [max(len(plain(row[n])) for row in rows) for n in range(len(_COLUMNS) - 1)]
    lines = []
    for row in rows:
        head = "  ".join(
            f"{plain(cell):<{width}}" for cell, width in zip(row, widths, strict=False)
        )
        lines += _filled(f"{head}  ", row[-1])
    if energy:
        lines += ["", "Energy of the benches", "-" * WIDTH, *map(plain, _drawn(energy))]
    if learnt := _learnt(told):
        lines += ["", _LEARNT, "-" * WIDTH]
        for code, text in learnt:
            lines += _filled(f"{code}  ", text)
    for story in told:
        lines += ["", plain(f"{story.batch}  {story.crop}"), "-" * WIDTH]
        for line in story.lines:
            by = f", {line.by}" if line.by else ""
            lines += _filled(f"{view.local(line.at):%Y-%m-%d %H:%M}  ", f"{line.text}{by}")
    return "\n".join(line.rstrip() for line in lines) + "\n"


_SEASON_STYLE = """
table { border-collapse: collapse; width: 100% }
th, td { text-align: left; vertical-align: top; padding: 0.8mm 3mm 0.8mm 0 }
th, td { border-bottom: 0.2mm solid #000 }
th { border-bottom: 0.6mm solid #000 }
tr { break-inside: avoid }
td:first-child { white-space: nowrap }
.lines td { border: 0; padding: 0.3mm 3mm 0.3mm 0 }
.lines td:first-child { width: 34mm }
"""


def season_html(site: str, told: Sequence[Story], energy: _Drawn, view: View) -> str:
    """The report as a page."""

    def parts() -> Iterator[str]:
        yield f"<h1>The season of {_html(site)}</h1>"
        yield "<table><tr>" + "".join(f"<th>{column}</th>" for column in _COLUMNS) + "</tr>"
        for story in told:
            yield (
                "<tr>" + "".join(f"<td>{_html(cell)}</td>" for cell in _row(story, view)) + "</tr>"
            )
        yield "</table>"
        if energy:
            yield "<h2>Energy of the benches</h2>"
            yield from (f"<div>{_html(line)}</div>" for line in _drawn(energy))
        if learnt := _learnt(told):
            yield f"<h2>{_LEARNT}</h2>"
            yield from (f"<div>{_html(f'{code}  {text}')}</div>" for code, text in learnt)
        for story in told:
            yield f'<h2>{_html(story.batch)} <span>{_html(story.crop)}</span></h2><table class="lines">'
            for line in story.lines:
                by = f", {line.by}" if line.by else ""
                at = f"{view.local(line.at):%Y-%m-%d %H:%M}"
                yield f"<tr><td>{at}</td><td>{_html(line.text + by)}</td></tr>"
            yield "</table>"

    return _page(f"The season of {site}", _SEASON_STYLE, parts())
