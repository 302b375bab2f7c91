"""Alarms after ANSI/ISA-18.2 (IEC 62682): what each kind means, and their states. Pure.

A condition becomes an alarm when it has stood for the kind's delay, and returns to normal when it has
been gone for a while; an alarm nobody acknowledged stays in sight after it returned. A latched one
stays until a person has looked and resets it. Shelving silences, it does not end. A value that goes to
and fro about a limit is kept from chattering by a deadband, which whoever judges the value minds.

`python -m daemon.catalogue` writes all of the kinds into ALARMS.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from daemon.events import Event
from daemon.interlocks import CEILING_RELEASE, COVER_RELEASE, COVER_SHED, LIMIT_RELEASE
from daemon.state import DAY, HOUR, Alarm, Now

Priority = Literal["critical", "high", "medium", "low"]

#: How soon a person must act; also the order in which to look at alarms.
RESPONSE: Mapping[Priority, str] = {
    "critical": "within minutes, whoever is nearest",
    "high": "within the hour, or at the latest before the next night or noon",
    "medium": "today",
    "low": "at the next look round",
}
PRIORITIES: tuple[Priority, ...] = tuple(RESPONSE)
#: How long an alarm may be shelved at most [s] (our judgement): the more urgent, the sooner it is back.
LONGEST_SHELVED: Mapping[Priority, float] = {
    "critical": HOUR,
    "high": DAY,
    "medium": 7 * DAY,
    "low": 7 * DAY,
}
#: Alarms of a bench that began within so long [s] of the first of them may be of one fault: soil answers
#: so slowly that the guard against heat without effect waits for hours (our judgement).
ONE_FAULT = 6 * HOUR
#: A loose contact comes and goes by the minute: only after so long [s] without a break it is well again
#: (our judgement).
STEADY = 1800.0
#: Two probes that were too far apart agree again this much [°C] closer.
AGREE_AGAIN = 1.0
#: Air that was too cold for plants left out is warm enough again this much [°C] higher.
WARM_AGAIN = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmKind:
    """One kind of alarm.

    priority: see RESPONSE. cause: what makes it, of any bench; an alarm's own cause has the figures.
    delay: how long [s] it must stand. gone: how long it must be gone, as long if None. deadband: how far
    [°C] the value must come back from its limit. latched: a person must look and reset it.
    needs_person: it doesn't end by itself. wakes: somebody is called by night too.
    """

    priority: Priority
    title: str
    cause: str
    consequence: str
    action: str
    delay: float = 0.0
    gone: float | None = None
    deadband: float | None = None
    latched: bool = False
    needs_person: bool = True
    wakes: bool = False

    @property
    def gone_for(self) -> float:
        """How long [s] it must be gone to have returned to normal."""
        return self.delay if self.gone is None else self.gone


CATALOGUE: Mapping[str, AlarmKind] = {
    "soil-over-limit": AlarmKind(
        priority="critical",
        title="soil over the limit",
        cause="A soil probe reads `soil_limit` or more.",
        consequence="Seed and roots are lost within the hour, and what heats may be out of control.",
        action="Unplug the mat, open the cover, feel the tray. If the mat was off, its relay may be "
        "welded: leave it unplugged.",
        deadband=LIMIT_RELEASE,
        wakes=True,
    ),
    "warms-unheated": AlarmKind(
        priority="critical",
        title="soil warms while the mat is off",
        cause="With its mat off, the soil is warmer than room, lamp and water account for.",
        consequence="A welded relay heats without end.",
        action="Unplug the mat and see whether the soil cools. If the sun or a heater did it, reset; if "
        "the relay did, replace it first.",
        latched=True,
        wakes=True,
    ),
    "left-out": AlarmKind(
        priority="high",
        title="plants are left out on a cold night",
        cause="Dusk is past, hardening plants were not recorded as in (or their frame as shut), and the "
        "night is colder than they take by now: as foretold, as given, or as measured outdoors.",
        consequence="Chilled leaves, a check of weeks; in a frost the batch is lost.",
        action="Bring them in, or shut the frame and lay fleece over it; then `hotbed log BATCH in`.",
        delay=1800.0,
        gone=0.0,
        deadband=WARM_AGAIN,
        wakes=True,
    ),
    "relay-unconfirmed": AlarmKind(
        priority="high",
        title="a relay does not confirm",
        cause="A plug reports the contrary of what it was told, or nothing, or its lamp draws power "
        "while it should be off.",
        consequence="A lamp may be dark or a mat may be on against orders.",
        action="Look at the plug: is it powered, in reach of the network, and does its button work?",
        delay=30.0,
        gone=STEADY,
        needs_person=False,
        wakes=True,
    ),
    "probe-out-of-tray": AlarmKind(
        priority="high",
        title="a soil probe seems to be out of its tray",
        cause="The reading fell suddenly, and heating did not bring it back as it does after water.",
        consequence="It read the room while the mat heated: what is in the tray may have been cooked. "
        "The mat is off now, and the seed cools.",
        action="Push the probe back to seed depth and tie its cable down; dig up a seed. Then reset.",
        latched=True,
    ),
    "lamp-dark": AlarmKind(
        priority="high",
        title="the lamp is dark in its hours",
        cause="The relay is on, and what shows that the lamp is lit (its power, or light beside it) says "
        "that it is not.",
        consequence="Seedlings in the dark stretch within a day and don't recover.",
        action="Look at lamp, plug and timer. Until it is mended move the batch to another lamp or to a "
        "bright window.",
        delay=600.0,
        needs_person=False,
    ),
    "up-in-the-dark": AlarmKind(
        priority="high",
        title="seedlings are up, or may be, without light",
        cause="They are up, or may be and nobody looked for a day, on a bench without a lamp or in the "
        "chamber; or the lamp of their bench was off for a day, kept off or for want of power.",
        consequence="Seedlings in the dark stretch within a day and don't recover.",
        action="Look. Those that are up: `hotbed move BATCH BENCH` to one with a lamp, or `hotbed keep "
        "BENCH lamp auto`. If none are: `hotbed log BATCH emerged 0`.",
        delay=6 * HOUR,
        gone=0.0,
    ),
    "dry-cells": AlarmKind(
        priority="high",
        title="nobody has seen to the water",
        cause="Neither water nor a look at the moisture was recorded within what such cells hold; or the "
        "bench's moisture probe reads dry.",
        consequence="Small cells dry out in hours once they are dry at the top; seed that has begun "
        "dies.",
        action="Feel the mix. Water it, and `hotbed log BATCH watered`; or, if it is moist, `hotbed log "
        "BATCH moist N`.",
        delay=2 * HOUR,
        gone=0.0,
    ),
    "no-soil-reading": AlarmKind(
        priority="high",
        title="no good soil reading",
        cause="No soil probe of a bench has given a good reading for `probe_grace`.",
        consequence="The mat stays off: warm seed cools to the room.",
        action="Check the probe's plug and cable, then run `hotbed check`.",
        gone=STEADY,
        needs_person=False,
    ),
    "crop-too-hot": AlarmKind(
        priority="high",
        title="too hot for a crop on the bench",
        cause="A soil probe reads a crop's own ceiling or more.",
        consequence="Lettuce and its kin go dormant, others rot or stall.",
        action="Lift the cover, air the room, or move the batch to a cooler bench. The mat is off "
        "already.",
        delay=600.0,
        deadband=CEILING_RELEASE,
        needs_person=False,
    ),
    "journal-unwritable": AlarmKind(
        priority="high",
        title="the journal can't be written",
        cause="The disk refuses, is full, or does not answer.",
        consequence="Control goes on, but requests are refused and a power cut would forget what "
        "happened since.",
        action="Free space on the card, or see whether it has gone read-only.",
        delay=30.0,
        needs_person=False,
    ),
    "lamps-short-of-power": AlarmKind(
        priority="medium",
        title="the site's watts don't suffice for all lamps",
        cause="The lamps that should be lit now draw more than `power_budget` together.",
        consequence="They take turns, and nothing has its hours of light.",
        action="Set the lamps' hours apart (lights_on), or raise power_budget if the circuit bears it, "
        "by local code.",
        delay=600.0,
    ),
    "lamp-shed": AlarmKind(
        priority="medium",
        title="the lamp stays off for the heat under a cover",
        cause="For two hours of a day's light in all, the soil under a cover was so near the crop's "
        "ceiling that the lamp was kept off.",
        consequence="Seedlings in the dark stretch within a day and don't recover.",
        action="Take the cover off or prop it open, or move what is covered to a bench of its own.",
        deadband=COVER_RELEASE - COVER_SHED,
        needs_person=False,
    ),
    "lamp-unseen": AlarmKind(
        priority="medium",
        title="nobody has seen that the lamp is lit",
        cause="Seedlings are up, or may be, no meter shows the lamp's power or light, and nobody has "
        "recorded anything at the bench in the lamp's hours lately.",
        consequence="A relay that is on is no lit lamp: seedlings in the dark stretch within a day and "
        "don't recover.",
        action="Look in the lamp's hours; lit: `hotbed log BATCH lit`. A plug that measures its power, "
        "as the lamp's `proof`, spares you the question.",
        delay=600.0,
        gone=0.0,
    ),
    "probe-lost": AlarmKind(
        priority="medium",
        title="a probe gives nothing to steer by",
        cause="One of several soil probes of a bench is missing or lies.",
        consequence="One less to notice a tray that overheats.",
        action="Check its plug and cable, then run `hotbed check`.",
        delay=300.0,
        gone=STEADY,
        needs_person=False,
    ),
    "probes-disagree": AlarmKind(
        priority="medium",
        title="two probes of a bench disagree",
        cause="Soil probes of one bench read further apart than two trays do.",
        consequence="One may be out of its tray; the warmer one is steered by.",
        action="See that both are at seed depth, and check them in ice water.",
        delay=1800.0,
        deadband=AGREE_AGAIN,
        needs_person=False,
    ),
    "clock-unset": AlarmKind(
        priority="medium",
        title="the clock can't be believed",
        cause="The wall clock was never set, or is behind the journal's last entry.",
        consequence="Day and night go by the last known rhythm, or the lamps stay dark.",
        action="Connect the network so that the time is set, or set it by hand.",
        delay=300.0,
        needs_person=False,
    ),
    "call-failed": AlarmKind(
        priority="medium",
        title="somebody could not be called",
        cause="The command that calls a person about an alarm failed or took too long.",
        consequence="Alarms may reach nobody.",
        action="Run the command by hand, mend it, and acknowledge this.",
        needs_person=False,
    ),
    "mat-without-effect": AlarmKind(
        priority="low",
        title="the mat heats without effect",
        cause="The mat was on for hours and the soil neither rose nor stayed warmer than the room.",
        consequence="The mat is dead, too weak, or not under the tray, and the seed lies cold; or the "
        "probe was never in the tray. The mat is off now.",
        action="Feel whether the mat gets warm, and see that the probe is at seed depth; then reset.",
        latched=True,
    ),
    "journal-damaged": AlarmKind(
        priority="high",
        title="the journal was damaged and has begun anew",
        cause="Its file was found damaged, at a start or when it was written, and was set aside whole.",
        consequence="What was sown, moved or noted shortly before may be forgotten.",
        action="Compare `hotbed status` with the benches and enter what is missing. The damaged files "
        "are kept: copy them elsewhere, and replace a card that is old.",
    ),
    "emergence-overdue": AlarmKind(
        priority="low",
        title="nothing is up that should be",
        cause="All the warmth, or three times the days, that bring such seed up are past.",
        consequence="Seed may be dead, dry, too deep, too cold or too hot.",
        action="Look under the cover. If some are up: `hotbed log BATCH emerged UP/SOWN`. If not, dig "
        "up a seed: firm means wait, soft means sow again.",
        delay=HOUR,
    ),
}


def first_out(alarms: Mapping[str, Alarm]) -> dict[str, str]:
    """By the key of an alarm, which of its bench came first: only of those that others followed.

    One fault raises several; the first is where to look. Each stands for itself as well as for the
    followers that began within ONE_FAULT of it. Alarms of a batch are about people, not equipment.
    """
    benches: dict[str | None, list[Alarm]] = {}
    for alarm in alarms.values():
        if alarm.batch is None and alarm.began is not None:
            benches.setdefault(alarm.bench, []).append(alarm)
    found: dict[str, str] = {}
    for bench, standing in benches.items():
        if bench is None:
            continue
        first: Alarm | None = None
        for alarm in sorted(standing, key=_by_beginning):
            if first is None or (alarm.began or 0.0) - (first.began or 0.0) > ONE_FAULT:
                first = alarm
            else:
                found[first.key] = found[alarm.key] = first.key
    return found


def _by_beginning(alarm: Alarm) -> tuple[float, int, str]:
    priority = PRIORITIES.index(CATALOGUE[alarm.kind].priority)
    return alarm.began or 0.0, priority, alarm.key


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
            began=since,
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
        if now.mono - since < CATALOGUE[alarm.kind].gone_for:
            waiting[gone] = since
            continue
        tell(alarm, f"returned to normal: {CATALOGUE[alarm.kind].title}", "returned")
        if alarm.acknowledged:
            del after[key]
        else:
            after[key] = replace(alarm, active=False)
    return after, waiting, events
