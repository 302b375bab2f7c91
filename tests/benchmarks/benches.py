"""Benches drawn over realistic ranges, their duties, and the loop that runs one under a controller."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC
from functools import cache
from importlib.resources import files

import numpy as np

from daemon.control import MatView
from profiles.emergence import EmergenceModel
from sim.devices import NOISE_DRAWS, ProbeSpec, SimProbe
from sim.seedlings import Lot, draw_requirements
from sim.thermal import SEED_DEPTH_MM, Array, ThermalNetwork, TrayFigures, soil_mix, soil_site
from sim.weather import RoomTemperature

TICK = 60.0
HOUR = 3600.0
DAY = 86400.0
PER_DAY = round(DAY / TICK)
START = 1.8e9 - 1.8e9 % DAY + 6 * HOUR  # a lights-on
#: The band [°C] either side of an aim that reaching is timed to: the default of the configuration.
BAND = 0.25
#: Tomato's row of the published table (Harrington and Minges 1954), days to emergence by °C.
TOMATO = EmergenceModel(((10, 43), (15, 14), (20, 8), (25, 6), (30, 6), (35, 9)), (0, 5, 40))


@dataclass(frozen=True)
class Change:
    """The aim [°C] from a time on [s from the start]; told: known ahead."""

    at: float
    aim: float
    told: bool


@dataclass(frozen=True)
class Duty:
    """Aims over time; the lamp is lit in the first hours of a day."""

    changes: tuple[Change, ...]
    lamp_hours: float
    days: float

    def aim(self, at: float) -> float:
        return [change.aim for change in self.changes if change.at <= at][-1]

    def ahead(self, at: float) -> tuple[tuple[float, float], ...]:
        """The next two told changes of the day to come, as `MatView.ahead`."""
        coming = [(c.at - at, c.aim) for c in self.changes if at < c.at <= at + DAY and c.told]
        return tuple(coming[:2])

    def lit(self, at: float) -> bool:
        return at % DAY < self.lamp_hours * HOUR

    def lamp_ahead(self, at: float) -> tuple[float, bool] | None:
        if not self.lamp_hours:
            return None
        into, hours = at % DAY, self.lamp_hours * HOUR
        return (hours - into, False) if into < hours else (DAY - into, True)


@dataclass(frozen=True)
class Bench:
    """One draw: of a whole bench, not of a tray."""

    name: str
    figures: TrayFigures
    trays: int
    mat_watts: float
    lamp_watts: float
    covered: bool
    moisture: float
    room: RoomTemperature
    room_says: str
    probe: ProbeSpec
    sees_room: bool
    duty: Duty
    seed: int

    def network(self) -> ThermalNetwork:
        """In balance with its room, all off."""
        return ThermalNetwork(
            self.figures,
            trays=self.trays,
            mat_watts=self.mat_watts,
            lamp_watts=self.lamp_watts,
            probes=[(soil_site(self.probe.depth_mm, self.figures), self.probe.lag)],
            room_c=self.room.at(START),
            covered=self.covered,
            moisture=self.moisture,
        )

    def coldest(self) -> float:
        """The room's lowest [°C] in the days of the duty."""
        return min(self.room.at(START + h * HOUR) for h in range(int(self.duty.days * 24)))

    def needs(self) -> float:
        """The highest true temperature [°C] that is asked for."""
        return max(change.aim for change in self.duty.changes) - self.probe.offset_c

    def watts_it_takes(self) -> float:
        """Of the mat, to hold the highest aim in the coldest hour, the lamp off."""
        ends = []
        for on in (False, True):
            net = self.network()
            net.settle(self.coldest(), mat_on=on)
            ends.append(seed_depth(net))
        return self.mat_watts * (self.needs() - ends[0]) / (ends[1] - ends[0])

    def reachable(self) -> bool:
        """Whether the mat can hold every aim, with a little to spare."""
        return self.watts_it_takes() <= 0.95 * self.mat_watts

    def has_work(self) -> bool:
        """Whether the room is colder than what is wanted by night."""
        lowest = min(change.aim for change in self.duty.changes) - self.probe.offset_c
        hours = range(int(self.duty.days * 24))
        return sum(self.room.at(START + h * HOUR) for h in hours) / len(hours) < lowest - 3


def seed_depth(net: ThermalNetwork) -> float:
    """The truth that all is judged by [°C]."""
    node, share = soil_mix(SEED_DEPTH_MM, net.figures)
    return net.temps[node] + share * (net.temps[node + 1] - net.temps[node])


@cache
def outdoors() -> tuple[float, ...]:
    """A year of hourly air temperatures [°C], from January: NREL's typical meteorological year of
    Greensboro (TMY3, station 723170), which pvlib brings along for its own tests."""
    from pvlib.iotools import read_tmy3

    data, _ = read_tmy3(files("pvlib") / "data" / "723170TYA.CSV", map_variables=True)
    return tuple(float(value) for value in data["temp_air"])


def unheated(first_hour: int, lag_h: float, gain_c: float, days: int) -> RoomTemperature:
    """An unheated room: the weather through its walls' lag, a little warmer than outdoors (both common
    practice, no source)."""
    air = outdoors()
    inside = sum(air[first_hour - 72 : first_hour]) / 72
    knots = []
    for hour in range(first_hour - 72, first_hour + days * 24 + 48):
        inside += (air[hour] - inside) / lag_h
        knots.append(inside + gain_c)
    knots = knots[72:]

    def segment(utc: float) -> tuple[float, float, float, float]:
        k = min(max(0, math.floor((utc - START) / HOUR)), len(knots) - 2)
        return START + k * HOUR, knots[k], START + (k + 1) * HOUR, knots[k + 1]

    return RoomTemperature(segment)


def duty(day: float, night: float, rise: float, lamp_hours: float, days: int) -> Duty:
    """Day and night by told changes; on the fourth and sixth day a rise that nobody told."""
    changes = [Change(0.0, day, False)]
    for number in range(days):
        begins = number * DAY
        if number:
            changes.append(Change(begins, day, True))
        if number in (3, 5):
            changes.append(Change(begins + 5 * HOUR, day + rise, False))
        changes.append(Change(begins + (lamp_hours or 14) * HOUR, night, True))
    return Duty(tuple(changes), lamp_hours, days)


def draw(number: int, days: int = 8, *, odd: bool = False) -> Bench:
    """A bench; the same number gives the same bench.

    odd: trays from shallow to deep, which lie on the mat well or badly, so that lags vary.
    """
    rng = random.Random(number)
    figures = TrayFigures()
    if odd:
        depth = rng.uniform(35, 65)
        figures = TrayFigures(
            layers_mm=(depth - 20, 14.0, 6.0),
            medium_dry_j_k=100.0 * depth,
            water_litres=0.034 * depth,
            contact_w_k=rng.uniform(2.2, 5.0),
        )
    trays = rng.randint(1, 4)
    kind = rng.choice(("still", "swinging", "weather"))
    mean = rng.uniform(8, 20)
    if kind == "still":
        room, says = RoomTemperature.constant(mean), f"{mean:.0f} °C"
    elif kind == "swinging":
        swing = rng.uniform(3, 8)
        room = RoomTemperature.daily(mean, swing, seed=number, zone=UTC)
        says = f"{mean:.0f} ± {swing / 2:.0f} °C"
    else:
        first = rng.randint(45, 110)  # from the middle of February to the middle of April
        room, says = unheated(first * 24, rng.uniform(6, 24), rng.uniform(2, 5), days), "weather"
    lamp_hours = 0.0 if rng.random() < 0.4 else float(rng.randint(12, 16))
    day = rng.uniform(17, 25)
    return Bench(
        name=f"{'odd ' if odd else ''}{number}",
        figures=figures,
        trays=trays,
        mat_watts=rng.uniform(10, 25) * trays,
        lamp_watts=rng.uniform(15, 30) * trays if lamp_hours else 0.0,
        covered=rng.random() < 0.5,
        moisture=rng.choice([0.3, 1.0]),
        room=room,
        room_says=says,
        probe=ProbeSpec("soil", offset_c=rng.uniform(-0.5, 0.5), lag_s=rng.uniform(20, 120)),
        sees_room=rng.random() < 0.3,
        duty=duty(day, day - rng.uniform(2, 5), rng.uniform(1.5, 2.5), lamp_hours, days),
        seed=number,
    )


def draw_reachable(
    first: int, count: int, *, days: int = 8, odd: bool = False
) -> tuple[list[Bench], list[Bench]]:
    """Benches from a number on until `count` are reachable: those, and the others met on the way."""
    reached: list[Bench] = []
    others: list[Bench] = []
    number = first
    while len(reached) < count:
        bench = draw(number, days, odd=odd)
        if bench.has_work():
            (reached if bench.reachable() else others).append(bench)
        number += 1
    return reached, others


# Running one


@dataclass
class Truth:
    """What only a controller that is told the physics may use: the network, the time [s from the
    start], and the probe's offset."""

    net: ThermalNetwork
    at: float
    offset: float


#: A controller, made for one bench and stepped once a tick.
Step = Callable[[MatView, Truth], bool]
Maker = Callable[[Bench], Step]
#: What happens to a bench besides: called each tick with the time [s] before the step.
Meddle = Callable[[float, ThermalNetwork], None]


@dataclass
class Run:
    """The record of one controller on one bench, a value a tick.

    error: true seed depth less the aim, the offset taken out. kwh: so far. full_power: by the tick of
    a change that nobody tells, minutes in which full power would reach the band.
    half_up_days: until half of the tomatoes sown at the start are up.
    """

    error: Array
    aim: Array
    on: np.ndarray
    kwh: Array
    full_power: dict[int, float] = field(default_factory=dict)
    half_up_days: float | None = None


class _Powered:
    powered = True
    at = 0.0

    def now(self) -> float:
        return self.at


def simulate(
    bench: Bench,
    make: Maker,
    *,
    meddle: Meddle | None = None,
    dries: bool = False,
    dark: tuple[float, float] | None = None,
) -> Run:
    """Run a bench under a controller.

    dries: the water that evaporates is not topped up from below. dark: from and to [s] between which
    the daemon is not there and all is off.
    """
    net, step = bench.network(), make(bench)
    noise = np.random.default_rng([bench.seed, 7]).normal(0, bench.probe.noise_c, NOISE_DRAWS)
    host = _Powered()
    probe = SimProbe(bench.probe, host, lambda: net.probe(0), noise.tolist())
    ticks = round(bench.duty.days * PER_DAY)
    run = Run(np.zeros(ticks), np.zeros(ticks), np.zeros(ticks, bool), np.zeros(ticks))
    seeds = Lot(TOMATO, draw_requirements(72, 0.9, "bench", bench.seed))
    offset, on, wh, was_lit = bench.probe.offset_c, False, 0.0, False
    starts = {round(c.at / TICK) for c in bench.duty.changes if not c.told}
    aim_now = {round(c.at / TICK): c.aim for c in bench.duty.changes}
    aim = math.nan
    has_lamp = bench.lamp_watts > 0
    for k in range(ticks):
        host.at = at = k * TICK
        reading = probe.latest().value
        assert reading is not None
        aim = aim_now.get(k, aim)
        room = bench.room.at(START + at)
        lit = has_lamp and bench.duty.lit(at)
        if k in starts:
            run.full_power[k] = _full_power(bench, net, at, aim - offset - BAND)
        if dark is not None and dark[0] <= at < dark[1]:
            on = lit = False
        else:
            lamp_ahead = bench.duty.lamp_ahead(at) if has_lamp else None
            if lit != was_lit:
                lamp_ahead = (0.0, lit)
            view = MatView(
                now=at,
                soil=reading,
                aim=aim,
                half_band=BAND,
                on=on,
                lamp=was_lit,
                room=room if bench.sees_room else None,
                ahead=bench.duty.ahead(at),
                lamp_ahead=lamp_ahead,
            )
            on = step(view, Truth(net, at, offset))
        truth = seed_depth(net)
        run.error[k], run.aim[k], run.on[k], run.kwh[k] = truth - aim + offset, aim, on, wh / 1000
        if meddle is not None:
            meddle(at, net)
        net.step(round(TICK * 1e6), room, bench.room.at(START + at + TICK), float(on), float(lit))
        if not dries:
            net.moisture = bench.moisture
        was_lit = lit
        wh += on * bench.mat_watts * TICK / HOUR
        if seeds.waiting:
            seeds.germinate(TICK, truth, seed_depth(net), at + TICK)
    up = sorted(seeds.emerged)
    if len(up) >= 30:
        run.half_up_days = up[len(up) // 2] / DAY
    return run


def _full_power(bench: Bench, net: ThermalNetwork, at: float, mark: float) -> float:
    """Minutes of full power until seed depth passes a mark [°C]; inf beyond a day."""
    was, before, minutes = list(net.temps), seed_depth(net), math.inf
    for k in range(PER_DAY):
        if before >= mark:
            minutes = 0.0
            break
        now = at + k * TICK
        lit = bench.lamp_watts > 0 and bench.duty.lit(now)
        rooms = bench.room.at(START + now), bench.room.at(START + now + TICK)
        net.step(round(TICK * 1e6), *rooms, 1.0, float(lit))
        net.moisture = bench.moisture
        after = seed_depth(net)
        if after >= mark:
            minutes = k + (mark - before) / (after - before)
            break
        before = after
    net.put(was[:5], was[6:], bench.moisture)
    return minutes
