"""Which daemon is asked, over which broker, by whom; and the asking itself."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import getpass
import inspect
import logging
import os
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from daemon.cli.program import UNANSWERED, Failed, document, wrong
from daemon.cli.words import moment

if TYPE_CHECKING:
    from daemon.client import Answer, Client
    from daemon.config import Config, Mqtt
    from daemon.screens import View
    from profiles.units import Units

T = TypeVar("T")

#: How long an answer is waited for [s].
PATIENCE = 10.0
#: Where a configuration is looked for when none is named.
CONFIGS = (Path("hotbed.toml"), Path("/etc/hotbed/hotbed.toml"))
#: The daemon's state folder when none is named.
STATE = Path("/var/lib/hotbed")

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


def need_config(given: Path | None) -> Path:
    """The configuration file, for a command that can't do without."""
    path = find_config(given)
    if path is None:
        raise Failed(
            f"there is no configuration: name one with --config, or make {CONFIGS[1]} from the example "
            "file hotbed.toml.example"
        )
    return path


def load_config(path: Path) -> Config:
    """The configuration, or the end of the command with its problems."""
    from daemon.config import ConfigError, load

    try:
        return load(path)
    except ConfigError as error:
        raise Failed(str(error)) from None


def daemon_meant(
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
        found = load_config(path)
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


def person_meant(
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
    return replace(daemon_meant(config, broker, port, site, as_json), by=name)


WHICH_DAEMON = tuple(inspect.signature(daemon_meant, eval_str=True).parameters.values())
_BY = inspect.signature(person_meant, eval_str=True).parameters["by"]


def asks(*, by: bool) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command the options that say which daemon (and who asks), and it an `Asking`, first."""
    shared = (_BY, *WHICH_DAEMON) if by else WHICH_DAEMON

    def given_to(command: Callable[..., None]) -> Callable[..., None]:
        own = list(inspect.signature(command, eval_str=True).parameters.values())[1:]
        every = [one.replace(kind=one.KEYWORD_ONLY) for one in (*own, *shared)]

        @functools.wraps(command)
        def run(**options: Any) -> None:
            asking = (person_meant if by else daemon_meant)(
                **{one.name: options.pop(one.name) for one in shared}
            )
            command(asking, **options)

        run.__signature__ = inspect.Signature(every)  # type: ignore[attr-defined]
        run.__annotations__ = {one.name: one.annotation for one in every}
        return run

    return given_to


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Without the log lines of the libraries: what matters to a person is raised or returned."""
    logging.disable()
    try:
        yield
    finally:
        logging.disable(logging.NOTSET)


def carry_out(work: Coroutine[Any, Any, T]) -> T:
    """Carry out what talks to a broker, its problems told plainly."""
    from daemon.client import NobodyAnswered
    from daemon.wire import WireError

    try:
        with quiet():
            return asyncio.run(work)
    except NobodyAnswered as error:
        raise Failed(str(error), UNANSWERED) from None
    except WireError as error:
        raise Failed(
            f"{error}: ask as a user who may read it, or correct the configuration"
        ) from None


def kept_by_broker(asking: Asking) -> dict[str, dict[str, Any]]:
    """What the broker keeps of the site, or the end of the command where it is nothing."""

    async def look() -> dict[str, dict[str, Any]]:
        async with connected(asking) as client:
            return await client.gather()

    kept = carry_out(look())
    if not kept:
        raise Failed(nobody(asking), UNANSWERED)
    return kept


@contextlib.asynccontextmanager
async def connected(asking: Asking) -> AsyncIterator[Client]:
    """A connection to the daemon's broker, or the end of the command."""
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


def request(
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
        async with connected(asking) as client:
            if batch is not None or at is not None:
                kept = await client.gather()
                known = kept.get(f"batch/{(batch or '').strip().upper()}", {}).get("revision")
                if isinstance(known, int):
                    asked.setdefault("revision", known)
                if at is not None:
                    when = moment(at, daemon_time(kept), asking.zone)
                    asked["at"] = when.isoformat(timespec="seconds")
            # No longer valid than we wait: nothing is done after we said that nobody answered.
            return await client.ask(kind, asked, by=asking.by, valid_for=PATIENCE, timeout=PATIENCE)

    answer = carry_out(exchange())
    if not answer.ok:
        raise Failed(answer.error or "refused without a reason")
    tell_answer(asking, answer.result or {})


def daemon_time(kept: Mapping[str, Mapping[str, Any]]) -> datetime:
    """The daemon's present, which on the simulator may be days ahead; else this machine's."""
    times = []
    for topic, content in kept.items():
        if topic.startswith("bench/") and kept.get("availability", {}).get("state") == "online":
            with contextlib.suppress(ValueError, TypeError, KeyError):
                at = datetime.fromisoformat(content["at"])
                times += [at] if at.tzinfo is not None else []
    return max(times, default=datetime.now(UTC))


def tell_answer(asking: Asking, result: Mapping[str, Any]) -> None:
    """What the daemon answered, with what follows from it."""
    if asking.as_json:
        document({"ok": True, "result": result})
        return
    from daemon.screens import plain

    typer.echo(plain(str(result.get("text", "done"))))
    for name, aim in (result.get("benches") or {}).items():
        typer.echo(plain(f"  {name} is now {aim}"))
    for note in result.get("notes") or ():
        typer.echo(plain(f"  note: {note}"))
    ahead = result.get("germinating")
    if isinstance(ahead, Mapping):
        _tell_germinating(ahead, asking)


def _tell_germinating(ahead: Mapping[str, Any], asking: Asking) -> None:
    """What the bench's aim, and the temperatures beside it, come to for what was sown."""
    from pydantic import TypeAdapter, ValidationError

    from daemon.screens import console
    from daemon.screens.crops import Trades, trades
    from profiles.setpoint import Trade

    # A daemon of another release may answer otherwise: then the rest is told without it.
    with contextlib.suppress(ValidationError, KeyError, TypeError, ValueError):
        rows = TypeAdapter(tuple[Trade, ...]).validate_python(ahead["temperatures"])
        found = Trades(
            rows,
            float(ahead["room_c"]),
            float(ahead["trays"]),
            float(ahead["aim_c"]),
            measured=bool(ahead["room_measured"]),
            stand_in=str(ahead.get("stand_in", "")),
        )
        console().print()
        console().print(trades(found, asking.view()))


def nobody(asking: Asking) -> str:
    """What is said where the broker keeps nothing of the site."""
    where = asking.client().endpoint
    return (
        f"no daemon of site {asking.site!r} has been on the broker at {where}: start `hotbed run`, or "
        "name the site and the broker with --config, or with --site, --broker and --port"
    )


def offline(asking: Asking) -> str:
    """What is said where the daemon has stopped."""
    return f"the daemon of site {asking.site!r} is not running: start it with `hotbed run`"


def usual_state() -> Path:
    """The daemon's state folder where none is given: HOTBED_STATE, or the system's."""
    return Path(os.environ.get("HOTBED_STATE") or STATE)


def state_folder(given: Path | None) -> Path:
    """The state folder to read history from; the usual one only if it is there, or named."""
    found = given or usual_state()
    if given is None and found == STATE and not _there(STATE):
        raise Failed(
            "whose history? Name the daemon's state folder (the one of `hotbed run --state DIR`) with "
            "--state DIR or HOTBED_STATE"
        )
    return found
