"""Calls people about alarms by the owner's own commands; never in the way of the tick.

A command is given the words on standard input and the alarm in HOTBED_ALARM, HOTBED_PRIORITY and
HOTBED_PERSON. What it does with them (a mail, a text, a bell) is its own affair. One that fails, or takes
longer than PATIENCE, is an alarm of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
from collections.abc import Iterable, Mapping, Sequence

from daemon.events import Event

log = logging.getLogger(__name__)

#: How long a command may take [s], and how many may run at a time; more wait.
PATIENCE = 60.0
AT_ONCE = 4
#: How many calls may wait; of more, none is begun, and that is said.
WAITING = 50
#: How much of what a failed command says is told.
_SAID = 160


class Caller:
    """The commands of those who are called, by name. To be used from the event loop alone."""

    def __init__(
        self, commands: Mapping[str, Sequence[str]], *, patience: float = PATIENCE
    ) -> None:
        self._commands = {name: tuple(words) for name, words in commands.items() if words}
        self._patience = patience
        self._gate = asyncio.Semaphore(AT_ONCE)
        self._tasks: set[asyncio.Task[None]] = set()
        self._failed: dict[str, str] = {}

    @property
    def trouble(self) -> str | None:
        """Whose command failed the last time it was tried, and how; None while all is well."""
        return "; ".join(self._failed.values()) or None

    def forgive(self) -> None:
        """Forget what failed, for whoever has told it."""
        self._failed.clear()

    def hear(self, events: Iterable[Event]) -> None:
        """Begin the calls among these events; returns at once."""
        for event in events:
            if event.kind != "call":
                continue
            person = str(event.data["person"])
            command = self._commands.get(person)
            if command is None:
                continue
            if len(self._tasks) >= WAITING:
                self._failed[person] = f"{person}: {WAITING} calls wait already"
                continue
            task = asyncio.create_task(self._call(person, command, event))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def close(self) -> None:
        """End what still runs."""
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _call(self, person: str, command: Sequence[str], event: Event) -> None:
        async with self._gate:
            problem = await self._run(person, command, event)
        if problem is None:
            self._failed.pop(person, None)
            return
        self._failed[person] = f"{person}: {command[0]}: {problem}"
        log.error("%s could not be called: %s: %s", person, command[0], problem)

    async def _run(self, person: str, command: Sequence[str], event: Event) -> str | None:
        """Why the command did not do it; None when it did."""
        told = {
            "HOTBED_ALARM": str(event.data["alarm"]),
            "HOTBED_PRIORITY": str(event.data["priority"]),
            "HOTBED_PERSON": person,
        }
        try:
            process = await asyncio.create_subprocess_exec(
                *command,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
                env={**_environment(), **told},
                start_new_session=True,
            )
        except (OSError, ValueError) as error:
            return f"can't be run: {getattr(error, 'strerror', None) or error}"
        words = str(event.data["message"]).encode()
        try:
            async with asyncio.timeout(self._patience):
                _, said = await process.communicate(words)
        except TimeoutError:
            return f"took longer than {self._patience:g} s"
        finally:
            if process.returncode is None:  # with all that it began
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGKILL)
                await process.wait()
        if process.returncode == 0:
            return None
        why = " ".join(said.decode(errors="replace").split())[:_SAID]
        return f"ended with status {process.returncode}" + (f" ({why})" if why else "")


def _environment() -> dict[str, str]:
    """What a command needs of ours; no notify socket, no credentials."""
    keep = ("PATH", "HOME", "LANG", "LC_ALL", "TZ", "USER", "LOGNAME")
    return {name: os.environ[name] for name in keep if name in os.environ}
