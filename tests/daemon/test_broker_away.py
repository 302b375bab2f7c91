"""While the broker is away control goes on, and when it is back the status is soon right.

The hour is in tests/benchmarks/away.py.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from daemon.wire import BACKOFF
from tests.benchmarks.away import measure

pytestmark = pytest.mark.slow


def test_a_broker_that_is_away_disturbs_no_tick_and_is_found_again_within_seconds(
    tmp_path: Path,
) -> None:
    if shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin") is None:
        pytest.skip("mosquitto is not installed")
    figures = measure(tmp_path, seconds=4)
    assert figures.undisturbed
    assert figures.ticks >= 4 / 0.25
    assert figures.late_worst < 0.5
    assert figures.right_after < 10
    assert figures.grew < 2 * 2**20
    assert BACKOFF[1] < 10  # nor is it longer after an hour
