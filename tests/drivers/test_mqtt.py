"""Plugs and thermometers over MQTT, against a plug that is simulated down to its contact.

Time is virtual: the loop's clock jumps to the next timer, so an hour takes a moment and every
second of it is exact.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import math
import selectors
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any, Literal, TypeVar

import paho.mqtt.client as paho
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion

from drivers.mqtt import (
    MAX_PAYLOAD,
    MqttProbe,
    MqttProbeSettings,
    MqttRelay,
    MqttRelaySettings,
    path_problem,
    topic_problem,
)
from drivers.protocols import Link, Probe, Quality, Relay, RelayState

T = TypeVar("T")
Heard = Callable[[str, bytes, bool], None]


class JumpingSelector(selectors.DefaultSelector):
    """Instead of waiting, moves a clock on by as much."""

    now = 1000.0

    def select(self, timeout: float | None = None) -> list[Any]:
        assert timeout is not None, "nothing is due, ever"
        self.now += max(timeout, 0.0)
        return super().select(0)


class VirtualLoop(asyncio.SelectorEventLoop):
    def __init__(self) -> None:
        self.jumping = JumpingSelector()
        super().__init__(self.jumping)

    def time(self) -> float:
        return self.jumping.now


def run(coroutine: Callable[[], Awaitable[T]]) -> T:
    async def main() -> T:
        return await coroutine()

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main())


def now() -> float:
    return asyncio.get_running_loop().time()


class FakeLink:
    """A broker, as far as a device sees it."""

    def __init__(self) -> None:
        self.connected = True
        self.sent: list[tuple[float, str, str]] = []
        self.listeners: dict[str, list[Heard]] = {}
        self.deliver: Callable[[str, str], None] = lambda topic, payload: None

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = False) -> None:
        assert not retain, "a retained command would switch a plug that comes back"
        if self.connected:
            self.sent.append((now(), topic, payload.decode()))
            self.deliver(topic, payload.decode())

    def subscribe(self, topic: str, heard: Heard) -> None:
        self.listeners.setdefault(topic, []).append(heard)

    def say(self, topic: str, payload: bytes | str, retained: bool = False) -> None:
        data = payload.encode() if isinstance(payload, str) else payload
        for heard in self.listeners.get(topic, []):
            heard(topic, data, retained)


@dataclass
class Plug:
    """A plug with a contact, an auto-off timer, a button, and a network that may fail.

    answers: reports after each command; else only when the contact changes.
    """

    link: FakeLink
    answers: bool = True
    lose: int = 0  # this many commands get lost
    online: bool = True
    stuck: bool = False
    on: bool = False
    history: list[tuple[float, bool]] = field(default_factory=list)
    timer: asyncio.TimerHandle | None = None

    def __post_init__(self) -> None:
        self.link.deliver = self.command

    def command(self, topic: str, payload: str) -> None:
        assert topic == "plug/set"
        if not self.online or self.lose:
            self.lose = max(0, self.lose - 1)
            return
        asyncio.get_running_loop().call_later(0.05, self.obey, payload)

    def obey(self, payload: str) -> None:
        word, _, seconds = payload.partition(" ")
        if self.timer is not None:
            self.timer.cancel()
        if word == "on" and seconds:
            loop = asyncio.get_running_loop()
            self.timer = loop.call_later(int(seconds), self.switch, False)
        self.switch(word == "on")
        if self.answers:
            self.report()

    def switch(self, on: bool) -> None:
        if on != self.on and not self.stuck:
            self.on = on
            self.history.append((now(), on))
            self.report()

    def report(self) -> None:
        if self.online and self.link.connected:
            self.link.say("plug/state", json.dumps({"relay": [{"on": self.on}]}))


SETTINGS = MqttRelaySettings(
    topic="plug/set",
    payload_on="on {lease}",
    payload_off="off",
    state_topic="plug/state",
    state_path="relay.0.on",
    state_on="true",
    state_off="false",
)
CHANGES = MqttRelaySettings(
    topic="plug/set",
    payload_on="on",
    payload_off="off",
    state_topic="plug/state",
    reports="changes",
)
BLIND = MqttRelaySettings(topic="plug/set", payload_on="on", payload_off="off")


async def started(
    settings: MqttRelaySettings = SETTINGS, link: FakeLink | None = None
) -> tuple[MqttRelay, FakeLink]:
    link = link or FakeLink()
    relay = MqttRelay("mat", settings, link)
    await relay.start()
    return relay, link


async def keep_on(relay: MqttRelay, seconds: float, lease: float = 15.0, tick: float = 1.0) -> None:
    for _ in range(round(seconds / tick)):
        relay.set(True, lease)
        await asyncio.sleep(tick)


def test_they_are_the_devices_the_daemon_knows() -> None:
    link: Link = FakeLink()
    relay: Relay = MqttRelay("mat", SETTINGS, link)
    probe: Probe = MqttProbe("soil", MqttProbeSettings("soil"), link, Seconds())
    assert relay.state().commanded is False
    assert probe.latest().quality is Quality.MISSING


def test_a_plug_is_switched_off_at_start_and_says_so() -> None:
    async def case() -> None:
        link = FakeLink()
        plug = Plug(link, on=True)
        relay, _ = await started(link=link)
        assert link.sent == [(1000.0, "plug/set", "off")]
        assert relay.state() == RelayState(False, None, None)
        await asyncio.sleep(1)
        assert plug.on is False
        assert relay.state() == RelayState(False, False, None)

    run(case)


def test_an_on_carries_its_lease_in_whole_seconds_rounded_up() -> None:
    async def case() -> None:
        relay, link = await started()
        relay.set(True, 14.2)
        assert link.sent[-1] == (1000.0, "plug/set", "on 15")
        relay.set(False, 14.2)
        relay.set(True, 0.01)
        assert link.sent[-1] == (1000.0, "plug/set", "on 1")

    run(case)


def test_a_lease_made_shorter_is_told_at_once() -> None:
    async def case() -> None:
        relay, link = await started()
        relay.set(True, 60)
        relay.set(True, 60)
        relay.set(True, 5)
        assert [payload for _, _, payload in link.sent] == ["off", "on 60", "on 5"]

    run(case)


def test_a_renewed_on_stays_on_with_one_message_each_third_of_the_lease() -> None:
    async def case() -> None:
        link = FakeLink()
        plug = Plug(link)
        relay, _ = await started(link=link)
        await keep_on(relay, 600, lease=15)
        times = [at for at, _, payload in link.sent if payload == "on 15"]
        gaps = [b - a for a, b in itertools.pairwise(times)]
        assert len(times) == 120
        assert all(5 <= gap <= 6 for gap in gaps)
        assert [on for _, on in plug.history] == [True]
        assert relay.state() == RelayState(True, True, None)

    run(case)


def test_a_caller_that_stops_renewing_leaves_the_plug_off_when_the_lease_ends() -> None:
    async def case() -> None:
        link = FakeLink()
        plug = Plug(link)
        relay, _ = await started(MqttRelaySettings("plug/set", "on", "off"), link)
        await keep_on(relay, 20, lease=15.5)
        await asyncio.sleep(14.4)
        assert relay.state().commanded is True
        await asyncio.sleep(0.2)
        assert relay.state().commanded is False
        await asyncio.sleep(0.1)
        assert plug.history == [(1000.05, True), (pytest.approx(1034.55), False)]

    run(case)


def test_a_plug_that_hears_no_more_of_us_ends_the_lease_by_its_own_timer() -> None:
    async def case() -> None:
        link = FakeLink()
        plug = Plug(link)
        relay, _ = await started(link=link)
        await keep_on(relay, 20, lease=15)
        link.connected = False
        lost_at = now()
        await keep_on(relay, 60, lease=15)
        assert plug.on is False
        assert plug.history[-1][0] <= lost_at + 15.1
        assert relay.state() == RelayState(
            True, None, "plug 'mat' is out of reach: the connection to the broker is down"
        )

    run(case)


def test_a_repeated_on_never_makes_the_lease_longer() -> None:
    async def case() -> None:
        relay, link = await started()
        relay.set(True, 20)
        await asyncio.sleep(12)
        link.connected = False
        await asyncio.sleep(3)
        link.connected = True
        await asyncio.sleep(60)
        for at, _, payload in link.sent:
            if payload.startswith("on"):
                assert at + int(payload.split()[1]) <= 1021  # a whole second, rounded up
        assert link.sent[-1][2] == "off"

    run(case)


@pytest.mark.parametrize("on", [True, False])
def test_what_is_wanted_is_sent_again_when_the_broker_is_back(on: bool) -> None:
    async def case() -> None:
        link = FakeLink()
        plug = Plug(link)
        relay, _ = await started(link=link)
        relay.set(on, 120)
        await asyncio.sleep(1)
        link.connected = False
        plug.switch(not on)  # a hand, a power cut
        await asyncio.sleep(20)
        assert relay.state().confirmed is None
        link.connected = True
        await asyncio.sleep(1.5)
        assert plug.on is on
        assert relay.state() == RelayState(on, on, None)

    run(case)


def test_a_broker_that_is_away_at_start_gets_the_off_when_it_comes() -> None:
    async def case() -> None:
        link = FakeLink()
        link.connected = False
        relay, _ = await started(link=link)
        await asyncio.sleep(30)
        assert link.sent == []
        state = relay.state()
        assert state.fault is not None
        assert "broker" in state.fault
        link.connected = True
        await asyncio.sleep(1.5)
        assert [payload for _, _, payload in link.sent] == ["off"]

    run(case)


def test_a_lost_off_is_repeated_until_it_is_confirmed_and_then_each_minute() -> None:
    async def case() -> None:
        link = FakeLink()
        plug = Plug(link)
        relay, _ = await started(link=link)
        await keep_on(relay, 5)
        link.sent.clear()
        plug.lose = 2
        relay.set(False, 15)
        await asyncio.sleep(8)
        assert plug.on is False
        assert [payload for _, _, payload in link.sent] == ["off"] * 3
        assert relay.state() == RelayState(False, False, None)
        await asyncio.sleep(590)
        assert 9 <= len(link.sent) - 3 <= 10

    run(case)


def test_repeats_to_a_dead_plug_are_bounded() -> None:
    async def case() -> None:
        relay, link = await started()
        for _ in range(600):
            relay.set(False, 15)
            await asyncio.sleep(1)
        assert 100 <= len(link.sent) <= 181  # every 10/3 s at the most

    run(case)


@pytest.mark.parametrize(("on", "word"), [(True, "on"), (False, "off")])
def test_silence_is_a_fault_after_confirm_within_and_not_before(on: bool, word: str) -> None:
    async def case() -> None:
        relay, _ = await started()
        relay.set(on, 100)
        await asyncio.sleep(9.9)
        assert relay.state() == RelayState(on, None, None)
        await asyncio.sleep(0.2)
        fault = f"plug 'mat' did not confirm {word} within 10 s"
        assert relay.state() == RelayState(on, None, fault)

    run(case)


def test_a_plug_that_drops_dead_while_on_is_noticed_at_the_next_repeat() -> None:
    async def case() -> None:
        link = FakeLink()
        plug = Plug(link)
        relay, _ = await started(link=link)
        await keep_on(relay, 100)
        assert relay.state() == RelayState(True, True, None)
        plug.online = False
        await keep_on(relay, 20)
        assert relay.state() == RelayState(True, None, "plug 'mat' did not confirm on within 10 s")
        plug.online = True
        await keep_on(relay, 6)
        assert relay.state() == RelayState(True, True, None)

    run(case)


def test_a_report_from_before_a_command_does_not_confirm_it() -> None:
    async def case() -> None:
        relay, link = await started()
        link.say("plug/state", '{"relay": [{"on": true}]}')
        assert relay.state().confirmed is True
        relay.set(True, 100)
        assert relay.state().confirmed is None
        await asyncio.sleep(10.1)
        fault = relay.state().fault
        assert fault is not None
        assert "did not confirm on" in fault

    run(case)


def test_a_retained_report_confirms_nothing() -> None:
    async def case() -> None:
        relay, link = await started()
        link.say("plug/state", '{"relay": [{"on": false}]}', retained=True)
        assert relay.state().confirmed is None
        await asyncio.sleep(10.1)
        assert relay.state().fault == "plug 'mat' did not confirm off within 10 s"

    run(case)


def test_a_plug_that_reports_only_changes_may_stay_silent_where_nothing_changes() -> None:
    async def case() -> None:
        relay, link = await started(CHANGES)
        link.say("plug/state", "OFF", retained=True)
        await asyncio.sleep(300)
        assert relay.state() == RelayState(False, False, None)
        relay.set(True, 100)
        await asyncio.sleep(1)
        link.say("plug/state", "ON")
        for _ in range(10):
            relay.set(True, 100)
            await asyncio.sleep(50)
        assert relay.state() == RelayState(True, True, None)
        relay.set(False, 100)
        await asyncio.sleep(10.1)
        fault = "plug 'mat' is to be off but reports on, for over 10 s"
        assert relay.state() == RelayState(False, True, fault)

    run(case)


def test_a_plug_switched_on_by_its_button_is_seen_and_switched_off_again() -> None:
    async def case() -> None:
        link = FakeLink()
        plug = Plug(link)
        relay, _ = await started(link=link)
        await asyncio.sleep(30)
        plug.switch(True)
        assert relay.state() == RelayState(False, True, None)
        await asyncio.sleep(0.1)
        assert plug.on is False
        assert relay.state() == RelayState(False, False, None)

    run(case)


def test_a_plug_that_sticks_is_a_fault_that_says_what_it_reports() -> None:
    async def case() -> None:
        link = FakeLink()
        plug = Plug(link)
        relay, _ = await started(link=link)
        await keep_on(relay, 5)
        plug.stuck = True
        relay.set(False, 15)
        await asyncio.sleep(9)
        assert relay.state() == RelayState(False, True, None)
        await asyncio.sleep(1)
        fault = "plug 'mat' is to be off but reports on, for over 10 s"
        assert relay.state() == RelayState(False, True, fault)
        plug.stuck = False
        await asyncio.sleep(4)
        assert relay.state() == RelayState(False, False, None)

    run(case)


def test_a_plug_without_a_state_topic_is_taken_at_its_word_and_told_off_each_minute() -> None:
    async def case() -> None:
        relay, link = await started(BLIND)
        await asyncio.sleep(600.5)
        assert relay.state() == RelayState(False, None, None)
        assert [payload for _, _, payload in link.sent] == ["off"] * 11

    run(case)


def test_a_state_that_is_neither_on_nor_off_is_a_fault_until_it_makes_sense() -> None:
    async def case() -> None:
        relay, link = await started(CHANGES)
        link.say("plug/state", "unavailable" * 10)
        assert relay.state().fault == (
            f"plug 'mat' said {('unavailable' * 10)[:60]!r}… on 'plug/state';"
            " expected 'ON' or 'OFF'"
        )
        link.say("plug/state", " off\n")
        assert relay.state() == RelayState(False, False, None)

    run(case)


@pytest.mark.parametrize(
    "payload",
    ["ON", "{", '{"relay": [{"on": null}]}', '{"relay": [{"on": NaN}]}', "[" * 4000, b"\xff"],
)
def test_a_payload_of_the_wrong_kind_names_topic_path_and_expectation(payload: str) -> None:
    async def case() -> None:
        relay, link = await started()
        link.say("plug/state", payload)
        fault = relay.state().fault
        assert fault is not None
        assert fault.endswith("on 'plug/state'; expected 'true' or 'false' at 'relay.0.on'")
        assert len(fault) < 180

    run(case)


def test_another_kind_of_message_on_the_topic_is_mentioned_only_if_no_state_comes() -> None:
    async def case() -> None:
        relay, link = await started()
        link.say("plug/state", '{"rssi": -60}')
        assert relay.state().fault is None
        await asyncio.sleep(10.1)
        assert relay.state().fault == (
            "plug 'mat' did not confirm off within 10 s;"
            " '{\"rssi\": -60}' on 'plug/state' has nothing at 'relay.0.on'"
        )
        link.say("plug/state", '{"relay": [{"on": false}]}')
        assert relay.state().fault is None

    run(case)


def test_clearing_a_retained_state_is_no_state() -> None:
    async def case() -> None:
        relay, link = await started()
        link.say("plug/state", b"")
        assert relay.state().fault is None

    run(case)


def test_close_sends_off_and_falls_silent() -> None:
    async def case() -> None:
        relay, link = await started()
        relay.set(True, 100)
        await relay.close()
        await relay.close()
        assert link.sent[-1][2] == "off"
        count = len(link.sent)
        relay.set(True, 100)
        link.say("plug/state", "rubbish")
        await asyncio.sleep(200)
        assert len(link.sent) == count
        assert relay.state() == RelayState(False, None, "plug 'mat' is not in use")

    run(case)


@pytest.mark.parametrize("lease", [0.0, -5.0, math.nan, math.inf])
def test_an_on_without_an_end_is_off(lease: float) -> None:
    async def case() -> None:
        relay, link = await started()
        relay.set(True, 100)
        relay.set(True, lease)
        assert relay.state().commanded is False
        assert link.sent[-1][2] == "off"

    run(case)


EVENTS = st.one_of(
    st.tuples(st.just("on"), st.floats(2, 40)),
    st.tuples(st.just("off"), st.just(0.0)),
    st.tuples(st.just("wait"), st.floats(0.1, 30)),
    st.tuples(st.just("broker"), st.sampled_from([0.0, 1.0])),
    st.tuples(st.just("online"), st.sampled_from([0.0, 1.0])),
    st.tuples(st.just("lose"), st.integers(1, 4).map(float)),
)


@settings(max_examples=200, deadline=None)
@given(st.lists(EVENTS, max_size=30), st.booleans())
def test_whatever_happens_the_plug_is_never_on_past_the_lease_and_ends_off(
    events: list[tuple[str, float]], answers: bool
) -> None:
    async def case() -> None:
        link = FakeLink()
        plug = Plug(link, answers=answers)
        style: Literal["always", "changes"] = "always" if answers else "changes"
        relay, _ = await started(
            MqttRelaySettings(
                "plug/set", "on {lease}", "off", "plug/state", "relay.0.on", "true", "false", style
            ),
            link,
        )
        allowed_until = now()
        for kind, value in [*events, ("broker", 1.0), ("online", 1.0), ("wait", 41.0)]:
            if kind == "on":
                relay.set(True, value)
                allowed_until = max(allowed_until, now() + value)
            elif kind == "off":
                relay.set(False, 0)
            elif kind == "wait":
                end = now() + value
                while now() < end:
                    await asyncio.sleep(min(0.5, max(end - now(), 0.01)))
                    # A second for rounding up, and the time a message takes.
                    assert not plug.on or now() <= allowed_until + 1.1
            elif kind == "broker":
                link.connected = bool(value)
            elif kind == "online":
                plug.online = bool(value)
            else:
                plug.lose = int(value)
        assert plug.on is False
        plug.lose = 0
        await asyncio.sleep(80)
        state = relay.state()
        assert not state.commanded
        if answers:
            assert state == RelayState(False, False, None)

    run(case)


@settings(deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(max_size=50).map(lambda text: text.encode(errors="replace")),
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.text(max_size=5),
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(st.sampled_from(["relay", "on", "0"]), inner, max_size=3)
            ),
        ).map(lambda value: json.dumps(value).encode()),
    ),
    st.booleans(),
)
@example(b"x" * (MAX_PAYLOAD + 1), False)
@example(b'{"relay": [{"on": ' + b"9" * 4000 + b"}]}", False)
@example(b'{"relay": [{"on": "\\ud800"}]}', False)
def test_no_bytes_on_the_state_topic_raise_or_confirm_by_accident(
    payload: bytes, plain: bool
) -> None:
    async def case() -> None:
        relay, link = await started(CHANGES if plain else SETTINGS)
        link.say("plug/state", payload)
        state = relay.state()
        json.dumps([state.confirmed, state.fault]).encode()
        if state.fault is not None:
            state.fault.encode()
        if plain:
            said = payload.decode(errors="replace").strip().casefold()
            expected = {"on": True, "off": False}.get(said)
        else:
            try:
                relays = json.loads(payload)["relay"]
                expected = relays["0" if isinstance(relays, dict) else 0]["on"]
            except (ValueError, LookupError, TypeError):
                expected = None
            if isinstance(expected, str):
                said = expected.strip().casefold()
                expected = {"true": True, "false": False}.get(said)
            if not isinstance(expected, bool):
                expected = None
        assert state.confirmed is expected

    run(case)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"topic": ""}, "topic: a topic has at least one character"),
        ({"topic": "plug/+/set"}, "topic: .*wildcard"),
        ({"payload_off": "ON"}, "payload_on and payload_off are the same"),
        ({"payload_off": "off {lease}"}, "payload_off"),
        ({"state_topic": "plug/#"}, "state_topic: "),
        ({"state_topic": "plug/set"}, "state_topic is the command topic"),
        ({"state_path": "a..b"}, "state_path: "),
        ({"state_on": "Off "}, "state_on and state_off are the same"),
        ({"reports": "never"}, "'always' or 'changes'"),
        ({"qos": 2}, "qos is 0 or 1"),
        ({"qos": True}, "qos is 0 or 1"),
        ({"confirm_within": 0.5}, "1 to 120 s"),
        ({"confirm_within": math.nan}, "1 to 120 s"),
    ],
)
def test_relay_settings_that_cannot_work_are_refused_by_name(
    change: dict[str, Any], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        MqttRelaySettings(**{"topic": "plug/set", "state_topic": "plug/state", **change})


def test_a_plug_told_its_lease_ends_by_itself() -> None:
    assert SETTINGS.ends_by_itself
    assert not BLIND.ends_by_itself


class Seconds:
    """A clock that a test turns by hand."""

    t = 50.0

    def mono(self) -> float:
        return self.t

    def utc(self) -> float:
        return 0.0


def probe(**change: Any) -> tuple[MqttProbe, FakeLink, Seconds]:
    link, clock = FakeLink(), Seconds()
    made = MqttProbe("soil", MqttProbeSettings(**{"topic": "soil", **change}), link, clock)
    asyncio.run(made.start())
    return made, link, clock


def heard(payload: str | bytes, **change: Any) -> tuple[float | None, Quality]:
    made, link, _ = probe(**change)
    link.say("soil", payload)
    reading = made.latest()
    return reading.value, reading.quality


def test_a_probe_is_missing_until_it_is_heard_and_keeps_the_time_of_arrival() -> None:
    made, link, clock = probe()
    clock.t = 60
    assert made.latest().quality is Quality.MISSING
    assert made.latest().at == 50
    link.say("soil", "21.5")
    clock.t = 90
    reading = made.latest()
    assert (reading.value, reading.quality, reading.at) == (21.5, Quality.OK, 60)


def test_a_reading_the_broker_had_kept_never_steers() -> None:
    made, link, clock = probe()
    link.say("soil", "21.5", retained=True)
    assert made.latest().quality is Quality.MISSING
    link.say("soil", "22.5")
    clock.t = 300
    link.say("soil", "19.0", retained=True)  # after a reconnect
    assert (made.latest().value, made.latest().at) == (22.5, 50)


# t/°C = (t/°F - 32) / 1.8: NIST Special Publication 811 (2008), appendix B.8. The pairs are the
# ice and steam points, the crossing of the scales, and body heat.
@pytest.mark.parametrize(("f", "c"), [(32, 0), (212, 100), (-40, -40), (98.6, 37)])
def test_fahrenheit_is_converted(f: float, c: float) -> None:
    value, quality = heard(str(f), unit="F")
    assert value == pytest.approx(c)
    assert quality is Quality.OK


@pytest.mark.parametrize(
    ("payload", "path", "value"),
    [
        ("21.5", "", 21.5),
        (" -3 \n", "", -3.0),
        ("+1.25e1", "", 12.5),
        (".5", "", 0.5),
        ('{"t": 21.5}', "t", 21.5),
        ('{"t": "21.5"}', "t", 21.5),
        ('{"sensors": [{"t": 1}, {"t": 2}]}', "sensors.1.t", 2.0),
        ("[20]", "0", 20.0),
        ('{"t": 20, "humidity": NaN}', "t", 20.0),  # as some devices write it; not our business
    ],
)
def test_numbers_are_found_as_text_and_in_json(payload: str, path: str, value: float) -> None:
    assert heard(payload, path=path) == (value, Quality.OK)


@pytest.mark.parametrize(
    ("payload", "path"),
    [
        ("", ""),
        ("warm", ""),
        ("21,5", ""),
        ("nan", ""),
        ("inf", ""),
        ("1e999", ""),
        ("1_0", ""),
        ("٢١", ""),  # digits, but not those of a number on the wire
        ("21.5 C", ""),
        ("0x15", ""),
        (b"\xff21", ""),
        ("2" * (MAX_PAYLOAD + 1), ""),
        (" " * MAX_PAYLOAD + "2", ""),
        ("21.5", "t"),
        ('{"t": true}', "t"),
        ('{"t": null}', "t"),
        ('{"t": NaN}', "t"),
        ('{"t": 1e999}', "t"),
        ('{"t": 1' + "0" * 400 + "}", "t"),
        ('{"u": 1}', "t"),
        ("[1]", "1"),
        ("[1]", "-1"),
        ("[1]", "t"),
        ("[" * 4000, "t"),
        ('{"a":' * 800 + "1" + "}" * 800, "a"),
    ],
)
def test_what_is_no_number_is_garbled(payload: str | bytes, path: str) -> None:
    assert heard(payload, path=path) == (None, Quality.GARBLED)


@pytest.mark.parametrize(
    ("payload", "change", "value", "quality"),
    [
        ("125", {}, 125.0, Quality.OK),
        ("125.1", {}, 125.1, Quality.OUT_OF_RANGE),
        ("-55.1", {}, -55.1, Quality.OUT_OF_RANGE),
        ("41", {"low": 0, "high": 40}, 41.0, Quality.OUT_OF_RANGE),
        ("40.5", {"low": 0, "high": 40, "offset": -0.5}, 40.0, Quality.OK),
        ("68", {"unit": "F", "offset": 1.5}, 21.5, Quality.OK),
    ],
)
def test_the_range_is_of_the_corrected_celsius_value(
    payload: str, change: dict[str, Any], value: float, quality: Quality
) -> None:
    got, how = heard(payload, **change)
    assert got == pytest.approx(value)
    assert how is quality


def test_a_garbled_message_replaces_a_good_one_and_a_good_one_replaces_it() -> None:
    made, link, _ = probe()
    for payload, quality in (("20", Quality.OK), ("?", Quality.GARBLED), ("20", Quality.OK)):
        link.say("soil", payload)
        assert made.latest().quality is quality


def test_a_closed_probe_hears_nothing_more() -> None:
    made, link, _ = probe()
    link.say("soil", "20")
    asyncio.run(made.close())
    link.say("soil", "30")
    assert made.latest().value == 20


@given(
    st.one_of(
        st.binary(max_size=100),
        st.floats().map(lambda value: repr(value).encode()),
        st.floats().map(lambda value: json.dumps({"t": value}).encode()),
        st.text(max_size=30).map(lambda text: text.encode(errors="replace")),
    ),
    st.sampled_from(["", "t", "t.0"]),
    st.sampled_from(["C", "F"]),
)
def test_no_bytes_raise_and_only_a_finite_number_in_range_is_ok(
    payload: bytes, path: str, unit: str
) -> None:
    value, quality = heard(payload, path=path, unit=unit)
    if quality is Quality.OK:
        assert value is not None
        found = json.loads(payload)["t"] if path else payload.decode()
        number = float(found) if unit == "C" else (float(found) - 32) / 1.8
        assert value == pytest.approx(number)
        assert -55 <= value <= 125
    else:
        assert quality in (Quality.GARBLED, Quality.OUT_OF_RANGE)


@given(st.floats(-55, 125))
def test_every_number_in_range_is_ok(value: float) -> None:
    assert heard(repr(value)) == (value, Quality.OK)
    assert heard(json.dumps({"t": value}), path="t") == (value, Quality.OK)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"topic": "soil/#"}, "topic: "),
        ({"path": ".t"}, "path: "),
        ({"unit": "K"}, "'C' or 'F'"),
        ({"offset": 11}, "-10 to 10 K"),
        ({"offset": math.nan}, "-10 to 10 K"),
        ({"low": 50, "high": 40}, "low and high"),
    ],
)
def test_probe_settings_that_cannot_work_are_refused_by_name(
    change: dict[str, Any], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        MqttProbeSettings(**{"topic": "soil", **change})


# The examples of MQTT 3.1.1 (OASIS standard, 2014), sections 4.7.1.2, 4.7.1.3 and 4.7.3.
@pytest.mark.parametrize(
    "text",
    [
        "sport/tennis/player1/#",
        "sport/#",
        "#",
        "sport/tennis/#",
        "+",
        "+/tennis/#",
        "sport/+/player1",
        "/+",
        "+/+",
        "/finance",
        "Accounts payable",
        "/",
    ],
)
def test_the_standards_valid_filters_are_valid(text: str) -> None:
    assert topic_problem(text, wildcards=True) is None
    assert (topic_problem(text, wildcards=False) is None) == (not set(text) & set("+#"))


@pytest.mark.parametrize("text", ["sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "a\0b"])
def test_the_standards_invalid_filters_are_invalid(text: str) -> None:
    assert topic_problem(text, wildcards=True) is not None
    assert topic_problem(text, wildcards=False) is not None


@pytest.mark.parametrize("text", ["a\nb", "a\x7fb", "a\x85b", "a\ufffe", "a\ufdd0", "a\U0010ffff"])
def test_text_that_a_broker_may_cut_the_connection_for_is_refused(text: str) -> None:
    assert topic_problem(text, wildcards=False) is not None


def test_topics_are_measured_in_bytes() -> None:
    assert topic_problem("é" * 32767 + "a", wildcards=False) is None  # 65535 bytes
    assert topic_problem("é" * 32768, wildcards=False) is not None
    assert topic_problem("a\ud800", wildcards=False) is not None


@given(st.text(alphabet="a/+#é", max_size=8))
def test_topics_are_judged_as_a_reference_client_judges_them(text: str) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2)

    def accepts(what: Callable[[], object]) -> bool:
        try:
            what()
        except ValueError:
            return False
        return True

    ours = topic_problem(text, wildcards=True) is None
    assert ours == accepts(lambda: client.subscribe(text))
    ours = topic_problem(text, wildcards=False) is None
    assert ours == accepts(lambda: client.publish(text, b""))


@pytest.mark.parametrize(
    ("text", "ok"), [("", True), ("a", True), ("a.0.b c", True), (".", False), ("a.", False)]
)
def test_a_path_has_no_empty_steps(text: str, ok: bool) -> None:
    assert (path_problem(text) is None) is ok
