"""Sites, batches and days made up for the tests of the decision core."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

from daemon.config import Config
from daemon.decide import Decision, decide
from daemon.events import Event
from daemon.state import Batch, BenchSpec, Inputs, Memory, Now, RelaySpec, Site
from drivers.protocols import Quality, Reading, RelayState
from profiles.library import Library, load_library
from profiles.model import Stage

HOUR = 3600.0
DAY = 86400.0
BERLIN = ZoneInfo("Europe/Berlin")
LAMP = RelaySpec(watts=40.0, min_on=60.0, min_off=60.0)
MAT = RelaySpec(watts=20.0, min_on=60.0, min_off=60.0)


@cache
def library() -> Library:
    """The shipped crops."""
    return load_library()


def bench(
    name: str = "shelf",
    *,
    lamp: RelaySpec | None = LAMP,
    mat: RelaySpec | None = MAT,
    soil: Iterable[str] = ("soil",),
    air: Iterable[str] = (),
    trays: float = 4.0,
    lights_on: timedelta = timedelta(hours=6),
    hysteresis: float = 0.25,
) -> BenchSpec:
    """A bench with a lamp, a mat and one soil probe, unless told otherwise."""
    return BenchSpec(
        name=name,
        title=name,
        trays=trays,
        lights_on=lights_on,
        hysteresis=hysteresis,
        lamp=lamp,
        mat=mat,
        soil_probes=tuple(f"{name}/{one}" for one in soil),
        air_probes=tuple(f"{name}/{one}" for one in air),
    )


def site(
    *benches: BenchSpec,
    zone: ZoneInfo = BERLIN,
    tick: float = 60.0,
    probe_grace: float = 120.0,
    soil_limit: float = 35.0,
    power_budget: float = 1000.0,
    room_swing: float = 6.0,
    room_probes: tuple[str, ...] = (),
) -> Site:
    """A site of these benches, or of one, with the shipped crops."""
    many = benches or (bench(),)
    return replace(
        _plain_site(),
        zone=zone,
        tick=tick,
        probe_grace=probe_grace,
        soil_limit=soil_limit,
        power_budget=power_budget,
        room_swing=room_swing,
        benches={one.name: one for one in many},
        room_probes=room_probes,
    )


@cache
def _plain_site() -> Site:
    lamp = {"watts": 40, "device": {"driver": "simulated"}}
    config = Config.model_validate(
        {
            "schema": 1,
            "site": {"name": "testing", "zone": "UTC"},
            "bench": {"shelf": {"trays": 4, "lamp": lamp}},
        }
    )
    return Site.of(config, library())


def utc(text: str) -> float:
    """POSIX seconds of an ISO 8601 time with its offset."""
    moment = datetime.fromisoformat(text)
    assert moment.tzinfo is not None
    return moment.timestamp()


START = utc("2027-03-01T00:00:00+00:00")


def batch(
    code: str = "TOM1",
    crop: str = "tomato",
    stage: Stage = Stage.GERMINATION,
    *,
    place: str = "shelf",
    sown_at: float = START,
    covered: bool = False,
    trays: float = 1.0,
    cells: int | None = None,
) -> Batch:
    """A batch in a stage since it was sown."""
    return Batch(
        code=code,
        crop=crop,
        place=place,
        stage=stage,
        since=sown_at,
        sown_at=sown_at,
        trays=trays,
        cells=cells,
        covered=covered,
    )


def holding(*batches: Batch) -> Memory:
    """A memory with these batches and nothing else."""
    return Memory(batches={one.code: one for one in batches})


def good(value: float, at: float) -> Reading:
    """A reading that may steer."""
    return Reading(value, Quality.OK, at)


@dataclass
class Runner:
    """Ticks a site by the minute, with readings from a function of time, and keeps what was told."""

    site: Site
    memory: Memory
    mono: float = 1000.0
    utc: float = START
    trusted: bool = True
    soil: Callable[[float], float | None] | float | None = 20.0
    extra: dict[str, Reading | None] = field(default_factory=dict)
    relays: dict[str, RelayState] = field(default_factory=dict)
    troubles: dict[str, str] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    last: Decision | None = None

    def readings(self) -> Mapping[str, Reading]:
        """What the probes say now."""
        value = self.soil(self.utc) if callable(self.soil) else self.soil
        found: dict[str, Reading] = {}
        for spec in self.site.benches.values():
            for probe in spec.soil_probes:
                if value is not None:
                    found[probe] = good(value, self.mono)
        for name, reading in self.extra.items():
            if reading is None:
                found.pop(name, None)
            else:
                found[name] = replace(reading, at=self.mono)
        return found

    def now(self) -> Now:
        return Now(self.mono, self.utc, self.trusted)

    def tick(self, seconds: float | None = None) -> Decision:
        """Let `seconds` pass (a tick of the site), then decide."""
        step = self.site.tick if seconds is None else seconds
        self.mono += step
        self.utc += step
        inputs = Inputs(self.readings(), dict(self.relays), dict(self.troubles))
        self.last = decide(self.memory, self.site, inputs, self.now())
        self.memory = self.last.memory
        self.events += self.last.events
        return self.last

    def until(self, at: float) -> None:
        """Tick until the wall clock reaches `at`."""
        while self.utc + 1e-6 < at:
            self.tick(min(self.site.tick, at - self.utc))

    def pass_by(self, seconds: float) -> None:
        """Tick for so long."""
        self.until(self.utc + seconds)

    def told(self, kind: str) -> list[str]:
        """The texts of the events of a kind."""
        return [event.text for event in self.events if event.kind == kind]


@dataclass
class Tray:
    """A tray on a mat under a lamp, as two first-order lags: the heater's, and the soil's.

    lift: °C over the room that the mat gives in the end; lamp_lift the lamp. tau: time constant of
    the soil [h]; warm_up that of the mat and what lies between it and the probe.
    """

    soil: float
    lift: float = 9.0
    lamp_lift: float = 3.0
    tau: float = 2.1
    warm_up: float = 0.25
    heat: float = 0.0

    def step(self, seconds: float, room: float, mat: bool, lamp: bool) -> None:
        wanted = self.lift * mat + self.lamp_lift * lamp
        self.heat += (wanted - self.heat) * -math.expm1(-seconds / HOUR / self.warm_up)
        self.soil += (room + self.heat - self.soil) * -math.expm1(-seconds / HOUR / self.tau)
