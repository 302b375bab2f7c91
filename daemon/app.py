"""Putting the daemon together from its configuration, running it, and driving everything off.

`run` and `off` are what the command line calls; each returns an exit status.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
import sys
import time
import uuid
from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.clock import LiveClock, SystemClock, boot_id
from daemon.config import Config, ConfigError, Mqtt, load
from daemon.hardware import build, drive_off
from daemon.journal import Journal, JournalError
from daemon.service import Service
from daemon.state import Site, restore
from daemon.wire import Endpoint, Wire, WireError
from drivers.protocols import DriverError
from profiles.library import Library, ProfileError, load_library

if TYPE_CHECKING:
    from daemon.simulated import Mirror
    from sim.world import World

log = logging.getLogger(__name__)

JOURNAL = "journal.db"
WORLD = "world.json"
#: How often [s, real] the simulated benches are saved.
SAVE_WORLD = 30.0


def fail(problem: object) -> int:
    """Say on standard error what is wrong, a line for each problem."""
    for line in str(problem).splitlines():
        print(f"hotbed: {line}", file=sys.stderr)
    return 1


def read_site(config: Config) -> tuple[Site, Library]:
    """The site and its crops. Raises ProfileError."""
    library = load_library(config.site.crops)
    return Site.of(config, library), library


def run(
    *,
    config: Path | None,
    state: Path,
    simulate: bool,
    speed: float,
    port: int | None,
    log_level: str,
) -> int:
    """Run the daemon until SIGTERM or SIGINT. 0 when it ended in good order, 1 when it could not."""
    logging.basicConfig(
        level=log_level.upper(), format="%(asctime)s %(levelname)s %(name)s: %(message)s"
    )
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    try:
        if config is not None:
            settings = load(config)
        elif simulate:
            from daemon.simulated import example

            settings = example()
        else:
            return fail(
                "no configuration: name one with --config, or try --simulate, which needs none"
            )
        if simulate:
            from daemon.simulated import as_simulated

            settings = as_simulated(settings)
        elif settings.uses("simulated"):
            return fail(f"{config}: it names simulated devices: run it with --simulate")
        state.mkdir(parents=True, exist_ok=True)
        asyncio.run(_run(settings, state, simulate, speed, port))
    except (ConfigError, ProfileError, DriverError, JournalError, WireError) as error:
        return fail(error)
    except OSError as error:
        return fail(f"{state}: {error.strerror or error}")
    return 0


async def _run(config: Config, state: Path, simulate: bool, speed: float, port: int | None) -> None:
    site, library = read_site(config)
    clock: LiveClock = SystemClock()
    boot = boot_id()
    if simulate:
        from daemon.simulated import saved_utc
        from sim.clock import ScaledClock

        clock = ScaledClock(speed, max(time.time(), saved_utc(state / WORLD)))
        boot = uuid.uuid4().hex
    wire = Wire(config.mqtt, config.site.name, port=port)
    journal = Journal.open(state / JOURNAL, clock.utc())
    try:
        async with _embedded_broker(config.mqtt, wire.endpoint):
            world = mirror = None
            if simulate:
                world, mirror = _simulation(config, site, library, journal, clock, state / WORLD)
            hardware = build(
                config, clock, wire, world=world,
                runtime_dir=Path(os.environ.get("RUNTIME_DIRECTORY", state)),
            )  # fmt: skip
            service = Service(
                site, hardware, journal, wire, clock,
                boot=boot, simulated=simulate, observe=mirror,
            )  # fmt: skip
            loop = asyncio.get_running_loop()
            for one in (signal.SIGTERM, signal.SIGINT):
                loop.add_signal_handler(one, service.stop)
            print(f"hotbed: site {site.name}, broker {wire.endpoint}, state in {state}", flush=True)
            async with _kept(world, state / WORLD):
                await service.run()
    finally:
        with contextlib.suppress(JournalError):
            await journal.close()


@contextlib.asynccontextmanager
async def _embedded_broker(settings: Mqtt, endpoint: Endpoint) -> AsyncIterator[None]:
    """The broker inside, where the configuration wants it. Raises WireError."""
    if settings.broker != "embedded":
        yield
        return
    from daemon.broker import BrokerError, EmbeddedBroker

    broker = EmbeddedBroker(endpoint.port, username=endpoint.username, password=endpoint.password)
    try:
        await broker.start()
    except BrokerError as error:
        raise WireError(str(error)) from None
    try:
        yield
    finally:
        await broker.stop()


def _simulation(
    config: Config, site: Site, library: Library, journal: Journal, clock: LiveClock, path: Path
) -> tuple[World, Mirror]:
    """The simulated benches, going on from where they were saved, and what mirrors people's work."""
    from daemon.simulated import Mirror, build_world, resume_world

    world = build_world(config, start_utc=clock.utc(), clock=clock, start_mono=clock.mono())
    saved = journal.saved_state()
    batches = {}
    if saved is not None:
        with contextlib.suppress(ValueError):
            batches = dict(restore(saved.body).batches)
    resume_world(world, path, batches, library)
    known = {code: batch for code, batch in batches.items() if code in world.batches}
    return world, Mirror(world, site, known)


@contextlib.asynccontextmanager
async def _kept(world: World | None, path: Path) -> AsyncIterator[None]:
    """Save the simulated benches now and then, and at the end."""
    if world is None:
        yield
        return
    from daemon.simulated import save_world

    async def now_and_then() -> None:
        while True:
            await asyncio.sleep(SAVE_WORLD)
            save_world(world, path)

    task = asyncio.create_task(now_and_then())
    try:
        yield
    finally:
        task.cancel()
        save_world(world, path)


def off(path: Path) -> tuple[int, list[str]]:
    """Drive every relay of a configuration off; an exit status, and a line for each relay.

    A running daemon is asked to keep them off (until released with `hotbed keep BENCH RELAY auto`);
    without one the relays are driven directly. Raises ConfigError, WireError.
    """
    config = load(path)
    lines = asyncio.run(_off(config))
    return (1 if any("NOT" in line for line in lines) else 0), lines


async def _off(config: Config) -> list[str]:
    from daemon.client import Client, NobodyAnswered

    relays = [
        (name, kind)
        for name, bench in config.bench.items()
        for kind in ("lamp", "mat")
        if getattr(bench, kind) is not None
    ]
    with contextlib.suppress(NobodyAnswered, WireError):
        async with Client(config.mqtt, config.site.name) as client:
            lines = []
            for name, kind in relays:
                answer = await client.ask(
                    "keep", {"bench": name, "relay": kind, "to": "off"}, by="hotbed off", timeout=3
                )
                text = answer.result["text"] if answer.ok and answer.result else answer.error
                lines.append(
                    f"{name}/{kind}: " + (f"off: {text}" if answer.ok else f"NOT off: {text}")
                )
            return lines
    runtime = Path(os.environ.get("RUNTIME_DIRECTORY", "."))
    if not config.uses("mqtt"):
        return await drive_off(config, None, SystemClock(), runtime)
    wire = Wire(config.mqtt, config.site.name, client_id=f"hotbed-off-{uuid.uuid4().hex[:8]}")
    task = asyncio.create_task(wire.run())
    try:
        for _ in range(30):
            if wire.connected:
                break
            await asyncio.sleep(0.1)
        return await drive_off(config, wire, SystemClock(), runtime)
    finally:
        await wire.close()
        task.cancel()
