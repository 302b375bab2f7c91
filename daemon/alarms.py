"""Alarms after ANSI/ISA-18.2 (IEC 62682): what each kind means, and their states. Pure.

A condition becomes an alarm when it has stood for the kind's delay, and returns to normal when it has
been gone for as long; an alarm nobody acknowledged stays in sight after it returned. A latched one
stays until a person has looked and resets it. Shelving silences, it does not end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from daemon.events import Event
from daemon.state import HOUR, Alarm, Now

Priority = Literal["critical", "high", "medium", "low"]


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One kind of alarm: how urgent, what it leads to, what to do, and how long it must stand [s]."""

    priority: Priority
    title: str
    consequence: str
    action: str
    delay: float = 0.0
    latched: bool = False


CATALOGUE: Mapping[str, AlarmKind] = {
    "soil-over-limit": AlarmKind(
        "critical",
        "soil over the limit",
        "Seed and roots are lost within the hour, and what heats may be out of control.",
        "Unplug the mat, open the cover, feel the tray. If the mat was off, its relay may be welded: "
        "leave it unplugged.",
    ),
    "warms-unheated": AlarmKind(
        "critical",
        "soil warms while the mat is off",
        "A welded relay heats without end.",
        "Unplug the mat and see whether the soil cools. If the sun or a heater did it, reset; if the "
        "relay did, replace it first.",
        latched=True,
    ),
    "mat-without-effect": AlarmKind(
        "high",
        "the mat heats without effect",
        "A probe that has fallen out reads the room while the mat cooks the tray; or the mat is dead "
        "and the seed lies cold.",
        "Push the probe back to seed depth, feel whether the mat is warm, then reset.",
        latched=True,
    ),
    "no-soil-reading": AlarmKind(
        "high",
        "no good soil reading",
        "The mat stays off: warm seed cools to the room.",
        "Check the probe's plug and cable, then run `hotbed check`.",
    ),
    "crop-too-hot": AlarmKind(
        "high",
        "too hot for a crop on the bench",
        "Lettuce and its kin go dormant, others rot or stall.",
        "Lift the cover, air the room, or move the batch to a cooler bench. The mat is off already.",
        delay=600.0,
    ),
    "lamp-shed": AlarmKind(
        "medium",
        "the lamp stays off for the heat under a cover",
        "Seedlings in the dark stretch within a day and don't recover.",
        "Take the cover off or prop it open, or move what is covered to a bench of its own.",
        delay=2 * HOUR,
    ),
    "lamps-short-of-power": AlarmKind(
        "medium",
        "the site's watts don't suffice for all lamps",
        "They take turns, and nothing has its hours of light.",
        "Set the lamps' hours apart (lights_on), or raise power_budget if the circuit bears it, by local "
        "code.",
        delay=600.0,
    ),
    "relay-unconfirmed": AlarmKind(
        "high",
        "a relay does not confirm",
        "A lamp may be dark or a mat may be on against orders.",
        "Look at the plug: is it powered, in reach of the network, and does its button work?",
        delay=30.0,
    ),
    "probe-lost": AlarmKind(
        "medium",
        "a probe gives nothing to steer by",
        "One less to notice a tray that overheats.",
        "Check its plug and cable, then run `hotbed check`.",
        delay=300.0,
    ),
    "probes-disagree": AlarmKind(
        "medium",
        "two probes of a bench disagree",
        "One may be out of its tray; the warmer one is steered by.",
        "See that both are at seed depth, and check them in ice water.",
        delay=1800.0,
    ),
    "clock-unset": AlarmKind(
        "medium",
        "the clock can't be believed",
        "Day and night go by the last known rhythm, or the lamps stay dark.",
        "Connect the network so that the time is set, or set it by hand.",
        delay=300.0,
    ),
    "journal-unwritable": AlarmKind(
        "high",
        "the journal can't be written",
        "Control goes on, but requests are refused and a power cut would forget what happened since.",
        "Free space on the card, or see whether it has gone read-only.",
        delay=30.0,
    ),
    "emergence-overdue": AlarmKind(
        "low",
        "nothing is up that should be",
        "Seed may be dead, dry, too deep, too cold or too hot.",
        "Look under the cover. If some are up: `hotbed log BATCH emerged UP/SOWN`. If not, dig up a "
        "seed: firm means wait, soft means sow again.",
        delay=HOUR,
    ),
}

#: The order in which a person should look at alarms.
PRIORITIES = ("critical", "high", "medium", "low")


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that is wrong now; `cause` is a sentence with its figures."""

    kind: str
    cause: str
    bench: str | None = None
    batch: str | None = None


def step(
    alarms: Mapping[str, Alarm],
    pending: Mapping[str, float],
    conditions: Mapping[str, Condition],
    now: Now,
) -> tuple[Mapping[str, Alarm], Mapping[str, float], list[Event]]:
    """The alarms after one tick with these conditions, by key; what waits; and what to tell.

    pending: mono since when a condition stands that is no alarm yet, or (key with "-" before it) is
    gone while its alarm is still active.
    """
    if not conditions and not alarms and not pending:
        return alarms, pending, []
    after = dict(alarms)
    waiting: dict[str, float] = {}
    events: list[Event] = []

    def tell(alarm: Alarm, text: str, state: str) -> None:
        events.append(
            Event(
                at=now.utc,
                kind="alarm",
                text=text,
                bench=alarm.bench,
                batch=alarm.batch,
                data={"alarm": alarm.key, "kind": alarm.kind, "state": state},
            )
        )

    for key, condition in conditions.items():
        alarm = after.get(key)
        kind = CATALOGUE[condition.kind]
        if alarm is not None and alarm.active:
            if alarm.cause != condition.cause:
                after[key] = replace(alarm, cause=condition.cause)
            continue
        since = pending.get(key, now.mono)
        if now.mono - since < kind.delay:
            waiting[key] = since
            continue
        shelved = alarm.shelved_until if alarm is not None else None
        after[key] = fresh = Alarm(
            key=key,
            kind=condition.kind,
            bench=condition.bench,
            batch=condition.batch,
            cause=condition.cause,
            raised_at=now.utc,
            latched=kind.latched,
            shelved_until=shelved,
        )
        tell(fresh, f"{kind.title}: {condition.cause}", fresh.state)
    for key, alarm in list(after.items()):
        if alarm.shelved_until is not None and now.mono >= alarm.shelved_until:
            alarm = after[key] = replace(alarm, shelved_until=None, acknowledged=False)
            tell(alarm, f"no longer snoozed: {alarm.cause}", alarm.state)
        if key in conditions or not alarm.active or alarm.latched:
            continue
        gone = f"-{key}"
        since = pending.get(gone, now.mono)
        if now.mono - since < CATALOGUE[alarm.kind].delay:
            waiting[gone] = since
            continue
        tell(alarm, f"returned to normal: {CATALOGUE[alarm.kind].title}", "returned")
        if alarm.acknowledged:
            del after[key]
        else:
            after[key] = replace(alarm, active=False)
    return after, waiting, events
