"""The daemon with a stop-watch at its tick: `timed_daemon OUT run --config ...`, like `hotbed run ...`.

At its end OUT has, as JSON, by how much each tick came late and how long it took [s], and which modules
were imported that are not the project's.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from daemon.decide import Decision
from daemon.service import Service

OURS = ("daemon", "drivers", "profiles", "sim", "tests", "__main__", "__mp_main__")


def timed(out: Path) -> None:
    """Run until SIGTERM."""
    ticks: list[dict[str, float]] = []
    due = 0.0
    plain = Service.tick

    def tick(self: Service) -> Decision:
        nonlocal due
        began = time.monotonic()
        due = due if due and due <= began else began  # woken early, by a request: not late
        decision = plain(self)
        ended = time.monotonic()
        ticks.append({"late": began - due, "took": ended - began})
        due = max(due + self.site.tick, ended)
        return decision

    Service.tick = tick  # type: ignore[method-assign]
    from daemon.cli import main  # once the command line is as it would be without us

    try:
        main()
    finally:
        modules = [name for name in sys.modules if name.partition(".")[0] not in OURS]
        out.write_text(json.dumps({"ticks": ticks, "modules": modules}))


if __name__ == "__main__":
    timed(Path(sys.argv.pop(1)))
