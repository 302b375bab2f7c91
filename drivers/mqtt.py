"""Relays and thermometers that speak MQTT, with topics and payloads as their makers chose them.

A plug that is cut off from the broker cannot be switched, not even off. So one that heats, or whose
lamp could do harm, needs an auto-off timer of its own that each "on" restarts: put `{lease}` in
`payload_on` where the device takes its seconds. Commands are never retained: a retained "on" would
switch a plug that comes back from a power cut, whoever is watching.
"""

from __future__ import annotations

import asyncio
import json
import math
import re
from dataclasses import dataclass
from typing import Literal
from unicodedata import category

from drivers.protocols import Clock, Link, Quality, Reading, RelayState

MAX_PAYLOAD = 4096  # bytes; no switch state or temperature is longer
_SHOWN = 60  # characters of a payload in a message
_POLL = 1.0  # s, between looks at whether the broker is back
_OFF_REPEAT = 60.0  # s, between repeats of an "off" that is confirmed or cannot be
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")


def topic_problem(text: str, *, wildcards: bool) -> str | None:
    """What is wrong with a topic name (or, with `wildcards`, a topic filter), or None. Pure.

    MQTT 3.1.1, sections 1.5.3 (text) and 4.7 (topics). Control characters, which a broker may
    answer by cutting the connection (1.5.3), are refused.
    """
    if not text:
        return "a topic has at least one character"
    try:
        size = len(text.encode())
    except UnicodeEncodeError:
        return f"topic {text!r} is not Unicode text"
    if size > 65535:
        return f"a topic has at most 65535 bytes, this one {size}"
    for character in text:
        code = ord(character)
        # The last two code points of every plane are no characters, nor are these 32.
        if code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF or category(character) == "Cc":
            return f"topic {text[:_SHOWN]!r} contains U+{code:04X}, which is no printable character"
    if not wildcards:
        if "+" in text or "#" in text:
            return f"topic {text[:_SHOWN]!r} must name one device: no wildcard + or #"
        return None
    levels = text.split("/")
    for place, level in enumerate(levels):
        if "#" in level and (level != "#" or place != len(levels) - 1):
            return f"topic {text[:_SHOWN]!r}: # stands alone, and only as the last level"
        if "+" in level and level != "+":
            return f"topic {text[:_SHOWN]!r}: + takes the place of a whole level"
    return None


def path_problem(text: str) -> str | None:
    """What is wrong with a path into a JSON payload, or None; "" is the whole payload. Pure."""
    if text and "" in text.split("."):
        return f"path {text!r} has an empty step; write keys and list places as in 'relay.0.on'"
    return None


@dataclass(frozen=True, slots=True)
class MqttRelaySettings:
    """How one plug is switched and how it reports.

    topic: where commands go. payload_on, payload_off: what is sent, text or JSON text; `{lease}`
        in payload_on becomes the whole seconds left, rounded up.
    state_topic: where the device reports, None if it doesn't. state_path: where in a JSON payload
        the state is ("relay.0.on"), "" if the payload is the state. state_on, state_off: the
        states, compared without regard to case; JSON true and false are "true" and "false".
    reports: "always" for a device that reports after each command, also one that changes nothing;
        "changes" for one that then stays silent, so that an older report has to be believed.
    qos: 0 or 1. confirm_within: seconds, 1 to 120, until silence is a fault.

    Raises ValueError naming the field.
    """

    topic: str
    payload_on: str = "ON"
    payload_off: str = "OFF"
    state_topic: str | None = None
    state_path: str = ""
    state_on: str = "ON"
    state_off: str = "OFF"
    reports: Literal["always", "changes"] = "always"
    qos: int = 1
    confirm_within: float = 10.0

    def __post_init__(self) -> None:
        _require("topic", topic_problem(self.topic, wildcards=False))
        if self.payload_on == self.payload_off:
            raise ValueError("payload_on and payload_off are the same")
        if "{lease}" in self.payload_off:
            raise ValueError("payload_off: {lease} has a meaning in payload_on only")
        if self.state_topic is not None:
            _require("state_topic", topic_problem(self.state_topic, wildcards=False))
            if self.state_topic == self.topic:
                raise ValueError("state_topic is the command topic: our own voice would confirm")
        _require("state_path", path_problem(self.state_path))
        if _plain(self.state_on) == _plain(self.state_off):
            raise ValueError("state_on and state_off are the same")
        if self.reports not in ("always", "changes"):
            raise ValueError(f"reports is 'always' or 'changes', not {self.reports!r}")
        if type(self.qos) is not int or self.qos not in (0, 1):
            raise ValueError(f"qos is 0 or 1, not {self.qos!r}")
        if not 1 <= self.confirm_within <= 120:
            raise ValueError(f"confirm_within is 1 to 120 s, not {self.confirm_within!r}")

    @property
    def ends_by_itself(self) -> bool:
        """Whether the device is told when to go off, should it never hear from us again."""
        return "{lease}" in self.payload_on


@dataclass(frozen=True, slots=True)
class MqttProbeSettings:
    """Where one probe publishes, and what.

    topic, path: as for relays; the value is a number, or text that is one. unit: of a temperature in
    the payload; of anything else "C", which takes it as it is. offset: K added after conversion, -10 to
    10. low, high: outside which the device lies, -1e6 to 1e6; by default what a DS18B20 measures (°C,
    its data sheet), the widest of the usual thermometers.

    Raises ValueError naming the field.
    """

    topic: str
    path: str = ""
    unit: Literal["C", "F"] = "C"
    offset: float = 0.0
    low: float = -55.0
    high: float = 125.0

    def __post_init__(self) -> None:
        _require("topic", topic_problem(self.topic, wildcards=False))
        _require("path", path_problem(self.path))
        if self.unit not in ("C", "F"):
            raise ValueError(f"unit is 'C' or 'F', not {self.unit!r}")
        if not -10 <= self.offset <= 10:
            raise ValueError(f"offset is -10 to 10 K, not {self.offset!r}")
        if not -1e6 <= self.low < self.high <= 1e6:
            raise ValueError(f"low and high are -1e6 to 1e6, not {self.low} and {self.high}")


class MqttRelay:
    """A plug switched by messages (`drivers.protocols.Relay`).

    Commands follow from what is wanted now, never from an edge that a lost message could swallow:
    an "on" is sent again at each third of its lease while the caller renews it, an "off" every
    minute, both three times within `confirm_within` until they are confirmed, and whatever is
    wanted once more when the broker is back. Someone who presses the plug's own button is
    overruled: what a person wants off is kept off through the daemon.

    A report confirms a command only if it came live and after it, and each repeat is to be
    confirmed too (but see `reports`).

    Lives on the event loop: if that hangs nobody sends "off", and only the device's own timer is
    left. An "on" whose lease is not a positive, finite number of seconds is taken as "off".
    """

    def __init__(self, name: str, settings: MqttRelaySettings, link: Link) -> None:
        self.name = name
        self.settings = settings
        self._link = link
        self._meanings = {_plain(settings.state_on): True, _plain(settings.state_off): False}
        self._loop: asyncio.AbstractEventLoop | None = None  # None before start and after close
        self._timer: asyncio.TimerHandle | None = None
        self._linked = False
        self._wanted = False
        self._lease = 0.0
        self._until = 0.0  # loop time at which the lease ends
        self._sent_at: float | None = None  # None: send now
        self._report: bool | None = None  # what the device said of the present command
        self._open_since: float | None = None  # first command or contradiction not yet settled
        self._garbled: str | None = None
        self._hint = ""

    def __repr__(self) -> str:
        return f"plug {self.name!r}"

    async def start(self) -> None:
        """Listen, and send "off". A broker that is away is no error here."""
        self._loop = asyncio.get_running_loop()
        if self.settings.state_topic is not None:
            self._link.subscribe(self.settings.state_topic, self._heard)
        self._command(False)
        self._pump()

    def set(self, on: bool, lease: float) -> None:
        """Want on for `lease` seconds, or off. Ignored before start and after close."""
        if self._loop is None:
            return
        on = on and lease > 0 and math.isfinite(lease)
        if on:
            until = self._loop.time() + lease
            if until < self._until:
                self._sent_at = None  # the device believes in a later end
            self._lease, self._until = lease, until
        if on != self._wanted:
            self._command(on)
        self._pump(renewed=on)

    def state(self) -> RelayState:
        """What is known now; `confirmed` is None until the device reports on the last command."""
        if self._loop is None:
            return RelayState(False, None, f"{self} is not in use")
        now = self._loop.time()
        wanted = self._wanted and now < self._until
        if not self._link.connected:
            fault = f"{self} is out of reach: the connection to the broker is down"
            return RelayState(wanted, None, fault)
        within = self.settings.confirm_within
        if self._open_since is None or now - self._open_since < within:
            return RelayState(wanted, self._report, self._garbled)
        due, report = _word(self._wanted), self._report
        if report is None or report is self._wanted:
            # Silent now, whatever it said of an earlier command.
            report, fault = None, f"did not confirm {due} within {within:g} s{self._hint}"
        else:
            fault = f"is to be {due} but reports {_word(report)}, for over {within:g} s"
        return RelayState(wanted, report, self._garbled or f"{self} {fault}")

    async def close(self) -> None:
        """Send "off" and fall silent. Harmless when repeated."""
        if self._loop is None:
            return
        self._wanted = False
        self._publish()
        if self._timer is not None:
            self._timer.cancel()
        self._loop = None

    def _command(self, on: bool) -> None:
        self._wanted = on
        self._ask()

    def _ask(self) -> None:
        """Send the wanted state at the next opportunity, as if for the first time."""
        self._sent_at = None
        self._open_since = None
        if self.settings.reports == "always":
            self._report = None

    def _pump(self, *, renewed: bool = False) -> None:
        """Do what is due, and sleep until the next thing is. renewed: by the caller, just now."""
        assert self._loop is not None
        now = self._loop.time()
        if self._wanted and now >= self._until:
            self._command(False)
        wake = now + _POLL
        if not self._link.connected:
            self._linked = False
        else:
            if not self._linked:
                self._linked = True
                self._ask()
            due = now if self._sent_at is None else self._sent_at + self._gap(renewed)
            if now >= due:
                self._publish()
                due = now + self._gap(False)
            wake = min(wake, due)
        if self._wanted:
            wake = min(wake, self._until)
        if self._timer is not None:
            if self._timer.when() <= wake:
                return  # soon enough: spares a new timer at each renewal
            self._timer.cancel()
        self._timer = self._loop.call_at(wake, self._woken)

    def _woken(self) -> None:
        self._timer = None
        self._pump()

    def _gap(self, renewed: bool) -> float:
        """Seconds between two sendings of the same command."""
        if self._open_since is not None:
            third = self.settings.confirm_within / 3
            return min(third, self._lease / 3) if self._wanted else third
        if self._wanted:
            return self._lease / 3 if renewed else math.inf
        return _OFF_REPEAT

    def _publish(self) -> None:
        assert self._loop is not None
        now = self._loop.time()
        self._sent_at = now
        if self._open_since is None and self.settings.state_topic is not None:
            # Repeats are to be answered too: so a plug that has lost its network is noticed.
            silent = self.settings.reports == "changes" and self._report is self._wanted
            self._open_since = None if silent else now
        payload = self.settings.payload_off
        if self._wanted:
            # What is left of the lease, so that a repeat never makes it longer.
            left = str(max(1, math.ceil(self._until - now)))
            payload = self.settings.payload_on.replace("{lease}", left)
        self._link.publish(
            self.settings.topic, payload.encode(errors="replace"), qos=self.settings.qos
        )

    def _heard(self, topic: str, payload: bytes, retained: bool) -> None:
        if self._loop is None or (retained and self.settings.reports == "always"):
            return
        if not payload:
            return  # somebody clears what was retained
        path = self.settings.state_path
        try:
            report = self._meanings.get(_plain(_text(_pick(payload, path))))
        except LookupError:
            # Devices mix kinds of JSON on one topic, so this is worth a word only if none fits.
            self._hint = f"; {_show(payload)} on {topic!r} has nothing at {path!r}"
            return
        except ValueError:
            report = None
        if report is None:
            at = f" at {path!r}" if path else ""
            self._garbled = (
                f"{self} said {_show(payload)} on {topic!r}; expected"
                f" {self.settings.state_on!r} or {self.settings.state_off!r}{at}"
            )
            return
        self._garbled, self._hint, self._report = None, "", report
        if report is self._wanted:
            self._open_since = None
        elif self._open_since is None:
            self._open_since = self._loop.time()
        self._pump()


class MqttProbe:
    """A thermometer, or a probe of something else, heard over MQTT (`drivers.protocols.Probe`).

    A message that the broker had kept is not believed: nobody knows how old it is, and an old
    reading must not steer heat. `Reading.at` is the time of arrival.
    """

    def __init__(self, name: str, settings: MqttProbeSettings, link: Link, clock: Clock) -> None:
        self.name = name
        self.settings = settings
        self._link = link
        self._clock = clock
        self._latest = Reading(None, Quality.MISSING, clock.mono())
        self._open = False

    async def start(self) -> None:
        """Begin to listen."""
        self._open = True
        self._link.subscribe(self.settings.topic, self._heard)

    def latest(self) -> Reading:
        """The newest live reading; MISSING until there is one."""
        return self._latest

    async def close(self) -> None:
        """Stop listening."""
        self._open = False

    def _heard(self, topic: str, payload: bytes, retained: bool) -> None:
        if not self._open or retained:
            return
        now = self._clock.mono()
        try:
            value = _number(_pick(payload, self.settings.path))
        except (LookupError, ValueError):
            self._latest = Reading(None, Quality.GARBLED, now)
            return
        if self.settings.unit == "F":
            value = (value - 32) / 1.8
        value += self.settings.offset
        possible = self.settings.low <= value <= self.settings.high
        self._latest = Reading(value, Quality.OK if possible else Quality.OUT_OF_RANGE, now)


def _require(field: str, problem: str | None) -> None:
    if problem is not None:
        raise ValueError(f"{field}: {problem}")


def _word(on: bool) -> str:
    return "on" if on else "off"


def _plain(text: str) -> str:
    return text.strip().casefold()


def _show(payload: bytes) -> str:
    """A payload as it may stand in a message: clipped, and with nothing that cannot be printed."""
    text = payload[: 4 * _SHOWN].decode(errors="replace")
    return repr(text) if len(text) <= _SHOWN else repr(text[:_SHOWN]) + "…"


def _pick(payload: bytes, path: str) -> object:
    """The text of a payload, or what a path leads to in its JSON.

    Raises ValueError for what is too long, not text or not JSON, LookupError for nothing there.
    """
    if len(payload) > MAX_PAYLOAD:
        raise ValueError(f"more than {MAX_PAYLOAD} bytes")
    text = payload.decode()
    if not path:
        return text
    try:
        found: object = json.loads(text)
    except RecursionError:
        raise ValueError("nested too deeply") from None
    for step in path.split("."):
        if isinstance(found, dict):
            found = found[step]
        elif isinstance(found, list) and step.isascii() and step.isdecimal():
            found = found[int(step)]
        else:
            raise LookupError(step)
    return found


def _text(value: object) -> str:
    """A state as text. Raises ValueError for what cannot be one."""
    if isinstance(value, str):
        return value
    if isinstance(value, bool | int | float):
        return json.dumps(value)
    raise ValueError("not a state")


def _number(value: object) -> float:
    """A finite number, from a JSON number or from text. Raises ValueError for all else."""
    if isinstance(value, str):
        if not _NUMBER.fullmatch(value.strip()):
            raise ValueError("not a number")
        number = float(value)
    elif isinstance(value, float) or type(value) is int:
        try:
            number = float(value)
        except OverflowError:
            raise ValueError("too large") from None
    else:
        raise ValueError("not a number")
    if not math.isfinite(number):
        raise ValueError("too large")
    return number
