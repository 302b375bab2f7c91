"""Relays on the pins of the board, through gpiozero.

An "on" ends by itself: a thread drives the pin off when the lease runs out, though the event loop
hangs. Every exit that lets Python run its exit handlers (a return, `sys.exit`, an exception nobody
caught) drives off, then releases. SIGTERM runs none of them by itself: the service catches it and
closes its relays. SIGKILL, `os._exit` and a halted kernel drive nothing, so the relay board must be
off when its input floats, and a mat needs a thermal cut-out of its own.
"""

from __future__ import annotations

import atexit
import contextlib
import logging
import math
import os
import shutil
import tempfile
import threading
import time
from pathlib import Path
from typing import Any, Literal

from drivers.protocols import DriverError, RelayState

log = logging.getLogger(__name__)

PINS = range(28)  # BCM numbers on the 40-pin header
_RETRY = 1.0  # s, between attempts to drive off a pin that would not go
_LONGEST_SLEEP = 60.0  # s; a wait has an upper limit, a lease has none


def pin_problem(pin: object) -> str | None:
    """Why `pin` is no pin for a relay, or None. Pure; True is not taken for pin 1."""
    if type(pin) is not int or pin not in PINS:
        return (
            f"{pin!r} is not a pin; give the BCM number, a whole number {PINS[0]} to {PINS[-1]}"
            " (GPIO17 is 17, not its place on the header)"
        )
    return None


def open_factory(kind: Literal["lgpio", "mock"], runtime_dir: Path | None = None) -> Any:
    """The gpiozero pin factory for this board; one a process.

    kind: "lgpio" for a real board, "mock" for pins that live in this process alone. Named
        outright: gpiozero's own choice falls back to whatever it finds.
    runtime_dir: where lgpio keeps its pipe, made if absent; None for a folder that goes at exit.

    Raises DriverError with the mend.
    """
    if kind == "mock":
        from gpiozero.pins.mock import MockFactory, MockPin

        return MockFactory(pin_class=MockPin)
    _import_lgpio(runtime_dir)
    import lgpio
    from gpiozero import PinUnknownPi
    from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin

    class SteadyPin(LGPIOPin):  # type: ignore[misc]
        """A pin whose output begins at the level asked for.

        gpiozero 2.0.1 claims it low and then writes: a pulse of "on" for an active-low relay.
        """

        def output_with_state(self, state: bool) -> None:
            lgpio.gpio_claim_output(self.factory._handle, self._number, int(state))

    try:
        factory = LGPIOFactory()
    except PinUnknownPi as error:
        raise DriverError(
            f"GPIO: {error}. Only a Raspberry Pi has pins that gpiozero knows, and it must be"
            " let read /proc/cpuinfo and /proc/device-tree; use MQTT relays on another board"
        ) from error
    except Exception as error:  # lgpio.error, and OSError from /proc
        raise DriverError(
            f"GPIO: {error}. The user needs /dev/gpiochip0 (on a Raspberry Pi 5 perhaps"
            " /dev/gpiochip4): join the group that owns it, often 'gpio', and let the service's"
            " unit reach it"
        ) from error
    factory.pin_class = SteadyPin
    return factory


def _import_lgpio(runtime_dir: Path | None) -> None:
    """The first import of lgpio, which has side effects to contain."""
    try:
        if runtime_dir is None:
            runtime_dir = Path(tempfile.mkdtemp(prefix="hotbed-"))
            atexit.register(shutil.rmtree, runtime_dir, ignore_errors=True)
        runtime_dir.mkdir(parents=True, exist_ok=True)
        os.environ["LG_WD"] = str(runtime_dir.absolute())
        # Importing lgpio 0.2.2 changes into LG_WD and stays there; relative paths would follow.
        with contextlib.chdir("."):
            import gpiozero.pins.lgpio  # noqa: F401
    except (ImportError, AttributeError) as error:  # AttributeError: a release before 0.2
        raise DriverError(
            f"GPIO: lgpio cannot be used ({error}): pip install 'hotbed[gpio]'"
        ) from error
    except OSError as error:
        raise DriverError(
            f"GPIO: lgpio needs a folder it can write to, and {runtime_dir} is none: {error}"
        ) from error


class GpioRelay:
    """A relay on one pin (`drivers.protocols.Relay`).

    name: how messages call it. pin: BCM number. active: the level at which the relay closes.
    factory: from `open_factory`.

    Leases run on the machine's own monotonic clock whatever clock the daemon is told, because
    the pin is real. An "on" with a lease that is not a positive, finite number is taken as "off".

    Raises DriverError for a pin out of range or an unknown `active`.
    """

    def __init__(self, name: str, pin: int, active: Literal["high", "low"], factory: Any) -> None:
        problem = pin_problem(pin)
        if problem is None and active not in ("high", "low"):
            problem = f"active is 'high' or 'low', not {active!r}"
        if problem is not None:
            raise DriverError(f"relay {name!r}: {problem}")
        self.name = name
        self.pin = pin
        self.active = active
        self._factory = factory
        self._device: Any = None
        self._on = False
        self._act_at = math.inf  # when the watchdog has to drive off
        self._fault: str | None = None

    def __repr__(self) -> str:
        return f"relay {self.name!r}"

    async def start(self) -> None:
        """Take the pin with its output at the off level. Raises DriverError with the mend."""
        import gpiozero

        with _watchdog.lock:
            if self._device is not None:
                return
            try:
                # initial_value=None would start an active-low relay on.
                self._device = gpiozero.OutputDevice(
                    self.pin,
                    active_high=self.active == "high",
                    initial_value=False,
                    pin_factory=self._factory,
                )
            except gpiozero.GPIOPinInUse as error:
                raise DriverError(
                    f"{self}: GPIO{self.pin} is taken by another relay; give each its own pin"
                ) from error
            except Exception as error:
                raise DriverError(
                    f"{self}: GPIO{self.pin} cannot be used: {error}; end the program or overlay"
                    " that holds it, or choose another pin"
                ) from error
            _watchdog.watch(self)

    def set(self, on: bool, lease: float) -> None:
        """Drive on for `lease` seconds, or off. Ignored before start and after close."""
        with _watchdog.lock:
            if self._device is None:
                return
            if on and lease > 0 and math.isfinite(lease):
                self._act_at = time.monotonic() + lease
                self._on = True
                self._write()
                _watchdog.hurry(self._act_at)
            else:
                self.drive_off()

    def drive_off(self) -> None:
        """Off now, from any thread. A pin that refuses is tried again every second."""
        with _watchdog.lock:
            self._on = False
            if not self._write():
                self._act_at = time.monotonic() + _RETRY
                _watchdog.hurry(self._act_at)

    def _write(self) -> bool:
        if self._device is None:
            return True
        try:
            self._device.value = self._on
        except Exception as error:
            wanted = "on" if self._on else "off"
            self._fault = f"{self}: GPIO{self.pin} could not be driven {wanted}: {error}"
            return False
        self._fault = None
        return True

    def expire(self, now: float) -> float:
        """Drive off if the lease has ended by `now`; returns when to look again.

        Off is written at the lease's end even where it was written before: a switching that a
        signal handler's `drive_all_off` interrupted may have had the last word.
        """
        if now >= self._act_at:
            self._act_at = math.inf
            self.drive_off()
        return self._act_at

    def state(self) -> RelayState:
        """What is known now.

        `confirmed` is always None: an output pin reads back what was last written to it, which
        says nothing of the coil, the contacts or the wire between.
        """
        if self._device is None:
            return RelayState(False, None, f"{self} is not open")
        return RelayState(self._on, None, self._fault)

    async def close(self) -> None:
        """Drive off, then release the pin, which makes it an input. Harmless when repeated."""
        self.release()

    def release(self) -> None:
        """What `close` does, for an exit that has no event loop."""
        with _watchdog.lock:
            if self._device is None:
                return
            self.drive_off()
            trouble = self._fault
            device, self._device = self._device, None
            self._act_at = math.inf
            _watchdog.relays.discard(self)
            try:
                device.close()
            except Exception as error:
                trouble = f"{self}: GPIO{self.pin} could not be released: {error}"
        if trouble is not None:  # outside the lock: a log that blocks must not hold up leases
            log.error("%s", trouble)


class _Watchdog:
    """The open relays of this process, and the thread that ends their leases.

    One lock guards every pin; a write takes microseconds. It is re-entrant, so that a signal
    handler may drive off in the midst of a switching. Deadlines mostly move out, on each renewal,
    and then nobody is woken: the thread looks again at the deadline it knew.
    """

    def __init__(self) -> None:
        self.lock = threading.Condition(threading.RLock())
        self.relays: set[GpioRelay] = set()
        self._thread: threading.Thread | None = None
        self._wakes_at = -math.inf

    def watch(self, relay: GpioRelay) -> None:
        self.relays.add(relay)  # a strong reference: a collected device would release a driven pin
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="gpio-leases", daemon=True)
            self._thread.start()
            # Registered after gpiozero's and lgpio's own, so run before them.
            atexit.register(self._release_all)

    def hurry(self, deadline: float) -> None:
        if deadline < self._wakes_at:
            self.lock.notify()

    def _run(self) -> None:
        with self.lock:
            while True:
                now = time.monotonic()
                nearest = min((relay.expire(now) for relay in self.relays), default=math.inf)
                self._wakes_at = min(nearest, now + _LONGEST_SLEEP)
                self.lock.wait(self._wakes_at - now)

    def _release_all(self) -> None:
        drive_all_off()  # all of them first: a release may be slow
        for relay in list(self.relays):
            relay.release()


_watchdog = _Watchdog()


def drive_all_off() -> None:
    """Drive every open relay of this process off, from any thread; none is released."""
    with _watchdog.lock:
        for relay in _watchdog.relays:
            relay.drive_off()
