"""What batches need of people: water in time, a look at a lamp that nothing proves lit, and to be in on
a cold night; and what is wrong where nobody has done it. Pure.

All of it goes by records and the wall clock. What follows from records alone is worked out when a batch
changes, not at each tick.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from math import inf

from daemon import hardening
from daemon.alarms import WARM_AGAIN, Condition
from daemon.care import MOISTURE_HOLDS, Records, What, worded_span
from daemon.control import instant, lit_window
from daemon.sharing import Aim
from daemon.state import DAY, HOUR, Batch, BenchMemory, Duty, Memory, Now, Site
from daemon.tasks import AT_ONCE, look_every
from profiles.model import Stage
from profiles.units import format_temperature

#: A lamp that nothing proves lit is to be seen so within this long [s] of the first seedlings, for a day
#: in the dark spoils them (common practice, no source), and then this often (our judgement).
FIRST_LOOK, LOOK_AGAIN = DAY, 2 * DAY
#: What nobody records without standing before the lamp.
AT_THE_BENCH = (
    What.LIT, What.WATERED, What.FED, What.MOIST, What.WEIGHT, What.HEIGHT, What.EMERGED, What.LEAVES,
    What.COVER, What.THINNED, What.PRICKED_OUT, What.POTTED_ON, What.RAISED_LAMP,
)  # fmt: skip
#: A moisture probe's score of mix that is dry, and not only calls for water (common practice, no source).
PARCHED = 1.5
#: How often [s] it is looked whether plants that are out may stay so.
NIGHT_WATCH = 600.0


def duties(
    memory: Memory, site: Site, aims: Mapping[str, Aim], outdoors: float | None, now: Now
) -> Mapping[str, Duty]:
    """What each batch needs of people now. outdoors: the air there [°C], None where not measured."""
    after: dict[str, Duty] = {}
    for code, batch in memory.batches.items():
        aim = aims.get(batch.place)
        hours = aim.hours if aim is not None else 0.0
        duty = memory.duties.get(code)
        if duty is None or (duty.revision, duty.hours) != (batch.revision, hours):
            duty = _of_records(batch, memory.care.get(code, Records()), site, hours, now.utc)
        looked = duty.cold_at is not None and 0 <= now.mono - duty.cold_at < NIGHT_WATCH
        if duty.out_at is not None and now.trusted and not looked:
            held = _standing(memory, f"left-out.{code}")
            cold = _too_cold(batch, duty.out_at, memory, site, outdoors, now.utc, held)
            duty = replace(duty, cold=cold, cold_at=now.mono)
        after[code] = duty
    return after


def neglected(
    memory: Memory,
    site: Site,
    benches: Mapping[str, BenchMemory],
    duties: Mapping[str, Duty],
    moist: Mapping[str, float],
    now: Now,
) -> dict[str, Condition]:
    """What is wrong with batches for want of people, as alarm conditions by key.

    memory: of the batches. benches, duties: as they are now. moist: scores of the benches' moisture
    probes, which know better than records. Nothing while the clock can't be believed.
    """
    found: dict[str, Condition] = {}
    if not now.trusted:
        return found
    for code, duty in duties.items():
        batch = memory.batches[code]
        score = moist.get(batch.place) if moist else None
        if score is not None:
            if score <= PARCHED:
                cause = f"{code} on {batch.place}: the moisture probe reads {score:.1f} of 5"
                found[f"dry-cells.{code}"] = Condition("dry-cells", cause, batch.place, code)
        elif now.utc > duty.water_by:
            found[f"dry-cells.{code}"] = Condition(
                "dry-cells", _dry(batch, duty, now.utc), batch.place, code
            )
        if up := _dark_place(batch, duty, site, code in memory.called, now.utc):
            found[f"up-in-the-dark.{code}"] = Condition("up-in-the-dark", up, batch.place, code)
        if duty.cold:
            found[f"left-out.{code}"] = Condition("left-out", duty.cold, batch.place, code)
    for name, bench in benches.items():
        if name not in site.benches or bench.leafy_since is None:
            continue
        dark = now.mono - max(bench.leafy_since, bench.lamp_last)
        if dark >= FIRST_LOOK:
            cause = f"{name}: its lamp was not on for {worded_span(dark)}"
            found[f"up-in-the-dark.{name}"] = Condition("up-in-the-dark", cause, name)
        elif cause := _unseen(name, bench, bench.leafy_since, memory, duties, now):
            found[f"lamp-unseen.{name}"] = Condition("lamp-unseen", cause, name)
    return found


def _dark_place(batch: Batch, duty: Duty, site: Site, called: bool, utc: float) -> str:
    """That seedlings are up, or may be, where no lamp is; empty where they are lit, or not up yet."""
    spec = site.benches.get(batch.place)
    if batch.place != "chamber" and (spec is None or spec.lamp is not None):
        return ""  # what windows and frames give is for people to judge
    where = f"{batch.code} in {batch.place}" if spec is None else f"{batch.code} on {batch.place}"
    if batch.emerged:
        return f"{where}, which has no lamp: seedlings are up"
    if not called or (duty.counted_at is not None and utc - duty.counted_at < FIRST_LOOK):
        return ""
    return f"{where}, which has no lamp: the first may be up, and nobody counted them for a day"


def _standing(memory: Memory, key: str) -> bool:
    alarm = memory.alarms.get(key)
    return alarm is not None and alarm.active


def _of_records(batch: Batch, records: Records, site: Site, hours: float, utc: float) -> Duty:
    moved = [care for care in records.since(batch.since, What.OUT, What.IN) if care.at <= utc]
    seen = records.moisture(utc)
    out = batch.stage is Stage.HARDENING and bool(moved) and moved[-1].what is What.OUT
    return Duty(
        revision=batch.revision,
        hours=hours,
        water_by=_water_by(batch, records, utc),
        counted_at=counted.at if (counted := records.last(What.EMERGED)) is not None else None,
        seen_at=_seen_at(batch, records, site, hours),
        wet=records.wet(utc),
        wet_until=seen[2] + MOISTURE_HOLDS if seen is not None else 0.0,
        out_at=moved[-1].at if out else None,
    )


def _water_by(batch: Batch, records: Records, utc: float) -> float:
    """When somebody must have seen to the water (POSIX s): so long after the last water, or the last look
    that found none wanting, as such cells hold."""
    begun = max(batch.sown_at, batch.since)
    fresh = records.last(What.WATERED, What.PRICKED_OUT, What.POTTED_ON)
    if fresh is not None:
        begun = max(begun, fresh.at)
    seen = records.moisture(utc)
    if seen is not None:
        dry, _, at = seen
        if dry and (fresh is None or fresh.at < at):
            return at + AT_ONCE
        begun = max(begun, at)
    return begun + look_every(batch)


def _dry(batch: Batch, duty: Duty, utc: float) -> str:
    every = look_every(batch)
    cells = f"{batch.cells / batch.trays:.0f} cells to a tray" if batch.cells else "an open tray"
    since = worded_span(utc - duty.water_by + every)
    return (
        f"{batch.code} on {batch.place}: nothing recorded for {since}; {cells}"
        f"{', covered,' if batch.covered else ''} holds {every / HOUR:.0f} hours"
    )


def _seen_at(batch: Batch, records: Records, site: Site, hours: float) -> float | None:
    """When somebody was last at the batch, where it is, in the lamp's hours; or said that it is lit."""
    spec = site.benches.get(batch.place)
    if spec is None or spec.lamp is None or hours <= 0:
        return None
    for care in reversed(records.since(batch.placed_at or -inf, *AT_THE_BENCH)):
        lit = hours >= 24 or lit_window(spec.lights_on, hours, site.zone, care.at) is not None
        if lit or care.what is What.LIT:
            return care.at
    return None


def _unseen(
    name: str,
    bench: BenchMemory,
    leafy_since: float,
    memory: Memory,
    duties: Mapping[str, Duty],
    now: Now,
) -> str:
    """That nobody knows whether the lamp of a bench is lit; empty where somebody does."""
    if bench.proven_at is not None and now.mono - bench.proven_at < FIRST_LOOK:
        return ""
    since = now.utc - (now.mono - leafy_since)
    seen = -inf
    for code, duty in duties.items():
        at = duty.seen_at
        if at is not None and at > seen and memory.batches[code].place == name:
            seen = at
    if now.utc <= max(since + FIRST_LOOK, seen + LOOK_AGAIN):
        return ""
    if seen < since:
        return (
            f"{name}: seedlings are up, or may be, since {worded_span(now.utc - since)}, and nobody was "
            "there in the lamp's hours"
        )
    return f"{name}: nobody was there in the lamp's hours for {worded_span(now.utc - seen)}"


def _too_cold(
    batch: Batch,
    out_at: float,
    memory: Memory,
    site: Site,
    outdoors: float | None,
    utc: float,
    held: bool,
) -> str:
    """Why a batch that is out may not stay for the night that it is; empty if it may, or by day.

    out_at: since when; one that was put out in the morning was not left out over night. held: whether
    it was too cold before, so that it must be warmer by the deadband.
    """
    local = datetime.fromtimestamp(utc, site.zone)
    evening = local.date() - timedelta(days=local.hour < 12)
    dusk = hardening.dusk(
        evening, site.zone, local=site.dusk, latitude=site.latitude, longitude=site.longitude
    )
    if utc < dusk or out_at > dusk:
        return ""
    crop, records = site.crops[batch.crop], memory.care.get(batch.code, Records())
    lows = hardening.lows_of(memory.care.get("site", Records()), site.zone)
    days, limit = round(crop.harden_days.high), crop.harden_min_night_c.value
    midnight = instant(evening + timedelta(days=1), timedelta(), site.zone)
    done = hardening.progress(
        records,
        site.hardening,
        limit,
        zone=site.zone,
        now=min(utc, midnight - 1.0),  # the night is of the day before it
        since=batch.since,
        days=days,
        lows=lows,
        units=site.units,
    )
    step = done.step or hardening.plan(site.hardening, limit, days)[-1]
    least = step.least_night_c + (WARM_AGAIN if held else 0.0)
    bears = format_temperature(step.least_night_c, site.units)
    takes = f"{batch.code} in {batch.place} takes {bears} by now"
    if outdoors is not None and outdoors < least:
        return f"{takes}, and it is {format_temperature(outdoors, site.units)} outdoors"
    low = lows.get(evening.toordinal())
    if low is not None:
        # With its lid open a frame is no warmer than the night.
        cold = low < step.least_night_c
        return (
            f"{takes}, and tonight's low is {format_temperature(low, site.units)}" if cold else ""
        )
    if step.night == "outdoors":
        return ""
    where = "indoors" if step.night == "indoors" else "in a shut frame"
    return f"{batch.code} in {batch.place}: its nights are still {where}, and tonight's low is not known"
