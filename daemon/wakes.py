"""Punctual lamps: APScheduler wakes the loop at the moment a lamp is due, between two ticks.

A wake does nothing but ask for a tick. One that comes late, twice or never (a clock that is set, a
sleeping machine) costs nothing, since every tick works out the outputs from the time anyway.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime

from apscheduler.schedulers.asyncio import AsyncIOScheduler


class Wakes:
    """The moments at which `wake` is to be called."""

    def __init__(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        self._times: frozenset[float] = frozenset()
        self._scheduler = AsyncIOScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": None}
        )

    def start(self) -> None:
        """Begin, on the running event loop."""
        self._scheduler.start()

    def plan(self, times: Iterable[float]) -> None:
        """Wake at these POSIX seconds, and at none planned before."""
        wanted = frozenset(times)
        if wanted == self._times:
            return
        self._times = wanted
        self._scheduler.remove_all_jobs()
        for at in wanted:
            self._scheduler.add_job(self._fire, "date", run_date=datetime.fromtimestamp(at, UTC))

    async def _fire(self) -> None:
        # A coroutine, or APScheduler would call from a thread, where nothing wakes the loop.
        self._wake()

    def stop(self) -> None:
        """No more wakes."""
        self._scheduler.shutdown(wait=False)
