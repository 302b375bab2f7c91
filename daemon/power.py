"""The site's watts: who has them when they don't suffice for all. Pure.

`turns` shares them out: lamps in their hours first, then what people keep on, then mats, the coldest
need first. It may be as clever as it likes, for `decide` has `interlocks.within_budget` look at what
comes of it, which switches off what would not fit.

The budget is the owner's figure: what circuit, supplies and relays bear. Many electrical codes count
80 % of a circuit's rating for loads that run for hours (common practice; the local code decides).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.interlocks import within_budget

#: A mat that is on is this much [°C] ahead of the others when the site's power is short, or two alike
#: would take turns by the minute.
MAT_STAYS = 0.5
#: And a lamp this much light [s]: lamps that don't fit together take turns of about that.
LAMP_STAYS = 2 * 3600.0
#: Who goes first: a lamp in its hours, what a person keeps on, a mat.
LIT, KEPT, WARM = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Load:
    """A relay that is to be on. rank: the smaller first. on: it is on already; held: and its least
    time on is not over. reports: it says itself that it is on, and draws until it says otherwise."""

    name: str
    watts: float
    rank: tuple[float, ...]
    on: bool = False
    held: bool = False
    reports: bool = False


def lamp_rank(lit_s: float, on: bool) -> tuple[float, ...]:
    """Of a lamp in its hours: the one with the least light so far today [s] first."""
    return LIT, lit_s - (LAMP_STAYS if on else 0.0)


def mat_rank(soil: float, target: float, low: float | None, on: bool) -> tuple[float, ...]:
    """Of a mat: the coldest first, by how far it is under its own target. All °C.

    low: the least that all on the bench accept; what is under that counts twice, for there a batch
    suffers, where others only wait.
    """
    short = target - soil
    if low is not None:
        short += max(0.0, low - soil)
    return WARM, -short - (MAT_STAYS if on else 0.0)


def turns(loads: Sequence[Load], budget: float) -> frozenset[str]:
    """The names of those that may be on now, within `budget` [W].

    What is on stays for its least time, whoever waits. Beyond that rank decides; what fits into the
    rest of the budget is let in too, but does not begin to run where a better one only waits for a
    least time to end, or it might wait for ever. What leaves while its plug still reports it on keeps
    the newcomers out until it is off.
    """
    ordered = sorted(loads, key=lambda load: load.rank)
    due = within_budget([(load.name, load.watts) for load in ordered], budget)
    if len(due) == len(loads):
        return due
    order = [
        *(load for load in ordered if load.held),
        *(load for load in ordered if not load.held and load.name in due),
        *(load for load in ordered if not load.held and load.on and load.name not in due),
    ]
    chosen = within_budget([(load.name, load.watts) for load in order], budget)
    leaving = sum(load.watts for load in loads if load.reports and load.name not in chosen)
    if not leaving:
        return chosen
    room = budget - leaving
    stay = [(load.name, load.watts) for load in order if load.on and load.name in chosen]
    kept = within_budget(stay, room)
    if len(kept) < len(stay):  # what is welded on takes the place of one that can go
        return kept
    come = [(load.name, load.watts) for load in order if not load.on and load.name in chosen]
    return kept | within_budget(come, room - sum(watts for _, watts in stay))
