"""`status`: how everything stands, once or live."""

from __future__ import annotations

import asyncio
import contextlib
import sys
import time
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.cli.asking import Asking, asks, carry_out, connected, kept_by_broker, offline
from daemon.cli.options import bench_names, subjects
from daemon.cli.program import EVERY_DAY, UNANSWERED, Failed, command, document, wrong

if TYPE_CHECKING:
    from daemon.client import Client

#: How often [1/s] the live picture is drawn anew, and the pause [s] before a lost broker is tried again.
REFRESH, RECONNECT = 2.0, 2.0


@command(EVERY_DAY)
@asks(by=False)
def status(
    asking: Asking,
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="BATCH|BENCH",
            help="One batch or bench, looked at more closely.",
            autocompletion=subjects,
            show_default=False,
        ),
    ] = None,
    watch: Annotated[bool, typer.Option("--watch", help="Stay, and follow it live.")] = False,
) -> None:
    """The morning look round: what each bench does and why, how the batches get on, what to do next.

    Alarms come first, then every bench with its batches, then what stands elsewhere. Of one batch it
    tells all: each risk with the figures it rests on and what to check, what was counted though all is
    well, its records. When no daemon runs, the last known state is shown and the exit status is 3.

    $ hotbed status
    $ hotbed status LET1
    $ hotbed status upper
    $ hotbed status --watch
    $ hotbed status --broker potting-shed.local --site alder-lane
    """
    if watch:
        if asking.as_json:
            raise wrong(
                "--watch is for people, --json for programs: follow `hotbed log --follow --json`"
            )
        if not sys.stdout.isatty():
            raise wrong("--watch needs a terminal: leave it out, or follow `hotbed log --follow`")
        with contextlib.suppress(KeyboardInterrupt):
            carry_out(_watch(asking, name))
        return

    kept = kept_by_broker(asking)
    from daemon.screens import Picture, about, behind, closer, console, subject
    from daemon.screens import status as screen

    now = time.time()
    picture = Picture.of(kept)
    old = behind(picture, now)
    wanted = None
    if name is not None:
        try:
            name = subject(picture, name)
        except ValueError as error:
            raise Failed(str(error)) from None
        own = about(picture, name)
        wanted = {
            *(f"bench/{one.bench}" for one in own.benches),
            *(f"batch/{one.batch}" for one in own.batches),
            *(f"alarm/{one.alarm}" for one in own.alarms),
        }
    result = {
        "site": asking.site,
        "online": picture.online is True,
        "age_s": old and round(max(0.0, old), 1),
        **{
            f"{kind}{'es' if kind != 'alarm' else 's'}": {
                topic.partition("/")[2]: content
                for topic, content in sorted(kept.items())
                if topic.startswith(f"{kind}/") and (wanted is None or topic in wanted)
            }
            for kind in ("bench", "batch", "alarm")
        },
    }
    if asking.as_json:
        if picture.online is not True:
            raise Failed(offline(asking), UNANSWERED, result)
        document({"ok": True, "result": result})
        return
    view = asking.view()
    console().print(
        screen(asking.site, picture, view, now)
        if name is None
        else closer(asking.site, picture, name, view, now)
    )
    if picture.online is not True:
        raise Failed(offline(asking), UNANSWERED)


@command(EVERY_DAY)
@asks(by=False)
def why(
    asking: Asking,
    bench: Annotated[
        str | None,
        typer.Argument(
            metavar="BENCH",
            help="One bench; all of them otherwise.",
            autocompletion=bench_names,
            show_default=False,
        ),
    ] = None,
) -> None:
    """When a lamp or a mat is not as you expect: why it is on or off now, and what it is steered to.

    $ hotbed why
    $ hotbed why lower
    """

    kept = kept_by_broker(asking)
    from daemon.screens import Picture, about, console, reasons, subject

    picture = Picture.of(kept)
    if bench is not None:
        try:
            name = subject(picture, bench)
        except ValueError as error:
            raise Failed(str(error)) from None
        place = next((one.place for one in picture.batches if one.batch == name), name)
        picture = about(picture, place)
        if not picture.benches:
            raise Failed(f"{place} has neither a lamp nor a mat: nothing is switched there")
    if asking.as_json:
        result = {
            one.bench: {
                kind: None if relay is None else {"on": relay.on, "why": relay.why}
                for kind, relay in (("lamp", one.lamp), ("mat", one.mat))
            }
            | {"safety_stops": one.safety_stops, "conflicts": one.conflicts}
            for one in picture.benches
        }
        document({"ok": True, "result": {"benches": result}})
    else:
        console().print(reasons(picture, asking.view()))
    if Picture.of(kept).online is not True:
        raise Failed(offline(asking), UNANSWERED)


async def _watch(asking: Asking, name: str | None) -> None:
    from rich.live import Live
    from rich.text import Text

    from daemon.client import NoBroker
    from daemon.screens import Picture, closer, console, subject
    from daemon.screens import status as screen

    kept: dict[str, dict[str, Any]] = {}
    trouble = ""

    def shown() -> Any:
        if trouble or not kept:
            return Text(trouble or f"Waiting for the daemon of site {asking.site!r} ...")
        picture, view = Picture.of(dict(kept)), asking.view()
        if name is None:
            return screen(asking.site, picture, view, time.time())
        try:
            return closer(asking.site, picture, subject(picture, name), view, time.time())
        except ValueError as error:  # it has left, or is not yet told of
            return Text(str(error))

    async with contextlib.AsyncExitStack() as stack:
        client = await stack.enter_async_context(connected(asking))
        with Live(get_renderable=shown, console=console(), screen=True, refresh_per_second=REFRESH):
            while True:
                try:
                    follow = client.follow("availability", "bench", "batch", "alarm")
                    async for topic, content in follow:
                        trouble = ""
                        if content is None:
                            kept.pop(topic, None)
                        else:
                            kept[topic] = content
                except NoBroker as error:
                    trouble = f"{error}. Trying again; Ctrl-C ends this."
                    kept.clear()
                await stack.aclose()
                client = await stack.enter_async_context(_again(asking))


@contextlib.asynccontextmanager
async def _again(asking: Asking) -> AsyncIterator[Client]:
    """A new connection, however long it takes."""
    from daemon.client import NoBroker

    while True:
        await asyncio.sleep(RECONNECT)
        with contextlib.suppress(NoBroker):
            client = await asking.client().__aenter__()
            break
    try:
        yield client
    finally:
        await client.__aexit__(None, None, None)
