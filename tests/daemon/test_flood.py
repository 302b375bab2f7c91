"""A flood of bad messages makes no tick late, fills no memory and keeps no grower from an answer.

The ten minutes are in tests/benchmarks/flood.py.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from tests.benchmarks.flood import measure

pytestmark = pytest.mark.slow

TICK = 1.0


def test_a_thousand_bad_messages_a_second_make_no_tick_late_and_memory_stays_flat(
    tmp_path: Path,
) -> None:
    if shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin") is None:
        pytest.skip("mosquitto is not installed")
    figures = measure(tmp_path, seconds=4, rate=1000, tick=TICK)
    assert figures.sent > 3500
    assert figures.ticks >= 4
    assert figures.late_worst < TICK / 2  # a tenth, and p99, by the benchmark's ten minutes
    assert figures.grew < 4 * 2**20
    log = (tmp_path / "log").read_text()
    assert "a request was refused" in log  # the flood came through
    assert re.search(r"is not answered: over \d+ a minute", log)
    assert len(log.splitlines()) < 100
