"""What the command line needs of MQTT: to ask a running daemon, and to look on.

    async with Client(settings, "north-shelf") as client:
        answer = await client.ask("keep", {"bench": "low"}, by="Ilse")
        picture = await client.gather()

From this machine or another; nothing here knows whether a daemon is there but by its answers.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncGenerator, Callable, Coroutine, Iterator, Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Self, TypeVar
from uuid import uuid4

import aiomqtt

from daemon.wire import (
    OFFLINE,
    ONLINE,
    REQUEST_LIMIT,
    Endpoint,
    Topics,
    acknowledge_now,
    subscribe,
)

if TYPE_CHECKING:
    from daemon.config import Mqtt

#: Seconds after which a request that was not answered is sent again, under the same id.
RESEND: Final = 2.0
#: Seconds for the connect, and for the retained picture to arrive. A broker that cuts the connection
#: before it has let us in is found by the former only, so it has to fit more than once into `ask`.
CONNECT_LIMIT, GATHER_LIMIT = 4.0, 5.0
#: Messages that may wait for somebody who looks on; of more, the oldest go.
BACKLOG: Final = 10_000
_T = TypeVar("_T")
_KINDS: Final = ("availability", "bench", "batch", "alarm", "event")


class NobodyAnswered(Exception):  # noqa: N818 - what happened, in the words of the exit status
    """No answer came: the message says where it was asked, and what to look at."""


class NoBroker(NobodyAnswered):
    """The broker cannot be reached, or was lost: the message says why, with host and port."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the daemon answered: `result` when it is done (`ok`), `error` when it was refused."""

    ok: bool
    result: Any = None
    error: str | None = None


@dataclass(frozen=True, slots=True)
class _Heard:
    name: str  # the topic, less "hotbed/<site>/"
    payload: bytes

    def content(self) -> dict[str, Any] | None:
        """The payload's JSON object; None when it is none."""
        if self.name == "availability" and self.payload in (ONLINE, OFFLINE):
            return {"state": self.payload.decode()}
        try:
            content = json.loads(self.payload)
        except (ValueError, RecursionError):
            return None
        return content if isinstance(content, dict) else None


class Client:
    """A connection to the broker of one site, as an asynchronous context manager.

    settings: the broker. site: the site's name. port: instead of that of the settings.

    Raises WireError when a file of the settings is missing or not what it should be; entering
    raises NoBroker when there is no broker.
    """

    def __init__(self, settings: Mqtt, site: str, *, port: int | None = None) -> None:
        self.endpoint = Endpoint.of(settings, port)
        self.topics = Topics(site)
        self._identifier = f"hotbed-{uuid4().hex[:12]}"
        self._reply_to = self.topics.answer(uuid4().hex, self.endpoint.username)
        self._own = self._reply_to.removeprefix(self.topics.root)
        self._stack = AsyncExitStack()
        self._client: aiomqtt.Client | None = None
        self._listener: asyncio.Task[None] | None = None
        self._connecting = asyncio.Lock()
        self._ears: set[asyncio.Queue[_Heard | None]] = set()
        self._daemon: bool | None = None  # what the availability topic last said

    async def __aenter__(self) -> Self:
        await self._connect()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._disconnect()

    async def ask(
        self,
        kind: str,
        arguments: Mapping[str, Any],
        *,
        by: str,
        valid_for: float = 30.0,
        timeout: float = 10.0,  # noqa: ASYNC109 - the message that ends it names it
    ) -> Answer:
        """Ask the daemon to do something, and wait for its answer.

        kind, arguments: what; arguments as JSON can hold them. by: who asks. valid_for: seconds
        from now after which the daemon is to refuse it. timeout: seconds to wait for the answer.

        The request is sent again under the same id until it is answered, over a lost connection,
        too: the daemon does one id once. Raises NobodyAnswered after `timeout`, and ValueError or
        TypeError when the request is too long (REQUEST_LIMIT) or its arguments are not JSON.
        """
        request_id, now = uuid4().hex, datetime.now(UTC).isoformat(timespec="milliseconds")
        request = {
            "schema": 1,
            "at": now,
            "id": request_id,
            "kind": kind,
            "by": by,
            "reply_to": self._reply_to,
            "sent_at": now,
            "valid_for": valid_for,
            "arguments": dict(arguments),
        }
        payload = json.dumps(request, ensure_ascii=False, allow_nan=False).encode()
        if len(payload) > REQUEST_LIMIT:
            raise ValueError(
                f"the request has {len(payload)} bytes, more than a daemon reads: "
                f"allowed: up to {REQUEST_LIMIT}"
            )
        lost: NoBroker | None = None
        with contextlib.suppress(TimeoutError), self._ear() as ear:
            async with asyncio.timeout(timeout):
                while True:
                    lost = await self._send(payload)
                    with contextlib.suppress(TimeoutError):
                        async with asyncio.timeout(RESEND):
                            if answer := await self._answer(ear, request_id):
                                return answer
                            lost = self._lost()
        if lost is not None:
            raise NobodyAnswered(
                f"no answer within {timeout:g} s: {lost}. Whether the request was carried out is "
                "not known: look at `hotbed status` before you repeat it"
            )
        raise NobodyAnswered(self._silence(timeout))

    async def gather(self, *, settle: float = 0.05) -> dict[str, dict[str, Any]]:
        """What the broker keeps of the site now, by topic less its `hotbed/<site>/`.

        Availability is {"state": "online"} or "offline"; it is missing when no daemon of the site
        was ever on this broker. What is not JSON, or no object, is left out.

        A message to ourselves, sent after the broker acknowledged the subscriptions, comes back
        behind all that it keeps. settle: seconds of silence to wait for after that, for a broker
        of several machines, where it may overtake.

        Raises NoBroker when the broker is lost, or does not send that message back.
        """
        picture: dict[str, dict[str, Any]] = {}
        fence = json.dumps({"schema": 1, "fence": uuid4().hex}).encode()
        behind = False
        with contextlib.suppress(TimeoutError), self._ear() as ear:
            async with asyncio.timeout(GATHER_LIMIT):
                await self._subscribe([self.topics.availability, *self.topics.kept], qos=0)
                await self._publish(self._reply_to, fence)
                while True:
                    try:
                        async with asyncio.timeout(settle if behind else None):
                            heard = await self._next(ear)
                    except TimeoutError:
                        return picture
                    if heard.name == self._own and heard.payload == fence:
                        behind = True
                    elif not heard.payload:
                        picture.pop(heard.name, None)
                    elif heard.name != self._own and (content := heard.content()) is not None:
                        picture[heard.name] = content
        if not behind:
            raise NoBroker(
                f"{self.endpoint} did not return our own message within {GATHER_LIMIT:g} s: it "
                f"hangs, or does not let us use {self._reply_to}"
            )
        return picture

    async def follow(self, *kinds: str) -> AsyncGenerator[tuple[str, dict[str, Any] | None], None]:
        """What is published from now on, after what the broker keeps (some perhaps twice).

        kinds: which of `availability`, `bench`, `batch`, `alarm` and `event`; all unless given.
        Yields names and contents as `gather` has them, None when a topic was taken off the broker.
        Raises NoBroker when the broker is lost, ValueError for another kind.
        """
        if unknown := set(kinds) - set(_KINDS):
            raise ValueError(f"{min(unknown)!r} is none of {', '.join(_KINDS)}")
        chosen = kinds or _KINDS
        suffixes = {"availability": "", "event": ""}
        with self._ear() as ear:
            await self._subscribe(
                [f"{self.topics.root}{kind}{suffixes.get(kind, '/+')}" for kind in chosen], qos=1
            )
            while True:
                heard = await self._next(ear)
                if heard.name.partition("/")[0] not in chosen:
                    continue
                content = heard.content()
                if content is not None or not heard.payload:
                    yield heard.name, content

    # Below: the connection, which `ask` makes anew when it was lost.

    async def _connect(self) -> None:
        await self._disconnect()
        try:
            async with asyncio.timeout(CONNECT_LIMIT):
                client = await self._stack.enter_async_context(
                    self.endpoint.client(self._identifier)
                )
                self._client = client
                self._listener = asyncio.create_task(self._listen(client))
                self._stack.callback(self._listener.cancel)
                # First of all, so that no answer finds us not yet listening.
                await self._subscribe([self._reply_to, self.topics.availability], qos=1)
        except (aiomqtt.MqttError, OSError) as error:
            await self._disconnect()
            raise NoBroker(self.endpoint.explain(error)) from None
        except BaseException:
            await self._disconnect()
            raise

    async def _disconnect(self) -> None:
        self._client = None
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
            async with asyncio.timeout(1.0):
                await self._stack.aclose()

    async def _listen(self, client: aiomqtt.Client) -> None:
        try:
            async for message in client.messages:
                topic, payload = str(message.topic), bytes(message.payload)
                if topic == self.topics.availability:
                    self._daemon = payload == ONLINE
                self._tell(_Heard(topic.removeprefix(self.topics.root), payload))
        except aiomqtt.MqttError:
            pass  # that it ends says it
        finally:
            if self._client is client:
                self._client = None
            self._tell(None)

    def _tell(self, heard: _Heard | None) -> None:
        for ear in self._ears:
            if ear.full():
                ear.get_nowait()
            ear.put_nowait(heard)

    @contextlib.contextmanager
    def _ear(self) -> Iterator[asyncio.Queue[_Heard | None]]:
        ear: asyncio.Queue[_Heard | None] = asyncio.Queue(BACKLOG)
        self._ears.add(ear)
        try:
            yield ear
        finally:
            self._ears.discard(ear)

    async def _next(self, ear: asyncio.Queue[_Heard | None]) -> _Heard:
        heard = await ear.get()
        if heard is None:
            raise self._lost()
        return heard

    def _lost(self) -> NoBroker:
        return NoBroker(f"the connection to {self.endpoint} was lost")

    async def _subscribe(self, topics: list[str], *, qos: int) -> None:
        refused = await self._exchange(lambda client: subscribe(client, topics, qos))
        if refused:
            raise NoBroker(f"{self.endpoint} does not let us hear {', '.join(refused)}")

    async def _publish(self, topic: str, payload: bytes) -> None:
        async def send(client: aiomqtt.Client) -> None:
            await client.publish(topic, payload, qos=1)
            acknowledge_now(client)

        await self._exchange(send)

    async def _exchange(self, exchange: Callable[[aiomqtt.Client], Coroutine[Any, Any, _T]]) -> _T:
        """Do it; NoBroker as soon as the connection is lost, which aiomqtt itself sits out."""
        if self._client is None or self._listener is None:
            raise self._lost()
        task = asyncio.create_task(exchange(self._client))
        try:
            await asyncio.wait({task, self._listener}, return_when=asyncio.FIRST_COMPLETED)
            if not task.done():
                raise self._lost()
            return task.result()
        except aiomqtt.MqttError as error:
            raise NoBroker(self.endpoint.explain(error)) from None
        finally:
            task.cancel()

    async def _send(self, request: bytes) -> NoBroker | None:
        """Send it, connecting anew if need be; returns why that was not possible."""
        try:
            async with self._connecting:
                if self._client is None:
                    await self._connect()
            await self._publish(self.topics.request, request)
        except NoBroker as error:
            return error
        return None

    async def _answer(self, ear: asyncio.Queue[_Heard | None], request_id: str) -> Answer | None:
        """The answer to that request, whatever else is heard; None when the broker is lost."""
        while (heard := await ear.get()) is not None:
            if heard.name != self._own or (content := heard.content()) is None:
                continue
            ok, error = content.get("ok"), content.get("error")
            if content.get("id") != request_id or not isinstance(ok, bool):
                continue
            if ok:
                return Answer(True, content.get("result"))
            if isinstance(error, str):
                return Answer(False, error=error)
        return None

    def _silence(self, timeout: float) -> str:
        said = {
            None: "no daemon of this site has been on this broker",
            False: "the site's daemon is offline",
            True: "the site's daemon is online but does not answer",
        }[self._daemon]
        return (
            f"nobody answered within {timeout:g} s at {self.endpoint} for site "
            f"{self.topics.site!r}: {said}. Is `hotbed run` running, under this site's name, with "
            "this broker and port (--port)?"
        )
