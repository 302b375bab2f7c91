"""Bytes that the journal has the disk write in a day, and what years of history cost a query.

    python -m tests.benchmarks.disk [--benches 16] [--days 2] [--years 2] [--folder DIR] [--json]

The real service at the default tick, on simulated benches with two batches each, in virtual time, once
with the controller that learns and once with on/off; a request each half hour; each event marked as
told. What is written is what the system counts for this process (proc(5), /proc/pid/io, write_bytes):
whole pages given to the disk, with each sync. DIR must be on a real disk. The history is made up, at a
reading a minute of 8 probes and 1,000 events a day, and the same questions about its last day are asked
of it and of a journal of two days.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import math
import os
import sqlite3
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sized
from contextlib import closing
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from daemon.app import JOURNAL, read_site
from daemon.config import Config, parse
from daemon.events import Event
from daemon.hardware import build
from daemon.journal import (
    Journal,
    RequestRow,
    read_events,
    read_readings,
    read_request,
    read_ticks,
    tick_of,
)
from daemon.journal_file import beside
from daemon.requests import KINDS, apply
from daemon.service import Service
from daemon.simulated import Mirror, build_world
from daemon.state import DAY
from daemon.wire import Wire
from sim.clock import VirtualClock

START = 1_803_000_000.0  # 2027-02-19
CROPS = ("tomato", "pepper", "lettuce", "cabbage")
CONTROLS = ("learning", "hysteresis")
#: How often people ask for something [s].
ASKED_EVERY = 1800.0


def many_benches(count: int, control: str) -> Config:
    """A site of so many benches alike, each with a lamp, a mat, its controller and three probes."""

    def probe(name: str, measures: str) -> dict[str, object]:
        return {"name": name, "measures": measures, "device": {"driver": "simulated"}}

    def relay(watts: float) -> dict[str, object]:
        return {"watts": watts, "device": {"driver": "simulated"}}

    benches = {
        f"shelf-{n}": {
            "trays": 2,
            "control": control,
            "mat": relay(36),
            "lamp": relay(72),
            "probes": [probe("front", "soil"), probe("back", "soil"), probe("air", "air")],
        }
        for n in range(1, count + 1)
    }
    table = {
        "schema": 1,
        "site": {"name": "many", "zone": "Europe/Berlin", "power_budget": 200.0 * count},
        "room": [probe("wall", "air")],
        "bench": benches,
    }
    return parse(table, Path("the benchmark's site"))


@dataclass(slots=True)
class Written:
    """What was written: bytes a day to the disk, and by how many a day the journal grew; events a day,
    by kind; the bytes of the saved state as text."""

    benches: int
    control: str
    days: float
    disk: float = 0.0
    file: float = 0.0
    events: dict[str, float] = field(default_factory=dict)
    state: int = 0


def _written() -> int:
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes"):
            return int(line.split()[1])
    raise RuntimeError("/proc/self/io has no write_bytes")


class LiveVirtualClock(VirtualClock):
    """A clock set by hand, which no loop sleeps by."""

    def real_seconds(self, virtual: float) -> float:
        return virtual


def _ask(service: Service, kind: str, **arguments: Any) -> None:
    """A request as the wire would bring it, without the wire."""
    asked = KINDS[kind].model_validate(arguments)
    now = service.now()
    done = apply(service.memory, service.site, asked, "Marit", now)
    row = RequestRow(
        f"ask-{now.mono}-{arguments}", now.utc, kind, "Marit", json.dumps(arguments), True, "{}"
    )
    heading = Event(now.utc, "request", f"Marit asked: {kind}", by="Marit", data=arguments)
    state = service._saved(done.memory)
    service._submit([heading, *done.events], state, row).result()
    service.memory = done.memory
    service._recorder.asked(row.id, now)


async def a_day_of(count: int, control: str, days: float, folder: Path) -> Written:
    """Run `count` benches for so long, a first day before it counts."""
    config = many_benches(count, control)
    site, _ = read_site(config)
    clock = LiveVirtualClock(START)
    wire = Wire(config.mqtt, config.site.name)
    world = build_world(config, start_utc=START, clock=clock, start_mono=0.0)
    mirror = Mirror(world, site)
    hardware = build(config, clock, wire, world=world, runtime_dir=folder)
    # Flushes are of real time, and are done below in virtual time instead.
    journal = Journal.open(folder / JOURNAL, START, flush_every=1e9)
    service = Service(site, hardware, journal, wire, clock, boot="one", simulated=True)
    await hardware.start()
    service._resume()
    service.tick()
    mirror(service.memory)
    for n, bench in enumerate(site.benches):
        for crop in CROPS[n % 2 : n % 2 + 2]:
            _ask(service, "sow", crop=crop, place=bench, trays=1.0, cells=72)
    mirror(service.memory)
    found = Written(count, control, days)
    flush_every = 300.0
    begun = size = 0
    flushed = clock.mono()
    head = os.open(beside(journal.path, "-head"), os.O_RDONLY)
    asked = 0
    for step in range(round((1 + days) * DAY / site.tick)):
        if step == round(DAY / site.tick):
            begun, size = _written(), journal.path.stat().st_size
            began_events = len(read_events(journal.path, limit=None))
        clock.advance(site.tick)
        service._unwritten.clear()
        service.tick()
        mirror(service.memory)
        written = [future for _, future in service._unwritten]
        if clock.mono() // ASKED_EVERY != (clock.mono() - site.tick) // ASKED_EVERY:
            batches = list(service.memory.batches)
            _ask(service, "log", batch=batches[asked % len(batches)], what="watered")
            asked += 1
            flushed = clock.mono()
        if written:
            await asyncio.gather(*map(asyncio.wrap_future, written))
            flushed = clock.mono()
        elif clock.mono() - flushed >= flush_every:
            await journal.commit()
            flushed = clock.mono()
        for event in journal.unpublished(1000):
            journal.mark_published(event.seq)
        os.fdatasync(head)  # as the system does by itself, before the next minute
    os.close(head)
    events = read_events(journal.path, limit=None)[began_events:]
    found.disk = (_written() - begun) / days
    found.file = (journal.path.stat().st_size - size) / days
    found.events = {
        kind: count / days for kind, count in Counter(one.kind for one in events).items()
    }
    saved = journal.saved_state()
    found.state = len(saved.body) if saved else 0
    await hardware.close()
    await journal.close()
    return found


def history(path: Path, days: float) -> None:
    """A journal of so many days, its rows made by SQLite itself."""
    asyncio.run(Journal.open(path, START).close())
    ticks, events = round(days * 1440), round(days * 1000)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA synchronous = OFF")
        numbers = "WITH RECURSIVE t(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM t WHERE n < {})"
        db.executemany("INSERT INTO name VALUES (?, ?)", enumerate(["ok", *map(str, range(8))], 1))
        db.execute(
            f"INSERT INTO tick (n, at, mono, told) {numbers.format(ticks)}"
            f" SELECT n, {START} + 60 * (n - {ticks}), 60 * n, x'00' FROM t"
        )
        db.execute(
            f"INSERT INTO reading {numbers.format(8)}"
            " SELECT tick.n, t.n + 1, 20, 1, tick.mono FROM tick CROSS JOIN t ORDER BY 1, 2"
        )
        db.execute(
            f"INSERT INTO event (seq, at, kind, text, bench, batch, data) {numbers.format(events)}"
            f" SELECT n, {START} + 86.4 * (n - {events}), 'switching', 'mat on, for the sake of it',"
            " 'shelf', CASE n % 20 WHEN 0 THEN 'TOM' || (n / 20000) END, '{}' FROM t"
        )
        db.execute(
            f"INSERT INTO request (seq, id, at, kind, body, ok, answer) {numbers.format(events // 20)}"
            f" SELECT n, 'r' || n, {START} + 1728 * (n - {events // 20}), 'log', '{{}}', 1, '{{}}'"
            " FROM t"
        )
        db.commit()


def asked(path: Path) -> dict[str, float]:
    """How long each question about the last day takes [ms], the quickest of several."""
    day = START - DAY
    questions: dict[str, Callable[[], Sized | int | None]] = {
        "a probe's day": lambda: read_readings(path, "3", day, START + 1),
        "events of a day": lambda: read_events(path, since=day, limit=None),
        "newest 20 events": lambda: read_events(path, limit=20),
        "newest 1000 ticks": lambda: read_ticks(path, (tick_of(path, START, mono) or 0) - 999),
        "a request": lambda: [read_request(path, "r17")],
    }
    with closing(sqlite3.connect(path)) as db:
        (mono,) = db.execute("SELECT max(mono) FROM tick").fetchone()
    times = {}
    for name, question in questions.items():
        best = math.inf
        for _ in range(15):
            began = time.perf_counter()
            answer = question()
            best = min(best, time.perf_counter() - began)
        assert answer, name
        times[name] = 1e3 * best
    return times


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--benches", type=int, default=16)
    parser.add_argument("--days", type=float, default=2.0)
    parser.add_argument("--years", type=float, default=2.0)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    logging.disable(logging.INFO)
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        written = []
        for control in CONTROLS:
            place = Path(folder) / control
            place.mkdir()
            written.append(asyncio.run(a_day_of(given.benches, control, given.days, place)))
        short, long = Path(folder) / "short.db", Path(folder) / "long.db"
        history(short, 2)
        history(long, 365 * given.years)
        few, many = asked(short), asked(long)
    if given.json:
        queries = {name: {"two_days": few[name], "years": many[name]} for name in few}
        found = {"written": [asdict(one) for one in written], "years": given.years, "ms": queries}
        print(json.dumps(found, indent=1))
        return
    for one in written:
        print(
            f"{one.benches} benches, {one.control}: {one.disk / 1e6:.1f} MB a day to the disk, the "
            f"journal grows by {one.file / 1e6:.1f} MB a day, a state of {one.state / 1e3:.0f} KB"
        )
        print("events a day: " + ", ".join(f"{n:.0f} {kind}" for kind, n in one.events.items()))
    print(f"{'':20} {'2 days':>9} {f'{given.years:g} years':>9}  ratio")
    for name in few:
        print(f"{name:20} {few[name]:6.2f} ms {many[name]:6.2f} ms {many[name] / few[name]:6.2f}")


if __name__ == "__main__":
    main()
