"""`watch`: from another machine, notice when nobody watches the benches any more."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import time
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.cli.asking import Asking, asks, carry_out
from daemon.cli.program import RUNNING, UNANSWERED, Failed, command, document, wrong
from daemon.cli.words import TIME_UNITS, seconds

if TYPE_CHECKING:
    from daemon.caller import Caller
    from daemon.vigil import Vigil

#: How often it is looked [s], how often a silence is told again, and the pause before a lost broker is
#: tried again.
LOOK, AGAIN, RECONNECT = 1.0, 3600.0, 2.0
#: The least and the usual patience [s]: a daemon tells of its benches at least once a minute.
LEAST, USUAL = 90.0, 300.0


@command(RUNNING)
@asks(by=False)
def watch(
    asking: Asking,
    after: Annotated[
        str | None,
        typer.Option(
            "--after", metavar="TIME", help="How long nothing may be heard: 90s to 1d. Else 5m."
        ),
    ] = None,
    run: Annotated[
        Path | None,
        typer.Option(
            metavar="PROGRAM",
            help="What to run at each silence (and each hour of it) and when it ends; it is given the "
            "words on standard input, and HOTBED_ALARM is silent or heard.",
        ),
    ] = None,
    once: Annotated[
        bool,
        typer.Option(
            "--once", help="End at the first sign of life (0), or when there is none in time (3)."
        ),
    ] = False,
) -> None:
    """On a second machine: listen for the daemon, and say so when it falls silent.

    A daemon that has lost its power, its network or its wits can't call anybody. Let a machine that
    does not share its plug watch over it, by way of a broker that both reach (not the embedded one,
    which is on loopback), and call you by a program of your own.

    $ hotbed watch --broker broker.local --site alder-lane --run /usr/local/bin/call-me
    $ hotbed watch --after 10m
    $ hotbed watch --once
    """
    patience = USUAL
    if after is not None:
        patience = seconds(after, LEAST, TIME_UNITS["d"], "--after")
    if run is not None and once:
        raise wrong("--run goes without --once: let what runs this act on its exit status")
    if run is not None:
        if not run.is_file():
            raise Failed(f"--run: there is no program {run}")
        run = run.resolve()
    if once:
        silence = carry_out(_once(asking, patience))
        if silence:
            raise Failed(silence, UNANSWERED, {"site": asking.site, "state": "silent"})
        if asking.as_json:
            document({"ok": True, "result": {"site": asking.site, "state": "heard"}})
        else:
            typer.echo(f"{asking.site}: its daemon is alive")
        return
    with contextlib.suppress(KeyboardInterrupt):
        carry_out(keep_vigil(asking, patience, run))


async def _once(asking: Asking, patience: float) -> str:
    """The silence, in a sentence; empty as soon as there is a sign of life."""
    from daemon.vigil import Vigil, alive

    vigil = Vigil(asking.site, patience, time.monotonic())
    async with _listening(asking, vigil) as listening:
        while not alive(vigil):
            if listening.done():
                listening.result()
            if silence := vigil.silence(time.monotonic()):
                return silence
            await asyncio.sleep(LOOK / 10)
    return ""


async def keep_vigil(asking: Asking, patience: float, run: Path | None = None) -> None:
    """Listen until stopped, and tell each silence, each hour of it, and its end."""
    from daemon.caller import Caller
    from daemon.vigil import Vigil

    caller = Caller({"watch": (str(run),)} if run is not None else {})
    vigil = Vigil(asking.site, patience, time.monotonic())
    began: float | None = None  # since when a silence stands
    told = 0.0
    stop = asyncio.Event()
    with contextlib.suppress(NotImplementedError, RuntimeError):  # only the main thread may
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    async with _listening(asking, vigil) as listening:
        while not stop.is_set():
            if listening.done():  # a file of the settings that can't be read
                listening.result()
            now = time.monotonic()
            silence = vigil.silence(now)
            if silence and (began is None or now - told >= AGAIN):
                began, told = began or now, now
                _say(asking, "silent", silence, caller)
            elif not silence and began is not None and vigil.life_at and vigil.life_at > began:
                _say(asking, "heard", f"{asking.site} is heard again", caller)
                began = None
            if caller.trouble is not None:
                typer.echo(f"hotbed: --run: {caller.trouble}", err=True)
                caller.forgive()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(min(LOOK, patience / 4)):
                    await stop.wait()
    await caller.close()


def _say(asking: Asking, state: str, text: str, caller: Caller) -> None:
    from daemon.events import Event
    from daemon.screens import plain

    now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    if asking.as_json:
        typer.echo(json.dumps({"at": now, "site": asking.site, "state": state, "text": text}))
    else:
        typer.echo(plain(f"{now}  {text}"))
    data: dict[str, Any] = {
        "alarm": state, "priority": "critical", "person": "watch", "message": f"{text}\n",
    }  # fmt: skip
    caller.hear([Event(time.time(), "call", text, data=data)])


@contextlib.asynccontextmanager
async def _listening(asking: Asking, vigil: Vigil) -> AsyncIterator[asyncio.Task[None]]:
    """While inside, what is heard of the site goes to the vigil, whatever becomes of the broker."""
    task = asyncio.create_task(_listen(asking, vigil))
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def _listen(asking: Asking, vigil: Vigil) -> None:
    from daemon.client import NoBroker

    while True:
        try:
            async with asking.client() as client:
                vigil.connected()
                async for name, content in client.follow("availability", "bench"):
                    vigil.hear(name, content, time.monotonic())
        except NoBroker as error:
            vigil.lose(str(error))
        await asyncio.sleep(RECONNECT)
