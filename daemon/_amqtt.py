"""The parts of the embedded broker that need amqtt; imported when one starts, and not before."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
from dataclasses import dataclass, field

from amqtt.broker import Broker as _Broker
from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session

#: Seconds for messages to reach their subscribers, and be acknowledged, before the broker stops.
HAND_ON = 1.0


class PasswordPlugin(BaseAuthPlugin):  # type: ignore[misc]  # amqtt has no types
    """Lets in who has the one user name and password.

    amqtt's own plugin wants a file of hashes, lets nobody in when that file is wrong, without a
    word, and hashes on the event loop (85 ms). This broker is on loopback and the password lies
    in a file beside it: a comparison in constant time is what it can use.
    """

    @dataclass
    class Config:
        """What amqtt fills in from the broker's configuration."""

        username: str
        password: str = field(repr=False)

    async def authenticate(self, *, session: Session) -> bool:
        """Whether the client gave both; one that gives neither (anonymous) is refused."""
        name = hmac.compare_digest(_bytes(session.username), _bytes(self.config.username))
        password = hmac.compare_digest(_bytes(session.password), _bytes(self.config.password))
        return name and password  # both compared, whatever the first one found


def _bytes(text: str | None) -> bytes:
    return (text or "").encode()


class Broker(_Broker):  # type: ignore[misc]
    """amqtt's broker, with its connections kept in hand (amqtt 0.12)."""

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self._connections: dict[asyncio.Task[object] | None, asyncio.StreamWriter] = {}

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """Serve one connection, and close it however serving ended: amqtt leaves some open."""
        task = asyncio.current_task()
        self._connections[task] = writer
        try:
            await super().stream_connected(reader, writer, listener_name)
        finally:
            writer.close()
            del self._connections[task]

    async def shutdown(self) -> None:
        """Stop listening, hand on what has come (a plug's "off", say), then disconnect everybody.

        amqtt drops what it has not yet handed on, and stops listening last: who comes back at once
        talks to half a broker, which acknowledges and does nothing more.
        """
        for server in self._servers.values():
            server.instance.close()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(HAND_ON):
                while self._in_hand():  # noqa: ASYNC110 - amqtt has nothing to wait for
                    await asyncio.sleep(0.005)
        await super().shutdown()

    def _in_hand(self) -> bool:
        waiting = not self._broadcast_queue.empty()
        return waiting or any(not task.done() for task in self._tasks_queue)

    async def drop_connections(self) -> None:
        """Break what is still connected.

        A connection that never said CONNECT is no session to amqtt, and from Python 3.12 on
        `Server.wait_closed` waits for it for ever.
        """
        for writer in self._connections.values():
            writer.transport.abort()
        await asyncio.gather(*filter(None, list(self._connections)), return_exceptions=True)

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        # At each CONNECT amqtt goes through everybody's subscriptions and sends the newcomer what
        # is kept for them; a subscription added meanwhile breaks off that loop (RuntimeError) and
        # leaves the newcomer connected and unserved. Only what it subscribed to is its business.
        own = self.subscriptions.get(subscription[0], ())
        if any(subscriber.client_id == session.client_id for subscriber, _ in own):
            await super()._publish_retained_messages_for_subscription(subscription, session)
