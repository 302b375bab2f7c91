"""What the simulated bench costs: microseconds a bench and tick, probes and seedlings included.

Run it as a script from the checkout; pytest does not collect it:

    python tests/benchmarks/bench_sim_speed.py
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from profiles.emergence import EmergenceModel
from sim.clock import VirtualClock
from sim.devices import ProbeSpec
from sim.weather import RoomTemperature
from sim.world import BenchSpec, World

DAYS, TICK = 56, 60.0
# Tomato's row, days to emergence (Harrington and Minges 1954).
TOMATO = EmergenceModel(((10, 43), (15, 14), (20, 8), (25, 6), (30, 6), (35, 9)), (0, 5, 40))


def season() -> tuple[float, float]:
    """Two benches, three probes and three batches each, over 8 weeks: (s taken, s first tick)."""
    clock = VirtualClock(1.8e9)
    probes = (ProbeSpec("left"), ProbeSpec("right", depth_mm=25.0), ProbeSpec("air", "air"))
    benches = [
        BenchSpec("warm", 2, mat_watts=36.0, lamp_watts=48.0, probes=probes, covered=True),
        BenchSpec("light", 4, mat_watts=72.0, lamp_watts=96.0, probes=probes, feedback=True),
    ]
    world = World(benches, start_utc=1.8e9, room=RoomTemperature.daily(), clock=clock)
    for bench in benches:
        for batch in range(3):
            world.sow(bench.name, f"{bench.name}-{batch}", TOMATO, 72)
    sensors = [world.probe(bench.name, probe.name) for bench in benches for probe in probes]
    relays = [world.relay(bench.name, kind) for bench in benches for kind in ("lamp", "mat")]
    began = time.perf_counter()
    first = 0.0
    for tick in range(round(DAYS * 86400 / TICK)):
        clock.advance(TICK)
        for sensor in sensors:
            sensor.latest()
        for relay in relays:
            relay.state()
            relay.set(tick % 60 < 30, 3 * TICK)
        first = first or time.perf_counter() - began
    return time.perf_counter() - began, first


if __name__ == "__main__":
    taken, first = min(season() for _ in range(3))
    ticks = round(DAYS * 86400 / TICK)
    print(
        f"{ticks} ticks of 2 benches in {taken:.2f} s: {taken / ticks / 2 * 1e6:.1f} us a bench "
        f"and tick; the first tick took {first * 1e3:.2f} ms"
    )
