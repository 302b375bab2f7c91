"""A daemon that is stopped (SIGSTOP) is killed, everything is switched off, and it starts again.

The service manager is not to be had in a test, so a small one keeps the contract that
`systemd/hotbed.service` asks of the real one (sd_notify(3), sd_watchdog_enabled(3), systemd.service(5)):
WATCHDOG_USEC, the signal of WatchdogSignal= when no WATCHDOG=1 came for so long, ExecStopPost= after any
end, then Restart=. What a plug does is seen on the wire, as its maker's timer would do it.
"""

from __future__ import annotations

import asyncio
import re
import signal
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from tests.processes import PLUG, ROOT, Daemon

pytestmark = pytest.mark.slow

UNIT = (ROOT / "systemd" / "hotbed.service").read_text(encoding="utf-8")
#: Seconds of silence that are too long; the unit's are 30.
WATCHDOG = 1.2


class Plug:
    """A plug that ends each "on" by its own timer, and writes down when it was switched."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.on = False
        self.history: list[tuple[float, str]] = []  # monotonic time, what was told or "lease"
        self._ends: float | None = None

    async def run(self) -> None:
        async with aiomqtt.Client("127.0.0.1", self.port) as client:
            await client.subscribe("annex/plug/set", 1)
            clock = asyncio.create_task(self._clock(client))
            try:
                async for message in client.messages:
                    word, _, lease = bytes(message.payload).decode().partition(" ")
                    self._ends = time.monotonic() + float(lease) if lease else None
                    await self._turn(client, word == "ON", word)
            finally:
                clock.cancel()

    async def _clock(self, client: aiomqtt.Client) -> None:
        while True:
            await asyncio.sleep(0.02)
            if self._ends is not None and time.monotonic() >= self._ends:
                self._ends = None
                await self._turn(client, False, "lease")

    async def _turn(self, client: aiomqtt.Client, on: bool, why: str) -> None:
        if on != self.on or why != "lease":
            self.history.append((time.monotonic(), why))
        self.on = on
        await client.publish("annex/plug", "ON" if on else "OFF", 1)


@asynccontextmanager
async def plugged(port: int) -> AsyncIterator[Plug]:
    plug = Plug(port)
    task = asyncio.create_task(plug.run())
    try:
        yield plug
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


class Manager:
    """What the unit makes of the service manager: it starts the daemon and keeps it alive."""

    def __init__(self, daemon: Daemon, folder: Path) -> None:
        self.daemon = daemon
        self.process: asyncio.subprocess.Process
        self.ends: list[int] = []  # how each life ended: the signal
        self.told: list[str] = []  # all that the daemon said
        self.off_at: list[float] = []  # when ExecStopPost= had run
        self._path = folder / "notify"
        self._signal = signal.Signals[_setting("WatchdogSignal")]
        self._post = _setting("ExecStopPost")
        self._alive = asyncio.Event()

    async def run(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as heard:
            heard.bind(str(self._path))
            loop = asyncio.get_running_loop()
            while True:
                self.process = process = await self._start()
                end = asyncio.create_task(process.wait())
                try:
                    silent = time.monotonic() + 20  # TimeoutStartSec=
                    while not end.done():
                        hearing = asyncio.create_task(loop.sock_recv(heard, 4096))
                        done, _ = await asyncio.wait(
                            {hearing, end}, timeout=max(0.0, silent - time.monotonic()),
                            return_when=asyncio.FIRST_COMPLETED,
                        )  # fmt: skip
                        if hearing in done:
                            words = hearing.result().decode().splitlines()
                            self.told += words
                            if "READY=1" in words or "WATCHDOG=1" in words:
                                silent = time.monotonic() + WATCHDOG
                        else:
                            hearing.cancel()
                            if end not in done:
                                process.send_signal(self._signal)
                                await end
                    self.ends.append(-(await end))
                finally:
                    if process.returncode is None:
                        process.kill()
                        await process.wait()
                post = await asyncio.create_subprocess_exec(
                    *self.daemon.command(*_words(self._post)), env=self._environment()
                )
                await post.wait()
                self.off_at.append(time.monotonic())

    async def _start(self) -> asyncio.subprocess.Process:
        log = await asyncio.to_thread(self.daemon.log.open, "ab")
        with log:
            return await asyncio.create_subprocess_exec(
                *self.daemon.run_command, env=self._environment(), stdout=log, stderr=log
            )

    def _environment(self) -> dict[str, str]:
        return self.daemon.environment(
            NOTIFY_SOCKET=str(self._path), WATCHDOG_USEC=str(int(WATCHDOG * 1e6))
        )


def _setting(key: str) -> str:
    found = re.search(rf"^{key}=(.*)$", UNIT, re.MULTILINE)
    assert found is not None
    return found.group(1)


def _words(command: str) -> list[str]:
    """The program's words of a line of the unit, without its path and its --config."""
    words = command.split()[1:]
    place = words.index("--config")
    return words[:place] + words[place + 2 :]


async def test_a_stopped_daemon_is_killed_off_is_said_and_it_starts_again(
    mosquitto: Any, tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    broker = await mosquitto()
    daemon = Daemon(tmp_path, broker.port, mat=PLUG, tick=4.0)  # a lease of 15 s: not what ends it
    manager = Manager(daemon, tmp_path)
    async with plugged(broker.port) as plug:
        task = asyncio.create_task(manager.run())
        try:
            await eventually(lambda: "READY=1" in manager.told, within=20)
            sown = await asyncio.to_thread(
                daemon.ask, "sow", "tomato", "--bench", "lower", "--by", "Marit"
            )
            assert sown.returncode == 0, sown.stderr
            await eventually(lambda: plug.on, within=10)
            await asyncio.sleep(WATCHDOG + 0.5)
            assert manager.ends == []  # a loop that runs is left alone
            stopped = time.monotonic()
            manager.process.send_signal(signal.SIGSTOP)
            await eventually(lambda: not plug.on, within=12)
            off = time.monotonic()
            assert manager.ends == [signal.SIGKILL]
            assert plug.history[-1][1] == "OFF"
            assert off - stopped < WATCHDOG + 8
            await eventually(lambda: len(manager.off_at) == 1, within=10)
            assert not plug.on
            await eventually(lambda: manager.told.count("READY=1") == 2, within=20)
            await eventually(lambda: plug.on, within=20)  # and it goes on with what was sown
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def test_a_plug_goes_off_by_itself_when_the_daemon_is_stopped_and_nobody_notices(
    mosquitto: Any, tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    broker = await mosquitto()
    daemon = Daemon(tmp_path, broker.port, mat=PLUG, tick=0.25)
    async with plugged(broker.port) as plug:
        process = daemon.start()
        try:
            await eventually(
                lambda: b"connected to the broker" in daemon.log.read_bytes(), within=15
            )
            sown = await asyncio.to_thread(
                daemon.ask, "sow", "tomato", "--bench", "lower", "--by", "Marit"
            )
            assert sown.returncode == 0, sown.stderr
            await eventually(lambda: plug.on, within=10)
            process.send_signal(signal.SIGSTOP)
            stopped = time.monotonic()
            await eventually(lambda: not plug.on, within=12)
            assert plug.history[-1][1] == "lease"
            assert time.monotonic() - stopped < 2.5 * 0.25 + 5 + 2  # whole seconds, rounded up
        finally:
            daemon.kill()
