"""Clocks that are not the machine's: one set by hand, one that runs faster."""

from __future__ import annotations

import math
import time
from collections.abc import Callable


class VirtualClock:
    """A `drivers.protocols.Clock` that stands still until it is moved; for rehearsal and tests."""

    def __init__(self, start_utc: float, *, mono: float = 0.0) -> None:
        """start_utc: POSIX seconds at the start. mono: the monotonic scale's value then."""
        self._mono = mono
        self._utc = start_utc

    def mono(self) -> float:
        """Seconds on the monotonic scale."""
        return self._mono

    def utc(self) -> float:
        """POSIX seconds by this clock's wall."""
        return self._utc

    def advance(self, seconds: float) -> None:
        """Let time pass. Raises ValueError when `seconds` is negative or not finite."""
        if not (math.isfinite(seconds) and seconds >= 0):
            raise ValueError(f"advance by {seconds!r} s: allowed: 0 or more, finite")
        self._mono += seconds
        self._utc += seconds

    def set_utc(self, utc: float) -> None:
        """Step the wall clock, as a person or a time server does; the monotonic scale goes on."""
        if not math.isfinite(utc):
            raise ValueError(f"utc {utc!r}: allowed: finite POSIX seconds")
        self._utc = utc


class ScaledClock:
    """A `drivers.protocols.Clock` that runs `speed` times as fast as the machine's."""

    def __init__(
        self, speed: float, start_utc: float, *, real: Callable[[], float] = time.monotonic
    ) -> None:
        """speed: over 0, at most 100,000. start_utc: POSIX seconds at which it begins.

        real: seconds on the machine's monotonic scale. Raises ValueError for a speed out of range.
        """
        if not 0 < speed <= 100_000:
            raise ValueError(f"speed {speed!r}: allowed: over 0 to 100000")
        self.speed = speed
        self._start_utc = start_utc
        self._real = real
        self._began = real()

    def mono(self) -> float:
        """Virtual seconds since this clock began."""
        return (self._real() - self._began) * self.speed

    def utc(self) -> float:
        """Virtual POSIX seconds."""
        return self._start_utc + self.mono()

    def real_seconds(self, virtual: float) -> float:
        """How long `virtual` seconds of this clock take by the machine's: for sleeping."""
        return virtual / self.speed
