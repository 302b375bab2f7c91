"""The daemon's side of MQTT: one connection, kept up in the background.

Nothing that the tick calls here waits or raises. What is to be said is queued, one task sends it,
and a broker that is away, slow or hung costs the caller nothing:

- a command to a device is dropped while the broker is away: an "on" must not arrive hours late;
- of a retained topic the latest payload is kept, and all of them are published at each connect;
- an event stays queued until the broker has acknowledged it, over reconnects;
- an answer is sent once; who asked asks again (with the same id) until it has come.

Every queue is bounded, and what is dropped is counted in `Wire.dropped`. A payload's size is not:
MQTT 3.1.1 cannot announce a limit, so on a broker that others may publish to, set one there.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import socket
import ssl
import time
from collections import Counter, deque
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

import aiomqtt

from drivers.mqtt import topic_problem

if TYPE_CHECKING:
    from daemon.config import Mqtt

log = logging.getLogger(__name__)

#: Bytes of the longest request that is looked at.
REQUEST_LIMIT: Final = 16 * 1024
#: The two payloads of the availability topic: bare words, because the will, which the broker sends
#: for us when we are gone, is fixed at connect and could only bear a false time.
ONLINE: Final = b"online"
OFFLINE: Final = b"offline"

#: Messages that may wait: commands, answers and requests each; events; all that just came in.
QUEUE, EVENT_QUEUE, INCOMING = 256, 1024, 1024
#: Seconds: MQTT keepalive; a whole connect; one exchange with the broker.
KEEPALIVE, CONNECT_LIMIT, EXCHANGE_LIMIT = 10, 20.0, 10.0
#: Seconds between attempts, at first and at most (who looks at a bench when the broker is back does not
#: wait for minutes); a connection this old counts as a good one.
BACKOFF, GOOD_SPELL = (1.0, 5.0), 60.0
#: Seconds within which a connection that is lost makes one wonder who took it over.
SHORT_SPELL = 10.0
#: Seconds `close` may take to send what waits; and to say `offline` and take leave.
FLUSH_LIMIT, LEAVE_LIMIT = 2.0, 1.0


class WireError(Exception):
    """MQTT settings that cannot work: the message names the setting, the file and what is wrong."""


class RateLimit(logging.Filter):
    """Lets each message (by its text before the arguments are put in) through once in `every` s."""

    def __init__(self, every: float = 60.0) -> None:
        super().__init__()
        self.every = every
        self._passed: dict[str, tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether to let `record` through; it then tells how many like it were kept back."""
        key, now = str(record.msg), time.monotonic()
        passed, kept_back = self._passed.get(key, (float("-inf"), 0))
        if now - passed < self.every:
            self._passed[key] = (passed, kept_back + 1)
            return False
        if len(self._passed) > 256:  # texts with the figures already in them
            self._passed.clear()
        self._passed[key] = (now, 0)
        if kept_back:
            record.msg, record.args = f"{record.getMessage()} (and {kept_back} like it)", None
        return True


def _not_of_sockets(record: logging.LogRecord) -> bool:
    """Not what paho writes of each broken socket: we tell it ourselves, in plain words."""
    return " on socket: " not in str(record.msg)


#: paho and aiomqtt write to "mqtt" for each message they discard: as many lines as a flood has.
_rate_limit = RateLimit()
_drops = logging.getLogger(f"{__name__}.drops")
_drops.addFilter(_rate_limit)


@dataclass(frozen=True, slots=True)
class Topics:
    """The topic names of a site, in one place."""

    site: str

    def __post_init__(self) -> None:
        self._level(self.site)

    @staticmethod
    def _level(name: str) -> str:
        if "/" in name or (problem := topic_problem(name, wildcards=False)):
            raise ValueError(
                f"{name!r} in a topic: {problem if '/' not in name else 'has a slash'}"
            )
        return name

    @property
    def root(self) -> str:
        """What every topic of the site begins with."""
        return f"hotbed/{self.site}/"

    @property
    def availability(self) -> str:
        """Retained: `online` or `offline`."""
        return self.root + "availability"

    @property
    def event(self) -> str:
        """Each event, as journalled."""
        return self.root + "event"

    @property
    def request(self) -> str:
        """Where a request is put."""
        return self.root + "request"

    def bench(self, name: str) -> str:
        """Retained: what a bench does."""
        return f"{self.root}bench/{self._level(name)}"

    def batch(self, name: str) -> str:
        """Retained until the batch is closed: how it is getting on."""
        return f"{self.root}batch/{self._level(name)}"

    def alarm(self, name: str) -> str:
        """Retained while the alarm needs anyone."""
        return f"{self.root}alarm/{self._level(name)}"

    def answer(self, name: str, user: str | None = None) -> str:
        """A topic to ask an answer to; below that of the user whom the broker knows, where there is
        one, so that it can keep the answers to one user from the others."""
        below = self._level(name)
        with contextlib.suppress(ValueError):  # a user name that is no level of a topic
            below = f"{self._level(user)}/{below}" if user else below
        return f"{self.root}answer/{below}"

    @property
    def kept(self) -> tuple[str, ...]:
        """Filters over the retained topics, availability apart."""
        return tuple(f"{self.root}{kind}/+" for kind in ("bench", "batch", "alarm"))

    def reply_to_problem(self, topic: object) -> str | None:
        """Why no answer is sent to `topic`, or None.

        An answer goes under `hotbed/<site>/answer/` and nowhere else: whoever may publish a request
        could otherwise have the daemon speak on topics that it may and they may not, such as the
        command topic of a plug.
        """
        prefix = f"{self.root}answer/"
        if not isinstance(topic, str) or not topic.startswith(prefix) or topic == prefix:
            return f"reply_to must begin with {prefix} and name a topic below it"
        if len(topic) > 256:
            return "reply_to is longer than 256 characters"
        problem = topic_problem(topic, wildcards=False)
        return f"reply_to: {problem}" if problem else None


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where the broker is and how to be let in; its files read and found good."""

    host: str
    port: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: ssl.SSLContext | None = field(default=None, repr=False)

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"

    @classmethod
    def of(cls, settings: Mqtt, port: int | None = None) -> Self:
        """The endpoint of `settings`, with `port` instead of theirs if given.

        Raises WireError when a file is missing or not what it should be.
        """
        return cls(
            host="127.0.0.1" if settings.broker == "embedded" else settings.broker,
            port=settings.port_or_default if port is None else port,
            username=settings.username,
            password=None if settings.password_file is None else _password(settings.password_file),
            tls=_tls(settings) if settings.tls else None,
        )

    def client(self, identifier: str, will: aiomqtt.Will | None = None) -> aiomqtt.Client:
        """A client, not yet connected; it serves for one connection."""
        for each in (_not_of_sockets, _rate_limit):  # kept once, however often they are added
            logging.getLogger("mqtt").addFilter(each)
        return aiomqtt.Client(
            self.host,
            self.port,
            username=self.username,
            password=self.password,
            identifier=identifier,
            will=will,
            keepalive=KEEPALIVE,
            timeout=EXCHANGE_LIMIT,
            tls_context=self.tls,
            max_queued_incoming_messages=INCOMING,
            # Small messages are not held back for the acknowledgement of those before (40 ms a time).
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )

    def explain(self, error: BaseException) -> str:
        """What went wrong, in plain words, with the broker's host and port."""
        # aiomqtt keeps only the text of what paho raised; the error itself is its context.
        cause = error.__context__ if isinstance(error.__context__, OSError) else error
        code = getattr(error, "rc", None)
        hint = "does its port speak TLS?" if self.tls else "does its port want TLS?"
        match cause:
            case ssl.SSLCertVerificationError():
                return f"TLS with {self}: the broker's certificate: {cause.verify_message}"
            case ssl.SSLError():
                return f"TLS with {self} failed: {cause} ({hint})"
            case ConnectionRefusedError():
                return f"{self} refused the connection: nothing listens there"
            case ConnectionResetError():
                return f"{self} cut the connection off ({hint})"
            case TimeoutError():
                return f"{self} timed out"
            case OSError():
                return f"{self} cannot be reached: {cause.strerror or cause}"
            case aiomqtt.MqttError() if "timed out" in str(error):
                return f"{self} timed out: something listens there and does not answer ({hint})"
            case aiomqtt.exceptions.MqttConnectError():
                # The return codes of MQTT 3.1.1 and the reason codes that paho makes of them.
                if getattr(code, "value", code) in (4, 5, 134, 135):
                    return f"{self}: not authorised: the broker refused the user name or password"
                return f"{self} refused the connection: {error}"
            case aiomqtt.MqttError():
                return f"the connection to {self} was lost"
            case _:
                return f"{self}: {error or type(error).__name__}"


def _read(setting: str, path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise WireError(f"mqtt.{setting}: {path} cannot be read: {error.strerror}") from None


def _password(path: Path) -> str:
    try:
        text = _read("password_file", path).decode()
    except UnicodeDecodeError as error:
        raise WireError(
            f"mqtt.password_file: {path} is not UTF-8 text (byte {error.start})"
        ) from None
    password = text.removesuffix("\n").removesuffix("\r")
    if not password:
        raise WireError(f"mqtt.password_file: {path} is empty")
    return password


def _tls(settings: Mqtt) -> ssl.SSLContext:
    for setting in ("ca_file", "cert_file", "key_file"):
        if (path := getattr(settings, setting)) is not None:
            _read(setting, path)
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
    except ssl.SSLError:
        raise WireError(f"mqtt.ca_file: {settings.ca_file} holds no PEM certificate") from None
    if settings.cert_file is not None and settings.key_file is not None:
        try:
            # Without a password given, OpenSSL would ask for one on the terminal.
            context.load_cert_chain(settings.cert_file, settings.key_file, password="")
        except (ssl.SSLError, ValueError):
            raise WireError(
                f"mqtt.cert_file, mqtt.key_file: {settings.cert_file} and {settings.key_file} "
                "are not a PEM certificate and its PEM key without a passphrase"
            ) from None
    return context


def acknowledge_now(client: aiomqtt.Client) -> None:
    """Have what came last acknowledged at once, where the system can.

    To be called when the broker has acknowledged a message: one that holds small packets back
    (Nagle's algorithm, mosquitto's default) else keeps its next to us for the 40 ms that TCP waits.
    """
    sock = client._client.socket()  # no public way; None when the connection is gone
    quick = getattr(socket, "TCP_QUICKACK", None)  # Linux
    if quick is not None and isinstance(sock, socket.socket):
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, quick, 1)


async def subscribe(client: aiomqtt.Client, topics: list[str], qos: int) -> list[str]:
    """Subscribe to all `topics`; returns those that the broker refuses (0x80 in its SUBACK)."""
    codes = await client.subscribe([(topic, qos) for topic in topics])
    return [
        topic
        for topic, code in zip(topics, codes, strict=True)
        if getattr(code, "is_failure", False)
    ]


async def _end(tasks: set[asyncio.Task[None]], patience: float) -> None:
    """Cancel until all have ended, again after each `patience` seconds.

    Before Python 3.12 `asyncio.wait_for`, which aiomqtt uses, loses a cancellation that comes
    together with what it waited for.
    """
    while pending := {task for task in tasks if not task.done()}:
        for task in pending:
            task.cancel()
        await asyncio.wait(pending, timeout=patience)
    await asyncio.gather(*tasks, return_exceptions=True)  # so that no error counts as unseen


@dataclass(frozen=True, slots=True)
class _Message:
    topic: str
    payload: bytes
    qos: int = 1
    retain: bool = False
    done: Callable[[], None] | None = None


Handler = Callable[[bytes], Awaitable[None]]
Heard = Callable[[str, bytes, bool], None]
_Job = Callable[[aiomqtt.Client], Awaitable[None]]


class Wire:
    """The connection of one site; satisfies `drivers.protocols.Link`.

    settings: the broker. site: the site's name. port: instead of that of the settings.
    client_id: MQTT client identifier, "hotbed-<site>" unless given. It stays the same over
        reconnects, so that the broker ends a lost connection (and sends its will) before it takes
        the next, and not after. backoff: seconds between attempts, at first and at most.

    Raises WireError when a file of the settings is missing or not what it should be.

    Set `handler` before `run`: it is awaited with the payload of each request, one at a time.
    """

    def __init__(
        self,
        settings: Mqtt,
        site: str,
        *,
        port: int | None = None,
        client_id: str | None = None,
        backoff: tuple[float, float] = BACKOFF,
    ) -> None:
        self.endpoint = Endpoint.of(settings, port)
        self.topics = Topics(site)
        self.handler: Handler | None = None
        self.dropped: Counter[str] = Counter()
        self.since: float | None = None
        self.last_error: str | None = None
        self._connected = False
        self._identifier = client_id or f"hotbed-{site}"
        self._backoff = backoff
        self._heard: dict[str, list[Heard]] = {}
        self._requests: asyncio.Queue[bytes] = asyncio.Queue(QUEUE)
        self._jobs: deque[_Job] = deque()
        self._commands: deque[_Message] = deque()
        self._replies: deque[_Message] = deque()
        self._events: deque[_Message] = deque()
        self._latest: dict[str, bytes | None] = {}
        self._unsent: dict[str, None] = {}  # topics of _latest, in the order they were published
        self._found: set[str] = set()  # retained topics of the site that the broker had kept
        self._sweeping = False
        self._subscribed: set[str] = set()  # those of _heard, on this connection
        self._patterns: list[str] = []  # those of _heard that have wildcards
        self._wake = asyncio.Event()
        self._closing = asyncio.Event()
        self._left = asyncio.Event()  # the broker has handed on our `offline`
        self._ended = asyncio.Event()
        self._attempt: asyncio.Task[None] | None = None
        self._held = 0.0  # seconds the latest connection lasted

    # What the tick, the drivers and the service call; none of it waits.

    @property
    def connected(self) -> bool:
        """Whether the broker is there now and has all our subscriptions.

        `since` is when that last changed (POSIX seconds, None before the first connection), and
        `last_error` why it is not so, or what the broker does not let us hear, in plain words.
        """
        return self._connected

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = False) -> None:
        """Queue a message to a device. Dropped (counted, logged) while the broker is away.

        When more than QUEUE wait, the oldest go: the newest say what is wanted now.
        """
        if not self._connected or self._closing.is_set():
            self._drop("command", "a command on %s was not sent: the broker is away", topic)
        elif self._fit(topic):
            self._commands.append(_Message(topic, payload, qos, retain))
            self._trim(self._commands, "command")
            self._wake.set()

    def subscribe(self, topic: str, heard: Heard) -> None:
        """Have `heard(topic, payload, retained)` called for each message, over reconnects.

        topic: a name or a filter with wildcards. Raises ValueError when it is neither.
        """
        if problem := topic_problem(topic, wildcards=True):
            raise ValueError(problem)
        if topic not in self._heard and ("+" in topic or "#" in topic):
            self._patterns.append(topic)
        self._heard.setdefault(topic, []).append(heard)
        self._subscribed.discard(topic)  # a second listener wants what the broker keeps, too
        self._wake.set()

    def publish_latest(self, topic: str, payload: bytes | None) -> None:
        """Publish retained, now or when the broker is back; None takes the topic off the broker."""
        if self._fit(topic):
            self._latest[topic] = payload or None
            self._unsent[topic] = None
            self._wake.set()

    def publish_event(self, topic: str, payload: bytes, done: Callable[[], None]) -> bool:
        """Publish at QoS 1; `done` is called once the broker has acknowledged it.

        False when EVENT_QUEUE already wait: offer it again later. An event whose acknowledgement
        was lost with the connection is sent again, so that one may arrive twice.
        """
        if len(self._events) >= EVENT_QUEUE:
            self._drop("event", "an event is put off: %d already wait for the broker", EVENT_QUEUE)
            return False
        if not self._fit(topic):
            return False
        self._events.append(_Message(topic, payload, done=done))
        self._wake.set()
        return True

    def reply(self, topic: str, payload: bytes) -> None:
        """Answer on a `reply_to`; refused (counted, logged) unless `reply_to_problem` is None."""
        if problem := self.topics.reply_to_problem(topic):
            self._drop("reply", "an answer was not sent: %s", problem)
        else:
            self._replies.append(_Message(topic, payload))
            self._trim(self._replies, "reply")
            self._wake.set()

    def sweep(self) -> None:
        """Take off the broker what it kept of this site and this process has not published.

        A daemon that was killed leaves benches, batches and alarms behind that may be no more.
        Called once, when everything that is has been published; holds from then on.
        """
        self._sweeping = True
        for topic in self._found - self._latest.keys():
            self.publish_latest(topic, None)
        self._found.clear()

    async def run(self) -> None:
        """Stay connected until `close`. Raises nothing but its own cancellation."""
        requests = asyncio.create_task(self._serve_requests())
        first, longest = self._backoff
        pause = first
        try:
            while not self._closing.is_set():
                self._attempt = asyncio.create_task(self._try())
                await asyncio.wait({self._attempt})
                if self._held >= GOOD_SPELL:
                    pause = first
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._closing.wait(), pause * random.uniform(0.5, 1))
                pause = min(2 * pause, longest)
        finally:
            await _end({requests, self._attempt or requests}, 3 * LEAVE_LIMIT)
            self._ended.set()

    async def close(self) -> None:
        """Send what waits, say `offline`, disconnect: FLUSH_LIMIT and twice LEAVE_LIMIT at most."""
        self._closing.set()
        self._wake.set()
        if self._attempt is None:  # never run
            return
        await asyncio.wait({self._attempt}, timeout=FLUSH_LIMIT if self._connected else 0)
        self._attempt.cancel()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._ended.wait(), 2 * LEAVE_LIMIT)

    # One connection, from connect to its end.

    async def _try(self) -> None:
        """Connect and serve until something ends it; notes what, and for how long it held."""
        began: float | None = None
        reason: str | None = None
        loop = asyncio.get_running_loop()
        try:
            will = aiomqtt.Will(self.topics.availability, OFFLINE, qos=1, retain=True)
            async with (
                asyncio.timeout(CONNECT_LIMIT) as limit,
                self.endpoint.client(self._identifier, will) as client,
            ):
                began = loop.time()
                limit.reschedule(None)
                try:
                    await self._converse(client)
                finally:
                    self._turn(False)
                    # When the connection is broken, or hangs, neither what is left to say nor the
                    # goodbye may take long.
                    limit.reschedule(loop.time() + 2 * LEAVE_LIMIT)
                    if not self._left.is_set():
                        with contextlib.suppress(aiomqtt.MqttError):
                            await self._say(client, OFFLINE, LEAVE_LIMIT)
        except (aiomqtt.MqttError, OSError) as error:
            reason = self.endpoint.explain(error)
            if reason.endswith("was lost") and began and loop.time() - began < SHORT_SPELL:
                # A broker cuts off the elder of two clients with the same identifier.
                reason += ", soon after it was made: does another daemon use this site's name?"
        except Exception as error:  # nothing here may end the daemon
            log.exception("the connection to the broker ended by an error of our own")
            reason = self.endpoint.explain(error)
        finally:
            self._held = 0.0 if began is None else loop.time() - began
            if reason is not None and reason != self.last_error and not self._closing.is_set():
                log.warning("%s; trying again", reason)
            self.last_error = reason

    def _turn(self, connected: bool) -> None:
        if connected != self._connected:
            self._connected = connected
            self.since = time.time()

    async def _converse(self, client: aiomqtt.Client) -> None:
        """Listen and speak until either ends: by an error, or when all is said and we close."""
        tasks = {
            asyncio.create_task(self._listen(client)),
            asyncio.create_task(self._speak(client)),
        }
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            await _end(tasks, 0.1)

    # Speaking.

    async def _speak(self, client: aiomqtt.Client) -> None:
        self._jobs.clear()
        self._subscribed.clear()
        refusal = await self._subscribe(
            client,
            [
                self.topics.availability,
                *self.topics.kept,
                *([self.topics.request] if self.handler else []),
                *self._heard,
            ],
        )
        # After subscribing: who hears `online` may ask at once.
        await self._say(client, ONLINE)
        self._commands.clear()
        self._unsent = dict.fromkeys(self._latest)
        self._turn(True)
        self.last_error = refusal
        log.info("connected to the broker at %s", self.endpoint)
        while True:
            self._wake.clear()
            while await self._say_something(client):
                pass
            if self._closing.is_set():
                # The will is sent only for those who vanish. An acknowledgement says that the
                # broker has our last messages, not that it has handed them on (the embedded one
                # drops them with the connection): our own word, come back, does.
                await self._say(client, OFFLINE)
                await self._left.wait()
                return
            await self._wake.wait()

    async def _say(self, client: aiomqtt.Client, state: bytes, limit: float | None = None) -> None:
        await client.publish(self.topics.availability, state, 1, True, timeout=limit)

    async def _subscribe(self, client: aiomqtt.Client, topics: list[str]) -> str | None:
        """Subscribe to all; returns (and logs) what the broker refuses."""
        self._subscribed.update(self._heard.keys() & set(topics))
        refused = await subscribe(client, topics, 1)
        if not refused:
            return None
        refusal = f"{self.endpoint} does not let us hear {', '.join(refused)}"
        log.warning("%s", refusal)
        return refusal

    async def _say_something(self, client: aiomqtt.Client) -> bool:
        """Send one message of the most urgent kind that waits; False when nothing does.

        Devices come first. Latest payloads and events take turns, so that neither starves.
        """
        if self._jobs:
            await self._jobs.popleft()(client)
        elif len(self._subscribed) < len(self._heard):
            late = [topic for topic in self._heard if topic not in self._subscribed]
            self.last_error = await self._subscribe(client, late) or self.last_error
        elif lane := self._commands or self._replies:
            await self._put(client, lane.popleft())
        elif self._unsent or self._events:
            if self._unsent:
                await self._put_latest(client)
            if self._events:
                event = self._events[0]
                await self._put(client, event)
                self._events.popleft()
                self._call(event.done)
        else:
            return False
        return True

    async def _put(self, client: aiomqtt.Client, message: _Message) -> None:
        await client.publish(message.topic, message.payload, message.qos, message.retain)
        if message.qos:
            acknowledge_now(client)

    async def _put_latest(self, client: aiomqtt.Client) -> None:
        topic = next(iter(self._unsent))
        del self._unsent[topic]
        payload = self._latest[topic]
        # A payload lost with the connection is published at the next; that a topic is no more is
        # forgotten here, so the broker has to acknowledge it.
        await client.publish(topic, payload or b"", 0 if payload else 1, True)
        if payload is None and topic not in self._unsent:
            del self._latest[topic]

    @staticmethod
    def _call(done: Callable[[], None] | None) -> None:
        try:
            if done is not None:
                done()
        except Exception:
            log.exception("what follows an acknowledged event failed")

    def _fit(self, topic: str) -> bool:
        problem = topic_problem(topic, wildcards=False)
        if problem:
            self._drop("topic", "nothing is published there: %s", problem)
        return not problem

    def _trim(self, lane: deque[_Message], kind: str) -> None:
        while len(lane) > QUEUE:
            lane.popleft()
            self._drop(kind, f"a {kind} was dropped: more than %d wait for the broker", QUEUE)

    def _drop(self, kind: str, text: str, *arguments: object) -> None:
        self.dropped[kind] += 1
        _drops.warning(text, *arguments)

    # Listening.

    async def _listen(self, client: aiomqtt.Client) -> None:
        looking = True
        async for message in client.messages:
            topic, payload, retained = str(message.topic), bytes(message.payload), message.retain
            if topic == self.topics.request:
                self._take_request(payload, retained)
            elif topic == self.topics.availability and not retained:
                if payload == ONLINE and looking:
                    # Our own word is back, so all that the broker had kept has come: enough heard.
                    looking = False
                    self._jobs.append(lambda client: client.unsubscribe(list(self.topics.kept)))
                elif payload == OFFLINE and self._closing.is_set():
                    self._left.set()
                elif payload == OFFLINE:
                    # The will of an earlier connection of ours, which the broker gave up only now.
                    self._jobs.append(lambda client: self._say(client, ONLINE))
                self._wake.set()
            elif retained and payload and any(message.topic.matches(t) for t in self.topics.kept):
                self._find(topic)
            for heard in self._listeners(message.topic):
                try:
                    heard(topic, payload, retained)
                except Exception:
                    log.exception("what listens to %s failed", topic)

    def _find(self, topic: str) -> None:
        if topic in self._latest:
            return
        if self._sweeping:
            self.publish_latest(topic, None)
        elif len(self._found) < 16 * QUEUE:
            self._found.add(topic)

    def _listeners(self, topic: aiomqtt.Topic) -> Iterator[Heard]:
        yield from self._heard.get(str(topic), ())
        for pattern in self._patterns:
            if topic.matches(pattern):
                yield from self._heard[pattern]

    def _take_request(self, payload: bytes, retained: bool) -> None:
        if retained:
            self._drop("request", "a request that the broker had kept was ignored")
        elif len(payload) > REQUEST_LIMIT:
            self._drop("request", "a request over %d bytes was ignored", REQUEST_LIMIT)
        else:
            try:
                self._requests.put_nowait(payload)
            except asyncio.QueueFull:
                self._drop("request", "a request was dropped: %d already wait", QUEUE)

    async def _serve_requests(self) -> None:
        while True:
            payload = await self._requests.get()
            try:
                if self.handler is not None:
                    await self.handler(payload)
            except Exception:
                log.exception("a request was not handled")
