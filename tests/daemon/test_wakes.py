"""The loop is woken when a lamp is due, on its own thread, and only then."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable
from typing import Any

from daemon.wakes import Wakes


async def test_a_wake_comes_at_its_time_on_the_thread_of_the_loop(
    eventually: Callable[..., Any],
) -> None:
    woken: list[tuple[float, threading.Thread]] = []
    wakes = Wakes(lambda: woken.append((time.time(), threading.current_thread())))
    wakes.start()
    due = time.time() + 0.1
    wakes.plan([due])
    wakes.plan([due])  # the next tick plans the same again
    await eventually(lambda: woken)
    await asyncio.sleep(0.05)
    wakes.stop()
    ((at, thread),) = woken
    assert 0 <= at - due < 1
    assert thread is threading.main_thread()


async def test_what_is_no_longer_due_wakes_nobody_and_what_was_missed_wakes_at_once(
    eventually: Callable[..., Any],
) -> None:
    woken: list[float] = []
    wakes = Wakes(lambda: woken.append(time.time()))
    wakes.start()
    wakes.plan([time.time() + 0.05])
    wakes.plan([time.time() + 3600])
    await asyncio.sleep(0.1)
    assert not woken
    wakes.plan([time.time() - 7200])  # the clock was set forward over it
    await eventually(lambda: woken)
    wakes.plan([])
    wakes.stop()
