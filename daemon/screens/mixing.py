"""Potting mix: what to buy and mix, and the containers that are known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from daemon.screens.base import styled
from profiles.mix import MIX_CAUTION, Container, Filling, MixOrder, Recipe


def mix(fillings: Sequence[Filling], recipe: Recipe, order: MixOrder) -> RenderableType:
    """What fills the containers: litres in them, of the loose mix, and of each part with its bags."""
    held = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    held.add_column("to fill", overflow="fold")
    held.add_column("litres of mix", justify="right")
    whole = sum(one.litres(1) for one in fillings)
    for one in fillings:
        plug = f", for plants out of a {one.plug.title}" if one.plug is not None else ""
        share = one.litres(1) / whole if whole else 0.0
        held.add_row(
            styled(f"{one.count} x {_each(one.container)}{plug}"), f"{order.loose_l * share:.1f}"
        )
    parts = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    parts.add_column("part", overflow="fold")
    parts.add_column("parts", justify="right")
    parts.add_column("litres", justify="right")
    parts.add_column("bags", overflow="fold")
    shares = dict(recipe.parts)
    for part in order.ingredients:
        bags = " and ".join(f"{many} of {size:g} l" for size, many in part.bags)
        parts.add_row(styled(part.name), f"{shares[part.name]:g}", f"{part.litres:.1f}", bags)
    return Group(
        held,
        Text(),
        Text(
            f"Mix {order.loose_l:.1f} litres, from {order.parts_l:.1f} litres of parts "
            f"(fine parts fill the gaps: {100 * recipe.shrinkage:.0f} % less); watered in it settles "
            f"to {order.filled_l:.1f}."
        ),
        Text(),
        parts,
        Text(),
        Text(MIX_CAUTION, "yellow"),
    )


def containers(known: Mapping[str, Container]) -> RenderableType:
    """The containers by name, with what they hold."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("name", "what", "to a tray", "litres each", "litres a tray"):
        table.add_column(heading, justify="left" if heading in ("name", "what") else "right")
    for one in known.values():
        table.add_row(
            styled(one.name, "bold"),
            styled(_each(one)),
            str(one.per_tray),
            f"{one.volume_l:.3f}",
            f"{one.volume_l * one.per_tray:.1f}",
        )
    return Group(
        table,
        Text(),
        Text(
            "To the brim, by usual inside measures (common practice, no source); a tray is one of 10 x "
            "20 inch. Measure your own with water: --measured NAME:LITRES.",
            "dim",
        ),
    )


def _each(one: Container) -> str:
    return f"cell of a {one.title}" if one.kind == "cell" else one.title
