"""The world the benches stand in: their heat, their seedlings, what breaks, and time going by.

`advance` moves everything on, exactly, split where a lease runs out, a fault begins or ends, or the
room's temperature turns. With a clock the world follows by itself: its probes and relays bring it up
to the clock's present whenever they are asked. What a grower would do by hand (sow, cover, water,
move) is a method each. It is for one thread. Nothing depends on the order of sets or on hashing:
the same calls with the same seed give the same numbers, bit for bit.
"""

from __future__ import annotations

import math
import zlib
from array import array
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from functools import partial
from typing import Any, TypeVar

import numpy as np
from pydantic import ValidationError

from drivers.protocols import Clock
from drivers.values import value
from profiles.problems import explain
from sim.devices import NEVER_US, NOISE_DRAWS, ProbeSpec, SimMeter, SimProbe, SimRelay, check
from sim.faults import Fault, FaultKind, FaultSchedule
from sim.saved import SavedBatch, SavedBench, SavedWorld
from sim.seedlings import Lot, RateModel, SeedlingCounts, count, draw_requirements
from sim.thermal import (
    AIR,
    HEADSPACE,
    MAT,
    NODES,
    ROOM,
    SEED_DEPTH_MM,
    SURFACE,
    Site,
    ThermalNetwork,
    TrayFigures,
    soil_mix,
    soil_site,
)
from sim.weather import RoomTemperature

#: The longest hop [µs]: moisture and emergence are followed at least this finely.
_LONGEST_HOP_US = 600_000_000
# How long a loose contact stays as it is [µs].
_CHATTER_US = 13_000_000
# The longest time switched off that a restored world lives through.
_LONGEST_AWAY_US = 400 * 86_400_000_000
# Light of a lamp whose own is not given: a white LED's photons, and the part that falls on trays.
# From memory, common practice.
_UMOL_J = 2.0
_ON_TRAYS = 0.6
#: What a clear cover lets through, common practice, no source.
_COVER_LETS_THROUGH = 0.85
# How slowly a can of water, and a probe in it, follows the room [s].
_WATER_LAG_S = 3600.0


@dataclass(frozen=True, slots=True)
class BenchSpec:
    """One simulated bench. Raises ValueError for a figure out of range.

    trays: how many 10 x 20 inch trays stand on it.
    mat_watts, lamp_watts: of the whole bench; None where there is none.
    feedback: its relays report their own state, as a smart plug does; a bare board reports nothing.
    figures: of one tray, to vary single ones for a benchmark.
    ppfd: of the lamp at the canopy, umol m-2 s-1; None works it out from the watts.
    covered, moisture: how it begins.
    """

    name: str
    trays: float = 1.0
    mat_watts: float | None = None
    lamp_watts: float | None = None
    probes: tuple[ProbeSpec, ...] = (ProbeSpec("soil"),)
    feedback: bool = False
    figures: TrayFigures = field(default_factory=TrayFigures)
    ppfd: float | None = None
    covered: bool = False
    moisture: float = 1.0

    def __post_init__(self) -> None:
        place = f"bench {self.name}: "
        check(place + "trays", self.trays, 0.1, 64)
        for key in ("mat_watts", "lamp_watts"):
            watts: float | None = getattr(self, key)
            if watts is not None:
                check(place + key, watts, 0, 20_000)
        if self.ppfd is not None:
            check(place + "ppfd", self.ppfd, 0, 2500)
        check(place + "moisture", self.moisture, 0, 1)
        names = [probe.name for probe in self.probes]
        if len(set(names)) < len(names):
            raise ValueError(f"{place}two probes have one name; allowed: each its own")

    @property
    def canopy_ppfd(self) -> float:
        """Of the lit lamp on open trays, umol m-2 s-1; 0 without a lamp."""
        if self.lamp_watts is None:
            return 0.0
        if self.ppfd is not None:
            return self.ppfd
        return self.lamp_watts * _UMOL_J * _ON_TRAYS / (self.trays * self.figures.area_m2)


@value(frozen=True, slots=True)
class BenchTruth:
    """What is really so on a bench, whatever its probes say: °C, s, Wh, mol m-2.

    seed_depth_c is at 12.7 mm. lamp_lit and mat_heating are what gives light and heat; lamp_s and
    mat_s count those seconds, lamp_wh and mat_wh their energy, light_mol the light on the trays.
    """

    seed_depth_c: float
    surface_c: float
    headspace_c: float
    room_c: float
    mat_c: float
    moisture: float
    covered: bool
    lamp_lit: bool
    mat_heating: bool
    lamp_s: float
    mat_s: float
    lamp_wh: float
    mat_wh: float
    light_mol: float


@dataclass(slots=True, eq=False)
class _Standing:
    """A lot, where it stands, and where in the medium its seeds are (see `soil_mix`)."""

    lot: Lot
    place: str | None
    node: int = 0
    share: float = 0.0


@dataclass(slots=True)
class _Batch:
    depth_mm: float
    sown_utc: float
    lots: list[_Standing]
    closed: bool = False


class _Bench:
    """A bench's heat, devices and what stands on it."""

    def __init__(self, spec: BenchSpec, host: World, seed: int, room_c: float) -> None:
        self.spec = spec
        self.sites = [_site(probe, spec.figures) for probe in spec.probes]
        self.net = ThermalNetwork(
            spec.figures,
            trays=spec.trays,
            mat_watts=spec.mat_watts or 0.0,
            lamp_watts=spec.lamp_watts or 0.0,
            probes=[(site, probe.lag) for site, probe in zip(self.sites, spec.probes, strict=True)],
            room_c=room_c,
            covered=spec.covered,
            moisture=spec.moisture,
        )
        self.probes: dict[str, SimProbe] = {}
        for index, probe in enumerate(spec.probes):
            noise = _draw_noise(seed, f"{spec.name}/{probe.name}", probe.noise_c)
            self.probes[probe.name] = SimProbe(probe, host, _sensor(self.net, index), noise)
        self.relays: dict[str, SimRelay] = {}
        for kind, watts in (("lamp", spec.lamp_watts), ("mat", spec.mat_watts)):
            if watts is not None:
                self.relays[kind] = SimRelay(
                    f"{spec.name}/{kind}", host, self.rewire, feedback=spec.feedback
                )
        self.dead: frozenset[FaultKind] = frozenset()
        self.strength = 1.0
        self.lit = self.heating = 0.0
        self.ppfd = 0.0
        self.lamp_s = self.mat_s = self.light_mol = 0.0
        self.standing: list[_Standing] = []
        self.seed_node, self.seed_share = soil_mix(SEED_DEPTH_MM, spec.figures)

    def rewire(self) -> None:
        """Contacts, cover or faults have changed: work out what gives light and heat."""
        lamp, mat = self.relays.get("lamp"), self.relays.get("mat")
        self.lit = float(lamp is not None and lamp.closed and FaultKind.LAMP_DEAD not in self.dead)
        on = mat is not None and mat.closed and FaultKind.MAT_DEAD not in self.dead
        self.heating = self.strength * on
        through = _COVER_LETS_THROUGH if self.net.covered else 1.0
        self.ppfd = self.lit * self.spec.canopy_ppfd * through

    def step(self, dt_us: int, room_from: float, room_to: float, utc: float) -> None:
        net = self.net
        before = net.temps
        net.step(dt_us, room_from, room_to, self.heating, self.lit)
        seconds = dt_us * 1e-6
        if self.heating:
            self.mat_s += seconds
        if self.lit:
            self.lamp_s += seconds
            self.light_mol += self.ppfd * seconds / 1e6
        if self.standing:
            after = net.temps
            for one in self.standing:
                lot = one.lot
                if lot.waiting:
                    node, share = one.node, one.share
                    lot.germinate(
                        seconds,
                        before[node] + share * (before[node + 1] - before[node]),
                        after[node] + share * (after[node + 1] - after[node]),
                        utc,
                    )
                if lot.emerged:
                    lot.grow(seconds, after[HEADSPACE], self.ppfd)

    def jolt(self) -> None:
        for one in self.standing:
            one.lot.jolt()


class _RoomProbe:
    """A probe away from the benches: a first-order lag behind the room, exact on straight lines."""

    def __init__(self, spec: ProbeSpec, host: World, seed: int, room_c: float) -> None:
        self.celsius = room_c
        noise = _draw_noise(seed, f"room/{spec.name}", spec.noise_c)
        self.probe = SimProbe(spec, host, lambda: self.celsius, noise)
        self._lag = spec.lag

    def step(self, seconds: float, room_from: float, room_to: float) -> None:
        behind = (room_to - room_from) / seconds * self._lag
        fading = (self.celsius - room_from + behind) * math.exp(-seconds / self._lag)
        self.celsius = room_to - behind + fading


class World:
    """Benches, their room, and a time of their own."""

    def __init__(
        self,
        benches: Sequence[BenchSpec],
        *,
        start_utc: float,
        room: RoomTemperature,
        seed: int = 0,
        faults: Sequence[Fault] = (),
        zone: tzinfo = UTC,
        room_probes: Sequence[ProbeSpec] = (),
        clock: Clock | None = None,
        start_mono: float = 0.0,
    ) -> None:
        """All switched off and in balance with the room.

        start_utc, start_mono: the moment it begins, POSIX seconds and monotonic seconds. True time
            goes on from there with the monotonic scale, whatever a wall clock does.
        seed: 0 or more; of the seeds sown and the probes' noise.
        faults: see `sim.faults`; zone: of their local times.
        clock: what `mono` of the devices follows; without it, `advance` alone moves time.

        Raises ValueError for two benches of one name, or a fault that aims at nothing here.
        """
        if seed < 0:
            raise ValueError(f"seed is {seed}; allowed: 0 or more")
        self.powered = True
        self.room = room
        self._seed = seed
        self._clock = clock
        self._mono = start_mono
        self._us = round(start_mono * 1e6)
        self._utc0 = start_utc - start_mono
        self._origin_utc = start_utc
        self._zone = zone
        self._room_c = room.at(start_utc)
        self._benches = {spec.name: _Bench(spec, self, seed, self._room_c) for spec in benches}
        if len(self._benches) < len(benches) or "room" in self._benches:
            raise ValueError('bench names: allowed: each its own, and none "room"')
        self._room_probes = {
            spec.name: _RoomProbe(spec, self, seed, self._room_c) for spec in room_probes
        }
        self._bench_list = list(self._benches.values())
        self._relays = [relay for bench in self._bench_list for relay in bench.relays.values()]
        self._batches: dict[str, _Batch] = {}
        self._elsewhere: list[_Standing] = []
        self._faults = tuple(faults)
        self._loose: list[SimRelay] = []
        self._check_targets()
        self._knot_us = self._us
        self._schedule_faults()
        self._meet_faults(watering=True)

    # Time

    def now(self) -> float:
        """Come up to the clock, where there is one; the monotonic time now [s]."""
        if self._clock is not None:
            self.advance(self._clock.mono())
        return self._mono

    def utc(self) -> float:
        """The true time now, POSIX seconds."""
        return self._utc0 + self._us * 1e-6

    def advance(self, to_mono: float) -> None:
        """Go on to a monotonic time [s]; one that has passed already changes nothing."""
        target = round(to_mono * 1e6)
        while self._us < target:
            longest = _CHATTER_US if self._loose else _LONGEST_HOP_US
            edge = min(target, self._us + longest, self._fault_us)
            if self._knot_us <= self._us:
                self._knot_us = self._next_knot()
            edge = min(edge, self._knot_us)
            for relay in self._relays:
                if relay.expires_us < edge:
                    edge = relay.expires_us
            self._hop(edge)
        if self._us == target:
            self._mono = to_mono

    def _next_knot(self) -> int:
        knot = self.room.next_knot(self.utc())
        if knot == math.inf:
            return NEVER_US
        return max(self._us + 1, math.ceil((knot - self._utc0) * 1e6))

    def _hop(self, to_us: int) -> None:
        dt_us = to_us - self._us
        if dt_us > 0:
            utc, seconds = self.utc(), dt_us * 1e-6
            room_from, room_to = self._room_c, self.room.at(self._utc0 + to_us * 1e-6)
            for bench in self._bench_list:
                bench.step(dt_us, room_from, room_to, utc)
            for probe in self._room_probes.values():
                probe.step(seconds, room_from, room_to)
            for one in self._elsewhere:
                if one.lot.waiting:
                    one.lot.germinate(seconds, room_from, room_to, utc)
            self._us, self._room_c = to_us, room_to
            self._mono = to_us / 1e6
        for relay in self._relays:
            if relay.expires_us <= self._us:
                relay.drop()
        for relay in self._loose:
            relay.shake(self._us // _CHATTER_US)
        if self._fault_us <= self._us:
            self._meet_faults(watering=True)

    # Devices

    def probe(self, bench: str, name: str) -> SimProbe:
        """A probe of a bench. Raises KeyError, naming those that there are."""
        return _find(self._bench(bench).probes, name, f"bench {bench}: probe")

    def relay(self, bench: str, kind: str) -> SimRelay:
        """The relay of a bench's "lamp" or "mat". Raises KeyError, naming those that there are."""
        return _find(self._bench(bench).relays, kind, f"bench {bench}: relay")

    def lamp_meter(self, bench: str, lit: float) -> SimMeter:
        """What shows that the lamp of a bench is lit: it reads `lit` when it is, 0 when it is dark."""
        one = self._bench(bench)
        return SimMeter(self, lambda: one.lit * lit)

    def room_probe(self, name: str) -> SimProbe:
        """A probe of the room. Raises KeyError, naming those that there are."""
        return _find(self._room_probes, name, "room: probe").probe

    def _bench(self, name: str) -> _Bench:
        return _find(self._benches, name, "bench")

    # What a person does

    def sow(
        self,
        bench: str | None,
        batch: str,
        model: RateModel,
        cells: int,
        *,
        depth_mm: float = SEED_DEPTH_MM,
        germination: float = 0.85,
    ) -> None:
        """Sow `cells` cells, one seed each, and stand them on a bench, or off the benches.

        model: the crop's rate of emergence. germination: the share of the seed that comes up.
        Raises ValueError for a batch that is there already, or a figure out of range.
        """
        self.now()
        if bench is not None:
            self._bench(bench)
        if batch in self._batches:
            raise ValueError(f"batch {batch} is sown already; allowed: a new name")
        check(f"batch {batch}: cells", cells, 1, 100_000)
        check(f"batch {batch}: depth_mm", depth_mm, 0, 100)
        check(f"batch {batch}: germination", germination, 0, 1)
        drawn = draw_requirements(cells, germination, batch, self._seed)
        one = _Standing(Lot(model, drawn), None)
        self._batches[batch] = _Batch(depth_mm, self.utc(), [one])
        self._stand(one, bench, depth_mm)

    def move(self, batch: str, bench: str | None, share: float = 1.0) -> None:
        """Move a share of those of a batch's cells that stand elsewhere to a bench.

        bench: None for off the benches: at the room's temperature, in light that is not ours to
        account for. share: over 0, at most 1; at least a cell of each lot moves.
        """
        found = self._standing_batch(batch)
        if not 0 < share <= 1:
            raise ValueError(f"share is {share!r}; allowed: over 0 to 1")
        if bench is not None:
            self._bench(bench)
        for one in list(found.lots):
            if one.place == bench:
                continue
            cells = len(one.lot.requirements)
            moving = max(1, round(cells * share))
            moved = one
            if moving < cells:
                moved = _Standing(one.lot.split(moving), None)
                found.lots.append(moved)
            else:
                self._lift(one)
            self._stand(moved, bench, found.depth_mm)

    def part(self, batch: str, new: str, share: float) -> None:
        """Make a share of a batch's cells a batch of its own, which stays where it stands.

        share: over 0, under 1; at least a cell goes and one remains. Raises ValueError for a share
        out of range, a batch of one cell, a closed one, or a new name that is taken.
        """
        found = self._standing_batch(batch)
        if new in self._batches:
            raise ValueError(f"batch {new} is there already; allowed: a new name")
        left = sum(len(one.lot.requirements) for one in found.lots)
        if not 0 < share < 1 or left < 2:
            raise ValueError(
                f"a share of {share!r} of {left} cells; allowed: over 0, under 1, of 2 or more"
            )
        wanted = min(left - 1, max(1, round(left * share)))
        parted = _Batch(found.depth_mm, found.sown_utc, [])
        for one in list(found.lots):
            cells = len(one.lot.requirements)
            going = round(wanted * cells / left)
            left -= cells
            wanted -= going
            if going == cells:
                found.lots.remove(one)
                parted.lots.append(one)
            elif going:
                gone = _Standing(one.lot.split(going), None)
                parted.lots.append(gone)
                self._stand(gone, one.place, found.depth_mm)
        self._batches[new] = parted

    def close(self, batch: str) -> None:
        """Take a batch away: planted out, handed over or lost. Its counts stay."""
        self.now()
        found = self._batch(batch)
        for one in found.lots:
            if not found.closed:
                self._lift(one)
        found.closed = True

    def cover(self, bench: str, on: bool) -> None:
        """Put the cover on the trays of a bench, or take it off."""
        self.now()
        found = self._bench(bench)
        found.net.covered = on
        found.rewire()

    def water(self, bench: str, litres: float, celsius: float) -> None:
        """Water a bench: litres over all of its trays. Raises ValueError out of range."""
        self.now()
        found = self._bench(bench)
        check(f"bench {bench}: litres", litres, 0, 1000)
        check(f"bench {bench}: water celsius", celsius, 0, 60)
        self._water(found, litres, celsius)

    def _water(self, bench: _Bench, litres: float, celsius: float) -> None:
        bench.net.water(litres, celsius)
        bench.jolt()

    def _stand(self, one: _Standing, place: str | None, depth_mm: float) -> None:
        one.place = place
        one.lot.jolt()
        if place is None:
            one.lot.spell_h = 0.0
            self._elsewhere.append(one)
            return
        bench = self._bench(place)
        one.node, one.share = soil_mix(depth_mm, bench.spec.figures)
        bench.standing.append(one)

    def _lift(self, one: _Standing) -> None:
        here = self._elsewhere if one.place is None else self._benches[one.place].standing
        here.remove(one)

    def _batch(self, name: str) -> _Batch:
        return _find(self._batches, name, "batch")

    def _standing_batch(self, name: str) -> _Batch:
        self.now()
        found = self._batch(name)
        if found.closed:
            raise ValueError(f"batch {name} is closed; allowed: one that still stands")
        return found

    # What is so

    def truth(self, bench: str) -> BenchTruth:
        """What is really so on a bench now."""
        self.now()
        found = self._bench(bench)
        temps, node, share = found.net.temps, found.seed_node, found.seed_share
        return BenchTruth(
            seed_depth_c=temps[node] + share * (temps[node + 1] - temps[node]),
            surface_c=temps[SURFACE],
            headspace_c=temps[HEADSPACE],
            room_c=self._room_c,
            mat_c=temps[MAT],
            moisture=found.net.moisture,
            covered=found.net.covered,
            lamp_lit=bool(found.lit),
            mat_heating=bool(found.heating),
            lamp_s=found.lamp_s,
            mat_s=found.mat_s,
            lamp_wh=found.lamp_s * (found.spec.lamp_watts or 0.0) / 3600,
            mat_wh=found.mat_s * (found.spec.mat_watts or 0.0) / 3600,
            light_mol=found.light_mol,
        )

    def seedlings(self, batch: str) -> SeedlingCounts:
        """The counts of a batch now, closed ones included."""
        self.now()
        return count([one.lot for one in self._batch(batch).lots])

    @property
    def batches(self) -> tuple[str, ...]:
        """All batches sown, in order, closed ones included."""
        return tuple(self._batches)

    # Faults

    def _check_targets(self) -> None:
        places = list(self._benches)
        probes = [f"{name}/{probe}" for name in places for probe in self._benches[name].probes]
        probes += [f"room/{name}" for name in self._room_probes]
        relays = [f"{name}/{kind}" for name in places for kind in self._benches[name].relays]
        soil_or_air = [one for one in probes if not one.startswith("room/")]
        for number, fault in enumerate(self._faults, 1):
            kind = fault.kind
            if kind in (FaultKind.POWER_CUT, FaultKind.BROKER_GONE):
                continue
            if kind in (FaultKind.PROBE_OUT_OF_SOIL, FaultKind.PROBE_IN_WATER):
                known = soil_or_air
            elif kind.startswith("probe-"):
                known = probes
            elif kind.startswith("relay-"):
                known = relays
            elif kind is FaultKind.COLD_WATERING:
                known = places
            else:
                device = "lamp" if kind is FaultKind.LAMP_DEAD else "mat"
                known = [name for name in places if device in self._benches[name].relays]
            aims = {"target": fault.target}
            if kind is FaultKind.PROBE_SWAPPED:
                aims["other"] = fault.other
            for key, aim in aims.items():
                if aim not in known:
                    raise ValueError(
                        f"fault {number} ({kind}): {key} is {aim!r}; allowed: "
                        f"{', '.join(known) or 'none, there is nothing of the kind'}"
                    )

    def _schedule_faults(self) -> None:
        self.faults = FaultSchedule(
            self._faults,
            start_utc=self._origin_utc,
            start_mono=self._origin_utc - self._utc0,
            zone=self._zone,
        )

    def _meet_faults(self, *, watering: bool) -> None:
        """Bring every device into line with the faults that are there now."""
        now = self._us / 1e6
        self._fault_us = _to_us(self.faults.next_edge(now))
        if not self.faults.windows:
            return
        here: dict[str, set[FaultKind]] = {}
        swapped: dict[str, str] = {}
        strong: dict[str, float] = {}
        for window in self.faults.windows:
            fault = window.fault
            if fault.kind is FaultKind.COLD_WATERING:
                if watering and window.start == now:
                    self._water(self._benches[fault.target], fault.litres, fault.celsius)
            elif window.start <= now < window.end:
                here.setdefault(fault.target, set()).add(fault.kind)
                if fault.kind is FaultKind.PROBE_SWAPPED:
                    swapped |= {fault.target: fault.other, fault.other: fault.target}
                elif fault.kind is FaultKind.MAT_STRONG:
                    strong[fault.target] = fault.factor
        self.powered = FaultKind.POWER_CUT not in here.get("", ())
        for bench in self._bench_list:
            name = bench.spec.name
            bench.dead = frozenset(here.get(name, ()))
            bench.strength = strong.get(name, 1.0)
            for index, (probe_name, probe) in enumerate(bench.probes.items()):
                kinds = frozenset(here.get(f"{name}/{probe_name}", ()))
                wet = FaultKind.PROBE_IN_WATER in kinds
                away = wet or FaultKind.PROBE_OUT_OF_SOIL in kinds
                site = ROOM if away else bench.sites[index]
                bench.net.place_probe(index, site, _WATER_LAG_S if wet else probe.spec.lag)
                self._afflict(f"{name}/{probe_name}", probe, kinds, now)
            for kind, relay in bench.relays.items():
                kinds = frozenset(here.get(f"{name}/{kind}", ()))
                if FaultKind.RELAY_STUCK_OFF in kinds:
                    relay.stick(False)
                else:
                    relay.stick(True if FaultKind.RELAY_STUCK_ON in kinds else None)
                relay.loosen(FaultKind.RELAY_CHATTER in kinds)
                if not self.powered:
                    relay.drop()
            bench.rewire()
        self._loose = [relay for relay in self._relays if relay.loose]
        for name, room_probe in self._room_probes.items():
            kinds = frozenset(here.get(f"room/{name}", ()))
            self._afflict(f"room/{name}", room_probe.probe, kinds, now)
        probes = {
            f"{b.spec.name}/{one}": p for b in self._bench_list for one, p in b.probes.items()
        }
        probes |= {f"room/{one}": p.probe for one, p in self._room_probes.items()}
        for target, probe in probes.items():
            probe.wired = probes[swapped.get(target, target)].sensor

    def _afflict(
        self, target: str, probe: SimProbe, kinds: frozenset[FaultKind], now: float
    ) -> None:
        probe.drift_c_s = 0.0
        if FaultKind.PROBE_DRIFT in kinds:
            for window in self.faults.windows:
                fault = window.fault
                aimed = fault.kind is FaultKind.PROBE_DRIFT and fault.target == target
                if aimed and window.start <= now < window.end:
                    probe.drift_c_s = fault.drift_c_per_day / 86400
                    probe.drift_since = window.start
        probe.suffer(kinds, now)

    # A file's worth of it

    def save(self) -> dict[str, Any]:
        """All that goes on without the program, for JSON: soil, moisture, covers, seedlings."""
        self.now()
        benches = {
            name: {
                "nodes": dict(zip(NODES, bench.net.temps, strict=False)),
                "probes": {
                    probe: bench.net.probe(index) for index, probe in enumerate(bench.probes)
                },
                "moisture": bench.net.moisture,
                "covered": bench.net.covered,
                "lamp_s": bench.lamp_s,
                "mat_s": bench.mat_s,
                "light_mol": bench.light_mol,
            }
            for name, bench in self._benches.items()
        }
        batches = {
            name: {
                "depth_mm": batch.depth_mm,
                "sown_utc": batch.sown_utc,
                "closed": batch.closed,
                "lots": [_save_lot(one) for one in batch.lots],
            }
            for name, batch in self._batches.items()
        }
        return {
            "schema": 1,
            "utc": self.utc(),
            "origin_utc": self._origin_utc,
            "room_probes": {name: one.celsius for name, one in self._room_probes.items()},
            "benches": benches,
            "batches": batches,
        }

    def restore(self, saved: Mapping[str, Any], models: Callable[[str], RateModel | None]) -> None:
        """Take over what `save` gave, and live through the time since with everything off.

        models: the rate of emergence of a batch, by its name; a batch for which it gives None is
            left out. A bench that was not saved stays as it is, one that is no longer here is
            forgotten and what stood on it stands off the benches. Where the saved moment is later
            than now (a clock set back), the state is taken as that of now; more than 400 days away
        count as 400.

        Raises ValueError, naming the place and what is allowed, and changes nothing, when `saved`
        is not what `save` gives.
        """
        self.now()
        try:
            state = SavedWorld.model_validate(saved)
        except ValidationError as error:
            raise ValueError("saved world: " + "; ".join(explain(error, SavedWorld))) from None
        found = [(name, batch, models(name)) for name, batch in state.batches.items()]
        present_us, present = self._us, self._mono
        saved_us = round((state.utc - self._utc0) * 1e6)
        self._us = min(present_us, max(saved_us, present_us - _LONGEST_AWAY_US))
        self._mono = self._us / 1e6
        self._room_c = self.room.at(self.utc())
        self._knot_us = self._us
        self._origin_utc = state.origin_utc
        for relay in self._relays:
            relay.drop()
        for name, bench_state in state.benches.items():
            if name in self._benches:
                self._restore_bench(self._benches[name], bench_state)
        for name, celsius in state.room_probes.items():
            if name in self._room_probes:
                self._room_probes[name].celsius = celsius
        self._batches, self._elsewhere = {}, []
        for bench in self._bench_list:
            bench.standing = []
        for name, batch, model in found:
            if model is not None:
                self._batches[name] = self._restore_batch(batch, model)
        self._schedule_faults()
        self._meet_faults(watering=False)
        self.advance(present)

    def _restore_bench(self, bench: _Bench, state: SavedBench) -> None:
        net = bench.net
        net.covered = state.covered
        nodes = [getattr(state.nodes, name) for name in NODES]
        net.put(nodes, [0.0] * len(bench.sites), state.moisture)
        probes = [
            state.probes.get(name, net.at(site, self._room_c))
            for name, site in zip(bench.probes, bench.sites, strict=True)
        ]
        net.put(nodes, probes, state.moisture)
        bench.lamp_s, bench.mat_s = state.lamp_s, state.mat_s
        bench.light_mol = state.light_mol

    def _restore_batch(self, state: SavedBatch, model: RateModel) -> _Batch:
        batch = _Batch(state.depth_mm, state.sown_utc, [], state.closed)
        for one in state.lots:
            needs = [math.inf if need is None else need for need in one.requirements]
            kept = one.model_dump(exclude={"place", "requirements"})
            standing = _Standing(Lot(model, needs, **kept), None)
            batch.lots.append(standing)
            if not batch.closed:
                place = one.place if one.place in self._benches else None
                self._stand(standing, place, batch.depth_mm)
        return batch


def _save_lot(one: _Standing) -> dict[str, Any]:
    lot = one.lot
    return {
        "place": one.place,
        "requirements": [None if need == math.inf else need for need in lot.requirements],
        "progress": lot.progress,
        "emerged": list(lot.emerged),
        "light_h": lot.light_h,
        "light_mol": lot.light_mol,
        "dark_h": lot.dark_h,
        "spell_h": lot.spell_h,
        "longest_dark_h": lot.longest_dark_h,
        "height_mm": lot.height_mm,
    }


def _site(spec: ProbeSpec, figures: TrayFigures) -> Site:
    if spec.place == "soil":
        return soil_site(spec.depth_mm, figures)
    return AIR if spec.place == "air" else ROOM


def _sensor(net: ThermalNetwork, index: int) -> Callable[[], float]:
    return partial(net.probe, index)


def _to_us(seconds: float) -> int:
    return NEVER_US if seconds == math.inf else round(seconds * 1e6)


def _draw_noise(seed: int, name: str, sigma: float) -> Sequence[float]:
    """Draws of a probe's noise [°C], of its name and the seed alone; none without noise."""
    if not sigma:
        return ()
    rng = np.random.default_rng([seed, zlib.crc32(f"probe {name}".encode())])
    # Of thousands of draws one apart is wanted at each tick: as an array they lie close together.
    return array("d", rng.normal(0.0, sigma, NOISE_DRAWS))


_T = TypeVar("_T")


def _find(known: Mapping[str, _T], name: str, what: str) -> _T:
    found = known.get(name)
    if found is None:
        raise KeyError(f"{what} {name!r}: allowed: {', '.join(known) or 'none here'}")
    return found
