"""Many scenarios, on all cores; one that fails is shortened until little is left of it."""

from __future__ import annotations

import json
import multiprocessing
import os
import time
import traceback
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from math import ceil

from rich.console import Console
from rich.progress import Progress
from rich.text import Text

from daemon.campaign.judge import Judge, ViolationError
from daemon.campaign.play import BrokenRuleError, Play
from daemon.campaign.scenario import Trouble, draw
from daemon.state import DAY, Site
from profiles.library import Library, load_library

#: Every scenario's tick [s].
TICK = 60.0
#: How many times a scenario is played again to shorten it, at most.
TRIES = 60


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one scenario; violation, mono and seen are None where all held.

    mono: s from the start. troubles: the numbers of those played.
    """

    seed: int
    days: float
    troubles: tuple[int, ...]
    invariant: str | None = None
    mono: float | None = None
    seen: str = ""

    @property
    def command(self) -> str:
        """The command that plays just this."""
        only = ",".join(map(str, self.troubles)) or "none"
        return f"hotbed rehearse --campaign 1 --seed {self.seed} --days {ceil(self.days)} --only {only}"


@cache
def _library() -> Library:
    return load_library()


def play(seed: int, days: float, only: frozenset[int] | None = None) -> Outcome:
    """Play one scenario to its end, or to the first violation."""
    scenario = draw(seed, days, _library(), only)
    numbers = tuple(one.number for one in scenario.troubles)
    one = Play(scenario, Site.of(scenario.config, _library()))
    one.watch = Judge(one)
    try:
        one.run()
    except ViolationError as broken:
        return Outcome(seed, days, numbers, broken.invariant, broken.mono, broken.seen)
    except BrokenRuleError as broken:
        return Outcome(seed, days, numbers, "broken", one.mono, str(broken))
    except Exception as error:  # whatever it is, the core must not raise it
        last = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{last.filename.rsplit('/', 1)[-1]}, line {last.lineno}"
        kind = type(error).__name__
        return Outcome(seed, days, numbers, f"exception:{kind}", one.mono, f"{error} ({where})")
    return Outcome(seed, days, numbers)


def shorten(found: Outcome) -> Outcome:
    """The same violation with fewer days and troubles, by leaving out halves, then single ones."""
    best = _cut(found)
    tries = TRIES
    size = max(1, len(best.troubles) // 2)
    while tries > 0:
        smaller = None
        for first in range(0, len(best.troubles), size):
            left = best.troubles[:first] + best.troubles[first + size :]
            tries -= 1
            again = play(found.seed, best.days, frozenset(left))
            if again.invariant == found.invariant:
                smaller = _cut(again)
                break
            if tries <= 0:
                break
        if smaller is not None:
            best = smaller
            size = max(1, min(size, len(best.troubles) // 2))
        elif size == 1:
            break
        else:
            size //= 2
        if not best.troubles:
            break
    return best


def _cut(found: Outcome) -> Outcome:
    """Without the days after the violation, and the troubles that only begin in them."""
    assert found.mono is not None
    days = float(ceil((found.mono + 60) / DAY))
    kept = draw(found.seed, days, _library(), frozenset(found.troubles)).troubles
    begun = tuple(one.number for one in kept if one.at <= found.mono)
    return replace(found, days=min(days, found.days), troubles=begun)


def _job(work: tuple[int, float, frozenset[int] | None]) -> Outcome:
    found = play(*work)
    return found if found.invariant is None else shorten(found)


def told(
    many: int, seed: int, days: float, only: frozenset[int] | None, *, as_json: bool = False
) -> int:
    """Run `many` scenarios from `seed` on, and print what broke and how to see it; how many did."""
    console = Console(highlight=False, soft_wrap=True)
    begun, broken = time.monotonic(), []
    with Progress(
        *Progress.get_default_columns(), console=Console(stderr=True), transient=True
    ) as bar:
        task = bar.add_task(f"{many} of {days:g} days", total=many)
        for outcome in campaign(range(seed, seed + many), days, only=only):
            if outcome.invariant is not None:
                broken.append(outcome)
                if not as_json:
                    bar.console.print(end="")
                    console.print(Text(_worded(outcome)))
            bar.update(task, advance=1)
    took = time.monotonic() - begun
    if as_json:
        result = {
            "scenarios": many,
            "days": days,
            "seed": seed,
            "seconds": round(took, 1),
            "violations": [
                {
                    "seed": one.seed,
                    "invariant": one.invariant,
                    "tick": round((one.mono or 0) / TICK),
                    "day": round((one.mono or 0) / DAY, 4),
                    "seen": one.seen,
                    "days": one.days,
                    "troubles": list(map(str, _troubles(one))),
                    "command": one.command,
                }
                for one in broken
            ],
        }
        print(json.dumps({"ok": not broken, "result": result}, indent=1, ensure_ascii=False))
    else:
        found = f"{len(broken)} violations" if len(broken) != 1 else "one violation"
        console.print(
            f"{many} scenario{'s' * (many != 1)} of {days:g} days from seed {seed}, "
            f"in {took / 60:.1f} min: {found if broken else 'no violation'}"
        )
    return len(broken)


def _troubles(one: Outcome) -> tuple[Trouble, ...]:
    return draw(one.seed, one.days, _library(), frozenset(one.troubles)).troubles


def _worded(one: Outcome) -> str:
    mono = one.mono or 0.0
    many = len(one.troubles)
    lines = [
        f"seed {one.seed}: {one.invariant}, tick {mono / TICK:.0f} (day {mono / DAY:.3f})",
        f"  {one.seen}",
        f"  shortened to {one.days:g} days and {many} trouble{'s' * (many != 1)}:",
        *(f"    {trouble}" for trouble in _troubles(one)),
        f"  {one.command}",
    ]
    return "\n".join(lines)


def campaign(
    seeds: Iterable[int],
    days: float,
    *,
    only: frozenset[int] | None = None,
    cores: int | None = None,
) -> Iterator[Outcome]:
    """The outcomes of all these seeds, as they come, each violation shortened."""
    work = [(seed, days, only) for seed in seeds]
    cores = min(cores or os.cpu_count() or 1, len(work))
    if cores <= 1:
        yield from map(_job, work)
        return
    context = multiprocessing.get_context("spawn")
    with context.Pool(cores) as pool:
        yield from pool.imap(_job, work, chunksize=1)
