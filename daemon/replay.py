"""What the journal keeps so that each decision can be made again, and making it again.

`decide` is pure, so a tick's readings, what else it was given, and the requests done since the one
before give the same decision for ever. `Recorder` makes each tick a row of the journal: readings
whole, all else only where it differs, and a digest of what was decided. Once a day and at each start it
adds all that is known (the site, its crops, the memory), so that a replay can begin there and need not
begin at the beginning, and so that a difference does not make all that follows differ.
"""

from __future__ import annotations

import hashlib
import json
import logging
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter
from pydantic_core import to_json

from daemon.decide import Decision, decide
from daemon.events import Event
from daemon.journal import (
    JournalError,
    StoredTick,
    TickRow,
    last_step,
    read_events,
    read_request,
    read_steps,
    read_ticks,
    tick_of,
)
from daemon.requests import KINDS, RefusedError, apply
from daemon.state import DAY, Inputs, Memory, Now, Site, cared_for, dump, restore
from drivers.protocols import RelayState
from profiles.library import Library

log = logging.getLogger(__name__)

#: How often all that is known is written down [s].
CHECKPOINT_EVERY = DAY
#: How many ticks are read at a time.
PAGE = 2000
#: How many differences are told one by one.
TOLD = 20
#: Kinds of events that do not come of a tick.
_NOT_DECIDED = frozenset({"request", "daemon", "record", "stage", "move", "power"})
#: Each half of the digest of a decision [bytes].
_HALF = 4


def dump_site(site: Site) -> str:
    """The site and its crops as JSON text, without what follows from them."""
    bare = replace(site, library=Library(dict(site.crops), {}), husbandry={}, counted={})
    return to_json(bare, inf_nan_mode="null", fallback=str).decode()


def restore_site(text: str) -> Site:
    """The site from its JSON text. Raises ValueError (pydantic's) when it does not fit."""
    site = TypeAdapter(Site).validate_json(text)
    husbandry, counted = cared_for(site.library)
    return replace(site, husbandry=husbandry, counted=counted)


def told(decision: Decision) -> bytes:
    """A digest of a decision: one half of what is switched and why it is safe, one of what is said."""
    done = [
        [name, one.lamp, one.mat, sorted(one.stops), one.target]
        for name, one in decision.outputs.items()
    ]
    said = [
        [[one.lamp_why, one.mat_why] for one in decision.outputs.values()],
        [
            [e.at, e.kind, e.text, e.bench, e.batch, e.by, dict(e.data)]
            for e in decision.events
        ],
    ]  # fmt: skip
    return b"".join(
        hashlib.blake2b(json.dumps(half, default=str).encode(), digest_size=_HALF).digest()
        for half in (done, said)
    )


def _switched(decision: Decision) -> dict[str, list[bool]]:
    return {name: [one.lamp, one.mat] for name, one in decision.outputs.items()}


def _relays(inputs: Inputs) -> dict[str, list[Any]]:
    return {name: [one.commanded, one.confirmed, one.fault] for name, one in inputs.relays.items()}


class Recorder:
    """Makes ticks into rows of the journal, each with what differs from the one before."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._steps: list[tuple[str, str]] = []
        self._due: float | None = None  # when the next checkpoint is, mono
        self._relays: dict[str, list[Any]] = {}
        self._troubles: dict[str, str] = {}
        self._switched: dict[str, list[bool]] = {}
        self._began = False

    def start(self) -> None:
        """The memory is another than the last tick left: at a start, after a power cut."""
        self._due, self._began, self._steps = None, False, []

    def asked(self, request_id: str, now: Now) -> None:
        """That request has just been done in the memory, at `now`."""
        step = {"id": request_id, "mono": now.mono, "utc": now.utc, "trusted": now.trusted}
        self._steps.append(("request", json.dumps(step)))

    def row(self, before: Memory, inputs: Inputs, now: Now, decision: Decision) -> TickRow:
        """The row of a tick: `decide(before, site, inputs, now)` gave `decision`."""
        steps: list[tuple[str, str]] = []
        if not self._began:
            steps.append(("start", "{}"))
            self._steps = []  # the memory has them
            self._began = True
        else:
            steps += self._steps
            self._steps = []
        relays, troubles, switched = _relays(inputs), dict(inputs.troubles), _switched(decision)
        if whole := self._due is None or now.mono >= self._due:
            self._due = now.mono + CHECKPOINT_EVERY
            steps += [("site", dump_site(self._site)), ("memory", dump(before))]
        changed = {n: one for n, one in relays.items() if whole or self._relays.get(n) != one}
        if changed:
            steps.append(("relays", json.dumps(changed)))
        if whole or troubles != self._troubles:
            steps.append(("troubles", json.dumps(troubles)))
        turned = {n: one for n, one in switched.items() if whole or self._switched.get(n) != one}
        if turned:
            steps.append(("switched", json.dumps(turned)))
        self._relays, self._troubles, self._switched = relays, troubles, switched
        return TickRow(
            now.utc, now.mono, inputs.readings, now.trusted, tuple(steps), told(decision)
        )


@dataclass(frozen=True, slots=True)
class Difference:
    """A tick whose decision, or whose memory before it, was not the recorded one.

    n, at: the tick's number and time, POSIX. what: "outputs" (what is switched, aimed for or stopped),
    "words" (the same, said otherwise) or "memory". detail: in words.
    """

    n: int
    at: float
    what: str
    detail: str


@dataclass(slots=True)
class Replayed:
    """What a replay found.

    first, last: the ticks replayed, by number; since, until: their times, POSIX, None where there
    are none. ticks: how many were decided again; skipped: how many could not be, for want of what went
    before. starts, requests, checkpoints: how many were gone through. differing: how many
    ticks differed; differences: the first of them.
    """

    first: int | None = None
    last: int | None = None
    since: float | None = None
    until: float | None = None
    ticks: int = 0
    skipped: int = 0
    starts: int = 0
    requests: int = 0
    checkpoints: int = 0
    differing: int = 0
    differences: list[Difference] = field(default_factory=list)


class _Player:
    """Plays ticks, one after the other."""

    def __init__(self, path: Path, found: Replayed) -> None:
        self.path = path
        self.found = found
        self.site: Site | None = None
        self.memory: Memory | None = None  # None: not known, until the next checkpoint
        self.aims: Mapping[str, Any] | None = None
        self.relays: dict[str, RelayState] = {}
        self.troubles: dict[str, str] = {}
        self.switched: dict[str, list[bool]] = {}
        self.site_text = ""
        self._differed = False

    def play(self, tick: StoredTick) -> None:
        if tick.lost:
            self.memory = None
        self._differed = False
        for kind, body in tick.steps:
            self.step(tick.n, tick.at, kind, body)
        if self.memory is None or self.site is None or not tick.told:
            self.memory = None
            self.found.skipped += 1
            return
        now = Now(tick.mono, tick.at, tick.trusted)
        inputs = Inputs(tick.readings, self.relays, self.troubles)
        decision = decide(self.memory, self.site, inputs, now, aims=self.aims)
        self.memory, self.aims = decision.memory, decision.aims
        self.found.ticks += 1
        self._compare(tick, decision)

    def step(self, n: int, at: float, kind: str, body: str) -> None:
        """Take in what tick `n`, of POSIX time `at`, was given besides readings."""
        if kind == "start":
            self.memory = None
            self.found.starts += 1
        elif kind == "site":
            self.relays, self.switched = {}, {}  # told anew, all of them
            if body != self.site_text:
                self.site, self.site_text, self.aims = restore_site(body), body, None
        elif kind == "memory":
            recorded = restore(body)
            if self.memory is not None:
                self.found.checkpoints += 1
                if others := [
                    one.name
                    for one in fields(Memory)
                    if getattr(recorded, one.name) != getattr(self.memory, one.name)
                ]:
                    self._differs(
                        n, at, "memory", f"before it, the memory differs in: {', '.join(others)}"
                    )
            self.memory, self.aims = recorded, None
        elif kind == "relays":
            self.relays |= {name: RelayState(*one) for name, one in json.loads(body).items()}
        elif kind == "troubles":
            self.troubles = json.loads(body)
        elif kind == "switched":
            self.switched |= json.loads(body)
        elif kind == "request":
            self._ask(n, at, json.loads(body))
        else:
            raise JournalError(
                f"{self.path}: tick {n} has a step of kind {kind!r}, which this hotbed does not "
                "know: replay it with the version that wrote it"
            )

    def _ask(self, n: int, at: float, step: Mapping[str, Any]) -> None:
        if self.memory is None or self.site is None:
            return
        self.found.requests += 1
        row = read_request(self.path, step["id"])
        if row is None:
            self._differs(n, at, "memory", f"request {step['id']} before it is not in the journal")
            return
        now = Now(step["mono"], step["utc"], step["trusted"])
        try:
            asked = KINDS[row.kind].model_validate(json.loads(row.body))
            done = apply(self.memory, self.site, asked, row.by or "", now)
        except (RefusedError, KeyError, ValueError) as error:
            self._differs(
                n,
                at,
                "memory",
                f"the request to {row.kind} before it, once done, is refused: {error}",
            )
            return
        self.memory, self.aims = done.memory, None

    def _compare(self, tick: StoredTick, decision: Decision) -> None:
        here = told(decision)
        if here == tick.told:
            return
        if here[:_HALF] == tick.told[:_HALF]:
            self._differs(tick.n, tick.at, "words", self._otherwise_said(tick, decision.events))
            return
        names = ("lamp", "mat")
        then = self.switched
        turned = [
            f"{bench}'s {names[n]} was {_on(then[bench][n])} and is now {_on(on)}"
            for bench, pair in _switched(decision).items()
            for n, on in enumerate(pair)
            if bench in then and then[bench][n] != on
        ]
        self._differs(
            tick.n,
            tick.at,
            "outputs",
            "; ".join(turned) or "the same is switched, with another aim or stop",
        )

    def _otherwise_said(self, tick: StoredTick, events: tuple[Event, ...]) -> str:
        texts = [one.text for one in events]
        stored = read_events(self.path, since=tick.at, until=tick.at + 1e-6, limit=100)
        there = [one.text for one in stored if one.kind not in _NOT_DECIDED]
        gone = [f"no longer said: {text}" for text in there if text not in texts]
        new = [f"newly said: {text}" for text in texts if text not in there]
        return "; ".join(gone[:3] + new[:3]) or "a reason is worded otherwise"

    def _differs(self, n: int, at: float, what: str, detail: str) -> None:
        if not self._differed:
            self.found.differing += 1
            self._differed = True
        if len(self.found.differences) < TOLD:
            self.found.differences.append(Difference(n, at, what, detail))


def _on(on: bool) -> str:
    return "on" if on else "off"


def rolled_forward(
    path: Path, memory: Memory, site: Site, *, patience: float = 0.5
) -> tuple[Memory, Now | None]:
    """A saved memory, brought on to the last tick that the journal has of the same run, or as far as
    can be in `patience` seconds; and when that was, None where there is none.

    It ends where the site was another, or ticks are missing. Requests are left out: the journal has a
    newer state with each.
    """
    known = {code for code, batch in memory.batches.items() if batch.crop in site.crops}
    resting = {code: one for code, one in memory.batches.items() if code not in known}
    player = _Player(path, Replayed())
    player.site, player.site_text = site, dump_site(site)
    last = None
    ends = time.monotonic() + patience
    try:
        first = tick_of(path, memory.at.utc, memory.at.mono) if memory.at is not None else None
        if first is None:
            return memory, None
        for kind, body in read_steps(path, ("site", "relays", "troubles"), "site", first):
            player.step(first, 0.0, kind, body)
        player.memory = replace(
            memory, batches={code: memory.batches[code] for code in memory.batches if code in known}
        )
        for tick in read_ticks(path, first + 1):
            steps = tuple(one for one in tick.steps if one[0] != "request")
            if tick.lost or any(kind == "start" for kind, _ in steps) or time.monotonic() > ends:
                break
            player.play(replace(tick, steps=steps))
            if player.memory is None or player.site is not site:
                break
            memory, last = player.memory, player.memory.at
    except (JournalError, ValueError, KeyError) as error:
        log.warning("not all ticks since the saved state are gone through: %s", error)
    if last is not None:
        memory = replace(memory, batches={**resting, **memory.batches})
    return memory, last


def _pages(path: Path, first: int) -> Iterator[StoredTick]:
    while page := read_ticks(path, first, PAGE):
        yield from page
        first = page[-1].n + 1


def replay(
    path: Path,
    *,
    since: float | None = None,
    until: float | None = None,
    tell: Callable[[float], None] = lambda at: None,
) -> Replayed:
    """Decide every recorded tick again, and compare.

    since, until: POSIX seconds; it begins at the last checkpoint before `since`. tell: hears the time it
    has come to. Nothing is written, and a daemon may run on the journal meanwhile.

    Raises JournalError when there is no journal at `path`, or it cannot be read or understood.
    """
    found = Replayed()
    first = 1 if since is None else last_step(path, "memory", since) or 1
    player = _Player(path, found)
    for tick in _pages(path, first):
        if until is not None and tick.at >= until:
            break
        if found.first is None:
            found.first, found.since = tick.n, tick.at
        try:
            player.play(tick)
        except ValueError as error:
            raise JournalError(
                f"{path}: tick {tick.n} is not as this hotbed writes it: {error}"
            ) from error
        found.last, found.until = tick.n, tick.at
        if tick.n % PAGE == 0:
            tell(tick.at)
    return found
