"""What a person may ask for: the requests, their bounds, and what each does to the memory. Pure.

`envelope` and `arguments` read one from the wire, `apply` carries it out on a Memory. Each raises
RefusedError with the reason, and then nothing has changed.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
)

from daemon.advice import better_bench, neighbours, prospect
from daemon.alarms import CATALOGUE, LONGEST_SHELVED
from daemon.care import SITE, Care, Records, Tally, What, said
from daemon.control import local_day
from daemon.decide import aim_event, aims_of, describe_aim
from daemon.doubts import doubts
from daemon.energy import NO_ENERGY
from daemon.events import Event
from daemon.forecasts import learnt_of, lesson_of, need_of, with_progress
from daemon.interlocks import WORK_LIGHT
from daemon.state import DAY, HOUR, Batch, BenchMemory, Count, HeatWatch, Keep, Memory, Now, Site
from profiles.library import UnknownCrop
from profiles.model import Stage
from profiles.problems import explain, nearest

#: The largest request taken [bytes].
MAX_BYTES = 16 * 1024
#: "Keep on" ends by itself after this long [s] at most.
MAX_KEEP = 12 * HOUR
#: How many batches of a crop are kept to learn from.
LESSONS_KEPT = 60
#: Parts of trays are sums and differences; a tenth taken from one leaves nine to ask for.
ROUNDING = 1e-6
#: How far into the past a date may be set [s], and how much clocks of two machines may differ.
PAST = 400 * DAY
SKEW = 120.0


class RefusedError(Exception):
    """A request that is not carried out; the message says why and what is allowed."""


class _Arguments(BaseModel):
    # Built when the first one of its kind comes: many a kind never does.
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


def _written(value: object) -> object:
    if not isinstance(value, str | datetime):
        raise ValueError("a time is text; allowed: RFC 3339, like 2027-03-14T06:00:00Z")
    return value


def _printable(value: str) -> str:
    # It goes to terminals, labels and logs, where a line break or an escape could feign another line.
    if not value.isprintable():
        raise ValueError("holds characters that can't be printed; allowed: one line of text")
    return value


Moment = Annotated[datetime, BeforeValidator(_written)]
Text = Annotated[str, Field(max_length=200), AfterValidator(_printable)]
Code = Annotated[str, Field(min_length=1, max_length=16)]
Trays = Annotated[float, Field(gt=0, le=64, allow_inf_nan=False)]
Number = Annotated[int, Field(ge=0, le=100_000)]
Revision = Annotated[int, Field(ge=1)]


class Sow(_Arguments):
    """A new batch. at: when it was sown (RFC 3339), now if left out."""

    crop: Annotated[str, Field(min_length=1, max_length=40)]
    place: str
    trays: Trays = 1.0
    cells: Annotated[int, Field(ge=1, le=100_000)] | None = None
    variety: Text = ""
    lot: Text = ""
    year: Annotated[int, Field(ge=1950, le=2200)] | None = None
    treatment: Text = ""
    covered: bool | None = None
    at: Moment | None = None


class SetStage(_Arguments):
    """A batch into another stage, forward or back, from the date it happened."""

    batch: Code
    to: Stage
    at: Moment | None = None
    why: Text = ""
    revision: Revision | None = None


class Close(_Arguments):
    """The end of a batch: what became of it, and of how many."""

    batch: Code
    outcome: Literal["planted-out", "handed-over", "lost"]
    count: Number | None = None
    at: Moment | None = None
    why: Text = ""
    revision: Revision | None = None


class Move(_Arguments):
    """A batch, or some of its trays, to another bench or place."""

    batch: Code
    to: str
    trays: Trays | None = None
    takes: Trays | None = None
    why: Text = ""
    revision: Revision | None = None


class Record(_Arguments):
    """What was done or seen at a batch, or at the site as a whole (batch "site")."""

    batch: Code
    what: What
    value: Annotated[float, Field(ge=-100, le=100_000, allow_inf_nan=False)] | None = None
    of: Annotated[int, Field(ge=1, le=100_000)] | None = None
    text: Text = ""
    at: Moment | None = None
    revision: Revision | None = None


class Amend(_Arguments):
    """A record put right: `n` is struck, and one in its place differs in what is given."""

    batch: Code
    n: Revision
    value: Annotated[float, Field(ge=-100, le=100_000, allow_inf_nan=False)] | None = None
    of: Annotated[int, Field(ge=1, le=100_000)] | None = None
    text: Text | None = None
    at: Moment | None = None
    revision: Revision | None = None


class Strike(_Arguments):
    """A record that was a mistake: it stays to be seen and counts for nothing."""

    batch: Code
    n: Revision
    why: Text = ""
    revision: Revision | None = None


class KeepRelay(_Arguments):
    """A lamp or a mat on for a while, off until released, or back to the program."""

    bench: str
    relay: Literal["lamp", "mat"]
    to: Literal["on", "off", "auto"]
    seconds: Annotated[float, Field(ge=60, le=MAX_KEEP)] = WORK_LIGHT


class Acknowledge(_Arguments):
    """A person has seen the alarm."""

    alarm: Annotated[str, Field(min_length=1, max_length=100)]


class Reset(_Arguments):
    """A person has looked, and the latched fault may be forgotten."""

    alarm: Annotated[str, Field(min_length=1, max_length=100)]


class Snooze(_Arguments):
    """The alarm stays silent for a while."""

    alarm: Annotated[str, Field(min_length=1, max_length=100)]
    seconds: Annotated[float, Field(ge=60, le=7 * DAY)] = HOUR


KINDS: Mapping[str, type[_Arguments]] = {
    "sow": Sow,
    "stage": SetStage,
    "close": Close,
    "move": Move,
    "log": Record,
    "amend": Amend,
    "strike": Strike,
    "keep": KeepRelay,
    "acknowledge": Acknowledge,
    "reset": Reset,
    "snooze": Snooze,
}


class Request(BaseModel):
    """A request as it comes over the wire.

    id: the asker's, the same when it is sent again. valid_for: seconds after `sent_at` in which it
    may still be done. reply_to: where the answer goes.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    schema_: Annotated[Literal[1], Field(alias="schema")]
    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9-]{8,64}$")]
    kind: str
    arguments: dict[str, Any] = Field(default_factory=dict)
    by: Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_printable)]
    reply_to: Annotated[str, Field(min_length=1, max_length=256)]
    at: Moment
    sent_at: Moment
    valid_for: Annotated[float, Field(gt=0, le=3600)]

    @field_validator("at", "sent_at")
    @classmethod
    def _zoned(cls, value: datetime) -> datetime:
        if value.tzinfo is None:
            raise ValueError(
                "a time without its zone; allowed: RFC 3339, like 2027-03-14T06:00:00Z"
            )
        return value


def envelope(payload: bytes) -> Request:
    """The request in a payload, its arguments not yet looked at. Raises RefusedError."""
    if len(payload) > MAX_BYTES:
        raise RefusedError(f"the request has {len(payload)} bytes; allowed: up to {MAX_BYTES}")
    try:
        return Request.model_validate(json.loads(payload))
    except ValidationError as error:
        raise RefusedError("; ".join(explain(error, Request))) from None
    except (ValueError, RecursionError):
        raise RefusedError("the request is not JSON") from None


def check_time(request: Request, now: Now) -> None:
    """Refuse a request that has expired, or that comes from the future."""
    age = now.utc - request.sent_at.timestamp()
    if age > request.valid_for:
        raise RefusedError(
            f"the request expired {age - request.valid_for:.0f} s ago; send it again if it still holds"
        )
    if age < -SKEW:
        raise RefusedError(
            f"the request is dated {-age:.0f} s in the future; set the clock of the machine that asks"
        )


def arguments(request: Request) -> _Arguments:
    """The request's arguments, validated. Raises RefusedError."""
    model = KINDS.get(request.kind)
    if model is None:
        raise RefusedError(
            f"no request of kind {request.kind!r}{nearest(request.kind, list(KINDS))}; "
            f"known: {', '.join(KINDS)}"
        )
    try:
        return model.model_validate(request.arguments)
    except ValidationError as error:
        raise RefusedError("; ".join(explain(error, model))) from None


@dataclass(frozen=True, slots=True)
class Done:
    """What a request led to: the memory after it, the answer for the asker, and events."""

    memory: Memory
    result: Mapping[str, Any]
    events: tuple[Event, ...]


def apply(memory: Memory, site: Site, asked: _Arguments, by: str, now: Now) -> Done:
    """Carry out one request, whole or not at all. Raises RefusedError."""
    done = _DO[type(asked)](memory, site, asked, by, now)
    before, after = aims_of(memory, site), aims_of(done.memory, site)
    changed = [name for name in site.benches if before[name] != after[name]]
    notes = [
        f"{name}: {sentence}"
        for name in changed
        for sentence in after[name].conflicts
        if sentence not in before[name].conflicts
    ]
    events = [*done.events, *(aim_event(site, name, after[name], now.utc) for name in changed)]
    events += [
        Event(at=now.utc, kind="advisory", text=note, bench=note.split(":")[0]) for note in notes
    ]
    result = {
        **done.result,
        "benches": {name: describe_aim(after[name], site.units) for name in changed},
        "notes": [*done.result.get("notes", []), *notes],
    }
    if isinstance(asked, Sow | Move):
        batch = done.memory.batches[str(result["batch"])]
        aim = after.get(batch.place)
        if batch.stage is Stage.GERMINATION and aim is not None:
            result["notes"] += neighbours(
                done.memory, site, batch.place, before[batch.place], aim, batch.code
            )
            better = better_bench(done.memory, site, batch, aim)
            result["notes"] += [better] if better is not None else []
            ahead = prospect(done.memory, site, batch, aim)
            if ahead is not None:
                crop = site.crops[batch.crop]
                stand_in = crop.emergence_row if crop.stand_in else ""
                result["germinating"] = {
                    **ahead.to_json(), "trays": batch.trays, "stand_in": stand_in,
                }  # fmt: skip
    return Done(done.memory, result, tuple(events))


# --- batches -------------------------------------------------------------------------------------


def find_batch(memory: Memory, code: str) -> Batch:
    """The open batch of that code, in any case of letters. Raises RefusedError."""
    batch = memory.batches.get(code.strip().upper())
    if batch is None:
        known = list(memory.batches)
        hint = (
            nearest(code, [one.lower() for one in known])
            .upper()
            .replace("DID YOU MEAN", "did you mean")
        )
        raise RefusedError(
            f"no open batch {code!r}{hint}; "
            + (f"open: {', '.join(known)}" if known else "nothing is sown yet")
        )
    return batch


def _current(memory: Memory, code: str, revision: int | None) -> Batch:
    batch = find_batch(memory, code)
    if revision is not None and revision != batch.revision:
        raise RefusedError(
            f"{batch.code} has changed since you looked (it is at revision {batch.revision}, you saw "
            f"{revision}): look at its status and ask again"
        )
    return batch


def _place(site: Site, name: str) -> str:
    known = [*site.benches, *site.places]
    wanted = name.strip().lower()
    if wanted not in known:
        raise RefusedError(
            f"no bench or place {name!r}{nearest(wanted, known)}; benches: {', '.join(site.benches)}; "
            f"places: {', '.join(site.places)}"
        )
    return wanted


def _when(at: datetime | None, now: Now, earliest: float, what: str) -> float:
    if at is None:
        return now.utc
    if at.tzinfo is None:
        raise RefusedError("a time without its zone; allowed: RFC 3339, like 2027-03-14T06:00:00Z")
    utc = at.timestamp()
    if utc > now.utc + SKEW:
        raise RefusedError(f"{at.isoformat()} is in the future; allowed: up to now")
    if utc < earliest - 1:
        since = datetime.fromtimestamp(earliest, at.tzinfo).isoformat(timespec="minutes")
        raise RefusedError(f"{at.isoformat()} is before {what}; allowed: {since} to now")
    return min(utc, now.utc)


def _room_for(memory: Memory, site: Site, place: str, trays: float, leaving: str | None) -> None:
    spec = site.benches.get(place)
    if spec is None:
        return
    taken = sum(b.trays for b in memory.batches.values() if b.place == place and b.code != leaving)
    if taken + trays > spec.trays + ROUNDING:
        raise RefusedError(
            f"{place} holds {_trays(spec.trays)} and {taken:g} are taken: {trays:g} more don't fit; "
            f"allowed: up to {max(0.0, spec.trays - taken):g}"
        )


def _with_batch(memory: Memory, batch: Batch, **changes: Any) -> tuple[Memory, Batch]:
    after = replace(batch, revision=batch.revision + 1, **changes)
    return replace(memory, batches={**memory.batches, batch.code: after}), after


def _event(kind: str, now: Now, by: str, batch: Batch, text: str, data: Mapping[str, Any]) -> Event:
    return Event(now.utc, kind, text, bench=batch.place, batch=batch.code, by=by, data=data)


def _trays(many: float) -> str:
    return f"{many:g} tray" + ("s" if many > 1 else "")


def _answer(batch: Batch, text: str, *notes: str) -> dict[str, Any]:
    return {"text": text, "batch": batch.code, "revision": batch.revision, "notes": list(notes)}


def _light_note(site: Site, batch: Batch) -> tuple[str, ...]:
    spec = site.benches.get(batch.place)
    if spec is not None and spec.lamp is None and batch.emerged:
        return (f"{batch.place} has no lamp, and {batch.code} has leaves: move it to one that has",)
    return ()


def _sow(memory: Memory, site: Site, asked: Sow, by: str, now: Now) -> Done:
    try:
        crop = site.library.crop(asked.crop)
    except UnknownCrop as error:
        raise RefusedError(str(error)) from None
    place = _place(site, asked.place)
    sown_at = _when(asked.at, now, now.utc - PAST, "anything this season could use")
    if asked.year is not None:
        this_year = datetime.fromtimestamp(now.utc, site.zone).year
        if asked.year > this_year + 1:
            raise RefusedError(f"seed of the year {asked.year}; allowed: 1950 to {this_year + 1}")
    _room_for(memory, site, place, asked.trays, None)
    serial = memory.serials.get(crop.code, 0) + 1
    targets = crop.stages[Stage.GERMINATION]
    batch = Batch(
        code=f"{crop.code}{serial}",
        crop=crop.name,
        place=place,
        stage=Stage.GERMINATION,
        since=sown_at,
        sown_at=sown_at,
        trays=asked.trays,
        cells=asked.cells,
        variety=asked.variety.strip(),
        lot=asked.lot.strip(),
        year=asked.year,
        treatment=asked.treatment.strip(),
        covered=targets.cover if asked.covered is None else asked.covered,
    )
    progress = dict(memory.progress)
    # The days already gone are counted at the aim: too early a lamp costs little, too late the batch.
    after = replace(
        memory,
        batches={**memory.batches, batch.code: batch},
        serials={**memory.serials, crop.code: serial},
    )
    aim = aims_of(after, site)[place].soil if place in site.benches else None
    gone = (now.utc - sown_at) / DAY
    if gone > 0 and aim is not None:
        progress[batch.code] = gone * crop.emergence.rate(aim)
    after = replace(after, progress=progress)
    named = " ".join(
        part for part in (crop.title.lower(), repr(batch.variety) if batch.variety else "") if part
    )
    text = f"{batch.code}: {named} sown, {_trays(batch.trays)} on {place}"
    event = _event(
        "stage", now, by, batch, text, {"to": "germination", "at": sown_at, "crop": crop.name}
    )
    notes = []
    spec = site.benches.get(place)
    if spec is not None and spec.mat is None:
        notes.append(f"{place} has no mat: the soil will be as warm as the room")
    if spec is not None and spec.lamp is None and crop.light_to_germinate.value:
        needs = "is helped by" if crop.light_to_germinate.only_helps else "needs"
        notes.append(f"{crop.title} {needs} light to germinate, and {place} has no lamp")
    return Done(after, _answer(batch, text, *notes), (event,))


def _stage(memory: Memory, site: Site, asked: SetStage, by: str, now: Now) -> Done:
    batch = _current(memory, asked.batch, asked.revision)
    if asked.to is batch.stage:
        raise RefusedError(f"{batch.code} is in stage {batch.stage.value} already")
    at = _when(asked.at, now, batch.sown_at, f"{batch.code} was sown")
    covered = site.crops[batch.crop].stages[asked.to].cover
    after, changed = _with_batch(memory, batch, stage=asked.to, since=at, covered=covered)
    if asked.to is not Stage.GERMINATION:
        after = replace(after, called=memory.called - {batch.code})
    if batch.stage is Stage.GERMINATION:
        after = _learn(after, site, batch, at, now)
        needs = {code: need for code, need in after.needs.items() if code != batch.code}
        after = replace(after, needs=needs)
    learnt = _learnt(after, batch) if batch.stage is Stage.GERMINATION else {}
    tally = memory.tallies.get(batch.code, Tally()).anew()
    after = replace(after, tallies={**memory.tallies, batch.code: tally})
    cover = ", the cover comes off" if batch.covered and not covered else ""
    because = f" ({asked.why})" if asked.why else ""
    text = f"{batch.code}: {batch.stage.value} to {asked.to.value}{cover}{because}"
    event = _event(
        "stage", now, by, changed, text,
        {"from": batch.stage.value, "to": asked.to.value, "at": at, "why": asked.why, **learnt},
    )  # fmt: skip
    notes = (f"learnt of emergence: {told}" for told in learnt.values())
    return Done(after, _answer(changed, text, *_light_note(site, changed), *notes), (event,))


def _close(memory: Memory, site: Site, asked: Close, by: str, now: Now) -> Done:
    batch = _current(memory, asked.batch, asked.revision)
    at = _when(asked.at, now, batch.sown_at, f"{batch.code} was sown")
    if asked.outcome == "lost" and not asked.why.strip():
        raise RefusedError(
            "say why it was lost, in a word or two: it is what next year learns from"
        )
    if batch.cells is not None and asked.count is not None and asked.count > batch.cells:
        raise RefusedError(f"{asked.count} of {batch.cells} sown; allowed: 0 to {batch.cells}")
    after = replace(
        memory,
        batches={code: one for code, one in memory.batches.items() if code != batch.code},
        progress={code: part for code, part in memory.progress.items() if code != batch.code},
        called=memory.called - {batch.code},
        care={code: records for code, records in memory.care.items() if code != batch.code},
        tallies={code: tally for code, tally in memory.tallies.items() if code != batch.code},
        needs={code: need for code, need in memory.needs.items() if code != batch.code},
        energy={code: one for code, one in memory.energy.items() if code != batch.code},
    )
    many = (
        f", {asked.count}" + (f" of {batch.cells}" if batch.cells else "")
        if asked.count is not None
        else ""
    )
    because = f" ({asked.why})" if asked.why else ""
    text = f"{batch.code}: {asked.outcome.replace('-', ' ')}{many}{because}"
    event = _event(
        "stage", now, by, batch, text,
        {"from": batch.stage.value, "to": "closed", "at": at, "outcome": asked.outcome,
           "count": asked.count, "cells": batch.cells, "why": asked.why, **_drew(memory, site, batch)},
    )  # fmt: skip
    return Done(after, _answer(batch, text), (event,))


def _drew(memory: Memory, site: Site, batch: Batch) -> dict[str, Any]:
    """The batch's part of the energy, for the record of its end."""
    energy = memory.energy.get(batch.code, NO_ENERGY)
    cost = {} if site.tariff is None else {
        "cost": round(energy.cost, 2), "currency": site.tariff.currency,
    }  # fmt: skip
    return {"kwh": round(energy.kwh, 2), **cost}


def _part_code(memory: Memory, batch: Batch) -> str:
    root = re.sub(r"[A-Z]$", "", batch.code)
    for letter in "BCDEFGHJKLMNPQRSTUVWXYZ":
        key = f"{root}{letter}"
        if key not in memory.batches and memory.serials.get(key, 0) == 0:
            return key
    raise RefusedError(f"{root} has been parted too often")


def _move(memory: Memory, site: Site, asked: Move, by: str, now: Now) -> Done:
    batch = _current(memory, asked.batch, asked.revision)
    to = _place(site, asked.to)
    because = f" ({asked.why})" if asked.why else ""
    if asked.trays is not None and asked.trays > batch.trays + ROUNDING:
        raise RefusedError(
            f"{batch.code} has {_trays(batch.trays)}; allowed: up to {batch.trays:g}"
        )
    part = asked.trays is not None and asked.trays < batch.trays - ROUNDING
    if to == batch.place and not (asked.takes and not part):
        raise RefusedError(f"{batch.code} is on {to} already")
    takes = asked.takes or (asked.trays if part and asked.trays else batch.trays)
    _room_for(memory, site, to, takes, None if part else batch.code)
    if not part:
        placed = {} if to == batch.place else {"placed_at": now.utc}
        after, moved = _with_batch(memory, batch, place=to, trays=takes, **placed)
        room = f", now {_trays(takes)}" if takes != batch.trays else ""
        way = f"{batch.place} to {to}" if to != batch.place else f"spread out on {to}"
        text = f"{batch.code}: {way}{room}{because}"
        event = _event(
            "move", now, by, moved, text, {"from": batch.place, "to": to, "trays": takes}
        )
        return Done(after, _answer(moved, text, *_light_note(site, moved)), (event,))
    share = (asked.trays or 0.0) / batch.trays
    code = _part_code(memory, batch)
    cells = None if batch.cells is None else round(batch.cells * share)
    if cells is not None and not 0 < cells < (batch.cells or 0):
        raise RefusedError(
            f"{asked.trays:g} of {_trays(batch.trays)} is {cells} of {batch.code}'s {batch.cells} "
            "cells; allowed: a part with a cell of its own, leaving one or more"
        )
    left = None if batch.cells is None or cells is None else batch.cells - cells
    after, _ = _with_batch(memory, batch, trays=batch.trays - (asked.trays or 0.0), cells=left)
    moved = replace(
        batch, code=code, place=to, trays=takes, cells=cells, parent=batch.code, revision=1,
        placed_at=now.utc if to != batch.place else batch.placed_at,
    )  # fmt: skip
    batches = {**after.batches, code: moved}
    progress = {**after.progress}
    if batch.code in progress:
        progress[code] = progress[batch.code]
    called = after.called | ({code} if batch.code in after.called else frozenset())
    serials = {**after.serials, code: 1}
    care, tallies, energy = dict(after.care), dict(after.tallies), dict(after.energy)
    if batch.code in care:
        care[code] = care[batch.code]
    if batch.code in tallies:
        tallies[code] = tallies[batch.code]
    if batch.code in energy:  # what was drawn so far is parted like the trays
        energy[code] = energy[batch.code].part(share)
        energy[batch.code] = energy[batch.code].part(1 - share)
    after = replace(
        after,
        batches=batches,
        progress=progress,
        called=called,
        serials=serials,
        care=care,
        tallies=tallies,
        energy=energy,
    )
    share_text = f"{asked.trays:g} of {_trays(batch.trays)} of {batch.code}"
    text = f"{code}: {share_text}, {batch.place} to {to}{because}"
    event = _event("move", now, by, moved, text, {"from": batch.place, "to": to, "of": batch.code})
    return Done(after, _answer(moved, text, *_light_note(site, moved)), (event,))


#: What is recorded of the site as a whole; everything else is of a batch.
_OF_SITE = frozenset({What.CHECKED, What.LOW, What.NOTE})
_OF_BATCH = frozenset(What) - {What.CHECKED, What.LOW}


def _record(memory: Memory, site: Site, asked: Record, by: str, now: Now) -> Done:
    batch = _subject(memory, asked.batch, asked.revision)
    allowed = _OF_SITE if batch is None else _OF_BATCH
    if asked.what not in allowed:
        raise RefusedError(
            f"{asked.what} is no record of {'the site' if batch is None else 'a batch'}; allowed: "
            f"{', '.join(sorted(allowed))}"
        )
    at = _record_time(asked.at, batch, now)
    of = asked.of
    if batch is not None and asked.what is What.EMERGED and of is None:
        of = batch.cells
    _check_sown(batch, asked.what, of)
    before = _records(memory, batch)
    notes = []
    if again := before.recent_same(asked.what, by, at, text=asked.text.strip(), units=site.units):
        notes.append(again)
    waiting = batch is not None and batch.stage is Stage.GERMINATION
    if batch is not None and waiting and asked.what is What.EMERGED and asked.value:
        notes.append(
            "the lamp comes on in its hours; when enough are up: "
            f"hotbed stage {batch.code} seedling"
        )
    try:
        after = before.add(asked.what, at=at, by=by, value=asked.value, of=of, text=asked.text)
    except ValueError as error:
        raise RefusedError(str(error)) from None
    return _recorded(memory, site, batch, after, after.entries[-1], by, now, notes)


def _amend(memory: Memory, site: Site, asked: Amend, by: str, now: Now) -> Done:
    batch = _subject(memory, asked.batch, asked.revision)
    at = None if asked.at is None else _record_time(asked.at, batch, now)
    _check_sown(batch, What.EMERGED, asked.of)
    try:
        after = _records(memory, batch).amend(
            asked.n, by=by, at=at, value=asked.value, of=asked.of, text=asked.text
        )
    except ValueError as error:
        raise RefusedError(str(error)) from None
    return _recorded(memory, site, batch, after, after.entries[-1], by, now, [])


def _check_sown(batch: Batch | None, what: What, of: int | None) -> None:
    if what is What.EMERGED and batch is not None and batch.cells and of and of > batch.cells:
        raise RefusedError(
            f"of {of} sown: {batch.code} has {batch.cells}; allowed: counts of 1 to {batch.cells}"
        )


def _strike(memory: Memory, site: Site, asked: Strike, by: str, now: Now) -> Done:
    batch = _subject(memory, asked.batch, asked.revision)
    try:
        after = _records(memory, batch).strike(asked.n, by=by)
    except ValueError as error:
        raise RefusedError(str(error)) from None
    struck = next(care for care in after.entries if care.n == asked.n)
    return _recorded(memory, site, batch, after, struck, by, now, [], asked.why)


def _subject(memory: Memory, code: str, revision: int | None) -> Batch | None:
    """The batch that a record is of; None for the site."""
    return None if code.strip().lower() == SITE else _current(memory, code, revision)


def _records(memory: Memory, batch: Batch | None) -> Records:
    return memory.care.get(SITE if batch is None else batch.code, Records())


def _record_time(at: datetime | None, batch: Batch | None, now: Now) -> float:
    if batch is None:
        return _when(at, now, now.utc - PAST, "anything this season could use")
    return _when(at, now, batch.sown_at, f"{batch.code} was sown")


def _recorded(
    memory: Memory,
    site: Site,
    batch: Batch | None,
    records: Records,
    care: Care,
    by: str,
    now: Now,
    notes: list[str],
    why: str = "",
) -> Done:
    """The memory with these records, and what is told of the one that was written or struck."""
    words = said(care, site.units)
    if not care.stands:
        words = f"struck: {words} (record {care.n}, by {care.by})" + (f": {why}" if why else "")
    elif care.amends is not None:
        words = f"{words} (in place of record {care.amends})"
    data = {
        "what": care.what.value, "value": care.value, "of": care.of, "text": care.text, "at": care.at,
        "n": care.n, "amends": care.amends, "struck": not care.stands,
    }  # fmt: skip
    if batch is None:
        after = replace(memory, care={**memory.care, SITE: records})
        text = f"site: {words}"
        event = Event(now.utc, "record", text, by=by, data=data)
        return Done(after, {"text": text, "record": care.n, "notes": notes}, (event,))
    if care.stands:
        notes = [*notes, *doubts(batch, site.crops[batch.crop], records, care, site.units)]
    after, changed = _with_batch(memory, batch, **_at_hand(memory, batch, records, care, now))
    after = replace(after, care={**memory.care, batch.code: records})
    if care.what is What.EMERGED:
        after = _relearn(after, site, changed, now)
        data |= _learnt(after, changed)
    text = f"{batch.code}: {words}"
    answer = _answer(changed, text, *notes) | {"record": care.n}
    return Done(after, answer, (_event("record", now, by, changed, text, data),))


def _relearn(memory: Memory, site: Site, batch: Batch, now: Now) -> Memory:
    """The forecast after other counts; or, past germination, what the batch has taught."""
    taught = memory.lessons.get(batch.crop, {})
    if batch.stage is Stage.GERMINATION:
        need = need_of(batch, site.crops[batch.crop], taught)
        return replace(memory, needs={**memory.needs, batch.code: need})
    if batch.code not in taught:
        return memory
    return _learn(memory, site, batch, now.utc, now)


def _learn(memory: Memory, site: Site, batch: Batch, at: float, now: Now) -> Memory:
    """What the batch taught of its crop, kept for the next; forecasts that wait take it in."""
    done = memory.progress.get(batch.code, 0.0)
    lesson = lesson_of(batch, site.crops[batch.crop], done, at, now.utc)
    if lesson is None:
        return memory
    taught = {**memory.lessons.get(batch.crop, {}), batch.code: lesson}
    while len(taught) > LESSONS_KEPT:
        taught.pop(next(iter(taught)))
    kin = {code for code, one in memory.batches.items() if one.crop == batch.crop}
    return replace(
        memory,
        lessons={**memory.lessons, batch.crop: taught},
        needs={code: need for code, need in memory.needs.items() if code not in kin},
    )


def _learnt(memory: Memory, batch: Batch) -> dict[str, str]:
    """What is expected of the next, once the batch has taught something: for the journal."""
    taught = memory.lessons.get(batch.crop, {})
    return {"learnt": learnt_of(batch, taught)} if batch.code in taught else {}


def _at_hand(
    memory: Memory, batch: Batch, records: Records, care: Care, now: Now
) -> dict[str, Any]:
    """What of the records is kept in the batch, for the tick."""
    watered = records.last(What.WATERED)
    looked = records.last(What.MOIST, What.WEIGHT)
    changes: dict[str, Any] = {
        "counts": with_progress(
            tuple(
                Count(one.at, int(one.value or 0), one.of, one.by)
                for one in records.standing(What.EMERGED)
            ),
            batch.counts,
            batch,
            memory.progress.get(batch.code, 0.0),
            now.utc,
        ),
        "watered_at": watered and watered.at,
        "looked_at": looked and looked.at,
    }
    cover = records.last(What.COVER)
    if care.what is What.COVER and cover is not None:
        changes["covered"] = cover.text == "on"
    return changes


# --- relays and alarms ---------------------------------------------------------------------------


def _keep(memory: Memory, site: Site, asked: KeepRelay, by: str, now: Now) -> Done:
    name = asked.bench.strip().lower()
    spec = site.benches.get(name)
    if spec is None:
        raise RefusedError(
            f"no bench {asked.bench!r}{nearest(name, list(site.benches))}; benches: "
            f"{', '.join(site.benches)}"
        )
    if (spec.lamp if asked.relay == "lamp" else spec.mat) is None:
        raise RefusedError(f"{name} has no {asked.relay}")
    key = f"{name}/{asked.relay}"
    keeps = dict(memory.keeps)
    if asked.to == "auto":
        if keeps.pop(key, None) is None:
            raise RefusedError(
                f"nobody keeps the {asked.relay} of {name}: it is under control already"
            )
        text = f"{name}: the {asked.relay} is under control again"
    elif asked.to == "off":
        keeps[key] = Keep(False, by, now.utc, None)
        text = f"{name}: the {asked.relay} is kept off until `keep {name} {asked.relay} auto`"
    else:
        keeps[key] = Keep(True, by, now.utc, now.mono + asked.seconds)
        text = (
            f"{name}: the {asked.relay} is kept on for {asked.seconds / 60:.0f} min; safety stops and, "
            "for a lamp, the dark period (but for half an hour a night) come first"
        )
    event = Event(
        at=now.utc, kind="keep", text=text, bench=name, by=by,
        data={"relay": asked.relay, "to": asked.to, "seconds": asked.seconds},
    )  # fmt: skip
    return Done(replace(memory, keeps=keeps), {"text": text}, (event,))


def _alarm(memory: Memory, key: str) -> Any:
    wanted = key.strip().casefold()
    alarm = next((one for name, one in memory.alarms.items() if name.casefold() == wanted), None)
    if alarm is None:
        known = list(memory.alarms)
        raise RefusedError(
            f"no alarm {key!r}{nearest(key, known)}; "
            + (f"standing: {', '.join(known)}" if known else "none stands")
        )
    return alarm


def _acknowledge(memory: Memory, site: Site, asked: Acknowledge, by: str, now: Now) -> Done:
    alarm = _alarm(memory, asked.alarm)
    alarms = dict(memory.alarms)
    if alarm.active or alarm.latched:
        alarms[alarm.key] = replace(alarm, acknowledged=True, acknowledged_by=by)
    else:
        del alarms[alarm.key]
    text = f"{alarm.key}: acknowledged"
    return _alarm_done(memory, alarms, alarm, text, by, now)


def _reset(memory: Memory, site: Site, asked: Reset, by: str, now: Now) -> Done:
    alarm = _alarm(memory, asked.alarm)
    if not alarm.latched:
        raise RefusedError(
            f"{alarm.key} is not latched: it ends with its cause; `alarms ack` marks it as seen"
        )
    alarms = {key: one for key, one in memory.alarms.items() if key != alarm.key}
    bench = memory.benches.get(alarm.bench or "")
    benches: dict[str, BenchMemory] = dict(memory.benches)
    if bench is not None and alarm.bench is not None:
        benches[alarm.bench] = replace(
            bench, latched=bench.latched - {alarm.kind}, watch=HeatWatch()
        )
    text = f"{alarm.key}: reset after a look"
    return _alarm_done(replace(memory, benches=benches), alarms, alarm, text, by, now)


def _snooze(memory: Memory, site: Site, asked: Snooze, by: str, now: Now) -> Done:
    alarm = _alarm(memory, asked.alarm)
    priority = CATALOGUE[alarm.kind].priority
    if asked.seconds > (longest := LONGEST_SHELVED[priority]):
        raise RefusedError(
            f"{alarm.key} is of {priority} priority; allowed: snoozed for up to {longest / HOUR:g} h"
        )
    alarms = dict(memory.alarms)
    alarms[alarm.key] = replace(alarm, shelved_until=now.mono + asked.seconds)
    until = datetime.fromtimestamp(now.utc + asked.seconds, site.zone)
    today = local_day(site.zone, now.utc) == until.toordinal()
    text = f"{alarm.key}: snoozed until {until:%H:%M}" + ("" if today else f" on {until:%d %b}")
    return _alarm_done(memory, alarms, alarm, text, by, now)


def _alarm_done(
    memory: Memory, alarms: dict[str, Any], alarm: Any, text: str, by: str, now: Now
) -> Done:
    event = Event(
        at=now.utc, kind="alarm", text=text, bench=alarm.bench, batch=alarm.batch, by=by,
        data={"alarm": alarm.key, "kind": alarm.kind},
    )  # fmt: skip
    return Done(replace(memory, alarms=alarms), {"text": text, "alarm": alarm.key}, (event,))


_DO: Mapping[type[_Arguments], Any] = {
    Sow: _sow,
    SetStage: _stage,
    Close: _close,
    Move: _move,
    Record: _record,
    Amend: _amend,
    Strike: _strike,
    KeepRelay: _keep,
    Acknowledge: _acknowledge,
    Reset: _reset,
    Snooze: _snooze,
}
