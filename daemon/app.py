"""Putting the daemon together from its configuration, running it, and driving everything off.

`run` and `off` are what the command line calls; each returns an exit status.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import logging
import os
import signal
import sys
import time
import uuid
from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.caller import Caller
from daemon.clock import LiveClock, SystemClock, boot_id
from daemon.config import Config, ConfigError, Mqtt, OneWireDevice, load
from daemon.hardware import build, drive_off
from daemon.journal import FLUSH_EVERY, Journal, JournalError
from daemon.service import Service
from daemon.state import DAY, Site
from daemon.wire import Endpoint, Wire, WireError
from drivers.protocols import DriverError
from profiles.library import Library, ProfileError, forget_files, load_library

if TYPE_CHECKING:
    from daemon.client import Client
    from daemon.simulated import Mirror
    from sim.world import World

log = logging.getLogger(__name__)

JOURNAL = "journal.db"
WORLD = "world.json"
#: How often [s, real] the simulated benches are saved.
SAVE_WORLD = 30.0
#: What the journal may take [s] to write what is left, at the end: a disk that hangs is left to hang.
LEAVE_LIMIT = 5.0


def fail(problem: object) -> int:
    """Say on standard error what is wrong, a line for each problem."""
    for line in str(problem).splitlines():
        print(f"hotbed: {line}", file=sys.stderr)
    return 1


def read_site(config: Config) -> tuple[Site, Library]:
    """The site and its crops. Raises ProfileError."""
    library = load_library(config.site.crops)
    return Site.of(config, library), library


def mistyped_probes(config: Config) -> list[str]:
    """1-Wire ids that are not on the bus while one that differs in a character is, and is nobody's.

    Such a slip is refused. A probe that is merely away is not: it may have died in the power cut, and
    the lamps are to come on again.
    """
    wanted = {
        f"{place}.{probe.name}.device.id": probe.device.id
        for place, probes in (
            *((f"bench.{name}.probes", bench.probes) for name, bench in config.bench.items()),
            ("room", config.room),
        )
        for probe in probes
        if isinstance(probe.device, OneWireDevice)
    }
    if not wanted:
        return []
    from drivers.onewire import list_devices

    there = list_devices(config.hardware.onewire_devices)
    spare = [one for one in there if one not in wanted.values()]
    return [
        f"{place}: {given!r} is not on the bus, and {one!r} is; allowed: {', '.join(there)}"
        for place, given in wanted.items()
        for one in spare
        if given not in there and sum(a != b for a, b in zip(given, one, strict=True)) == 1
    ]


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
        if not simulate and config is not None:
            if settings.uses("simulated"):
                return fail(f"{config}: it names simulated devices: run it with --simulate")
            if slips := mistyped_probes(settings):
                raise ConfigError(config, slips)
        asyncio.run(_run(settings, state, simulate, speed, port))
    except (ConfigError, ProfileError, DriverError, JournalError, WireError) as error:
        return fail(error)
    return 0


async def _run(config: Config, state: Path, simulate: bool, speed: float, port: int | None) -> None:
    gc.collect()  # what imports and reading leave in cycles is room for what comes
    site, _ = read_site(config)
    forget_files()  # nobody reads them again
    gc.collect()
    wire = Wire(config.mqtt, config.site.name, port=port)
    try:  # only now: what is refused leaves no folder behind
        state.mkdir(parents=True, exist_ok=True)  # noqa: ASYNC240 (nothing runs yet)
    except OSError as error:
        raise JournalError(f"{state}: the state folder cannot be made: {error.strerror}") from None
    keep = config.site.keep_readings
    journal = Journal.open(
        state / JOURNAL,
        time.time(),
        flush_every=max(1.0, FLUSH_EVERY / (speed if simulate else 1.0)),
        keep_days=keep,
        keep_ticks=int(keep * DAY / site.tick),
    )
    try:
        async with _embedded_broker(config.mqtt, wire.endpoint):
            clock: LiveClock = SystemClock()
            boot = boot_id()
            world = mirror = None
            devices = config
            if simulate:
                from daemon.simulated import as_simulated

                clock, world, mirror = _simulation(config, site, journal, speed, state / WORLD)
                boot, devices = uuid.uuid4().hex, as_simulated(config)
            hardware = build(
                devices, clock, wire, world=world,
                runtime_dir=Path(os.environ.get("RUNTIME_DIRECTORY", state)),
            )  # fmt: skip
            service = Service(
                site, hardware, journal, wire, clock,
                boot=boot, simulated=simulate, observe=mirror,
                # Nobody is to be got out of bed for benches that aren't there.
                caller=Caller({} if simulate else {p.name: p.command for p in config.calls.people}),
            )  # fmt: skip
            loop = asyncio.get_running_loop()
            for one in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
                if signal.getsignal(one) is not signal.SIG_IGN:  # nohup has the last one ignored
                    loop.add_signal_handler(one, service.stop)
            print(f"hotbed: site {site.name}, broker {wire.endpoint}, state in {state}", flush=True)
            async with _kept(mirror, state / WORLD):
                await service.run()
    finally:
        with contextlib.suppress(JournalError, TimeoutError):
            async with asyncio.timeout(LEAVE_LIMIT):
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
    config: Config, site: Site, journal: Journal, speed: float, path: Path
) -> tuple[LiveClock, World, Mirror]:
    """The simulated benches, going on from where they were saved, their clock, and what mirrors
    people's work. Time goes on from the last moment that anything remembers."""
    from daemon.simulated import Mirror, build_world, saved_utc
    from sim.clock import ScaledClock

    saved = journal.saved_state()
    latest = max(time.time(), saved_utc(path), saved.at if saved is not None else 0.0)
    clock = ScaledClock(speed, latest)
    world = build_world(config, start_utc=clock.utc(), clock=clock, start_mono=clock.mono())
    mirror = Mirror(world, site)
    mirror.resume(path)
    return clock, world, mirror


@contextlib.asynccontextmanager
async def _kept(mirror: Mirror | None, path: Path) -> AsyncIterator[None]:
    """Save the simulated benches now and then, and at the end."""
    if mirror is None:
        yield
        return

    def save() -> None:
        try:
            mirror.save(path)
        except OSError as error:
            log.warning("the simulated benches are not saved: %s: %s", path, error.strerror)

    async def now_and_then() -> None:
        while True:
            await asyncio.sleep(SAVE_WORLD)
            save()

    task = asyncio.create_task(now_and_then())
    try:
        yield
    finally:
        task.cancel()
        save()


def off(path: Path) -> tuple[int, list[str]]:
    """Drive every relay of a configuration off; an exit status, and a line for each relay.

    A running daemon is asked to keep them off (until released with `hotbed keep BENCH RELAY auto`);
    without one the relays are driven directly. 1 when one is not off, or nobody can know. Raises
    ConfigError.
    """
    ends = asyncio.run(_off(load(path)))
    return (0 if all(done for done, _ in ends) else 1), [line for _, line in ends]


async def _off(config: Config) -> list[tuple[bool, str]]:
    from daemon.client import Client, NobodyAnswered

    try:
        async with Client(config.mqtt, config.site.name) as client:
            return [
                await _ask_off(client, name, kind)
                for name, bench in config.bench.items()
                for kind in ("lamp", "mat")
                if getattr(bench, kind) is not None
            ]
    except (NobodyAnswered, WireError) as error:
        log.info("no daemon is asked: %s", error)
    clock, runtime = SystemClock(), Path(os.environ.get("RUNTIME_DIRECTORY", "."))
    try:
        wire = Wire(config.mqtt, config.site.name, client_id=f"hotbed-off-{uuid.uuid4().hex[:8]}")
    except WireError as error:
        # What hangs on pins goes off all the same.
        return [*await drive_off(config, None, clock, runtime), (False, f"the broker: {error}")]
    if not config.uses("mqtt"):
        return await drive_off(config, None, clock, runtime)
    task = asyncio.create_task(wire.run())
    try:
        for _ in range(30):
            if wire.connected:
                break
            await asyncio.sleep(0.1)
        return await drive_off(config, wire, clock, runtime)
    finally:
        await wire.close()
        task.cancel()


async def _ask_off(client: Client, name: str, kind: str) -> tuple[bool, str]:
    answer = await client.ask(
        "keep", {"bench": name, "relay": kind, "to": "off"}, by="hotbed off", timeout=3
    )
    if answer.ok:
        return True, f"{name}/{kind}: off: {answer.result['text']}"
    return False, (
        f"{name}/{kind}: NOT off: {answer.error}; stop the daemon, which drives everything off at "
        "its end"
    )
