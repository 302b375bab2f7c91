"""`log`: write down what was done or seen, and read it back."""

from __future__ import annotations

import contextlib
import json
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.asking import Asking, asks, carry_out, connected, request, state_folder
from daemon.cli.options import At, Revision, StateFolder, among, batch_codes
from daemon.cli.program import EVERY_DAY, Failed, command, document, wrong
from daemon.cli.words import CORRECTIONS, RECORDS, entry

#: Kinds of event that `log` leaves out unless it is asked for all.
MINUTE_KINDS = frozenset({"switching", "decision", "request"})


@command(EVERY_DAY)
@asks(by=True)
def log(
    asking: Asking,
    batch: Annotated[
        str | None,
        typer.Argument(
            metavar="BATCH",
            help="Code of the batch, or site.",
            autocompletion=batch_codes,
            show_default=False,
        ),
    ] = None,
    what: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="WHAT",
            help="watered | fed | moist 1..5 | weight 1850g | height 6cm | emerged 61/72 | leaves 2 | "
            "cover on|off | thinned | pricked-out | potted-on | raised-lamp 12cm | lit | out | in | "
            'note "..."; any other words are a note. Of the site: low 3C | checked '
            "wash-trays|ice-bath|cut-out|breaker|pre-warm. To put right: amend N WHAT | strike N.",
            autocompletion=among(*RECORDS, *CORRECTIONS),
            show_default=False,
        ),
    ] = None,
    at: At = None,
    revision: Revision = None,
    state: StateFolder = None,
    last: Annotated[
        int, typer.Option(metavar="N", min=1, max=100_000, help="How much of the history.")
    ] = 40,
    all_: Annotated[
        bool, typer.Option("--all", help="Each switching of a lamp or mat and each decision, too.")
    ] = False,
    follow: Annotated[
        bool, typer.Option("--follow", help="Tell what happens, as it happens.")
    ] = False,
) -> None:
    """The notebook: write down what you did or saw at a batch, or read back what happened.

    With words after the batch they are written down; without, its history is shown, and with no
    batch at all that of the whole site.

    $ hotbed log LET1 emerged 61/72
    $ hotbed log LET1 watered --by Joss --at 08:30
    $ hotbed log LET1 height 6cm
    $ hotbed log LET1 "leaves pale at the edge"
    $ hotbed log LET1 amend 7 height 5cm
    $ hotbed log site low 3C
    $ hotbed log site checked ice-bath "back reads 0.4 too high"
    $ hotbed log LET1
    $ hotbed log --follow
    """
    if what and batch is not None:
        if follow or state is not None:
            raise wrong(
                "--follow and --state are for reading; leave them out to write something down"
            )
        try:
            kind, arguments = entry(what)
        except ValueError as error:
            raise wrong(str(error)) from None
        request(asking, kind, arguments, batch=batch, at=at, revision=revision)
        return
    if at is not None or revision is not None:
        raise wrong("what happened then? For example: hotbed log LET1 watered --at 08:30")
    if follow:
        with contextlib.suppress(KeyboardInterrupt):
            carry_out(_follow(asking, batch, all_))
        return
    _history(asking, batch, state_folder(state), last, all_)


def _history(asking: Asking, batch: str | None, state: Path, last: int, everything: bool) -> None:
    from daemon.app import JOURNAL
    from daemon.journal import JournalError, read_events
    from daemon.screens import console, history
    from profiles.problems import nearest

    code = None if batch is None else batch.strip().upper()
    try:
        # Which kinds there are is the journal's business: left out is only what is known as minute.
        found = read_events(state / JOURNAL, batch=code, limit=None if not everything else last)
        if not found and code is not None:
            stages = read_events(state / JOURNAL, kinds=["stage"], limit=None)
            known = list(dict.fromkeys(one.batch for one in stages if one.batch))
            near = nearest(code, [one.lower() for one in known]).replace("'", "").upper()
            hint = near.replace("; DID YOU MEAN", "; did you mean")
            raise Failed(f"the journal has nothing on a batch {batch!r}{hint}")
    except JournalError as error:
        raise Failed(str(error)) from None
    shown = [one for one in found if everything or one.kind not in MINUTE_KINDS][-last:]
    if asking.as_json:
        from daemon.messages import event_message

        events = [event_message(one).model_dump(by_alias=True) for one in shown]
        document({"ok": True, "result": {"events": events}})
        return
    console().print(history(shown, asking.view()))


async def _follow(asking: Asking, batch: str | None, everything: bool) -> None:
    from daemon.events import Event
    from daemon.screens import console, event_line

    screen, view = console(), asking.view()
    wanted = None if batch is None else batch.strip().upper()
    async with connected(asking) as client:
        async for _, content in client.follow("event"):
            if content is None or (wanted and content.get("batch") != wanted):
                continue
            if not everything and content.get("kind") in MINUTE_KINDS:
                continue
            if asking.as_json:
                typer.echo(json.dumps(content))
                continue
            at = datetime.fromisoformat(str(content.get("at"))).timestamp()
            by = content.get("by")
            event = Event(at, str(content.get("kind")), str(content.get("text")), by=by and str(by))
            screen.print(event_line(event, view))
