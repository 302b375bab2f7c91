"""The daemon at work: what is asked is on disk before it is answered, nothing delays a tick, and a
start goes on from where the last process was, however that ended."""

# A test may block its own event loop.
# ruff: noqa: ASYNC110, ASYNC251

from __future__ import annotations

import asyncio
import errno
import json
import re
import shutil
import socket
import sqlite3
import threading
import time
import uuid
import zlib
from collections.abc import AsyncIterator, Callable, Mapping
from concurrent.futures import Future
from contextlib import asynccontextmanager, closing
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon import journal as journals
from daemon import service as module
from daemon.broker import EmbeddedBroker
from daemon.caller import Caller
from daemon.client import Answer, Client
from daemon.config import Config, Mqtt, parse
from daemon.events import Event
from daemon.hardware import Hardware
from daemon.interlocks import WORK_LIGHT
from daemon.journal import Journal, SavedState, read_events
from daemon.notify import Notifier
from daemon.service import REFUSED_ALOUD, Service
from daemon.simulated import Mirror, as_simulated, build_world
from daemon.state import DAY, HOUR, Memory, Site, restore
from daemon.wire import OFFLINE, ONLINE, Wire
from drivers.protocols import DriverError, Quality, Reading, RelayState
from profiles.library import load_library
from profiles.model import Stage
from sim.clock import ScaledClock
from sim.weather import RoomTemperature

SITE = "quince-yard"
ROOT = f"hotbed/{SITE}/"
#: A morning in spring: 2027-04-06 09:00 at the site.
MORNING = datetime.fromisoformat("2027-04-06T09:00:00+02:00").timestamp()
LIBRARY = load_library()
BROKER = Mqtt(broker="127.0.0.1")


def config_of(tick: float = 0.2, **more: Any) -> Config:
    """Two benches: `warm` with a mat, a lamp and one probe, `light` with a lamp alone."""
    site = {"name": SITE, "zone": "Europe/Berlin", "tick": tick, "probe_grace": max(tick, 120.0)}
    simulated = {"driver": "simulated"}
    table = {
        "schema": 1,
        "site": site,
        "bench": {
            "warm": {
                "trays": 4,
                "mat": {"watts": 70, "device": simulated},
                "lamp": {"watts": 60, "device": simulated},
                "probes": [{"name": "a", "measures": "soil", "device": simulated}],
            },
            "light": {"trays": 2, "lamp": {"watts": 60, "device": simulated}},
        },
        **more,
    }
    return parse(table, Path("quince.toml"))


class HandClock:
    """A clock that runs ten times as fast as the machine's, and is set and moved on by hand."""

    SPEED = 10.0

    def __init__(self, utc: float = MORNING, mono: float = 5000.0) -> None:
        self._utc, self._mono = utc - mono, mono
        self._began = time.monotonic()

    def mono(self) -> float:
        return self._mono + (time.monotonic() - self._began) * self.SPEED

    def utc(self) -> float:
        return self._utc + self.mono()

    def real_seconds(self, virtual: float) -> float:
        return virtual / self.SPEED

    def advance(self, seconds: float) -> None:
        self._mono += seconds

    def set_utc(self, utc: float) -> None:
        self._utc = utc - self.mono()


@dataclass
class HandProbe:
    """A probe that reads what it is told, just now unless `at` says when."""

    clock: HandClock
    value: float | None = 20.0
    quality: Quality = Quality.OK
    at: float | None = None

    async def start(self) -> None: ...

    async def close(self) -> None: ...

    def latest(self) -> Reading:
        return Reading(self.value, self.quality, self.clock.mono() if self.at is None else self.at)


@dataclass
class HandRelay:
    """A relay that keeps what it was told."""

    told: list[bool | str] = field(default_factory=list)
    on: bool = False

    async def start(self) -> None:
        self.told.append("start")
        self.on = False

    def set(self, on: bool, lease: float) -> None:
        assert lease > 0
        self.on = on
        self.told.append(on)

    def state(self) -> RelayState:
        return RelayState(self.on)

    async def close(self) -> None:
        self.on = False
        self.told.append("close")


class Bed:
    """A service on hand-made devices, over one state folder, that can be stopped and started."""

    def __init__(self, folder: Path, port: int = 1, **more: Any) -> None:
        self.folder, self.port = folder, port
        self.config = config_of(**more)
        self.site = Site.of(self.config, LIBRARY)
        self.clock = HandClock()
        self.probe = HandProbe(self.clock)
        self.ticks = 0
        self.boot = "boot-1"
        self.service: Service
        self.journal: Journal
        self.relays: dict[str, HandRelay] = {}
        self.caller = Caller({})

    @property
    def path(self) -> Path:
        return self.folder / "journal.db"

    @property
    def memory(self) -> Memory:
        return self.service.memory

    def build(self, notifier: Notifier | None = None) -> Service:
        self.folder.mkdir(exist_ok=True)
        self.journal = Journal.open(self.path, self.clock.utc())
        self.relays = {name: HandRelay() for name in ("warm/mat", "warm/lamp", "light/lamp")}
        wire = Wire(BROKER, SITE, port=self.port, backoff=(0.02, 0.2))
        self.service = Service(
            self.site,
            Hardware({"warm/a": self.probe}, self.relays),
            self.journal,
            wire,
            self.clock,
            boot=self.boot,
            notifier=notifier,
            observe=self._seen,
            caller=self.caller,
        )
        return self.service

    def _seen(self, memory: Memory) -> None:
        self.ticks += 1

    @asynccontextmanager
    async def running(self, notifier: Notifier | None = None) -> AsyncIterator[Service]:
        service = self.build(notifier)
        before = self.ticks
        task = asyncio.create_task(service.run())
        try:
            while self.ticks == before and not task.done():
                await asyncio.sleep(0.002)
            yield service
        finally:
            service.stop()
            await asyncio.wait_for(task, 10)
            await self.journal.close()

    def tick(self, seconds: float = 0.0) -> None:
        """Let time pass, then decide, whatever the loop does."""
        self.clock.advance(seconds)
        self.service.tick()

    async def ask(self, kind: str, by: str = "Runa", **arguments: Any) -> Answer:
        """Ask without a broker; the answer is what would be published."""
        return await self.send(self.request(kind, arguments, by=by))

    async def send(self, request: Mapping[str, Any] | bytes) -> Answer:
        told: list[bytes] = []
        wire = self.service.wire
        reply, wire.reply = wire.reply, lambda topic, payload: told.append(payload)  # type: ignore
        try:
            payload = request if isinstance(request, bytes) else json.dumps(request).encode()
            await self.service._asked(payload)
        finally:
            wire.reply = reply  # type: ignore[method-assign]
        (one,) = told
        answer = json.loads(one)
        return Answer(answer["ok"], answer["result"], answer["error"])

    def request(
        self, kind: str, arguments: Mapping[str, Any], *, by: str = "Runa", **more: Any
    ) -> dict[str, Any]:
        now = datetime.fromtimestamp(self.clock.utc(), UTC).isoformat()
        return {
            "schema": 1,
            "at": now,
            "sent_at": now,
            "id": uuid.uuid4().hex,
            "kind": kind,
            "by": by,
            "reply_to": f"{ROOT}answer/test",
            "valid_for": 60,
            "arguments": dict(arguments),
            **more,
        }

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """What is on disk, by a connection of our own."""
        with closing(sqlite3.connect(f"{self.path.as_uri()}?mode=ro", uri=True)) as db:
            return db.execute(query).fetchall()

    def on_disk(self) -> Memory:
        ((body,),) = self.rows("SELECT body FROM state")
        return restore(zlib.decompress(body).decode())

    def texts(self, kind: str | None = None) -> list[str]:
        return [one.text for one in read_events(self.path, limit=None) if kind in (None, one.kind)]

    def copy(self, folder: Path) -> None:
        """What a power cut would leave, now, for the next start to find."""
        folder.mkdir()
        for side in ("", "-wal", "-shm"):
            with_side = self.path.with_name(self.path.name + side)
            if with_side.exists():
                shutil.copy(with_side, folder)
        self.folder = folder


@pytest.fixture
def bed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bed:
    monkeypatch.setattr(module, "FIRST_READINGS", 0.05)
    monkeypatch.setattr(module, "BROKER_EVERY", 0.05)
    return Bed(tmp_path / "state")


@pytest.fixture
async def embedded(free_port: int) -> AsyncIterator[EmbeddedBroker]:
    broker = EmbeddedBroker(free_port)
    await broker.start()
    yield broker
    await broker.stop()


def client_at(broker: Any) -> Client:
    return Client(BROKER, SITE, port=broker.port)


class Gate:
    """The journal's disk, which can be made to hang or to fail."""

    def __init__(self, journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
        self.open = threading.Event()
        self.open.set()
        self.failures = 0
        self.waiting = threading.Event()
        real = journal._write

        def write(batches: Any, marks: Any) -> list[int]:
            self.waiting.set()
            assert self.open.wait(20)
            if self.failures:
                self.failures -= 1
                raise sqlite3.OperationalError("disk I/O error")
            return real(batches, marks)

        monkeypatch.setattr(journal, "_write", write)

    def hang(self) -> None:
        self.waiting.clear()
        self.open.clear()

    async def reached(self) -> None:
        for _ in range(1000):
            if self.waiting.is_set():
                return
            await asyncio.sleep(0.002)
        raise AssertionError("nothing was written")


# --- asking, in full: the simulator, the embedded broker, the client of the command line ----------


@pytest.fixture
async def simulated(
    tmp_path: Path, embedded: EmbeddedBroker, eventually: Callable[..., Any]
) -> AsyncIterator[tuple[Service, Any]]:
    config = as_simulated(config_of(tick=30.0))
    clock = ScaledClock(400.0, MORNING)  # a tick in 0.075 s
    world = build_world(
        config,
        start_utc=clock.utc(),
        clock=clock,
        start_mono=clock.mono(),
        room=RoomTemperature.constant(16.0),
    )
    site = Site.of(config, LIBRARY)
    hardware = Hardware(
        {"warm/a": world.probe("warm", "a")},
        {
            "warm/mat": world.relay("warm", "mat"),
            "warm/lamp": world.relay("warm", "lamp"),
            "light/lamp": world.relay("light", "lamp"),
        },
    )
    journal = Journal.open(tmp_path / "journal.db", clock.utc())
    wire = Wire(BROKER, SITE, port=embedded.port, backoff=(0.02, 0.2))
    service = Service(
        site, hardware, journal, wire, clock, boot="b", simulated=True, observe=Mirror(world, site)
    )
    task = asyncio.create_task(service.run())
    await eventually(lambda: wire.connected)
    yield service, world
    service.stop()
    await asyncio.wait_for(task, 10)
    await journal.close()
    assert not any(relay.state().commanded for relay in hardware.relays.values())


async def test_what_is_sown_staged_and_kept_is_answered_quickly_and_is_on_disk_by_then(
    simulated: tuple[Service, Any],
    embedded: EmbeddedBroker,
    eventually: Callable[..., Any],
    tmp_path: Path,
) -> None:
    _, world = simulated

    def disk(query: str) -> list[tuple[Any, ...]]:
        with closing(sqlite3.connect(tmp_path / "journal.db")) as db:
            return db.execute(query).fetchall()

    async with client_at(embedded) as client:
        took = []

        async def ask(kind: str, **arguments: Any) -> dict[str, Any]:
            began = time.monotonic()
            answer = await client.ask(kind, arguments, by="Runa")
            rows = disk("SELECT kind, who, ok, answer FROM request ORDER BY rowid DESC LIMIT 1")
            took.append(time.monotonic() - began)
            assert answer.ok, answer.error
            ((stored_kind, who, ok, stored),) = rows
            assert (stored_kind, who, ok) == (kind, "Runa", 1)
            assert json.loads(stored)["result"] == answer.result
            result: dict[str, Any] = answer.result
            return result

        sown = await ask("sow", crop="tomato", place="warm", trays=1, cells=72)
        assert sown["batch"] == "TOM1"
        ((body,),) = disk("SELECT body FROM state")
        assert restore(zlib.decompress(body).decode()).batches["TOM1"].cells == 72
        staged = await ask("stage", batch="TOM1", to="seedling", revision=sown["revision"])
        assert staged["revision"] == sown["revision"] + 1
        await ask("keep", bench="light", relay="lamp", to="on", seconds=12 * HOUR)
        assert min(took) < 1.0  # well under a second, were the machine not busy with other things
        stale = await client.ask(
            "stage", {"batch": "TOM1", "to": "hardening", "revision": 1}, by="Eskil"
        )
        assert not stale.ok
        assert "revision 2, you saw 1" in (stale.error or "")
        # What was done shows: on the wire, and in the world.
        await eventually(lambda: world.truth("light").lamp_lit)
        picture = await client.gather()
        assert picture["batch/TOM1"]["stage"] == "seedling"
        assert picture["availability"] == {"state": "online"}
        kept = picture["bench/light"]["lamp"]
        assert (kept["on"], kept["kept"], kept["kept_by"]) == (True, "on", "Runa")
    texts = [one.text for one in read_events(tmp_path / "journal.db", limit=None)]
    assert "TOM1: germination to seedling, the cover comes off" in texts
    assert any(text.startswith("light: lamp on (kept on by Runa)") for text in texts)


async def test_seed_sown_on_the_simulator_is_warmed_by_the_service(
    simulated: tuple[Service, Any], embedded: EmbeddedBroker, eventually: Callable[..., Any]
) -> None:
    _, world = simulated
    async with client_at(embedded) as client:
        assert (await client.ask("sow", {"crop": "tomato", "place": "warm"}, by="Runa")).ok
    await eventually(lambda: world.truth("warm").mat_heating)
    assert world.seedlings("TOM1").cells == 72
    assert world.truth("warm").covered
    began = world.truth("warm").mat_c
    await eventually(lambda: world.truth("warm").mat_c > began + 1)


# --- once, and only once ---------------------------------------------------------------------------


async def hear(client: aiomqtt.Client, many: int) -> list[dict[str, Any]]:
    heard = []
    async with asyncio.timeout(5):
        async for message in client.messages:
            heard.append(json.loads(bytes(message.payload)))
            if len(heard) == many:
                return heard
    raise AssertionError


async def test_the_same_id_is_done_once_and_answered_twice_also_by_the_next_process(
    bed: Bed, embedded: EmbeddedBroker
) -> None:
    bed.port = embedded.port
    request = bed.request("sow", {"crop": "pepper", "place": "warm"}, valid_for=3600)
    payload = json.dumps(request).encode()
    async with aiomqtt.Client("127.0.0.1", embedded.port) as client:
        await client.subscribe(f"{ROOT}answer/test", 1)
        async with bed.running() as service:
            while not service.wire.connected:
                await asyncio.sleep(0.01)
            for _ in range(2):
                await client.publish(f"{ROOT}request", payload, 1)
            first, second = await hear(client, 2)
            assert first == second
            assert first["result"]["batch"] == "PEP1"
            assert [*bed.memory.batches] == ["PEP1"]
        bed.clock.advance(300)
        async with bed.running() as service:
            while not service.wire.connected:
                await asyncio.sleep(0.01)
            await client.publish(f"{ROOT}request", payload, 1)
            assert await hear(client, 1) == [first]
            assert [*bed.memory.batches] == ["PEP1"]
            # Even when it is no longer kept in memory, the journal knows.
            service._answers.clear()
            await client.publish(f"{ROOT}request", payload, 1)
            assert await hear(client, 1) == [first]
            assert [*bed.memory.batches] == ["PEP1"]
            assert bed.rows("SELECT count(*) FROM request") == [(1,)]


async def test_what_was_refused_stays_refused_for_who_asks_the_very_same_again(bed: Bed) -> None:
    # The asker repeats until it is answered; a repeat that comes in after the refusal must not
    # be carried out behind the back of somebody who was told no.
    async with bed.running():
        request = bed.request("stage", {"batch": "TOM1", "to": "seedling"})
        assert "nothing is sown yet" in ((await bed.send(request)).error or "")
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        assert "nothing is sown yet" in ((await bed.send(request)).error or "")
        assert bed.memory.batches["TOM1"].stage is Stage.GERMINATION
        # A corrected one under the same id is another matter.
        request["arguments"] = {"batch": "TOM1", "to": "growing-on"}
        assert (await bed.send(request)).ok


# --- refused ---------------------------------------------------------------------------------------


WRONG: list[tuple[dict[str, Any], str]] = [
    ({"sent_at": "2027-04-06T06:00:00Z"}, "the request expired 35"),
    ({"sent_at": "2027-04-06T09:00:00Z"}, "s in the future"),
    ({"sent_at": "2027-04-06T07:00:00"}, "a time without its zone"),
    ({"kind": "sew"}, "did you mean 'sow'"),
    ({"arguments": {"crop": "tomato", "place": "warn"}}, "no bench or place 'warn'"),
    ({"arguments": {"crop": "tomato", "place": "warm", "trays": 0}}, "allowed: over 0 to 64"),
    ({"arguments": {"crop": "tomato", "place": "warm", "tray": 1}}, "tray"),
    ({"arguments": {"crop": "tomato", "place": "warm", "at": "2027-04-07T07:00:00Z"}}, "future"),
    ({"by": "\x1b[31m"}, "can't be printed"),
    ({"id": "short"}, "id"),
    ({"schema": 2}, "schema"),
    ({"valid_for": 1e9}, "valid_for"),
]


async def test_a_request_that_is_not_in_order_is_refused_with_the_reason_and_changes_nothing(
    bed: Bed,
) -> None:
    async with bed.running():
        before = bed.memory.batches
        for changes, said in WRONG:
            answer = await bed.send(
                bed.request("sow", {"crop": "tomato", "place": "warm"}) | changes
            )
            assert (answer.ok, said in (answer.error or "")) == (False, True), (said, answer)
        assert bed.memory.batches == before
    assert bed.on_disk().batches == {}
    assert bed.rows("SELECT count(*) FROM request") == [(0,)]


async def test_what_names_no_place_of_ours_to_answer_to_gets_no_answer_and_harms_nothing(
    bed: Bed,
) -> None:
    async with bed.running() as service:
        service.wire.reply = lambda topic, said: pytest.fail(f"answered on {topic}")  # type: ignore
        for payload in (
            b"",
            b"\xff\xfe",
            b"[1, 2]",
            b"[" * 20_000,
            b'{"reply_to": 7}',
            b'{"reply_to": "hotbed/quince-yard/answer/\\ud800"}',
            json.dumps({"reply_to": "shed/plug/set", "id": "x" * 12}).encode(),
            json.dumps({"reply_to": f"{ROOT}answer/+", "id": "x" * 12}).encode(),
        ):
            await service._asked(payload)
        request = bed.request("sow", {"crop": "tomato", "place": "warm"}, reply_to="shed/plug/set")
        await service._asked(json.dumps(request).encode())
        assert not bed.memory.batches


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)
FIELDS = [
    "schema",
    "id",
    "kind",
    "arguments",
    "by",
    "reply_to",
    "at",
    "sent_at",
    "valid_for",
    "more",
]
ARGUMENTS = ["crop", "place", "trays", "cells", "variety", "year", "at", "batch", "to", "revision"]


def test_no_payload_whatever_breaks_the_service_or_changes_anything_without_saying_so(
    bed: Bed,
) -> None:
    loop = asyncio.new_event_loop()

    async def begin() -> Service:
        return bed.build()

    service = loop.run_until_complete(begin())
    told: list[bytes] = []
    service.wire.reply = lambda topic, payload: told.append(payload)  # type: ignore
    kinds = st.sampled_from(["sow", "stage", "close", "move", "log", "keep", "reset", "snooze"])

    @settings(max_examples=150, deadline=None)
    @given(
        st.binary(max_size=60)
        | st.tuples(
            kinds,
            st.dictionaries(st.sampled_from(ARGUMENTS), JSON, max_size=4),
            st.dictionaries(st.sampled_from(FIELDS), JSON, max_size=2),
        )
    )
    def fuzz(given: Any) -> None:
        before = service.memory
        told.clear()
        payload = given
        if isinstance(given, tuple):
            kind, arguments, changes = given
            payload = json.dumps(bed.request(kind, arguments) | changes).encode()
        loop.run_until_complete(service._asked(payload))
        answers = [json.loads(one) for one in told]
        assert len(answers) <= 1
        if not (answers and answers[0]["ok"]):
            assert service.memory is before

    try:
        fuzz()
    finally:
        loop.run_until_complete(bed.journal.close())
        loop.close()


async def test_a_flood_of_refusals_is_answered_but_fills_no_journal(bed: Bed) -> None:
    async with bed.running():
        for _ in range(module.REFUSALS_NOTED + 20):
            assert not (await bed.ask("sow", crop="no-such-crop", place="warm")).ok
    refused = [text for text in bed.texts("request") if text.startswith("refused")]
    assert len(refused) == module.REFUSALS_NOTED
    assert len(bed.service._refused) <= module.REFUSALS_KEPT


# --- the disk --------------------------------------------------------------------------------------


async def test_an_answer_waits_for_the_disk_and_a_tick_does_not(
    bed: Bed, monkeypatch: pytest.MonkeyPatch, eventually: Callable[..., Any]
) -> None:
    async with bed.running():
        gate = Gate(bed.journal, monkeypatch)
        gate.hang()
        asking = asyncio.create_task(bed.ask("sow", crop="tomato", place="warm"))
        await gate.reached()
        ticks = bed.ticks
        began = time.monotonic()
        await eventually(lambda: bed.ticks >= ticks + 8)
        assert time.monotonic() - began < 3.0  # for eight of 0.02 s, on a busy machine
        assert not asking.done()
        # Nor is anything done that might yet be refused.
        assert not bed.memory.batches
        assert not bed.relays["warm/mat"].on
        gate.open.set()
        assert (await asyncio.wait_for(asking, 5)).ok
        assert [*bed.memory.batches] == [*bed.on_disk().batches] == ["TOM1"]
        await eventually(lambda: bed.relays["warm/mat"].on)


async def test_a_disk_that_does_not_answer_is_an_alarm(
    bed: Bed, monkeypatch: pytest.MonkeyPatch, eventually: Callable[..., Any]
) -> None:
    monkeypatch.setattr(module, "DISK_PATIENCE", 0.05)
    async with bed.running():
        gate = Gate(bed.journal, monkeypatch)
        gate.hang()
        asking = asyncio.create_task(bed.ask("sow", crop="tomato", place="warm"))
        await gate.reached()
        await asyncio.sleep(0.06)
        bed.tick()
        bed.tick(40)
        assert "does not answer" in bed.memory.alarms["journal-unwritable"].cause
        gate.open.set()
        assert (await asyncio.wait_for(asking, 5)).ok
        await eventually(lambda: all(future.done() for _, future in bed.service._unwritten))
        bed.tick()
        bed.tick(40)
        assert bed.memory.alarms["journal-unwritable"].state == "returned"


async def test_a_service_whose_disk_hangs_still_ends_with_everything_off(
    bed: Bed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LEAVE_LIMIT", 0.1)
    async with bed.running() as service:
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        bed.tick()
        assert bed.relays["warm/mat"].on
        gate = Gate(bed.journal, monkeypatch)
        gate.hang()
        service.stop()
        while bed.relays["warm/mat"].told[-1] != "close":
            await asyncio.sleep(0.005)
        await asyncio.sleep(0.2)
        gate.open.set()


async def test_what_can_not_be_written_down_is_refused_and_not_done_whatever_ticks_ran_meanwhile(
    bed: Bed, monkeypatch: pytest.MonkeyPatch, eventually: Callable[..., Any]
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="lettuce", place="warm")).ok
        gate = Gate(bed.journal, monkeypatch)
        gate.hang()
        gate.failures = 1
        request = bed.request("sow", {"crop": "tomato", "place": "warm"})
        asking = asyncio.create_task(bed.send(request))
        await gate.reached()
        # Ticks with events of their own, and so with a state to write, run while it hangs.
        bed.probe.value = 40.0
        bed.tick(30)
        assert "soil-over-limit.warm" in bed.memory.alarms
        gate.open.set()
        answer = await asyncio.wait_for(asking, 5)
        assert not answer.ok
        assert "it can't be written down, so it is not done: " in (answer.error or "")
        assert [*bed.memory.batches] == ["LET1"]
        assert "soil-over-limit.warm" in bed.memory.alarms
        # The same once more, which would now succeed, is not done behind the asker's back.
        assert not (await bed.send(request)).ok
        await bed.journal.commit()
        assert [*bed.on_disk().batches] == ["LET1"]
        assert bed.rows("SELECT count(*) FROM request") == [(1,)]
        assert any("soil over the limit" in text for text in bed.texts("alarm"))
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok


async def test_a_reset_that_was_refused_leaves_the_mat_latched_off(
    bed: Bed, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        for minute in range(12 * 60):  # a mat that heats without effect, its probe alive
            bed.probe.value = 20.0 + minute % 2 / 16
            if bed.memory.benches["warm"].latched:
                break
            bed.tick(60)
        assert bed.memory.benches["warm"].latched == {"mat-without-effect"}
        assert not bed.relays["warm/mat"].on
        await bed.journal.commit()
        gate = Gate(bed.journal, monkeypatch)
        gate.failures = 1
        assert not (await bed.ask("reset", alarm="mat-without-effect.warm")).ok
        bed.tick(60)
        assert bed.memory.benches["warm"].latched == {"mat-without-effect"}
        assert bed.memory.alarms["mat-without-effect.warm"].latched
        assert not bed.relays["warm/mat"].on
        assert (await bed.ask("reset", alarm="mat-without-effect.warm")).ok
        bed.tick(60)
        assert bed.relays["warm/mat"].on


async def test_no_state_without_a_request_is_written_after_the_one_with_it(
    bed: Bed, monkeypatch: pytest.MonkeyPatch
) -> None:
    states: list[set[str]] = []

    def keep(state: SavedState | None) -> None:
        if state is not None:
            states.append(set(restore(state.body).batches))

    async with bed.running():
        gate = Gate(bed.journal, monkeypatch)
        note, submit = bed.journal.note, bed.journal.submit

        def noted(*, state: SavedState | None = None, **rest: Any) -> None:
            keep(state)
            note(state=state, **rest)

        def submitted(*, state: SavedState | None = None, **rest: Any) -> Future[list[int]]:
            keep(state)
            return submit(state=state, **rest)

        monkeypatch.setattr(bed.journal, "note", noted)
        monkeypatch.setattr(bed.journal, "submit", submitted)
        gate.hang()
        asking = asyncio.create_task(bed.ask("sow", crop="tomato", place="warm"))
        await gate.reached()
        for value in (40.0, 20.0, 40.0):  # noted and submitted
            bed.probe.value = value
            bed.tick(30)
        gate.open.set()
        assert (await asyncio.wait_for(asking, 5)).ok
        bed.tick(30)
    first = states.index({"TOM1"})
    assert all(one == {"TOM1"} for one in states[first:])
    assert len(states) > first + 1


async def test_a_goodbye_in_the_midst_of_a_request_does_not_undo_it(
    bed: Bed, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with bed.running() as service:
        gate = Gate(bed.journal, monkeypatch)
        gate.hang()
        asking = asyncio.create_task(bed.ask("sow", crop="tomato", place="warm"))
        await gate.reached()
        service.stop()
        await asyncio.sleep(0.1)
        gate.open.set()
        assert (await asyncio.wait_for(asking, 5)).ok
    assert [*bed.on_disk().batches] == ["TOM1"]
    assert bed.texts()[-1] == "stopped"


async def test_events_that_the_disk_refused_are_written_when_it_takes_them(
    bed: Bed, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with bed.running():
        gate = Gate(bed.journal, monkeypatch)
        gate.failures = 1
        bed.probe.value = 40.0
        bed.tick(30)
        while gate.failures:
            await asyncio.sleep(0.005)
        bed.probe.value = 20.0
        bed.tick(30)
        await bed.journal.commit()
        alarms = [one for one in bed.texts("alarm") if "soil over" in one]
        assert [one.split(":")[0] for one in alarms] == [
            "soil over the limit",
            "returned to normal",
        ]
    assert bed.rows("SELECT max(seq) = count(*) FROM event") == [(1,)]


# --- the start -------------------------------------------------------------------------------------


async def test_a_card_gone_read_only_before_the_start_leaves_no_seed_cold(
    bed: Bed, monkeypatch: pytest.MonkeyPatch, eventually: Callable[..., Any]
) -> None:
    """`test_journal_disk.py` has the real thing, without a service on it."""
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
    refusing, open_file = [True], journals.open_file

    def opening(*given: Any) -> Any:
        if refusing:
            raise OSError(errno.EROFS, "Read-only file system")
        return open_file(*given)

    monkeypatch.setattr(journals, "open_file", opening)
    monkeypatch.setattr(journals, "RETRY_FIRST", 0.01)
    monkeypatch.setattr(journals, "RETRY_MOST", 0.01)
    async with bed.running():
        assert [*bed.memory.batches] == ["TOM1"]
        bed.tick(120)
        assert bed.relays["warm/mat"].on
        refused = await bed.ask("log", batch="TOM1", what="watered")
        assert not refused.ok
        assert "it can't be written down, so it is not done" in (refused.error or "")
        assert "Read-only" in bed.memory.alarms["journal-unwritable"].cause
        refusing.clear()
        await eventually(lambda: bed.journal.trouble is None)
        assert (await bed.ask("log", batch="TOM1", what="watered")).ok
    assert bed.texts("daemon").count("stopped") == 2


async def test_a_process_that_was_killed_goes_on_as_it_was_at_its_first_tick(
    bed: Bed, tmp_path: Path
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm", trays=2, cells=144)).ok
        assert (await bed.ask("sow", crop="lettuce", place="light")).ok
        assert (await bed.ask("stage", batch="LET1", to="seedling")).ok
        assert (await bed.ask("keep", bench="warm", relay="lamp", to="on", seconds=7200)).ok
        bed.tick(1)
        bed.probe.value = 24.9  # rising; between on and off the mat stays as it is
        bed.tick(120)
        bed.probe.value = 40.0
        bed.tick(30)
        bed.probe.value = 25.4
        bed.tick(90)
        bed.tick(30)
        assert (await bed.ask("keep", bench="light", relay="lamp", to="off")).ok
        bed.tick(1)
        assert (await bed.ask("log", batch="LET1", what="note", text="stocky")).ok
        before = bed.memory
        outputs = {name: relay.on for name, relay in bed.relays.items()}
        bed.copy(tmp_path / "after")
    assert outputs == {"warm/mat": False, "warm/lamp": True, "light/lamp": False}
    bed.clock.advance(15)
    bed.ticks = 0
    async with bed.running():
        assert bed.ticks >= 1
        assert {name: relay.told[1] for name, relay in bed.relays.items()} == outputs
        for relay in bed.relays.values():
            assert relay.told[0] == "start"
        after = bed.memory
        assert after.batches == before.batches
        assert after.keeps == before.keeps
        assert after.serials == before.serials
        assert {key: one.state for key, one in after.alarms.items()} == {
            "soil-over-limit.warm": "returned"
        }
        assert after.progress.keys() == before.progress.keys()
        assert after.benches["warm"].light.day_from == before.benches["warm"].light.day_from
        assert (await bed.ask("sow", crop="tomato", place="warm")).result["batch"] == "TOM2"
    assert "started again after 0 min, 2 batches go on" in bed.texts("daemon")


async def test_what_was_decided_since_the_last_saved_state_is_known_after_a_kill(
    bed: Bed, tmp_path: Path
) -> None:
    """The state is written now and then, the ticks and a mat's switchings in between."""
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        bed.tick(60)
        saved = bed.on_disk()
        for value in (18.0, 27.0, 18.5, 19.0, 20.0):
            bed.probe.value = value
            bed.tick(60)
        before = bed.memory
        assert bed.journal.trouble is None
        await bed.journal.commit()  # as after some minutes
        assert bed.on_disk() == saved != before
        bed.copy(tmp_path / "after")
    assert before.benches["warm"].mat_at > saved.benches["warm"].mat_at
    bed.build()
    bed.service._resume()
    after = bed.memory
    assert after.at == before.at
    assert after.probes == before.probes
    for name in ("mat", "lamp_at", "soil", "soil_at"):
        assert getattr(after.benches["warm"], name) == getattr(before.benches["warm"], name)
    assert len(after.benches["warm"].controller) == len(before.benches["warm"].controller) > 0
    # the request, which the state already had, may have come a tick later then
    assert after.progress["TOM1"] == pytest.approx(before.progress["TOM1"], abs=1e-4)
    # And again soon after that start.
    for value in (20.5, 27.0, 18.0):
        bed.probe.value = value
        bed.tick(60)
    before = bed.memory
    await bed.journal.commit()
    assert bed.on_disk().at != before.at
    bed.copy(tmp_path / "again")
    await bed.service.journal.close()
    bed.build()
    bed.service._resume()
    assert bed.memory == module.resumed(before, by=0.0, gone=0.0, booted=False)
    await bed.journal.close()


async def test_a_mat_within_its_band_stays_as_it_was_over_a_restart(
    bed: Bed, tmp_path: Path
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        aim = bed.service.tick().aims["warm"].soil
        assert aim is not None
        assert bed.relays["warm/mat"].on
        bed.probe.value = aim
        bed.tick(20)  # nor is the least time on an obstacle
        assert bed.relays["warm/mat"].on
        assert (await bed.ask("log", batch="TOM1", what="watered")).ok
        bed.copy(tmp_path / "after")
    bed.clock.advance(5)
    async with bed.running():
        assert bed.relays["warm/mat"].told[1] is True


async def test_after_another_boot_a_mat_waits_for_a_reading_of_today_s(
    bed: Bed, tmp_path: Path
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        bed.tick(1)
        assert (await bed.ask("keep", bench="warm", relay="mat", to="on", seconds=3600)).ok
        bed.copy(tmp_path / "after")
    bed.boot = "boot-2"
    bed.clock = HandClock(utc=bed.clock.utc() + 20, mono=12.0)  # within the grace, by the clock
    bed.probe = HandProbe(bed.clock, None, Quality.MISSING)
    async with bed.running():
        assert True not in bed.relays["warm/mat"].told
        assert "no good soil reading" in str(bed.service.decision)
        bed.probe.value, bed.probe.quality = 20.0, Quality.OK
        bed.tick(1)
        assert bed.relays["warm/mat"].on


async def test_a_probe_that_is_read_after_the_first_tick_is_not_left_until_the_next(
    bed: Bed, eventually: Any
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
    bed.boot = "boot-2"
    bed.clock = HandClock(utc=bed.clock.utc() + 20, mono=12.0)
    bed.probe = HandProbe(bed.clock, None, Quality.MISSING)
    async with bed.running():
        assert not bed.relays["warm/mat"].on
        bed.probe.value, bed.probe.quality = 20.0, Quality.OK
        await eventually(lambda: bed.relays["warm/mat"].on)  # though a tick is a minute


async def test_within_one_boot_a_reading_stays_as_fresh_as_it_is(bed: Bed, tmp_path: Path) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        bed.tick(1)
        assert (await bed.ask("log", batch="TOM1", what="watered")).ok
        bed.copy(tmp_path / "after")
    bed.probe.value, bed.probe.quality = None, Quality.MISSING
    bed.clock.advance(60)
    async with bed.running():
        assert bed.relays["warm/mat"].on
        bed.tick(70)  # 131 s after the reading; the grace is 120 s
        assert not bed.relays["warm/mat"].on


@pytest.mark.parametrize("gone", [5.0, 4 * HOUR, 30 * DAY])
async def test_a_boot_moves_every_time_and_lengthens_nothing_that_was_kept_on(
    bed: Bed, tmp_path: Path, gone: float
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        assert (await bed.ask("keep", bench="light", relay="lamp", to="on", seconds=5 * HOUR)).ok
        assert (await bed.ask("keep", bench="warm", relay="mat", to="off")).ok
        until = bed.memory.keeps["light/lamp"].until
        assert until is not None
        left = until - bed.clock.mono()
        bed.copy(tmp_path / "after")
    bed.boot = "boot-2"
    bed.clock = HandClock(utc=bed.clock.utc() + gone, mono=40.0)
    bed.probe.clock = bed.clock
    async with bed.running():
        keeps = bed.memory.keeps
        assert not keeps["warm/mat"].on
        assert keeps["warm/mat"].until is None
        assert not bed.relays["warm/mat"].on
        if gone >= left:
            assert "light/lamp" not in keeps
            assert not bed.relays["light/lamp"].on
        else:
            until = keeps["light/lamp"].until
            assert until is not None
            assert left - gone - 2 <= until - bed.clock.mono() <= left - gone


async def test_a_night_begun_before_a_power_cut_lasts_its_hours_by_elapsed_time(
    bed: Bed, tmp_path: Path
) -> None:
    bed.clock.advance(12 * HOUR)  # 21:00; seedlings of tomato are lit for 16 h from 06:00
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="light")).ok
        assert (await bed.ask("stage", batch="TOM1", to="seedling")).ok
        for _ in range(8):
            bed.tick(600)  # 22:20
        assert bed.memory.benches["light"].light.night_from is not None
        assert not bed.relays["light/lamp"].on
        assert (await bed.ask("log", batch="TOM1", what="watered")).ok
        bed.copy(tmp_path / "after")
    # Meanwhile somebody has set lights-on to three in the morning.
    bed.site = replace(
        bed.site,
        benches={
            **bed.site.benches,
            "light": replace(bed.site.benches["light"], lights_on=timedelta(hours=3)),
        },
    )
    bed.boot = "boot-2"
    bed.clock = HandClock(utc=MORNING + 19.5 * HOUR, mono=30.0)  # 04:30
    bed.probe.clock = bed.clock
    async with bed.running() as service:
        assert service.decision is not None
        assert "the dark period has 1 h" in service.decision.outputs["light"].lamp_why
        dark = 0.0
        while not bed.relays["light/lamp"].on:
            bed.tick(60)
            dark += 60
        # The night began at 22:00, or within the ten minutes of a tick after.
        assert 1.5 * HOUR - 120 <= dark <= 1.5 * HOUR + 600


async def test_an_outage_is_not_counted_as_hours_of_light_or_heat(bed: Bed, tmp_path: Path) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        assert (await bed.ask("stage", batch="TOM1", to="seedling")).ok
        bed.tick(1)
        for _ in range(30):
            bed.tick(60)
        lit = bed.memory.benches["warm"].lit_s
        assert lit == pytest.approx(1800, abs=130)
        assert (await bed.ask("log", batch="TOM1", what="watered")).ok
        bed.copy(tmp_path / "after")
    bed.boot = "boot-2"
    bed.clock = HandClock(utc=bed.clock.utc() + 4 * HOUR, mono=40.0)
    bed.probe.clock = bed.clock
    async with bed.running():
        assert bed.relays["warm/lamp"].on
        bed.tick(60)
        assert bed.memory.benches["warm"].lit_s == pytest.approx(lit + 60, abs=70)


async def test_a_clock_behind_the_journal_is_not_believed_and_the_lamp_keeps_its_rhythm(
    bed: Bed, tmp_path: Path
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="light")).ok
        assert (await bed.ask("stage", batch="TOM1", to="seedling")).ok
        bed.tick(1)
        bed.tick(HOUR)
        assert bed.relays["light/lamp"].on
        assert (await bed.ask("log", batch="TOM1", what="watered")).ok
        bed.copy(tmp_path / "after")
    bed.boot = "boot-2"
    # A board without a clock of its own starts in the last century; there it would be night.
    bed.clock = HandClock(utc=0.0, mono=8.0)
    bed.probe.clock = bed.clock
    async with bed.running():
        assert bed.relays["light/lamp"].on
        assert bed.memory.batches["TOM1"].stage is Stage.SEEDLING
        bed.tick(301)
        assert "clock-unset" in bed.memory.alarms
        lit = 0.0
        while bed.relays["light/lamp"].on:
            bed.tick(600)
            lit += 600
        # An hour and a bit were lit before, by a photoperiod of 16 h from when it began.
        assert lit == pytest.approx(15 * HOUR, abs=0.5 * HOUR)
        dark = 0.0
        while not bed.relays["light/lamp"].on:
            bed.tick(600)
            dark += 600
        assert 8 * HOUR - 700 <= dark <= 8 * HOUR + 700
        # What needs no date is done by a clock that is not set; the asker's is right.
        now = "2027-04-07T10:00:00+02:00"
        kept = bed.request(
            "keep", {"bench": "light", "relay": "lamp", "to": "off"}, sent_at=now, at=now
        )
        assert (await bed.send(kept)).ok
        sown = bed.request("sow", {"crop": "tomato", "place": "light"}, sent_at=now, at=now)
        assert "the clock of the machine that runs the benches is not set" in (
            (await bed.send(sown)).error or ""
        )
        # And when the time is set, all is well again.
        bed.clock.set_utc(datetime.fromisoformat(now).timestamp())
        bed.tick(1)
        bed.tick(301)
        assert bed.memory.alarms["clock-unset"].state == "returned"


async def test_a_clock_once_doubted_is_doubted_until_it_is_set_and_then_the_power_cut_is_told(
    bed: Bed, tmp_path: Path
) -> None:
    bed.probe.value = 24.0
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        bed.tick(300)
        assert (await bed.ask("log", batch="TOM1", what="watered")).ok
        last = bed.clock.utc()
        bed.copy(tmp_path / "after")
    # The board boots at what it last wrote down of the time, three times, and once only the daemon
    # starts anew: what an earlier start wrote with that time makes it no truer.
    bed.probe.value = 14.0
    for boot in ("boot-2", "boot-3", "boot-3", "boot-4"):
        if boot != bed.boot:
            bed.boot = boot
            bed.clock = bed.probe.clock = HandClock(utc=last - 1500, mono=8.0)
        async with bed.running() as service:
            assert not service.now().trusted
            bed.tick(60)
            if boot == "boot-4":
                bed.clock.set_utc(last + 9 * HOUR)
                bed.tick(1)
                assert service.now().trusted
    starts = [text for text in bed.texts("daemon") if text.startswith("started again")]
    assert [" nobody knows how long," in text for text in starts] == [True, True, False, True]
    (said,) = bed.texts("advisory")
    assert re.search(r"^warm: nothing heated or lit for (8\.[89]|9\.0) h; ", said)
    assert "from 24.0 °C to an estimated 14.0 °C at the lowest" in said
    assert "TOM1: about " in said
    clock = [text for text in bed.texts("clock") if "believed" in text]
    assert [text.partition(":")[0] for text in clock] == [
        "the clock can't be believed",
        "the clock is believed again",
    ]


async def test_a_clock_that_the_network_has_set_is_believed_though_the_journal_is_from_the_future(
    bed: Bed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with bed.running():
        bed.tick(60)
    bed.boot = "boot-2"
    bed.clock = bed.probe.clock = HandClock(utc=bed.clock.utc() - 24 * HOUR, mono=8.0)
    async with bed.running() as service:
        assert not service.now().trusted
        monkeypatch.setattr(module, "synchronised", lambda: True)
        assert service.now().trusted


async def test_an_old_boot_s_reading_does_not_heat_when_the_clock_can_not_tell_its_age(
    bed: Bed, tmp_path: Path
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        bed.tick(1)
        assert (await bed.ask("log", batch="TOM1", what="watered")).ok
        bed.copy(tmp_path / "after")
    bed.boot = "boot-2"
    bed.clock = HandClock(utc=bed.clock.utc() - HOUR, mono=8.0)
    bed.probe = HandProbe(bed.clock, None, Quality.MISSING)
    async with bed.running():
        assert True not in bed.relays["warm/mat"].told


async def test_a_flood_of_refusals_by_a_thousand_names_leaves_the_others_their_say(
    bed: Bed,
) -> None:
    async with bed.running() as service:
        answered: list[bytes] = []
        service.wire.reply = lambda topic, payload: answered.append(payload)  # type: ignore
        for number in range(1000):
            nowhere = {"bench": "nowhere", "relay": "mat", "to": "off"}
            request = bed.request("keep", nowhere, by=f"name {number}")
            await service._asked(json.dumps(request).encode())
        assert REFUSED_ALOUD <= len(answered) < REFUSED_ALOUD + 100  # and what the seconds add
        assert (await bed.ask("keep", bench="warm", relay="mat", to="off")).ok


async def test_more_than_all_together_may_is_not_done_whatever_the_names(
    bed: Bed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "REQUESTS_ALL", 5)
    async with bed.running():
        answers = [
            await bed.ask("keep", by=f"name {number}", bench="warm", relay="mat", to="off")
            for number in range(7)
        ]
        assert [one.ok for one in answers] == [True] * 5 + [False] * 2
        assert "too many requests; allowed: 240 a minute" in (answers[-1].error or "")


async def test_batches_of_a_crop_or_bench_that_is_gone_are_kept_and_come_back(
    bed: Bed, tmp_path: Path
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm", trays=2)).ok
        assert (await bed.ask("sow", crop="pepper", place="light")).ok
        assert (await bed.ask("sow", crop="lettuce", place="warm")).ok
    whole = bed.site
    crops = {name: crop for name, crop in LIBRARY.crops.items() if name != "tomato"}
    bed.site = replace(
        whole,
        library=replace(LIBRARY, crops=crops),
        benches={"warm": whole.benches["warm"]},
    )
    async with bed.running():
        assert {code: one.place for code, one in bed.memory.batches.items()} == {
            "PEP1": "chamber",
            "LET1": "warm",
        }
        assert bed.memory.batches["PEP1"].revision == 2
        bed.tick(60)
        assert (await bed.ask("log", batch="LET1", what="watered")).ok
        told = bed.texts("daemon")
        assert "PEP1 stood on light, which is gone: now in chamber" in told
        assert any(text.startswith("TOM1 rests: no crop 'tomato' is known") for text in told)
    # Two starts later the crop's file is found again, and with it what was sown.
    async with bed.running():
        bed.tick(60)
    bed.site = whole
    async with bed.running():
        assert bed.memory.batches["TOM1"].trays == 2
        assert bed.memory.batches["LET1"].watered_at is not None
        assert (await bed.ask("sow", crop="tomato", place="warm")).result["batch"] == "TOM2"


async def test_a_state_that_can_not_be_read_is_kept_and_not_overwritten(bed: Bed) -> None:
    bed.folder.mkdir()
    journal = Journal.open(bed.path, MORNING)
    await journal.commit(state=SavedState('{"batches": 7}', MORNING - 60, 100.0, "boot-1"))
    await journal.close()
    async with bed.running():
        assert not bed.memory.batches
        bed.tick(60)
    (kept,) = bed.folder.glob("unread-state-*.json")
    assert kept.read_text() == '{"batches": 7}'
    assert any(f"it is kept as {kept.name}" in text for text in bed.texts("daemon"))


async def test_a_damaged_journal_is_told_of(bed: Bed) -> None:
    bed.folder.mkdir()
    bed.path.write_bytes(b"no database at all, but long enough to be looked at" * 10)
    async with bed.running():
        await bed.journal.commit()
        assert "the journal was damaged" in bed.texts("daemon")[0]
        alarm = bed.memory.alarms["journal-damaged"]
        assert "no longer a database; it was set aside as journal.db.damaged-" in alarm.cause
        bed.tick(60)
        assert (
            bed.memory.alarms["journal-damaged"].state == "returned"
        )  # in sight until acknowledged
        assert (await bed.ask("acknowledge", alarm="journal-damaged")).ok
        assert "journal-damaged" not in bed.memory.alarms


async def test_a_device_that_is_not_to_be_had_ends_the_run_with_everything_off(bed: Bed) -> None:
    service = bed.build()

    async def refuse() -> None:
        raise DriverError("warm/mat: no such pin")

    bed.relays["warm/mat"].start = refuse  # type: ignore[method-assign]
    with pytest.raises(DriverError, match="no such pin"):
        await service.run()
    assert bed.ticks == 0
    for relay in bed.relays.values():
        assert relay.told[-1] == "close"
        assert True not in relay.told
    await bed.journal.close()


# --- the broker ------------------------------------------------------------------------------------


async def test_a_broker_that_is_away_changes_nothing_at_the_benches_and_misses_no_event(
    bed: Bed, broker: Any, eventually: Callable[..., Any]
) -> None:
    bed.port = broker.port
    async with bed.running() as service:
        await eventually(lambda: service.wire.connected)
        await eventually(lambda: not bed.journal.unpublished(10))
        await broker.stop()
        await eventually(lambda: not service.wire.connected)
        before = bed.ticks
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        for value in (40.0, 20.0, 25.0, 20.0):
            bed.probe.value = value
            bed.tick(90)
        # Ticks come as before, every 0.02 s, though the connection is tried again all the while.
        start, began = bed.ticks, time.monotonic()
        await eventually(lambda: bed.ticks >= start + 20)
        assert time.monotonic() - began < 3.0
        assert bed.relays["warm/mat"].on
        assert bed.ticks > before
        missed = [one.seq for one in bed.journal.unpublished(100)]
        assert len(missed) >= 6
        heard: list[int] = []
        await broker.start()
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            await client.subscribe(f"{ROOT}event", 1)
            await client.subscribe(f"{ROOT}bench/warm", 1)
            state = None
            async with asyncio.timeout(5):
                async for message in client.messages:
                    content = json.loads(bytes(message.payload))
                    if str(message.topic).endswith("event"):
                        heard.append(content["seq"])
                    else:
                        state = content
                    if state and len(heard) >= len(missed):
                        break
        assert heard == missed
        assert state is not None
        assert state["mat"]["on"]
        assert state["batches"] == ["TOM1"]
        await eventually(lambda: not bed.journal.unpublished(10))


async def test_events_come_in_the_order_of_the_journal_each_once(
    bed: Bed, embedded: EmbeddedBroker, eventually: Callable[..., Any]
) -> None:
    bed.port = embedded.port
    heard: list[tuple[int, str]] = []
    async with aiomqtt.Client("127.0.0.1", embedded.port) as client:
        await client.subscribe(f"{ROOT}event", 1)

        async def listen() -> None:
            async for message in client.messages:
                content = json.loads(bytes(message.payload))
                heard.append((content["seq"], content["text"]))

        listener = asyncio.create_task(listen())
        async with bed.running() as service:
            await eventually(lambda: service.wire.connected)
            for number in range(8):
                bed.probe.value = 40.0 if number % 2 else 20.0
                bed.tick(40)
                if number % 5 == 0:
                    assert (await bed.ask("sow", crop="onion", place="chamber")).ok
                await asyncio.sleep(0.003)
            await eventually(lambda: heard and not bed.journal.unpublished(10))
            await asyncio.sleep(0.1)
        listener.cancel()
    on_disk = [(one.seq, one.text) for one in read_events(bed.path, limit=None)]
    assert on_disk[-1][1] == "stopped"
    assert heard == on_disk[: len(heard)]
    assert len(heard) >= len(on_disk) - 1


async def test_retained_topics_go_with_what_they_tell_of_and_stale_ones_are_swept(
    bed: Bed, embedded: EmbeddedBroker, eventually: Callable[..., Any]
) -> None:
    bed.port = embedded.port
    async with aiomqtt.Client("127.0.0.1", embedded.port) as before:
        for stale in ("batch/OLD7", "alarm/no-soil-reading.gone", "bench/gone"):
            await before.publish(f"{ROOT}{stale}", b'{"left": "behind"}', 1, True)
    async with bed.running() as service, client_at(embedded) as client:
        await eventually(lambda: service.wire.connected)

        async def topics() -> set[str]:
            return {
                name for name in await client.gather(settle=0.02) if not name.startswith("answer")
            }

        async def stands(wanted: set[str]) -> None:
            async with asyncio.timeout(20):
                while (found := await topics()) != wanted:
                    await asyncio.sleep(0.02)
            assert found == wanted

        usual = {"availability", "bench/warm", "bench/light"}
        await stands(usual)
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        bed.probe.value = 40.0
        bed.tick(30)
        await stands(usual | {"batch/TOM1", "alarm/soil-over-limit.warm"})
        bed.probe.value = 20.0
        bed.tick(30)
        assert (await bed.ask("acknowledge", alarm="soil-over-limit.warm")).ok
        closing = await bed.ask("close", batch="TOM1", outcome="lost", why="the cat")
        assert closing.ok
        await stands(usual)
        assert bed.memory.alarms == {}


async def test_the_availability_topic_says_offline_after_an_orderly_end(
    bed: Bed, embedded: EmbeddedBroker, eventually: Callable[..., Any]
) -> None:
    bed.port = embedded.port
    async with aiomqtt.Client("127.0.0.1", embedded.port) as client:
        await client.subscribe(f"{ROOT}availability", 1)
        async with bed.running() as service:
            await eventually(lambda: service.wire.connected)
        said = []
        async with asyncio.timeout(5):
            async for message in client.messages:
                said.append(message.payload)
                if message.payload == OFFLINE:
                    break
    assert said == [ONLINE, OFFLINE]


# --- the service manager ---------------------------------------------------------------------------


class Manager:
    """A service manager's end of the socket."""

    def __init__(self, path: Path, monkeypatch: pytest.MonkeyPatch, watchdog: float) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.socket.setblocking(False)
        self.notifier = Notifier({"NOTIFY_SOCKET": str(path)})
        monkeypatch.setenv("WATCHDOG_USEC", str(round(watchdog * 1e6)))
        monkeypatch.delenv("WATCHDOG_PID", raising=False)
        self.heard: list[str] = []

    def listen(self) -> list[str]:
        while True:
            try:
                self.heard += self.socket.recv(4096).decode().split("\n")
            except BlockingIOError:
                return self.heard


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    found = Manager(tmp_path / "notify", monkeypatch, 0.12)
    yield found
    found.socket.close()


async def test_the_service_manager_is_told_of_the_first_tick_of_changes_and_of_the_end(
    bed: Bed, manager: Manager, monkeypatch: pytest.MonkeyPatch, eventually: Callable[..., Any]
) -> None:
    ready_at: list[int] = []
    real = manager.notifier.ready

    def ready(status: str = "") -> bool:
        ready_at.append(bed.ticks)
        return real(status)

    monkeypatch.setattr(manager.notifier, "ready", ready)
    async with bed.running(manager.notifier):
        await eventually(lambda: "WATCHDOG=1" in manager.listen())
        assert ready_at == [1]
        away = "; the broker is away"
        assert manager.heard[:2] in (
            ["READY=1", f"STATUS=2 benches, no batches, no alarms{away}"],
            ["WATCHDOG=1", "READY=1"],
        )
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        told = f"STATUS=2 benches, 1 batch, no alarms{away}"
        await eventually(lambda: told in manager.listen())
        bed.probe.value = 40.0
        told = f"STATUS=2 benches, 1 batch, 1 alarm{away}"
        await eventually(lambda: told in manager.listen())
        await asyncio.sleep(0.1)
        statuses = [line for line in manager.listen() if line.startswith("STATUS")]
        assert len(statuses) == len(set(statuses))  # each once
    assert manager.listen()[-1] == "STOPPING=1"
    assert manager.heard.count("READY=1") == 1


async def test_a_loop_that_hangs_and_ticks_that_stall_give_no_sign_of_life(
    bed: Bed, manager: Manager, monkeypatch: pytest.MonkeyPatch, eventually: Callable[..., Any]
) -> None:
    async with bed.running(manager.notifier) as service:
        await eventually(lambda: manager.listen().count("WATCHDOG=1") >= 3)
        manager.listen()
        manager.heard.clear()
        time.sleep(0.3)  # the loop hangs
        assert "WATCHDOG=1" not in manager.listen()
        await eventually(lambda: "WATCHDOG=1" in manager.listen())
        # A loop that turns while its ticks don't come is as dead: the last is too long ago.
        service._ticked = -1e9
        monkeypatch.setattr(service, "tick", lambda: None)
        await asyncio.sleep(0.05)
        manager.listen()
        manager.heard.clear()
        await asyncio.sleep(0.2)
        assert "WATCHDOG=1" not in manager.listen()


# --- probes ----------------------------------------------------------------------------------------


async def test_a_probe_that_falls_silent_switches_the_mat_off_within_the_grace_and_alarms(
    bed: Bed,
) -> None:
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="warm")).ok
        bed.tick(1)
        assert bed.relays["warm/mat"].on
        bed.probe.at = bed.clock.mono()  # the last reading, over and over
        off_after = 0.0
        while bed.relays["warm/mat"].on:
            bed.tick(10)
            off_after += 10
        assert off_after <= 120
        bed.tick(10)
        assert "no-soil-reading.warm" in bed.memory.alarms


async def test_an_alarm_calls_by_the_owners_command_and_one_that_fails_is_an_alarm(
    tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    told = tmp_path / "told"
    command = ["/bin/sh", "-c", f"cat > {told}.part && mv {told}.part {told}"]
    people = [
        {"name": "Ada", "command": command},
        {"name": "Ben", "command": ["/no/such/program"], "least": "critical"},
    ]
    bed = Bed(tmp_path / "state", calls={"people": people, "night_from": "03:00"})
    bed.caller = Caller({one.name: one.command for one in bed.config.calls.people})
    async with bed.running():
        bed.probe.value = 36.0
        bed.tick(60)
        await eventually(told.exists)
        assert told.read_text(encoding="utf-8").startswith("CRITICAL: soil over the limit\nwarm:")
        bed.tick(900)
        await eventually(lambda: bed.caller.trouble is not None)
        bed.tick(1)
        assert "Ben: /no/such/program" in bed.memory.alarms["call-failed"].cause
        assert (await bed.ask("acknowledge", alarm="soil-over-limit.warm")).ok
        calls = len(bed.memory.calls["soil-over-limit.warm"].told)
        bed.tick(3600)
        assert len(bed.memory.calls["soil-over-limit.warm"].told) == calls == 2
    assert [text.split(":")[0] for text in bed.texts("call")][:2] == [
        "Ada is called",
        "Ben is called",
    ]


async def test_work_light_asked_for_at_night_is_half_an_hour_over_a_restart_too(
    bed: Bed, tmp_path: Path
) -> None:
    bed.clock.advance(12 * HOUR)  # 21:00, lit from 06:00 for 16 h
    async with bed.running():
        assert (await bed.ask("sow", crop="tomato", place="light")).ok
        assert (await bed.ask("stage", batch="TOM1", to="seedling")).ok
        for _ in range(8):
            bed.tick(600)
        assert not bed.relays["light/lamp"].on
        assert (await bed.ask("keep", bench="light", relay="lamp", to="on", seconds=7200)).ok
        bed.tick(1)
        for _ in range(20):
            bed.tick(60)
        assert bed.relays["light/lamp"].on
        assert (await bed.ask("log", batch="TOM1", what="watered")).ok
        bed.copy(tmp_path / "after")
    bed.boot = "boot-2"
    bed.clock = HandClock(utc=bed.clock.utc() + 30, mono=20.0)
    bed.probe.clock = bed.clock
    async with bed.running():
        lit = 0.0
        while bed.relays["light/lamp"].on:
            bed.tick(60)
            lit += 60
        assert lit <= WORK_LIGHT - 20 * 60 + 60


def of(kind: str, bench: str = "warm", **data: object) -> Event:
    return Event(0.0, kind, "told", bench=bench, data=data)


@pytest.mark.parametrize(
    ("events", "waits"),
    [
        ([], True),
        ([of("switching", relay="mat", on=True)], True),
        ([of("switching", relay="lamp", on=True)], False),
        # Off and on over a cover, some dozen times a day and bench.
        ([of("interlock"), of("switching", relay="lamp", on=False)], True),
        ([of("interlock", "cool"), of("switching", relay="lamp", on=False)], False),
        ([of("interlock"), of("switching", relay="mat", on=False), of("alarm")], False),
    ],
)
def test_what_comes_by_the_thousand_waits_to_be_written_and_nothing_else(
    events: list[Event], waits: bool
) -> None:
    assert module._routine(events) is waits
