"""The embedded broker, with mosquitto_pub, mosquitto_sub and aiomqtt as its clients."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from typing import Any

import aiomqtt
import pytest

from daemon.broker import BrokerError, EmbeddedBroker


@pytest.fixture
async def embedded(free_port: int) -> AsyncIterator[EmbeddedBroker]:
    broker = EmbeddedBroker(free_port)
    await broker.start()
    yield broker
    await broker.stop()


async def test_it_carries_and_keeps_messages_for_foreign_clients(
    embedded: EmbeddedBroker, foreign: Any, eventually: Any
) -> None:
    live = await foreign.hear(embedded, "shed/#")
    await foreign.say(embedded, "shed/a", "7 °C".encode(), "-r")
    await eventually(lambda: live == ["0 shed/a 7 °C"])
    kept = await foreign.hear(embedded, "shed/#")
    await eventually(lambda: kept == ["1 shed/a 7 °C"])


async def test_a_taken_port_is_named_with_the_mend(embedded: EmbeddedBroker) -> None:
    second = EmbeddedBroker(embedded.port)
    with pytest.raises(
        BrokerError, match=rf"port {embedded.port} on 127\.0\.0\.1 is taken.*--port"
    ):
        await second.start()
    await second.stop()


async def test_it_starts_again_on_the_port_it_left(embedded: EmbeddedBroker) -> None:
    for _ in range(3):
        await embedded.stop()
        await embedded.stop()
        await embedded.start()
        await embedded.start()
    async with aiomqtt.Client("127.0.0.1", embedded.port) as client:
        await client.publish("shed/a", b"x", qos=1)


@pytest.mark.parametrize("port", [-1, 0, 65536])
def test_a_port_that_is_none_is_refused_with_the_range(port: int) -> None:
    with pytest.raises(ValueError, match="1 to 65535"):
        EmbeddedBroker(port)


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7"])
def test_it_listens_on_loopback_only(host: str) -> None:
    with pytest.raises(ValueError, match="loopback only"):
        EmbeddedBroker(1883, host=host)


def test_a_password_needs_a_user_name() -> None:
    with pytest.raises(ValueError, match="user name"):
        EmbeddedBroker(1883, password="x")


@pytest.mark.parametrize(
    ("given", "let_in"),
    [
        ({"username": "loft", "password": "Möhre"}, True),
        ({}, False),
        ({"username": "loft"}, False),
        ({"username": "loft", "password": ""}, False),
        ({"username": "loft", "password": "Mohre"}, False),
        ({"username": "Loft", "password": "Möhre"}, False),
        ({"username": "", "password": "Möhre"}, False),
    ],
)
async def test_with_a_password_only_who_gives_it_is_let_in(
    free_port: int, given: dict[str, str], let_in: bool
) -> None:
    broker = EmbeddedBroker(free_port, username="loft", password="Möhre")
    await broker.start()
    try:
        async with aiomqtt.Client("127.0.0.1", free_port, timeout=3, **given) as client:  # type: ignore[arg-type]
            await client.publish("shed/a", b"x", qos=1)
            assert let_in
    except aiomqtt.exceptions.MqttConnectError:
        assert not let_in
    finally:
        await broker.stop()


async def test_a_connection_that_says_nothing_does_not_hold_up_the_stop(
    embedded: EmbeddedBroker,
) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", embedded.port)
    await asyncio.sleep(0.02)
    began = time.monotonic()
    await embedded.stop()
    assert time.monotonic() - began < 3
    with contextlib.suppress(ConnectionResetError):
        assert await asyncio.wait_for(reader.read(), 1) == b""
    writer.close()


async def test_newcomers_are_served_while_others_come_and_go_and_get_only_what_they_asked_for(
    embedded: EmbeddedBroker,
) -> None:
    """amqtt by itself sends a newcomer what others subscribed to, and fails one in twenty here."""

    async def visit(name: str) -> int:
        async with aiomqtt.Client("127.0.0.1", embedded.port, timeout=3) as client:
            await client.subscribe(f"answer/{name}", qos=1)
            await client.publish(f"answer/{name}", b"fence", qos=1)
            async for message in client.messages:
                if message.payload == b"fence":
                    return len(client.messages)
                return -1
        return -2

    async with aiomqtt.Client("127.0.0.1", embedded.port) as resident:
        for number in range(20):
            await resident.publish(f"bench/{number}", b"x", retain=True)
        await resident.subscribe("bench/+")
        await resident.subscribe("bench/#")
        for turn in range(5):
            results = await asyncio.gather(*(visit(f"{turn}-{n}") for n in range(8)))
            assert results == [0] * 8


async def test_it_is_quiet_but_for_a_level_the_user_has_set(
    free_port: int, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logging.getLogger("amqtt"), "level", logging.NOTSET)
    monkeypatch.setattr(logging.getLogger("transitions"), "level", logging.ERROR)
    caplog.set_level(logging.DEBUG)
    broker = EmbeddedBroker(free_port)
    await broker.start()
    _, writer = await asyncio.open_connection("127.0.0.1", free_port)
    writer.close()
    async with aiomqtt.Client("127.0.0.1", free_port) as client:
        await client.publish("shed/a", b"x")
    await broker.stop()
    names = {record.name.partition(".")[0] for record in caplog.records}
    assert not names & {"amqtt", "transitions"}
    assert logging.getLogger("transitions").level == logging.ERROR


def test_amqtt_is_not_imported_until_a_broker_starts() -> None:
    code = "import sys, daemon.broker; daemon.broker.EmbeddedBroker(1883); print('amqtt' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
