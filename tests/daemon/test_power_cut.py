"""A power cut from end to end: the daemon as a process, its journal nine hours old, told by a broker."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daemon.events import Event
from daemon.journal import Journal, SavedState
from daemon.state import DAY, HOUR, Memory, dump, restore
from tests.processes import SITE, Daemon

pytestmark = pytest.mark.slow


async def age(daemon: Daemon, hours: float) -> Memory:
    """Have the journal be so old, and of another boot; what it holds."""
    journal = Journal.open(daemon.state / "journal.db", time.time())
    saved = journal.saved_state()
    assert saved is not None
    memory = restore(saved.body)
    assert memory.at is not None
    then = replace(memory.at, utc=memory.at.utc - hours * HOUR)
    batches = {
        code: replace(one, sown_at=one.sown_at - DAY, since=one.since - DAY)
        for code, one in memory.batches.items()
    }
    memory = replace(memory, at=then, batches=batches)
    await journal.commit(
        events=[Event(at=then.utc, kind="daemon", text="the power fails")],
        state=SavedState(dump(memory), then.utc, saved.mono, "a boot before"),
    )
    await journal.close()
    return memory


async def test_after_a_power_cut_the_grower_is_told_how_long_how_cold_and_what_it_means(
    mosquitto: Any, foreign: Any, tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    broker = await mosquitto()
    daemon = Daemon(tmp_path, broker.port)
    daemon.feel(24.0)
    try:
        daemon.start()
        await eventually(lambda: b"connected to the broker" in daemon.log.read_bytes(), within=20)
        sown = await asyncio.to_thread(
            daemon.ask, "sow", "tomato", "--bench", "lower", "--by", "Marit"
        )
        assert sown.returncode == 0, sown.stderr
        daemon.kill()
        before = await age(daemon, 9.0)
        daemon.feel(13.0)
        heard = await foreign.hear(broker, f"hotbed/{SITE}/event", f"hotbed/{SITE}/batch/TOM1")
        daemon.start()
        (told,) = await eventually(
            lambda: [line for line in heard if '"advisory"' in line], within=20
        )
        event = json.loads(told.split(" ", 2)[2])
        assert "lower: nothing heated or lit for 9.0 h" in event["text"]
        assert "from 24.0 °C to an estimated 13.0 °C at the lowest" in event["text"]
        assert (
            "under the 18.0 °C that its seed accepts; emergence put off by about" in event["text"]
        )
        # Nine hours at the reading before would have been more of the way, none at all less.
        await eventually(lambda: any("/batch/TOM1" in line for line in heard))
        assert daemon.stop() == 0
    finally:
        daemon.kill()
    after = await age(daemon, 0.0)
    gained = after.progress["TOM1"] - before.progress.get("TOM1", 0.0)
    assert 0 < gained < 0.5 * 9 / 24 / 6  # tomato is up in some 6 days at 24 °C
    assert after.cut is None
