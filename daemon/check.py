"""Looking a site over before it is trusted: its files, then the machine. No relay is ever touched.

    findings = await check(Path("hotbed.toml"))

Every problem is found, not the first alone, and each says where it is and how to mend it.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import os
import stat
import threading
import tomllib
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, TypeVar
from uuid import uuid4

from daemon.clock import SystemClock
from daemon.config import (
    Bench,
    Config,
    ConfigError,
    GpioDevice,
    MqttProbeDevice,
    MqttRelayDevice,
    OneWireDevice,
    Probe,
    Relay,
    load,
)
from drivers.protocols import WORDED, DriverError, Quality, Reading
from drivers.vetting import AIR, SOIL, Vetting, vet
from profiles.library import Library, ProfileError, load_library
from profiles.model import Stage
from profiles.units import format_temperature

if TYPE_CHECKING:
    import aiomqtt

    from daemon.wire import Endpoint

T = TypeVar("T")
Severity = Literal["fine", "caution", "problem"]

#: Seconds for each probe on a 1-Wire bus, and for thermometers on MQTT to say something.
CONVERSION_LIMIT: Final = 2.0
LISTEN: Final = 5.0
CONNECT_LIMIT: Final = 5.0
#: Pins that a Raspberry Pi pulls up from power-on until a program takes them; the others it pulls
#: down (from memory of the manual of its chip).
PULLED_UP: Final = range(9)
#: The pin of the kernel's 1-Wire bus unless it is told another (from memory of its overlay).
ONEWIRE_PIN: Final = 4

_MENDS = {
    Quality.MISSING: "Look at its plug and cable, and at the pull-up resistor of the bus (4.7 kΩ).",
    Quality.CRC: "A long or loose cable, or interference: shorten it, keep it off the mains, renew the "
    "plug.",
    Quality.GARBLED: "Read it again; if it stays so, shorten the cable or replace the probe.",
    Quality.POWER_ON: "Its supply fails: give it three wires and a sound plug.",
    Quality.OUT_OF_RANGE: "See that it is where it belongs; if it is, replace it.",
    Quality.SLOW: "The bus hangs: unplug its probes one by one until the others answer.",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at. mend: what to do about it, empty where nothing is to be done."""

    place: str
    severity: Severity
    text: str
    mend: str = ""


async def check(path: Path) -> list[Finding]:
    """All that can be said of the site configured in the file at `path`; nothing is switched."""
    found, config, library = files(path)
    if config is None:
        return found
    if library is not None:
        found += _crops_fit(config, library)
    found += _callable(config)
    found += _pins(config)
    found += _wiring(config)
    found += await _onewire(config)
    found += await _broker(config)
    return found


# --- files ---------------------------------------------------------------------------------------


def files(path: Path) -> tuple[list[Finding], Config | None, Library | None]:
    """What is wrong with the configuration and the crops; each where it could be read whole."""
    found: list[Finding] = []
    config: Config | None = None
    library: Library | None = None
    try:
        config = load(path)
        folder = config.site.crops
        found.append(Finding(str(path), "fine", f"{_many(len(config.bench), 'bench', 'benches')}"))
    except ConfigError as error:
        found += [_located(problem, str(path)) for problem in error.problems]
        folder = _crops_folder(path)
    try:
        library = load_library(folder)
        found.append(Finding("crops", "fine", f"{len(library.crops)} known"))
    except ProfileError as error:
        found += [_located(problem, "crops") for problem in error.problems]
    return found, config, library


def _many(count: int, one: str, more: str) -> str:
    return f"{count} {one if count == 1 else more}"


def _located(problem: str, otherwise: str) -> Finding:
    """A problem told as "place: what; allowed: ...", taken apart."""
    place, colon, text = problem.partition(": ")
    if not colon or " " in place:
        place, text = otherwise, problem
    what, _, mend = text.partition("; ")
    return Finding(place, "problem", what, mend[:1].upper() + mend[1:])


def _crops_folder(path: Path) -> Path | None:
    """The grower's folder as far as a refused file names it, so that its problems are told as well."""
    with contextlib.suppress(OSError, ValueError, RecursionError):
        site = tomllib.loads(path.read_text(encoding="utf-8-sig")).get("site")
        folder = site.get("crops") if isinstance(site, dict) else None
        return path.parent / folder if isinstance(folder, str) and folder else None
    return None


def _crops_fit(config: Config, library: Library) -> Iterator[Finding]:
    """Crops whose seed wants soil that this site's limit does not let be: only a caution, for they
    need not be sown here."""
    limit, units = config.site.soil_limit, config.site.units
    hot = {}
    for crop in library.crops.values():
        best = crop.stages[Stage.GERMINATION].soil_best
        assert best is not None  # the model insists
        if best.high >= limit:
            hot[crop.title.lower()] = best.high
    if hot:
        most = format_temperature(max(hot.values()), units)
        yield Finding(
            "site.soil_limit",
            "caution",
            f"mats stop at {format_temperature(limit, units)}, and some seed likes soil of up to {most}: "
            f"{', '.join(hot)}",
            "Raise the limit, or sow it elsewhere.",
        )


def _callable(config: Config) -> Iterator[Finding]:
    """Whether those who are called about alarms can be; nobody is called to find out."""
    if not config.calls.people:
        yield Finding(
            "calls",
            "caution",
            "nobody is called about an alarm: it stands on the broker until somebody looks",
            "Set [[calls.people]], and let a second machine listen: hotbed watch.",
        )
    for n, one in enumerate(config.calls.people, 1):
        if not one.command:
            continue
        place, program = f"calls.people[{n}].command", Path(one.command[0])
        if not program.is_file():
            yield Finding(
                place,
                "problem",
                f"there is no program {program}",
                "Install it, or correct the path.",
            )
        elif not os.access(program, os.X_OK):
            yield Finding(
                place,
                "problem",
                f"{program} may not be run by this user",
                f"chmod +x {program}, and try it as the user that the daemon runs as.",
            )


# --- pins and wiring -----------------------------------------------------------------------------


def _relays(config: Config) -> Iterator[tuple[str, Bench, Relay]]:
    for name, bench in config.bench.items():
        for kind, relay in (("lamp", bench.lamp), ("mat", bench.mat)):
            if relay is not None:
                yield f"bench.{name}.{kind}", bench, relay


def _pins(config: Config) -> Iterator[Finding]:
    if not config.uses("gpio"):
        return
    if config.hardware.pins == "mock":
        yield Finding(
            "hardware.pins",
            "caution",
            '"mock": these pins exist only inside the process, and nothing is switched',
            'On a board with relays: pins = "lgpio".',
        )
    else:
        from drivers.gpio import open_factory

        try:
            # Opens the chip and takes no pin.
            open_factory("lgpio").close()
            yield Finding("hardware.pins", "fine", "the board's pins can be had")
        except DriverError as error:
            what, _, mend = str(error).removeprefix("GPIO: ").partition(". ")
            if not mend:
                what, _, mend = what.rpartition(": ")
            yield Finding("hardware.pins", "problem", what, mend)
    for place, _, relay in _relays(config):
        if not isinstance(relay.device, GpioDevice):
            continue
        pin, low = relay.device.pin, relay.device.active == "low"
        if low != (pin in PULLED_UP):
            good = (
                f"one of {PULLED_UP[4]} to {PULLED_UP[-1]}"
                if low
                else f"one from {len(PULLED_UP)} on"
            )
            yield Finding(
                f"{place}.device.pin",
                "caution",
                f"until the daemon starts a Raspberry Pi pulls pin {pin} {'down' if low else 'up'}, "
                f'and an active = "{relay.device.active}" relay may be on meanwhile',
                f"Take {good}, or a board whose relays are off while the input floats, and listen to "
                "it through a reboot with nothing connected.",
            )
        if pin == ONEWIRE_PIN and config.uses("onewire"):
            yield Finding(
                f"{place}.device.pin",
                "caution",
                f"pin {pin} is where the 1-Wire bus is unless the board was told another pin",
                "Take another pin for the relay.",
            )


def _wiring(config: Config) -> Iterator[Finding]:
    """What no program can see, and a person has to."""
    for name, bench in config.bench.items():
        soil = [one for one in bench.probes if one.measures == "soil"]
        if bench.mat is not None and len(soil) == 1:
            yield Finding(
                f"bench.{name}.probes",
                "caution",
                "one soil probe: fallen out of its tray it reads the room, and the mat heats on until "
                "the safety stop for heat without effect",
                "Put a second one into another tray.",
            )
    for place, _, relay in _relays(config):
        if not isinstance(relay.device, MqttRelayDevice):
            continue
        if relay.device.state_topic is None:
            yield Finding(
                f"{place}.device.state_topic",
                "caution",
                "none, so nobody notices a plug that does not switch",
                "Name the topic on which the plug reports its state.",
            )
        if not relay.device.settings().ends_by_itself:
            yield Finding(
                f"{place}.device.payload_on",
                "caution",
                "it has no {lease}, so the plug stays on should this machine or the network die",
                "If the plug has a timer of its own, put {lease} where its seconds go.",
            )
    watts = sum(relay.watts for _, _, relay in _relays(config))
    if watts > config.site.power_budget:
        yield Finding(
            "site.power_budget",
            "caution",
            f"all relays together switch {watts:g} W and {config.site.power_budget:g} W are allowed: "
            "mats wait for each other",
        )
    lamps = sum(bench.lamp.watts for bench in config.bench.values() if bench.lamp is not None)
    if lamps > config.site.power_budget:
        yield Finding(
            "site.power_budget",
            "caution",
            f"all lamps together switch {lamps:g} W and {config.site.power_budget:g} W are allowed: "
            "where their hours meet they take turns, and nothing has its hours of light",
            "Set their hours apart with lights_on, or allow more if the circuit bears it, by local code.",
        )
    yield Finding(
        "wiring",
        "caution",
        "a relay must be off while its input floats (at power-on, and when the daemon has ended), and "
        "hotbed is no safety device",
        "Mats and lamps listed for damp places, a residual-current device (GFCI), a thermal cut-out on "
        "every mat, relays rated for the load in an enclosure, drip loops; mains wiring by local code "
        "and a licensed electrician.",
    )


# --- probes --------------------------------------------------------------------------------------


def _probes(config: Config) -> Iterator[tuple[str, Probe]]:
    for name, bench in config.bench.items():
        for probe in bench.probes:
            yield f"bench.{name}.probes.{probe.name}", probe
    for probe in config.room:
        yield f"room.{probe.name}", probe


def _judged(config: Config, place: str, probe: Probe, reading: Reading, why: str) -> Finding:
    """A probe's finding from one reading, vetted as the daemon would."""
    reading = vet(Vetting(), reading, limits=SOIL if probe.measures == "soil" else AIR)[1]
    said = "" if reading.value is None else format_temperature(reading.value, config.site.units)
    if reading.quality is Quality.OK:
        return Finding(place, "fine", f"{said} ({probe.measures})")
    text = " ".join(part for part in (WORDED[reading.quality], why and f"({why})") if part)
    return Finding(
        place, "problem", text + (f": {said}" if said else ""), _MENDS.get(reading.quality, "")
    )


async def _onewire(config: Config) -> list[Finding]:
    wanted = [
        (place, probe, probe.device)
        for place, probe in _probes(config)
        if isinstance(probe.device, OneWireDevice)
    ]
    if not wanted:
        return []
    # Not at the top: it brings the sensor library.
    from drivers.onewire import list_devices, nearest_id

    folder = config.hardware.onewire_devices
    if not folder.is_dir():
        return [
            Finding(
                "hardware.onewire_devices",
                "problem",
                f"there is no folder {folder}",
                "Turn the 1-Wire bus on (on a Raspberry Pi the overlay w1-gpio, by raspi-config), "
                "and restart the board.",
            )
        ]
    there = list_devices(folder)
    taken = {device.id for _, _, device in wanted}
    spare = [one for one in there if one not in taken]
    limit = CONVERSION_LIMIT * max(1, len(there))
    # Started together; the kernel lines up those on one bus.
    known, unknown = await asyncio.gather(
        asyncio.gather(
            *(
                _read_once(folder, device.id, probe.offset, limit)
                for _, probe, device in wanted
                if device.id in there
            )
        ),
        asyncio.gather(*(_read_once(folder, one, 0.0, limit) for one in spare)),
    )
    read = iter(known)
    found = []
    for place, probe, device in wanted:
        if device.id in there:
            reading, why = next(read)
            found.append(_judged(config, place, probe, reading, why))
            continue
        near = nearest_id(device.id, spare)
        found.append(
            Finding(
                f"{place}.device.id",
                "problem",
                f"no probe {device.id} on the bus" + (f"; did you mean {near}?" if near else ""),
                f"Not used yet: {', '.join(spare)}." if spare else _MENDS[Quality.MISSING],
            )
        )
    for one, (reading, why) in zip(spare, unknown, strict=True):
        said = (
            f"reads {format_temperature(reading.value, config.site.units)}"
            if reading.quality is Quality.OK and reading.value is not None
            else why
        )
        found.append(
            Finding(
                str(folder),
                "caution",
                f"{one} is there and used by no bench: {said}",
                "Warm it in your hand to learn which it is.",
            )
        )
    return found


async def _read_once(
    folder: Path, device_id: str, offset: float, limit: float
) -> tuple[Reading, str]:
    """One reading, and why it is not good; a read that hangs holds up nobody, nor the exit."""
    from drivers.onewire import ProbeReadError, read_device

    def read() -> tuple[Reading, str]:
        try:
            return Reading(read_device(folder, device_id, offset), Quality.OK, 0.0), ""
        except ProbeReadError as error:
            return Reading(error.value, error.quality, 0.0), str(error)

    with contextlib.suppress(TimeoutError):
        return await asyncio.wait_for(_in_thread(read), limit)
    return Reading(None, Quality.SLOW, 0.0), f"no answer within {limit:g} s"


def _in_thread(work: Callable[[], T]) -> asyncio.Future[T]:
    """What `work` returns, from a daemon thread: unlike a pool's, a hung one ends with the process."""
    future: Future[T] = Future()
    future.set_running_or_notify_cancel()  # from here on giving up on it does not disturb the thread

    def run() -> None:
        try:
            future.set_result(work())
        except BaseException as error:
            future.set_exception(error)

    threading.Thread(target=run, daemon=True).start()
    return asyncio.wrap_future(future)


# --- the broker ----------------------------------------------------------------------------------


async def _broker(config: Config) -> list[Finding]:
    from daemon.wire import Endpoint, WireError

    found = list(_secrets(config))
    try:
        endpoint = Endpoint.of(config.mqtt)
    except WireError as error:
        place, _, text = str(error).partition(": ")
        return [*found, Finding(place, "problem", text, "Name a file that the daemon can read.")]
    if config.mqtt.broker == "embedded":
        runs, one = await _embedded(config, endpoint)
        found.append(one)
        if not runs:
            later = "Look again while the daemon runs."
            return found + [
                Finding(place, "caution", "not heard: the broker does not run yet", later)
                for place, *_ in _heard(config)
            ]
    return found + await _thermometers(config, endpoint)


def _secrets(config: Config) -> Iterator[Finding]:
    """Who could read the password and the key, on this machine and on the way to the broker."""
    settings = config.mqtt
    if settings.password_file is not None and not settings.tls and not _here(settings.broker):
        yield Finding(
            "mqtt.tls",
            "caution",
            f"the password goes to {settings.broker} in the clear: who listens on the way has it",
            "Set tls = true, and ca_file where the broker's certificate is your own.",
        )
    for key in ("password_file", "key_file"):
        path = getattr(settings, key)
        if path is None:
            continue
        with contextlib.suppress(OSError):  # told as unreadable elsewhere
            if path.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH):
                yield Finding(
                    f"mqtt.{key}",
                    "problem",
                    f"everybody on this machine can read {path}",
                    f"chmod 640 {path}, and let the daemon's group own it.",
                )
            else:
                yield Finding(f"mqtt.{key}", "fine", "readable, and not by everybody")


def _here(host: str) -> bool:
    """Whether a broker is on this machine, by how it is named."""
    if host in ("embedded", "localhost"):
        return True
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(host).is_loopback
    return False


async def _listening(endpoint: Endpoint) -> bool:
    with contextlib.suppress(OSError):
        async with asyncio.timeout(CONNECT_LIMIT):
            _, writer = await asyncio.open_connection(endpoint.host, endpoint.port)
            writer.close()
            return True
    return False


async def _embedded(config: Config, endpoint: Endpoint) -> tuple[bool, Finding]:
    """Whether the daemon runs with its broker, and what there is at its port."""
    from daemon.client import Client, NobodyAnswered

    if not await _listening(endpoint):
        return False, Finding("mqtt.port", "fine", f"{endpoint} is free for the embedded broker")
    with contextlib.suppress(NobodyAnswered, TimeoutError):
        async with asyncio.timeout(CONNECT_LIMIT), Client(config.mqtt, config.site.name) as client:
            kept = await client.gather()
            if kept.get("availability", {}).get("state") == "online":
                text = f"the daemon runs, and its broker is at {endpoint}"
                return True, Finding("mqtt.port", "fine", text)
    return False, Finding(
        "mqtt.port",
        "problem",
        f"another program listens at {endpoint}, where the embedded broker should be",
        "Choose another mqtt.port, or, if it is a broker, name it as mqtt.broker.",
    )


def _heard(config: Config) -> Iterator[tuple[str, Probe, MqttProbeDevice]]:
    for place, probe in _probes(config):
        if isinstance(probe.device, MqttProbeDevice):
            yield place, probe, probe.device


class _Ears:
    """What a thermometer needs of a connection (`drivers.protocols.Link`); it never speaks."""

    connected = True

    def __init__(self) -> None:
        self.heard: dict[str, list[Callable[[str, bytes, bool], None]]] = {}

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = False) -> None:
        raise AssertionError(f"the check does not speak on {topic}")

    def subscribe(self, topic: str, heard: Callable[[str, bytes, bool], None]) -> None:
        self.heard.setdefault(topic, []).append(heard)


async def _thermometers(config: Config, endpoint: Endpoint) -> list[Finding]:
    """The broker, and one reading of each thermometer that says something while we listen."""
    import aiomqtt

    from daemon.wire import subscribe
    from drivers.mqtt import MqttProbe, MqttProbeSettings

    ears, clock = _Ears(), SystemClock()
    probes = [
        (
            place,
            probe,
            MqttProbe(
                place,
                MqttProbeSettings(device.topic, device.path, device.unit, probe.offset),
                ears,
                clock,
            ),
        )
        for place, probe, device in _heard(config)
    ]
    first = {place: one.latest() for place, _, one in probes}
    found = []
    try:
        async with asyncio.timeout(CONNECT_LIMIT + LISTEN):
            async with endpoint.client(f"hotbed-check-{uuid4().hex[:8]}") as client:
                if config.mqtt.broker != "embedded":
                    found.append(Finding("mqtt.broker", "fine", f"{endpoint} lets us in"))
                for _, _, one in probes:
                    await one.start()
                refused = await subscribe(client, list(ears.heard), 0) if probes else []
                if refused:
                    found.append(
                        Finding(
                            "mqtt.broker",
                            "problem",
                            f"it does not let us hear {', '.join(refused)}",
                            f"Let the user {config.mqtt.username or 'nobody'} read it.",
                        )
                    )
                await _listen(
                    client, ears, lambda: all(one.latest() != first[p] for p, _, one in probes)
                )
    except (aiomqtt.MqttError, OSError) as error:
        return [
            Finding(
                "mqtt.broker",
                "problem",
                endpoint.explain(error),
                "Start the broker, or correct mqtt.broker, port, username and password_file.",
            )
        ]
    for place, probe, one in probes:
        if one.latest() == first[place]:
            found.append(
                Finding(
                    place,
                    "caution",
                    f"nothing heard on {one.settings.topic} within {LISTEN:g} s",
                    "Devices that report every few minutes are heard later; else compare the topic.",
                )
            )
        else:
            found.append(_judged(config, place, probe, one.latest(), ""))
    return found


async def _listen(client: aiomqtt.Client, ears: _Ears, enough: Callable[[], bool]) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(LISTEN):
            while not enough():
                message = await anext(client.messages)
                topic = str(message.topic)
                for heard in ears.heard.get(topic, ()):
                    heard(topic, bytes(message.payload), message.retain)
