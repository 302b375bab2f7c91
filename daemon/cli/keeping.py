"""`backup` and `replay`: keep the journal safe, and find out whether it would all be done again."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.asking import state_folder
from daemon.cli.options import AsJson, StateFolder
from daemon.cli.program import DONE, FAILED, RUNNING, Failed, command, document, wrong
from daemon.cli.words import MOMENTS, moment


def _shown(utc: float | None) -> str:
    if utc is None:
        return "never"
    return datetime.fromtimestamp(utc).astimezone().isoformat(sep=" ", timespec="seconds")


@command(RUNNING)
def backup(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="The copy.", show_default=False, dir_okay=False),
    ],
    state: StateFolder = None,
    restore: Annotated[
        bool,
        typer.Option(
            "--restore",
            help="The other way: put the copy into the state folder that --state names.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Copy the journal, with every batch and its history, to one file; the daemon may go on running.

    The copy is checked whole before it takes its name, and FILE.sha256 is put beside it. To put it
    back, stop the daemon first; what stood there is kept under another name.

    $ hotbed backup /media/stick/hotbed.db
    $ hotbed backup /media/stick/hotbed.db --restore --state /var/lib/hotbed
    """
    from daemon.app import JOURNAL
    from daemon.backup import BackupError, back_up
    from daemon.backup import restore as put_back

    if restore and state is None:
        raise wrong("where to? Name the state folder that it goes to: --state DIR")
    folder = state_folder(state)
    try:
        if restore:
            copy = put_back(file, folder / JOURNAL, datetime.now(UTC).timestamp())
        else:
            copy = back_up(folder / JOURNAL, file)
    except BackupError as error:
        raise Failed(str(error)) from None
    if as_json:
        document(
            {
                "ok": True,
                "result": {
                    "file": str(copy.path),
                    "bytes": copy.size,
                    "sha256": copy.sha256,
                    "events": copy.events,
                    "requests": copy.requests,
                    "until": copy.until
                    and datetime.fromtimestamp(copy.until, UTC).isoformat(timespec="seconds"),
                    "replaced": copy.replaced and str(copy.replaced),
                },
            }
        )
        return
    typer.echo(
        f"{'Put back' if restore else 'Copied'}, and checked whole: {copy.events} events and "
        f"{copy.requests} requests until {_shown(copy.until)}, {copy.size / 1e6:.1f} MB, {copy.path}"
    )
    if copy.replaced is not None:
        typer.echo(f"What stood there is kept as {copy.replaced.name}")


@command(RUNNING)
def replay(
    state: StateFolder = None,
    since: Annotated[
        str | None,
        typer.Option(metavar="WHEN", help=f"From then on: {MOMENTS}. Otherwise all there is."),
    ] = None,
    until: Annotated[
        str | None, typer.Option(metavar="WHEN", help="Up to then. Otherwise up to now.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Decide again, from what was recorded, all that was decided, and compare.

    The recorded readings, relays and requests go through this program's own decisions; nothing is
    switched. Exit status 1 when a decision differs: after an update that means that it decides
    otherwise now, without one that something is wrong.

    $ hotbed replay
    $ hotbed replay --since yesterday --state sim-state
    """
    from daemon.app import JOURNAL
    from daemon.journal import JournalError
    from daemon.replay import replay as play

    path = state_folder(state) / JOURNAL
    begin, end = _moment("--since", since), _moment("--until", until)
    try:
        found = play(path, since=begin, until=end)
    except JournalError as error:
        raise Failed(str(error)) from None
    if found.first is None or not found.ticks:
        raise Failed(f"{path}: nothing that can be replayed was recorded then")
    if as_json:
        document(
            {
                "ok": not found.differing,
                **({"error": f"{found.differing} ticks differ"} if found.differing else {}),
                "result": {
                    "ticks": found.ticks,
                    "skipped": found.skipped,
                    "starts": found.starts,
                    "requests": found.requests,
                    "checkpoints": found.checkpoints,
                    "first": found.first,
                    "last": found.last,
                    "differing": found.differing,
                    "differences": [
                        {
                            "tick": one.n,
                            "at": datetime.fromtimestamp(one.at, UTC).isoformat(),
                            "what": one.what,
                            "detail": one.detail,
                        }
                        for one in found.differences
                    ],
                },
            }
        )
    else:
        typer.echo(
            f"{found.ticks} ticks decided again, {_shown(found.since)} to {_shown(found.until)}, "
            f"{found.starts} starts and {found.requests} requests among them"
        )
        if found.skipped:
            typer.echo(f"{found.skipped} ticks can't be, for want of what went before them")
        for one in found.differences:
            typer.echo(f"tick {one.n}, {_shown(one.at)}: {one.what}: {one.detail}")
        if found.differing > len(found.differences):
            typer.echo("and so on")
        typer.echo(
            f"{found.differing} of them differ"
            if found.differing
            else "the same, every one of them"
        )
    raise typer.Exit(FAILED if found.differing else DONE)


def _moment(option: str, text: str | None) -> float | None:
    if text is None:
        return None
    now = datetime.now(UTC)
    with contextlib.suppress(ValueError):
        # A day alone is meant from its beginning.
        return moment(f"{text.strip()} 00:00", now, None).timestamp()
    try:
        return moment(text, now, None).timestamp()
    except ValueError as error:
        raise wrong(f"{option}: {error}") from None
