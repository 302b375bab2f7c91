"""Brokers to test against: the real one, where it is installed, and the embedded one."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import socket
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Mosquitto:
    """A mosquitto process of our own, on a free loopback port.

    lines: of its configuration, besides the listener.
    """

    host = "127.0.0.1"

    def __init__(self, folder: Path, lines: tuple[str, ...]) -> None:
        self.port = _free_port()
        self._config = folder / f"mosquitto-{self.port}.conf"
        # Started by root it would become a user who cannot read the test's folder.
        user = ["user root"] if os.geteuid() == 0 else []
        listener = f"listener {self.port} {self.host}"
        self._config.write_text("\n".join([listener, *lines, *user, "persistence false", ""]))
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        """Start and wait until it listens."""
        program = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin:/usr/local/sbin")
        if program is None:
            pytest.skip("mosquitto is not installed")
        self._process = await asyncio.create_subprocess_exec(
            program, "-c", str(self._config), stderr=asyncio.subprocess.DEVNULL
        )
        deadline = time.monotonic() + 5
        while True:
            try:
                _, writer = await asyncio.open_connection(self.host, self.port)
            except OSError:
                assert self._process.returncode is None, "mosquitto refused its configuration"
                assert time.monotonic() < deadline, "mosquitto does not listen"
                await asyncio.sleep(0.01)
            else:
                writer.close()
                return

    def send_signal(self, number: signal.Signals) -> None:
        """Stop (SIGSTOP), continue (SIGCONT) or kill it."""
        assert self._process is not None
        self._process.send_signal(number)

    async def stop(self) -> None:
        """Kill it and wait for its end; what it kept is gone."""
        process, self._process = self._process, None
        if process is not None and process.returncode is None:
            process.kill()
            await process.wait()


@pytest.fixture
def free_port() -> int:
    """A loopback port on which nothing listens."""
    return _free_port()


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[Callable[..., Awaitable[Mosquitto]]]:
    """Start a mosquitto with these lines in its configuration; skips where there is none."""
    started: list[Mosquitto] = []

    async def start(*lines: str) -> Mosquitto:
        broker = Mosquitto(tmp_path, lines or ("allow_anonymous true",))
        started.append(broker)
        await broker.start()
        return broker

    yield start
    for broker in started:
        await broker.stop()


@pytest.fixture(params=["mosquitto", "embedded"])
async def broker(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Any]:
    """A running broker that lets everybody in: `host`, `port`, `await start()`, `await stop()`."""
    if request.param == "mosquitto":
        running: Any = Mosquitto(tmp_path, ("allow_anonymous true",))
    else:
        from daemon.broker import EmbeddedBroker

        running = EmbeddedBroker(_free_port())
    await running.start()
    yield running
    await running.stop()


@pytest.fixture
def eventually() -> Callable[..., Awaitable[Any]]:
    """`await eventually(condition, within=20.0)`: poll until it holds; returns what it returned."""

    async def poll(condition: Callable[[], Any], within: float = 20.0) -> Any:
        deadline = time.monotonic() + within
        while not (found := condition()):
            assert time.monotonic() < deadline, f"not within {within} s"
            await asyncio.sleep(0.005)
        return found

    return poll


class Foreign:
    """An MQTT client that is not ours: mosquitto_pub and mosquitto_sub."""

    def __init__(self) -> None:
        self._listening: list[tuple[asyncio.subprocess.Process, asyncio.Task[None]]] = []

    async def say(self, broker: Any, topic: str, payload: bytes | None, *options: str) -> None:
        """Publish once, at QoS 1; a payload of None is the empty one."""
        process = await asyncio.create_subprocess_exec(
            *("mosquitto_pub", "-p", str(broker.port), "-t", topic, "-q", "1", *options),
            *(["-n"] if payload is None else ["-s"]),
            stdin=asyncio.subprocess.PIPE,
        )
        await asyncio.wait_for(process.communicate(payload), 5)
        assert process.returncode == 0, f"mosquitto_pub ended with {process.returncode}"

    async def hear(self, broker: Any, *topics: str, options: tuple[str, ...] = ()) -> list[str]:
        """Subscribe; returns a list that grows by "<retain flag> <topic> <payload>"."""
        filters = [word for topic in topics for word in ("-t", topic)]
        command = ("mosquitto_sub", "-p", str(broker.port), "-q", "1", "-d", *filters, *options)
        process = await asyncio.create_subprocess_exec(
            *("stdbuf", "-oL", *command, "-F", "> %r %t %p"),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )
        assert process.stdout is not None
        while not (line := await asyncio.wait_for(process.stdout.readline(), 5)).startswith(
            b"Subscribed"
        ):
            assert line, "mosquitto_sub ended"
        heard: list[str] = []
        reader = asyncio.create_task(self._read(process.stdout, heard))
        self._listening.append((process, reader))
        return heard

    @staticmethod
    async def _read(stream: asyncio.StreamReader, heard: list[str]) -> None:
        async for line in stream:
            if line.startswith(b"> "):
                heard.append(line[2:].decode().rstrip("\n"))

    async def close(self) -> None:
        """Stop listening."""
        for process, reader in self._listening:
            if process.returncode is None:
                process.kill()
            await process.wait()
            await reader


@pytest.fixture
async def foreign() -> AsyncIterator[Foreign]:
    """mosquitto_pub and mosquitto_sub; skips where they are not installed."""
    if not (shutil.which("mosquitto_sub") and shutil.which("mosquitto_pub")):
        pytest.skip("mosquitto_pub and mosquitto_sub are not installed")
    client = Foreign()
    yield client
    await client.close()
