"""Who is called about an alarm, and who next if nobody answers; as the owner has set it. Pure.

An alarm that is active and that nobody has acknowledged calls the first person who is to be called for
its priority, waits for an answer as long as that person is given, then calls the next, and after the
last begins again. To acknowledge is to answer; to snooze it puts it off. By night only those are called
who take nights, and only for what wakes (see `alarms.AlarmKind`); all else waits for the morning.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.alarms import CATALOGUE, PRIORITIES
from daemon.events import Event
from daemon.state import Alarm, Call, CallPlan, Now, Person


def step(
    calls: Mapping[str, Call],
    alarms: Mapping[str, Alarm],
    plan: CallPlan,
    zone: ZoneInfo,
    now: Now,
) -> tuple[Mapping[str, Call], list[Event]]:
    """The calls after one tick, by alarm, and an event of kind "call" for each that is due now."""
    if not plan.people or not (alarms or calls):
        return {}, []
    after: dict[str, Call] = {}
    events: list[Event] = []
    # Better called by night than not at all, where nobody knows what time it is.
    night = now.trusted and is_night(plan.night, zone, now.utc)
    for key, alarm in alarms.items():
        call = calls.get(key)
        if call is not None and (call.raised_at != alarm.raised_at or alarm.state == "shelved"):
            call = None
        if call is not None:
            after[key] = call
        if alarm.state != "active":
            continue
        found = _next(alarm, call, plan, night, now.mono)
        if found is None:
            continue
        person, turn = found
        told = call.told if call is not None else ()
        if person.name not in told:
            told = (*told, person.name)
        after[key] = Call(alarm.raised_at, turn, now.mono, told)
        kind = CATALOGUE[alarm.kind]
        events.append(
            Event(
                at=now.utc,
                kind="call",
                text=f"{person.name} is called: {kind.title}: {alarm.cause}",
                bench=alarm.bench,
                batch=alarm.batch,
                data={
                    "alarm": key,
                    "kind": alarm.kind,
                    "priority": kind.priority,
                    "person": person.name,
                    "turn": turn,
                    "message": message(alarm),
                },
            )
        )
    return after, events


def _next(
    alarm: Alarm, call: Call | None, plan: CallPlan, night: bool, mono: float
) -> tuple[Person, int] | None:
    """Who is to be called now, and how many turns that makes; None while nobody is."""
    kind = CATALOGUE[alarm.kind]
    people = [one for one in plan.people if concerns(one, alarm)]
    turn = call.turn if call is not None else 0
    if not people or turn >= plan.rounds * len(people):
        return None
    if call is not None and mono - call.at < people[(turn - 1) % len(people)].wait:
        return None
    if night and not kind.wakes:
        return None
    for ahead in range(len(people)):
        person = people[(turn + ahead) % len(people)]
        if not night or person.nights:
            return person, turn + ahead + 1
    return None


def concerns(person: Person, alarm: Alarm) -> bool:
    """Whether a person is to be called for alarms of this priority at all."""
    return PRIORITIES.index(CATALOGUE[alarm.kind].priority) <= PRIORITIES.index(person.least)


def is_night(night: Sequence[timedelta], zone: ZoneInfo, utc: float) -> bool:
    """Whether it is between the two local times, which may be either side of midnight."""
    local = datetime.fromtimestamp(utc, zone)
    at = timedelta(hours=local.hour, minutes=local.minute, seconds=local.second)
    begin, end = night
    return begin <= at < end if begin <= end else at >= begin or at < end


def message(alarm: Alarm) -> str:
    """What the person is told: what, what if not, what to do, and how to answer."""
    kind = CATALOGUE[alarm.kind]
    return (
        f"{kind.priority.upper()}: {kind.title}\n{alarm.cause}\n"
        f"If nobody acts: {kind.consequence}\nDo: {kind.action}\n"
        f"Seen: hotbed alarms ack {alarm.key}\n"
        + (f"Once mended: hotbed alarms reset {alarm.key}\n" if alarm.latched else "")
    )
