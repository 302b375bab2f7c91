"""Talking to the service manager: ready, status, the watchdog's sign of life, stopping.

The datagrams of sd_notify(3). Nothing here blocks or raises: a manager that is absent, gone or
slow to read never disturbs the tick.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

#: A status longer than this many characters is cut; a datagram too long is refused whole.
STATUS_LIMIT = 500


class Notifier:
    """Sends state to the socket that `NOTIFY_SOCKET` names; does nothing where it names none.

    Each method returns whether the manager's socket took the datagram. What it did not take, its
    queue being full, goes out with the next one, so that a lost READY=1 does not end in a start
    time-out. Signs of life are not made up for: they are true only when they are sent.
    """

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        name = environ.get("NOTIFY_SOCKET", "")
        # "@" begins an abstract name, which the kernel writes with a leading zero byte.
        self._address = "\0" + name[1:] if name.startswith("@") else name
        self._active = len(name) > 1 and name[0] in "/@"
        self._owed: dict[str, str] = {}

    @property
    def active(self) -> bool:
        """Whether a service manager asked to be told."""
        return self._active

    def ready(self, status: str = "") -> bool:
        """Start-up is over and the first tick done."""
        return self._send({"READY": "1"} | ({"STATUS": _one_line(status)} if status else {}))

    def status(self, text: str) -> bool:
        """One line on how things are, for `systemctl status`."""
        return self._send({"STATUS": _one_line(text)})

    def alive(self) -> bool:
        """The loop went round: feeds the watchdog."""
        return self._send({"WATCHDOG": "1"})

    def stopping(self) -> bool:
        """An orderly end has begun."""
        return self._send({"STOPPING": "1"})

    def _send(self, state: dict[str, str]) -> bool:
        if not self._active:
            return False
        self._owed |= state
        message = "\n".join(f"{key}={value}" for key, value in self._owed.items())
        self._owed.pop("WATCHDOG", None)
        try:
            # A socket for each datagram outlives a manager that re-executes itself, leaves nothing
            # to close, and costs microseconds.
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
                sender.setblocking(False)
                sender.sendto(message.encode(errors="replace"), self._address)
        except (OSError, ValueError):
            return False
        self._owed.clear()
        return True


def watchdog_interval(environ: Mapping[str, str] = os.environ) -> float | None:
    """Seconds between signs of life, or None when this process has no watchdog.

    Half of the manager's limit, as sd_watchdog_enabled(3) recommends.
    """
    if environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    try:
        limit = int(environ.get("WATCHDOG_USEC", ""))
    except ValueError:
        return None
    return limit / 2e6 if limit > 0 else None


def _one_line(text: str) -> str:
    # A line break would begin another assignment.
    return " ".join(text.replace("\0", " ").split())[:STATUS_LIMIT]
