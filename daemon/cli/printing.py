"""`report`: what is printed on paper."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.cli.asking import Asking, asks, daemon_time, kept_by_broker, offline, state_folder
from daemon.cli.options import StateFolder, batch_codes
from daemon.cli.program import EVERY_DAY, UNANSWERED, Failed, document, group, write_whole, wrong

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.screens import Picture

command = group(
    EVERY_DAY,
    "report",
    """For paper: labels for trays, the day's sheet with boxes to tick, the season's report.

    Plain text for a printer of lines, or with --html a page to be printed from a browser, A4 or Letter.

    $ hotbed report day --html day.html
    """,
)

Page = Annotated[
    Path | None,
    typer.Option("--html", metavar="FILE", help="Write a page to print, instead of plain text."),
]
Codes = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="BATCH...",
        help="Codes of batches; all that there are otherwise.",
        autocompletion=batch_codes,
        show_default=False,
    ),
]


@command("labels")
@asks(by=False)
def labels(asking: Asking, batches: Codes = None, html: Page = None) -> None:
    """A label for each tray: its code big, crop, variety, day of sowing, seed lot and place.

    $ hotbed report labels TOM1 LET1 --html labels.html

    $ hotbed report labels | lpr
    """
    from daemon.paper import labels as found
    from daemon.paper import labels_html, labels_text

    picture, _ = _picture(asking)
    wanted = [code.strip().upper() for code in batches or ()]
    known = [one.batch for one in picture.batches]
    for code in wanted:
        if code not in known:
            raise Failed(f"no batch {code!r}; there are: {', '.join(known) or 'none'}")
    chosen = [one for one in picture.batches if not wanted or one.batch in wanted]
    if not chosen:
        raise Failed("nothing is sown, so there is nothing to label")
    made = found(chosen, asking.view())
    _print(asking, labels_text(made), labels_html(made), html, {"labels": list(map(asdict, made))})


@command("day")
@asks(by=False)
def day(asking: Asking, html: Page = None) -> None:
    """The day's sheet: alarms, then bench by bench what each batch wants done today, to tick off.

    What is written on it goes into the journal with `hotbed log`.

    $ hotbed report day --html day.html
    """
    from daemon.paper import day_html, day_sheet, day_text

    picture, now = _picture(asking)
    sheet = day_sheet(
        asking.site, picture.benches, picture.batches, picture.alarms, asking.view(), now
    )
    _print(asking, day_text(sheet), day_html(sheet), html, asdict(sheet))


@command("season")
@asks(by=False)
def season(
    asking: Asking,
    batch: Annotated[
        str,
        typer.Argument(
            metavar="BATCH|all", help="One batch, or all of the season.", autocompletion=batch_codes
        ),
    ] = "all",
    html: Page = None,
    state: StateFolder = None,
) -> None:
    """From the journal: when each batch was sown, came up, moved and ended, and with how many plants.

    $ hotbed report season --state sim-state

    $ hotbed report season TOM1 --html tom1.html
    """
    from daemon.app import JOURNAL
    from daemon.journal import JournalError, read_events
    from daemon.paper import season_html, season_text
    from daemon.story import KINDS, energy_by_bench, stories

    code = None if batch.lower() == "all" else batch.strip().upper()
    try:
        journal = state_folder(state) / JOURNAL
        events = read_events(journal, kinds=KINDS, batch=code, limit=None)
        days = read_events(journal, kinds=("energy",), limit=None) if code is None else []
    except JournalError as error:
        raise Failed(str(error)) from None
    told = stories(events, asking.units)
    if not told:
        raise Failed(
            "the journal has no batch yet" if code is None else f"the journal has no batch {code!r}"
        )
    view, energy = asking.view(), energy_by_bench(days)
    _print(
        asking,
        season_text(told, energy, view),
        season_html(asking.site, told, energy, view),
        html,
        {
            "batches": [asdict(story) | {"first_up_days": story.first_up_days} for story in told],
            "energy": {
                name: asdict(drawn) | {"currency": currency}
                for name, (drawn, currency) in energy.items()
            },
        },
    )


def _picture(asking: Asking) -> tuple[Picture, datetime]:
    """What the daemon keeps on the broker, and its present."""
    from daemon.screens import Picture

    kept = kept_by_broker(asking)
    picture = Picture.of(kept)
    if picture.online is not True:
        raise Failed(offline(asking), UNANSWERED)
    return picture, daemon_time(kept)


def _print(asking: Asking, text: str, page: str, html: Path | None, result: dict[str, Any]) -> None:
    if html is not None:
        if html.is_dir():
            raise wrong(f"--html: {html} is a folder; allowed: the name of a file")
        write_whole(html, page.encode())
    if asking.as_json:
        document({"ok": True, "result": result})
    elif html is not None:
        typer.echo(f"{html}: open it in a browser, and print it.")
    else:
        typer.echo(text, nl=False)
