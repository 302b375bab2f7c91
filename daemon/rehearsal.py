"""A season in virtual time: the real decision core at the live tick, on simulated benches.

A scripted grower does what a person would: sows, looks in twice a day, counts, takes covers off,
moves, waters, pots on, answers alarms. The grower knows only what can be seen at the bench and on the
screen, and acts through the same requests as the command line. The same seed gives the same report.
"""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel
from rich.console import Console
from rich.progress import Progress
from rich.table import Table
from rich.text import Text

from daemon.config import Config, ConfigError, load
from daemon.control import instant
from daemon.decide import Decision, decide
from daemon.events import Event
from daemon.journal import Journal, JournalError, RequestRow
from daemon.outage import resumed
from daemon.replay import Recorder
from daemon.requests import KINDS, RefusedError, apply
from daemon.simulated import CELLS_A_TRAY, Mirror, build_world
from daemon.state import DAY, HOUR, Batch, Inputs, Memory, Now, Site, dump, meter_name, restore
from drivers.protocols import RelayState
from profiles.library import ProfileError
from profiles.model import Stage, StageTargets
from profiles.units import Units, f_from_celsius, format_length, format_temperature
from sim.devices import SimMeter, SimProbe
from sim.faults import Fault, load_faults
from sim.world import BenchTruth, World

#: When the grower looks in, local time.
VISITS = (time(7, 30), time(18, 0))
#: Soil this dry (0 to 1, of what the mix holds) looks dry and is watered.
LOOKS_DRY = 0.55
#: Seedlings that are up, of the cells sown, before the cover comes off.
STAND = 0.4
#: Days from emergence to potting on, and of hardening (common practice, no source).
SECOND_SET_DAYS = 16.0
HARDENING_DAYS = 10.0
#: Soil this close [°C] to the range that a bench accepts counts as kept in it.
NEAR = 0.5
#: What may be asked for.
DAYS, MAX_SEED, YEARS = (1, 400), 2**32 - 1, range(2000, 2101)
#: The default season begins so that it crosses the change to summer time.
DEFAULT_START = date(2027, 3, 22)


@dataclass(frozen=True, slots=True)
class Sowing:
    """One line of the grower's plan: what, when (days after the start), how much, what for."""

    crop: str
    day: int
    trays: float
    variety: str
    pots: float


@dataclass(slots=True)
class StageRecord:
    """What one batch had in one stage on one bench, from the simulator's truth."""

    stage: str
    place: str
    begun: float
    ended: float | None = None
    ticks: int = 0
    soil_sum: float = 0.0
    soil_low: float = math.inf
    soil_high: float = -math.inf
    aim_ticks: int = 0
    aim_error: float = 0.0
    inside: int = 0
    lit_s: float = 0.0
    air_day: list[float] = field(default_factory=lambda: [0.0, 0.0])
    air_night: list[float] = field(default_factory=lambda: [0.0, 0.0])


def default_plan(site: Site, days: float) -> list[Sowing]:
    """Three crops that people raise together, spread so that a season of `days` holds them.

    Pepper takes longest and is sown first (common practice, no source).
    """
    wanted = [
        Sowing("pepper", 0, 1.0, "Red Lantern", 2.0),
        Sowing("tomato", 5, 1.0, "Hollow Lane", 2.0),
        Sowing("lettuce", 17, 0.5, "Winter Glass", 0.5),
    ]
    return [one for one in wanted if one.day < max(1, days - 3) and one.crop in site.crops]


def default_faults() -> tuple[Fault, ...]:
    """One power cut and one probe failure."""
    return (
        Fault.model_validate(
            {"kind": "probe-lost", "target": "lower/front", "at": 9.4 * DAY, "duration": 7 * HOUR}
        ),
        Fault.model_validate({"kind": "power-cut", "at": 12.6 * DAY, "duration": 5 * HOUR}),
    )


class Rehearsal:
    """One season, stepped."""

    def __init__(
        self,
        config: Config,
        site: Site,
        *,
        start: float,
        days: float,
        seed: int,
        faults: tuple[Fault, ...],
        plan: list[Sowing],
        grower: str = "Marit",
        journal: Journal | None = None,
        world: World | None = None,
    ) -> None:
        """faults: what befalls the simulated benches. world: they themselves, if not to be built.
        journal: where the season is written down as a live one would be, for a replay."""
        self.site = site
        self.start = start
        self.days = days
        self.seed = seed
        self.plan = plan
        self.grower = grower
        self.world = world or build_world(config, start_utc=start, seed=seed, faults=faults)
        self.mirror = Mirror(self.world, site)
        self.memory = Memory()
        self.decision: Decision | None = None
        self.events: list[Event] = []
        self.records: dict[str, list[StageRecord]] = {}
        self.crops: dict[str, Batch] = {}
        self._probes: dict[str, SimProbe | SimMeter] = {
            f"{name}/{one.name}": self.world.probe(name, one.name)
            for name, bench in config.bench.items()
            for one in bench.probes
        }
        self._probes |= {f"room/{one.name}": self.world.room_probe(one.name) for one in config.room}
        self._probes |= {
            meter_name(name): self.world.lamp_meter(
                name, bench.lamp.proof.reads_lit(bench.lamp.watts)
            )
            for name, bench in config.bench.items()
            if bench.lamp is not None and bench.lamp.proof is not None
        }
        self._relays = {
            f"{name}/{kind}": self.world.relay(name, kind)
            for name, spec in site.benches.items()
            for kind in ("lamp", "mat")
            if getattr(spec, kind) is not None
        }
        self._visits = _visits(start, days, site.zone)
        self._sown = 0
        self._down_since: float | None = None
        self._journal = journal
        self._recorder = Recorder(site) if journal is not None else None
        self._asked = 0

    def run(self, tell: Callable[[float], None] = lambda part: None) -> None:
        """Step through the whole season; `tell` hears how much of it is done, 0 to 1."""
        tick, end = self.site.tick, self.days * DAY
        steps = math.ceil(end / tick)
        visit = next(self._visits)
        for step in range(steps):
            mono = step * tick
            self.world.advance(mono)
            if not self.world.powered:
                self._lose_power(mono)
                continue
            if self._down_since is not None:
                self._come_back(mono)
            self._tick(mono)
            if mono >= visit:
                self._visit(mono)
                visit = next(self._visits)
            if step % 1440 == 0:
                tell(step / steps)
                if self._journal is not None:
                    self._journal.submit().result()  # it can't keep up, and must drop nothing
        self.world.advance(end)
        tell(1.0)
        for records in self.records.values():
            for record in records:
                if record.ended is None:
                    record.ended = self.start + end

    # --- the daemon's part ------------------------------------------------------------------------

    def _tick(self, mono: float) -> None:
        readings = {name: probe.latest() for name, probe in self._probes.items()}
        relays: dict[str, RelayState] = {
            name: relay.state() for name, relay in self._relays.items()
        }
        now = Now(mono, self.start + mono)
        aims = self.decision.aims if self.decision is not None else None
        inputs = Inputs(readings, relays)
        decision = decide(self.memory, self.site, inputs, now, aims=aims)
        if self._journal is not None and self._recorder is not None:
            row = self._recorder.row(self.memory, inputs, now, decision)
            self._journal.note(ticks=[row], events=decision.events)
        self.memory, self.decision = decision.memory, decision
        self._carry_out(decision)
        self._account(decision)

    def _lose_power(self, mono: float) -> None:
        if self._down_since is None:
            self._down_since = mono
            self._note("power", "the power goes, and the computer with it", mono)

    def _come_back(self, mono: float) -> None:
        """The machine boots: nothing is left but what the journal kept."""
        gone = mono - (self._down_since or mono)
        self.memory = resumed(restore(dump(self.memory)), by=0.0, gone=gone, booted=True)
        self.decision = None
        if self._recorder is not None:
            self._recorder.start()
        self._down_since = None
        self._note(
            "power",
            f"power is back after {gone / HOUR:.1f} h; {len(self.memory.batches)} batches go on",
            mono,
        )

    def _note(self, kind: str, text: str, mono: float) -> None:
        self.events.append(Event(at=self.start + mono, kind=kind, text=text))

    def _carry_out(self, decision: Decision) -> None:
        """Tell the relays, and keep what happened."""
        lease = 2.5 * self.site.tick + 5.0
        for name, output in decision.outputs.items():
            for key, on in ((f"{name}/lamp", output.lamp), (f"{name}/mat", output.mat)):
                relay = self._relays.get(key)
                if relay is not None:
                    relay.set(on, lease)
        if decision.events:
            self.events += decision.events

    def _account(self, decision: Decision) -> None:
        """Add this tick to what each batch has had."""
        tick = self.site.tick
        truths: dict[str, BenchTruth] = {}
        for code, batch in self.memory.batches.items():
            if batch.place not in self.site.benches:
                continue
            record = self.records[code][-1]
            truth = truths.get(batch.place)
            if truth is None:
                truth = truths[batch.place] = self.world.truth(batch.place)
            soil = truth.seed_depth_c
            record.ticks += 1
            record.soil_sum += soil
            if soil < record.soil_low:
                record.soil_low = soil
            if soil > record.soil_high:
                record.soil_high = soil
            aim = decision.aims[batch.place]
            target = decision.outputs[batch.place].target
            if target is not None:
                # A root-zone floor is only ever missed from below.
                off = abs(soil - target) if aim.seed else max(0.0, target - soil)
                record.aim_ticks += 1
                record.aim_error += off
                low, high = aim.soil_range or (target, target)
                if low - NEAR <= soil <= high + NEAR:
                    record.inside += 1
            air = record.air_day if truth.lamp_lit else record.air_night
            air[0] += truth.headspace_c
            air[1] += 1
            if truth.lamp_lit:
                record.lit_s += tick

    # --- the grower's part ------------------------------------------------------------------------

    def _ask(self, kind: str, mono: float, **arguments: Any) -> Mapping[str, Any] | None:
        now = Now(mono, self.start + mono)
        asked: BaseModel = KINDS[kind].model_validate(arguments)
        try:
            done = apply(self.memory, self.site, asked, self.grower, now)  # type: ignore[arg-type]
        except RefusedError as error:
            self._note("refused", f"{self.grower} could not {kind}: {error}", mono)
            return None
        if self._journal is not None and self._recorder is not None:
            self._asked += 1
            row = RequestRow(
                f"rehearsal-{self._asked}", now.utc, kind, self.grower, json.dumps(arguments), True,
                json.dumps(dict(done.result), default=str),
            )  # fmt: skip
            self._journal.submit(events=done.events, request=row).result()
            self._recorder.asked(row.id, now)
        self.memory = done.memory
        self.decision = None
        self.mirror(self.memory)
        self.events += done.events
        self._follow(mono)
        return done.result

    def _follow(self, mono: float) -> None:
        """Open and close the records of batches that changed stage or place."""
        utc = self.start + mono
        for code, records in self.records.items():
            batch = self.memory.batches.get(code)
            last = records[-1]
            if last.ended is None and (
                batch is None or (batch.stage.value, batch.place) != (last.stage, last.place)
            ):
                last.ended = utc
        for code, batch in self.memory.batches.items():
            self.crops[code] = batch
            records = self.records.setdefault(code, [])
            if not records or records[-1].ended is not None:
                records.append(StageRecord(batch.stage.value, batch.place, utc))

    def _visit(self, mono: float) -> None:
        for alarm in list(self.memory.alarms.values()):
            if alarm.latched:
                self._ask("reset", mono, alarm=alarm.key)
            elif not alarm.acknowledged:
                self._ask("acknowledge", mono, alarm=alarm.key)
        while self._sown < len(self.plan) and self.plan[self._sown].day * DAY <= mono:
            self._sow(self.plan[self._sown], mono)
        for batch in list(self.memory.batches.values()):
            self._tend(batch, mono)
            self._feel(batch.code, mono)
        for name in self.site.benches:
            standing = [one for one in self.memory.batches.values() if one.place == name]
            if standing and self.world.truth(name).moisture < LOOKS_DRY:
                # One pour waters the bench; of the others it is enough to say that they are moist.
                self._ask("log", mono, batch=standing[0].code, what="watered")
                for batch in standing[1:]:
                    self._ask("log", mono, batch=batch.code, what="moist", value=4)

    def _feel(self, code: str, mono: float) -> None:
        """Once a day a finger in the mix; outdoors, where nobody models it, water as well."""
        batch = self.memory.batches.get(code)
        if batch is None or (self.start + mono - (batch.looked_at or batch.sown_at)) < DAY - HOUR:
            return
        if batch.place in self.site.benches:
            dry = self.world.truth(batch.place).moisture < LOOKS_DRY
            self._ask("log", mono, batch=code, what="moist", value=2 if dry else 3)
        else:
            self._ask("log", mono, batch=code, what="watered")
            self._ask("log", mono, batch=code, what="moist", value=4)

    def _sow(self, one: Sowing, mono: float) -> None:
        self._sown += 1
        crop = self.site.crops[one.crop]
        place = self._germination_bench(one.trays)
        if place is None:
            self._note("refused", f"no bench has room for {one.crop}", mono)
            return
        self._ask(
            "sow", mono, crop=crop.name, place=place, trays=one.trays,
            cells=round(CELLS_A_TRAY * one.trays), variety=one.variety,
        )  # fmt: skip

    def _free(self, name: str) -> float:
        taken = sum(one.trays for one in self.memory.batches.values() if one.place == name)
        return self.site.benches[name].trays - taken

    def _germination_bench(self, trays: float) -> str | None:
        """The bench with a mat that the fewest emerged batches stand on, if it has room."""
        fit = [
            name
            for name, spec in self.site.benches.items()
            if spec.mat and self._free(name) >= trays
        ]
        fit = fit or [name for name in self.site.benches if self._free(name) >= trays]
        return min(fit, key=self._leafy, default=None)

    def _growing_bench(self, trays: float, but: str) -> str | None:
        """The bench with a lamp that has the most room, besides the one named."""
        fit = [
            name
            for name, spec in self.site.benches.items()
            if spec.lamp and name != but and self._free(name) >= trays
        ]
        return max(fit, key=self._free, default=None)

    def _leafy(self, name: str) -> int:
        return sum(1 for one in self.memory.batches.values() if one.place == name and one.emerged)

    def _tend(self, batch: Batch, mono: float) -> None:
        utc, code = self.start + mono, batch.code
        crop = self.site.crops[batch.crop]
        seen = self.world.seedlings(code).up
        if batch.stage is Stage.GERMINATION:
            if code not in self.memory.called and seen == 0:
                return
            last = batch.counts[-1].up if batch.counts else 0
            if seen > last:
                self._ask("log", mono, batch=code, what="emerged", value=seen)
            if seen >= STAND * (batch.cells or 1):
                self._ask(
                    "stage", mono, batch=code, to="seedling", why=f"{seen} of {batch.cells} up"
                )
                to = self._growing_bench(batch.trays, batch.place)
                if to is not None:
                    self._ask("move", mono, batch=code, to=to)
            return
        age, weeks = (utc - batch.sown_at) / DAY, crop.weeks_to_transplant
        ready = 7 * (weeks.low + weeks.high) / 2
        in_stage = (utc - batch.since) / DAY
        if batch.stage is Stage.SEEDLING:
            if (batch.counts[-1].up if batch.counts else 0) < seen:
                self._ask("log", mono, batch=code, what="emerged", value=seen)
            if in_stage >= SECOND_SET_DAYS:
                self._pot_on(batch, mono)
        elif batch.stage is Stage.GROWING_ON and age >= ready - HARDENING_DAYS:
            self._ask("stage", mono, batch=code, to="hardening")
            self._ask("move", mono, batch=code, to="cold-frame")
        elif batch.stage is Stage.HARDENING and in_stage >= HARDENING_DAYS:
            self._ask("close", mono, batch=code, outcome="planted-out", count=seen)

    def _pot_on(self, batch: Batch, mono: float) -> None:
        """Potted on, a batch takes more room: as much as its bench has, up to what the plan says."""
        wanted = next((one.pots for one in self.plan if one.crop == batch.crop), batch.trays)
        self._ask("stage", mono, batch=batch.code, to="growing-on", why="second set of leaves")
        if batch.place in self.site.benches:
            takes = min(wanted, batch.trays + self._free(batch.place))
            if takes > batch.trays:
                self._ask("move", mono, batch=batch.code, to=batch.place, takes=takes)

    # --- the report -------------------------------------------------------------------------------

    def report(self) -> dict[str, Any]:
        """What happened, for a program: see `show` for the same in print. No clock of ours in it."""
        zone = self.site.zone

        def local(utc: float | None) -> str | None:
            if utc is None:
                return None
            return datetime.fromtimestamp(utc, zone).isoformat(timespec="minutes")

        def mean(total: float, count: float) -> float | None:
            return round(total / count, 2) if count else None

        batches = []
        for code, records in self.records.items():
            batch, counts = self.crops[code], self.world.seedlings(code)
            crop = self.site.crops[batch.crop]
            stages = []
            for one in records:
                if one.ended == one.begun:
                    continue  # moved in the same visit
                hours = ((one.ended or one.begun) - one.begun) / HOUR
                targets = crop.stages[Stage(one.stage)]
                stages.append(
                    {
                        "stage": one.stage,
                        "place": one.place,
                        "from": local(one.begun),
                        "to": local(one.ended),
                        "days": round(hours / 24, 2),
                        "soil_mean": mean(one.soil_sum, one.ticks),
                        "soil_low": round(one.soil_low, 2) if one.ticks else None,
                        "soil_high": round(one.soil_high, 2) if one.ticks else None,
                        "soil_wanted": _soil_wanted(targets),
                        "soil_off_aim_mean": mean(one.aim_error, one.aim_ticks),
                        "soil_inside_percent": mean(100 * one.inside, one.aim_ticks),
                        "air_day_mean": mean(*one.air_day),
                        "air_day_wanted": _pair(targets.air_day),
                        "air_night_mean": mean(*one.air_night),
                        "air_night_wanted": _pair(targets.air_night),
                        "light_hours_a_day": mean(one.lit_s / HOUR, hours / 24),
                        "light_hours_wanted": targets.photoperiod_h and targets.photoperiod_h.best,
                    }
                )
            batches.append(
                {
                    "batch": code,
                    "crop": batch.crop,
                    "variety": batch.variety,
                    "sown": local(batch.sown_at),
                    "cells": counts.cells,
                    "up": counts.up,
                    "first_up": local(counts.first_up_utc),
                    "half_up": local(counts.half_up_utc),
                    "days_to_first_up": _days(counts.first_up_utc, batch.sown_at),
                    "days_to_half_up": _days(counts.half_up_utc, batch.sown_at),
                    "longest_dark_h_after_emergence": round(counts.longest_dark_h, 1),
                    "leggy": counts.leggy,
                    "light_mol": round(counts.light_mol, 1),
                    "height_mm": round(counts.height_mm),
                    "stages": stages,
                    "open": code in self.memory.batches,
                }
            )
        benches = []
        for name in self.site.benches:
            truth = self.world.truth(name)
            benches.append(
                {
                    "bench": name,
                    "lamp_hours": round(truth.lamp_s / HOUR, 1),
                    "lamp_kwh": round(truth.lamp_wh / 1000, 2),
                    "mat_hours": round(truth.mat_s / HOUR, 1),
                    "mat_kwh": round(truth.mat_wh / 1000, 2),
                    "switchings": sum(
                        1 for one in self.events if one.kind == "switching" and one.bench == name
                    ),
                }
            )
        told = (
            "alarm",
            "stage",
            "move",
            "record",
            "power",
            "refused",
            "advisory",
            "interlock",
            "clock",
        )
        return {
            "schema": 1,
            "site": self.site.name,
            "start": local(self.start),
            "days": self.days,
            "seed": self.seed,
            "tick_s": self.site.tick,
            "batches": batches,
            "benches": benches,
            "alarms": [_told(one, zone) for one in self.events if one.kind == "alarm"],
            "events": [_told(one, zone) for one in self.events if one.kind in told],
            "standing_alarms": sorted(self.memory.alarms),
        }


def _within(what: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise ValueError(f"{what}: {value}; allowed: {low} to {high}")


def _soil_wanted(targets: StageTargets) -> list[float | None] | None:
    if targets.soil_best is not None:
        return [targets.soil_best.low, targets.soil_best.high]
    floor = targets.root_zone_floor_c
    return None if floor is None else [floor.value, None]


def _pair(span: Any) -> list[float] | None:
    return None if span is None else [span.low, span.high]


def _days(utc: float | None, since: float) -> float | None:
    return None if utc is None else round((utc - since) / DAY, 1)


def _told(event: Event, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "at": datetime.fromtimestamp(event.at, zone).isoformat(timespec="minutes"),
        "kind": event.kind,
        "by": event.by,
        "text": event.text,
    }


def _visits(start: float, days: float, zone: ZoneInfo) -> Any:
    first = datetime.fromtimestamp(start, zone).date()
    for day in range(math.ceil(days) + 1):
        for at in VISITS:
            when = instant(
                first + timedelta(days=day), timedelta(hours=at.hour, minutes=at.minute), zone
            )
            if when >= start:
                yield when - start
    yield math.inf


def start_of(day: date | str | None, zone: ZoneInfo) -> float:
    """Local midnight of a date, POSIX seconds; DEFAULT_START when none is given. Raises ValueError."""
    try:
        day = DEFAULT_START if day is None else date.fromisoformat(str(day))
    except ValueError:
        raise ValueError(f"--start: {day!r} is no date; allowed: YYYY-MM-DD") from None
    if day.year not in YEARS:
        raise ValueError(
            f"--start: the year {day.year}; allowed: {YEARS.start} to {YEARS.stop - 1}"
        )
    return instant(day, timedelta(), zone)


def command(
    days: float = 56,
    start: date | str | None = None,
    config: Path | None = None,
    seed: int = 0,
    faults: Path | None = None,
    as_json: bool = False,
    record: Path | None = None,
) -> int:
    """Rehearse a season and print its report; the exit status.

    days: 1 to 400. start: a date, or how one is written. config: the benches of this file instead of
    the example's. faults: a file of them. as_json: one JSON document; problems go to standard error.
    record: a folder for a journal of it.
    """
    from daemon.app import JOURNAL, fail, read_site
    from daemon.simulated import example

    try:
        _within("--days", days, *DAYS)
        _within("--seed", seed, 0, MAX_SEED)
        settings = load(config) if config is not None else example()
        site, _ = read_site(settings)
        begin = start_of(start, site.zone)
        if faults is not None:
            trouble = tuple(load_faults(faults))
        else:
            trouble = default_faults() if config is None else ()
        journal = None
        if record is not None:
            if (record / JOURNAL).exists():
                raise ValueError(f"--record: {record} has a journal already: name a fresh folder")
            record.mkdir(parents=True, exist_ok=True)
            journal = Journal.open(record / JOURNAL, begin)
        try:
            season = Rehearsal(
                settings,
                site,
                start=begin,
                days=days,
                seed=seed,
                faults=trouble,
                plan=default_plan(site, days),
                journal=journal,
            )
        except ValueError as error:  # a fault at what is not there
            raise ValueError(f"{faults}: {error}") from None
    except (ConfigError, ProfileError, JournalError, OSError, ValueError) as error:
        return fail(error)
    with Progress(
        *Progress.get_default_columns(), console=Console(stderr=True), transient=True
    ) as bar:
        task = bar.add_task(f"rehearsing {days:g} days", total=1.0)
        try:
            season.run(lambda part: bar.update(task, completed=part))
            if journal is not None:
                asyncio.run(journal.close())
        except JournalError as error:
            return fail(error)
    report = season.report()
    if as_json:
        print(json.dumps({"ok": True, "result": report}, indent=1, ensure_ascii=False))
    else:
        show(report, Console(), site.units)
    return 0


def show(report: Mapping[str, Any], console: Console, units: Units = "C") -> None:
    """Print a report for a grower: batch by batch, then the benches, then what went wrong."""

    def deg(value: float | None) -> str:
        return "-" if value is None else format_temperature(value, units).rsplit(" ", 1)[0]

    def span(pair: list[float | None] | None) -> str:
        if pair is None or pair[0] is None:
            return ""
        low = _short(pair[0], units)
        return f"from {low}" if pair[1] is None else f"{low}-{_short(pair[1], units)}"

    def plain(text: object) -> Text:
        return Text(str(text))

    console.print(
        plain(
            f"Rehearsal of {report['site']}: {report['days']:g} days from {_day(report['start'])}, a "
            f"decision every {report['tick_s']:g} s, seed {report['seed']}"
        ),
        style="bold",
    )
    console.print(
        plain(
            f"Means: soil at seed depth and air by day and night in °{units}, light in hours a day; "
            "kept: share of the time in the range accepted"
        )
    )
    for batch in report["batches"]:
        console.print()
        named = f" {batch['variety']!r}" if batch["variety"] else ""
        console.print(plain(f"{batch['batch']}  {batch['crop']}{named}"), style="bold")
        up = f"{batch['up']} of {batch['cells']} up"
        story = [f"sown {_day(batch['sown'])}"]
        if batch["first_up"]:
            story.append(
                f"first up {_day(batch['first_up'])}, after {batch['days_to_first_up']:g} days"
            )
        if batch["half_up"]:
            story.append(f"half up after {batch['days_to_half_up']:g}")
        story += [up, f"{format_length(batch['height_mm'], units)} tall"]
        console.print(plain("  " + "; ".join(story)))
        dark = batch["longest_dark_h_after_emergence"]
        legs = "leggy" if batch["leggy"] else "stocky"
        console.print(plain(f"  longest darkness after emergence {dark:g} h: {legs}"))
        table = Table(box=None, pad_edge=False, header_style="", padding=(0, 1))
        for head in ("  stage", "place", "from"):
            table.add_column(head, no_wrap=True)
        for head in ("days", "soil", "kept", "light", "day", "night"):
            table.add_column(head, justify="right")
        for one in batch["stages"]:
            kept, here = one["soil_inside_percent"], one["soil_mean"] is not None
            table.add_row(
                f"  {one['stage']}",
                one["place"],
                _day(one["from"]),
                f"{one['days']:.1f}",
                deg(one["soil_mean"]),
                "" if kept is None else f"{kept:.0f} %",
                f"{one['light_hours_a_day']:.1f}" if here else "",
                deg(one["air_day_mean"]) if here else "",
                deg(one["air_night_mean"]) if here else "",
            )
            if here:
                hours = one["light_hours_wanted"]
                table.add_row(
                    "    wanted", "", "", "", span(one["soil_wanted"]), "",
                    "" if hours is None else f"{hours:g}",
                    span(one["air_day_wanted"]), span(one["air_night_wanted"]),
                )  # fmt: skip
        console.print(table)
    console.print()
    table = Table(box=None, pad_edge=False, header_style="", padding=(0, 2))
    table.add_column("bench")
    for head in ("lamp h", "lamp kWh", "mat h", "mat kWh", "switchings"):
        table.add_column(head, justify="right")
    for one in report["benches"]:
        table.add_row(
            one["bench"],
            f"{one['lamp_hours']:.0f}",
            f"{one['lamp_kwh']:.1f}",
            f"{one['mat_hours']:.0f}",
            f"{one['mat_kwh']:.1f}",
            str(one["switchings"]),
        )
    console.print(table)
    console.print()
    console.print(plain("Alarms, power and what was done"), style="bold")
    told = ("alarm", "power", "interlock", "refused", "stage", "move", "advisory")
    table = Table.grid(padding=(0, 2))
    for event in report["events"]:
        if event["kind"] in told:
            who = f"{event['by']}: " if event["by"] else ""
            at = datetime.fromisoformat(event["at"])
            table.add_row(plain(f"{at.day:>2} {at:%b %H:%M}"), plain(who + event["text"]))
    console.print(table)
    records = [event["text"] for event in report["events"] if event["kind"] == "record"]
    watered = sum(1 for text in records if text.endswith("watered"))
    console.print(
        plain(f"besides: {watered} waterings and {len(records) - watered} counts of seedlings")
    )
    standing = report["standing_alarms"]
    console.print(
        plain("Alarms standing at the end: " + (", ".join(standing) if standing else "none"))
    )


def _day(text: str) -> str:
    at = datetime.fromisoformat(text)
    return f"{at.day} {at:%b}"


def _short(celsius: float, units: Units) -> str:
    return f"{celsius if units == 'C' else f_from_celsius(celsius):.0f}"
