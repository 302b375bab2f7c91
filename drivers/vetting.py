"""Judging a probe by the series of its readings: what one reading alone cannot show.

Pure: no clock, no I/O. The caller keeps one `Vetting` a probe and passes it through `vet` at each
tick. It holds only floats and ints, so that it can be kept and replayed with the rest of the state.

Jump. Soil warms and cools slowly; a bad contact, a swapped probe or a glitch does not. A step
that soil cannot make is refused, and a reading back at the old level is good again at once, so a
spike costs one reading. But cold tap water, a shifted tray or a probe put back into its cell do
make real steps: a new level that holds for `ride_out_s` is accepted, as is any level that the time
since the last accepted reading would allow. So a refusal always ends by itself.

Frozen. A device that repeats itself shows the same number for ever; so does a still tray for a long
time, at 1/16 °C a step. Two limits tell them apart. At rest, half a day: by then the lamps or the
room's daily swing have moved any tray by a step; less would cry on a still night in a cellar, and
keep the mat off when the morning needs it. After a switching of mat or lamp the soil must move, by
a first step within minutes, so 90 minutes of such time are plenty even for a deep tray.
A frozen probe is good again as soon as its value changes.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.protocols import Quality, Reading
from drivers.values import value

_LONG_GAP = 600.0  # s between readings after which an unchanged value no longer shows stillness
_CONFIRMING = 3  # readings that a new level takes at least, however slowly they come


@dataclass(frozen=True, slots=True)
class VettingLimits:
    """What is possible where a probe sits. The defaults are for soil; `AIR` is for air.

    low, high: °C. Seedlings are long lost, or the probe lies, beyond them.
    step_c: °C that two readings may differ at any distance in time. 0.5 is the coarsest step of
        a DS18B20, set to 9 bits (its data sheet).
    jump_c_per_min: °C a minute beyond that. A 20 W mat under a 10 x 20 inch tray of 1.5 kg of moist
        mix (3 kJ/kg K, from memory) warms it by 0.27 at most without any loss, sun through a
        window (500 W/m2) by 0.9.
    ride_out_s: seconds that a new level must hold. Watering or lifting a tray takes one to three
        minutes (common practice, no source) and a sheathed probe one more to follow.
    frozen_s: seconds without any change of value, at rest.
    frozen_active_s: the same, counting only time in which the soil must move (`active` of `vet`).
        For a device that reports coarser steps than 1/16 °C lengthen both in proportion.
    """

    low: float = -10.0
    high: float = 60.0
    step_c: float = 0.5
    jump_c_per_min: float = 1.0
    ride_out_s: float = 240.0
    frozen_s: float = 12 * 3600.0
    frozen_active_s: float = 90 * 60.0


SOIL = VettingLimits()
# A vent opened onto winter air, or a lamp over a bare probe, moves air by several degrees in a
# minute (common practice, no source).
AIR = VettingLimits(jump_c_per_min=5.0)


@value(frozen=True, slots=True)
class Vetting:
    """What is remembered of one probe. Times are on the scale of `Reading.at`.

    value, at: the newest reading judged, in range, accepted or not; None before the first.
    level, level_at: the newest reading accepted.
    since, count: when the new level being ridden out was first seen, and its readings so far; a
        count of 0 when there is none.
    still_s, still_active_s: seconds for which value has not changed; of these, active.
    """

    value: float | None = None
    at: float = 0.0
    level: float = 0.0
    level_at: float = 0.0
    since: float = 0.0
    count: int = 0
    still_s: float = 0.0
    still_active_s: float = 0.0


def vet(
    state: Vetting, reading: Reading, *, limits: VettingLimits = SOIL, active: bool = False
) -> tuple[Vetting, Reading]:
    """Judge a reading by those before it.

    active: the mat or lamp that acts on this probe was switched within the last hours (two, say),
        so that its soil or air is on the way to another balance. Not merely "the mat is on": one
        that has been on all night has reached its balance and may well be still.

    Returns the next state and the reading: unchanged, or with its quality turned from OK to JUMP,
    FROZEN, OUT_OF_RANGE or GARBLED (an OK without a number). Never the other way. A reading seen
    again (same `at` and value) is judged as before and changes nothing; one from before the last
    (the monotonic scale began anew at a boot) starts the series over.
    """
    if reading.quality is not Quality.OK:
        return state, reading
    value, at = reading.value, reading.at
    if value is None:
        return state, Reading(None, Quality.GARBLED, at)
    if not limits.low <= value <= limits.high:
        return state, Reading(value, Quality.OUT_OF_RANGE, at)
    if at != state.at or value != state.value:
        state = _next(state, value, at, limits, active)
    if state.count:
        return state, Reading(value, Quality.JUMP, at)
    if state.still_s >= limits.frozen_s or state.still_active_s >= limits.frozen_active_s:
        return state, Reading(value, Quality.FROZEN, at)
    return state, reading


def _next(state: Vetting, value: float, at: float, limits: VettingLimits, active: bool) -> Vetting:
    """The state after a new reading in range."""
    if state.value is None or at < state.at:
        return Vetting(value, at, value, at)
    gap = at - state.at
    still, still_active = state.still_s, state.still_active_s
    if value != state.value:
        still = still_active = 0.0
    elif gap <= _LONG_GAP:
        still += gap
        still_active += gap if active else 0.0

    if _possible(value, state.level, at - state.level_at, limits):
        return Vetting(value, at, value, at, 0.0, 0, still, still_active)
    since, count = at, 1
    if _possible(value, state.value, gap, limits):  # never while the last one was accepted
        since, count = state.since, state.count + 1
        if count >= _CONFIRMING and at - since >= limits.ride_out_s:
            return Vetting(value, at, value, at, 0.0, 0, still, still_active)
    return Vetting(value, at, state.level, state.level_at, since, count, still, still_active)


def _possible(value: float, before: float, seconds: float, limits: VettingLimits) -> bool:
    """Whether soil or air can get from `before` to `value` [°C] in so many seconds."""
    change, at_once = abs(value - before), limits.step_c
    return change <= at_once or change <= at_once + limits.jump_c_per_min / 60 * seconds
