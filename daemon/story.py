"""A batch's story, put together from the journal's events. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from daemon.care import DAY, Care, Records, Stand, What, said
from daemon.energy import NO_ENERGY, Energy, said_energy
from daemon.events import Event
from profiles.units import Units

#: The kinds of event that tell a story.
KINDS = ("stage", "move", "record")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a story: when it was so (POSIX s), what, and by whom it was told."""

    at: float
    text: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class Story:
    """One batch from sowing to its end.

    crop: by name, and sown_at (POSIX s): of a part those of the whole; without its story the crop is
    empty, and the day that of the parting. outcome: how it ended, empty while it stands; count, cells:
    plants at the end, of how many cells; why: it was lost. kwh, cost, currency: its part of the energy,
    known at its end, and what that cost where there is a tariff. learnt: of emergence, what was expected
    of the next after it, in words; empty where it taught nothing. lines: oldest first, without what was
    struck.
    """

    batch: str
    crop: str
    sown_at: float
    lines: tuple[Line, ...]
    stages: Mapping[str, float]
    stand: Stand
    outcome: str = ""
    ended_at: float | None = None
    count: int | None = None
    cells: int | None = None
    why: str = ""
    kwh: float | None = None
    cost: float | None = None
    currency: str = ""
    learnt: str = ""

    @property
    def first_up_days(self) -> float | None:
        """From sowing to the first look that found a seedling up."""
        first = self.stand.first_up
        return None if first is None or not self.crop else (first - self.sown_at) / DAY


@dataclass(slots=True)
class _Draft:
    sown_at: float
    crop: str = ""
    lines: list[Line] = field(default_factory=list)
    stages: dict[str, float] = field(default_factory=dict)
    records: dict[int, Care] = field(default_factory=dict)
    end: Mapping[str, Any] = field(default_factory=dict)
    ended_at: float | None = None
    learnt: str = ""


def stories(events: Iterable[Event], units: Units = "C") -> tuple[Story, ...]:
    """The story of each batch in the events (oldest first, of `KINDS`), in order of sowing."""
    drafts: dict[str, _Draft] = {}
    for event in events:
        if event.kind not in KINDS or not event.batch:
            continue
        at = float(event.data.get("at", event.at))
        draft = drafts.setdefault(event.batch, _Draft(at))
        draft.learnt = str(event.data.get("learnt", draft.learnt))
        if event.kind == "record" and "n" in event.data:
            _record(draft, event, at)
            continue
        if parent := drafts.get(str(event.data.get("of", ""))):
            draft.crop, draft.sown_at = parent.crop, parent.sown_at
        text = event.text.removeprefix(f"{event.batch}: ")
        draft.lines.append(Line(at, text, event.by or ""))
        if kwh := event.data.get("kwh"):
            energy = said_energy(kwh, event.data.get("cost"), event.data.get("currency"))
            draft.lines.append(Line(at, f"its part of the energy: {energy}"))
        if event.kind == "stage":
            to = str(event.data.get("to", ""))
            if crop := event.data.get("crop"):
                draft.crop, draft.sown_at = str(crop), at
            if to == "closed":
                draft.end, draft.ended_at = event.data, at
            elif to:
                draft.stages[to] = at
    found = [_story(code, draft, units) for code, draft in drafts.items()]
    return tuple(sorted(found, key=lambda story: (story.sown_at, story.batch)))


def records_of(events: Iterable[Event]) -> Records:
    """The records of one batch that its events of kind "record" tell of, without what was struck."""
    draft = _Draft(0.0)
    for event in events:
        if event.kind == "record" and "n" in event.data:
            _record(draft, event, float(event.data.get("at", event.at)))
    return Records(tuple(draft.records.values()))


def energy_by_bench(events: Iterable[Event]) -> dict[str, tuple[Energy, str | None]]:
    """What each bench drew in the whole days that the events of kind "energy" tell of, and the currency
    of its cost; None where there was no tariff on some of them, or another currency."""
    found: dict[str, tuple[Energy, str | None]] = {}
    for event in events:
        for bench, day in event.data.items():
            drawn = Energy(day["lamp_wh"], day["mat_wh"], day["cost"] or 0.0)
            before, currency = found.get(bench, (NO_ENERGY, day["currency"]))
            found[bench] = before + drawn, currency if currency == day["currency"] else None
    return found


def _record(draft: _Draft, event: Event, at: float) -> None:
    data = event.data
    n = int(data["n"])
    if data.get("amends") is not None:
        draft.records.pop(int(data["amends"]), None)
    if data.get("struck"):
        draft.records.pop(n, None)
        return
    draft.records[n] = Care(
        n,
        at,
        What(str(data["what"])),
        event.by or "",
        data.get("value"),
        data.get("of"),
        str(data.get("text") or ""),
    )


def _story(code: str, draft: _Draft, units: Units) -> Story:
    records = Records(tuple(draft.records.values()))
    lines = [
        *draft.lines,
        *(Line(care.at, said(care, units), care.by) for care in records.standing()),
    ]
    end = draft.end
    return Story(
        batch=code,
        crop=draft.crop,
        sown_at=draft.sown_at,
        lines=tuple(sorted(lines, key=lambda line: line.at)),
        stages=draft.stages,
        stand=records.stand(),
        outcome=str(end.get("outcome") or ""),
        ended_at=draft.ended_at,
        count=end.get("count"),
        cells=end.get("cells"),
        why=str(end.get("why") or ""),
        kwh=end.get("kwh"),
        cost=end.get("cost"),
        currency=str(end.get("currency") or ""),
        learnt=draft.learnt,
    )
