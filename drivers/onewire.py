"""1-Wire thermometers (DS18B20 and its kin) read through the kernel's `w1_slave` files.

The kernel answers one read of `<devices>/<id>/w1_slave` with one conversion, printed as two lines:

    50 01 4b 46 7f ff 0c 10 e8 : crc=e8 YES
    50 01 4b 46 7f ff 0c 10 e8 t=21000

nine scratchpad bytes twice (temperature, alarms, configuration, reserved, check sum), the verdict
on the check sum, and thousandths of a degree. `w1thermsensor` decodes it, but takes a good deal of
nonsense for a temperature, so the text is judged here first; see `check_text`.

85 °C is what the register holds from power-on until the first conversion. A true 85 °C cannot be
told from it; as no soil is that hot, neither is ever good.
"""

from __future__ import annotations

import difflib
import logging
import os
import re
import threading
from pathlib import Path

from drivers.protocols import Clock, DriverError, Quality, Reading

# Unless this is exactly "1", the import below runs modprobe, sleeps a second and raises where there
# is no 1-Wire bus. Loading the modules is the system's work (device tree), not ours.
os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"

from w1thermsensor import ResetValueError, Sensor, W1ThermSensor, W1ThermSensorError

log = logging.getLogger(__name__)

DEVICES = Path("/sys/bus/w1/devices")
SENSOR_LOW, SENSOR_HIGH = -55.0, 125.0  # °C, what a DS18B20 measures (its data sheet)
POWER_ON = 85.0  # °C, held by the register at power-on (the same sheet)

_ID = re.compile(r"[0-9a-f]{2}-[0-9a-f]{12}")
_FAMILIES = {f"{sensor.value:02x}": sensor for sensor in Sensor}
_BYTES = r"((?:[0-9a-f]{2} ){9})"
_FIRST = re.compile(_BYTES + r": crc=([0-9a-f]{2}) (YES|NO)")
_SECOND = re.compile(_BYTES + r"t=(-?[0-9]{1,7})")
_LONGEST = 4096  # bytes; the kernel fills at most one page


class ProbeReadError(Exception):
    """A read that gave no good temperature.

    quality: how it failed, never OK.
    value: °C where a number was decoded all the same, else None.
    """

    def __init__(self, quality: Quality, why: str, value: float | None = None) -> None:
        super().__init__(why)
        self.quality = quality
        self.value = value


def device_id_problem(text: str) -> str | None:
    """What is wrong with a device id, as a sentence, or None. An id looks like 28-0000075e2a1b."""
    if not _ID.fullmatch(text):
        case = " (lower case)" if _ID.fullmatch(text.lower()) else ""
        return (
            f"{text!r} is not a 1-Wire device id: it takes two hexadecimal digits of family, a "
            f"hyphen and twelve more{case}, such as 28-0000075e2a1b"
        )
    if text[:2] not in _FAMILIES:
        known = ", ".join(sorted(_FAMILIES))
        return f"{text!r} is no thermometer: family {text[:2]} is none of {known} (28 is a DS18B20)"
    return None


def list_devices(devices: Path = DEVICES) -> list[str]:
    """The ids of the thermometers in a folder, sorted; empty when there is no such folder.

    A listed device need not answer: the kernel keeps the folder of one that was unplugged.
    """
    try:
        names = sorted(entry.name for entry in devices.iterdir() if entry.is_dir())
    except OSError:
        return []
    return [name for name in names if device_id_problem(name) is None]


def nearest_id(wanted: str, present: list[str]) -> str | None:
    """The id in `present` that `wanted` is most likely a slip of, or None."""
    near = difflib.get_close_matches(wanted.strip().lower(), present, n=1, cutoff=0.75)
    return near[0] if near else None


def crc8(data: bytes) -> int:
    """CRC-8 of the 1-Wire bus: x^8 + x^5 + x^4 + 1, least significant bit first, from 0.

    Source: Maxim Integrated, Application Note 27.
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def w1_slave_text(celsius: float) -> str:
    """What the kernel would print for a DS18B20 at a temperature: for trying a site on a desk.

    celsius is rounded to the sensor's 1/16 °C. What a sensor could not measure but its register
    could hold is printed as well; ValueError beyond that.
    """
    count = round(celsius * 16)
    if not -0x8000 <= count < 0x8000:
        raise ValueError(f"{celsius} °C does not fit the register: -2048 to 2047.9375 °C")
    scratchpad = count.to_bytes(2, "little", signed=True) + bytes.fromhex("4b467fff0c10")
    crc = crc8(scratchpad)
    line = scratchpad.hex(" ") + f" {crc:02x}"
    return f"{line} : crc={crc:02x} YES\n{line} t={int(count * 1000 / 16)}\n"


def check_text(text: str, family: str) -> None:
    """Judge the kernel's text before anything is decoded; raise ProbeReadError where it is off.

    MISSING: nothing printed, or all bits alike. The latter is a line nobody drives, not a damaged
    answer: low (shorted, or no supply to the pull-up) reads as zeros, whose check sum is zero and
    so "fits"; high (nobody answers) reads as ones.
    GARBLED: not two whole lines, or lines that contradict each other.
    CRC: the kernel says NO, or says YES to bytes that the check sum does not fit.
    """
    lines = text.splitlines()
    if not text.strip():
        raise ProbeReadError(Quality.MISSING, "the file is empty: the sensor does not answer")
    first = _FIRST.fullmatch(lines[0])
    if first is None:
        raise ProbeReadError(Quality.GARBLED, f"unreadable first line {lines[0][:60]!r}")
    scratchpad = bytes.fromhex(first[1])
    if scratchpad in (bytes(9), b"\xff" * 9):
        level = "low" if scratchpad[0] == 0 else "high"
        raise ProbeReadError(Quality.MISSING, f"the data line stays {level}: no sensor answers")
    fits = crc8(scratchpad[:8]) == scratchpad[8] == int(first[2], 16)
    if first[3] == "NO" or not fits:
        raise ProbeReadError(Quality.CRC, f"the check sum does not fit: {lines[0]}")
    second = _SECOND.fullmatch(lines[1]) if len(lines) == 2 else None
    if second is None:
        raise ProbeReadError(Quality.GARBLED, f"cut short, or not two lines: {text[:120]!r}")
    again = bytes.fromhex(second[1])
    if crc8(again[:8]) != again[8]:
        raise ProbeReadError(Quality.CRC, f"the check sum does not fit: {lines[1]}")
    # The kernel truncates to a thousandth, and a clone's 14 bits add up to 3/64 °C to the register.
    # A DS18S20 counts halves, which the kernel refines from its counter by less than 1 °C.
    count = int.from_bytes(scratchpad[:2], "little", signed=True)
    step, slack = (500, 1000) if family == "10" else (62.5, 62.5)
    if again != scratchpad or abs(int(second[2]) - count * step) >= slack:
        raise ProbeReadError(Quality.GARBLED, f"the text contradicts itself: {text[:120]!r}")


class _CheckedSensor(W1ThermSensor):  # type: ignore[misc]  # the library carries no types
    """The library's sensor, in a folder of choice, fed only text that has passed `check_text`."""

    def __init__(self, devices: Path, device_id: str) -> None:
        self.BASE_DIRECTORY = devices
        self._family = device_id[:2]
        super().__init__(_FAMILIES[self._family], device_id[3:])

    def exists(self) -> bool:
        return True  # the read itself finds out, and says more

    def get_raw_sensor_strings(self) -> list[str]:
        # One open, one read: each costs a conversion. The library's own would raise the same error
        # for an empty file, a failed check sum and all zeros.
        path: Path = self.sensorpath
        try:
            with path.open("rb") as file:
                text = file.read(_LONGEST).decode("ascii")
        except FileNotFoundError:
            folder = path.parent
            why = (
                f"no file {path.name} in {folder}: is the kernel module w1_therm loaded?"
                if folder.is_dir()
                else f"no device {folder.name} in {folder.parent}: check plug, wiring and pull-up"
            )
            raise ProbeReadError(Quality.MISSING, why) from None
        except UnicodeDecodeError:
            raise ProbeReadError(Quality.GARBLED, "the text is not ASCII") from None
        except OSError as error:
            raise ProbeReadError(Quality.MISSING, f"cannot be read: {error}") from error
        check_text(text, self._family)
        return text.splitlines()


def read_device(devices: Path, device_id: str, offset: float = 0.0) -> float:
    """Read one device once. Blocks for the conversion (750 ms), or for ever on a dead bus.

    offset: °C added to what the sensor says, found in an ice bath.
    Returns °C; raises ProbeReadError for every way the sensor can lie that one reading shows.
    """
    try:
        value = float(_CheckedSensor(devices, device_id).get_temperature())
    except ResetValueError:
        value = POWER_ON  # the library says so of some families only
    except (W1ThermSensorError, ValueError, LookupError) as error:
        raise ProbeReadError(Quality.GARBLED, f"cannot be decoded: {error}") from error
    if value == POWER_ON:
        why = "85 °C is the value at power-on, before a conversion: check the supply wire"
        raise ProbeReadError(Quality.POWER_ON, why, value)
    if not SENSOR_LOW <= value <= SENSOR_HIGH:
        why = f"{value:g} °C is beyond the sensor's range, {SENSOR_LOW:g} to {SENSOR_HIGH:g} °C"
        raise ProbeReadError(Quality.OUT_OF_RANGE, why, value)
    return value + offset


class OneWireBus:
    """A folder of devices, and how often and how patiently they are read.

    The kernel holds a bus through each conversion, so the reads of its probes queue behind each
    other: the time limit of one grows with their number. Each probe has a daemon thread of its own
    with one read in flight: on a bus that works the kernel lines them up, and a read that never
    returns stops neither the others, nor the event loop, nor the exit of the process.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        devices: Path = DEVICES,
        interval: float = 10.0,
        conversion_limit: float = 2.0,
    ) -> None:
        """interval, conversion_limit: seconds between the starts of reads, and a read may take."""
        self.clock = clock
        self.devices = devices
        self.interval = interval
        self._conversion_limit = conversion_limit
        self._probes = 0

    @property
    def limit(self) -> float:
        """Seconds that a read may take, queueing included."""
        return self._conversion_limit * self._probes

    def probe(self, device_id: str, name: str, *, offset: float = 0.0) -> OneWireProbe:
        """A probe on this bus, not yet started.

        offset: °C added to good values, found in an ice bath. DriverError for a malformed id.
        """
        if problem := device_id_problem(device_id):
            raise DriverError(f"probe {name}: {problem}")
        self._probes += 1
        return OneWireProbe(self, device_id, name, offset)


class OneWireProbe:
    """One thermometer on a 1-Wire bus (a `Probe`). Made by `OneWireBus.probe`."""

    def __init__(self, bus: OneWireBus, device_id: str, name: str, offset: float) -> None:
        self.device_id = device_id
        self.name = name
        self._bus = bus
        self._offset = offset
        self._stop = threading.Event()
        self._quality = Quality.OK  # as last logged
        # The last reading and when the read in flight began. One tuple, replaced whole by the
        # thread, so that the loop never sees half a change and needs no lock.
        self._seen: tuple[Reading, float | None] = (
            Reading(None, Quality.MISSING, bus.clock.mono()),
            None,
        )

    async def start(self) -> None:
        threading.Thread(target=self._run, name=f"1-wire {self.name}", daemon=True).start()

    def latest(self) -> Reading:
        reading, began = self._seen
        if began is None or self._bus.clock.mono() - began <= self._bus.limit:
            return reading
        # Stamped with the moment the limit passed, so that it stays one reading, tick after tick.
        return Reading(None, Quality.SLOW, began + self._bus.limit)

    async def close(self) -> None:
        # Not joined: a read may hang for ever, and a daemon thread ends with the process.
        self._stop.set()

    def _run(self) -> None:
        mono = self._bus.clock.mono
        wait = 0.0
        while not self._stop.wait(wait):
            began = mono()
            self._seen = (self._seen[0], began)
            self._seen = (self._read(began), None)
            wait = max(0.0, began + self._bus.interval - mono())

    def _read(self, began: float) -> Reading:
        why, value, quality = "reads well again", None, Quality.OK
        try:
            value = read_device(self._bus.devices, self.device_id, self._offset)
        except ProbeReadError as error:
            why, value, quality = str(error), error.value, error.quality
        except Exception as error:  # a thread that died would leave its last reading standing
            log.exception("probe %s (%s)", self.name, self.device_id)
            why, quality = repr(error), Quality.GARBLED
        ended = self._bus.clock.mono()
        if quality is Quality.OK and ended - began > self._bus.limit:
            # When in all that time it was measured nobody knows; the next read will tell.
            why, quality = f"the read took {ended - began:.1f} s", Quality.SLOW
        if quality is not self._quality:
            log.info("probe %s (%s) %s: %s", self.name, self.device_id, quality, why)
            self._quality = quality
        return Reading(value, quality, ended)
