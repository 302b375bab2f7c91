"""What one scenario is made of, drawn from a seed: a site, its room, its sowings and its troubles.

Troubles are drawn week by week, each week from a generator of its own, so that a scenario cut short
has the same beginning, and a trouble keeps its number. The places are invented.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from daemon.config import Config, parse
from daemon.control import instant
from daemon.rehearsal import Sowing
from daemon.state import DAY, HOUR
from profiles.library import Library
from sim.faults import Fault, FaultKind

MINUTE = 60.0
WEEK = 7 * DAY
#: Zones and a first day each by which a fortnight crosses a change of the clocks, a leap day or a year.
#: Lord Howe changes by half an hour, Kathmandu is off the full hour.
CROSSINGS = (
    ("Europe/Berlin", date(2027, 3, 22)),
    ("Europe/Berlin", date(2027, 10, 25)),
    ("America/New_York", date(2027, 3, 8)),
    ("America/New_York", date(2027, 11, 1)),
    ("Australia/Lord_Howe", date(2027, 3, 29)),
    ("Australia/Lord_Howe", date(2027, 9, 27)),
    ("America/Santiago", date(2027, 3, 29)),
    ("Africa/Cairo", date(2027, 4, 24)),
    ("Europe/London", date(2028, 2, 24)),
    ("Asia/Kathmandu", date(2028, 2, 26)),
    ("Pacific/Auckland", date(2027, 12, 26)),
)

#: Kinds of trouble beside the simulator's faults; what is the program's, the wire's or a person's.
KILL = "kill"  # the process is killed, and started again after `duration`
STALL = "stall"  # the process hangs, or starves for memory, and goes on where it was
LATE = "late"  # ticks come late: a flood, or a board short of memory
JOURNAL = "journal-unwritable"  # the disk is full or read-only
CLOCK = "clock-step"  # the wall clock is `value` seconds off
NO_TIME = "no-time"  # a power cut, and no time at boot until `value` seconds after it
PLUG_AWAY = "plug-away"  # one plug is out of the network's reach
GARBAGE = "garbage"  # rubbish on every topic
LOST = "requests-lost"  # what a person asks for never arrives
KEEP_ON = "keep-on"  # a person keeps a relay on for `value` seconds
KEEP_OFF = "keep-off"  # a person keeps a relay off for `duration`


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that goes wrong, or that a person does against the schedule.

    number: its place in the whole scenario. kind: a FaultKind's value or one of this module's.
    at, duration: seconds from the start; infinite to the end. value, other: see the kinds.
    """

    number: int
    kind: str
    target: str
    at: float
    duration: float
    value: float = 0.0
    other: str = ""

    @property
    def end(self) -> float:
        """When it is over [s]."""
        return self.at + self.duration

    @property
    def bench(self) -> str:
        """The bench it is at; "" for the whole site, "room" for the room's probes."""
        return self.target.partition("/")[0]

    def __str__(self) -> str:
        what = f"{self.kind} {self.target}".strip()
        if self.value:
            what += f" ({self.value:g})"
        if self.other:
            what += f" ({self.other})"
        return f"{self.number}: day {self.at / DAY:.3f} for {self.duration / HOUR:.2f} h: {what}"


@dataclass(frozen=True, slots=True)
class Scenario:
    """A season of trouble. room: mean, daily swing and drift [°C] of the room's temperature."""

    seed: int
    days: float
    config: Config
    start: float
    room: tuple[float, float, float]
    plan: tuple[Sowing, ...]
    troubles: tuple[Trouble, ...]

    def faults(self) -> tuple[Fault, ...]:
        """Those of its troubles that the simulated benches know."""
        known = {kind.value for kind in FaultKind}
        found = []
        for one in self.troubles:
            if one.kind == NO_TIME:
                found.append(Fault(kind=FaultKind.POWER_CUT, at=one.at, duration=one.duration))
            if one.kind not in known:
                continue
            kind = FaultKind(one.kind)
            extra: dict[str, Any] = {}
            if kind is FaultKind.COLD_WATERING:
                extra = {"litres": one.value, "celsius": 6.0}
            elif kind is FaultKind.PROBE_DRIFT:
                extra = {"drift_c_per_day": one.value}
            elif kind is FaultKind.MAT_STRONG:
                extra = {"factor": one.value}
            elif kind is FaultKind.PROBE_SWAPPED:
                extra = {"other": one.other}
            lasts = None if kind is FaultKind.COLD_WATERING else one.duration
            found.append(
                Fault.model_validate(
                    {"kind": kind, "target": one.target, "at": one.at, "duration": lasts, **extra}
                )
            )
        return tuple(found)


def draw(seed: int, days: float, library: Library, only: frozenset[int] | None = None) -> Scenario:
    """The scenario of a seed, its first `days` of it; `only` keeps the troubles of these numbers."""
    rng = random.Random(f"site {seed}")
    if rng.random() < 0.4:
        zone, first = rng.choice(CROSSINGS)
    else:
        zone = rng.choice(CROSSINGS)[0]
        first = date(2027, 1, 1) + timedelta(days=rng.randrange(365))
    mean = round(rng.uniform(10, 23), 1)
    swing, drift = round(rng.uniform(0.5, 7), 1), round(rng.uniform(0, 1.5), 1)
    table = _table(rng, zone, swing + 2 * drift)
    _fit(random.Random(f"fittings {seed}"), table["bench"])
    config = parse(table, Path(f"scenario {seed}"))
    start = instant(first, timedelta(), config.site.tz)
    troubles: list[Trouble] = []
    for week in range(math.ceil(days * DAY / WEEK)):
        draws = random.Random(f"week {seed} {week}")
        troubles += _troubles(draws, config, week * WEEK, len(troubles))
    kept = [one for one in troubles if one.at < days * DAY and (only is None or one.number in only)]
    return Scenario(
        seed, days, config, start, (mean, swing, drift), _plan(rng, config, library), tuple(kept)
    )


# --- the site ------------------------------------------------------------------------------------


def _table(rng: random.Random, zone: str, room_moves: float) -> dict[str, Any]:
    benches = {
        name: _bench(rng, name) for name in ("low", "middle", "high")[: rng.choice((1, 1, 2, 2, 3))]
    }
    lamps = sum(one["lamp"]["watts"] for one in benches.values() if "lamp" in one)
    mats = [one["mat"]["watts"] for one in benches.values() if "mat" in one]
    share = rng.choice((0.6, 1.0, 1.0, 1.2))
    room = [_probe(rng, "room", "wall", "air", "simulated")] if rng.random() < 0.5 else []
    return {
        "schema": 1,
        "site": {
            "name": "foxglove-row",
            "zone": zone,
            "power_budget": lamps + max([share * sum(mats), *mats, 1.0]),
            "room_swing": min(20.0, max(2.0, math.ceil(room_moves + 1))),
        },
        "mqtt": {"port": 18830},
        "room": room,
        "bench": benches,
    }


def _bench(rng: random.Random, name: str) -> dict[str, Any]:
    trays = rng.choice((1.0, 2.0, 3.0, 4.0))
    has_mat = rng.random() < 0.85
    has_lamp = not has_mat or rng.random() < 0.8
    style = rng.choice(("board", "board", "timed plug", "silent plug", "plain plug"))
    wire = "mqtt" if rng.random() < 0.25 else "simulated"
    probes = ["front", "back"] if rng.random() < 0.5 else ["front"]
    table: dict[str, Any] = {
        "trays": trays,
        "lights_on": f"{rng.randrange(24):02d}:{rng.choice((0, 15, 30, 47)):02d}",
        "hysteresis": rng.choice((0.125, 0.25, 0.5)),
        "probes": [_probe(rng, name, one, "soil", wire) for one in probes]
        + ([_probe(rng, name, "air", "air", wire)] if rng.random() < 0.5 else []),
    }
    if has_mat:
        table["mat"] = _relay(name, "mat", round(trays * rng.uniform(15, 22)), style)
    if has_lamp:
        table["lamp"] = _relay(name, "lamp", round(trays * rng.uniform(14, 30)), style)
    return table


def _probe(rng: random.Random, place: str, name: str, measures: str, wire: str) -> dict[str, Any]:
    device: dict[str, Any] = {"driver": wire}
    if wire == "mqtt":
        device["topic"] = f"sensors/{place}/{name}"
    return {"name": name, "measures": measures, "device": device}


def _relay(bench: str, kind: str, watts: float, style: str) -> dict[str, Any]:
    device: dict[str, Any] = {"driver": "simulated"}
    if style != "board":
        device = {"driver": "mqtt", "topic": f"plugs/{bench}/{kind}/set"}
        if style != "plain plug":
            device["payload_on"] = "ON {lease}"
        if style != "silent plug":
            device["state_topic"] = f"plugs/{bench}/{kind}/state"
    return {"watts": float(watts), "device": device}


def _fit(rng: random.Random, benches: dict[str, Any]) -> None:
    """Give some relays longer least times, and some lamps what shows that they are lit."""
    for bench in benches.values():
        for kind in ("lamp", "mat"):
            if kind in bench:
                bench[kind]["min_on"], bench[kind]["min_off"] = rng.choices((60, 180, 600), k=2)
        if "lamp" in bench and rng.random() < 0.4:
            measures = rng.choice(("power", "light"))
            bench["lamp"]["proof"] = {"measures": measures, "device": {"driver": "simulated"}}
            if measures == "light":
                bench["lamp"]["proof"]["least"] = 2000.0


def _plan(rng: random.Random, config: Config, library: Library) -> tuple[Sowing, ...]:
    crops = sorted(library.crops)
    plan = []
    for bench in config.bench.values():
        for _ in range(rng.choice((1, 1, 2))):
            trays = min(bench.trays, rng.choice((0.5, 1.0, 1.5)))
            plan.append(Sowing(rng.choice(crops), rng.choice((0, 0, 0, 1, 4)), trays, "", trays))
    return tuple(sorted(plan, key=lambda one: one.day))


# --- the troubles --------------------------------------------------------------------------------

Draw = Callable[[random.Random], float]


def _between(low: float, high: float) -> Draw:
    """A duration [s] whose logarithm is even between the two."""
    return lambda rng: round(math.exp(rng.uniform(math.log(low), math.log(high))))


_DEVICE = _between(10 * MINUTE, 30 * HOUR)
_SHORT = _between(2 * MINUTE, 8 * HOUR)
#: How often each kind comes, and how long it lasts [s].
KINDS: Mapping[str, tuple[float, Draw]] = {
    FaultKind.PROBE_LOST: (1.5, _DEVICE),
    FaultKind.PROBE_FROZEN: (1.0, _between(1 * HOUR, 40 * HOUR)),
    FaultKind.PROBE_SLOW: (0.7, _DEVICE),
    FaultKind.PROBE_POWER_ON: (0.7, _DEVICE),
    FaultKind.PROBE_CRC: (0.7, _DEVICE),
    FaultKind.PROBE_DRIFT: (0.8, _between(12 * HOUR, 4 * DAY)),
    FaultKind.PROBE_SWAPPED: (0.6, _between(1 * HOUR, 30 * HOUR)),
    FaultKind.PROBE_OUT_OF_SOIL: (1.5, _between(1 * HOUR, 30 * HOUR)),
    FaultKind.PROBE_IN_WATER: (0.8, _between(1 * HOUR, 30 * HOUR)),
    FaultKind.RELAY_STUCK_ON: (1.3, _DEVICE),
    FaultKind.RELAY_STUCK_OFF: (1.0, _DEVICE),
    FaultKind.RELAY_CHATTER: (0.8, _DEVICE),
    FaultKind.MAT_DEAD: (1.0, _between(1 * HOUR, 40 * HOUR)),
    FaultKind.MAT_STRONG: (0.8, _between(6 * HOUR, 4 * DAY)),
    FaultKind.LAMP_DEAD: (0.6, _between(1 * HOUR, 40 * HOUR)),
    FaultKind.COLD_WATERING: (0.8, lambda rng: 6 * HOUR),  # for so long the soil is colder for it
    FaultKind.POWER_CUT: (1.5, _between(1 * MINUTE, 20 * HOUR)),
    FaultKind.BROKER_GONE: (1.0, _DEVICE),
    KILL: (2.5, _between(5, 110)),
    STALL: (1.0, _between(2 * MINUTE, 40 * MINUTE)),
    LATE: (0.8, _SHORT),
    JOURNAL: (1.0, _between(10 * MINUTE, 20 * HOUR)),
    CLOCK: (1.5, _between(5 * MINUTE, 20 * HOUR)),
    NO_TIME: (1.0, _between(1 * MINUTE, 12 * HOUR)),
    PLUG_AWAY: (0.8, _DEVICE),
    GARBAGE: (0.8, _SHORT),
    LOST: (0.6, _between(1 * HOUR, 30 * HOUR)),
    KEEP_ON: (0.8, lambda rng: 0.0),
    KEEP_OFF: (0.8, _between(1 * HOUR, 20 * HOUR)),
}


def _troubles(rng: random.Random, config: Config, since: float, first: int) -> list[Trouble]:
    """Those of one week, in the order they begin; often several within the hour."""
    found: list[Trouble] = []
    names = list(KINDS)
    weights = [KINDS[name][0] for name in names]
    at = since
    for _ in range(rng.choice((1, 2, 3, 4, 5, 7))):
        if not found or rng.random() < 0.6:
            at = since + rng.uniform(0, WEEK)
        else:
            at = min(since + WEEK - 1, at + rng.uniform(0, 2 * HOUR))
        kind = rng.choices(names, weights)[0]
        made = _trouble(rng, config, kind, round(at))
        if made is not None:
            found.append(made)
    found.sort(key=lambda one: one.at)
    return [
        Trouble(first + n, one.kind, one.target, one.at, one.duration, one.value, one.other)
        for n, one in enumerate(found)
    ]


def _trouble(rng: random.Random, config: Config, kind: str, at: float) -> Trouble | None:
    """One of a kind, None where this site has nothing that it could befall."""
    duration = KINDS[kind][1](rng)
    probes = [f"{name}/{p.name}" for name, b in config.bench.items() for p in b.probes]
    soil = [
        f"{name}/{p.name}"
        for name, b in config.bench.items()
        for p in b.probes
        if p.measures == "soil"
    ]
    relays = [
        f"{name}/{key}" for name, b in config.bench.items() for key in ("lamp", "mat")
        if getattr(b, key) is not None
    ]  # fmt: skip
    plugs = [
        one for one in relays
        if getattr(config.bench[one.split("/")[0]], one.split("/")[1]).device.driver == "mqtt"
    ]  # fmt: skip
    value, other = 0.0, ""
    where: list[str] = [""]
    if kind.startswith("probe-"):
        where = soil if rng.random() < 0.8 else probes
        if kind in (FaultKind.PROBE_OUT_OF_SOIL, FaultKind.PROBE_IN_WATER):
            where = soil
        elif rng.random() < 0.1 and config.room and kind != FaultKind.PROBE_SWAPPED:
            where = ["room/wall"]
        if kind == FaultKind.PROBE_DRIFT:
            value = round(rng.choice((-1, 1)) * rng.uniform(0.3, 4), 2)
        elif kind == FaultKind.PROBE_SWAPPED:
            where = soil
            if len(soil) < 2:
                return None
            other = rng.choice(soil)
    elif kind.startswith("relay-"):
        where = relays
    elif kind in (FaultKind.MAT_DEAD, FaultKind.MAT_STRONG):
        where = [name for name, b in config.bench.items() if b.mat is not None]
        value = round(rng.uniform(1.3, 2.5), 2) if kind == FaultKind.MAT_STRONG else 0.0
    elif kind == FaultKind.LAMP_DEAD:
        where = [name for name, b in config.bench.items() if b.lamp is not None]
    elif kind == FaultKind.COLD_WATERING:
        where = list(config.bench)
        value = round(rng.uniform(0.2, 1.0) * 2, 2)
    elif kind == PLUG_AWAY:
        where = plugs
    elif kind in (KEEP_ON, KEEP_OFF):
        where = relays
        if kind == KEEP_ON:
            value = duration = round(rng.choice((600, 1800, HOUR, 3 * HOUR, 12 * HOUR)))
    elif kind == CLOCK:
        value = rng.choice((-1, 1)) * round(
            rng.choice((20 * MINUTE, HOUR, 3 * HOUR, 7 * HOUR, 11 * HOUR, 26 * HOUR))
        )
    elif kind == NO_TIME:
        value = round(rng.choice((MINUTE, 20 * MINUTE, 4 * HOUR, 15 * HOUR)))
    if not where:
        return None
    target = rng.choice(where)
    if kind == FaultKind.PROBE_SWAPPED and other == target:
        return None
    return Trouble(0, kind, target, at, duration, value, other)
