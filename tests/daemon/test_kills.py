"""Killed at any instant, the daemon has all that it acknowledged, once.

Three hundred kills are in tests/benchmarks/kills.py.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.benchmarks.kills import BOUND, measure

pytestmark = pytest.mark.slow


async def test_what_was_acknowledged_is_there_once_after_kills_and_each_start_is_soon_safe(
    tmp_path: Path,
) -> None:
    if shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin") is None:
        pytest.skip("mosquitto is not installed")
    seen = await measure(tmp_path, kills=4, seed=3)
    assert seen.kills == 4
    assert seen.answered >= 4
    assert seen.refused == 0
    assert seen.missing == []
    assert seen.doubled == []
    assert len(seen.first_output) + len(seen.silent) == 5  # every life counts
    assert seen.first_output
    # The bound itself is the benchmark's: here others may have the machine too.
    assert seen.late(4 * BOUND) == []
