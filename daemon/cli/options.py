"""Options and arguments that several commands share, and what completes them."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.asking import WHICH_DAEMON, Asking, daemon_meant, find_config, load_config, quiet
from daemon.cli.words import MOMENTS

#: Seconds within which completion gives up on a broker.
COMPLETE_LIMIT = 1.5


def crop_names(ctx: typer.Context, incomplete: str) -> list[str]:
    from profiles.library import load_library

    with contextlib.suppress(Exception):  # completion is silent
        path = find_config(ctx.params.get("config"))
        return list(load_library(path and load_config(path).site.crops).crops)
    return []


def _kept(ctx: typer.Context, kind: str) -> list[str]:
    """The names of what the broker keeps of the daemon that is meant."""

    async def look(asking: Asking) -> list[str]:
        async with asyncio.timeout(COMPLETE_LIMIT), asking.client() as client:
            return [
                topic.partition("/")[2] for topic in await client.gather() if topic.startswith(kind)
            ]

    with contextlib.suppress(Exception), quiet():
        given = {
            one.name: ctx.params.get(one.name) for one in WHICH_DAEMON if one.name != "as_json"
        }
        return sorted(asyncio.run(look(daemon_meant(**given, as_json=False))))
    return []


def bench_names(ctx: typer.Context, incomplete: str) -> list[str]:
    with contextlib.suppress(Exception):
        path = find_config(ctx.params.get("config"))
        if path is not None:
            return list(load_config(path).bench)
    return _kept(ctx, "bench/")


def place_names(ctx: typer.Context, incomplete: str) -> list[str]:
    from daemon.config import PLACES

    with contextlib.suppress(Exception):
        path = find_config(ctx.params.get("config"))
        if path is not None:
            return [*load_config(path).bench, *load_config(path).places]
    return [*_kept(ctx, "bench/"), *PLACES]


def batch_codes(ctx: typer.Context, incomplete: str) -> list[str]:
    return _kept(ctx, "batch/")


def subjects(ctx: typer.Context, incomplete: str) -> list[str]:
    return [*_kept(ctx, "batch/"), *_kept(ctx, "bench/")]


def alarm_names(ctx: typer.Context, incomplete: str) -> list[str]:
    return _kept(ctx, "alarm/")


def among(*known: str) -> Callable[[str], list[str]]:
    """Completes to one of these words."""
    return lambda incomplete: list(known)


At = Annotated[
    str | None,
    typer.Option(metavar="WHEN", help=f"When it happened, if not now: {MOMENTS}."),
]
Why = Annotated[str, typer.Option(metavar="TEXT", help="Why, for the journal.")]
BatchCode = Annotated[
    str,
    typer.Argument(
        metavar="BATCH",
        help="Code of the batch, as on its label.",
        autocompletion=batch_codes,
        show_default=False,
    ),
]
Revision = Annotated[
    int | None,
    typer.Option(
        min=1, help="The revision you saw in `status --json`: refused if it has changed since."
    ),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Answer with one JSON document, for a program.")
]
ConfigFile = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help="Configuration of the site. Otherwise HOTBED_CONFIG, ./hotbed.toml or "
        "/etc/hotbed/hotbed.toml.",
    ),
]
StateFolder = Annotated[
    Path | None,
    typer.Option(
        "--state",
        metavar="DIR",
        help="The daemon's state folder, to read history from: HOTBED_STATE or /var/lib/hotbed "
        "otherwise.",
    ),
]
