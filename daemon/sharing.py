"""How several batches share one bench: one aim for the soil, the hours and the cover.

The rule, in the order it is applied:

1. Soil. Every batch in germination brings the range its seed accepts, every emerged one the
   temperature its roots must stay under (and its root-zone floor, if it keeps one). Inside the range
   that all accept, the aim is what is kindest to all the germinating seed, see `setpoint.kindest`.
   Where no such range exists the conflict is reported, and the aim is the warmest that all stand:
   seed that waits is slow, roots or seed that cook are lost. It is reported too where seed is kept much
   slower, or loses many more seedlings, than it would by itself.
2. Hours. Every batch with leaves or with seed that needs light brings its acceptable hours. Inside
   what all accept, the hours nearest to the average best. Where there are none in common the
   conflict is reported, and the shortest upper limit holds: too short only slows, too long makes an
   onion bulb, and that can't be undone.
3. Light. One batch that needs light lights the bench: no seed here is harmed by light, and a seedling
   is by a day in the dark.
4. Cover. It belongs to the batch; a bench is covered as soon as one tray on it is, and then a lit
   lamp is shed before the seed below cooks.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from daemon.state import Batch
from profiles.model import Crop, Stage, StageTargets, Temperature
from profiles.setpoint import Hardship, hardship, kindest
from profiles.units import Units, format_temperature

#: An aim stays this far [°C] below a ceiling, so that landing on it does not trip the safety stop.
CEILING_MARGIN = 1.0
#: Air ranges that miss each other by less [°C] are not worth a word: nobody here steers air.
AIR_SLACK = 2.0


@dataclass(frozen=True, slots=True)
class Aim:
    """What a bench is steered to after all batches on it have had their say.

    soil: setpoint of the mat [°C], None when the mat has nothing to do; soil_night: another one
    outside the lamp's hours, where some seed wants warmth that comes and goes. soil_range: what everybody
    on the bench accepts [°C]. ceiling: the lowest soil temperature that harms somebody here, and
    `ceiling_of` whose. hours: of light a day, 0 for dark. air_day, air_night: shared ranges [°C],
    None where nobody asks. conflicts: sentences, empty when all fit. seed: batches still germinating.
    """

    soil: float | None = None
    soil_night: float | None = None
    soil_range: tuple[float, float] | None = None
    ceiling: float | None = None
    ceiling_of: str = ""
    hours: float = 0.0
    lit_for: str = ""
    air_day: tuple[float, float] | None = None
    air_night: tuple[float, float] | None = None
    dli: tuple[float, float] | None = None
    covered: bool = False
    seed: tuple[str, ...] = ()
    conflicts: tuple[str, ...] = ()


def aim_of(
    batches: Sequence[Batch],
    crops: Mapping[str, Crop],
    called: Collection[str],
    units: Units = "C",
) -> Aim:
    """The aim of a bench with these batches on it.

    called: codes of germinating batches whose first seedling may be up, so that they need the lamp.
    units: what the sentences of a conflict are written in.
    """
    if not batches:
        return Aim()
    asks = [(batch, crops[batch.crop].stages[batch.stage]) for batch in batches]
    conflicts: list[str] = []
    soil, soil_night, soil_range = _soil(asks, crops, conflicts, units)
    ceiling, ceiling_of = min(
        (targets.soil_ceiling_c.value, crops[batch.crop].title.lower()) for batch, targets in asks
    )
    lit = [
        (batch, targets)
        for batch, targets in asks
        if targets.photoperiod_h is not None
        and (batch.emerged or batch.code in called or crops[batch.crop].light_to_germinate.value)
    ]
    hours = _hours(lit, conflicts)
    covered = any(batch.covered for batch in batches)
    leafy = [(batch, targets) for batch, targets in asks if batch.emerged]
    day = _overlap("by day", [(b, t.air_day) for b, t in leafy], conflicts, units)
    night = _overlap("by night", [(b, t.air_night) for b, t in leafy], conflicts, units)
    dlis = [targets.dli for _, targets in lit if targets.dli is not None]
    if covered and hours and leafy:
        under = ", ".join(batch.code for batch in batches if batch.covered)
        conflicts.append(
            f"under a cover below a lit lamp: {under}; a dark bench would suit it better, for a cover "
            "below a lamp gets hot"
        )
    return Aim(
        soil=soil,
        soil_night=soil_night,
        soil_range=soil_range,
        ceiling=ceiling,
        ceiling_of=ceiling_of,
        hours=hours,
        lit_for=", ".join(batch.code for batch, _ in lit),
        air_day=day,
        air_night=night,
        dli=(max(d.low for d in dlis), max(d.high for d in dlis)) if dlis else None,
        covered=covered,
        seed=tuple(batch.code for batch in batches if batch.stage is Stage.GERMINATION),
        conflicts=tuple(conflicts),
    )


def _soil(
    asks: Sequence[tuple[Batch, StageTargets]],
    crops: Mapping[str, Crop],
    conflicts: list[str],
    units: Units,
) -> tuple[float | None, float | None, tuple[float, float] | None]:
    lows: list[tuple[float, str]] = []
    highs: list[tuple[float, str]] = []
    nights: list[float] = []
    seed: list[Batch] = []
    alternating = False
    floors: list[float] = []
    for batch, targets in asks:
        high = targets.soil_ceiling_c.value - CEILING_MARGIN
        span = targets.soil_acceptable
        if span is not None:
            high = min(high, span.high)
        highs.append((high, batch.code))
        if targets.mat == "soil-target" and targets.soil_best is not None and span is not None:
            lows.append((span.low, batch.code))
            night = targets.soil_best_night
            alternating = alternating or night is not None
            seed.append(batch)
            nights.append(_middle(night or targets.soil_best))
        elif targets.mat == "floor" and targets.root_zone_floor_c is not None:
            floors.append(targets.root_zone_floor_c.value)
            lows.append((targets.root_zone_floor_c.value, batch.code))
    high, hot_for = min(highs)
    if not lows:
        return None, None, None
    low, cold_for = max(lows)
    if low > high:
        conflicts.append(
            f"{cold_for} wants soil of {format_temperature(low, units)} or more, {hot_for} at most "
            f"{format_temperature(high, units)}: they can't share this bench well; aiming for "
            f"{format_temperature(high, units)}, the warmest that all stand, and slow for {cold_for}"
        )
        return high, None, None
    if not seed:
        return max(floors), None, (low, high)
    aim = min(high, max([kindest([crops[one.crop] for one in seed], low, high), *floors]))
    for one in seed:
        cost = hardship(crops[one.crop], aim) if len(asks) > 1 else None
        if cost is not None:
            others = ", ".join(batch.code for batch, _ in asks if batch.code != one.code)
            conflicts.append(
                f"{one.code} can't share this bench well with {others}: at "
                f"{format_temperature(aim, units)} {said_hardship(cost)}"
            )
    cool = min(high, max([low, sum(nights) / len(nights), *floors]))
    return aim, min(cool, aim) if alternating else None, (low, high)


def said_hardship(cost: Hardship) -> str:
    """What a temperature costs a crop, in words that go on after it."""
    said = []
    if cost.days is None:
        said.append("nothing comes up")
    elif cost.days_alone is not None and round(cost.days) > round(cost.days_alone):
        said.append(f"{cost.days:.0f} days to emergence, {cost.days_alone:.0f} by itself")
    normal, alone = cost.normal_percent, cost.normal_alone
    if normal is not None and alone is not None and normal < alone - 1:
        said.append(f"{normal:.0f} % of the seedlings normal, {alone:.0f} by itself")
    return " and ".join(said)


def _middle(span: Temperature) -> float:
    return (span.low + span.high) / 2


def _hours(lit: Sequence[tuple[Batch, StageTargets]], conflicts: list[str]) -> float:
    spans = [(batch.code, t.photoperiod_h) for batch, t in lit if t.photoperiod_h is not None]
    if not spans:
        return 0.0
    low, long_for = max((span.low, code) for code, span in spans)
    high, short_for = min((span.high, code) for code, span in spans)
    if low > high:
        conflicts.append(
            f"{long_for} wants at least {low:g} h of light, {short_for} at most {high:g} h: they can't "
            f"share this bench well; giving {high:g} h, since too short only slows"
        )
        return high
    best = sum(span.best for _, span in spans) / len(spans)
    return min(max(best, low), high)


def _overlap(
    when: str,
    spans: Sequence[tuple[Batch, Temperature | None]],
    conflicts: list[str],
    units: Units,
) -> tuple[float, float] | None:
    given = [(batch.code, span.low, span.high) for batch, span in spans if span is not None]
    if not given:
        return None
    low, warm_for = max((low, code) for code, low, _ in given)
    high, cool_for = min((high, code) for code, _, high in given)
    if low - high > AIR_SLACK:
        conflicts.append(
            f"{warm_for} wants air of {format_temperature(low, units)} or more {when}, {cool_for} at "
            f"most {format_temperature(high, units)}"
        )
    if low > high:  # in conflict: off target is only what is so for everybody
        return min(low for _, low, _ in given), max(high for _, _, high in given)
    return low, high
