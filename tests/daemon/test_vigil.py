"""A second machine notices that nobody watches: in virtual time, and over real brokers."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import vigil as module
from daemon.cli.asking import Asking
from daemon.cli.vigil import keep_vigil
from daemon.config import Mqtt
from daemon.vigil import RESTART, Vigil, alive
from daemon.wire import Wire

SITE = "plum-row"


def vigil(patience: float = 300.0) -> Vigil:
    return Vigil(SITE, patience, 1000.0)


def told(one: Vigil, now: float, name: str = "bench/lower") -> None:
    one.hear(name, {"at": f"{now}"}, now)


def test_a_daemon_that_tells_of_its_benches_is_alive() -> None:
    one = vigil()
    one.hear("availability", {"state": "online"}, 1000.0)
    for minute in range(20):
        told(one, 1000.0 + minute * 60.0)
        assert one.silence(1000.0 + minute * 60.0) == ""
    assert alive(one)


def test_what_the_broker_kept_is_no_sign_of_life_however_often_it_is_heard() -> None:
    one = vigil()
    one.hear("availability", {"state": "online"}, 1000.0)
    for at in (1000.0, 1100.0, 1200.0):  # after each reconnection anew
        one.hear("bench/lower", {"at": "yesterday"}, at)
    assert not alive(one)
    assert one.silence(1299.0) == ""
    assert one.silence(1300.0).startswith(
        f"nothing heard of {SITE} for 5 minutes, though the broker"
    )


def test_a_daemon_that_hangs_with_its_connection_up_falls_silent_after_the_patience() -> None:
    one = vigil()
    told(one, 1000.0)
    told(one, 1060.0)
    assert one.silence(1060.0 + 299.0) == ""
    assert "it may hang" in one.silence(1060.0 + 300.0)


def test_one_that_says_it_stops_may_start_again_and_is_not_waited_for_as_long() -> None:
    one = vigil()
    told(one, 1000.0)
    told(one, 1060.0)
    one.hear("availability", {"state": "offline"}, 1070.0)
    assert not alive(one)
    assert one.silence(1070.0 + RESTART - 1.0) == ""
    one.hear("availability", {"state": "online"}, 1100.0)
    told(one, 1101.0)
    assert one.silence(1070.0 + RESTART) == ""
    one.hear("availability", {"state": "offline"}, 1200.0)
    one.hear("availability", {"state": "offline"}, 1250.0)  # said twice, it stopped once
    said = one.silence(1200.0 + RESTART)
    assert said.startswith(
        f"the daemon of {SITE} stopped, or lost its power or its network, 1 minute"
    )


def test_a_lost_broker_and_a_site_that_nobody_knows_are_told_apart() -> None:
    one = vigil()
    one.lose("broker.example:1883 refuses")
    assert one.silence(1299.0) == ""
    assert one.silence(1300.0).endswith("broker.example:1883 refuses")
    one.connected()
    assert "no daemon of site plum-row is known to the broker" in one.silence(1300.0)
    one.hear("availability", None, 1300.0)
    one.hear("bench/lower", None, 1300.0)
    assert "is known to the broker" in one.silence(1300.0)


# --- over a broker ---------------------------------------------------------------------------------


class Daemon:
    """What a daemon publishes, by the real wire."""

    def __init__(self, port: int) -> None:
        self.wire = Wire(Mqtt(broker="127.0.0.1"), SITE, port=port, backoff=(0.02, 0.1))
        self.beat: asyncio.Task[None] | None = None
        self._n = 0

    @asynccontextmanager
    async def running(self) -> AsyncIterator[Daemon]:
        task = asyncio.create_task(self.wire.run())
        self.beat = asyncio.create_task(self._beats())
        try:
            yield self
        finally:
            self.beat.cancel()
            await self.wire.close()
            task.cancel()
            await asyncio.gather(task, self.beat, return_exceptions=True)

    async def _beats(self) -> None:
        while True:
            self._n += 1
            payload = json.dumps({"schema": 1, "at": f"tick {self._n}"}).encode()
            self.wire.publish_latest(self.wire.topics.bench("lower"), payload)
            await asyncio.sleep(0.05)


def asking(port: int, as_json: bool = True) -> Asking:
    return Asking(None, Mqtt(broker="127.0.0.1"), SITE, port, None, "C", as_json)


@asynccontextmanager
async def watching(port: int, patience: float, run: Path | None = None) -> AsyncIterator[None]:
    task = asyncio.create_task(keep_vigil(asking(port), patience, run))
    await asyncio.sleep(0)
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "RECONNECT", 0.05)
    monkeypatch.setattr(module, "LOOK", 0.05)


class Lines:
    """What was printed, as it grows."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys
        self._text = ""

    def states(self) -> list[str]:
        self._text += self._capsys.readouterr().out
        return [json.loads(line)["state"] for line in self._text.splitlines()]


async def test_a_silence_and_its_end_are_told_and_a_program_is_run_for_each(
    broker: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str], eventually: Callable[..., Any]
) -> None:
    told = tmp_path / "told"
    run = tmp_path / "call-me"
    run.write_text(f'#!/bin/sh\necho "$HOTBED_ALARM: $(cat)" >> {told}\n', encoding="utf-8")
    run.chmod(0o755)
    lines = Lines(capsys)
    async with watching(broker.port, 0.8, run):
        async with Daemon(broker.port).running() as daemon:
            await asyncio.sleep(1.2)
            assert lines.states() == []
            assert daemon.beat is not None
            daemon.beat.cancel()  # it hangs, its connection stays
            await eventually(lambda: lines.states() == ["silent"])
            daemon.beat = asyncio.create_task(daemon._beats())
            await eventually(lambda: lines.states() == ["silent", "heard"])
        # And now it is gone.
        await eventually(lambda: lines.states() == ["silent", "heard", "silent"])
        await eventually(lambda: told.exists() and len(told.read_text().splitlines()) == 3)
    first, second, third = told.read_text(encoding="utf-8").splitlines()
    assert first.startswith("silent: nothing heard of plum-row")
    assert second == "heard: plum-row is heard again"
    assert third.startswith("silent: the daemon of plum-row stopped")


async def test_a_broker_that_is_gone_is_a_silence_and_its_return_the_end_of_it(
    broker: Any, capsys: pytest.CaptureFixture[str], eventually: Callable[..., Any]
) -> None:
    lines = Lines(capsys)
    async with watching(broker.port, 0.8), Daemon(broker.port).running():
        await asyncio.sleep(0.5)
        await broker.stop()
        await eventually(lambda: lines.states() == ["silent"])
        await broker.start()
        await eventually(lambda: lines.states() == ["silent", "heard"], within=10.0)


async def test_looked_at_once_it_says_alive_or_silent_by_its_exit_status(broker: Any) -> None:
    async with Daemon(broker.port).running():
        assert await module._once(asking(broker.port), 5.0) == ""
    # The daemon's last words are kept by the broker; nobody is alive for them.
    assert "stopped" in await module._once(asking(broker.port), 0.4)


def test_the_words_of_the_command_are_checked(hotbed: Callable[..., Any], tmp_path: Path) -> None:
    for words, said in (
        (("--after", "10s"), "--after: '10s'; allowed: 90s to 1d"),
        (("--after", "soon"), "--after:"),
        (("--run", "absent", "--once"), "--run goes without --once"),
    ):
        result = hotbed("watch", *words)
        assert result.exit_code == 2, words
        assert said in result.stderr
    result = hotbed("watch", "--run", "absent")
    assert (result.exit_code, result.stderr) == (1, "hotbed: --run: there is no program absent\n")


def test_with_no_broker_a_look_ends_with_status_3(
    hotbed: Callable[..., Any], free_port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "USUAL", 0.3)
    result = hotbed("watch", "--once", "--json", "--broker", "127.0.0.1", "--port", str(free_port))
    assert result.exit_code == 3
    content = json.loads(result.stdout)
    assert (content["ok"], content["result"]["state"]) == (False, "silent")
    assert "nothing heard of" in content["error"]


async def test_whoever_listens_needs_no_right_to_write(
    mosquitto: Callable[..., Any], tmp_path: Path
) -> None:
    rights = tmp_path / "acl"
    root = f"hotbed/{SITE}"
    rights.write_text(
        # The daemon's plain connection may do all; only the listener has a name.
        f"topic readwrite {root}/#\nuser listener\ntopic read {root}/availability\n"
        f"topic read {root}/bench/+\ntopic read {root}/answer/+\n",
        encoding="utf-8",
    )
    broker = await mosquitto("allow_anonymous true", f"acl_file {rights}")
    listener = Asking(
        None, Mqtt(broker="127.0.0.1", username="listener"), SITE, broker.port, None, "C", True
    )
    async with Daemon(broker.port).running():
        assert await module._once(listener, 5.0) == ""
