"""The simulated bench's probes and relays, behind the protocols of `drivers`.

They ask their world to come up to the present before they answer, so that they serve a daemon that
runs in real time as well as a rehearsal that steps.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from drivers.protocols import Quality, Reading, RelayState
from sim.faults import FaultKind

#: A DS18B20 register at 12 bits counts sixteenths of a degree (its data sheet).
STEP_C = 1 / 16
POWER_ON_C = 85.0
#: Noise is drawn once for this many conversions and walked through, one a second; a prime, so that
#: no tick's period meets the same few draws again and again.
NOISE_DRAWS = 4099
#: Later than any moment, in microseconds.
NEVER_US = 1 << 62
_LONGEST_LEASE_S = 1e9

_FAILED = {
    FaultKind.PROBE_LOST: (None, Quality.MISSING),
    FaultKind.PROBE_CRC: (None, Quality.CRC),
    FaultKind.PROBE_POWER_ON: (POWER_ON_C, Quality.POWER_ON),
    FaultKind.PROBE_SLOW: (None, Quality.SLOW),
}


class Host(Protocol):
    """What a device needs of its world."""

    def now(self) -> float:
        """Bring the world up to the present, and its monotonic time [s]."""
        ...

    @property
    def powered(self) -> bool:
        """False during a power cut."""
        ...


@dataclass(frozen=True, slots=True)
class ProbeSpec:
    """A thermometer of a bench, or of the room.

    place: "soil", at `depth_mm` under the surface; "air", in the headspace or just above the
        canopy; "room", away from the bench.
    offset_c: what it reads above the truth, °C.
    lag_s: its time constant [s]; a steel-cased probe in moist mix takes about half a minute, in
        still air a minute or two (common practice, no source). None: 30 in soil, 90 in air.
    noise_c: standard deviation of one conversion, °C.
    """

    name: str
    place: Literal["soil", "air", "room"] = "soil"
    depth_mm: float = 12.7
    offset_c: float = 0.0
    lag_s: float | None = None
    noise_c: float = 0.02

    def __post_init__(self) -> None:
        check(f"probe {self.name}: depth_mm", self.depth_mm, 0, 200)
        check(f"probe {self.name}: offset_c", self.offset_c, -10, 10)
        check(f"probe {self.name}: lag_s", self.lag, 1, 3600)
        check(f"probe {self.name}: noise_c", self.noise_c, 0, 5)

    @property
    def lag(self) -> float:
        """The time constant used, s."""
        if self.lag_s is not None:
            return self.lag_s
        return 30.0 if self.place == "soil" else 90.0


def check(what: str, value: float, low: float, high: float) -> None:
    """Raises ValueError, with the range, unless `value` is a number from `low` to `high`."""
    if not low <= value <= high:
        raise ValueError(f"{what} is {value!r}; allowed: {low:g} to {high:g}")


class SimProbe:
    """A simulated DS18B20. It never raises and always answers at once."""

    def __init__(
        self, spec: ProbeSpec, host: Host, sensor: Callable[[], float], noise: Sequence[float]
    ) -> None:
        """sensor: the temperature of the sensor itself, °C. noise: draws, °C; empty for none."""
        self.spec = spec
        self._offset = spec.offset_c
        self.faults: frozenset[FaultKind] = frozenset()
        self.drift_c_s = 0.0
        self.drift_since = 0.0
        self.sensor = sensor
        self.wired = sensor  # another's, where two are swapped
        self._host = host
        self._noise = noise
        self._held: float | None = None

    async def start(self) -> None:
        """Nothing to prepare."""

    async def close(self) -> None:
        """Nothing to release."""

    def latest(self) -> Reading:
        """A conversion ending now, with whatever is wrong with the probe."""
        now = self._host.now()
        if not self._host.powered:
            return Reading(None, Quality.MISSING, now)
        if self.faults:
            for kind, (value, quality) in _FAILED.items():
                if kind in self.faults:
                    return Reading(value, quality, now)
            if self._held is not None:
                return Reading(self._held, Quality.OK, now)
        return Reading(self._convert(now), Quality.OK, now)

    def _convert(self, now: float) -> float:
        celsius = self.wired() + self._offset
        if self._noise:
            celsius += self._noise[int(now) % NOISE_DRAWS]
        if self.drift_c_s:
            celsius += self.drift_c_s * (now - self.drift_since)
        return round(celsius / STEP_C) * STEP_C

    def suffer(self, faults: frozenset[FaultKind], now: float) -> None:
        """Take on the faults that are there from `now` on; called by the world."""
        if FaultKind.PROBE_FROZEN not in faults:
            self._held = None
        elif self._held is None:
            self._held = self._convert(now)
        self.faults = faults


class SimMeter:
    """A simulated meter, of a plug's power say; it never raises and always answers at once."""

    def __init__(self, host: Host, measured: Callable[[], float]) -> None:
        self._host = host
        self._measured = measured

    async def start(self) -> None:
        """Nothing to prepare."""

    async def close(self) -> None:
        """Nothing to release."""

    def latest(self) -> Reading:
        """What is measured now; nothing is heard of it during a power cut."""
        now = self._host.now()
        if not self._host.powered:
            return Reading(None, Quality.MISSING, now)
        return Reading(self._measured(), Quality.OK, now)


class SimRelay:
    """A simulated relay: a bare board's (`confirmed` is None), or a plug that reports itself.

    `closed` is the truth: whether current can flow.
    """

    def __init__(
        self, name: str, host: Host, changed: Callable[[], None], *, feedback: bool
    ) -> None:
        """name: bench/lamp or bench/mat. changed: called when the contacts open or close."""
        self.name = name
        self.closed = False
        self.expires_us = NEVER_US  # of the lease, on the monotonic scale
        self._host = host
        self._changed = changed
        self._feedback = feedback
        self._commanded = False
        self._stuck: bool | None = None
        self.loose = False
        self._touching = True
        self._state = RelayState(False)
        self.settle()

    async def start(self) -> None:
        """Drive it off."""
        self.set(False, 0.0)

    async def close(self) -> None:
        """Drive it off."""
        self.set(False, 0.0)

    def set(self, on: bool, lease: float) -> None:
        """Ask for on, for `lease` seconds, or for off. Nothing hears it during a power cut."""
        if not on and not self._commanded:
            return
        now = self._host.now()
        commanded = on and lease > 0 and self._host.powered
        self.expires_us = (
            round((now + min(lease, _LONGEST_LEASE_S)) * 1e6) if commanded else NEVER_US
        )
        if commanded is not self._commanded:
            self._commanded = commanded
            self.settle()

    def state(self) -> RelayState:
        """What is known of it now."""
        self._host.now()
        return self._state

    def drop(self) -> None:
        """The lease is over, or the power gone; called by the world."""
        self._commanded = False
        self.expires_us = NEVER_US
        self.settle()

    def stick(self, stuck: bool | None) -> None:
        """Weld the contacts closed (True) or keep them open (False); None mends them."""
        self._stuck = stuck
        self.settle()

    def loosen(self, loose: bool) -> None:
        """Let the contacts chatter while the relay is on, or no more."""
        self.loose, self._touching = loose, True
        self.settle()

    def shake(self, moment: int) -> None:
        """Let chance, by the number of the moment, say whether loose contacts touch."""
        if self.loose:
            self._touching = bool(zlib.crc32(f"{self.name} {moment}".encode()) & 1)
            self.settle()

    def settle(self) -> None:
        """Work out the contacts and what is reported of them."""
        powered = self._host.powered
        closed = powered and (self._commanded if self._stuck is None else self._stuck)
        closed = closed and self._touching
        confirmed = closed if self._feedback and powered else None
        fault = None
        if confirmed is not None and confirmed is not self._commanded:
            asked, said = ("on", "off") if self._commanded else ("off", "on")
            fault = f"{self.name} was asked for {asked} and reports {said}"
        elif self._feedback and not powered:
            fault = f"{self.name} does not answer"
        self._state = RelayState(self._commanded, confirmed, fault)
        if closed is not self.closed:
            self.closed = closed
            self._changed()
