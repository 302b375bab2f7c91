"""A site on the simulator: our own example, or any configuration with its devices simulated.

The example is an invented place, Alder Lane, where Marit and Joss raise seedlings on two benches.
"""

from __future__ import annotations

import json
import logging
import math
from collections.abc import Mapping
from pathlib import Path

from pydantic import TypeAdapter

from daemon.config import (
    Bench,
    Config,
    Lamp,
    MqttRelayDevice,
    Probe,
    Relay,
    SimulatedDevice,
    parse,
)
from daemon.simsite import SIM_PORT, SIM_SITE, SIM_ZONE
from daemon.state import Batch, Memory, Site
from drivers.protocols import Clock
from sim.devices import ProbeSpec
from sim.faults import Fault
from sim.weather import RoomTemperature
from sim.world import BenchSpec, World

log = logging.getLogger(__name__)

#: A room that is heated by day: mean [°C] and from the coldest to the warmest of a day [°C].
ROOM_MEAN, ROOM_SWING = 18.0, 4.0
#: A watering [litres a tray] and its temperature [°C], when somebody logs one.
WATER_LITRES, WATER_C = 0.4, 18.0
CELLS_A_TRAY = 72

_batches = TypeAdapter(dict[str, Batch])


def example() -> Config:
    """The example site."""

    def probe(name: str, measures: str) -> dict[str, object]:
        return {"name": name, "measures": measures, "device": {"driver": "simulated"}}

    def relay(watts: float) -> dict[str, object]:
        return {"watts": watts, "device": {"driver": "simulated"}}

    table = {
        "schema": 1,
        "site": {"name": SIM_SITE, "zone": SIM_ZONE, "power_budget": 400.0},
        "mqtt": {"port": SIM_PORT},
        "room": [probe("wall", "air")],
        "bench": {
            "lower": {
                "title": "Lower shelf, for germination",
                "trays": 2,
                "mat": relay(36),
                "lamp": relay(36),
                "probes": [probe("front", "soil"), probe("back", "soil"), probe("air", "air")],
            },
            "upper": {
                "title": "Upper shelf, for growing",
                "trays": 4,
                "mat": relay(72),
                "lamp": relay(120),
                "probes": [probe("front", "soil"), probe("air", "air")],
            },
        },
    }
    return parse(table, Path("the example site"))


def as_simulated(config: Config) -> Config:
    """The same site with every device simulated; its broker stays the one it names.

    What has no simulated kind is left out: moisture probes, and all that is outdoors.
    """

    def probe(one: Probe) -> Probe:
        return one.model_copy(update={"device": SimulatedDevice(driver="simulated"), "offset": 0.0})

    def relay(one: Relay | None) -> Relay | None:
        return one and one.model_copy(update={"device": SimulatedDevice(driver="simulated")})

    def lamp(one: Lamp | None) -> Relay | None:
        if one is not None and one.proof is not None:
            device = SimulatedDevice(driver="simulated")
            one = one.model_copy(update={"proof": one.proof.model_copy(update={"device": device})})
        return relay(one)

    benches = {
        name: bench.model_copy(
            update={
                "lamp": lamp(bench.lamp),
                "mat": relay(bench.mat),
                "probes": [probe(one) for one in bench.probes],
                "moisture": None,
            }
        )
        for name, bench in config.bench.items()
    }
    return config.model_copy(
        update={
            "bench": benches,
            "room": [probe(one) for one in config.room],
            "outdoor": [],
            "night_low": None,
        }
    )


def build_world(
    config: Config,
    *,
    start_utc: float,
    seed: int = 0,
    room: RoomTemperature | None = None,
    faults: tuple[Fault, ...] = (),
    clock: Clock | None = None,
    start_mono: float = 0.0,
) -> World:
    """The simulated benches of a configuration, in a room of its own weather unless one is given."""

    def spec(name: str, bench: Bench) -> BenchSpec:
        return BenchSpec(
            name=name,
            trays=bench.trays,
            mat_watts=bench.mat.watts if bench.mat else None,
            lamp_watts=bench.lamp.watts if bench.lamp else None,
            probes=tuple(ProbeSpec(one.name, one.measures) for one in bench.probes),
            feedback=any(
                one is not None and isinstance(one.device, MqttRelayDevice)
                for one in (bench.lamp, bench.mat)
            ),
        )

    zone = config.site.tz
    return World(
        [spec(name, bench) for name, bench in config.bench.items()],
        start_utc=start_utc,
        room=room or RoomTemperature.daily(ROOM_MEAN, ROOM_SWING, seed=seed, zone=zone),
        seed=seed,
        faults=faults,
        zone=zone,
        room_probes=[ProbeSpec(one.name, "room") for one in config.room],
        clock=clock,
        start_mono=start_mono,
    )


class Mirror:
    """Does in the simulated world what the requests say people did at the benches."""

    def __init__(self, world: World, site: Site) -> None:
        self.world = world
        self.site = site
        self._known: Mapping[str, Batch] = {}
        self._covered: frozenset[str] = frozenset()

    def __call__(self, memory: Memory) -> None:
        """Bring the world into line with the batches as they are now."""
        after, before = memory.batches, self._known
        if after == before:
            return
        self._known = dict(after)
        for code, batch in after.items():
            old = before.get(code)
            bench = batch.place if batch.place in self.site.benches else None
            if old is None:
                self._arrive(batch, bench, after)
            elif old.place != batch.place and code in self.world.batches:
                self.world.move(code, bench)
            if old is not None and batch.watered_at != old.watered_at and bench is not None:
                trays = sum(one.trays for one in after.values() if one.place == bench)
                self.world.water(bench, WATER_LITRES * trays, WATER_C)
        for code in before:
            if code not in after and code in self.world.batches:
                self.world.close(code)
        covered = self._covers(after)
        for bench in self.site.benches:
            if (bench in covered) != (bench in self._covered):
                self.world.cover(bench, bench in covered)
        self._covered = covered

    def _arrive(self, batch: Batch, bench: str | None, after: Mapping[str, Batch]) -> None:
        code, parent = batch.code, batch.parent
        if code in self.world.batches:
            return
        if parent is not None and parent in after and parent in self.world.batches:
            whole = _cells(batch) + _cells(after[parent])
            if whole > 1:
                self.world.part(parent, code, min(max(_cells(batch) / whole, 0.001), 0.999))
                self.world.move(code, bench)
                return
        crop = self.site.crops[batch.crop]
        self.world.sow(
            bench,
            code,
            crop.emergence,
            _cells(batch),
            depth_mm=max(1.0, (crop.depth_mm.low + crop.depth_mm.high) / 2),
        )

    def save(self, path: Path) -> None:
        """Keep the world's truth, and what was done in it, beside the journal, replaced whole."""
        known = _batches.dump_python(dict(self._known), mode="json")
        new = path.with_suffix(".new")
        new.write_text(json.dumps({"world": self.world.save(), "known": known}))
        new.replace(path)

    def resume(self, path: Path) -> None:
        """Let the world go on from a saved one, if there is any that can be read.

        What people did since it was saved is done at the next call, for the journal has it.
        """
        if not path.exists():
            return
        crops = self.site.crops
        try:
            saved = json.loads(path.read_text())
            known = _batches.validate_python(saved["known"])
            models = {
                code: crops[one.crop].emergence for code, one in known.items() if one.crop in crops
            }
            self.world.restore(saved["world"], models.get)
        except (OSError, ValueError, KeyError, TypeError) as error:
            log.warning("the simulated benches begin anew: %s: %s", path, error)
            return
        self._known = {code: one for code, one in known.items() if code in self.world.batches}
        self._covered = self._covers(known)

    def _covers(self, batches: Mapping[str, Batch]) -> frozenset[str]:
        return frozenset(batch.place for batch in batches.values() if batch.covered)


def _cells(batch: Batch) -> int:
    return batch.cells or max(1, round(CELLS_A_TRAY * batch.trays))


def saved_utc(path: Path) -> float:
    """The virtual time at which a world was saved, POSIX seconds; -inf when there is none."""
    try:
        return float(json.loads(path.read_text())["world"]["utc"])
    except (OSError, ValueError, KeyError, TypeError):
        return -math.inf
