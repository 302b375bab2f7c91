"""How everything is printed: plain text, moments and temperatures as a person reads them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from profiles.units import Units, f_from_celsius, format_temperature


def plain(text: str) -> str:
    """Text from elsewhere as it may be printed: one line, and nothing that commands a terminal."""
    return "".join(char if char.isprintable() else " " for char in text)


def styled(text: str, style: str = "") -> Text:
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

    def shown(self, celsius: float) -> float:
        """A temperature as a number on the scale that is read."""
        return celsius if self.units == "C" else f_from_celsius(celsius)

    def deg(self, celsius: float) -> str:
        """A temperature."""
        return format_temperature(celsius, self.units)

    def degs(self, low: float, high: float) -> str:
        """A range of temperature."""
        return f"{self.deg(low).removesuffix(f' °{self.units}')} to {self.deg(high)}"


def labelled(rows: Iterable[tuple[str, str | Text]], *, indent: int = 2, width: int = 9) -> Padding:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=width, style="dim")
    grid.add_column(overflow="fold")
    for label, text in rows:
        grid.add_row(label, text if isinstance(text, Text) else styled(text))
    return Padding(grid, (0, 0, 0, indent))
