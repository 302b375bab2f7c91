"""A benchmark's result: a table that prints as text and as JSON."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

Cell = str | float | int | None


@dataclass(frozen=True)
class Table:
    """Rows of cells under named columns, with notes below.

    Numbers stay numbers until they are printed, so that JSON has them unrounded. digits: after the
    point, for the columns named; three significant ones elsewhere.
    """

    title: str
    columns: tuple[str, ...]
    rows: Sequence[Sequence[Cell]]
    notes: tuple[str, ...] = ()
    digits: dict[str, int] = field(default_factory=dict)

    def text(self) -> str:
        """As Markdown, so that it can be kept in a page as it is."""
        cells = [
            [
                _worded(cell, self.digits.get(name))
                for name, cell in zip(self.columns, row, strict=True)
            ]
            for row in self.rows
        ]
        widths = [
            max(len(line[i]) for line in [list(self.columns), *cells])
            for i in range(len(self.columns))
        ]
        lines = [
            "| " + " | ".join(cell.ljust(w) for cell, w in zip(line, widths, strict=True)) + " |"
            for line in [list(self.columns), ["-" * w for w in widths], *cells]
        ]
        return "\n".join([f"**{self.title}**", "", *lines, *(f"\n{note}" for note in self.notes)])

    def data(self) -> dict[str, object]:
        """For JSON: a number that isn't one becomes null."""

        def plain(cell: Cell) -> Cell:
            return None if isinstance(cell, float) and not math.isfinite(cell) else cell

        rows = [dict(zip(self.columns, map(plain, row), strict=True)) for row in self.rows]
        return {"title": self.title, "rows": rows, "notes": list(self.notes)}


#: Runs a benchmark: quick leaves out most of the work, jobs is how many processes it may use.
Benchmark = Callable[[bool, int], list[Table]]


def _worded(cell: Cell, digits: int | None) -> str:
    if cell is None or (isinstance(cell, float) and math.isnan(cell)):
        return "-"
    if isinstance(cell, str):
        return cell
    if digits is not None:
        return f"{cell:.{digits}f}"
    return f"{cell:.3g}" if isinstance(cell, float) else str(cell)
