"""The real clock, and what the live daemon asks of any: also how long to sleep."""

from __future__ import annotations

import time
import uuid
from pathlib import Path
from typing import Protocol

from drivers.protocols import Clock

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
#: systemd-timesyncd makes it when the network has set the clock; it goes with each boot.
_SYNCED = Path("/run/systemd/timesync/synchronized")


class LiveClock(Clock, Protocol):
    """A clock that a loop can sleep by."""

    def real_seconds(self, virtual: float) -> float:
        """How long `virtual` seconds of this clock take by the machine's."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def mono(self) -> float:
        """Seconds since some moment before, never stepping, going on over restarts of the process."""
        return time.monotonic()

    def utc(self) -> float:
        """POSIX seconds."""
        return time.time()

    def real_seconds(self, virtual: float) -> float:
        """The same."""
        return virtual


def boot_id() -> str:
    """Which boot this is: while it is the same, monotonic times of the process before still hold."""
    try:
        return _BOOT_ID.read_text().strip()
    except OSError:
        return uuid.uuid4().hex


def synchronised() -> bool:
    """Whether the network is known to have set the clock since the machine started.

    By what systemd-timesyncd leaves behind (systemd-timesyncd.service(8)): the kernel's own flag is
    out of reach of a unit with ProtectClock=. False where nobody says.
    """
    try:
        return _SYNCED.exists()
    except OSError:  # out of reach
        return False
