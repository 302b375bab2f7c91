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

from daemon.state import DAY, HOUR, HeatWatch, LightDay

#: A stop for heat ends this far [°C] below where it began, so that it does not chatter.
LIMIT_RELEASE = 2.0
CEILING_RELEASE = 1.0
#: A lamp over a cover is shed this far [°C] below the crop's ceiling, and comes back further below.
COVER_SHED = 0.5
COVER_RELEASE = 2.5
#: The longest darkness [s] inside a day that is a break and not its night.
INTERRUPTION = 2 * HOUR
#: Work light that a person may take out of one night [s].
WORK_LIGHT = 1800.0

#: Seconds of heating within which the soil must have answered, and after a sudden fall.
ANSWER_WITHIN = 3 * HOUR
ANSWER_WITHIN_AFTER_DROP = 1.5 * HOUR
#: What counts as an answer [°C]: a rise since the last one, or this much over a measured room.
ANSWER_RISE = 0.5
ANSWER_LIFT = 3.0
#: A fall [°C] below the highest of late that a mat that is on doesn't explain; "of late" fades by
#: HIGH_FADE [°C/s], about as fast as a warm tray cools by itself.
DROP = 2.0
HIGH_FADE = 2.0 / HOUR
#: With the mat off, soil may be this much [°C] warmer than the room accounts for.
UNHEATED_RISE = 2.5
LAMP_LIFT = 5.0
#: How fast [°C/s] the expectation for an unheated tray follows it downwards. No faster, so that
#: cold water, which goes as it came, does not make an ordinary return look like heating.
BASE_FALL = 2.0 / HOUR
#: A mat goes on warming the soil for this long [s] after it goes off.
AFTER_HEAT = 0.75 * HOUR
LAMP_AFTER = 2 * HOUR


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
    light: LightDay, wanted: bool, hours: float, now: float, tick: float
) -> tuple[LightDay, str | None]:
    """Rule 6: a night, once begun, lasts its 24 - `hours`, and a day no longer than `hours`.

    wanted: whether the schedule asks for light now. now: mono; the wall clock has no say. A night
    begins when the schedule stops asking, or when the day has had its hours whatever the clock says;
    a short break in an unfinished day (the clock was set back just after lights-on) is no night.
    Returns the light memory for the next tick, and why the lamp must stay dark, or None.
    """
    if hours <= 0 or hours >= 24:
        return LightDay(), None
    if not wanted:
        if light.day_from is not None and light.night_from is None:
            return replace(light, night_from=now), None
        return light, None
    day_over = light.day_from is not None and now - light.day_from >= hours * HOUR
    if light.night_from is not None:
        dark = now - light.night_from
        left = (24 - hours) * HOUR - dark
        if left <= tick:
            return LightDay(day_from=now), None
        if light.day_from is not None and not day_over and dark <= INTERRUPTION:
            return replace(light, night_from=None), None
        return light, f"the dark period has {_span(left)} to go"
    if day_over:
        return LightDay(night_from=now), f"today's {hours:g} h of light are over"
    return (light if light.day_from is not None else LightDay(day_from=now)), None


def work_light(light: LightDay, dark: str | None, dt: float) -> tuple[LightDay, str | None]:
    """Rule 6's exception: half an hour of light to work by, out of one night, that a person asks for.

    dark: why the lamp should be dark, from `keep_dark`. dt: seconds since the last tick.
    """
    in_night = dark is not None or light.night_from is not None
    if not in_night:
        return light, None
    if light.work_s + dt > WORK_LIGHT:
        return light, "this night's half hour of work light is used up"
    return replace(light, work_s=light.work_s + dt), None


def watch_heat(
    watch: HeatWatch,
    *,
    soil: float | None,
    room: float | None,
    heated: bool,
    off_for: float,
    lamp_recent: bool,
    reached: bool,
    jumped: bool,
    disturbed: bool,
    room_swing: float,
    dt: float,
) -> tuple[HeatWatch, str | None]:
    """Rule 3: a mat that heats without effect, and soil that warms while the mat is off.

    soil, room: °C, None where not measured. heated: whether the mat was on during the last `dt`
    seconds. off_for: seconds since it was last on. lamp_recent: whether the lamp was lit within
    LAMP_AFTER. reached: whether the soil is where it is wanted. jumped: the probe's series broke
    (a tray shifted, water). disturbed: water was logged lately. room_swing: °C.

    Both are judged on the lift over the room where it is measured, else on the soil itself and the
    owner's word on how far the room swings. Returns the watch and the kind of fault, or None.
    """
    if soil is None:
        return watch, None
    lift = soil - room if room is not None else soil
    high = lift if watch.high is None else max(lift, watch.high - HIGH_FADE * dt)
    if heated:
        low = lift if watch.low is None else min(lift, watch.low)
        dropped = watch.dropped or (high - lift >= DROP and not disturbed)
        answered = (
            reached
            or (lift - low >= ANSWER_RISE * (2 if dropped else 1))
            or (room is not None and lift >= ANSWER_LIFT and not dropped)
        )
        if answered:
            return HeatWatch(low=lift, high=lift if dropped else high), None
        on_s = watch.on_s + dt
        after = HeatWatch(on_s=on_s, low=low, high=high, dropped=dropped)
        limit = ANSWER_WITHIN_AFTER_DROP if dropped else ANSWER_WITHIN
        return after, "mat-without-effect" if on_s >= limit else None
    watch = replace(watch, high=high)
    if off_for < AFTER_HEAT or jumped or disturbed:
        return replace(watch, off_base=lift), None
    base = (
        lift
        if watch.off_base is None
        else max(min(watch.off_base, lift), watch.off_base - BASE_FALL * dt)
    )
    if room is not None:
        base = max(base, 0.0)
    allowed = (room_swing if room is None else UNHEATED_RISE) + (LAMP_LIFT if lamp_recent else 0.0)
    fault = "warms-unheated" if lift - base > allowed else None
    return replace(watch, off_base=base), fault


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
