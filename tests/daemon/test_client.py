"""The command line's connection, against mosquitto and the embedded broker."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from contextlib import aclosing, asynccontextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon import client as module
from daemon.client import GATHER_LIMIT, Answer, Client, NobodyAnswered, NoBroker
from daemon.config import Mqtt
from daemon.wire import REQUEST_LIMIT, Topics, Wire, WireError

SITE = "fenwick-loft"
TOPICS = Topics(SITE)
SETTINGS = Mqtt(broker="127.0.0.1")


def client_of(broker: Any) -> Client:
    return Client(SETTINGS, SITE, port=broker.port)


class Daemon:
    """A wire that keeps the requests it hears and answers them as told."""

    def __init__(self, broker: Any) -> None:
        self.wire = Wire(SETTINGS, SITE, port=broker.port, backoff=(0.02, 0.2))
        self.wire.handler = self.handle
        self.requests: list[dict[str, Any]] = []
        self.deaf_to = 0  # requests that come before it answers
        self.replies: list[dict[str, Any] | bytes] = []

    async def handle(self, payload: bytes) -> None:
        request = json.loads(payload)
        self.requests.append(request)
        if len(self.requests) <= self.deaf_to:
            return
        replies = self.replies or [{"id": request["id"], "ok": True, "result": request["kind"]}]
        for reply in replies:
            if isinstance(reply, dict):
                reply = json.dumps({"id": request["id"], **reply}).encode()
            self.wire.reply(request["reply_to"], reply)


@asynccontextmanager
async def daemon_at(broker: Any, eventually: Any) -> AsyncIterator[Daemon]:
    daemon = Daemon(broker)
    task = asyncio.create_task(daemon.wire.run())
    await eventually(lambda: daemon.wire.connected)
    yield daemon
    await daemon.wire.close()
    await task


async def test_a_request_has_what_the_design_says_and_is_answered_at_once(
    broker: Any, eventually: Any
) -> None:
    async with daemon_at(broker, eventually) as daemon:
        began = time.monotonic()
        async with client_of(broker) as client:
            answer = await client.ask("keep", {"bench": "low", "°C": 21.5}, by="Ilse", valid_for=9)
        assert time.monotonic() - began < GATHER_LIMIT
        assert answer == Answer(True, "keep")
        (request,) = daemon.requests
    assert request["schema"] == 1
    assert request["kind"] == "keep"
    assert request["by"] == "Ilse"
    assert request["valid_for"] == 9
    assert request["arguments"] == {"bench": "low", "°C": 21.5}
    assert TOPICS.reply_to_problem(request["reply_to"]) is None
    for key in ("at", "sent_at"):
        moment = datetime.fromisoformat(request[key])
        assert moment.utcoffset() == timedelta(0)
        assert abs(moment.timestamp() - time.time()) < 5


async def test_a_refusal_comes_with_its_reason(broker: Any, eventually: Any) -> None:
    async with daemon_at(broker, eventually) as daemon, client_of(broker) as client:
        daemon.replies = [{"ok": False, "error": "no bench of that name"}]
        answer = await client.ask("keep", {}, by="Ilse")
    assert answer == Answer(False, None, "no bench of that name")


async def test_foreign_and_malformed_answers_are_passed_over(broker: Any, eventually: Any) -> None:
    async with daemon_at(broker, eventually) as daemon, client_of(broker) as client:
        daemon.replies = [
            b"",
            b"\xff",
            b"[" * 10_000,
            b"[]",
            {"id": "another", "ok": True, "result": "theirs"},
            {"ok": 1, "result": "not a truth value"},
            {"ok": False, "error": None},
            {"ok": True, "result": "ours"},
        ]
        assert await client.ask("keep", {}, by="Ilse") == Answer(True, "ours")


async def test_the_same_id_is_sent_again_until_it_is_answered(
    broker: Any, eventually: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "RESEND", 0.1)
    async with daemon_at(broker, eventually) as daemon, client_of(broker) as client:
        daemon.deaf_to = 3
        assert (await client.ask("sow", {"crop": "tomato"}, by="Ilse")).ok
        assert len(daemon.requests) == 4
        assert all(request == daemon.requests[0] for request in daemon.requests)
        first = daemon.requests[0]["id"]
        assert (await client.ask("sow", {"crop": "tomato"}, by="Ilse")).ok
        assert daemon.requests[4]["id"] != first


async def test_two_questions_at_once_get_each_its_own_answer(broker: Any, eventually: Any) -> None:
    async with daemon_at(broker, eventually), client_of(broker) as client:
        kinds = [f"kind-{number}" for number in range(20)]
        answers = await asyncio.gather(*(client.ask(kind, {}, by="Ilse") for kind in kinds))
    assert [answer.result for answer in answers] == kinds


async def test_silence_is_told_with_the_place_and_what_is_known_of_the_daemon(
    broker: Any, eventually: Any
) -> None:
    async with client_of(broker) as client:
        with pytest.raises(NobodyAnswered, match="no daemon of this site has been") as caught:
            await client.ask("sow", {}, by="Ilse", timeout=1.0)
    assert f"127.0.0.1:{broker.port}" in str(caught.value)
    assert "hotbed run" in str(caught.value)
    async with daemon_at(broker, eventually) as daemon, client_of(broker) as client:
        daemon.deaf_to = 99
        with pytest.raises(NobodyAnswered, match="online but does not answer"):
            await client.ask("sow", {}, by="Ilse", timeout=1.0)
    async with client_of(broker) as client:
        with pytest.raises(NobodyAnswered, match="is offline"):
            await client.ask("sow", {}, by="Ilse", timeout=1.0)


async def test_a_question_outlives_a_restart_of_the_broker(
    broker: Any, eventually: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "RESEND", 0.1)
    async with daemon_at(broker, eventually) as daemon, client_of(broker) as client:
        daemon.deaf_to = 3
        questions = [asyncio.create_task(client.ask("sow", {}, by="Ilse")) for _ in range(3)]
        await eventually(lambda: len(daemon.requests) == 3)
        await broker.stop()
        await asyncio.sleep(0.05)
        await broker.start()
        for question in questions:
            assert (await question).ok
        assert len({request["id"] for request in daemon.requests}) == 3


async def test_when_the_broker_stays_away_it_is_said_that_the_outcome_is_unknown(
    broker: Any, eventually: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "RESEND", 0.1)
    async with client_of(broker) as client:
        question = asyncio.create_task(client.ask("sow", {}, by="Ilse", timeout=0.5))
        await asyncio.sleep(0.05)
        await broker.stop()
        with pytest.raises(NobodyAnswered, match=r"(nothing listens there|was lost).*not known"):
            await question
        with pytest.raises(NoBroker, match="was lost"):
            await client.gather()


async def test_without_a_broker_the_place_is_named(free_port: int) -> None:
    with pytest.raises(NoBroker, match=f"127.0.0.1:{free_port} refused the connection"):
        async with Client(SETTINGS, SITE, port=free_port):
            pass
    assert issubclass(NoBroker, NobodyAnswered)


def test_a_missing_password_file_is_named(tmp_path: Path) -> None:
    settings = Mqtt(broker="b.example", username="loft", password_file=tmp_path / "nowhere")
    with pytest.raises(WireError, match="nowhere"):
        Client(settings, SITE)


async def test_what_cannot_be_sent_is_refused_before_it_is(broker: Any) -> None:
    async with client_of(broker) as client:
        with pytest.raises(ValueError, match=f"up to {REQUEST_LIMIT}"):
            await client.ask("sow", {"note": "x" * REQUEST_LIMIT}, by="Ilse")
        with pytest.raises(ValueError, match="JSON compliant"):
            await client.ask("sow", {"count": float("nan")}, by="Ilse")
        with pytest.raises(TypeError):
            await client.ask("sow", {"tray": object()}, by="Ilse")


async def test_gather_has_all_that_is_kept_and_does_not_wait_to_its_limit(
    broker: Any, eventually: Any, foreign: Any
) -> None:
    batches = {f"batch/b{number}": {"schema": 1, "n": number} for number in range(300)}
    wanted: dict[str, Any] = {"availability": {"state": "online"}, **batches}
    wanted |= {"bench/low": {"at": "now", "°C": 20}, "alarm/probe": {"state": "active"}}
    for topic in ("event", "request", "answer/other"):
        await foreign.say(broker, TOPICS.root + topic, b'{"not": "gathered"}', "-r")
    for topic, payload in (("bench/text", b"hello"), ("bench/list", b"[1]"), ("bench/x", b"\xff")):
        await foreign.say(broker, TOPICS.root + topic, payload, "-r")
    async with daemon_at(broker, eventually) as daemon:
        for name, content in wanted.items():
            if name != "availability":
                daemon.wire.publish_latest(TOPICS.root + name, json.dumps(content).encode())
        await eventually(lambda: not daemon.wire._unsent)
        async with client_of(broker) as client:
            began = time.monotonic()
            assert await client.gather() == wanted
            assert time.monotonic() - began < GATHER_LIMIT
            assert await client.gather(settle=0) == wanted
            daemon.wire.publish_latest(TOPICS.batch("b7"), None)
            await eventually(lambda: TOPICS.batch("b7") not in daemon.wire._latest)
            del wanted["batch/b7"]
            assert await client.gather() == wanted


async def test_gather_on_an_empty_broker_is_empty(broker: Any) -> None:
    async with client_of(broker) as client:
        assert await client.gather() == {}


async def test_follow_gives_what_is_kept_then_what_comes(
    broker: Any, eventually: Any, foreign: Any
) -> None:
    async with daemon_at(broker, eventually) as daemon:
        daemon.wire.publish_latest(TOPICS.bench("low"), b'{"n": 1}')
        await eventually(lambda: not daemon.wire._unsent)
        async with client_of(broker) as client, aclosing(client.follow()) as stream:
            kept = set()
            while "bench/low" not in kept:
                kept.add((await anext(stream))[0])
            assert kept == {"availability", "bench/low"}
            daemon.wire.publish_latest(TOPICS.bench("low"), b"garbage")
            daemon.wire.publish_latest(TOPICS.batch("b"), b'{"n": 2}')
            assert await anext(stream) == ("batch/b", {"n": 2})
            daemon.wire.publish_event(TOPICS.event, b'{"n": 3}', lambda: None)
            assert await anext(stream) == ("event", {"n": 3})
            daemon.wire.publish_latest(TOPICS.batch("b"), None)
            assert await anext(stream) == ("batch/b", None)
            await foreign.say(broker, TOPICS.availability, b"offline")
            assert await anext(stream) == ("availability", {"state": "offline"})


async def test_follow_keeps_to_the_kinds_asked_for_and_ends_with_the_broker(
    broker: Any, eventually: Any
) -> None:
    async with daemon_at(broker, eventually) as daemon, client_of(broker) as client:
        daemon.wire.publish_latest(TOPICS.bench("low"), b'{"n": 1}')
        await eventually(lambda: not daemon.wire._unsent)
        assert "bench/low" in await client.gather()
        stream = client.follow("event", "alarm")
        coming = asyncio.ensure_future(anext(stream))
        await asyncio.sleep(0.05)
        daemon.wire.publish_latest(TOPICS.bench("low"), b'{"n": 2}')
        daemon.wire.publish_event(TOPICS.event, b'{"n": 3}', lambda: None)
        assert await asyncio.wait_for(coming, 2) == ("event", {"n": 3})
        await broker.stop()
        with pytest.raises(NoBroker, match="was lost"):
            await asyncio.wait_for(anext(stream), 2)
        with pytest.raises(ValueError, match="'request' is none of"):
            await anext(client.follow("request"))
        await broker.start()


async def test_a_broker_that_never_answers_is_given_up(
    monkeypatch: pytest.MonkeyPatch, free_port: int
) -> None:
    monkeypatch.setattr(module, "CONNECT_LIMIT", 0.2)
    release = asyncio.Event()

    async def mute(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await release.wait()
        writer.close()
        closed.set()

    closed = asyncio.Event()
    server = await asyncio.start_server(mute, "127.0.0.1", free_port)
    with pytest.raises(NoBroker, match="timed out"):
        async with Client(SETTINGS, SITE, port=free_port):
            pass
    release.set()
    await closed.wait()
    server.close()
