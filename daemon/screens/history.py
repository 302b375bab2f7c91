"""What happened, event by event."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from daemon.events import Event
from daemon.screens.base import View, styled


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
    return styled(f"{event.text}{by}")
