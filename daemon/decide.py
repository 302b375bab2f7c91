"""The decision core: `decide(memory, site, inputs, now)`, a pure function from known to done.

One tick, bench by bench: vet the readings, count each batch towards emergence, find the aim, ask the
controllers, let people's overrides have their say, then the safety stops, which only take away.
Outputs follow from the time and the memory, never from an edge a restart could miss.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from math import inf
from typing import Literal

from daemon import alarms, calling, interlocks
from daemon.alarms import Condition
from daemon.bench import AIR_FRESH, BenchTick, Output, mean_reading
from daemon.care import MOISTURE_FRESH, WET, Records, Tally, What, moisture_score
from daemon.control import (
    HOUR,
    iso,
    lit_seconds,
    local_day,
    next_edge,
)
from daemon.duties import duties, neglected
from daemon.energy import NO_ENERGY, Energy, by_trays, said_energy
from daemon.events import Event
from daemon.forecasts import EARLIER, needs_of
from daemon.outage import GAP, meaning, summary
from daemon.power import LIT, Load, turns
from daemon.sharing import Aim, aim_of
from daemon.state import (
    DAY,
    Batch,
    BenchMemory,
    BenchSpec,
    Cut,
    Duty,
    Inputs,
    Keep,
    Memory,
    Now,
    RelaySpec,
    Site,
)
from drivers.protocols import Quality, Reading
from drivers.values import value
from drivers.vetting import AIR, SOIL, Vetting, VettingLimits, vet
from profiles.forecast import Requirement
from profiles.model import Crop, Stage
from profiles.units import Units, format_temperature

#: How old [s] a forecast of the night's low may be: an older one was of another night.
FORECAST_FRESH = 12 * HOUR
#: How long [s] after a switching the soil or air must be on the move (see `vet`).
MOVING = 2 * HOUR
#: Logged water disturbs what the heat guard sees for this long [s].
WATER_DISTURBS = 1 * HOUR
#: Nothing up after this many times the table's days at the aim: colder than the aim, or no good.
LATE_CALENDAR = 3.0
RELAYS: tuple[Literal["lamp", "mat"], ...] = ("lamp", "mat")
#: A forecast of the night's low that differs by less [°C] is no news.
NEW_FORECAST = 0.5


@value(frozen=True, slots=True)
class Decision:
    """What a tick leads to: outputs by bench, events to journal and tell, and the next memory.

    aims, readings: what was steered to, and the readings as judged, for whoever reports them.
    """

    outputs: Mapping[str, Output]
    events: tuple[Event, ...]
    memory: Memory
    aims: Mapping[str, Aim]
    readings: Mapping[str, Reading]


def aims_of(memory: Memory, site: Site) -> dict[str, Aim]:
    """The aim of every bench, from the batches on it."""
    on_bench: dict[str, list[Batch]] = {name: [] for name in site.benches}
    for batch in memory.batches.values():
        if batch.place in on_bench:
            on_bench[batch.place].append(batch)
    return {
        name: aim_of(batches, site.crops, memory.called, site.units)
        for name, batches in on_bench.items()
    }


def decide(
    memory: Memory,
    site: Site,
    inputs: Inputs,
    now: Now,
    *,
    aims: Mapping[str, Aim] | None = None,
) -> Decision:
    """One tick.

    memory: what the last one left. site: as configured. inputs: newest readings and relay states.
    aims: the benches' aims where the caller has them from the last decision and no batch changed
    since; worked out here otherwise.
    """
    last = memory.at
    dt = max(0.0, now.mono - last.mono) if last is not None else 0.0
    events: list[Event] = []
    conditions: dict[str, Condition] = {
        f"{kind}": Condition(kind, cause) for kind, cause in inputs.troubles.items()
    }
    if last is not None:
        _tell_clock(last, now, dt, events)
    if memory.zone not in ("", site.zone.key):
        text = f"the zone was {memory.zone} and is {site.zone.key}: the lamps' hours are of the new one"
        events.append(Event(at=now.utc, kind="clock", text=text))
    if not now.trusted:
        conditions["clock-unset"] = Condition(
            "clock-unset", "the wall clock is behind the journal's last entry or was never set"
        )
    if aims is None:
        aims = aims_of(memory, site)
    standing = frozenset(key for key, alarm in memory.alarms.items() if alarm.active)
    probes, readings = _vet_all(memory, site, inputs)
    # A single reading lost changes nothing: the last good one stands in for it.
    rooms = [
        probe.level
        for name in site.room_probes
        if (probe := probes[name]).value is not None
        and 0 <= now.mono - probe.level_at < AIR_FRESH
        and readings[name].quality is not Quality.FROZEN
    ]
    room = sum(rooms) / len(rooms) if rooms else None

    keeps = memory.keeps
    if any(keep.until is not None and now.mono >= keep.until for keep in keeps.values()):
        keeps = _lapse(keeps, now, events)

    today = datetime.fromtimestamp(now.utc, site.zone).date()
    ticks: dict[str, BenchTick] = {}
    for name, spec in site.benches.items():
        one = BenchTick(spec, site, memory.benches.get(name) or BenchMemory(), aims[name])
        one.read(readings, memory.probes, room, now, standing, conditions)
        one.judge_lamp(inputs, now)
        one.bridge(dt, memory.cut, now)
        ticks[name] = one
    _tell_outage(memory, site, ticks, now, events)

    needs = needs_of(memory, site.crops)
    progress, called = _count_on(memory, site, ticks, needs, dt, now, events, conditions)
    if called is not memory.called:
        memory = replace(memory, called=called)
        aims = aims_of(memory, site)
        for name, one in ticks.items():
            if aims[name] != one.aim:
                events.append(aim_event(site, name, aims[name], now.utc))
                one.aim = aims[name]

    bank = 0.0
    if now.trusted and site.tariff is not None and site.tariff.off_peak is not None:
        bank = site.tariff.off_peak.banks(datetime.fromtimestamp(now.utc, site.zone))
    watered = {
        batch.place
        for batch in memory.batches.values()
        if batch.watered_at is not None and 0 <= now.utc - batch.watered_at < WATER_DISTURBS
    }
    for name, one in ticks.items():
        one.steer(now, today, dt, keeps, name in watered, bank)
    _share_power(ticks, site, inputs, now, conditions)

    price = site.tariff.price_at(now.utc, site.zone) if site.tariff is not None else 0.0
    drawn = {name: one.drew(dt, price) for name, one in ticks.items()}
    if any(0 < bench.day < today.toordinal() for bench in memory.benches.values()):
        _tell_energy(memory, site, now, events)

    leafy = {
        batch.place
        for code, batch in memory.batches.items()
        if batch.stage is not Stage.HARDENING and (code in memory.called or batch.emerged)
    }
    outputs: dict[str, Output] = {}
    benches: dict[str, BenchMemory] = {}
    for name, one in ticks.items():
        outputs[name], benches[name] = one.finish(
            now, dt, today.toordinal(), drawn[name], inputs, name in leafy, events, conditions
        )
    outdoors = mean_reading(readings, site.outdoor_air, now, AIR_FRESH)
    care = _tonight(memory, site, readings, now)
    if care is not memory.care:
        memory = replace(memory, care=care)
    due_now = duties(memory, site, aims, outdoors, now)
    moist = {
        name: score
        for name, spec in site.benches.items()
        if spec.moisture is not None
        and (score := moisture_of(site, name, readings, now)) is not None
    }
    conditions |= neglected(memory, site, benches, due_now, moist, now)

    raised, pending, told = alarms.step(memory.alarms, memory.pending, conditions, now)
    events += told
    calls, due = calling.step(memory.calls, raised, site.calls, site.zone, now)
    events += due
    return Decision(
        outputs=outputs,
        events=tuple(events),
        memory=Memory(
            batches=memory.batches,
            progress=progress,
            called=called,
            benches=benches,
            probes=probes,
            keeps=keeps,
            alarms=raised,
            pending=pending,
            serials=memory.serials,
            care=care,
            tallies=_tally(memory, site, ticks, readings, due_now, dt, now),
            energy=_energy(memory, drawn),
            needs=needs,
            lessons=memory.lessons,
            zone=site.zone.key or "",
            cut=_cut_on(memory.cut, ticks, now),
            duties=due_now,
            calls=calls,
            at=now,
        ),
        aims=aims,
        readings=readings,
    )


def aim_event(site: Site, name: str, aim: Aim, utc: float) -> Event:
    """The event that says what a bench is aiming for from now on."""
    text = f"{name}: {describe_aim(aim, site.units)}"
    return Event(
        at=utc, kind="decision", text=text, bench=name, data={"soil": aim.soil, "hours": aim.hours}
    )


def describe_aim(aim: Aim, units: Units) -> str:
    """What a bench aims for, in words."""
    soil = f"soil at {format_temperature(aim.soil, units)}" if aim.soil is not None else "mat off"
    if aim.soil_night is not None:
        soil += f" by day and {format_temperature(aim.soil_night, units)} by night"
    light = f"{aim.hours:g} h of light" if aim.hours else "dark"
    return f"aiming for {soil}, {light}"


def _tell_clock(last: Now, now: Now, dt: float, events: list[Event]) -> None:
    step = (now.utc - last.utc) - (now.mono - last.mono)
    if now.trusted != last.trusted:
        text = "the clock is believed again" if now.trusted else "the clock can't be believed"
        events.append(Event(at=now.utc, kind="clock", text=f"{text}: it says {iso(now.utc)}"))
    elif abs(step) > 5.0:
        way = "forward" if step > 0 else "back"
        events.append(
            Event(at=now.utc, kind="clock", text=f"the clock was set {way} by {abs(step):.0f} s")
        )
    if dt > GAP:
        events.append(
            Event(at=now.utc, kind="clock", text=f"nothing was decided for {dt / 60:.0f} min")
        )


def _cut_on(cut: Cut | None, ticks: Mapping[str, BenchTick], now: Now) -> Cut | None:
    """A cut whose length nobody knows yet, with what the soils were found at after it."""
    if cut is None or now.trusted:
        return None
    new = {
        name: one.soil
        for name, one in ticks.items()
        if name not in cut.found and one.soil is not None and one.soil_at >= cut.at.mono
    }
    return replace(cut, found={**new, **cut.found}) if new else cut


def _tell_outage(
    memory: Memory, site: Site, ticks: Mapping[str, BenchTick], now: Now, events: list[Event]
) -> None:
    """What a gap did to each bench whose soil is known, and what it means for each batch there."""
    for name, one in ticks.items():
        ran = one.course
        if ran is None:
            continue
        here = [batch for batch in memory.batches.values() if batch.place == name]
        if not here:
            continue
        dark = 0.0
        if now.trusted and one.spec.lamp is not None:
            until = memory.cut.at.utc + ran.seconds if memory.cut is not None else now.utc
            dark = lit_seconds(
                one.spec.lights_on, one.aim.hours, site.zone, until - ran.seconds, until
            )
        meant = {
            batch.code: meaning(
                batch, site.crops[batch.crop], ran, one.room_then, one.aim.soil, site.units
            )
            for batch in here
        }
        said = [summary(name, ran, dark, site.units), *filter(None, meant.values())]
        if unharmed := [code for code, text in meant.items() if not text]:
            said.append(f"no harm known to {', '.join(unharmed)}")
        text = "; ".join(said)
        events.append(
            Event(
                at=now.utc, kind="advisory", text=text, bench=name,
                data={"seconds": ran.seconds, "lowest": ran.lowest, "coldest": ran.coldest},
            )
        )  # fmt: skip


def _vet_all(
    memory: Memory, site: Site, inputs: Inputs
) -> tuple[dict[str, Vetting], dict[str, Reading]]:
    probes: dict[str, Vetting] = {}
    readings: dict[str, Reading] = {}

    read, known = inputs.readings, memory.probes

    def judge(name: str, limits: VettingLimits, moving: bool) -> None:
        reading = read.get(name)
        before = known.get(name) or Vetting()
        if reading is None:
            probes[name], readings[name] = before, Reading(None, Quality.MISSING, 0.0)
            return
        probes[name], readings[name] = vet(before, reading, limits=limits, active=moving)

    def whole(name: str) -> None:
        """A forecast, or the moisture that a watering makes leap: no series to be judged by."""
        readings[name] = inputs.readings.get(name) or Reading(None, Quality.MISSING, 0.0)

    at = memory.at.mono if memory.at is not None else 0.0
    for name, spec in site.benches.items():
        bench = memory.benches.get(name)
        moving = bench is not None and at - max(bench.lamp_at, bench.mat_at) < MOVING
        for probe in spec.soil_probes:
            judge(probe, SOIL, moving)
        for probe in spec.air_probes:
            judge(probe, AIR, moving)
        if spec.moisture is not None:
            whole(spec.moisture.probe)
    for probe in (*site.room_probes, *site.outdoor_air, *site.outdoor_soil):
        judge(probe, AIR, False)
    if site.night_low is not None:
        whole(site.night_low)
    return probes, readings


def _lapse(keeps: Mapping[str, Keep], now: Now, events: list[Event]) -> dict[str, Keep]:
    after = {}
    for key, keep in keeps.items():
        if keep.until is not None and now.mono >= keep.until:
            bench, relay = key.split("/")
            text = f"{bench}: the {relay} is no longer kept on, as {keep.by} had asked"
            events.append(Event(at=now.utc, kind="keep", text=text, bench=bench))
        else:
            after[key] = keep
    return after


def _count_on(
    memory: Memory,
    site: Site,
    ticks: Mapping[str, BenchTick],
    needs: Mapping[str, Requirement],
    dt: float,
    now: Now,
    events: list[Event],
    conditions: dict[str, Condition],
) -> tuple[Mapping[str, float], frozenset[str]]:
    """Each germinating batch a step further, and those whose first seedling may be up by now.

    With no good reading the last one goes on counting, and with none at all the aim: too early a
    lamp costs a little power, too late a lamp the seedlings.
    """
    progress = memory.progress
    called = memory.called
    waiting = [one for one in memory.batches.items() if one[1].stage is Stage.GERMINATION]
    if not waiting:
        return progress, called
    progress = dict(progress)
    for code, batch in waiting:
        crop = site.crops[batch.crop]
        one = ticks.get(batch.place)
        soil = one.soil_for_count() if one is not None else None
        days = (now.utc - batch.sown_at) / DAY if now.trusted else -1.0
        done = progress.get(code, 0.0)
        if soil is not None:
            # Sown since the last tick, it has not had all of it.
            had = min(dt / DAY, days) if days >= 0 else dt / DAY
            before = one.old.soil if one is not None and one.old.soil is not None else soil
            ran = one.course if one is not None else None
            if ran is None or memory.cut is not None:
                done += crop.emergence.gain(before, soil, had)
            if ran is not None:
                done += ran.gain(crop.emergence, ran.seconds / DAY if days < 0 else days)
            progress[code] = done
        needed = needs[code]
        if code not in called and (batch.emerged or done >= EARLIER * needed.early_edge):
            called = called | {code}
            if not batch.emerged:
                events.append(
                    Event(
                        at=now.utc,
                        kind="advisory",
                        text=(
                            f"{code}: the first seedlings may be up from now; the lamp comes on in "
                            "its hours by itself. Look, and when they are up take the cover off: "
                            f"hotbed stage {code} seedling"
                        ),
                        bench=batch.place,
                        batch=code,
                    )
                )
        if batch.emerged:
            continue
        cause = ""
        if done >= needed.late_edge:
            cause = f"{code} has had {done * 100:.0f} % of the warmth that brings {crop.title.lower()} up"
        elif days > LATE_CALENDAR * (usual := _usual_days(crop, one)):
            cause = (
                f"{code} was sown {days:.0f} days ago; where it is warm enough {usual:.0f} will do"
            )
        if cause:
            conditions[f"emergence-overdue.{code}"] = Condition(
                "emergence-overdue", cause, batch.place, code
            )
    return progress, called


def _usual_days(crop: Crop, one: BenchTick | None) -> float:
    """Days to emergence at the aim of the batch's bench, or where none is at what the seed likes."""
    aim = one.aim.soil if one is not None else None
    if aim is None:
        best = crop.stages[Stage.GERMINATION].soil_best
        aim = (best.low + best.high) / 2 if best is not None else 20.0
    return crop.emergence.days(aim) or inf


def _tally(
    memory: Memory,
    site: Site,
    ticks: Mapping[str, BenchTick],
    readings: Mapping[str, Reading],
    duties: Mapping[str, Duty],
    dt: float,
    now: Now,
) -> Mapping[str, Tally]:
    """What each batch has had, with this tick's; neither a gap nor soil that a lost probe read long
    ago is counted, for nobody knows."""
    if not memory.batches:
        return {}
    if dt > GAP:
        return memory.tallies
    outdoors = mean_reading(readings, site.outdoor_air, now, AIR_FRESH)
    after = {}
    for code, batch in memory.batches.items():
        tally = memory.tallies.get(code) or Tally()
        limits = site.counted[batch.crop, batch.stage]
        wet = None
        if batch.looked_at is not None and now.utc <= duties[code].wet_until:
            wet = duties[code].wet
        one = ticks.get(batch.place)
        if one is None:
            air = outdoors if batch.place != "chamber" else None
            after[code] = tally.after(dt, lit=None, air=air, wet=wet, limits=limits)
        else:
            lamp = one.spec.lamp
            score = moisture_of(site, batch.place, readings, now)
            after[code] = tally.after(
                dt,
                lit=None if lamp is None else one.old.lamp,
                soil=one.soil if now.mono - one.soil_at < site.probe_grace else None,
                air=one.air,
                ppfd=None if lamp is None else lamp.ppfd,
                wet=wet if score is None else score >= WET,
                limits=limits,
            )
    return after


def moisture_of(site: Site, place: str, readings: Mapping[str, Reading], now: Now) -> float | None:
    """The score of a bench's moisture probe, see `care.moisture_score`; None without a fresh one."""
    spec = site.benches.get(place)
    if spec is None or spec.moisture is None:
        return None
    value = mean_reading(readings, (spec.moisture.probe,), now, MOISTURE_FRESH)
    return None if value is None else moisture_score(value, spec.moisture.dry, spec.moisture.wet)


def _tonight(
    memory: Memory, site: Site, readings: Mapping[str, Reading], now: Now
) -> Mapping[str, Records]:
    """The records, with the night's low as it is forecast, once for each new figure."""
    if site.night_low is None:
        return memory.care
    low = mean_reading(readings, (site.night_low,), now, FORECAST_FRESH)
    if low is None:
        return memory.care
    records = memory.care.get("site", Records())
    last = records.last(What.LOW)
    if (
        last is not None
        and last.by == "forecast"
        and last.value is not None
        and abs(last.value - low) < NEW_FORECAST
        and local_day(site.zone, last.at) == local_day(site.zone, now.utc)
    ):
        return memory.care
    return {**memory.care, "site": records.add(What.LOW, at=now.utc, by="forecast", value=low)}


def _share_power(
    ticks: Mapping[str, BenchTick],
    site: Site,
    inputs: Inputs,
    now: Now,
    conditions: dict[str, Condition],
) -> None:
    """Who of those that are to be on has the watts for it; the others wait their turn."""
    budget = site.power_budget
    every = 0.0
    for one in ticks.values():
        lamp, mat = one.spec.lamp, one.spec.mat
        every += (0.0 if lamp is None else lamp.watts) + (0.0 if mat is None else mat.watts)
    if every <= budget:
        return  # all fit together
    loads: dict[str, tuple[BenchTick, Literal["lamp", "mat"], Load]] = {}
    for name, one in ticks.items():
        for kind in RELAYS:
            spec: RelaySpec | None = getattr(one.spec, kind)
            if spec is None:
                continue
            state = inputs.relays.get(f"{name}/{kind}")
            reports = state is not None and state.confirmed is True
            if getattr(one, kind):
                loads[f"{name}/{kind}"] = one, kind, one.load(kind, spec, reports, now)
            elif reports:  # on against orders, or not off yet: what it draws is gone all the same
                budget -= spec.watts
    wanted = [load for _, _, load in loads.values()]
    if sum(load.watts for load in wanted) <= budget:
        return
    on = turns(wanted, budget)
    used = sum(load.watts for load in wanted if load.name in on) + site.power_budget - budget
    in_use = f"{used:g} of the site's {site.power_budget:g} W are in use"
    dark = []
    for name, (one, kind, load) in loads.items():
        if name in on:
            continue
        if kind == "mat":
            one.mat, one.mat_waits = False, True
            one.mat_why = f"waits its turn: {in_use}, lamps and colder benches first"
        else:
            one.lamp, one.lamp_why = False, f"waits its turn: {in_use}"
            if load.rank[0] == LIT:
                dark.append(one.spec.name)
    if dark:
        conditions["lamps-short-of-power"] = Condition(
            "lamps-short-of-power",
            f"{in_use}, and in its hours waits the lamp of {', '.join(dark)}",
        )
    fit = interlocks.within_budget(
        [(load.name, load.watts) for load in wanted if load.name in on], site.power_budget
    )
    for name in on - fit:  # never, if `turns` does as it says
        one, kind, _ = loads[name]
        (one.stop_lamp if kind == "lamp" else one.stop_mat)(in_use)


def _energy(memory: Memory, drawn: Mapping[str, Energy]) -> Mapping[str, Energy]:
    """What each batch's part of the energy has come to."""
    before = memory.energy
    if before.keys() == memory.batches.keys() and all(one is NO_ENERGY for one in drawn.values()):
        return before
    parts = by_trays(drawn, [(b.code, b.place, b.trays) for b in memory.batches.values()])
    return {
        code: before.get(code, NO_ENERGY) + parts.get(code, NO_ENERGY) for code in memory.batches
    }


def _tell_energy(memory: Memory, site: Site, now: Now, events: list[Event]) -> None:
    """The day that is over, bench by bench, for the journal."""
    days = {
        name: bench.energy_today
        for name, bench in memory.benches.items()
        if name in site.benches and bench.energy_today.kwh
    }
    if not days:
        return
    whole = sum(days.values(), NO_ENERGY)
    currency = site.tariff.currency if site.tariff is not None else None
    each = ", ".join(f"{name} {day.kwh:.2f}" for name, day in days.items())
    events.append(
        Event(
            at=now.utc,
            kind="energy",
            text=f"the day's energy: {said_energy(whole.kwh, whole.cost, currency)}: {each}",
            data={
                name: {
                    "lamp_wh": round(day.lamp_wh, 1),
                    "mat_wh": round(day.mat_wh, 1),
                    "cost": round(day.cost, 4) if currency else None,
                    "currency": currency,
                }
                for name, day in days.items()
            },
        )
    )


def next_change(site: Site, spec: BenchSpec, aim: Aim, utc: float) -> tuple[bool, float] | None:
    """Whether the lamp's schedule next turns it on or off, and when (POSIX s); None when dark."""
    if spec.lamp is None:
        return None
    return next_edge(spec.lights_on, aim.hours, site.zone, utc)
