"""The broker stopped for a while and started again: what control and status make of it.

    python -m tests.benchmarks.away [--seconds 3600] [--json]

Needs mosquitto. The mat hangs on a pin, so that control has nothing to do with the broker. Memory grows
over the first five minutes, broker or none, and no more: ticks wait so long to be written, and at four a
second they are 1,200.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tests.benchmarks.flood import lateness
from tests.processes import Broker, Daemon, until

TICK = 0.25
SAMPLES = 12
#: What the soil comes to while the broker is away, °C.
WARMING = (18.5, 19.0)


@dataclass(frozen=True, slots=True)
class Figures:
    """What was seen. ticks: how many; late_worst: s. right_after: s from the broker's start until the
    status told the newest temperature. undisturbed: no reading was missed while it was away.
    resident: bytes of memory, from half a minute (or a third) of absence on, a dozen times to its end.
    """

    seconds: float
    ticks: int
    late_worst: float
    right_after: float
    resident: tuple[int, ...]
    undisturbed: bool

    @property
    def grew(self) -> int:
        """Bytes by which memory grew over the absence."""
        return self.resident[-1] - self.resident[0]


def _soil(daemon: Daemon) -> Any:
    benches = daemon.status().get("benches", {})
    found = {one["bench"]: one for one in benches} if isinstance(benches, list) else benches
    return found.get("lower", {}).get("soil")


def measure(folder: Path, seconds: float) -> Figures:
    """Take the broker away for so long."""
    broker = Broker(folder)
    broker.start()
    daemon = Daemon(folder, broker.port, tick=TICK)
    try:
        daemon.start()
        until(lambda: b"connected to the broker" in daemon.log.read_bytes())
        done = daemon.ask("sow", "tomato", "--bench", "lower", "--by", "Marit")
        assert done.returncode == 0, done.stderr
        until(lambda: b"mat on" in daemon.log.read_bytes())
        broker.stop()
        began = time.monotonic()
        time.sleep(min(30.0, seconds / 3))
        resident = [daemon.resident]
        for celsius in WARMING:  # no faster than soil can warm
            daemon.feel(celsius)
            time.sleep(max(1.0, 4 * TICK))
        pause = max(0.0, seconds - (time.monotonic() - began)) / SAMPLES
        for _ in range(SAMPLES):
            time.sleep(pause)
            resident.append(daemon.resident)
        broker.start()
        came_back = time.monotonic()
        until(lambda: (soil := _soil(daemon)) is not None and abs(soil - WARMING[-1]) < 0.1, 60)
        right = time.monotonic() - came_back
        assert daemon.stop() == 0
    finally:
        daemon.kill()
        broker.stop()
    late = lateness(daemon.state / "journal.db", TICK)
    log = daemon.log.read_text()
    return Figures(
        seconds, len(late) + 1, max(late), right, tuple(resident), "no-soil-reading" not in log
    )


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=3600.0)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        figures = asdict(measure(Path(folder), given.seconds))
    print(json.dumps(figures) if given.json else "\n".join(f"{k}: {v}" for k, v in figures.items()))


if __name__ == "__main__":
    main()
