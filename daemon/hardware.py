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
    MqttProbeDevice,
    MqttRelayDevice,
    OneWireDevice,
)
from daemon.config import Probe as ProbeConfig
from daemon.config import Relay as RelayConfig
from drivers.protocols import Clock, DriverError, Link, Probe, Relay

if TYPE_CHECKING:
    from sim.world import World

log = logging.getLogger(__name__)


class Hardware:
    """All devices of a site. Probes are named `<bench>/<probe>` or `room/<probe>`, relays
    `<bench>/lamp` and `<bench>/mat`."""

    def __init__(self, probes: Mapping[str, Probe], relays: Mapping[str, Relay]) -> None:
        self.probes = probes
        self.relays = relays

    async def start(self) -> None:
        """Drive every relay off, then begin to read. Raises DriverError, with all relays released."""
        try:
            for relay in self.relays.values():
                await relay.start()
        except BaseException:
            await self.close()
            raise
        for probe in self.probes.values():
            await probe.start()

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

    def link_for(place: str) -> Link:
        if link is None:
            raise DriverError(f"{place} is on MQTT, and no broker is at hand")
        return link

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
            return MqttProbe(place, settings, link_for(place), clock)
        if world is None:
            raise DriverError(f"{place} is simulated: run with --simulate")
        return world.room_probe(one.name) if bench == "room" else world.probe(bench, one.name)

    def relay(bench: str, kind: str, one: RelayConfig) -> Relay:
        device, place = one.device, f"{bench}/{kind}"
        if isinstance(device, GpioDevice):
            from drivers.gpio import GpioRelay, open_factory

            if "pins" not in shared:
                shared["pins"] = open_factory(config.hardware.pins, runtime_dir)
            return GpioRelay(place, device.pin, device.active, shared["pins"])
        if isinstance(device, MqttRelayDevice):
            from drivers.mqtt import MqttRelay

            return MqttRelay(place, device.settings(), link_for(place))
        if world is None:
            raise DriverError(f"{place} is simulated: run with --simulate")
        return world.relay(bench, kind)

    probes = {
        f"{name}/{one.name}": probe(name, one)
        for name, bench in config.bench.items()
        for one in bench.probes
    }
    probes |= {f"room/{one.name}": probe("room", one) for one in config.room}
    relays = {
        f"{name}/{kind}": relay(name, kind, one)
        for name, bench in config.bench.items()
        for kind, one in (("lamp", bench.lamp), ("mat", bench.mat))
        if one is not None
    }
    return Hardware(probes, relays)


async def drive_off(
    config: Config, link: Link | None, clock: Clock, runtime_dir: Path | None
) -> list[str]:
    """Drive every relay off, one by one, whatever fails on the way; a line for each.

    Used when no daemon runs. Simulated relays have nothing to drive.
    """
    lines = []
    for name, bench in config.bench.items():
        for kind, one in (("lamp", bench.lamp), ("mat", bench.mat)):
            if one is None or one.device.driver == "simulated":
                continue
            only = bench.model_copy(
                update={"probes": [], "lamp": one if kind == "lamp" else None,
                        "mat": one if kind == "mat" else None}
            )  # fmt: skip
            single = config.model_copy(update={"bench": {name: only}, "room": []})
            try:
                hardware = build(single, clock, link, runtime_dir=runtime_dir)
                await hardware.start()
                fault = hardware.relays[f"{name}/{kind}"].state().fault
                with suppress(Exception):
                    await hardware.close()
                lines.append(f"{name}/{kind}: " + (f"not sure: {fault}" if fault else "off"))
            except DriverError as error:
                lines.append(f"{name}/{kind}: NOT driven off: {error}")
    return lines
