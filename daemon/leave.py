"""What falls due while everybody is away for some days: for whoever is asked to look in. Pure.

From what the daemon says of its batches and alarms. Water comes again and again, by what such cells
hold; hardening plants go out and come in each day; the rest is each batch's own tasks, as far ahead as
they are known now. What a task leads to (potted on, then fed) is not foretold.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from daemon.alarms import PRIORITIES
from daemon.messages import AlarmMessage, BatchMessage, BenchMessage, RelayReport
from daemon.state import DAY, HOUR
from profiles.model import Stage

#: So many days may be asked for.
DAYS = (1, 60)
_WATER = ("water", "check-moisture")
_DAILY = ("put-out", "bring-in", "tonights-low")


@dataclass(frozen=True, slots=True)
class Due:
    """One thing that falls due.

    at: when first (POSIX s); None for what stands already or has no time. dates: the local dates on which
    somebody must be there for it. command: what records it, empty where nothing does.
    """

    at: float | None
    subject: str
    text: str
    dates: tuple[str, ...] = ()
    command: str = ""


def falls_due(
    batches: Sequence[BatchMessage],
    benches: Sequence[BenchMessage],
    alarms: Sequence[AlarmMessage],
    now: float,
    days: int,
    zone: tzinfo | None,
) -> list[Due]:
    """All that falls due from `now` (POSIX s) for so many days, first what stands already."""
    found = [*_standing(alarms, now, days, zone), *_kept(benches)]
    for batch in batches:
        found += _of_batch(batch, now, now + days * DAY, zone)
    return sorted(found, key=lambda due: (due.at is not None, due.at or 0.0, due.subject))


def _date(at: float, zone: tzinfo | None) -> str:
    return datetime.fromtimestamp(at, zone).date().isoformat()


def _said(at: float, zone: tzinfo | None) -> str:
    day = datetime.fromtimestamp(at, zone)
    return f"{day.day} {day:%b}"


def _at(moment: str) -> float:
    return datetime.fromisoformat(moment).timestamp()


def _standing(
    alarms: Sequence[AlarmMessage], now: float, days: int, zone: tzinfo | None
) -> Iterator[Due]:
    for alarm in sorted(alarms, key=lambda one: PRIORITIES.index(one.priority)):
        text = f"{alarm.priority} alarm: {alarm.title}: {alarm.cause}. {alarm.action}"
        if alarm.state == "returned":
            text = f"{alarm.title}: returned to normal, and nobody has seen it"
        command = f"hotbed alarms {'reset' if alarm.needs_reset else 'ack'} {alarm.alarm}"
        if alarm.snoozed_until is None:
            yield Due(
                None, alarm.batch or alarm.bench or "site", text, (_date(now, zone),), command
            )
            continue
        until = _at(alarm.snoozed_until)
        if until < now + days * DAY:
            text = f"no longer snoozed from then: {text}"
            subject = alarm.batch or alarm.bench or "site"
            yield Due(until, subject, text, (_date(until, zone),), command)


def _kept(benches: Sequence[BenchMessage]) -> Iterator[Due]:
    for bench in benches:
        for name, relay in (("lamp", bench.lamp), ("mat", bench.mat)):
            if isinstance(relay, RelayReport) and relay.kept == "off":
                yield Due(
                    None,
                    bench.bench,
                    f"the {name} stays off, as {relay.kept_by or 'somebody'} keeps it",
                    (),
                    f"hotbed keep {bench.bench} {name} auto",
                )


def _of_batch(batch: BatchMessage, now: float, end: float, zone: tzinfo | None) -> Iterator[Due]:
    code = batch.batch
    expected = batch.expected
    germinating = batch.stage is Stage.GERMINATION
    if germinating and expected is not None and expected.half is not None:
        first = expected.first or expected.half
        begin, last = max(now, _at(first.early)), _at(expected.half.late)
        if begin < end:
            covered = ", and take the cover off" if batch.covered else ""
            yield Due(
                begin,
                code,
                "emergence expected: look morning and evening from then on until "
                f"{_said(min(last, end), zone)}{covered}",
                _days(begin, min(max(last, begin), end), zone),
                f"hotbed log {code} emerged N",
            )
    daily = batch.stage is Stage.HARDENING
    if daily:
        yield Due(
            now,
            code,
            "hardening: out by day and in by dusk, or as its step says, and tonight's low given, each "
            "day; left undone it loses steps, and left out on a cold night it is lost",
            _days(now, end, zone),
            f"hotbed log {code} out",
        )
    for task in batch.tasks:
        due = None if task.due is None else _at(task.due)
        if due is None or due > end:
            continue
        if (germinating and task.kind == "look") or (daily and task.kind in _DAILY):
            continue
        if task.kind in _WATER:
            every = (batch.look_every_h or 48.0) * HOUR
            times = [max(due, now)]
            while times[-1] + every < end:
                times.append(times[-1] + every)
            more = (
                ""
                if len(times) == 1
                else f"; then every {every / HOUR:g} hours, {len(times)} times"
            )
            dates = tuple(dict.fromkeys(_date(at, zone) for at in times))
            yield Due(times[0], code, task.text.rstrip(".") + more, dates, task.command)
            continue
        at = max(due, now)
        yield Due(at, code, task.text, (_date(at, zone),), task.command)


def _days(begin: float, end: float, zone: tzinfo | None) -> tuple[str, ...]:
    """The local dates from one moment to another."""
    found = dict.fromkeys(
        _date(min(begin + n * DAY, end), zone) for n in range(int((end - begin) // DAY) + 2)
    )
    return tuple(found)
