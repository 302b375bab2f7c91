"""All that the decision core knows: the site as configured, and what it remembers between ticks.

Everything is immutable. Times named `mono` are seconds on a clock that never steps and are what every
safety rule goes by; times named `utc` are POSIX seconds by the wall clock, for schedules and people.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, time, timedelta
from functools import lru_cache
from typing import Any, Literal
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter
from pydantic_core import SchemaSerializer

from daemon import predictive
from daemon.care import Husbandry, Records, Tally, TallyLimits, limits_of
from daemon.config import Config
from daemon.config import Tariff as TariffSection
from daemon.energy import NO_ENERGY, Energy, OffPeak, Tariff
from daemon.husbandry import husbandry_of
from drivers.protocols import Reading, RelayState
from drivers.values import value
from drivers.vetting import Vetting
from profiles.forecast import Record, Requirement
from profiles.library import Library
from profiles.model import Crop, Stage
from profiles.units import Units

#: When the lamps' hours begin where nobody says.
LIGHTS_ON = time(6)
DAY = 86400.0
HOUR = 3600.0
#: Before any moment (mono).
NEVER = -1e9


@value(frozen=True, slots=True)
class Now:
    """One instant on both clocks; `trusted` says whether the wall clock may be believed."""

    mono: float
    utc: float
    trusted: bool = True


@dataclass(frozen=True, slots=True)
class ProofSpec:
    """What shows that a lamp is lit: the name of the meter, and from where on [W or lx] it is."""

    meter: str
    measures: Literal["power", "light"]
    least: float


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who is called about alarms: from which priority on, whether by night too, and how long an
    answer is waited for [s] until the next is called."""

    name: str
    least: Literal["critical", "high", "medium", "low"]
    nights: bool
    wait: float


@dataclass(frozen=True, slots=True)
class CallPlan:
    """Who is called about an alarm, in this order, how often round, and from when to when it is night."""

    people: tuple[Person, ...] = ()
    night: tuple[timedelta, timedelta] = (timedelta(hours=22), timedelta(hours=7))
    rounds: int = 3


@dataclass(frozen=True, slots=True)
class RelaySpec:
    """A relay as configured: load [W], least times on and off [s]; of a lamp, the light at the leaves
    [µmol m-2 s-1] where it was measured, and what shows that it is lit."""

    watts: float
    min_on: float
    min_off: float
    ppfd: float | None = None
    proof: ProofSpec | None = None


@dataclass(frozen=True, slots=True)
class MoistureSpec:
    """A moisture probe: its name, and what it reads where the mix calls for water, and is wet."""

    probe: str
    dry: float
    wet: float


@dataclass(frozen=True, slots=True)
class BenchSpec:
    """A bench as configured; probes are named `<bench>/<probe>`.

    lit_cheaply: the lamp's hours begin at `lights_on` because the cheap hours do.
    """

    name: str
    title: str
    trays: float
    lights_on: timedelta
    hysteresis: float
    lamp: RelaySpec | None
    mat: RelaySpec | None
    soil_probes: tuple[str, ...]
    air_probes: tuple[str, ...]
    control: Literal["learning", "hysteresis"] = "learning"
    moisture: MoistureSpec | None = None
    lit_cheaply: bool = False


@dataclass(frozen=True, slots=True)
class Site:
    """The site as configured, and the crops it knows.

    outdoor_air, outdoor_soil, night_low: names of probes. husbandry, counted: by crop and stage, what
    care goes by and what is counted against.
    """

    name: str
    zone: ZoneInfo
    tick: float
    probe_grace: float
    soil_limit: float
    power_budget: float
    room_swing: float
    benches: Mapping[str, BenchSpec]
    room_probes: tuple[str, ...]
    places: tuple[str, ...]
    library: Library
    units: Units = "C"
    outdoor_air: tuple[str, ...] = ()
    outdoor_soil: tuple[str, ...] = ()
    night_low: str | None = None
    hardening: Literal["home", "cold-frame"] = "home"
    dusk: timedelta = timedelta(hours=18)
    latitude: float | None = None
    longitude: float | None = None
    last_frost: date | None = None
    tariff: Tariff | None = None
    calls: CallPlan = CallPlan()
    husbandry: Mapping[tuple[str, Stage], Husbandry] = field(default_factory=dict)
    counted: Mapping[tuple[str, Stage], TallyLimits] = field(default_factory=dict)

    @property
    def crops(self) -> Mapping[str, Crop]:
        """The crops this site knows, by name."""
        return self.library.crops

    @classmethod
    def of(cls, config: Config, library: Library) -> Site:
        """The part of the configuration that decisions need, and the crops."""

        def relay(one: Any, bench: str = "") -> RelaySpec | None:
            if one is None:
                return None
            proof = getattr(one, "proof", None)
            if proof is not None:
                proof = ProofSpec(meter_name(bench), proof.measures, proof.lit_from(one.watts))
            return RelaySpec(one.watts, one.min_on, one.min_off, getattr(one, "ppfd", None), proof)

        tariff = config.site.tariff
        cheap = tariff.off_peak if tariff is not None else None
        # From the first cheap hour on, whatever the crop's hours, so that these never move by its stage.
        usual = LIGHTS_ON if cheap is None else cheap.begins
        benches = {
            name: BenchSpec(
                name=name,
                title=bench.title or name,
                trays=bench.trays,
                lights_on=_since_midnight(usual if bench.lights_on is None else bench.lights_on),
                hysteresis=bench.hysteresis,
                control=bench.control,
                lamp=relay(bench.lamp, name),
                mat=relay(bench.mat),
                soil_probes=tuple(
                    f"{name}/{one.name}" for one in bench.probes if one.measures == "soil"
                ),
                air_probes=tuple(
                    f"{name}/{one.name}" for one in bench.probes if one.measures == "air"
                ),
                moisture=None
                if bench.moisture is None
                else MoistureSpec(f"{name}/moisture", bench.moisture.dry, bench.moisture.wet),
                lit_cheaply=cheap is not None and bench.lights_on is None,
            )
            for name, bench in config.bench.items()
        }
        husbandry, counted = cared_for(library)
        return cls(
            name=config.site.name,
            zone=config.site.tz,
            tick=config.site.tick,
            probe_grace=config.site.probe_grace,
            soil_limit=config.site.soil_limit,
            power_budget=config.site.power_budget,
            room_swing=config.site.room_swing,
            benches=benches,
            room_probes=tuple(f"room/{one.name}" for one in config.room),
            places=config.places,
            library=library,
            units=config.site.units,
            outdoor_air=tuple(f"outdoor/{p.name}" for p in config.outdoor if p.measures == "air"),
            outdoor_soil=tuple(f"outdoor/{p.name}" for p in config.outdoor if p.measures == "soil"),
            night_low="outdoor/night-low" if config.night_low is not None else None,
            hardening=config.site.hardening,
            dusk=_since_midnight(config.site.dusk),
            latitude=config.site.latitude,
            longitude=config.site.longitude,
            last_frost=config.site.last_frost,
            tariff=_tariff(tariff),
            calls=CallPlan(
                tuple(
                    Person(one.name, one.least, one.nights, one.wait) for one in config.calls.people
                ),
                (_since_midnight(config.calls.night_from), _since_midnight(config.calls.night_to)),
                config.calls.rounds,
            ),
            husbandry=husbandry,
            counted=counted,
        )


def cared_for(
    library: Library,
) -> tuple[dict[tuple[str, Stage], Husbandry], dict[tuple[str, Stage], TallyLimits]]:
    """By crop and stage, what care goes by and what is counted against."""
    husbandry = {
        (name, stage): husbandry_of(crop, stage)
        for name, crop in library.crops.items()
        for stage in Stage
    }
    counted = {
        (name, stage): limits_of(library.crops[name], stage, care)
        for (name, stage), care in husbandry.items()
    }
    return husbandry, counted


def meter_name(bench: str) -> str:
    """What the meter of a bench's lamp is called among the probes; no probe can be called so."""
    return f"{bench}/lamp.proof"


def _since_midnight(at: time) -> timedelta:
    return timedelta(hours=at.hour, minutes=at.minute)


def _tariff(given: TariffSection | None) -> Tariff | None:
    if given is None:
        return None
    cheap = given.off_peak
    off_peak = None
    if cheap is not None:
        begins, ends = _since_midnight(cheap.begins), _since_midnight(cheap.ends)
        off_peak = OffPeak(begins, ends, cheap.price)
    return Tariff(given.currency, given.price, off_peak)


@dataclass(frozen=True, slots=True)
class Count:
    """Seedlings seen up at one look, at the progress that the batch then had; emergence is a series of
    these."""

    at: float
    up: int
    of: int | None
    by: str
    progress: float = 0.0


@dataclass(frozen=True, slots=True)
class Batch:
    """One sowing of one crop.

    revision: grows with every change, so that a request made against an older one is refused.
    watered_at, looked_at, counts: from its records, kept at hand: last watered, the newest look at
    its moisture, and what was up.
    since: when the present stage began. trays: in 10 x 20 inch trays, parts allowed. placed_at: when
    it came to its place; None where it was sown.
    """

    code: str
    crop: str
    place: str
    stage: Stage
    since: float
    sown_at: float
    trays: float
    cells: int | None = None
    variety: str = ""
    lot: str = ""
    year: int | None = None
    treatment: str = ""
    covered: bool = False
    counts: tuple[Count, ...] = ()
    watered_at: float | None = None
    looked_at: float | None = None
    placed_at: float | None = None
    parent: str | None = None
    revision: int = 1

    @property
    def emerged(self) -> bool:
        """Whether anything is known to be up."""
        return self.stage is not Stage.GERMINATION or any(count.up for count in self.counts)


@dataclass(frozen=True, slots=True)
class Keep:
    """A person's override of one relay: kept on until `until` (mono), or kept off until released."""

    on: bool
    by: str
    since: float
    until: float | None


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something a person must act on, with its state in the words of ISA-18.2.

    active: the condition stands. acknowledged: a person has seen it. latched: it stays until a
    person resets it. shelved_until: mono; silent until then. began: mono; since when its condition
    stands, delay and all.
    """

    key: str
    kind: str
    bench: str | None
    batch: str | None
    cause: str
    raised_at: float
    active: bool = True
    acknowledged: bool = False
    acknowledged_by: str = ""
    latched: bool = False
    shelved_until: float | None = None
    began: float | None = None

    @property
    def state(self) -> Literal["active", "acknowledged", "returned", "shelved"]:
        """Active, acknowledged, returned to normal, or shelved."""
        if self.shelved_until is not None:
            return "shelved"
        if self.active or self.latched:
            return "acknowledged" if self.acknowledged else "active"
        return "returned"


@value(frozen=True, slots=True)
class Duty:
    """What a batch needs of people, worked out anew when its `revision` or the light's `hours` change.

    water_by: when its moisture is to be seen to (POSIX s). seen_at: when somebody was last at it in the
    lamp's hours, on the bench where it is; None if nobody was. counted_at: when those up were last
    counted. out_at: when it was put out to harden; None when it is in. wet: whether its mix was seen wet,
    which holds until `wet_until` (POSIX s). cold: why it may not stay out for this night, empty if it
    may, as of `cold_at` (mono).
    """

    revision: int
    hours: float
    water_by: float
    seen_at: float | None = None
    counted_at: float | None = None
    out_at: float | None = None
    wet: bool | None = None
    wet_until: float = 0.0
    cold: str = ""
    cold_at: float | None = None


@dataclass(frozen=True, slots=True)
class Call:
    """How far people have been called about an alarm: `turn`s taken, the last at `at` (mono), of whom
    `told`. raised_at: of the alarm, so that one raised anew is called anew."""

    raised_at: float
    turn: int
    at: float
    told: tuple[str, ...] = ()


@value(frozen=True, slots=True)
class LightDay:
    """Where a bench is in its day of light; all mono.

    day_from: when the running photoperiod began. night_from: when the last one ended.
    work_s: seconds of work light taken out of the present night.
    """

    day_from: float | None = None
    night_from: float | None = None
    work_s: float = 0.0


@value(frozen=True, slots=True)
class HeatWatch:
    """What the guard against heat without effect, and effect without heat, remembers; °C.

    on_s: seconds of heating since the last sign that it warms. low: the lowest soil since then, and
    low_s the seconds of heating since that. rested: the highest while the mat was last off, spell: the
    lowest of the present spell of heating.
    kept: the soil that shows that it goes on warming, None before the first sign. high: the highest
    soil of late. fell_from, fell_to: a sudden fall not yet made good; fell_from None where there is
    none. off_base: what is expected with the mat off, over the room where it is measured. room: the
    measured room, lagged. regained: what spells of heating have brought back of what was lost between
    them, since the last sign.
    """

    on_s: float = 0.0
    low: float | None = None
    low_s: float = 0.0
    rested: float | None = None
    spell: float | None = None
    kept: float | None = None
    high: float | None = None
    fell_from: float | None = None
    fell_to: float = 0.0
    off_base: float | None = None
    room: float | None = None
    regained: float = 0.0


@value(frozen=True, slots=True)
class BenchMemory:
    """What one bench remembers from tick to tick; all times mono.

    begun: when this process first looked, None before; probes have their grace from then.
    soil: the last good soil temperature steered by [°C], read at `soil_at`.
    covered: whether trays here are under a cover, `uncovered_at` when the last one came off.
    lamp_at, mat_at: when the relay last changed. lamp_last: when the lamp was last lit.
    full_since: since when the mat has been on without a break, `full_soil` the soil then or at the
    last time it was still rising. warm_since: since when the soil or air is above what is wanted.
    stops: safety stops that hold with hysteresis. latched: faults that a person resets.
    said: advisories already given for the present aim. leafy_since: since when there are, or may be,
    seedlings up that a lamp should light; None without any. lit: whether the lamp is, by what measures
    it; None where nothing does. proven_at: when it last did while the lamp was on.
    room_mind: what `room.observe` remembers, where no probe measures the room.
    energy: drawn since `energy_from` (utc), and of it `energy_today`, since midnight or that.
    """

    begun: float | None = None
    soil: float | None = None
    soil_at: float = NEVER
    air: float | None = None
    room: float | None = None
    covered: bool = False
    uncovered_at: float = NEVER
    lamp: bool = False
    lamp_at: float = NEVER
    lamp_last: float = NEVER
    mat: bool = False
    mat_at: float = NEVER
    mat_last: float = NEVER
    light: LightDay = LightDay()
    watch: HeatWatch = HeatWatch()
    controller: tuple[float, ...] = ()
    room_mind: tuple[float, ...] = ()
    full_since: float | None = None
    full_soil: float = 0.0
    off_target_since: Mapping[str, float] = field(default_factory=dict)
    stops: frozenset[str] = frozenset()
    latched: frozenset[str] = frozenset()
    said: frozenset[str] = frozenset()
    leafy_since: float | None = None
    lit: bool | None = None
    proven_at: float | None = None
    lit_s: float = 0.0
    heated_s: float = 0.0
    energy: Energy = NO_ENERGY
    energy_today: Energy = NO_ENERGY
    energy_from: float | None = None
    shed_s: float = 0.0
    day: int = 0


@dataclass(frozen=True, slots=True)
class Cut:
    """A time without current of which nobody knows yet how long it was, for want of a clock.

    at: the last instant before it that is known; its mono, moved with the others, is when the machine
    was there again. soils: by bench, soil and room [°C] before it. found: soil at the first good
    reading after it.
    """

    at: Now
    soils: Mapping[str, tuple[float, float | None]] = field(default_factory=dict)
    found: Mapping[str, float] = field(default_factory=dict)


@value(frozen=True, slots=True)
class Memory:
    """All that outlives the process: kept in the journal, and enough to go on from.

    progress: part of the way to emergence by accumulated temperature, by batch code.
    called: batches still in germination for which the lamp already burns.
    needs: what each germinating batch's emergence needs. lessons: what batches taught of their crop,
    by crop and batch code.
    care: what people did and saw, by batch code, or "site". tallies: what each batch has had in its
    stage. energy: each batch's part of what its benches drew, by trays.
    pending: alarm conditions not yet old enough to be alarms, since when (mono).
    zone: the site's when it was last decided; empty in a memory from before that was kept.
    cut: a time without current that waits for a clock to tell how long it was.
    duties: what each batch needs of people. calls: how far people were called, by alarm.
    """

    batches: Mapping[str, Batch] = field(default_factory=dict)
    progress: Mapping[str, float] = field(default_factory=dict)
    called: frozenset[str] = frozenset()
    benches: Mapping[str, BenchMemory] = field(default_factory=dict)
    probes: Mapping[str, Vetting] = field(default_factory=dict)
    keeps: Mapping[str, Keep] = field(default_factory=dict)
    alarms: Mapping[str, Alarm] = field(default_factory=dict)
    pending: Mapping[str, float] = field(default_factory=dict)
    serials: Mapping[str, int] = field(default_factory=dict)
    care: Mapping[str, Records] = field(default_factory=dict)
    tallies: Mapping[str, Tally] = field(default_factory=dict)
    energy: Mapping[str, Energy] = field(default_factory=dict)
    needs: Mapping[str, Requirement] = field(default_factory=dict)
    lessons: Mapping[str, Mapping[str, Record]] = field(default_factory=dict)
    zone: str = ""
    cut: Cut | None = None
    duties: Mapping[str, Duty] = field(default_factory=dict)
    calls: Mapping[str, Call] = field(default_factory=dict)
    at: Now | None = None


@value(frozen=True, slots=True)
class Inputs:
    """What one tick is given: the newest reading of each probe and the state of each relay.

    Probes are named `<bench>/<probe>` or `room/<probe>`, relays `<bench>/lamp` and `<bench>/mat`.
    troubles: what the program itself reports as wrong, alarm kind to cause (a full disk, say).
    """

    readings: Mapping[str, Reading]
    relays: Mapping[str, RelayState] = field(default_factory=dict)
    troubles: Mapping[str, str] = field(default_factory=dict)


def dump(memory: Memory) -> str:
    """The memory as JSON text, for the journal."""
    return _writer().to_json(memory).decode()


def restore(text: str) -> Memory:
    """The memory from its JSON text. Raises ValueError (pydantic's) when it does not fit."""
    return _reader().validate_json(text)


# Apart, and each made where it is first used: a daemon writes for months and reads at its start.


@lru_cache(maxsize=1)
def _writer() -> SchemaSerializer:
    return TypeAdapter(Memory).serializer


@lru_cache(maxsize=1)
def _reader() -> TypeAdapter[Memory]:
    return TypeAdapter(Memory)


def done_reading() -> None:
    """Let go of what `restore` keeps at hand to be quick the next time."""
    _reader.cache_clear()


def fitted(memory: Memory, site: Site) -> tuple[Memory, dict[str, Batch], list[str]]:
    """The memory as the site can go on from, batches of a crop that it does not know, which rest, and a
    sentence for each batch that rests, or whose bench is gone."""
    batches, resting, said = dict(memory.batches), {}, []
    for code, batch in memory.batches.items():
        if batch.crop not in site.crops:
            resting[code] = batches.pop(code)
            said.append(
                f"{code} rests: no crop {batch.crop!r} is known any more; it goes on at the next start "
                "that knows it"
            )
        elif batch.place not in site.benches and batch.place not in site.places:
            batches[code] = replace(batch, place="chamber", revision=batch.revision + 1)
            said.append(f"{code} stood on {batch.place}, which is gone: now in chamber")
    return replace(memory, batches=batches), resting, said


def shifted(memory: Memory, by: float) -> Memory:
    """The memory with all mono times moved by `by` seconds: the machine has booted since."""

    def move(value: float | None) -> float | None:
        return None if value is None else value + by

    benches = {
        name: replace(
            bench,
            soil_at=bench.soil_at + by,
            uncovered_at=bench.uncovered_at + by,
            lamp_at=bench.lamp_at + by,
            lamp_last=bench.lamp_last + by,
            mat_at=bench.mat_at + by,
            mat_last=bench.mat_last + by,
            leafy_since=move(bench.leafy_since),
            proven_at=move(bench.proven_at),
            controller=predictive.shifted(bench.controller, by),
            full_since=None,
            off_target_since={key: at + by for key, at in bench.off_target_since.items()},
            light=replace(
                bench.light,
                day_from=move(bench.light.day_from),
                night_from=move(bench.light.night_from),
            ),
        )
        for name, bench in memory.benches.items()
    }
    return replace(
        memory,
        benches=benches,
        probes={},
        keeps={
            key: replace(keep, since=keep.since, until=move(keep.until))
            for key, keep in memory.keeps.items()
        },
        alarms={
            key: replace(alarm, shelved_until=move(alarm.shelved_until), began=move(alarm.began))
            for key, alarm in memory.alarms.items()
        },
        pending={key: at + by for key, at in memory.pending.items()},
        cut=None
        if memory.cut is None
        else replace(memory.cut, at=replace(memory.cut.at, mono=memory.cut.at.mono + by)),
        duties={
            code: replace(duty, cold_at=move(duty.cold_at)) for code, duty in memory.duties.items()
        },
        calls={key: replace(call, at=call.at + by) for key, call in memory.calls.items()},
        at=None if memory.at is None else replace(memory.at, mono=memory.at.mono + by),
    )
