"""A scenario played: the real core, requests and MQTT drivers, on simulated benches, tick by tick.

What befalls the process itself is played at the level of the core's inputs: a kill restores what the
journal had by then, a full disk keeps it from having more, a broker that is gone swallows requests
and takes its plugs out of reach, a clock that was set is what the core is told. The grower is the
rehearsal's own, but asks over the wire.
"""

from __future__ import annotations

import asyncio
import heapq
import json
import random
from collections.abc import Callable, Coroutine, Mapping
from typing import Any

from daemon.campaign.scenario import (
    CLOCK,
    GARBAGE,
    JOURNAL,
    KEEP_OFF,
    KEEP_ON,
    KILL,
    LATE,
    LOST,
    NO_TIME,
    PLUG_AWAY,
    STALL,
    Scenario,
    Trouble,
)
from daemon.config import Config, MqttProbeDevice, MqttRelayDevice, Probe, Relay
from daemon.control import iso
from daemon.decide import Decision, decide
from daemon.events import Event
from daemon.outage import resumed
from daemon.rehearsal import Rehearsal
from daemon.requests import RefusedError, apply, arguments, check_time, envelope
from daemon.service import CLOCK_SET, FLOOR_UTC, REMEMBERED, TIMELESS
from daemon.state import Batch, Inputs, Memory, Now, Site, dump, restore
from drivers.mqtt import MqttProbe, MqttProbeSettings, MqttRelay
from drivers.protocols import Quality, Reading, RelayState
from sim.devices import ProbeSpec, SimRelay
from sim.faults import FaultKind
from sim.weather import RoomTemperature
from sim.world import BenchSpec, World

#: How often [s] the journal writes a state that no event came with (see `daemon.journal`).
FLUSH = 300.0
#: A lamp or mat asked to be on for ever: a plug without a timer of its own.
FOR_EVER = 1e8
#: Rubbish as it might come, beside random bytes.
RUBBISH = (
    b"", b"\x00", b"null", b"[]", b'{"schema": 1}', b"ON" * 3000, b"NaN", b"1e999", b"-", b"\xff\xfe",
    b'{"schema": 1, "id": "aaaaaaaa", "kind": "keep", "arguments": {"bench": "low", "relay": "mat", '
    b'"to": "on", "seconds": 1e400}, "by": "x", "reply_to": "y", "at": "2027-01-01T00:00:00Z", '
    b'"sent_at": "2027-01-01T00:00:00Z", "valid_for": 60}',
    b"[" * 9000,
)  # fmt: skip


class BrokenRuleError(Exception):
    """The core or a driver did what it must never do, found outside the judge."""


class _Timer:
    """What `call_at` gives."""

    def __init__(self, when: float, call: Callable[[], None]) -> None:
        self._when = when
        self.call: Callable[[], None] | None = call

    def when(self) -> float:
        return self._when

    def cancel(self) -> None:
        self.call = None


class _Loop:
    """As much of an event loop as the MQTT drivers ask for, in virtual time."""

    def __init__(self, time: Callable[[], float]) -> None:
        self.time = time
        self._due: list[tuple[float, int, _Timer]] = []
        self._count = 0

    def call_at(self, when: float, call: Callable[[], None]) -> _Timer:
        timer = _Timer(when, call)
        self._count += 1
        heapq.heappush(self._due, (when, self._count, timer))
        return timer

    def run_due(self) -> None:
        """Call what is due by now, once each."""
        now, due = self.time(), []
        while self._due and self._due[0][0] <= now:
            due.append(heapq.heappop(self._due)[2])
        for timer in due:
            if timer.call is not None:
                timer.call()

    def start(self, device: MqttRelay | MqttProbe) -> None:
        """Run a device's `start`, which waits for nothing, as on this loop."""
        coroutine: Coroutine[Any, Any, None] = device.start()
        asyncio._set_running_loop(self)  # type: ignore[arg-type]
        try:
            coroutine.send(None)
        except StopIteration:
            pass
        finally:
            asyncio._set_running_loop(None)


class _Link:
    """The connection to the broker, and what waits to be heard."""

    def __init__(self) -> None:
        self.connected = True
        self.plugs: dict[str, _Plug] = {}
        self.heard: dict[str, Callable[[str, bytes, bool], None]] = {}

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = False) -> None:
        if self.connected and topic in self.plugs:
            self.plugs[topic].hear(payload)

    def subscribe(self, topic: str, heard: Callable[[str, bytes, bool], None]) -> None:
        self.heard[topic] = heard

    def deliver(self, topic: str, payload: bytes) -> None:
        if self.connected and topic in self.heard:
            self.heard[topic](topic, payload, False)


class _Plug:
    """A plug on the network: does as it hears, with a timer of its own if it is told one."""

    def __init__(self, relay: SimRelay, device: MqttRelayDevice, world: World) -> None:
        self.relay = relay
        self.device = device
        self.world = world
        self.away = False
        self._answer = False
        self._said: bool | None = None

    def hear(self, payload: bytes) -> None:
        if self.away or not self.world.powered:
            return
        word, _, seconds = payload.decode().partition(" ")
        self.relay.set(word == "ON", float(seconds) if seconds else FOR_EVER)
        self._answer = True

    def report(self, link: _Link) -> None:
        """Say what the contacts are, after a command and after any change."""
        if self.device.state_topic is None or self.away or not self.world.powered:
            return
        closed = self.relay.closed
        if (self._answer or closed is not self._said) and link.connected:
            self._answer, self._said = False, closed
            link.deliver(self.device.state_topic, b"ON" if closed else b"OFF")


class Play(Rehearsal):
    """One scenario, stepped; `watch` is told of each tick."""

    def __init__(self, scenario: Scenario, site: Site) -> None:
        config = scenario.config
        mean, swing, drift = scenario.room
        room = RoomTemperature.daily(
            mean, swing, drift_c=drift, seed=scenario.seed, zone=config.site.tz
        )
        world = World(
            [_bench_spec(name, bench) for name, bench in config.bench.items()],
            start_utc=scenario.start,
            room=room,
            seed=scenario.seed,
            faults=scenario.faults(),
            zone=config.site.tz,
            room_probes=[ProbeSpec(one.name, "room") for one in config.room],
        )
        super().__init__(
            config, site, start=scenario.start, days=scenario.days, seed=scenario.seed, faults=(),
            plan=list(scenario.plan), world=world,
        )  # fmt: skip
        self.scenario = scenario
        self.mono = 0.0
        self.active: tuple[Trouble, ...] = ()
        self.running = True
        self.readings: Mapping[str, Reading] = {}
        self.states: Mapping[str, RelayState] = {}
        self.now: Now = Now(0.0, scenario.start)
        self.decided: Decision | None = None  # the last, though something was asked for since
        self.ledger: dict[str, Batch] = {}
        self.keeps: dict[str, tuple[bool, float]] = {}
        self.restarts: list[float] = []
        self.watch: Callable[[Play], None] = lambda play: None
        self._saved: Memory | None = None
        self._noted: Memory | None = None
        self._flushed = 0.0
        self._floor = FLOOR_UTC
        self._offset: float | None = None
        self._asks = 0
        self._asking_again: list[tuple[Trouble, str]] = []
        self._dead = ""  # of what the process has gone
        self._rng = random.Random(f"play {scenario.seed}")
        self._edges = sorted(
            {edge for one in scenario.troubles for edge in (one.at, one.end)} | {0.0}
        )
        self._edge = 0
        self._loop = _Loop(lambda: self.mono)
        self._link = _Link()
        self._bare = dict(self._relays)
        self._wires: dict[str, MqttProbeDevice] = {}
        self._truths = dict(self._probes)
        for key, relay in self._bare.items():
            device = _relay_of(config, key).device
            if isinstance(device, MqttRelayDevice):
                self._link.plugs[device.topic] = _Plug(relay, device, self.world)
        self._plugs = {plug.relay.name: plug for plug in self._link.plugs.values()}
        for name, probe in _probes_of(config).items():
            if isinstance(probe.device, MqttProbeDevice):
                self._wires[name] = probe.device
        self._boot_devices()

    # --- time ---------------------------------------------------------------------------------------

    def run(self, tell: Callable[[float], None] = lambda part: None) -> None:
        """Step through all of it, or until `watch` has seen enough and raises."""
        tick = self.site.tick
        visit = next(self._visits)
        for step in range(int(self.scenario.days * 86400 / tick)):
            mono = step * tick
            self.world.advance(mono)
            self.mono = mono
            while self._edge < len(self._edges) and self._edges[self._edge] <= mono:
                self._edge += 1
                self._turn(mono)
            self._deliver()
            if self._awake(mono):
                self._tick(mono)
                if self._asking_again:
                    self._ask_again(mono)
                if mono >= visit:
                    self._visit(mono)
                    visit = next(self._visits)
            self.watch(self)

    @property
    def bare(self) -> Mapping[str, SimRelay]:
        """The contacts themselves, whatever switches them."""
        return self._bare

    @property
    def plugs(self) -> Mapping[str, _Plug]:
        """The plugs among the relays, by bench/relay."""
        return self._plugs

    def by_wire(self, probe: str) -> bool:
        """Whether a probe is heard over MQTT."""
        return probe in self._wires

    def timed(self, key: str) -> bool:
        """Whether a relay goes off by itself when its lease is over."""
        plug = self._plugs.get(key)
        return plug is None or plug.device.settings().ends_by_itself

    def is_on(self, kind: str, target: str | None = None) -> bool:
        """Whether a trouble of this kind (at this target) is there now."""
        return any(one.kind == kind and target in (None, one.target) for one in self.active)

    def _turn(self, mono: float) -> None:
        """Troubles have begun or ended."""
        before = self.active
        self.active = tuple(one for one in self.scenario.troubles if one.at <= mono < one.end)
        self._link.connected = not self.is_on(FaultKind.BROKER_GONE)
        for key, plug in self._plugs.items():
            plug.away = self.is_on(PLUG_AWAY, key)
        self._asking_again = [
            one for one in self._asking_again if one[0] in self.active or one[1] == "auto"
        ]
        for one in self.active:
            if one not in before and one.kind in (KEEP_ON, KEEP_OFF):
                self._asking_again.append((one, "on" if one.kind == KEEP_ON else "off"))
        for one in before:
            if one not in self.active and one.kind == KEEP_OFF:
                self._asking_again.append((one, "auto"))

    def _ask_again(self, mono: float) -> None:
        """A person who keeps a relay on or off asks until it is done."""
        waiting, self._asking_again = self._asking_again, []
        for one, to in waiting:
            bench, _, relay = one.target.partition("/")
            more = {"seconds": one.value} if to == "on" else {}
            key = one.target
            if to == "auto" and key not in self.memory.keeps:
                self.keeps.pop(key, None)
                continue
            if self._ask("keep", mono, bench=bench, relay=relay, to=to, **more) is None:
                self._asking_again.append((one, to))
            elif to == "auto":
                self.keeps.pop(key, None)
            else:
                self.keeps[key] = (to == "on", mono + one.value if to == "on" else float("inf"))

    def _wall(self, mono: float) -> float:
        """What the board's clock shows."""
        utc = self.start + mono
        for one in self.scenario.troubles:
            if one.kind == CLOCK and one.at <= mono < one.end:
                utc += one.value
            elif one.kind == NO_TIME and one.at <= mono < one.end + one.value:
                # A board without a battery begins at 1970, or where it was when it was switched off.
                utc = (0.0 if one.number % 2 else self.start + one.at) + mono - one.end
        return utc

    def _clock(self, mono: float) -> Now:
        """The present, as the service judges it (`Service.now`): one that steps has been set."""
        utc = self._wall(mono)
        offset, self._offset = self._offset, utc - mono
        if offset is not None and abs(self._offset - offset) > CLOCK_SET:
            self._floor = FLOOR_UTC
        return Now(mono, utc, trusted=utc >= self._floor)

    def _awake(self, mono: float) -> bool:
        """Whether the process is there to tick; a start is made on the way."""
        kinds = {one.kind for one in self.active}
        if not self.world.powered:
            self._die("power")
            return False
        if KILL in kinds:
            self._die("kill")
            return False
        if self._dead:
            self._come_to_life(mono)
        self.running = not (STALL in kinds or (LATE in kinds and self._rng.random() < 0.4))
        return self.running

    def _die(self, how: str) -> None:
        if self._dead != "power":
            self._dead = how
        self.running = False

    def _come_to_life(self, mono: float) -> None:
        """As the service starts: from the journal, everything driven off first."""
        booted = self._dead == "power"
        self._dead = ""
        self.restarts.append(mono)
        self._boot_devices()
        memory = Memory()
        self._floor, self._offset = FLOOR_UTC, None
        if self._saved is not None and self._saved.at is not None:
            memory = restore(dump(self._saved))
            if memory != self._saved:
                raise BrokenRuleError("a saved state comes back as another")
            at = self._saved.at
            sure = memory.cut.at if memory.cut is not None else at
            if booted or memory.cut is not None:
                self._floor = max(FLOOR_UTC, sure.utc - REMEMBERED)
            now = self._clock(mono)
            dated = now.trusted and memory.cut is None and sure.trusted
            gone = max(0.0, now.utc - at.utc) * dated if booted else mono - at.mono
            by = mono - gone - at.mono
            memory = resumed(memory, by=by, gone=gone, booted=booted, dated=dated)
        self.memory = memory
        self.decision = None
        self._noted = None
        self._note("daemon", "started again", mono)

    def _boot_devices(self) -> None:
        """The drivers of a process that begins; every relay is driven off."""
        self._link.heard.clear()
        self._loop = _Loop(lambda: self.mono)
        config = self.scenario.config
        relays: dict[str, Any] = {}
        for key, relay in self._bare.items():
            device = _relay_of(config, key).device
            if isinstance(device, MqttRelayDevice):
                plug = MqttRelay(key, device.settings(), self._link)
                self._loop.start(plug)
                relays[key] = plug
            else:
                relay.set(False, 0.0)
                relays[key] = relay
        self._relays = relays
        probes: dict[str, Any] = dict(self._truths)
        for name, wire in self._wires.items():
            settings = MqttProbeSettings(wire.topic, wire.path, wire.unit)
            probes[name] = MqttProbe(name, settings, self._link, _MonoClock(self))
            self._loop.start(probes[name])
        self._probes = probes

    def _deliver(self) -> None:
        """What the network brings between two ticks."""
        if not self._link.connected or not self.world.powered:
            return
        for plug in self._plugs.values():
            plug.report(self._link)
        for name, device in self._wires.items():
            reading = self._truths[name].latest()
            if reading.value is not None and reading.quality in (Quality.OK, Quality.POWER_ON):
                self._link.deliver(device.topic, f"{reading.value:.4f}".encode())
        if self.is_on(GARBAGE):
            for _ in range(2):
                rubbish = self._rng.choice((*RUBBISH, self._rng.randbytes(40)))
                topics = sorted(self._link.heard)
                if topics:
                    self._link.deliver(self._rng.choice(topics), rubbish)
                try:
                    arguments(envelope(rubbish))
                except RefusedError:
                    continue
                raise BrokenRuleError(f"rubbish is taken for a request: {rubbish[:80]!r}")

    # --- the daemon's part ----------------------------------------------------------------------------

    def _tick(self, mono: float) -> None:
        self._loop.run_due()
        readings = {name: probe.latest() for name, probe in self._probes.items()}
        states = {name: relay.state() for name, relay in self._relays.items()}
        full = self.is_on(JOURNAL)
        troubles = {"journal-unwritable": "the disk is full"} if full else {}
        now = self._clock(mono)
        aims = self.decision.aims if self.decision is not None else None
        decision = decide(
            self.memory, self.site, Inputs(readings, states, troubles), now, aims=aims
        )
        self.memory, self.decision = decision.memory, decision
        self.decided = decision
        self.readings, self.states, self.now = readings, states, now
        self._carry_out(decision)
        if not full:
            if decision.events:
                self._save(mono)
            else:
                if self._noted is not None and mono - self._flushed >= FLUSH:
                    self._saved, self._flushed = self._noted, mono
                self._noted = decision.memory

    def _save(self, mono: float) -> None:
        self._saved, self._flushed = self.memory, mono
        self._noted = None

    # --- the grower's part ----------------------------------------------------------------------------

    def _ask(self, kind: str, mono: float, **asked: Any) -> Mapping[str, Any] | None:
        """A request as it comes over the wire; None when it got no answer, or a refusal."""
        if self.is_on(LOST) or not self._link.connected or not self.running:
            return None
        self._asks += 1
        sent = iso(self.start + mono)
        payload = json.dumps(
            {
                "schema": 1, "id": f"ask-{self._asks:08d}", "kind": kind, "arguments": asked,
                "by": self.grower, "reply_to": f"hotbed/{self.site.name}/answer/x", "at": sent,
                "sent_at": sent, "valid_for": 60,
            }
        ).encode()  # fmt: skip
        now = Now(mono, self.now.utc, self.now.trusted)
        try:
            request = envelope(payload)
            try:
                check_time(request, now)
            except RefusedError:
                if now.trusted or kind not in TIMELESS:
                    raise
            done = apply(self.memory, self.site, arguments(request), request.by, now)
            if self.is_on(JOURNAL):
                raise RefusedError("it can't be written down, so it is not done")
        except RefusedError as error:
            self._note("refused", f"{self.grower} could not {kind}: {error}", mono)
            return None
        self.memory = done.memory
        self.decision = None
        self._save(mono)
        self.mirror(self.memory)
        self.events += done.events
        self._follow(mono)
        self.ledger = dict(self.memory.batches)
        return done.result

    def _note(self, kind: str, text: str, mono: float) -> None:
        self.events.append(Event(at=self.start + mono, kind=kind, text=text))


class _MonoClock:
    """The board's clocks, for a probe."""

    def __init__(self, play: Play) -> None:
        self._play = play

    def mono(self) -> float:
        return self._play.mono

    def utc(self) -> float:
        return self._play.now.utc


def _bench_spec(name: str, bench: Any) -> BenchSpec:
    return BenchSpec(
        name=name,
        trays=bench.trays,
        mat_watts=bench.mat.watts if bench.mat else None,
        lamp_watts=bench.lamp.watts if bench.lamp else None,
        probes=tuple(ProbeSpec(one.name, one.measures) for one in bench.probes),
    )


def _relay_of(config: Config, key: str) -> Relay:
    bench, _, kind = key.partition("/")
    found: Relay = getattr(config.bench[bench], kind)
    return found


def _probes_of(config: Config) -> dict[str, Probe]:
    found = {f"{name}/{one.name}": one for name, b in config.bench.items() for one in b.probes}
    return found | {f"room/{one.name}": one for one in config.room}
