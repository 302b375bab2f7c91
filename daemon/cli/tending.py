"""`keep` and `alarms`: a person's word against the program's, and the program's to a person."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from daemon.cli.asking import Asking, asks, daemon_time, kept_by_broker, offline, request
from daemon.cli.options import alarm_names, among, bench_names
from daemon.cli.program import EVERY_DAY, UNANSWERED, Failed, command, document, wrong
from daemon.cli.words import TIME_UNITS, one_of, seconds


@command(EVERY_DAY)
@asks(by=True)
def keep(
    asking: Asking,
    bench: Annotated[
        str, typer.Argument(metavar="BENCH", autocompletion=bench_names, show_default=False)
    ],
    relay: Annotated[
        str,
        typer.Argument(metavar="lamp|mat", autocompletion=among("lamp", "mat"), show_default=False),
    ],
    to: Annotated[
        str,
        typer.Argument(
            metavar="on|off|auto", autocompletion=among("on", "off", "auto"), show_default=False
        ),
    ],
    span: Annotated[
        str | None,
        typer.Option(
            "--for",
            metavar="TIME",
            help="How long it is kept on: 90s, 30m, 2h. Half an hour otherwise.",
        ),
    ] = None,
) -> None:
    """To work at a bench: keep a lamp or a mat on for a while, or off until you release it.

    Kept on ends by itself and never outranks a safety stop; in the dark hours a lamp is kept on for
    half an hour a night at most. Kept off (a damaged mat, a lifted tray) stays off until `auto`.

    $ hotbed keep upper lamp on --for 20m
    $ hotbed keep lower mat off --by Marit
    $ hotbed keep lower mat auto
    """
    arguments: dict[str, Any] = {
        "bench": bench,
        "relay": one_of("relay", relay, ("lamp", "mat")),
        "to": one_of("such wish as", to, ("on", "off", "auto")),
    }
    if span is not None:
        if arguments["to"] != "on":
            raise wrong("--for goes with on; off stays until you release it with auto")
        from daemon.requests import MAX_KEEP

        arguments["seconds"] = seconds(span, 60, MAX_KEEP)
    request(asking, "keep", arguments)


_ACTIONS = ("ack", "reset", "snooze")


@command(EVERY_DAY)
@asks(by=True)
def alarms(
    asking: Asking,
    action: Annotated[
        str | None,
        typer.Argument(
            metavar="ack|reset|snooze", autocompletion=among(*_ACTIONS), show_default=False
        ),
    ] = None,
    alarm: Annotated[
        str | None,
        typer.Argument(metavar="ALARM", autocompletion=alarm_names, show_default=False),
    ] = None,
    span: Annotated[
        str | None,
        typer.Option(
            "--for",
            metavar="TIME",
            help="How long it is snoozed: 30m, 2h, 1d; a critical one for 1h at most. Else an hour.",
        ),
    ] = None,
) -> None:
    """When something is wrong: what it is, what it leads to, and what to do, the most urgent first.

    ack says that you have seen it. reset releases a fault that stays until somebody has looked.
    snooze keeps it silent for a while.

    $ hotbed alarms
    $ hotbed alarms ack no-soil-reading.upper
    $ hotbed alarms reset mat-without-effect.lower --by Joss
    $ hotbed alarms snooze emergence-overdue.TOM1 --for 1d
    """
    if action is None:
        if span is not None:
            raise wrong("--for goes with snooze")
        _list_alarms(asking)
        return
    chosen = one_of("action", action, _ACTIONS)
    if alarm is None:
        raise wrong(f"which alarm? `hotbed alarms` lists them; then: hotbed alarms {chosen} ALARM")
    if span is not None and chosen != "snooze":
        raise wrong("--for goes with snooze")
    arguments: dict[str, Any] = {"alarm": alarm}
    if span is not None:
        arguments["seconds"] = seconds(span, 60, 7 * TIME_UNITS["d"])
    request(asking, "acknowledge" if chosen == "ack" else chosen, arguments)


def _list_alarms(asking: Asking) -> None:
    kept = kept_by_broker(asking)
    from daemon.screens import Picture, console
    from daemon.screens import alarms as screen

    picture = Picture.of(kept)
    standing = [one.model_dump(by_alias=True) for one in picture.alarms]
    if asking.as_json and picture.online is True:
        document({"ok": True, "result": {"alarms": standing}})
        return
    # That there were none is no news of today.
    if not asking.as_json and (picture.online or picture.alarms):
        console().print(screen(picture.alarms, asking.view(), daemon_time(kept).timestamp()))
    if picture.online is not True:
        raise Failed(offline(asking), UNANSWERED, {"alarms": standing})
