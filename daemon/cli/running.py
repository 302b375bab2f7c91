"""`run`, `rehearse`, `check` and `off`: the daemon itself."""

from __future__ import annotations

import asyncio
import contextlib
import io
import re
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.asking import load_config, need_config, quiet, usual_state
from daemon.cli.options import AsJson, ConfigFile
from daemon.cli.program import DONE, FAILED, RUNNING, Failed, command, document, wrong
from daemon.cli.words import day_of, one_of


@command(RUNNING)
def run(
    config: ConfigFile = None,
    state: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder for the journal and all that outlives a power cut: HOTBED_STATE or "
            "/var/lib/hotbed otherwise.",
        ),
    ] = None,
    simulate: Annotated[
        bool,
        typer.Option("--simulate", help="On benches that aren't there; needs no configuration."),
    ] = False,
    speed: Annotated[
        float | None,
        typer.Option(
            metavar="X",
            min=1,
            max=100_000,
            help="With --simulate: how many times faster time runs.",
        ),
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=65535,
            metavar="N",
            envvar="HOTBED_PORT",
            help="Port of the broker, embedded or not.",
        ),
    ] = None,
    log_level: Annotated[
        str, typer.Option(metavar="LEVEL", help="debug, info, warning or error.")
    ] = "info",
) -> None:
    """Run the benches: the daemon itself, until it is stopped. Everything is off before and after.

    $ hotbed run --simulate --state sim-state
    $ hotbed run --simulate --state sim-state --speed 600
    $ hotbed run --config /etc/hotbed/hotbed.toml

    Mains, heat and water can kill and burn: see the cautions in the README first.
    """
    level = one_of("log level", log_level, ("debug", "info", "warning", "error"))
    if speed is not None and not simulate:
        raise wrong("--speed goes with --simulate: real seedlings take their time")
    if simulate:
        # Never a folder or a file that a real site might be using, unless they are named.
        if state is None:
            raise wrong("where may the simulation keep its journal? For example: --state sim-state")
    else:
        config = need_config(config)
        state = state or usual_state()
    from daemon.app import run as live

    raise typer.Exit(
        live(
            config=config,
            state=state,
            simulate=simulate,
            speed=speed or 1.0,
            port=port,
            log_level=level,
        )
    )


@command(RUNNING)
def rehearse(
    days: Annotated[
        int | None,
        typer.Option(
            metavar="N", min=1, max=400, help="How many days: 56, or 14 each of a campaign."
        ),
    ] = None,
    start: Annotated[
        str | None, typer.Option(metavar="DATE", help="First day, such as 2027-02-15.")
    ] = None,
    config: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The benches of this file, instead of the example's."),
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="Same seed, same season.")] = 0,
    faults: Annotated[
        Path | None, typer.Option(metavar="FILE", help="What goes wrong, and when.")
    ] = None,
    record: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="A fresh folder for a journal of it, for `hotbed replay`."
        ),
    ] = None,
    campaign: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            min=1,
            max=100_000,
            help="Instead: N seasons of made-up sites in which all goes wrong, from this seed on, to see "
            "that the program stays safe.",
        ),
    ] = None,
    only: Annotated[
        str | None,
        typer.Option(
            metavar="LIST",
            help="With --campaign 1: only these of its troubles, such as 2,5, or none.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Before the season: run it in seconds on benches that aren't there, and see how it would go.

    $ hotbed rehearse
    $ hotbed rehearse --days 28 --start 2027-03-01 --seed 3
    $ hotbed rehearse --config hotbed.toml --faults faults.toml
    $ hotbed rehearse --campaign 20
    """
    if campaign is not None:
        if start is not None or config is not None or faults is not None:
            raise wrong("--campaign makes up its own sites, dates and faults: leave out the others")
        _campaign(campaign, seed, days or 14, only, as_json)
        return
    if only is not None:
        raise wrong("--only goes with --campaign 1")
    days = days or 56
    if start is not None:
        day_of("--start", start)
    from daemon.rehearsal import command

    said = io.StringIO()
    with contextlib.redirect_stderr(said) if as_json else contextlib.nullcontext():
        status = command(days, start, config, seed, faults, as_json, record)
    if as_json and status:
        raise Failed(re.sub(r"^hotbed: ", "", said.getvalue().strip(), flags=re.MULTILINE), status)
    raise typer.Exit(status)


def _campaign(many: int, seed: int, days: int, only: str | None, as_json: bool) -> None:
    from daemon.campaign.run import told

    troubles = None
    if only is not None:
        if many != 1:
            raise wrong("--only goes with --campaign 1")
        words = [] if only.strip().lower() == "none" else only.split(",")
        if not all(word.strip().isdecimal() for word in words):
            raise wrong(f"--only: {only!r}; allowed: numbers such as 2,5, or none")
        troubles = frozenset(map(int, words))
    broken = told(many, seed, days, troubles, as_json=as_json)
    raise typer.Exit(FAILED if broken else DONE)


@command(RUNNING)
def check(
    config: ConfigFile = None,
    leave: Annotated[
        int | None,
        typer.Option(
            "--leave", metavar="DAYS", help="Before so many days away: what falls due meanwhile."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Before you trust it, and whenever a probe is lost: look over configuration, probes and broker.

    Names every problem, where it is and how to mend it. Switches nothing; exit status 1 when there is
    a problem.

    With --leave it asks the running daemon instead what falls due while you are away: alarms that stand,
    water, emergence, tasks, and on which days somebody must be there. Where the daemon is off it reads
    its journal (HOTBED_STATE or /var/lib/hotbed), says so, and ends with status 3.

    $ hotbed check
    $ hotbed check --config hotbed.toml
    $ hotbed check --leave 7
    """
    if leave is not None:
        from daemon.cli.leaving import before_leave

        before_leave(config, leave, as_json)
        return
    from daemon.check import check as look
    from daemon.screens import console, findings

    path = need_config(config)
    with quiet():
        found = asyncio.run(look(path))
    problems = sum(one.severity == "problem" for one in found)
    if as_json:
        result = {
            "findings": [
                {"place": one.place, "severity": one.severity, "text": one.text, "mend": one.mend}
                for one in found
            ]
        }
        if problems:
            raise Failed(f"{problems} problem{'s' if problems > 1 else ''}", FAILED, result)
        document({"ok": True, "result": result})
        return
    screen = console()
    screen.print(findings(found, ascii_only=screen.options.ascii_only))
    raise typer.Exit(FAILED if problems else DONE)


@command(RUNNING)
def off(config: ConfigFile = None, as_json: AsJson = False) -> None:
    """In an emergency, or before work at the wiring: every lamp and mat off, daemon or no daemon.

    A running daemon is told to keep them off until `hotbed keep BENCH lamp|mat auto`. It is no
    isolator: pull the plugs before you touch anything.

    $ hotbed off
    """
    path = need_config(config)
    load_config(path)
    from daemon.app import off as drive_off
    from daemon.screens import plain
    from daemon.wire import WireError

    try:
        with quiet():
            code, lines = drive_off(path)
    except WireError as error:
        raise Failed(str(error)) from None
    result = {"relays": lines}
    if not as_json:
        for line in lines:
            typer.echo(plain(line))
    # One that nobody is sure of is not off.
    if code or not all(line.partition(": ")[2].startswith("off") for line in lines):
        raise Failed("not every relay is surely off: pull the plugs", code or FAILED, result)
    if as_json:
        document({"ok": True, "result": result})
