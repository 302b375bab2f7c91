"""The wire, against mosquitto and the embedded broker, with mosquitto_pub and mosquitto_sub."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import logging
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import textwrap
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon import wire as module
from daemon.broker import EmbeddedBroker
from daemon.config import Mqtt
from daemon.wire import (
    EVENT_QUEUE,
    QUEUE,
    REQUEST_LIMIT,
    Endpoint,
    RateLimit,
    Topics,
    Wire,
    WireError,
    acknowledge_now,
)
from drivers.protocols import Link
from tests.authority import Authority

SITE = "fenwick-loft"
TOPICS = Topics(SITE)


@asynccontextmanager
async def running(
    broker: Any, prepare: Callable[[Wire], object] = lambda wire: None, **settings: Any
) -> AsyncIterator[Wire]:
    wire = Wire(Mqtt(broker="127.0.0.1", **settings), SITE, port=broker.port, backoff=(0.02, 0.2))
    prepare(wire)
    task = asyncio.create_task(wire.run())
    try:
        yield wire
    finally:
        await wire.close()
        await asyncio.wait_for(task, 2)


async def test_availability_is_online_while_it_runs_and_offline_after_close(
    broker: Any, foreign: Any, eventually: Any
) -> None:
    heard = await foreign.hear(broker, f"hotbed/{SITE}/availability")
    async with running(broker) as wire:
        await eventually(lambda: heard == [f"0 {TOPICS.availability} online"])
        assert wire.connected
        assert wire.since is not None
        assert abs(wire.since - time.time()) < 5
    assert not wire.connected
    assert wire.last_error is None
    await eventually(lambda: heard[-1] == f"0 {TOPICS.availability} offline")
    kept = await foreign.hear(broker, TOPICS.availability)
    await eventually(lambda: kept == [f"1 {TOPICS.availability} offline"])


@pytest.mark.parametrize("qos", [0, 1])
async def test_what_was_said_last_arrives_though_the_connection_is_closed_at_once(
    broker: Any, foreign: Any, eventually: Any, qos: int
) -> None:
    heard = await foreign.hear(broker, "shed/#", TOPICS.availability)
    async with running(broker) as wire:
        await eventually(lambda: wire.connected)
        for number in range(50):
            wire.publish(f"shed/plug-{number}/set", b"OFF", qos=qos)
    if isinstance(broker, EmbeddedBroker):  # as the daemon does next
        await broker.stop()
    await eventually(lambda: heard[-1:] == [f"0 {TOPICS.availability} offline"])
    assert heard[1:-1] == [f"0 shed/plug-{number}/set OFF" for number in range(50)]


async def test_cancelling_it_says_offline_too(broker: Any, foreign: Any, eventually: Any) -> None:
    heard = await foreign.hear(broker, TOPICS.availability)
    wire = Wire(Mqtt(broker="127.0.0.1"), SITE, port=broker.port)
    task = asyncio.create_task(wire.run())
    await eventually(lambda: wire.connected)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    await eventually(lambda: heard[-1:] == [f"0 {TOPICS.availability} offline"])


async def test_it_can_be_cancelled_at_any_moment(broker: Any, eventually: Any) -> None:
    """Also when what it waits for comes together with the cancellation."""
    for steps in range(40):
        wire = Wire(Mqtt(broker="127.0.0.1"), SITE, port=broker.port)
        task = asyncio.create_task(wire.run())
        await eventually(lambda wire=wire: wire.connected)
        for _ in range(steps):
            await asyncio.sleep(0)
        task.cancel()
        began = time.monotonic()
        await asyncio.wait({task}, timeout=5)
        assert task.cancelled()
        assert time.monotonic() - began < 2
        assert not wire.connected


async def test_a_cancellation_that_was_lost_is_repeated() -> None:
    async def loses_the_first() -> None:
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.sleep(60)
        await asyncio.sleep(60)

    task = asyncio.create_task(loses_the_first())
    await asyncio.sleep(0)
    await asyncio.wait_for(module._end({task}, 0.01), 1)
    assert task.cancelled()


async def test_the_broker_says_offline_for_a_daemon_that_was_killed(
    broker: Any, foreign: Any, eventually: Any
) -> None:
    heard = await foreign.hear(broker, TOPICS.availability)
    code = f"""
        import asyncio
        from daemon.config import Mqtt
        from daemon.wire import Wire
        asyncio.run(Wire(Mqtt(broker="127.0.0.1"), {SITE!r}, port={broker.port}).run())
    """
    process = await asyncio.create_subprocess_exec(sys.executable, "-c", textwrap.dedent(code))
    await eventually(lambda: heard == [f"0 {TOPICS.availability} online"])
    process.kill()
    await process.wait()
    await eventually(lambda: heard[1:] == [f"0 {TOPICS.availability} offline"])


async def test_a_late_will_of_an_earlier_connection_is_contradicted(
    broker: Any, foreign: Any, eventually: Any
) -> None:
    async with running(broker) as wire:
        await eventually(lambda: wire.connected)
        heard = await foreign.hear(broker, TOPICS.availability)
        await foreign.say(broker, TOPICS.availability, b"offline", "-r")
        await eventually(lambda: len(heard) >= 3)
        assert heard[1:] == [f"0 {TOPICS.availability} {word}" for word in ("offline", "online")]


async def test_the_latest_payload_is_kept_by_the_broker_until_it_is_cleared(
    broker: Any, foreign: Any, eventually: Any
) -> None:
    topic = TOPICS.batch("tomato-1")
    async with running(broker) as wire:
        wire.publish_latest(topic, b"before the broker is there")
        await eventually(lambda: wire.connected)
        live = await foreign.hear(broker, topic)
        await eventually(lambda: len(live) == 1)
        wire.publish_latest(topic, b"2")
        await eventually(lambda: live[1:] == [f"0 {topic} 2"])
        kept = await foreign.hear(broker, topic)
        await eventually(lambda: kept == [f"1 {topic} 2"])
        wire.publish_latest(topic, None)
        await eventually(lambda: kept[1:] == [f"0 {topic} "])
        marker = TOPICS.bench("low")
        wire.publish_latest(marker, b"x")
        kept = await foreign.hear(broker, topic, marker)
        await eventually(lambda: [line[2:] for line in kept] == [f"{marker} x"])


async def test_after_a_restart_of_the_broker_all_is_as_before(
    broker: Any, foreign: Any, eventually: Any
) -> None:
    acknowledged: list[int] = []
    plug: list[tuple[bytes, bool]] = []
    bench, gone = TOPICS.bench("low"), TOPICS.batch("gone")

    def listen(wire: Wire) -> None:
        wire.subscribe("shed/plug", lambda topic, payload, kept: plug.append((payload, kept)))

    async with running(broker, listen) as wire:
        await eventually(lambda: wire.connected)
        wire.publish_latest(bench, b"1")
        wire.publish_latest(gone, b"1")
        assert wire.publish_event(TOPICS.event, b"1", lambda: acknowledged.append(1))
        await eventually(lambda: acknowledged == [1])
        first = wire.since
        await broker.stop()
        await eventually(lambda: not wire.connected)
        assert wire.since is not None
        assert first is not None
        assert wire.since >= first
        wire.publish_latest(bench, b"2")
        wire.publish_latest(gone, None)
        for number in (2, 3):
            assert wire.publish_event(
                TOPICS.event, b"%d" % number, partial(acknowledged.append, number)
            )
        wire.publish("shed/plug/set", b"ON", qos=1)  # away: must not switch anything later
        assert wire.dropped["command"] == 1
        await asyncio.sleep(0)
        assert acknowledged == [1]
        heard_early = asyncio.create_task(broker.start())
        await heard_early
        heard = await foreign.hear(broker, f"hotbed/{SITE}/#", "shed/#")
        await eventually(lambda: wire.connected)
        await eventually(lambda: acknowledged == [1, 2, 3])
        await eventually(lambda: any(line.endswith(f"{bench} 2") for line in heard))
        assert wire.last_error is None
        await foreign.say(broker, "shed/plug", b"on")
        await eventually(lambda: plug == [(b"on", False)])
        assert not [line for line in heard if "shed/plug/set" in line]
        kept = await foreign.hear(broker, f"hotbed/{SITE}/#")
        await eventually(lambda: len(kept) >= 2)
        assert sorted(kept) == [f"1 {TOPICS.availability} online", f"1 {bench} 2"]


async def test_no_event_is_lost_with_the_broker(
    mosquitto: Any, foreign: Any, eventually: Any
) -> None:
    """At least once: what the broker took and could not acknowledge comes twice."""
    broker = await mosquitto()
    acknowledged: list[int] = []
    heard: list[str] = []
    async with running(broker) as wire:
        await eventually(lambda: wire.connected)
        for life in range(3):
            seen = await foreign.hear(broker, TOPICS.event)
            for number in range(100 * life, 100 * life + 100):
                wire.publish_event(
                    TOPICS.event, b"%d" % number, partial(acknowledged.append, number)
                )
            await eventually(lambda life=life: len(acknowledged) > 100 * life + 10)
            await broker.stop()
            heard += seen
            await eventually(lambda: not wire.connected)
            assert len(acknowledged) < 100 * life + 100
            await broker.start()
            seen = await foreign.hear(broker, TOPICS.event)
            await eventually(lambda life=life: len(acknowledged) == 100 * life + 100)
            heard += seen
    assert acknowledged == list(range(300))


async def test_a_request_from_a_foreign_client_is_answered_to_it(
    broker: Any, foreign: Any, eventually: Any
) -> None:
    reply_to = TOPICS.answer("kitchen-tablet")

    async def handler(payload: bytes) -> None:
        if payload == b"a defect":
            raise RuntimeError(payload)
        wire.reply(json.loads(payload)["reply_to"], b"done")

    async with running(broker, lambda wire: setattr(wire, "handler", handler)) as wire:
        await eventually(lambda: wire.connected)
        heard = await foreign.hear(broker, reply_to, "shed/plug")
        await foreign.say(broker, TOPICS.request, b"a defect")
        for topic in ("shed/plug", reply_to):
            await foreign.say(broker, TOPICS.request, json.dumps({"reply_to": topic}).encode())
        await eventually(lambda: heard == [f"0 {reply_to} done"])
        assert wire.dropped == {"reply": 1}


async def test_a_request_that_the_broker_had_kept_is_ignored(
    broker: Any, foreign: Any, eventually: Any
) -> None:
    served: list[bytes] = []

    async def handler(payload: bytes) -> None:
        served.append(payload)

    await foreign.say(broker, TOPICS.request, b"old", "-r")
    async with running(broker, lambda wire: setattr(wire, "handler", handler)) as wire:
        await eventually(lambda: wire.dropped["request"] == 1)
        await foreign.say(broker, TOPICS.request, b"new")
        await eventually(lambda: served == [b"new"])


async def test_a_flood_of_bad_requests_is_dropped_and_counted(
    broker: Any, foreign: Any, eventually: Any, caplog: pytest.LogCaptureFixture
) -> None:
    go = asyncio.Event()
    served: list[bytes] = []

    async def handler(payload: bytes) -> None:
        await go.wait()
        served.append(payload)

    lines = 2000
    async with running(broker, lambda wire: setattr(wire, "handler", handler)) as wire:
        await eventually(lambda: wire.connected)
        await foreign.say(broker, TOPICS.request, b"x" * (REQUEST_LIMIT + 1))
        async with aiomqtt.Client("127.0.0.1", broker.port) as flood:
            for _ in range(lines):
                await flood.publish(TOPICS.request, b"x" * 200)
            await eventually(lambda: wire.dropped["request"] > QUEUE)
        assert wire._requests.qsize() <= QUEUE
        bench = TOPICS.bench("low")
        wire.publish_latest(bench, b"still here")
        heard = await foreign.hear(broker, bench)
        await eventually(lambda: heard[-1:] and heard[-1].endswith("still here"))
        go.set()
        await eventually(lambda: len(served) >= QUEUE and wire._requests.empty())
        deadline = time.monotonic() + 5
        while b"good" not in served and time.monotonic() < deadline:  # as an asker would
            await foreign.say(broker, TOPICS.request, b"good")
        assert b"good" in served
        assert len(served) < lines
    for name in ("mqtt", "daemon.wire.drops"):
        assert sum(record.name == name for record in caplog.records) <= 3


async def test_devices_hear_what_was_kept_as_kept_and_wildcards_work(
    broker: Any, foreign: Any, eventually: Any
) -> None:
    await foreign.say(broker, "shed/probe", b"old", "-r")
    plain: list[tuple[str, bytes, bool]] = []
    wild: list[tuple[str, bytes, bool]] = []
    late: list[tuple[str, bytes, bool]] = []

    def listen(wire: Wire) -> None:
        wire.subscribe("shed/probe", lambda *heard: (plain.append(heard), 1 / 0))  # type: ignore[arg-type, func-returns-value]

    async with running(broker, listen) as wire:
        await eventually(lambda: plain == [("shed/probe", b"old", True)])
        wire.subscribe("shed/+", lambda *heard: wild.append(heard))
        await eventually(lambda: wild[:1] == [("shed/probe", b"old", True)])
        wire.subscribe("shed/probe", lambda *heard: late.append(heard))
        await eventually(lambda: ("shed/probe", b"old", True) in late)
        await foreign.say(broker, "shed/probe", b"new", "-r")
        for heard in (plain, wild, late):
            await eventually(lambda heard=heard: heard[-1] == ("shed/probe", b"new", False))
        with pytest.raises(ValueError, match="#"):
            wire.subscribe("shed/#/probe", lambda *heard: None)


async def test_sweeping_clears_what_an_earlier_life_left_and_nothing_else(
    broker: Any, foreign: Any, eventually: Any
) -> None:
    ghost, alive, event = TOPICS.batch("ghost"), TOPICS.batch("alive"), TOPICS.event
    other = "hotbed/another-site/batch/theirs"
    for topic in (ghost, alive, event, other):
        await foreign.say(broker, topic, b"old", "-r")
    async with running(broker) as wire:
        await eventually(lambda: wire._found == {ghost, alive})
        heard = await foreign.hear(broker, "hotbed/#")
        wire.publish_latest(alive, b"new")
        wire.sweep()
        await eventually(lambda: f"0 {ghost} " in heard)
        await eventually(lambda: not wire._jobs and wire.connected)
        kept = await foreign.hear(broker, "hotbed/#")
        await eventually(lambda: len(kept) == 4)
        assert sorted(kept) == sorted(
            [
                f"1 {TOPICS.availability} online",
                f"1 {alive} new",
                f"1 {event} old",
                f"1 {other} old",
            ]
        )


# A broker that hangs.


@asynccontextmanager
async def mute_listener() -> AsyncIterator[Any]:
    """A TCP server that accepts and never answers."""
    done = asyncio.Event()
    served: set[asyncio.Task[Any] | None] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        served.add(asyncio.current_task())
        await done.wait()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)

    class Address:
        port = server.sockets[0].getsockname()[1]

    yield Address
    done.set()
    await asyncio.gather(*filter(None, served))
    server.close()


def speak(wire: Wire, times: int) -> float:
    """Publish much; returns the longest call in seconds."""
    longest = 0.0
    for number in range(times):
        began = time.perf_counter()
        wire.publish("shed/plug/set", b"%d" % number, qos=1)
        wire.publish_latest(TOPICS.bench(f"b{number % 5}"), b"%d" % number)
        wire.publish_event(TOPICS.event, b"%d" % number, lambda: None)
        wire.reply(TOPICS.answer("a"), b"%d" % number)
        longest = max(longest, time.perf_counter() - began)
    return longest


async def test_a_broker_that_never_answers_delays_nobody(eventually: Any) -> None:
    async with mute_listener() as listener, running(listener) as wire:
        await asyncio.sleep(0.05)
        assert speak(wire, 2000) < 0.25
        assert not wire.connected
        began = time.monotonic()
    assert time.monotonic() - began < 2
    assert len(wire._commands) == 0
    assert len(wire._replies) == QUEUE
    assert len(wire._events) == EVENT_QUEUE
    assert len(wire._latest) == 5


async def test_a_broker_that_freezes_delays_nobody_and_hears_commands_first_when_it_thaws(
    mosquitto: Any, foreign: Any, eventually: Any
) -> None:
    broker = await mosquitto()
    async with running(broker) as wire:
        await eventually(lambda: wire.connected)
        heard = await foreign.hear(broker, "shed/#", f"hotbed/{SITE}/#")
        await eventually(lambda: len(heard) == 1)
        broker.send_signal(signal.SIGSTOP)
        try:
            wire.publish_event(TOPICS.event, b"first", lambda: None)
            await asyncio.sleep(0.05)  # its acknowledgement is now being waited for
            assert speak(wire, 2000) < 0.25
            assert len(wire._commands) == QUEUE
            assert wire.dropped["command"] == 2000 - QUEUE
        finally:
            broker.send_signal(signal.SIGCONT)
        await eventually(lambda: len(heard) >= 2 + QUEUE + QUEUE)
    # The newest commands, in order; then answers; then the rest.
    heard.remove(f"0 {TOPICS.event} first")
    assert heard[1 : 1 + QUEUE] == [f"0 shed/plug/set {2000 - QUEUE + n}" for n in range(QUEUE)]
    assert heard[1 + QUEUE] == f"0 {TOPICS.answer('a')} {2000 - QUEUE}"


async def test_closing_on_a_frozen_broker_takes_seconds_at_most(
    mosquitto: Any, eventually: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "FLUSH_LIMIT", 0.2)
    monkeypatch.setattr(module, "LEAVE_LIMIT", 0.2)
    broker = await mosquitto()
    async with running(broker) as wire:
        await eventually(lambda: wire.connected)
        broker.send_signal(signal.SIGSTOP)
        wire.publish_event(TOPICS.event, b"never acknowledged", pytest.fail)
        await asyncio.sleep(0.02)
        began = time.monotonic()
    assert time.monotonic() - began < 1.5


async def test_two_daemons_of_one_name_are_suspected_when_each_cuts_off_the_other(
    mosquitto: Any, eventually: Any
) -> None:
    broker = await mosquitto()
    async with running(broker) as one:
        await eventually(lambda: one.connected)
        async with running(broker):
            await eventually(lambda: "does another daemon use" in (one.last_error or ""))


async def test_what_the_broker_does_not_let_us_hear_is_told(
    broker: Any, eventually: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    subscribe = module.subscribe

    async def refusing(client: aiomqtt.Client, topics: list[str], qos: int) -> list[str]:
        return [*await subscribe(client, topics, qos), *(t for t in topics if t == "shed/secret")]

    monkeypatch.setattr(module, "subscribe", refusing)
    async with running(broker) as wire:
        await eventually(lambda: wire.connected)
        assert wire.last_error is None
        wire.subscribe("shed/secret", lambda *heard: None)
        await eventually(lambda: "does not let us hear shed/secret" in (wire.last_error or ""))
        assert wire.connected


async def test_a_subscription_that_the_broker_refuses_is_found_in_its_answer(
    free_port: int,
) -> None:
    """amqtt's example of an access rule refuses the topic "prohibited" (0x80 in the SUBACK)."""
    from amqtt.broker import Broker

    logging.getLogger("amqtt").setLevel(logging.CRITICAL)
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{free_port}"}},
            "plugins": {
                "amqtt.plugins.authentication.AnonymousAuthPlugin": {},
                "amqtt.plugins.topic_checking.TopicTabooPlugin": {},
            },
        }
    )
    await broker.start()
    async with aiomqtt.Client("127.0.0.1", free_port) as client:
        refused = await module.subscribe(client, ["shed/a", "prohibited", "shed/b"], 1)
    await broker.shutdown()
    assert refused == ["prohibited"]


# Ways in.


async def test_an_absent_broker_is_logged_once_and_not_at_each_attempt(
    free_port: int, eventually: Any, caplog: pytest.LogCaptureFixture, monkeypatch: Any
) -> None:
    attempts = 0
    client = Endpoint.client

    def counted(self: Endpoint, *arguments: Any) -> Any:
        nonlocal attempts
        attempts += 1
        return client(self, *arguments)

    monkeypatch.setattr(Endpoint, "client", counted)

    class Nobody:
        port = free_port

    async with running(Nobody) as wire:
        await eventually(lambda: attempts >= 4)
        logging.getLogger("mqtt").error("failed to receive on socket: %s", "reset")
        assert (
            wire.last_error
            == f"127.0.0.1:{free_port} refused the connection: nothing listens there"
        )
        assert not wire.connected
        assert wire.since is None
    lines = [record for record in caplog.records if record.name in ("daemon.wire", "mqtt")]
    assert len(lines) == 1


@pytest.fixture
def users(tmp_path: Path) -> Path:
    """A password file of mosquitto's, with the one user "loft"."""
    if shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto_passwd is not installed")
    path = tmp_path / "users"
    subprocess.run(["mosquitto_passwd", "-c", "-b", path, "loft", "Möhre 7 "], check=True)
    return path


async def test_who_gives_the_password_is_let_in_and_who_does_not_is_told(
    mosquitto: Any, users: Path, tmp_path: Path, eventually: Any, caplog: pytest.LogCaptureFixture
) -> None:
    secret, wrong = tmp_path / "secret", tmp_path / "wrong"
    secret.write_text("Möhre 7 \n")
    wrong.write_text("Möhre 7\n")
    broker = await mosquitto("allow_anonymous false", f"password_file {users}")
    async with running(broker, username="loft", password_file=secret) as wire:
        await eventually(lambda: wire.connected)
    refused: list[dict[str, Any]] = [{}, {"username": "loft", "password_file": wrong}]
    for settings in refused:
        async with running(broker, **settings) as wire:
            await eventually(lambda: wire.last_error)
            assert "not authorised" in str(wire.last_error)
            assert not wire.connected
    assert "Möhre" not in caplog.text + repr(wire.endpoint) + str(vars(wire))


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path, "loft-ca")


# paho leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
async def test_tls_holds_both_ways(
    mosquitto: Any, authority: Authority, tmp_path: Path, eventually: Any
) -> None:
    certificate, key = authority.sign("broker")
    mine: dict[str, Any] = dict(zip(("cert_file", "key_file"), authority.sign("loft"), strict=True))
    stranger = Authority(tmp_path, "stranger")
    broker = await mosquitto(
        "allow_anonymous true",
        "require_certificate true",
        f"cafile {authority.certificate}",
        f"certfile {certificate}",
        f"keyfile {key}",
    )
    async with running(broker, tls=True, ca_file=authority.certificate, **mine) as wire:
        await eventually(lambda: wire.connected)
    async with running(broker, tls=True, ca_file=stranger.certificate, **mine) as wire:
        await eventually(lambda: wire.last_error)
        assert "TLS" in str(wire.last_error)
        assert "certificate" in str(wire.last_error)
    plain = await mosquitto()
    async with running(plain, tls=True, ca_file=authority.certificate) as wire:
        await eventually(lambda: wire.last_error)
        assert "does its port speak TLS?" in str(wire.last_error)
    gc.collect()


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        (
            {"username": "loft", "password_file": "nowhere"},
            "password_file: .*nowhere cannot be read",
        ),
        ({"username": "loft", "password_file": "empty"}, "password_file: .*empty is empty"),
        ({"username": "loft", "password_file": "bytes"}, "password_file: .*not UTF-8 text .byte 1"),
        ({"tls": True, "ca_file": "nowhere"}, "ca_file: .*nowhere cannot be read: No such file"),
        ({"tls": True, "ca_file": "text"}, "ca_file: .*text holds no PEM certificate"),
        ({"tls": True, "ca_file": "."}, "ca_file: .* cannot be read: Is a directory"),
        (
            {"tls": True, "cert_file": "text", "key_file": "nowhere"},
            "key_file: .*nowhere cannot be read",
        ),
        (
            {"tls": True, "cert_file": "text", "key_file": "text"},
            "cert_file, mqtt.key_file: .* not a PEM certificate",
        ),
    ],
)
def test_a_file_that_is_missing_or_wrong_is_found_before_connecting(
    settings: dict[str, Any], says: str, tmp_path: Path
) -> None:
    (tmp_path / "empty").write_text("\n")
    (tmp_path / "text").write_text("no certificate\n")
    (tmp_path / "bytes").write_bytes(b"a\xff")
    placed = {
        key: tmp_path / value if key.endswith("_file") else value for key, value in settings.items()
    }
    with pytest.raises(WireError, match=rf"^mqtt\.{says}"):
        Wire(Mqtt(broker="broker.example", **placed), SITE)


def test_a_key_with_a_passphrase_is_refused_and_none_asked_for(
    authority: Authority, tmp_path: Path
) -> None:
    certificate, key = authority.sign("loft")
    locked = tmp_path / "locked.key"
    subprocess.run(
        ["openssl", "pkcs8", "-topk8", "-in", key, "-out", locked, "-passout", "pass:secret"],
        check=True,
    )
    with pytest.raises(WireError, match="without a passphrase"):
        Wire(Mqtt(broker="b.example", tls=True, cert_file=certificate, key_file=locked), SITE)


def connect_error(cause: OSError | None) -> aiomqtt.MqttError:
    """As aiomqtt raises it: the text of the cause, and the cause itself as its context."""
    try:
        try:
            raise cause or OSError
        except OSError as error:
            raise aiomqtt.MqttError(str(error)) from None
    except aiomqtt.MqttError as error:
        return error


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (
            connect_error(ConnectionRefusedError(111, "Connection refused")),
            "refused the connection",
        ),
        (
            connect_error(socket.gaierror(-2, "Name or service not known")),
            "Name or service not known",
        ),
        (connect_error(OSError(113, "No route to host")), "cannot be reached: No route to host"),
        (connect_error(ssl.SSLError(1, "[SSL: WRONG_VERSION_NUMBER] wrong")), "TLS with"),
        (connect_error(TimeoutError("timed out")), "timed out"),
        (connect_error(ConnectionResetError(104, "reset")), "cut the connection off .*TLS"),
        (TimeoutError(), "timed out"),
        (aiomqtt.MqttError("Operation timed out"), "timed out: .* want TLS"),
        (aiomqtt.exceptions.MqttConnectError(4), "not authorised"),
        (aiomqtt.exceptions.MqttConnectError(5), "not authorised"),
        (aiomqtt.exceptions.MqttConnectError(2), "refused the connection"),
        (aiomqtt.MqttError("Disconnected during message iteration"), "was lost"),
        (RuntimeError("surprise"), "surprise"),
    ],
)
def test_errors_are_told_in_plain_words_with_the_place(error: Exception, says: str) -> None:
    text = Endpoint("broker.example", 1884).explain(error)
    assert "broker.example:1884" in text
    assert re.search(says, text)


# Names.


@given(st.text(max_size=300) | st.text(max_size=20).map(lambda end: f"hotbed/{SITE}/answer/{end}"))
def test_an_answer_goes_below_the_answer_topic_of_its_site_or_nowhere(topic: str) -> None:
    if TOPICS.reply_to_problem(topic) is None:
        assert topic.startswith(f"hotbed/{SITE}/answer/")
        assert len(topic) > len(f"hotbed/{SITE}/answer/")
        assert not set(topic) & {"+", "#", "\0", "\n"}
        topic.encode()
    else:
        wire = Wire(Mqtt(), SITE)
        wire.reply(topic, b"x")
        assert not wire._replies
        assert wire.dropped["reply"] == 1


@pytest.mark.parametrize(
    "topic",
    [
        None,
        7,
        "",
        "shed/plug",
        f"hotbed/{SITE}/request",
        f"hotbed/{SITE}/answer",
        TOPICS.root + "answer/",
    ]
    + [f"hotbed/{SITE}/answer/{end}" for end in ("+", "#", "a\0b", "\ud800", "x" * 300)]
    + ["hotbed/other/answer/x", f"hotbed/{SITE}/answerx/y"],
)
def test_no_answer_is_sent_elsewhere(topic: object) -> None:
    assert TOPICS.reply_to_problem(topic)


@given(st.text(max_size=40))
def test_a_name_is_one_level_of_a_topic_or_refused(name: str) -> None:
    try:
        topic = TOPICS.bench(name)
    except ValueError:
        return
    assert topic.split("/") == ["hotbed", SITE, "bench", name]


def test_topic_names_are_those_of_the_design() -> None:
    named = [TOPICS.bench("a"), TOPICS.batch("b"), TOPICS.alarm("c"), TOPICS.answer("d")]
    named += [TOPICS.availability, TOPICS.event, TOPICS.request]
    assert [topic.removeprefix(f"hotbed/{SITE}/") for topic in named] == [
        *("bench/a", "batch/b", "alarm/c", "answer/d"),
        *("availability", "event", "request"),
    ]


def test_nothing_is_published_on_a_topic_that_is_none() -> None:
    wire = Wire(Mqtt(), SITE)
    wire._connected = True
    wire.publish("shed/+", b"x")
    wire.publish_latest("shed/#", b"x")
    assert not wire.publish_event("", b"x", lambda: None)
    assert wire.dropped == {"topic": 3}
    assert not any((wire._commands, wire._latest, wire._events))


def test_it_is_the_link_that_devices_are_promised() -> None:
    link: Link = Wire(Mqtt(), SITE)
    assert link.connected is False


async def test_close_before_run_ends_run_at_once() -> None:
    wire = Wire(Mqtt(), SITE)
    await wire.close()
    await asyncio.wait_for(wire.run(), 1)


def test_repeated_log_lines_are_counted_not_written(monkeypatch: pytest.MonkeyPatch) -> None:
    now = 1000.0
    monkeypatch.setattr(time, "monotonic", lambda: now)
    limit = RateLimit(every=60)

    def passes(text: str, *arguments: object) -> str | None:
        record = logging.LogRecord("mqtt", logging.WARNING, "", 0, text, arguments, None)
        return record.getMessage() if limit.filter(record) else None

    assert passes("full: %d", 1) == "full: 1"
    assert [passes("full: %d", n) for n in range(5)] == [None] * 5
    assert passes("other") == "other"
    now += 61
    assert passes("full: %d", 9) == "full: 9 (and 5 like it)"
    assert passes("full: %d", 9) is None
    for number in range(1000):
        passes(f"text {number}")
    assert len(limit._passed) <= 257


def test_acknowledging_at_once_is_no_more_than_a_wish() -> None:
    class Client:
        def __init__(self, sock: object) -> None:
            self._client = self
            self.socket = lambda: sock

    one, other = socket.socketpair()
    gone = socket.socket()
    gone.close()
    for sock in (
        None,
        one,
        gone,
        object(),
    ):  # no TCP, closed, or not connected: nothing comes of it
        acknowledge_now(Client(sock))  # type: ignore[arg-type]
    one.close()
    other.close()
