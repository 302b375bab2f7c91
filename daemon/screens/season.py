"""The season's plan: crop by crop, day by day, and week by week where it all stands."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from daemon.screens.base import plain, styled
from profiles.season import (
    DateRange,
    Overflow,
    SeasonPlan,
    Sowing,
    iso_week,
)


def season(plan: SeasonPlan, counted_from: str, year: int, today: date) -> RenderableType:
    """The whole plan. counted_from: the date that it goes by, in words; year: the one it is in.

    Dates of another year are told with it, and that year itself where it is not today's.
    """

    def day(when: date) -> str:
        return f"{when.day} {when:%b}" + (f" {when.year}" if when.year != year else "")

    parts: list[RenderableType] = [styled(f"Planned from {counted_from}", "bold")]
    if year != today.year:
        parts.append(Text(f"Where no year is told it is {year}.", "dim"))
    parts += [Text(), _by_crop(plan, day), *_notes(plan)]
    parts += [Text(), Text("Day by day", "bold"), _by_date(plan, day)]
    weeks = _weeks(plan, day)
    parts += [Text(), Text("Trays of 10 x 20 inch, the most in each week", "bold"), weeks]
    for overflow in plan.overflows:
        parts += [Text(), _overflow(overflow, plan, day)]
    return Group(*parts)


#: A date without its weekday.
_Day = Callable[[date], str]


def _by_crop(plan: SeasonPlan, day: _Day) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0), header_style="dim")
    table.add_column("crop", overflow="fold")
    table.add_column("plants", justify="right")
    table.add_column("seeds", justify="right")
    steps = ("sow", "emerge", "prick_out", "pot_on", "harden", "plant_out")
    words = ("sow", "up", "prick", "pot on", "harden", "out")
    used = [
        (key, word)
        for key, word in zip(steps, words, strict=True)
        if any(getattr(one.dates, key) is not None for one in plan.sowings)
    ]
    for _, word in used:
        table.add_column(word, no_wrap=True)
    table.add_column("trays", justify="right")
    for one in plan.sowings:
        dates: list[DateRange | None] = [getattr(one.dates, key) for key, _ in used]
        table.add_row(
            styled(one.title),
            str(one.order.plants),
            str(one.seeds),
            *("" if each is None else day(each.chosen) for each in dates),
            str(max(stay.trays for stay in one.stays)),
        )
    return table


def _notes(plan: SeasonPlan) -> Iterator[Text]:
    """What must be known of a sowing, once for all sowings that it holds for."""
    told: dict[tuple[str, str], Sowing] = {}
    for one in plan.sowings:
        for note in one.notes:
            told.setdefault((one.order.title, note), one)
    # By what is said, for many crops ask the same of the soil.
    by_note: dict[str, list[str]] = {}
    for title, note in told:
        by_note.setdefault(note, []).append(title)
    if by_note:
        yield Text()
    for note, titles in by_note.items():
        yield styled(f"{', '.join(titles)}: {note}")


def _by_date(plan: SeasonPlan, day: _Day) -> Table:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True, style="dim")
    grid.add_column(overflow="fold")
    before = None
    for task in plan.tasks:
        said = styled(task.summary, "bold")
        if task.description:
            said.append(plain(f"  {task.description}"), "not bold")
        when = f"{task.day:%a} {day(task.day)}" if task.day != before else ""
        grid.add_row(f"  {when}", said)
        before = task.day
    return grid


def _weeks(plan: SeasonPlan, day: _Day) -> Table:
    places = list(dict.fromkeys(week.place for week in plan.weeks))
    found = {(week.monday, week.place): week for week in plan.weeks}
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("week", no_wrap=True, style="dim")
    table.add_column("from", no_wrap=True)
    for place in places:
        table.add_column(plain(place), justify="right", overflow="fold")
    for monday in sorted({week.monday for week in plan.weeks}):
        cells = []
        for place in places:
            week = found.get((monday, place))
            of = f" of {week.capacity}" if week is not None and week.capacity is not None else ""
            cell = Text("" if week is None else f"{week.trays}{of}")
            if week is not None and week.over:
                cell.append(f", {week.over} too many").stylize("red")
            cells.append(cell)
        table.add_row(iso_week(monday), day(monday), *cells)
    return table


def _overflow(overflow: Overflow, plan: SeasonPlan, day: _Day) -> Text:
    """Where it is too full, whose trays those are, and what helps."""
    first, last = overflow.weeks[0], overflow.weeks[-1]
    most = max(week.over for week in overflow.weeks)
    titles = {one.key: one.title for one in plan.sowings}
    weeks = len(overflow.weeks)
    span = (
        f"in the week of {day(first.monday)}"
        if weeks == 1
        else f"from {day(first.monday)}, {weeks} weeks on end, to the week of {day(last.monday)}"
    )
    said = styled(f"{overflow.place} is too small {span}: by {_trays(most)} at most.", "yellow")
    whose = ", ".join(titles[key] for key in overflow.sowings)
    lines = [f"There then: {whose}."]
    if not overflow.remedies:
        lines.append("No change that was tried mends it: raise fewer plants, or find more room.")
    elif overflow.together:
        lines.append("What helps, all together:")
    else:
        lines.append("What helps:" if len(overflow.remedies) == 1 else "What helps, any of these:")
    lines += [f"- {remedy.text}" for remedy in overflow.remedies]
    if overflow.remedies and not any(remedy.clears for remedy in overflow.remedies):
        lines.append("It is still too small then: raise fewer plants, or find more room.")
    for line in lines:
        said.append("\n").append(plain(f"  {line}"), "default")
    return said


def _trays(count: int) -> str:
    return f"{count} tray" + ("" if count == 1 else "s")
