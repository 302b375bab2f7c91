"""All that the decision core knows: the site as configured, and what it remembers between ticks.

Everything is immutable. Times named `mono` are seconds on a clock that never steps and are what every
safety rule goes by; times named `utc` are POSIX seconds by the wall clock, for schedules and people.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, time, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from daemon.care import Husbandry, Records, Tally, TallyLimits, limits_of
from daemon.config import Config
from daemon.config import Tariff as TariffSection
from daemon.energy import NO_ENERGY, Energy, OffPeak, Tariff
from daemon.husbandry import husbandry_of
from drivers.protocols import Reading, RelayState
from drivers.vetting import Vetting
from profiles.forecast import Record, Requirement
from profiles.library import Library
from profiles.model import Crop, Stage
from profiles.units import Units

#: When the lamps' hours begin where nobody says.
LIGHTS_ON = time(6)
DAY = 86400.0
HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class Now:
    """One instant on both clocks; `trusted` says whether the wall clock may be believed."""

    mono: float
    utc: float
    trusted: bool = True


@dataclass(frozen=True, slots=True)
class RelaySpec:
    """A relay as configured: load [W], least times on and off [s]; of a lamp, the light at the leaves
    [µmol m-2 s-1] where it was measured."""

    watts: float
    min_on: float
    min_off: float
    ppfd: float | None = None


@dataclass(frozen=True, slots=True)
class MoistureSpec:
    """A moisture probe: its name, and what it reads where the mix calls for water, and is wet."""

    probe: str
    dry: float
    wet: float


@dataclass(frozen=True, slots=True)
class BenchSpec:
    """A bench as configured; probes are named `<bench>/<probe>`."""

    name: str
    title: str
    trays: float
    lights_on: timedelta
    hysteresis: float
    lamp: RelaySpec | None
    mat: RelaySpec | None
    soil_probes: tuple[str, ...]
    air_probes: tuple[str, ...]
    moisture: MoistureSpec | None = None


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
    husbandry: Mapping[tuple[str, Stage], Husbandry] = field(default_factory=dict)
    counted: Mapping[tuple[str, Stage], TallyLimits] = field(default_factory=dict)

    @property
    def crops(self) -> Mapping[str, Crop]:
        """The crops this site knows, by name."""
        return self.library.crops

    @classmethod
    def of(cls, config: Config, library: Library) -> Site:
        """The part of the configuration that decisions need, and the crops."""

        def relay(one: Any) -> RelaySpec | None:
            return one and RelaySpec(one.watts, one.min_on, one.min_off, getattr(one, "ppfd", None))

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
                lamp=relay(bench.lamp),
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
            )
            for name, bench in config.bench.items()
        }
        husbandry = {
            (name, stage): husbandry_of(crop, stage)
            for name, crop in library.crops.items()
            for stage in Stage
        }
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
            husbandry=husbandry,
            counted={
                (name, stage): limits_of(library.crops[name], stage, care)
                for (name, stage), care in husbandry.items()
            },
        )


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
    since: when the present stage began. trays: in 10 x 20 inch trays, parts allowed.
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
    person resets it. shelved_until: mono; silent until then.
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

    @property
    def state(self) -> Literal["active", "acknowledged", "returned", "shelved"]:
        """Active, acknowledged, returned to normal, or shelved."""
        if self.shelved_until is not None:
            return "shelved"
        if self.active or self.latched:
            return "acknowledged" if self.acknowledged else "active"
        return "returned"


@dataclass(frozen=True, slots=True)
class LightDay:
    """Where a bench is in its day of light; all mono.

    day_from: when the running photoperiod began. night_from: when the last one ended.
    work_s: seconds of work light taken out of the present night.
    """

    day_from: float | None = None
    night_from: float | None = None
    work_s: float = 0.0


@dataclass(frozen=True, slots=True)
class HeatWatch:
    """What the guard against heat without effect, and effect without heat, remembers; °C.

    on_s: seconds of heating since the last sign that it warms. low: the lowest soil since then.
    kept: the soil that shows that it goes on warming, None before the first sign. high: the highest
    soil of late. fell_from, fell_to: a sudden fall not yet made good; fell_from None where there is
    none. off_base: what is expected with the mat off, over the room where it is measured. room: the
    measured room, lagged.
    """

    on_s: float = 0.0
    low: float | None = None
    kept: float | None = None
    high: float | None = None
    fell_from: float | None = None
    fell_to: float = 0.0
    off_base: float | None = None
    room: float | None = None


@dataclass(frozen=True, slots=True)
class BenchMemory:
    """What one bench remembers from tick to tick; all times mono.

    begun: when this process first looked, None before; probes have their grace from then.
    soil: the last good soil temperature steered by [°C], read at `soil_at`.
    lamp_at, mat_at: when the relay last changed. lamp_last: when the lamp was last lit.
    full_since: since when the mat has been on without a break, `full_soil` the soil then or at the
    last time it was still rising. warm_since: since when the soil or air is above what is wanted.
    stops: safety stops that hold with hysteresis. latched: faults that a person resets.
    said: advisories already given for the present aim.
    room_mind: what `room.observe` remembers, where no probe measures the room.
    energy: drawn since `energy_from` (utc), and of it `energy_today`, since midnight or that.
    """

    begun: float | None = None
    soil: float | None = None
    soil_at: float = -1e9
    air: float | None = None
    room: float | None = None
    lamp: bool = False
    lamp_at: float = -1e9
    lamp_last: float = -1e9
    mat: bool = False
    mat_at: float = -1e9
    mat_last: float = -1e9
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
    lit_s: float = 0.0
    heated_s: float = 0.0
    energy: Energy = NO_ENERGY
    energy_today: Energy = NO_ENERGY
    energy_from: float | None = None
    day: int = 0


@dataclass(frozen=True, slots=True)
class Memory:
    """All that outlives the process: kept in the journal, and enough to go on from.

    progress: part of the way to emergence by accumulated temperature, by batch code.
    called: batches still in germination for which the lamp already burns.
    needs: what each germinating batch's emergence needs. lessons: what batches taught of their crop,
    by crop and batch code.
    care: what people did and saw, by batch code, or "site". tallies: what each batch has had in its
    stage. energy: each batch's part of what its benches drew, by trays.
    pending: alarm conditions not yet old enough to be alarms, since when (mono).
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
    at: Now | None = None


@dataclass(frozen=True, slots=True)
class Inputs:
    """What one tick is given: the newest reading of each probe and the state of each relay.

    Probes are named `<bench>/<probe>` or `room/<probe>`, relays `<bench>/lamp` and `<bench>/mat`.
    troubles: what the program itself reports as wrong, alarm kind to cause (a full disk, say).
    """

    readings: Mapping[str, Reading]
    relays: Mapping[str, RelayState] = field(default_factory=dict)
    troubles: Mapping[str, str] = field(default_factory=dict)


_memory = TypeAdapter(Memory)


def dump(memory: Memory) -> str:
    """The memory as JSON text, for the journal."""
    return _memory.dump_json(memory).decode()


def restore(text: str) -> Memory:
    """The memory from its JSON text. Raises ValueError (pydantic's) when it does not fit."""
    return _memory.validate_json(text)


def shifted(memory: Memory, by: float) -> Memory:
    """The memory with all mono times moved by `by` seconds: the machine has booted since."""

    def move(value: float | None) -> float | None:
        return None if value is None else value + by

    benches = {
        name: replace(
            bench,
            soil_at=bench.soil_at + by,
            lamp_at=bench.lamp_at + by,
            lamp_last=bench.lamp_last + by,
            mat_at=bench.mat_at + by,
            mat_last=bench.mat_last + by,
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
            key: replace(alarm, shelved_until=move(alarm.shelved_until))
            for key, alarm in memory.alarms.items()
        },
        pending={key: at + by for key, at in memory.pending.items()},
        at=None if memory.at is None else replace(memory.at, mono=memory.at.mono + by),
    )
