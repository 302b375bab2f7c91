"""Bad messages by the thousand a second, through mosquitto on loopback: what the ticks make of it.

    python -m tests.benchmarks.flood [--seconds 600] [--rate 1000] [--tick 1] [--json]

Needs mosquitto. Lateness of a tick is how much later than one tick it came after the one before it,
from the monotonic times in the journal; memory is what the process holds resident.
"""

from __future__ import annotations

import argparse
import json
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from statistics import quantiles

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.processes import PLUG, SITE, Broker, Daemon, until

#: Where they are put: requests, what a device says, and what is nobody's.
TOPICS = (f"hotbed/{SITE}/request", "annex/plug", f"hotbed/{SITE}/bench/lower", "annex/other")
WARM_UP = 1.0


def bad(chance: random.Random) -> tuple[str, bytes]:
    """A topic and a payload that is no request, or none that can be done: bytes, text, JSON that is
    none of ours, a bench that is not there by a thousand names, too long."""
    reply_to = f"hotbed/{SITE}/answer/flood/{chance.randrange(10)}"
    request = {
        "schema": 1, "id": f"flood-{chance.randrange(10**9)}", "kind": "keep", "by": "x" * 80,
        "arguments": {}, "reply_to": reply_to, "at": "now", "sent_at": "now", "valid_for": 5,
    }  # fmt: skip
    now = datetime.now(UTC).isoformat(timespec="seconds")
    by = f"flood {chance.randrange(1000)}"
    well_formed = {
        **request,
        "by": by,
        "at": now,
        "sent_at": now,
        "arguments": {"bench": "nowhere"},
    }
    payload = chance.choice(
        (
            chance.randbytes(chance.randrange(300)),
            b"OFF",
            b"[" * 5000,
            json.dumps(request).encode(),
            json.dumps(well_formed).encode(),
            json.dumps(dict.fromkeys(request)).encode(),
            b"{" + b"x" * 20_000 if chance.random() < 0.1 else b"{}",
        )
    )
    return chance.choices(TOPICS, (8, 1, 1, 1))[0], payload


def pour(port: int, rate: float, seconds: float) -> int:
    """Publish bad messages for so long; how many."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    chance, began, sent = random.Random(7), time.monotonic(), 0
    while (gone := time.monotonic() - began) < seconds:
        while sent < gone * rate:
            client.publish(*bad(chance))
            sent += 1
        time.sleep(0.005)
    client.disconnect()
    client.loop_stop()
    return sent


def lateness(journal: Path, tick: float) -> list[float]:
    """Seconds by which each tick came late."""
    with closing(sqlite3.connect(journal)) as db:
        times = [row[0] for row in db.execute("SELECT mono FROM tick ORDER BY n")]
    return [max(0.0, after - before - tick) for before, after in pairwise(times)]


@dataclass(frozen=True, slots=True)
class Figures:
    """What was seen. sent: messages. ticks: how many. late: s, p50, p99, worst. resident: bytes of memory
    from the first half minute (or third) on, now and then. answer: s until a grower was answered in
    the midst, the start of the program included."""

    sent: int
    seconds: float
    ticks: int
    late_p50: float
    late_p99: float
    late_worst: float
    resident: tuple[int, ...]
    answer: float

    @property
    def grew(self) -> int:
        """Bytes by which memory grew."""
        return self.resident[-1] - self.resident[0]


def measure(folder: Path, seconds: float, rate: float, tick: float) -> Figures:
    """Flood a daemon for so long."""
    with Broker(folder) as broker:
        daemon = Daemon(folder, broker.port, mat=PLUG, tick=tick)
        daemon.start()
        flood = None
        try:
            until(lambda: b"connected to the broker" in daemon.log.read_bytes())
            time.sleep(WARM_UP)
            words = ("--pour", str(broker.port), "--rate", str(rate), "--seconds", str(seconds))
            flood = subprocess.Popen(
                [sys.executable, "-m", "tests.benchmarks.flood", *words],
                env=daemon.environment(), stdout=subprocess.PIPE, text=True,
            )  # fmt: skip
            time.sleep(min(30.0, seconds / 3))
            resident, asked = [daemon.resident], time.monotonic()
            done = daemon.ask("sow", "tomato", "--bench", "lower", "--by", "Marit")
            answer = time.monotonic() - asked
            assert done.returncode == 0, done.stderr
            while flood.poll() is None:
                with suppress(subprocess.TimeoutExpired):
                    flood.wait(max(0.5, seconds / 20))
                resident.append(daemon.resident)
            said, _ = flood.communicate()
            assert daemon.stop() == 0
        finally:
            daemon.kill()
            if flood is not None:
                flood.kill()
        late = lateness(daemon.state / "journal.db", tick)
    share = quantiles(late, n=100, method="inclusive")
    return Figures(
        int(said), seconds, len(late) + 1, share[49], share[98], max(late), tuple(resident), answer
    )  # fmt: skip


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--rate", type=float, default=1000.0)
    parser.add_argument("--tick", type=float, default=1.0)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--pour", type=int, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.pour is not None:
        print(pour(given.pour, given.rate, given.seconds))
        return
    with tempfile.TemporaryDirectory() as folder:
        figures = measure(Path(folder), given.seconds, given.rate, given.tick)
    if given.json:
        print(json.dumps(asdict(figures)))
        return
    print(
        f"{figures.sent} bad messages in {figures.seconds:.0f} s; {figures.ticks} ticks of "
        f"{given.tick:g} s, late by {figures.late_p50 * 1e3:.1f} ms (p50), "
        f"{figures.late_p99 * 1e3:.1f} (p99), {figures.late_worst * 1e3:.1f} (worst); "
        f"{figures.resident[-1] / 2**20:.1f} MiB, grown by {figures.grew / 2**20:.2f}; "
        f"a grower was answered in {figures.answer:.2f} s, the start of the program included"
    )


if __name__ == "__main__":
    main()
