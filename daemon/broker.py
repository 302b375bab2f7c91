"""A broker inside the daemon, for a single machine that has none: amqtt, on loopback only.

It speaks MQTT 3.1.1, keeps retained messages in memory (they go with the process: the daemon
publishes its own again) and is meant for one site. For fleets and floods use a broker of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import ipaddress
import logging
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon._amqtt import Broker

#: Seconds the broker may take to shut down before its connections are broken, and then to give up.
ORDERLY, FORCED = 1.5, 2.0


class BrokerError(Exception):
    """The embedded broker cannot start: the message says why and how to mend it."""


class EmbeddedBroker:
    """amqtt on a loopback address.

    port: TCP port, 1 to 65535. host: an IPv4 loopback address; any other is a ValueError, for this
    broker has no TLS. username, password: what a client must give; without a user name all are let in.
    """

    def __init__(
        self,
        port: int,
        *,
        username: str | None = None,
        password: str | None = None,
        host: str = "127.0.0.1",
    ) -> None:
        if not 1 <= port <= 65535:
            raise ValueError(f"port {port} of the embedded broker; allowed: 1 to 65535")
        if not ipaddress.IPv4Address(host).is_loopback:
            raise ValueError(f"the embedded broker listens on loopback only, not on {host}")
        if password is not None and username is None:
            raise ValueError("the embedded broker's password needs a user name")
        self.host, self.port = host, port
        self._username, self._password = username, password or ""
        self._broker: Broker | None = None

    async def start(self) -> None:
        """Listen. Raises BrokerError when the port cannot be had. Harmless when already started."""
        if self._broker is not None:
            return
        from daemon._amqtt import Broker, PasswordPlugin

        for name in ("amqtt", "transitions"):
            # Every client that leaves abruptly is an error to amqtt; a level the user has set stays.
            logger = logging.getLogger(name)
            if logger.level == logging.NOTSET:
                logger.setLevel(logging.CRITICAL)
        plugins: dict[str, dict[str, object]] = (
            {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
            if self._username is None
            else {
                f"{PasswordPlugin.__module__}.{PasswordPlugin.__name__}": {
                    "username": self._username,
                    "password": self._password,
                }
            }
        )
        broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{self.host}:{self.port}"}},
                "plugins": plugins,
            }
        )
        try:
            await broker.start()
        except Exception as error:
            raise BrokerError(self._why(error)) from None
        self._broker = broker

    def _why(self, error: Exception) -> str:
        where = f"port {self.port} on {self.host}"
        match error.__cause__:
            case OSError(errno=errno.EADDRINUSE):
                return (
                    f"{where} is taken, perhaps by a broker or another daemon that already runs: "
                    "choose another with --port, or name that broker under [mqtt]"
                )
            case OSError(errno=errno.EACCES):
                return f"{where} is for the administrator only: choose one from 1024 on with --port"
            case cause:
                return f"the embedded broker cannot listen on {where}: {cause or error}"

    async def stop(self) -> None:
        """Disconnect everybody and stop listening; within seconds. Harmless when not started."""
        broker, self._broker = self._broker, None
        if broker is None:
            return
        shutdown = asyncio.ensure_future(broker.shutdown())
        await asyncio.wait({shutdown}, timeout=ORDERLY)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(broker.drop_connections(), FORCED)
        await asyncio.wait({shutdown}, timeout=FORCED)
        if not shutdown.done():
            shutdown.cancel()
        await asyncio.gather(shutdown, return_exceptions=True)
