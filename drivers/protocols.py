"""The seam between the daemon and hardware: `Probe`, `Relay`, and what they report.

Every method that the tick calls returns at once. A probe is read in the background and its latest
reading is picked up, so that one that hangs delays nobody; age is judged from `Reading.at`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Protocol

from drivers.values import value


class Quality(StrEnum):
    """What a reading is worth. Only `OK` steers; every other member says how the probe failed."""

    OK = "ok"
    MISSING = "missing"  # no device, no file, an empty file, or nothing heard yet
    CRC = "crc"  # the check sum does not fit the bytes
    GARBLED = "garbled"  # text cut short, not hexadecimal, not a number
    POWER_ON = "power-on"  # 85 °C, the register's value before the first conversion
    OUT_OF_RANGE = "out-of-range"  # outside what the sensor, or soil, can be
    SLOW = "slow"  # the time limit of the read passed
    JUMP = "jump"  # a change no soil makes; judged from the readings before
    FROZEN = "frozen"  # the same value for longer than any soil keeps it


#: What each is worth, in words; the subject is the probe.
WORDED: Mapping[Quality, str] = {
    Quality.OK: "is good",
    Quality.MISSING: "is not there",
    Quality.CRC: "fails its check sum (cable or plug)",
    Quality.GARBLED: "sends garbled text",
    Quality.POWER_ON: "reads 85 °C, its power-on value (supply)",
    Quality.OUT_OF_RANGE: "reads what can't be",
    Quality.SLOW: "does not answer in time",
    Quality.JUMP: "jumps as no soil can",
    Quality.FROZEN: "has not moved for hours (frozen)",
}


@value(frozen=True, slots=True)
class Reading:
    """One reading of one probe.

    value: °C, or None when no number could be decoded. A value may stand beside a quality other
        than OK (85.0 beside POWER_ON), for the journal and for rules that only switch off.
    quality: what it is worth.
    at: seconds on the clock's monotonic scale (`Clock.mono`) when the measurement ended.
    """

    value: float | None
    quality: Quality
    at: float


@value(frozen=True, slots=True)
class RelayState:
    """What is known of a relay.

    commanded: what was last asked for, False again once a lease has run out.
    confirmed: what the device itself reports, or None where it reports nothing (a bare GPIO board)
        or has not yet answered.
    fault: a sentence when the device failed, did not confirm, or is beyond reach; else None.
    """

    commanded: bool
    confirmed: bool | None = None
    fault: str | None = None


class Clock(Protocol):
    """Time as the program is told it; real, or virtual on the simulator."""

    def mono(self) -> float:
        """Seconds on a scale that never steps."""
        ...

    def utc(self) -> float:
        """POSIX seconds by the wall clock, which may step."""
        ...


class Probe(Protocol):
    """A thermometer, in soil or in air."""

    async def start(self) -> None:
        """Begin reading in the background. Called once; never raises for an absent device."""
        ...

    def latest(self) -> Reading:
        """The newest finished reading (MISSING before the first). Never blocks, never raises."""
        ...

    async def close(self) -> None:
        """Stop reading. Returns within a second even while a read hangs."""
        ...


class Relay(Protocol):
    """A switch for a lamp or a mat."""

    async def start(self) -> None:
        """Take hold of the device and drive it off.

        Raises DriverError, with place and mend, when the device cannot be had at all.
        """
        ...

    def set(self, on: bool, lease: float) -> None:
        """Ask for on or off; returns at once, never raises.

        An "on" is a lease of `lease` seconds: unless it is renewed by another call, the relay goes
        off by itself, whatever became of the caller's loop.
        """
        ...

    def state(self) -> RelayState:
        """What is known now. Never blocks, never raises."""
        ...

    async def close(self) -> None:
        """Drive off, then release. Called at every orderly exit."""
        ...


class Link(Protocol):
    """What MQTT devices need of a connection to a broker; the daemon provides it."""

    @property
    def connected(self) -> bool:
        """Whether the broker is there now."""
        ...

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = False) -> None:
        """Queue a message; returns at once. Dropped (and logged) while the broker is away."""
        ...

    def subscribe(self, topic: str, heard: Callable[[str, bytes, bool], None]) -> None:
        """Have `heard(topic, payload, retained)` called for each message, over reconnects.

        Called on the event loop. `retained` is the RETAIN flag of the message as delivered: True
        only for what the broker had kept before we subscribed (MQTT 3.1.1, section 3.3.1.3), which
        may be days old.
        """
        ...


class DriverError(Exception):
    """A device that cannot be used: the message names it, what is wrong and how to mend it."""
