"""What `check` found."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from daemon.screens.base import plain, styled

if TYPE_CHECKING:
    from daemon.check import Finding

_MARKS = {
    "fine": ("✓", "+", "green"),
    "caution": ("!", "!", "yellow"),
    "problem": ("✗", "x", "red"),
}


def findings(found: Sequence[Finding], *, ascii_only: bool = False) -> RenderableType:
    """What the check found, and how many of it want mending."""
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=1)
    grid.add_column(overflow="fold")
    for one in found:
        mark, bare, style = _MARKS[one.severity]
        said = styled(f"{one.place}: ", "bold").append(plain(one.text), "not bold")
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
