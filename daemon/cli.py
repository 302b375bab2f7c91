"""The command line `hotbed`.

Commands that ask a running daemon do so over MQTT. Exit status: 0 done, 1 refused or failed, 2 wrong
usage, 3 nobody answered. With --json, standard output is one JSON document, {"ok": true, "result":
...} or {"ok": false, "error": ...}; else a problem is told on standard error, with its mend.

What a command needs is imported when it runs: `hotbed status` is quick on a small board.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import getpass
import inspect
import io
import json
import logging
import os
import re
import sys
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer
from typer.core import TyperGroup

if TYPE_CHECKING:
    from daemon.client import Answer, Client
    from daemon.config import Config, Mqtt
    from daemon.screens import View
    from profiles.library import Library
    from profiles.units import Units

T = TypeVar("T")

#: How long an answer is waited for [s].
PATIENCE = 10.0
DONE, FAILED, USAGE, UNANSWERED = 0, 1, 2, 3
#: Where a configuration is looked for when none is named.
CONFIGS = (Path("hotbed.toml"), Path("/etc/hotbed/hotbed.toml"))
STATE = Path("/var/lib/hotbed")
#: Seconds within which completion gives up on a broker.
COMPLETE_LIMIT = 1.5
#: How often [1/s] the live picture is drawn anew, and the pause [s] before a lost broker is tried again.
REFRESH, RECONNECT = 2.0, 2.0
#: Kinds of event that `log` leaves out unless it is asked for all.
MINUTE_KINDS = frozenset({"switching", "decision", "request"})


class Failed(Exception):  # noqa: N818
    """What ends a command: a sentence with its mend, the exit status, and what was known anyway."""

    def __init__(self, message: str, status: int = FAILED, result: object = None) -> None:
        super().__init__(message)
        self.status = status
        self.result = result


def wrong(message: str) -> Failed:
    """A wrong usage that Typer could not see."""
    return Failed(message, USAGE)


#: What Typer raises for a wrong usage, whether it brings a Click of its own or uses the other's.
_UsageError: type[BaseException] = typer.BadParameter.__mro__[1]


class _Commands(TyperGroup):
    """The commands, with every end told the same way."""

    def main(self, *given: Any, **options: Any) -> Any:
        words = given[0] if given else options.pop("args", None)
        words = list(sys.argv[1:] if words is None else words)
        as_json = "--json" in words[: words.index("--") if "--" in words else None]
        options["standalone_mode"] = False
        try:
            status = super().main(words, *given[1:], **options)
        except Failed as problem:
            sys.exit(_tell(str(problem), problem.status, as_json, problem.result))
        except _UsageError as problem:
            sys.exit(_tell(_usage(problem), USAGE, as_json))
        except typer.Abort:
            sys.exit(130)
        sys.exit(status or DONE)


def _usage(problem: Any) -> str:
    """A wrong usage in a sentence, with the nearest right one and where to read more."""
    near = getattr(problem, "possibilities", None)
    said = problem.message if near else problem.format_message()
    said = said.rstrip(".") + (f". Did you mean {near[0]!r}?" if near else ".")
    where = problem.ctx.command_path if problem.ctx else "hotbed"
    return f"{said.replace('?.', '?')} Try: {where} --help"


def _tell(message: str, status: int, as_json: bool, result: object = None) -> int:
    if as_json:
        found = {} if result is None else {"result": result}
        _document({"ok": False, "error": message, **found})
    else:
        for line in message.splitlines():
            typer.echo(f"hotbed: {line}", err=True)
    return status


def _document(content: Mapping[str, Any]) -> None:
    typer.echo(json.dumps(content, indent=2, default=str))


app = typer.Typer(
    cls=_Commands,
    invoke_without_command=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["--help", "-h"]},
)


def _paragraphs(text: str) -> str:
    """A docstring as help: each paragraph one line, for the terminal to wrap, examples as they are."""
    blocks = inspect.cleandoc(text).split("\n\n")
    return "\n\n".join(
        block if block.startswith("$") else block.replace("\n", " ") for block in blocks
    )


def _command(panel: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """A command of the program, its help from its docstring."""

    def added(command: Callable[..., None]) -> Callable[..., None]:
        app.command(rich_help_panel=panel, help=_paragraphs(command.__doc__ or ""))(command)
        return command

    return added


# --- which daemon, and who asks ------------------------------------------------------------------

_WHICH = "Which daemon"


@dataclass(frozen=True, slots=True)
class Asking:
    """Where a daemon is asked, how its answers are read, and who asks.

    config: the file all this is from, None for the simulator's own site. zone: None for this
    machine's.
    """

    config: Path | None
    settings: Mqtt
    site: str
    port: int | None
    zone: tzinfo | None
    units: Units
    as_json: bool
    by: str = ""

    def client(self) -> Client:
        """A connection, to be entered. Raises WireError."""
        from daemon.client import Client

        return Client(self.settings, self.site, port=self.port)

    def view(self) -> View:
        """How its answers are shown."""
        from daemon.screens import View

        return View(self.zone, self.units)


def _there(path: Path) -> bool:
    """Whether there is a file; one that may not be seen counts, so that it is not passed over."""
    try:
        path.stat()
    except PermissionError:
        return True
    except OSError:
        return False
    return True


def find_config(given: Path | None) -> Path | None:
    """The configuration file: the one given, HOTBED_CONFIG, or the first that is there."""
    if given is None and (named := os.environ.get("HOTBED_CONFIG")):
        given = Path(named)
    return given or next((path for path in CONFIGS if _there(path)), None)


def _config(given: Path | None) -> Path:
    path = find_config(given)
    if path is None:
        raise Failed(
            f"there is no configuration: name one with --config, or make {CONFIGS[1]} from the example "
            "file hotbed.toml.example"
        )
    return path


def _load(path: Path) -> Config:
    from daemon.config import ConfigError, load

    try:
        return load(path)
    except ConfigError as error:
        raise Failed(str(error)) from None


def _daemon(
    config: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Configuration of the site. Otherwise HOTBED_CONFIG, ./hotbed.toml or "
            "/etc/hotbed/hotbed.toml; with none of them the simulator is asked.",
            rich_help_panel=_WHICH,
        ),
    ] = None,
    broker: Annotated[
        str | None,
        typer.Option(
            metavar="HOST",
            envvar="HOTBED_BROKER",
            help="Ask over this MQTT broker.",
            rich_help_panel=_WHICH,
        ),
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=65535,
            metavar="N",
            envvar="HOTBED_PORT",
            help="Its port.",
            rich_help_panel=_WHICH,
        ),
    ] = None,
    site: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            envvar="HOTBED_SITE",
            help="The site's name, where it is not the configuration's.",
            rich_help_panel=_WHICH,
        ),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Answer with one JSON document, for a program.")
    ] = False,
) -> Asking:
    """The daemon meant by the options."""
    from pydantic import ValidationError

    from daemon.config import Mqtt
    from daemon.simsite import SIM_PORT, SIM_SITE, SIM_ZONE
    from daemon.wire import Topics
    from profiles.problems import explain

    try:
        named = Mqtt(broker=broker) if broker is not None else None
        if site is not None:
            Topics(site)
    except ValidationError as error:
        raise wrong(f"--broker: {'; '.join(explain(error, Mqtt))}") from None
    except ValueError as error:
        raise wrong(f"--site: {error}") from None
    path = find_config(config)
    if path is not None:
        found = _load(path)
        settings = found.mqtt
        if named is not None:
            settings = settings.model_copy(update={"broker": named.broker})
        return Asking(
            path, settings, site or found.site.name, port, found.site.tz, found.site.units, as_json
        )
    from zoneinfo import ZoneInfo

    name = site or SIM_SITE
    zone = ZoneInfo(SIM_ZONE) if name == SIM_SITE else None
    return Asking(None, named or Mqtt(port=SIM_PORT), name, port, zone, "C", as_json)


def _person(
    config: Path | None,
    broker: str | None,
    port: int | None,
    site: str | None,
    as_json: bool,
    by: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            envvar="HOTBED_BY",
            help="Who asks, for the journal; your login name otherwise.",
        ),
    ] = None,
) -> Asking:
    """The daemon meant by the options, and the person who asks."""
    name = by or os.environ.get("SUDO_USER") or ""
    if not name:
        try:
            name = getpass.getuser()
        except (KeyError, OSError):  # a user without an entry, as in many containers
            name = f"user {os.getuid()}"
    name = name.strip()
    if not (0 < len(name) <= 40 and name.isprintable()):
        raise wrong(f"--by: {name!r}; allowed: a name of 1 to 40 characters")
    return replace(_daemon(config, broker, port, site, as_json), by=name)


_DAEMON = tuple(inspect.signature(_daemon, eval_str=True).parameters.values())
_BY = inspect.signature(_person, eval_str=True).parameters["by"]


def _asks(*, by: bool) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command the options that say which daemon (and who asks), and it an `Asking`, first."""
    shared = (_BY, *_DAEMON) if by else _DAEMON

    def given_to(command: Callable[..., None]) -> Callable[..., None]:
        own = list(inspect.signature(command, eval_str=True).parameters.values())[1:]
        every = [one.replace(kind=one.KEYWORD_ONLY) for one in (*own, *shared)]

        @functools.wraps(command)
        def run(**options: Any) -> None:
            asking = (_person if by else _daemon)(
                **{one.name: options.pop(one.name) for one in shared}
            )
            command(asking, **options)

        run.__signature__ = inspect.Signature(every)  # type: ignore[attr-defined]
        run.__annotations__ = {one.name: one.annotation for one in every}
        return run

    return given_to


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Without the log lines of the libraries: what matters to a person is raised or returned."""
    logging.disable()
    try:
        yield
    finally:
        logging.disable(logging.NOTSET)


def _run(work: Coroutine[Any, Any, T]) -> T:
    """Carry out what talks to a broker, its problems told plainly."""
    from daemon.client import NobodyAnswered
    from daemon.wire import WireError

    try:
        with _quiet():
            return asyncio.run(work)
    except NobodyAnswered as error:
        raise Failed(str(error), UNANSWERED) from None
    except WireError as error:
        raise Failed(
            f"{error}: ask as a user who may read it, or correct the configuration"
        ) from None


@contextlib.asynccontextmanager
async def _connected(asking: Asking) -> AsyncIterator[Client]:
    from daemon.client import NoBroker

    client = asking.client()
    try:
        await client.__aenter__()
    except NoBroker as error:
        looked = (
            "" if asking.config else " (no configuration was found, so the simulator was meant)"
        )
        raise Failed(
            f"{error}{looked}. Is `hotbed run` running? Say where it is with --config, or with "
            "--broker, --port and --site",
            UNANSWERED,
        ) from None
    try:
        yield client
    finally:
        await client.__aexit__(None, None, None)


# --- what people write ---------------------------------------------------------------------------

_DATE = r"(?P<day>\d{4}-\d{2}-\d{2}|today|yesterday)"
_TIME = r"(?P<time>\d{1,2}:\d{2})"
_MOMENT = re.compile(rf"(?:{_DATE}(?:[ t]+{_TIME})?|{_TIME.replace('time', 'alone')})", re.ASCII)
_ZONED = re.compile(
    r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:\d{2})", re.ASCII
)
_MOMENTS = '"2027-03-14", "2027-03-14 08:30", "08:30" (today), "yesterday", "yesterday 18:00"'
#: A day without a time stands for this one, the least wrong.
NOON = "12:00"


def moment(text: str, now: datetime, zone: tzinfo | None) -> datetime:
    """The moment a person means, with its zone.

    now: the present, with a zone. zone: where the person's clock hangs, None for this machine's. A
    day alone is its noon, or now if that is still to come today. Raises ValueError.
    """
    if _ZONED.fullmatch(text.strip()):
        with contextlib.suppress(ValueError):
            return datetime.fromisoformat(text.strip())
    here = now.astimezone(zone)
    found = _MOMENT.fullmatch(text.strip().lower())
    try:
        if found is None:
            raise ValueError
        day = _day(found["day"] or "today", here.date())
        clock = found["time"] or found["alone"] or NOON
        local = datetime.fromisoformat(f"{day}T{clock.rjust(5, '0')}")
    except ValueError:
        raise ValueError(f"{text!r} is no date or time; allowed: {_MOMENTS}") from None
    at = local.replace(tzinfo=zone) if zone is not None else local.astimezone()
    bare = found["time"] is None and found["alone"] is None
    return here if bare and day == here.date() and at > now else at


def _day(text: str, today: date) -> date:
    if text in ("today", "yesterday"):
        return today - timedelta(days=text == "yesterday")
    return date.fromisoformat(text)


_UNITS = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86400.0}
_DURATION = re.compile(r"(?:\d+(?:[.,]\d+)?[smhd])+", re.ASCII)


def duration(text: str) -> float:
    """Seconds, from "90s", "30m", "2h", "1h30m" or "1d". Raises ValueError."""
    compact = text.replace(" ", "").lower().replace("min", "m")
    if not _DURATION.fullmatch(compact):
        raise ValueError(f"{text!r} is no length of time; allowed: 90s, 30m, 2h, 1h30m, 1d")
    parts = re.findall(r"([\d.,]+)([smhd])", compact)
    return sum(float(many.replace(",", ".")) * _UNITS[unit] for many, unit in parts)


def _spoken(seconds: float) -> str:
    unit = next(unit for unit in "dhms" if seconds % _UNITS[unit] == 0 or unit == "s")
    return f"{seconds / _UNITS[unit]:g}{unit}"


def _seconds(text: str, low: float, high: float) -> float:
    try:
        seconds = duration(text)
    except ValueError as error:
        raise wrong(f"--for: {error}") from None
    if not low <= seconds <= high:
        raise wrong(f"--for: {text!r}; allowed: {_spoken(low)} to {_spoken(high)}")
    return seconds


_LENGTHS = {"mm": 1.0, "cm": 10.0, "in": 25.4, '"': 25.4}
#: What `log BATCH` takes as its first word; all else is a note.
RECORDS = ("watered", "fed", "height", "emerged", "moist", "cover", "note")


def record(words: Sequence[str]) -> dict[str, Any]:
    """What is to be written down of a batch, as arguments of a request. Raises ValueError."""
    from difflib import get_close_matches

    first, rest = words[0].lower(), " ".join(words[1:]).strip()
    if first not in RECORDS:
        text = " ".join(words).strip()
        if near := get_close_matches(first, RECORDS, n=1, cutoff=0.78):
            raise ValueError(
                f"{words[0]!r} is close to {near[0]!r}: write {near[0]!r}, or, if you mean it so, "
                f"note {text!r}"
            )
        return {"what": "note", "text": text}
    match first:
        case "moist":
            found = re.fullmatch(r"([1-5])(?:\s+(.*))?", rest, re.ASCII)
            if found is None:
                raise ValueError(f"moist {rest!r}; allowed: moist 1 (dry) to moist 5 (soaked)")
            return {"what": first, "value": float(found[1]), "text": found[2] or ""}
        case "height":
            found = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*(mm|cm|in|\")(?:\s+(.*))?", rest, re.ASCII)
            if found is None:
                raise ValueError(
                    f"height {rest!r}; allowed: a number and its unit, 6cm, 60mm or 2.5in"
                )
            value = float(found[1].replace(",", ".")) * _LENGTHS[found[2]]
            return {"what": first, "value": round(value, 1), "text": found[3] or ""}
        case "emerged":
            found = re.fullmatch(
                r"(\d{1,6})(?:\s*(?:/|of)\s*(\d{1,6}))?(?:\s+(.*))?", rest, re.ASCII
            )
            if found is None:
                raise ValueError(f"emerged {rest!r}; allowed: how many are up, 61 or 61/72")
            of = {} if found[2] is None else {"of": int(found[2])}
            return {"what": first, "value": float(found[1]), **of, "text": found[3] or ""}
        case "cover":
            if rest.lower() not in ("on", "off"):
                raise ValueError(f"cover {rest!r}; allowed: cover on, cover off")
            return {"what": first, "text": rest.lower()}
        case "note" if not rest:
            raise ValueError('a note needs words: note "leaves pale at the edge"')
    return {"what": first, "text": rest}


def _one_of(what: str, given: str, known: Sequence[str]) -> str:
    """The known word that is meant, whatever its capitals; else a wrong usage with the nearest."""
    from profiles.problems import nearest

    word = given.strip().lower().replace("_", "-").replace(" ", "-")
    if word not in known:
        raise wrong(f"no {what} {given!r}{nearest(word, known)}; allowed: {', '.join(known)}")
    return word


# --- completion ----------------------------------------------------------------------------------


def _complete_crops(ctx: typer.Context, incomplete: str) -> list[str]:
    from profiles.library import load_library

    with contextlib.suppress(Exception):  # completion is silent
        path = find_config(ctx.params.get("config"))
        return list(load_library(path and _load(path).site.crops).crops)
    return []


def _kept(ctx: typer.Context, kind: str) -> list[str]:
    """The names of what the broker keeps of the daemon that is meant."""

    async def look(asking: Asking) -> list[str]:
        async with asyncio.timeout(COMPLETE_LIMIT), asking.client() as client:
            return [
                topic.partition("/")[2] for topic in await client.gather() if topic.startswith(kind)
            ]

    with contextlib.suppress(Exception), _quiet():
        given = {one.name: ctx.params.get(one.name) for one in _DAEMON if one.name != "as_json"}
        return sorted(asyncio.run(look(_daemon(**given, as_json=False))))
    return []


def _complete_benches(ctx: typer.Context, incomplete: str) -> list[str]:
    with contextlib.suppress(Exception):
        path = find_config(ctx.params.get("config"))
        if path is not None:
            return list(_load(path).bench)
    return _kept(ctx, "bench/")


def _complete_places(ctx: typer.Context, incomplete: str) -> list[str]:
    from daemon.config import PLACES

    with contextlib.suppress(Exception):
        path = find_config(ctx.params.get("config"))
        if path is not None:
            return [*_load(path).bench, *_load(path).places]
    return [*_kept(ctx, "bench/"), *PLACES]


def _complete_batches(ctx: typer.Context, incomplete: str) -> list[str]:
    return _kept(ctx, "batch/")


def _complete_alarms(ctx: typer.Context, incomplete: str) -> list[str]:
    return _kept(ctx, "alarm/")


def _words(*known: str) -> Callable[[str], list[str]]:
    return lambda incomplete: list(known)


# --- asking --------------------------------------------------------------------------------------


def _request(
    asking: Asking,
    kind: str,
    arguments: Mapping[str, Any],
    *,
    batch: str | None = None,
    at: str | None = None,
    revision: int | None = None,
) -> None:
    """Ask, and tell the answer.

    batch: the batch that is changed. Its revision is looked up first, unless one is given, so that
    a change in between is refused. at: when it happened, as the person wrote it.
    """
    asked = {key: value for key, value in arguments.items() if value not in (None, "")}
    if batch is not None:
        asked["batch"] = batch
    if revision is not None:
        asked["revision"] = revision
    try:
        # Before anybody is asked: a slip is told though no daemon runs.
        _ = at and moment(at, datetime.now(UTC), asking.zone)
    except ValueError as error:
        raise wrong(f"--at: {error}") from None

    async def exchange() -> Answer:
        async with _connected(asking) as client:
            if batch is not None or at is not None:
                kept = await client.gather()
                known = kept.get(f"batch/{(batch or '').strip().upper()}", {}).get("revision")
                if isinstance(known, int):
                    asked.setdefault("revision", known)
                if at is not None:
                    when = moment(at, _daemon_time(kept), asking.zone)
                    asked["at"] = when.isoformat(timespec="seconds")
            # No longer valid than we wait: nothing is done after we said that nobody answered.
            return await client.ask(kind, asked, by=asking.by, valid_for=PATIENCE, timeout=PATIENCE)

    answer = _run(exchange())
    if not answer.ok:
        raise Failed(answer.error or "refused without a reason")
    _report(asking, answer.result or {})


def _daemon_time(kept: Mapping[str, Mapping[str, Any]]) -> datetime:
    """The daemon's present, which on the simulator may be days ahead; else this machine's."""
    times = []
    for topic, content in kept.items():
        if topic.startswith("bench/") and kept.get("availability", {}).get("state") == "online":
            with contextlib.suppress(ValueError, TypeError, KeyError):
                at = datetime.fromisoformat(content["at"])
                times += [at] if at.tzinfo is not None else []
    return max(times, default=datetime.now(UTC))


def _report(asking: Asking, result: Mapping[str, Any]) -> None:
    if asking.as_json:
        _document({"ok": True, "result": result})
        return
    from daemon.screens import plain

    typer.echo(plain(str(result.get("text", "done"))))
    for name, aim in (result.get("benches") or {}).items():
        typer.echo(plain(f"  {name} is now {aim}"))
    for note in result.get("notes") or ():
        typer.echo(plain(f"  note: {note}"))


# --- the commands: every day ---------------------------------------------------------------------

_EVERY_DAY, _LOOKING_UP, _RUNNING = "Every day", "Looking up", "Running it"


@app.callback()
def hotbed(
    ctx: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Tell the version.")] = False,
) -> None:
    """Runs lit, heated benches of seedlings, from sowing to planting out.

    Begin with a bench that isn't there:

    $ hotbed run --simulate --state sim-state

    and from a second terminal:

    $ hotbed sow lettuce --bench lower --cells 72
    $ hotbed status --watch

    Not a safety device: see the cautions in the README before you wire mains, heat or water.
    """
    if version:
        from importlib.metadata import PackageNotFoundError
        from importlib.metadata import version as installed

        try:
            typer.echo(f"hotbed {installed('hotbed')}")
        except PackageNotFoundError:
            typer.echo("hotbed, not installed")
        raise typer.Exit
    if ctx.invoked_subcommand is None:
        typer.echo(ctx.get_help())


_At = Annotated[
    str | None,
    typer.Option(metavar="WHEN", help=f"When it happened, if not now: {_MOMENTS}."),
]
_Why = Annotated[str, typer.Option(metavar="TEXT", help="Why, for the journal.")]
_Batch = Annotated[
    str,
    typer.Argument(
        metavar="BATCH",
        help="Code of the batch, as on its label.",
        autocompletion=_complete_batches,
        show_default=False,
    ),
]
_Revision = Annotated[
    int | None,
    typer.Option(
        min=1, help="The revision you saw in `status --json`: refused if it has changed since."
    ),
]
_Json = Annotated[
    bool, typer.Option("--json", help="Answer with one JSON document, for a program.")
]
_Config = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help="Configuration of the site. Otherwise HOTBED_CONFIG, ./hotbed.toml or "
        "/etc/hotbed/hotbed.toml.",
    ),
]


@_command(_EVERY_DAY)
@_asks(by=False)
def status(
    asking: Asking,
    watch: Annotated[bool, typer.Option("--watch", help="Stay, and follow it live.")] = False,
) -> None:
    """The morning look round: what each bench does and why, how the batches get on, what to do next.

    Alarms come first, then every bench with its batches, then what stands elsewhere. When no daemon
    runs, the last known state is shown and the exit status is 3.

    $ hotbed status
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
            _run(_watch(asking))
        return

    async def look() -> dict[str, dict[str, Any]]:
        async with _connected(asking) as client:
            return await client.gather()

    kept = _run(look())
    if not kept:
        raise Failed(_nobody(asking), UNANSWERED)
    from daemon.screens import Picture, behind, console
    from daemon.screens import status as screen

    now = time.time()
    picture = Picture.of(kept)
    old = behind(picture, now)
    result = {
        "site": asking.site,
        "online": picture.online is True,
        "age_s": old and round(max(0.0, old), 1),
        **{
            f"{kind}{'es' if kind != 'alarm' else 's'}": {
                topic.partition("/")[2]: content
                for topic, content in sorted(kept.items())
                if topic.startswith(f"{kind}/")
            }
            for kind in ("bench", "batch", "alarm")
        },
    }
    if asking.as_json:
        if picture.online is not True:
            raise Failed(_offline(asking), UNANSWERED, result)
        _document({"ok": True, "result": result})
        return
    console().print(screen(asking.site, picture, asking.view(), now))
    if picture.online is not True:
        raise Failed(_offline(asking), UNANSWERED)


def _nobody(asking: Asking) -> str:
    where = asking.client().endpoint
    return (
        f"no daemon of site {asking.site!r} has been on the broker at {where}: start `hotbed run`, or "
        "name the site and the broker with --config, or with --site, --broker and --port"
    )


def _offline(asking: Asking) -> str:
    return f"the daemon of site {asking.site!r} is not running: start it with `hotbed run`"


async def _watch(asking: Asking) -> None:
    from rich.live import Live
    from rich.text import Text

    from daemon.client import NoBroker
    from daemon.screens import Picture, console
    from daemon.screens import status as screen

    kept: dict[str, dict[str, Any]] = {}
    trouble = ""

    def shown() -> Any:
        if trouble or not kept:
            return Text(trouble or f"Waiting for the daemon of site {asking.site!r} ...")
        return screen(asking.site, Picture.of(dict(kept)), asking.view(), time.time())

    async with contextlib.AsyncExitStack() as stack:
        client = await stack.enter_async_context(_connected(asking))
        with Live(get_renderable=shown, console=console(), screen=True, refresh_per_second=REFRESH):
            while True:
                try:
                    follow = client.follow("availability", "bench", "batch", "alarm")
                    async for name, content in follow:
                        trouble = ""
                        if content is None:
                            kept.pop(name, None)
                        else:
                            kept[name] = content
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


@_command(_EVERY_DAY)
@_asks(by=True)
def sow(
    asking: Asking,
    crop: Annotated[
        str,
        typer.Argument(
            metavar="CROP",
            help="What is sown: see `hotbed crops`.",
            autocompletion=_complete_crops,
            show_default=False,
        ),
    ],
    bench: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="The bench it stands on.", autocompletion=_complete_benches
        ),
    ] = None,
    place: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Or a place without heat and lamps, such as a porch.",
            autocompletion=_complete_places,
        ),
    ] = None,
    trays: Annotated[
        float,
        typer.Option(metavar="N", help="Trays of 10 x 20 inch (254 x 508 mm); parts allowed."),
    ] = 1.0,
    cells: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Cells (or seeds) sown in all: what counts are counted against."
        ),
    ] = None,
    variety: Annotated[str, typer.Option(metavar="TEXT", help="The variety.")] = "",
    lot: Annotated[str, typer.Option(metavar="TEXT", help="Seed lot, as on the packet.")] = "",
    year: Annotated[int | None, typer.Option(metavar="YYYY", help="Year of the seed.")] = None,
    treatment: Annotated[
        str, typer.Option(metavar="TEXT", help="What was done to the seed: soaked, pelleted.")
    ] = "",
    cover: Annotated[
        bool | None,
        typer.Option(
            "--cover/--no-cover", help="Under a cover, or not; as the crop has it otherwise."
        ),
    ] = None,
    at: _At = None,
) -> None:
    """After sowing: make a batch of it, and have its bench warmed (and lit) for it from now on.

    The answer names the code to write on the label.

    $ hotbed sow lettuce --bench lower --cells 72 --variety "Joss's green"
    $ hotbed sow onion --place chamber --trays 0.5 --at "yesterday 18:00"
    """
    if (bench is None) == (place is None):
        raise wrong("where is it? Give either --bench NAME or --place NAME")
    _request(
        asking,
        "sow",
        {
            "crop": crop,
            "place": bench or place,
            "trays": trays,
            "cells": cells,
            "variety": variety,
            "lot": lot,
            "year": year,
            "treatment": treatment,
            "covered": cover,
        },
        at=at,
    )


class Stages(StrEnum):
    """Where `stage` can take a batch: the stages, then the ways it can end."""

    GERMINATION = "germination"
    SEEDLING = "seedling"
    GROWING_ON = "growing-on"
    HOLDING = "holding"
    HARDENING = "hardening"
    PLANTED_OUT = "planted-out"
    HANDED_OVER = "handed-over"
    LOST = "lost"


STAGES = tuple(one.value for one in Stages)
_ENDS = STAGES[5:]


@_command(_EVERY_DAY)
@_asks(by=True)
def stage(
    asking: Asking,
    batch: _Batch,
    to: Annotated[
        str,
        typer.Argument(
            metavar="STAGE",
            help=f"{', '.join(STAGES[:5])}; or how it ended: {', '.join(_ENDS)}.",
            autocompletion=_words(*STAGES),
            show_default=False,
        ),
    ],
    count: Annotated[
        int | None, typer.Option(metavar="N", min=0, help="How many, when it has ended.")
    ] = None,
    why: _Why = "",
    at: _At = None,
    revision: _Revision = None,
) -> None:
    """When a batch has come up, been potted on, or left: take it to its next stage, or close it.

    Its bench is steered for the new stage at once. Backward is allowed, for a slip.

    $ hotbed stage LET1 seedling
    $ hotbed stage LET1 hardening --at 2027-04-02
    $ hotbed stage LET1 planted-out --count 66
    $ hotbed stage ONI2 lost --why "damped off" --by Joss
    """
    chosen = _one_of("stage", to, STAGES)
    if chosen not in _ENDS:
        if count is not None:
            raise wrong(
                f"--count is for {', '.join(_ENDS)}; for seedlings that are up: "
                f"hotbed log {batch} emerged {count}"
            )
        arguments: dict[str, Any] = {"to": chosen, "why": why}
        _request(asking, "stage", arguments, batch=batch, at=at, revision=revision)
        return
    if chosen == Stages.LOST and not why.strip():
        raise wrong('say why it was lost, it is what next year learns from: --why "damped off"')
    arguments = {"outcome": chosen, "count": count, "why": why}
    _request(asking, "close", arguments, batch=batch, at=at, revision=revision)


@_command(_EVERY_DAY)
@_asks(by=True)
def move(
    asking: Asking,
    batch: _Batch,
    place: Annotated[
        str,
        typer.Argument(
            metavar="PLACE",
            help="The bench or place it now stands on.",
            autocompletion=_complete_places,
            show_default=False,
        ),
    ],
    trays: Annotated[
        float | None,
        typer.Option(
            metavar="N", help="Only so many of its trays; they become a batch of their own."
        ),
    ] = None,
    takes: Annotated[
        float | None,
        typer.Option(metavar="N", help="Trays it takes up there, after potting on."),
    ] = None,
    why: _Why = "",
    revision: _Revision = None,
) -> None:
    """When trays are carried elsewhere: say where a batch, or some of its trays, now stands.

    $ hotbed move LET1 upper
    $ hotbed move TOM1 upper --takes 3 --why "potted on"
    $ hotbed move TOM1 porch --trays 1
    """
    arguments = {"to": place, "trays": trays, "takes": takes, "why": why}
    _request(asking, "move", arguments, batch=batch, revision=revision)


@_command(_EVERY_DAY)
@_asks(by=True)
def log(
    asking: Asking,
    batch: Annotated[
        str | None,
        typer.Argument(
            metavar="BATCH",
            help="Code of the batch.",
            autocompletion=_complete_batches,
            show_default=False,
        ),
    ] = None,
    what: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="WHAT",
            help='watered | fed | moist 1..5 | height 6cm | emerged 61/72 | cover on|off | note "..." ; '
            "any other words are a note.",
            autocompletion=_words(*RECORDS),
            show_default=False,
        ),
    ] = None,
    at: _At = None,
    revision: _Revision = None,
    state: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="The daemon's state folder, to read history from: HOTBED_STATE or /var/lib/hotbed "
            "otherwise.",
        ),
    ] = None,
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
    $ hotbed log LET1
    $ hotbed log --follow
    """
    if what and batch is not None:
        if follow or state is not None:
            raise wrong(
                "--follow and --state are for reading; leave them out to write something down"
            )
        try:
            arguments = record(what)
        except ValueError as error:
            raise wrong(str(error)) from None
        _request(asking, "log", arguments, batch=batch, at=at, revision=revision)
        return
    if at is not None or revision is not None:
        raise wrong("what happened then? For example: hotbed log LET1 watered --at 08:30")
    if follow:
        with contextlib.suppress(KeyboardInterrupt):
            _run(_follow(asking, batch, all_))
        return
    _history(asking, batch, _state(state), last, all_)


def _state(given: Path | None) -> Path:
    if given is None and (named := os.environ.get("HOTBED_STATE")):
        given = Path(named)
    if given is None and _there(STATE):
        given = STATE
    if given is None:
        raise Failed(
            "whose history? Name the daemon's state folder (the one of `hotbed run --state DIR`) with "
            "--state DIR or HOTBED_STATE"
        )
    return given


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
        _document({"ok": True, "result": {"events": events}})
        return
    console().print(history(shown, asking.view()))


async def _follow(asking: Asking, batch: str | None, everything: bool) -> None:
    from daemon.events import Event
    from daemon.screens import console, event_line

    screen, view = console(), asking.view()
    wanted = None if batch is None else batch.strip().upper()
    async with _connected(asking) as client:
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


@_command(_EVERY_DAY)
@_asks(by=True)
def keep(
    asking: Asking,
    bench: Annotated[
        str, typer.Argument(metavar="BENCH", autocompletion=_complete_benches, show_default=False)
    ],
    relay: Annotated[
        str,
        typer.Argument(
            metavar="lamp|mat", autocompletion=_words("lamp", "mat"), show_default=False
        ),
    ],
    to: Annotated[
        str,
        typer.Argument(
            metavar="on|off|auto", autocompletion=_words("on", "off", "auto"), show_default=False
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
        "relay": _one_of("relay", relay, ("lamp", "mat")),
        "to": _one_of("such wish as", to, ("on", "off", "auto")),
    }
    if span is not None:
        if arguments["to"] != "on":
            raise wrong("--for goes with on; off stays until you release it with auto")
        from daemon.requests import MAX_KEEP

        arguments["seconds"] = _seconds(span, 60, MAX_KEEP)
    _request(asking, "keep", arguments)


_ACTIONS = ("ack", "reset", "snooze")


@_command(_EVERY_DAY)
@_asks(by=True)
def alarms(
    asking: Asking,
    action: Annotated[
        str | None,
        typer.Argument(
            metavar="ack|reset|snooze", autocompletion=_words(*_ACTIONS), show_default=False
        ),
    ] = None,
    alarm: Annotated[
        str | None,
        typer.Argument(metavar="ALARM", autocompletion=_complete_alarms, show_default=False),
    ] = None,
    span: Annotated[
        str | None,
        typer.Option(
            "--for", metavar="TIME", help="How long it is snoozed: 30m, 2h, 1d. An hour otherwise."
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
    chosen = _one_of("action", action, _ACTIONS)
    if alarm is None:
        raise wrong(f"which alarm? `hotbed alarms` lists them; then: hotbed alarms {chosen} ALARM")
    if span is not None and chosen != "snooze":
        raise wrong("--for goes with snooze")
    arguments: dict[str, Any] = {"alarm": alarm}
    if span is not None:
        arguments["seconds"] = _seconds(span, 60, 7 * _UNITS["d"])
    _request(asking, "acknowledge" if chosen == "ack" else chosen, arguments)


def _list_alarms(asking: Asking) -> None:
    async def look() -> dict[str, dict[str, Any]]:
        async with _connected(asking) as client:
            return await client.gather()

    kept = _run(look())
    if not kept:
        raise Failed(_nobody(asking), UNANSWERED)
    from daemon.screens import Picture, console
    from daemon.screens import alarms as screen

    picture = Picture.of(kept)
    standing = [one.model_dump(by_alias=True) for one in picture.alarms]
    if asking.as_json and picture.online is True:
        _document({"ok": True, "result": {"alarms": standing}})
        return
    # That there were none is no news of today.
    if not asking.as_json and (picture.online or picture.alarms):
        console().print(screen(picture.alarms, asking.view(), _daemon_time(kept).timestamp()))
    if picture.online is not True:
        raise Failed(_offline(asking), UNANSWERED, {"alarms": standing})


# --- the commands: looking up --------------------------------------------------------------------


@_command(_LOOKING_UP)
def crops(
    action: Annotated[
        str | None,
        typer.Argument(metavar="show", autocompletion=_words("show"), show_default=False),
    ] = None,
    crop: Annotated[
        str | None,
        typer.Argument(metavar="CROP", autocompletion=_complete_crops, show_default=False),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="A folder of crops of your own, laid over the shipped ones."
        ),
    ] = None,
    config: _Config = None,
    as_json: _Json = False,
) -> None:
    """Before sowing: which crops are known, and what each wants at each stage, with the source.

    $ hotbed crops
    $ hotbed crops show lettuce
    $ hotbed crops --folder my-crops
    """
    from daemon.screens import View, console, crop_sheet
    from daemon.screens import crops as screen
    from profiles.library import UnknownCrop

    # Crops are read without a daemon, and so without a configuration too.
    path = find_config(config)
    found = _load(path) if path is not None else None
    if folder is None and found is not None:
        folder = found.site.crops
    view = View(None, found.site.units if found is not None else "C")
    library = _library(folder)
    if action is None:
        if as_json:
            _document({"ok": True, "result": {"crops": list(library.crops)}})
        else:
            console().print(screen(library, view))
        return
    if action != "show":
        with contextlib.suppress(UnknownCrop):
            action = library.crop(action).name
        raise wrong(f"no action {action!r}; for one crop: hotbed crops show {action}")
    if crop is None:
        raise wrong(f"which one? hotbed crops show CROP, one of {', '.join(library.crops)}")
    try:
        one = library.crop(crop)
    except UnknownCrop as error:
        raise Failed(str(error)) from None
    if as_json:
        sources = {key: source.model_dump() for key, source in library.sources.items()}
        figures = one.model_dump(mode="json", exclude={"emergence"})
        figures["emergence"] = {"days": one.emergence.points, "never": one.emergence.never}
        _document({"ok": True, "result": {"crop": figures, "sources": sources}})
    else:
        console().print(crop_sheet(one, library, view))


def _library(folder: Path | None) -> Library:
    from profiles.library import ProfileError, load_library

    try:
        return load_library(folder)
    except ProfileError as error:
        raise Failed(str(error)) from None


# --- the commands: running it --------------------------------------------------------------------


@_command(_RUNNING)
def run(
    config: _Config = None,
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
    level = _one_of("log level", log_level, ("debug", "info", "warning", "error"))
    if speed is not None and not simulate:
        raise wrong("--speed goes with --simulate: real seedlings take their time")
    if simulate:
        # Never a folder or a file that a real site might be using, unless they are named.
        if state is None:
            raise wrong("where may the simulation keep its journal? For example: --state sim-state")
    else:
        config = _config(config)
        state = state or Path(os.environ.get("HOTBED_STATE") or STATE)
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


@_command(_RUNNING)
def rehearse(
    days: Annotated[int, typer.Option(metavar="N", min=1, max=400, help="How many days.")] = 56,
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
    as_json: _Json = False,
) -> None:
    """Before the season: run it in seconds on benches that aren't there, and see how it would go.

    $ hotbed rehearse
    $ hotbed rehearse --days 28 --start 2027-03-01 --seed 3
    $ hotbed rehearse --config hotbed.toml --faults faults.toml
    """
    if start is not None:
        try:
            if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", start, re.ASCII):
                raise ValueError
            date.fromisoformat(start)
        except ValueError:
            raise wrong(f"--start: {start!r}; allowed: a date, such as 2027-02-15") from None
    from daemon.rehearsal import command

    said = io.StringIO()
    with contextlib.redirect_stderr(said) if as_json else contextlib.nullcontext():
        status = command(days, start, config, seed, faults, as_json)
    if as_json and status:
        raise Failed(re.sub(r"^hotbed: ", "", said.getvalue().strip(), flags=re.MULTILINE), status)
    raise typer.Exit(status)


@_command(_RUNNING)
def check(config: _Config = None, as_json: _Json = False) -> None:
    """Before you trust it, and whenever a probe is lost: look over configuration, probes and broker.

    Names every problem, where it is and how to mend it. Switches nothing; exit status 1 when there is
    a problem.

    $ hotbed check
    $ hotbed check --config hotbed.toml
    """
    from daemon.check import check as look
    from daemon.screens import console, findings

    path = _config(config)
    with _quiet():
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
        _document({"ok": True, "result": result})
        return
    screen = console()
    screen.print(findings(found, ascii_only=screen.options.ascii_only))
    raise typer.Exit(FAILED if problems else DONE)


@_command(_RUNNING)
def off(config: _Config = None, as_json: _Json = False) -> None:
    """In an emergency, or before work at the wiring: every lamp and mat off, daemon or no daemon.

    A running daemon is told to keep them off until `hotbed keep BENCH lamp|mat auto`. It is no
    isolator: pull the plugs before you touch anything.

    $ hotbed off
    """
    path = _config(config)
    _load(path)
    from daemon.app import off as drive_off
    from daemon.screens import plain
    from daemon.wire import WireError

    try:
        with _quiet():
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
        _document({"ok": True, "result": result})


def main() -> None:
    """The console entry point."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that lacks a sign shows another, and is no reason to fail.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    app(prog_name="hotbed")


if __name__ == "__main__":
    main()
