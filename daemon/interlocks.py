"""The safety stops: rules that may only switch off, and always win.

Pure, and dumber than what they guard.

Each takes plain facts and returns why something must be off now (a sentence's worth of words), or
None. None of them knows the wall clock. Numbered as in the design:

1. `no_good_reading`  2. `over_limit`, `lamp_over_cover`  3. `watch_heat`  5. `within_budget`
6. `keep_dark`. Rule 4, the lease, is the relay drivers' own; 7 follows from the order in `decide`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import exp
from typing import NamedTuple

from daemon.state import DAY, HOUR, HeatWatch, LightDay

#: A stop for heat ends this far [°C] below where it began, so that it does not chatter.
LIMIT_RELEASE = 2.0
CEILING_RELEASE = 1.0
#: A lamp over a cover is shed this far [°C] below the crop's ceiling, and comes back further below.
COVER_SHED = 0.5
COVER_RELEASE = 2.5
#: Where no probe is in the soil, what is under a cover below a lit lamp is taken to be so much warmer
#: than the air of the bench [°C] (our judgement: 36 W over one simulated tray come to 1 over the air
#: under its cover, and to 7 over the air beside it).
COVER_OVER_AIR = 3.0
#: The longest darkness [s] inside a day that is a break and not its night.
INTERRUPTION = 2 * HOUR
#: A step longer than this [s] is a power cut; in a shorter one a lamp is taken to have burnt on.
CUT = 1800.0
#: How many ticks a lamp may stay lit after the last one: its lease (see `daemon.service`), rounded up.
LEASE_TICKS = 3
#: Work light that a person may take out of one night [s].
WORK_LIGHT = 1800.0

#: Seconds of heating without a sign that it warms, after which a mat is taken for one that doesn't.
ANSWER_WITHIN = 3 * HOUR
#: A sign is this much lift [°C] over a measured room, more near a lit lamp, where bare air has some of
#: it too; or soil that rises by ANSWER_RISE while it is warmer than the room. Where the room is not
#: measured, it is a rise faster than a room's, by a share of its swing in ANSWER_WITHIN, and by more
#: than a room goes up and down within the hour; or a fall by ANSWER_RISE while the mat was off, and a
#: rise by as much when it is on again, where mats take turns.
ANSWER_LIFT = 3.0
LAMP_AIR_LIFT = 3.0
ANSWER_RISE = 0.5
#: A mat that takes turns with others shows it by what each turn brings back of what was lost since the
#: last: so much in all (in an unmeasured room ANSWER_RISE), of turns that bring so much each (more than a
#: step of the probe) [°C].
ANSWER_TURNS, TURN_LEAST = 1.0, 0.2
#: After a gap, soil that fell by this much more [°C] before it rose by ANSWER_RISE was turned round by
#: its mat: two steps of a probe. What reads an unmeasured room goes on as the room does (our judgement).
STILL_FALLS = 0.1
ANSWER_SWING = 0.4
ANSWER_LEAST = 1.5
#: Once shown to work, a mat is believed while the soil keeps this lift [°C] over a measured room.
KEPT_LIFT = 1.5
#: An unmeasured room moves no soil faster than its swing in this time [s], nor lets it sink by more
#: than this share of its swing below such a pace.
SWING_WITHIN = 8 * HOUR
SWING_SLACK = 0.25
#: A fall [°C] below the highest of late is cold water or a probe that is out of the tray; "of late"
#: fades by HIGH_FADE [°C/s], faster than a tray cools when its lamp goes off. After it a part of the
#: fall must be made good within the first time [s] of heating, and most of it within the second. A fall
#: over a gap by LONG_FALL takes the soil so far from its balance that a mat shows itself otherwise. Nor
#: does a tray fall suddenly that has lost its cover: for UNCOVERED [s] it goes to another balance (our
#: judgement).
DROP = 2.0
UNCOVERED = 1 * HOUR
LONG_FALL = 3.5
HIGH_FADE = 6.0 / HOUR
REGAINS = (0.25, 1.5 * HOUR)
RECOVERS = (2 / 3, 4.5 * HOUR)
#: Soil with nothing to heat it follows the room as if through this lag [s].
ROOM_LAG = 3 * HOUR
#: With the mat off, soil may be this much [°C] warmer than the room accounts for, and this much more
#: under a lit lamp, whose warmth fades within LAMP_FADE and has gone after LAMP_AFTER.
UNHEATED_RISE = 2.5
LAMP_LIFT = 8.0
LAMP_AFTER = 6 * HOUR
LAMP_FADE = 1.5 * HOUR
#: How fast [°C/s] the expectation for an unheated tray follows it, downwards and up. Down no faster, so
#: that cold water, which goes as it came, does not make an ordinary return look like heating. Up with
#: the weather. The lift that a mat has left goes within a few times LIFT_FADE [s].
BASE_FALL = 2.0 / HOUR
BASE_RISE = 0.25 / HOUR
LIFT_FADE = 6 * HOUR
#: A mat goes on warming the soil for this long [s] after it goes off, and takes as long to begin with it.
AFTER_HEAT = 0.75 * HOUR


def no_good_reading(now: float, read_at: float, grace: float) -> str | None:
    """Rule 1: a mat is on only while a good, fresh soil reading says so.

    now, read_at: mono, of the last good reading. grace: seconds.
    """
    age = now - read_at
    if age >= grace or age < 0:
        return f"no good soil reading for {grace:.0f} s" if age < DAY else "no good soil reading"
    return None


def over_limit(hottest: float | None, limit: float, held: bool, release: float) -> bool:
    """Rule 2: whether a stop for heat holds, at or over `limit` [°C] until `release` below it.

    hottest: of all soil probes, doubtful ones too; with None the stop stays as it was.
    """
    if hottest is None:
        return held
    return hottest >= limit or (held and hottest > limit - release)


def keep_dark(
    light: LightDay, wanted: bool, hours: float, now: float, tick: float, dt: float
) -> tuple[LightDay, str | None]:
    """Rule 6: a night, once begun, lasts its 24 - `hours`, and a day no longer than `hours`.

    wanted: whether the schedule asks for light now. now: mono; the wall clock has no say. tick, dt:
    seconds between decisions as meant, and since the last one. A night begins
    when the schedule stops asking, or when the day has had its hours whatever the clock says; a short
    break in an unfinished day (the clock was set back just after lights-on) is no night. Nobody
    decides in a power cut, but no lamp outlives its lease either: a night that fell into one began
    with it.
    Returns the light memory for the next tick, and why the lamp must stay dark, or None.
    """
    if hours <= 0 or hours >= 24:
        return LightDay(), None
    day_over = light.day_from is not None and now - light.day_from >= hours * HOUR
    if light.day_from is not None and light.night_from is None and (day_over or not wanted):
        end = now - (dt - LEASE_TICKS * tick if dt > CUT else 0.0)
        light = replace(light, night_from=end) if not wanted else LightDay(night_from=end)
        if wanted and end == now:
            return light, f"today's {hours:g} h of light are over"
    if not wanted:
        return light, None
    if light.night_from is not None:
        dark = now - light.night_from
        left = (24 - hours) * HOUR - dark
        if left <= tick:
            return LightDay(day_from=now), None
        if light.day_from is not None and not day_over and dark <= INTERRUPTION:
            return replace(light, night_from=None), None
        return light, f"the dark period has {_span(left)} to go"
    return (light if light.day_from is not None else LightDay(day_from=now)), None


def work_light(light: LightDay, lit_s: float) -> tuple[LightDay, str | None]:
    """Rule 6's exception: half an hour of light to work by, out of one night, that a person asks for.

    To be asked only in the night. lit_s: seconds of it that the lamp was lit since the last tick.
    """
    used = min(light.work_s + lit_s, WORK_LIGHT)
    why = "this night's half hour of work light is used up" if used >= WORK_LIGHT else None
    return light if used == light.work_s else replace(light, work_s=used), why


def over_gap(watch: HeatWatch, soil: float | None, room: float | None) -> HeatWatch:
    """The watch after a time in which nobody looked and nothing was on; soil, room: now [°C].

    Levels are anew. But near its balance a mat can show no other sign than that the soil keeps its
    level; after a long fall it rises well enough, once the mat is warm itself. In an unmeasured room
    that is night by then, a sound mat may do no more than end the fall, and bring back a little.
    """
    if watch.kept is None or soil is None:
        return HeatWatch()
    if watch.kept - soil < LONG_FALL:
        return HeatWatch(kept=soil, room=None if watch.room is None else room)
    turn = None if watch.room is not None else soil + ANSWER_RISE - STILL_FALLS
    return HeatWatch(on_s=-AFTER_HEAT, rested=turn)


def watch_heat(
    watch: HeatWatch,
    *,
    soil: float | None,
    room: float | None,
    heated: bool,
    off_for: float,
    lamp_off_for: float,
    reached: bool,
    jumped: bool,
    disturbed: bool,
    uncovered_for: float,
    room_swing: float,
    dt: float,
) -> tuple[HeatWatch, str | None]:
    """Rule 3: a mat that heats without effect, and soil that warms while the mat is off.

    soil, room: °C, None where not measured. heated: whether the mat was on during the last `dt`
    seconds. off_for, lamp_off_for: seconds since mat and lamp were last on. reached: whether the soil
    is where it is wanted. jumped: the probe's series broke (a tray shifted, water). disturbed: water
    was logged lately. uncovered_for: seconds since the cover came off. room_swing: °C.

    Where the room is measured, both are judged on the lift over it, or over its recent past, which
    soil lags behind. Else the owner's word on how far the room swings must do: it can't tell a
    weak mat that died from a cold night, nor a welded relay from a warm day that is within it.
    Returns the watch and the kind of fault (mat-without-effect, or after a sudden fall
    probe-out-of-tray; warms-unheated), or None.
    """
    if soil is None:
        return watch, None
    before, kept, base = watch.room, watch.kept, watch.off_base
    if (room is None) != (before is None):  # levels so far were over something else
        kept = base = None
    lift, lagged = soil, None
    if room is not None:
        before = room if before is None else before
        lagged = before + (room - before) * min(1.0, dt / ROOM_LAG)
        lift = soil - max(room, lagged)
    high = soil
    if watch.high is not None and uncovered_for >= UNCOVERED:
        high = max(soil, watch.high - HIGH_FADE * dt)
    now = _Levels(soil, lift, lagged, high, kept, base, dt)
    if heated:
        return _heated(watch, now, lamp_off_for, reached, disturbed, room_swing)
    return _unheated(watch, now, off_for, lamp_off_for, jumped or disturbed, room_swing)


class _Levels(NamedTuple):
    """What a tick of `dt` seconds found, °C: soil, its lift over the room, and levels of before."""

    soil: float
    lift: float
    room: float | None
    high: float
    kept: float | None
    base: float | None
    dt: float


def _heated(
    watch: HeatWatch,
    now: _Levels,
    lamp_off_for: float,
    reached: bool,
    disturbed: bool,
    room_swing: float,
) -> tuple[HeatWatch, str | None]:
    soil, lift, room, high, kept, base, dt = now
    measured = room is not None
    on_s, fell_from, fell_to = watch.on_s, watch.fell_from, watch.fell_to
    low, low_s = watch.low, watch.low_s + dt
    if low is None or soil <= low:
        low, low_s = soil, 0.0
    spell = soil if watch.spell is None else min(soil, watch.spell)
    if high - soil >= DROP and (fell_from is None or soil < fell_to):
        on_s, kept, fell_from, fell_to = 0.0, None, high, soil
    if fell_from is None:
        turn = min(watch.rested if watch.rested is not None else spell, soil) - spell
        answered = watch.regained + turn >= (ANSWER_TURNS if measured else ANSWER_RISE)
        if measured:
            answered = answered or min(soil - low, lift) >= ANSWER_RISE
        else:
            pace = ANSWER_SWING * room_swing * min(1.0, low_s / ANSWER_WITHIN)
            pace = max(pace, min(ANSWER_LEAST, ANSWER_SWING * room_swing))
            answered = answered or soil - low >= pace
        limit = ANSWER_WITHIN
    else:
        regained = (soil - fell_to) / (fell_from - fell_to)
        answered = regained >= RECOVERS[0]
        limit = REGAINS[1] if regained < REGAINS[0] else RECOVERS[1]
    lamp_air = LAMP_AIR_LIFT if lamp_off_for < AFTER_HEAT else 0.0
    if reached or answered or (measured and lift >= ANSWER_LIFT + lamp_air):
        return HeatWatch(0.0, soil, 0.0, None, soil, soil, high, None, fell_to, base, room), None
    fault = None
    if kept is not None:
        pace = room_swing / SWING_WITHIN * dt
        if 0 < lamp_off_for < LAMP_AFTER:
            pace += LAMP_LIFT / LAMP_FADE * exp(-lamp_off_for / LAMP_FADE) * dt
        kept = max(soil, kept - pace)
    if kept is not None and (
        lift >= KEPT_LIFT if measured else kept - soil <= room_swing * SWING_SLACK
    ):
        on_s = 0.0
    else:
        on_s += 0.0 if disturbed else dt
        if on_s >= limit:
            # A dead mat lets soil cool as slowly as it does; only water or air makes a reading fall.
            fault = "mat-without-effect" if fell_from is None else "probe-out-of-tray"
    return HeatWatch(
        on_s, low, low_s, watch.rested, spell, kept, high, fell_from, fell_to, base, room,
        watch.regained,
    ), fault  # fmt: skip


def _unheated(
    watch: HeatWatch,
    now: _Levels,
    off_for: float,
    lamp_off_for: float,
    disturbed: bool,
    room_swing: float,
) -> tuple[HeatWatch, str | None]:
    soil, lift, room, high, kept, base, dt = now
    measured = room is not None
    regained = watch.regained
    if watch.rested is not None and watch.spell is not None:  # a spell of heating has just ended
        turn = min(watch.rested, soil) - watch.spell
        regained += turn if turn >= TURN_LEAST else 0.0
    rested = soil if watch.rested is None or watch.spell is not None else max(watch.rested, soil)
    fault = None
    if base is None or disturbed or off_for < AFTER_HEAT:
        base = lift
    else:
        base = min(max(lift, base - BASE_FALL * dt), base + BASE_RISE * dt)
        if measured:
            base = max(0.0, base - base * dt / LIFT_FADE)
        allowed = UNHEATED_RISE if measured else room_swing
        allowed += LAMP_LIFT * max(0.0, 1 - lamp_off_for / LAMP_AFTER)
        fault = "warms-unheated" if lift - base > allowed else None
    return HeatWatch(
        watch.on_s, watch.low, watch.low_s, rested, None, kept, high,
        watch.fell_from, watch.fell_to, base, room, regained,
    ), fault  # fmt: skip


def within_budget(loads: Sequence[tuple[str, float]], budget: float) -> frozenset[str]:
    """Rule 5: the names that fit into `budget` [W], taken in the order given; the others stay off."""
    total = 0.0
    fit = set()
    for name, watts in loads:
        if total + watts <= budget:
            total += watts
            fit.add(name)
    return frozenset(fit)


def _span(seconds: float) -> str:
    minutes = max(1, round(seconds / 60))
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"
