"""What falls due while everybody is away."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

from rich.console import Group, RenderableType
from rich.text import Text

from daemon.screens.base import View, labelled, plain, styled
from daemon.state import DAY

if TYPE_CHECKING:
    from daemon.leave import Due


def leave(
    site: str, found: Sequence[Due], dates: Sequence[str], view: View, now: float, days: int
) -> RenderableType:
    """All of it by date, and on which days somebody must be there."""
    here, back = view.local(now), view.local(now + days * DAY)
    span = f"{here:%A} {view.day(now, here)} to {back:%A} {view.day(back.timestamp(), here)}"
    parts: list[RenderableType] = [styled(f"{site}: from {span}", "bold")]
    if not found:
        return Group(*parts, Text("Nothing falls due that is known now."))
    for due in found:
        when = "now" if due.at is None or due.at <= now else view.day(due.at, here)
        row = Text(plain(f"{due.subject}: {due.text}"))
        if due.command:
            row.append(plain(f" [{due.command}]"), "dim")
        parts.append(labelled([(when, row)]))
    said = ", ".join(f"{day:%a} {day.day} {day:%b}" for day in map(date.fromisoformat, dates))
    parts += [
        Text(),
        styled(f"Somebody must be there on: {said}" if said else "Nobody need be there.", "bold"),
        Text(
            "Show them this list, the wiring cautions of the README and the plugs to pull; and see that "
            "an alarm reaches them ([calls] in the configuration)."
        ),
    ]
    return Group(*parts)
