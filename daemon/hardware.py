"""From the configuration to devices: the only place that knows which driver stands behind which name.

A driver is imported only when the configuration uses it.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.config import (
    Config,
    GpioDevice,
    Lamp,
    MqttProbeDevice,
    MqttRelayDevice,
    OneWireDevice,
    Proof,
    SimulatedDevice,
)
from daemon.config import Probe as ProbeConfig
from daemon.config import Relay as RelayConfig
from daemon.state import meter_name
from drivers.protocols import Clock, DriverError, Link, Probe, Relay

if TYPE_CHECKING:
    from sim.world import World

log = logging.getLogger(__name__)


class Hardware:
    """All devices of a site. Probes are named `<bench>/<probe>` or `room/<probe>`, the meter of a lamp
    `<bench>/lamp.proof`, relays `<bench>/lamp` and `<bench>/mat`."""

    def __init__(self, probes: Mapping[str, Probe], relays: Mapping[str, Relay]) -> None:
        self.probes = probes
        self.relays = relays

    async def start(self) -> None:
        """Drive every relay off, then begin to read.

        Raises DriverError, a line for each relay that is not to be had; the others were driven off
        all the same, and all are released.
        """
        problems: list[str] = []
        try:
            for relay in self.relays.values():
                try:
                    await relay.start()
                except DriverError as error:
                    problems.append(str(error))
            if problems:
                raise DriverError("\n".join(problems))
            for probe in self.probes.values():
                await probe.start()
        except BaseException:
            await self.close()
            raise

    async def close(self) -> None:
        """Drive every relay off and release it, whatever fails on the way; then stop the probes."""
        for group in (self.relays, self.probes):
            ends = await asyncio.gather(
                *(one.close() for one in group.values()), return_exceptions=True
            )
            for name, end in zip(group, ends, strict=True):
                if isinstance(end, Exception):
                    log.error("%s did not close: %s", name, end)


def build(
    config: Config,
    clock: Clock,
    link: Link | None,
    *,
    world: World | None = None,
    runtime_dir: Path | None = None,
) -> Hardware:
    """The devices that the configuration names, not yet started.

    link: the broker, for devices on it. world: the simulated benches, for devices on them.
    Raises DriverError when a library is missing or a device is not to be had.
    """
    shared: dict[str, Any] = {}

    def probe(bench: str, one: ProbeConfig) -> Probe:
        device, place = one.device, f"{bench}/{one.name}"
        if isinstance(device, OneWireDevice):
            from drivers.onewire import OneWireBus

            if "bus" not in shared:
                shared["bus"] = OneWireBus(
                    clock,
                    devices=config.hardware.onewire_devices,
                    interval=min(10.0, config.site.tick),
                )
            bus: OneWireBus = shared["bus"]
            return bus.probe(device.id, place, offset=one.offset)
        if isinstance(device, MqttProbeDevice):
            from drivers.mqtt import MqttProbe, MqttProbeSettings

            settings = MqttProbeSettings(device.topic, device.path, device.unit, one.offset)
            return MqttProbe(place, settings, _link(link, place), clock)
        if world is None:
            raise DriverError(f"{place} is simulated: run with --simulate")
        return world.room_probe(one.name) if bench == "room" else world.probe(bench, one.name)

    def meter(bench: str, lamp: Lamp, proof: Proof) -> Probe:
        device, place = proof.device, meter_name(bench)
        if isinstance(device, SimulatedDevice):
            if world is None:
                raise DriverError(f"{place} is simulated: run with --simulate")
            return world.lamp_meter(bench, proof.reads_lit(lamp.watts))
        from drivers.mqtt import MqttProbe, MqttProbeSettings

        settings = MqttProbeSettings(device.topic, device.path, low=0.0, high=1e6)
        return MqttProbe(place, settings, _link(link, place), clock)

    def relay(bench: str, kind: str, one: RelayConfig) -> Relay:
        if world is not None and isinstance(one.device, SimulatedDevice):
            return world.relay(bench, kind)
        return _relay(f"{bench}/{kind}", one, config, link, shared, runtime_dir)

    probes = {
        f"{name}/{one.name}": probe(name, one)
        for name, bench in config.bench.items()
        for one in bench.probes
    }
    for name, bench in config.bench.items():
        if bench.moisture is not None:
            from drivers.mqtt import MqttProbe, MqttProbeSettings

            place, heard = f"{name}/moisture", bench.moisture.device
            settings = MqttProbeSettings(heard.topic, heard.path, low=-1e5, high=1e5)
            probes[place] = MqttProbe(place, settings, _link(link, place), clock)
    probes |= {f"room/{one.name}": probe("room", one) for one in config.room}
    probes |= {f"outdoor/{one.name}": probe("outdoor", one) for one in config.outdoor}
    if config.night_low is not None:
        forecast = ProbeConfig(name="night-low", measures="air", device=config.night_low)
        probes["outdoor/night-low"] = probe("outdoor", forecast)
    probes |= {
        meter_name(name): meter(name, bench.lamp, bench.lamp.proof)
        for name, bench in config.bench.items()
        if bench.lamp is not None and bench.lamp.proof is not None
    }
    relays = {
        f"{name}/{kind}": relay(name, kind, one)
        for name, bench in config.bench.items()
        for kind, one in (("lamp", bench.lamp), ("mat", bench.mat))
        if one is not None
    }
    return Hardware(probes, relays)


def _relay(
    place: str,
    one: RelayConfig,
    config: Config,
    link: Link | None,
    shared: dict[str, Any],
    runtime_dir: Path | None,
) -> Relay:
    """A relay of the world's; `shared` keeps the pins, which are opened once."""
    device = one.device
    if isinstance(device, GpioDevice):
        from drivers.gpio import GpioRelay, open_factory

        if "pins" not in shared:
            shared["pins"] = open_factory(config.hardware.pins, runtime_dir)
        return GpioRelay(place, device.pin, device.active, shared["pins"])
    if isinstance(device, MqttRelayDevice):
        from drivers.mqtt import MqttRelay

        return MqttRelay(place, device.settings(), _link(link, place))
    raise DriverError(f"{place} is simulated: run with --simulate")


def _link(link: Link | None, place: str) -> Link:
    if link is None:
        raise DriverError(f"{place} is on MQTT, and no broker is at hand")
    return link


async def drive_off(
    config: Config, link: Link | None, clock: Clock, runtime_dir: Path | None
) -> list[tuple[bool, str]]:
    """Drive every relay off, each by itself, whatever fails on the way.

    For each relay whether it is off as far as anybody can know, and a line that says so. A plug that
    reports its state is waited for. Used when no daemon runs; simulated relays have nothing to drive.
    """
    relays = [
        (name, kind, one)
        for name, bench in config.bench.items()
        for kind, one in (("lamp", bench.lamp), ("mat", bench.mat))
        if one is not None and one.device.driver != "simulated"
    ]

    async def off(name: str, kind: str, one: RelayConfig) -> tuple[bool, str]:
        place = f"{name}/{kind}"
        try:
            relay = _relay(place, one, config, link, shared, runtime_dir)
            await relay.start()
        except Exception as error:  # the others are not to be left on for it
            return False, f"{place}: NOT driven off: {error}"
        device, state = one.device, relay.state()
        if isinstance(device, MqttRelayDevice) and device.state_topic is not None:
            end = clock.mono() + device.confirm_within + 1.0
            while state.confirmed is not False and state.fault is None and clock.mono() < end:
                await asyncio.sleep(0.05)
                state = relay.state()
        with suppress(Exception):
            await relay.close()
        if state.fault is not None:
            return False, f"{place}: NOT off for sure: {state.fault}"
        return True, f"{place}: off" + (", and says so itself" if state.confirmed is False else "")

    shared: dict[str, Any] = {}
    return list(await asyncio.gather(*(off(*relay) for relay in relays)))
