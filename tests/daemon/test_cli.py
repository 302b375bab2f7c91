"""The command line: what it asks for, what it tells and how it ends, the daemon played by the test."""

from __future__ import annotations

import asyncio
import io
import json
import os
import shlex
import subprocess
import sys
from collections.abc import AsyncIterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Self
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from rich.console import Console
from typer.testing import CliRunner, Result

import daemon.app
import daemon.client
import daemon.rehearsal
import daemon.screens
from daemon.cli import app, asking, batches, main, watching
from daemon.cli.words import RECORDS, duration, entry, moment, record
from daemon.client import Answer, NobodyAnswered, NoBroker
from daemon.config import Mqtt
from daemon.events import Event
from daemon.journal import Journal
from daemon.requests import KINDS
from profiles.model import Stage

ROOT = Path(__file__).parents[2]
BERLIN = ZoneInfo("Europe/Berlin")
CONFIG = """
schema = 1
[site]
name = "shed"
zone = "America/New_York"
units = "F"
[mqtt]
broker = "broker.example"
[bench.east]
trays = 2
lamp = { watts = 40, device = { driver = "simulated" } }
"""


class Daemon:
    """The daemon as the command line sees it through a `Client`."""

    def __init__(self) -> None:
        self.kept: dict[str, dict[str, Any]] = {
            "availability": {"state": "online"},
            "bench/lower": bench("lower"),
            "batch/LET1": {"revision": 7},
        }
        self.answer = Answer(True, {"text": "LET1: done", "notes": [], "benches": {}})
        self.error: Exception | None = None
        self.asked: list[tuple[str, dict[str, Any], str]] = []
        self.where: list[tuple[Mqtt, str, int | None]] = []
        self.events: list[dict[str, Any]] = []

    def client(self, settings: Mqtt, site: str, *, port: int | None = None) -> _Client:
        self.where.append((settings, site, port))
        return _Client(self)


class _Client:
    endpoint = "127.0.0.1:18830"

    def __init__(self, daemon: Daemon) -> None:
        self.daemon = daemon

    async def __aenter__(self) -> Self:
        if isinstance(self.daemon.error, NoBroker):
            raise self.daemon.error
        return self

    async def __aexit__(self, *_: object) -> None:
        pass

    async def gather(self) -> dict[str, dict[str, Any]]:
        return self.daemon.kept

    async def ask(
        self,
        kind: str,
        arguments: Mapping[str, Any],
        *,
        by: str,
        valid_for: float,
        timeout: float,  # noqa: ASYNC109 - as the client has it
    ) -> Answer:
        assert valid_for <= timeout  # else it may still be done when nobody waits for it
        if self.daemon.error is not None:
            raise self.daemon.error
        KINDS[kind].model_validate(arguments)
        json.dumps(arguments)
        self.daemon.asked.append((kind, dict(arguments), by))
        return self.daemon.answer

    async def follow(self, *kinds: str) -> AsyncIterator[tuple[str, dict[str, Any]]]:
        for event in self.daemon.events:
            yield "event", event
        raise NoBroker("the connection to 127.0.0.1:18830 was lost")


def bench(name: str) -> dict[str, Any]:
    aim = dict.fromkeys(("soil", "soil_range", "ceiling", "air_day", "air_night", "dli"))
    return {
        "schema": 1,
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        "bench": name,
        "title": "Lower shelf",
        "trays": 2.0,
        "trays_taken": 0.0,
        "soil": 20.0,
        "air": None,
        "room": None,
        "readings": [{"probe": "f", "measures": "soil", "celsius": 20.0, "quality": "ok"}],
        "aim": aim | {"light_hours": 0.0},
        "lamp": None,
        "mat": None,
        "safety_stops": [],
        "conflicts": [],
        "batches": [],
        "covered": False,
    }


@pytest.fixture(autouse=True)
def _alone(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Nothing of this machine: no configuration, no state, no wishes in the environment."""
    for name in [one for one in os.environ if one.startswith("HOTBED_")] + ["SUDO_USER"]:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("LOGNAME", "marit")
    monkeypatch.setattr(asking, "CONFIGS", (Path("hotbed.toml"), tmp_path / "etc" / "hotbed.toml"))
    monkeypatch.setattr(asking, "STATE", tmp_path / "var")
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def played(monkeypatch: pytest.MonkeyPatch) -> Daemon:
    """A daemon that does what it is asked."""
    one = Daemon()
    monkeypatch.setattr(daemon.client, "Client", one.client)
    return one


def hotbed(*words: str, env: Mapping[str, str] | None = None) -> Result:
    return CliRunner(env=env).invoke(app, list(words), prog_name="hotbed", catch_exceptions=False)


def refused(*words: str, status: int) -> str:
    """What is said on standard error by a command that must end so."""
    done = hotbed(*words)
    assert done.exit_code == status, done.output
    assert done.stdout == ""
    assert all(line.startswith("hotbed: ") for line in done.stderr.splitlines())
    # The same for a program: one document, nothing else anywhere.
    told = hotbed(*words, "--json")
    assert told.exit_code == status
    assert told.stderr == ""
    document = json.loads(told.stdout)
    assert document["ok"] is False
    assert document["error"]
    return done.stderr


# --- help ----------------------------------------------------------------------------------------

COMMANDS = (
    "status", "sow", "move", "stage", "log", "keep", "alarms", "report", "plan", "mix", "light", "crops",
    "run", "rehearse", "check", "off",
)  # fmt: skip


def every_command() -> dict[str, str]:
    """The docstring of each command, and of those that others have, by its words."""
    found = {}
    for one in app.registered_commands:
        assert one.callback is not None
        found[one.callback.__name__] = one.callback.__doc__ or ""
    for group in app.registered_groups:
        assert group.typer_instance is not None
        for one in group.typer_instance.registered_commands:
            assert one.callback is not None
            found[f"{group.name} {one.name}"] = one.callback.__doc__ or ""
    return found


@pytest.mark.parametrize("command", [*COMMANDS, *every_command()])
def test_the_help_of_each_command_has_an_example_that_is_this_command(command: str) -> None:
    done = hotbed(*command.split(), "--help")
    assert done.exit_code == 0
    assert f"$ hotbed {command}" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_a_command_that_has_others_alone_says_which() -> None:
    done = hotbed("light")
    assert done.exit_code == 0
    assert "reading" in done.stdout


def test_without_a_command_the_help_says_where_to_begin_and_what_there_is() -> None:
    done = hotbed()
    assert done.exit_code == 0
    assert "hotbed run --simulate --state" in done.stdout
    for command in COMMANDS:
        assert f" {command} " in done.stdout


def test_every_example_of_the_help_is_understood(
    played: Daemon, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Wrong usage, status 2, is what an example must not end with."""
    monkeypatch.setattr(daemon.app, "run", lambda **_: 0)
    monkeypatch.setattr(daemon.app, "off", lambda path: (0, ["east/lamp: off"]))
    monkeypatch.setattr(daemon.rehearsal, "command", lambda *_: 0)
    monkeypatch.setattr("daemon.campaign.run.told", lambda *_, **__: 0)
    monkeypatch.setattr(daemon.cli.vigil, "carry_out", lambda work: work.close())
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    examples = 0
    for command, doc in every_command().items():
        for block in doc.split("\n"):
            if not block.strip().startswith("$ hotbed ") or "--watch" in block:
                continue
            examples += 1
            words = shlex.split(block.strip().removeprefix("$ hotbed "))
            assert " ".join(words).startswith(command)
            assert hotbed(*words).exit_code in (0, 1, 3), block
    assert examples > 40


@pytest.mark.parametrize(
    ("words", "near"),
    [
        (["stauts"], "status"),
        (["alarm"], "alarms"),
        (["status", "--jsno"], "--json"),
        (["sow", "lettuce", "--bnech", "lower"], "--bench"),
        (["stage", "LET1", "sedling"], "seedling"),
        (["stage", "LET1", "planted"], "planted-out"),
        (["keep", "lower", "matt", "on"], "mat"),
        (["keep", "lower", "mat", "of"], "off"),
        (["alarms", "akc", "x"], "ack"),
        (["log", "LET1", "waterd"], "watered"),
        (["run", "--simulate", "--state", "s", "--log-level", "warn"], "warning"),
    ],
)
def test_a_slip_in_a_word_gets_the_nearest_that_is_known(
    words: list[str], near: str, played: Daemon
) -> None:
    done = hotbed(*words)
    assert done.exit_code == 2
    assert near in done.stderr
    assert "Traceback" not in done.output
    assert played.asked == []


# --- which daemon --------------------------------------------------------------------------------


def test_without_a_configuration_the_simulator_is_asked(played: Daemon) -> None:
    hotbed("keep", "lower", "mat", "off")
    ((settings, site, port),) = played.where
    assert (settings.broker, settings.port, site, port) == ("embedded", 18830, "alder-lane", None)


def test_a_configuration_is_taken_from_option_environment_here_or_etc_in_this_order(
    played: Daemon, tmp_path: Path
) -> None:
    def site(*words: str, env: Mapping[str, str] | None = None) -> str:
        assert hotbed("keep", "east", "lamp", "off", *words, env=env).exit_code == 0
        return played.where[-1][1]

    def write(path: Path, name: str) -> Path:
        path.parent.mkdir(exist_ok=True)
        path.write_text(CONFIG.replace('"shed"', f'"{name}"'))
        return path

    write(tmp_path / "etc" / "hotbed.toml", "in-etc")
    assert site() == "in-etc"
    write(tmp_path / "hotbed.toml", "here")
    assert site() == "here"
    env = {"HOTBED_CONFIG": str(write(tmp_path / "env.toml", "in-environment"))}
    assert site(env=env) == "in-environment"
    given = str(write(tmp_path / "given.toml", "given"))
    assert site("--config", given, env=env) == "given"


def test_options_go_before_what_the_configuration_says(played: Daemon, tmp_path: Path) -> None:
    (tmp_path / "hotbed.toml").write_text(CONFIG)
    hotbed(
        "keep", "east", "lamp", "off", "--broker", "10.0.0.7", "--site", "barn", "--port", "1884"
    )
    ((settings, site, port),) = played.where
    assert (settings.broker, site, port) == ("10.0.0.7", "barn", 1884)
    hotbed("keep", "east", "lamp", "off", env={"HOTBED_PORT": "1885", "HOTBED_SITE": "loft"})
    assert played.where[-1][1:] == ("loft", 1885)


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is hidden from root")
def test_a_configuration_that_may_not_be_read_is_not_passed_over(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir(mode=0o000)
    try:
        assert "Permission denied" in refused("status", status=1)
    finally:
        (tmp_path / "etc").chmod(0o755)


def test_a_refused_configuration_is_told_line_by_line(tmp_path: Path) -> None:
    (tmp_path / "hotbed.toml").write_text(CONFIG.replace("trays = 2", "trays = 200\nmatt = 1"))
    said = refused("status", status=1)
    assert "bench.east.trays: 200" in said
    assert "did you mean 'mat'?" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--broker", "a host"], "--broker: broker: 'a host'"),
        (["--site", "a/b"], "--site: 'a/b'"),
        (["--port", "70000"], "65535"),
    ],
)
def test_where_to_ask_is_looked_at_before_anybody_is_asked(
    words: list[str], said: str, played: Daemon
) -> None:
    assert said in refused("status", *words, status=2)


def test_no_broker_is_status_3_and_says_how_to_name_one(played: Daemon) -> None:
    played.error = NoBroker("127.0.0.1:18830 refused the connection")
    for words in (
        ("status",),
        ("alarms",),
        ("keep", "lower", "mat", "off"),
        ("log", "LET1", "fed"),
    ):
        said = refused(*words, status=3)
        assert "no configuration was found, so the simulator was meant" in said
        assert "--broker" in said


def test_no_answer_is_status_3(played: Daemon) -> None:
    played.error = NobodyAnswered("nobody answered within 10 s")
    assert "nobody answered" in refused("keep", "lower", "mat", "off", status=3)


def test_a_password_that_may_not_be_read_is_told_with_its_file(tmp_path: Path) -> None:
    secret = 'broker = "broker.example"\nusername = "hotbed"\npassword_file = "gone"'
    (tmp_path / "hotbed.toml").write_text(CONFIG.replace('broker = "broker.example"', secret))
    said = refused("status", status=1)
    assert "mqtt.password_file" in said
    assert "a user who may read it" in said


# --- who asks ------------------------------------------------------------------------------------


def test_the_one_who_asks_is_named_by_option_environment_or_login(
    played: Daemon, monkeypatch: pytest.MonkeyPatch
) -> None:
    def who(*words: str) -> str:
        assert hotbed("keep", "lower", "mat", "off", *words).exit_code == 0
        return played.asked[-1][2]

    assert who() == "marit"
    monkeypatch.setenv("SUDO_USER", "joss")
    assert who() == "joss"
    monkeypatch.setenv("HOTBED_BY", "Joss")
    assert who() == "Joss"
    assert who("--by", "Marit") == "Marit"


@pytest.mark.parametrize("name", ["x" * 41, "a\x1bb", " "])
def test_a_name_that_the_journal_would_refuse_is_refused_at_once(name: str, played: Daemon) -> None:
    assert "--by" in refused("keep", "lower", "mat", "off", "--by", name, status=2)


# --- requests ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "kind", "arguments"),
    [
        (
            "sow lettuce --bench lower --trays 0.5 --cells 36 --variety 'Joss green' --lot A7 "
            "--year 2026 --treatment pelleted --no-cover",
            "sow",
            {
                "crop": "lettuce", "place": "lower", "trays": 0.5, "cells": 36, "lot": "A7",
                "variety": "Joss green", "year": 2026, "treatment": "pelleted", "covered": False,
            },
        ),
        ("sow onion --place porch", "sow", {"crop": "onion", "place": "porch", "trays": 1.0}),
        ("stage LET1 Growing_On", "stage", {"batch": "LET1", "to": "growing-on", "revision": 7}),
        ("stage let1 seedling", "stage", {"batch": "let1", "to": "seedling", "revision": 7}),
        ("stage LET1 holding --revision 4", "stage",
         {"batch": "LET1", "to": "holding", "revision": 4}),
        ("stage LET1 planted-out --count 66", "close",
         {"batch": "LET1", "outcome": "planted-out", "count": 66, "revision": 7}),
        ("stage LET1 lost --why 'the cat' --count 0", "close",
         {"batch": "LET1", "outcome": "lost", "count": 0, "why": "the cat", "revision": 7}),
        ("stage TOM9 seedling", "stage", {"batch": "TOM9", "to": "seedling"}),
        ("move LET1 upper --trays 1 --takes 2 --why potted", "move",
         {"batch": "LET1", "to": "upper", "trays": 1.0, "takes": 2.0, "why": "potted",
          "revision": 7}),
        ("log LET1 emerged 30/36", "log",
         {"batch": "LET1", "what": "emerged", "value": 30.0, "of": 36, "revision": 7}),
        ("log LET1 pale leaves", "log",
         {"batch": "LET1", "what": "note", "text": "pale leaves", "revision": 7}),
        ("keep lower lamp on", "keep", {"bench": "lower", "relay": "lamp", "to": "on"}),
        ("keep lower lamp on --for 1h30m", "keep",
         {"bench": "lower", "relay": "lamp", "to": "on", "seconds": 5400.0}),
        ("keep lower mat auto", "keep", {"bench": "lower", "relay": "mat", "to": "auto"}),
        ("alarms ack probe-lost.x", "acknowledge", {"alarm": "probe-lost.x"}),
        ("alarms reset probe-lost.x", "reset", {"alarm": "probe-lost.x"}),
        ("alarms snooze probe-lost.x --for 1d", "snooze",
         {"alarm": "probe-lost.x", "seconds": 86400.0}),
    ],
)  # fmt: skip
def test_a_command_becomes_this_request(
    line: str, kind: str, arguments: dict[str, Any], played: Daemon
) -> None:
    done = hotbed(*shlex.split(line))
    assert done.exit_code == 0, done.output
    assert played.asked == [(kind, arguments, "marit")]
    assert done.stdout == "LET1: done\n"


def test_the_answer_is_told_with_what_follows_from_it(played: Daemon) -> None:
    result = {
        "text": "LET1: lettuce sown",
        "benches": {"lower": "aiming for soil at 19.5 °C"},
        "notes": ["it needs light\x1b[31m"],
    }
    played.answer = Answer(True, result)
    assert hotbed("sow", "lettuce", "--bench", "lower").stdout.splitlines() == [
        "LET1: lettuce sown",
        "  lower is now aiming for soil at 19.5 °C",
        "  note: it needs light [31m",
    ]
    told = json.loads(hotbed("sow", "lettuce", "--bench", "lower", "--json").stdout)
    assert told == {"ok": True, "result": result}


def test_a_refusal_is_status_1_and_its_reason(played: Daemon) -> None:
    played.answer = Answer(False, error="no crop 'letuce'; did you mean 'lettuce'?")
    said = refused("sow", "letuce", "--bench", "lower", status=1)
    assert said == "hotbed: no crop 'letuce'; did you mean 'lettuce'?\n"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("sow lettuce", "--bench"),
        ("sow lettuce --bench a --place b", "--bench"),
        ("stage LET1 lost", "--why"),
        ("stage LET1 lost --why ' '", "--why"),
        ("stage LET1 seedling --count 3", "log LET1 emerged 3"),
        ("keep lower mat off --for 1h", "--for goes with on"),
        ("keep lower mat on --for 59s", "1m to 12h"),
        ("keep lower mat on --for 13h", "1m to 12h"),
        ("keep lower mat on --for 30", "90s"),
        ("alarms ack", "which alarm"),
        ("alarms ack x --for 1h", "--for goes with snooze"),
        ("alarms --for 1h", "--for goes with snooze"),
        ("alarms snooze x --for 8d", "1m to 7d"),
        ("log LET1 watered --at 25:00", "yesterday 18:00"),
        ("log LET1 height 6", "6cm"),
        ("log LET1 fed --follow", "--follow"),
        ("log LET1 --at 08:30", "what happened then"),
        ("crops lettuce", "crops show lettuce"),
        ("crops show", "which one"),
        ("run --speed 60", "--speed goes with --simulate"),
        ("run --simulate", "--state"),
        ("rehearse --start 2027-02-30", "a date"),
        ("status --watch", "--watch"),
    ],
)
def test_wrong_usage_is_status_2_says_what_is_right_and_asks_nobody(
    line: str, said: str, played: Daemon
) -> None:
    words = shlex.split(line)
    done = hotbed(*words)
    assert done.exit_code == 2, done.output
    assert said in done.stderr
    assert played.asked == []


def test_a_date_is_by_the_site_s_clock_and_goes_out_with_its_zone(
    played: Daemon, tmp_path: Path
) -> None:
    hotbed("stage", "LET1", "seedling", "--at", "2027-03-14 08:30")
    assert played.asked[-1][1]["at"] == "2027-03-14T08:30:00+01:00"  # the simulator's Berlin
    (tmp_path / "hotbed.toml").write_text(CONFIG)
    hotbed("sow", "lettuce", "--bench", "east", "--at", "2027-07-14 08:30")
    assert played.asked[-1][1]["at"] == "2027-07-14T08:30:00-04:00"


def test_today_is_the_daemon_s_day_which_on_the_simulator_may_be_another(played: Daemon) -> None:
    played.kept["bench/lower"]["at"] = "2031-05-02T10:00:00Z"
    hotbed("sow", "lettuce", "--bench", "lower", "--at", "yesterday 18:00")
    assert played.asked[-1][1]["at"] == "2031-05-01T18:00:00+02:00"
    played.kept["availability"]["state"] = "offline"  # what it said is old then
    hotbed("sow", "lettuce", "--bench", "lower", "--at", "yesterday 18:00")
    yesterday = datetime.now(BERLIN) - timedelta(days=1)
    assert played.asked[-1][1]["at"].startswith(f"{yesterday:%Y-%m-%d}T18:00:00")


# --- status --------------------------------------------------------------------------------------


def test_status_shows_the_site_and_for_a_program_all_that_is_kept(played: Daemon) -> None:
    del played.kept["batch/LET1"]
    done = hotbed("status")
    assert done.exit_code == 0
    assert "Lower shelf" in done.stdout
    told = json.loads(hotbed("status", "--json").stdout)
    assert told["ok"] is True
    assert told["result"]["benches"] == {"lower": played.kept["bench/lower"]}
    assert (told["result"]["batches"], told["result"]["alarms"]) == ({}, {})


def test_an_offline_daemon_s_last_state_is_shown_and_the_status_is_3(played: Daemon) -> None:
    played.kept["availability"]["state"] = "offline"
    done = hotbed("status")
    assert done.exit_code == 3
    assert "last known state" in done.stdout
    assert "Lower shelf" in done.stdout
    assert "not running" in done.stderr
    told = hotbed("status", "--json")
    assert told.exit_code == 3
    document = json.loads(told.stdout)
    assert document["ok"] is False
    assert document["result"]["benches"]["lower"]["soil"] == 20.0


def test_a_broker_without_a_trace_of_the_site_is_status_3_and_names_it(played: Daemon) -> None:
    played.kept = {}
    said = refused("status", "--site", "barn", status=3)
    assert "'barn'" in said
    assert "127.0.0.1:18830" in said
    assert "'alder-lane'" in refused("alarms", status=3)


def test_alarms_are_listed_and_for_a_program_as_they_are_kept(played: Daemon) -> None:
    assert hotbed("alarms").stdout.strip() == "No alarms."
    assert json.loads(hotbed("alarms", "--json").stdout)["result"] == {"alarms": []}
    played.kept["availability"]["state"] = "offline"
    assert "not running" in refused("alarms", status=3)  # and not that there are none


@pytest.mark.parametrize("subject", [None, "LOWER"])
async def test_the_live_picture_follows_and_comes_back_after_a_lost_broker(
    played: Daemon, monkeypatch: pytest.MonkeyPatch, subject: str | None
) -> None:
    drawn = io.StringIO()
    screen = Console(file=drawn, force_terminal=True, width=80, height=40, color_system=None)
    monkeypatch.setattr(daemon.screens, "console", lambda: screen)
    monkeypatch.setattr(watching, "REFRESH", 50.0)
    monkeypatch.setattr(watching, "RECONNECT", 0.05)
    spells = iter(["Before the storm", "After the storm"])

    async def follow(self: _Client, *kinds: str) -> AsyncIterator[tuple[str, Any]]:
        title = next(spells, None)
        if title is None:
            raise KeyboardInterrupt
        assert kinds == ("availability", "bench", "batch", "alarm")
        yield "availability", {"state": "online"}
        yield "bench/lower", bench("lower") | {"title": title}
        yield "batch/GONE1", None
        await asyncio.sleep(0.1)
        raise NoBroker("the connection was lost")

    monkeypatch.setattr(_Client, "follow", follow)
    with pytest.raises(KeyboardInterrupt):
        await watching._watch(asking.daemon_meant(), subject)
    text = drawn.getvalue()
    order = ["Before the storm", "the connection was lost. Trying again", "After the storm"]
    assert [text.find(one) >= 0 for one in order] == [True] * 3
    assert sorted(order, key=text.find) == order
    assert len(played.where) == 3


# --- history -------------------------------------------------------------------------------------


@pytest.fixture
async def state(tmp_path: Path) -> Path:
    """A state folder with a journal in it."""
    folder = tmp_path / "state"
    folder.mkdir()
    journal = Journal.open(folder / daemon.app.JOURNAL, 1_804_500_000.0)
    events = [
        Event(
            1_804_500_000.0, "stage", "LET1: lettuce sown", bench="lower", batch="LET1", by="Joss"
        ),
        Event(1_804_500_060.0, "switching", "lower: mat on", bench="lower"),
        Event(1_804_500_120.0, "record", "LET1: watered", bench="lower", batch="LET1", by="Joss"),
        Event(1_804_500_180.0, "record", "TOM1: fed", bench="lower", batch="TOM1", by="Joss"),
    ]
    await journal.commit(events=events)
    await journal.close()
    return folder


async def test_history_is_read_from_the_journal_without_a_daemon(state: Path) -> None:
    done = hotbed("log", "--state", str(state))
    assert done.exit_code == 0
    assert "LET1: watered, Joss" in done.stdout
    assert "TOM1: fed" in done.stdout
    assert "mat on" not in done.stdout
    assert "mat on" in hotbed("log", "--all", env={"HOTBED_STATE": str(state)}).stdout
    one = hotbed("log", "let1", "--state", str(state), "--last", "1").stdout
    assert "watered" in one
    assert "sown" not in one
    assert "TOM1" not in one
    told = json.loads(hotbed("log", "LET1", "--state", str(state), "--json").stdout)
    assert [event["seq"] for event in told["result"]["events"]] == [1, 3]


async def test_a_batch_that_never_was_gets_the_nearest_that_was(state: Path) -> None:
    said = refused("log", "LET2", "--state", str(state), status=1)
    assert "did you mean LET1?" in said


def test_no_journal_is_told_with_where_to_look(tmp_path: Path) -> None:
    assert "--state" in refused("log", status=1)
    assert "no journal" in refused("log", "--state", str(tmp_path), status=1)


def test_what_happens_is_followed_until_the_broker_is_lost(played: Daemon) -> None:
    played.events = [
        {"at": "2027-03-14T07:31:00Z", "kind": "record", "text": "LET1: watered", "batch": "LET1"},
        {"at": "2027-03-14T07:32:00Z", "kind": "switching", "text": "lower: mat on"},
        {"at": "2027-03-14T07:33:00Z", "kind": "record", "text": "TOM1: fed", "batch": "TOM1"},
    ]
    done = hotbed("log", "--follow")
    assert done.exit_code == 3
    assert done.stdout.splitlines() == ["08:31:00  LET1: watered", "08:33:00  TOM1: fed"]
    one = hotbed("log", "let1", "--follow", "--json")
    assert [json.loads(line)["text"] for line in one.stdout.splitlines()[:1]] == ["LET1: watered"]


# --- what needs no daemon ------------------------------------------------------------------------


def test_crops_are_listed_and_shown_without_a_daemon() -> None:
    assert "lettuce" in hotbed("crops").stdout
    told = json.loads(hotbed("crops", "--json").stdout)
    assert "lettuce" in told["result"]["crops"]
    sheet = json.loads(hotbed("crops", "show", "calabrese", "--json").stdout)["result"]
    assert sheet["crop"]["name"] == "broccoli"
    assert sheet["crop"]["emergence"]["days"][0] == [10, 15]
    assert sheet["sources"][sheet["crop"]["emergence_source"]]["kind"] == "published"
    assert "did you mean 'lettuce'?" in refused("crops", "show", "letuce", status=1)


def test_a_grower_s_own_folder_of_crops_is_laid_over_the_shipped_ones(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "lettuce.toml").write_text('title = "Salad"\n')
    assert "Salad" in hotbed("crops", "show", "salad", "--folder", str(folder)).stdout
    (folder / "lettuce.toml").write_text("titel = 3\n")
    said = refused("crops", "--folder", str(folder), status=1)
    assert "did you mean 'title'?" in said


def test_check_ends_with_1_when_there_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "hotbed.toml"
    path.write_text(CONFIG.replace('"broker.example"', '"127.0.0.1"\nport = 1'))
    done = hotbed("check")
    assert done.exit_code == 1
    assert "mqtt.broker: 127.0.0.1:1 refused the connection" in done.stdout
    told = hotbed("check", "--json")
    assert told.exit_code == 1
    document = json.loads(told.stdout)
    assert document["ok"] is False
    severities = {one["place"]: one["severity"] for one in document["result"]["findings"]}
    assert severities["mqtt.broker"] == "problem"


def test_commands_that_need_a_configuration_say_so() -> None:
    for command in ("check", "off"):
        assert "--config" in refused(command, status=1)
    assert "--config" in hotbed("run").stderr


@pytest.mark.parametrize(
    ("status", "line", "ends"),
    [
        (0, "east/lamp: off", 0),
        (1, "east/lamp: NOT driven off: x", 1),
        (0, "east/lamp: not sure: x", 1),
    ],
)
def test_off_tells_of_each_relay_and_ends_with_1_unless_all_are_surely_off(
    status: int, line: str, ends: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "hotbed.toml").write_text(CONFIG)
    lines = ["east/mat: off: kept off", line]
    monkeypatch.setattr(daemon.app, "off", lambda path: (status, lines))
    done = hotbed("off")
    assert done.exit_code == ends
    assert done.stdout.splitlines() == lines
    assert ("pull the plugs" in done.stderr) is bool(ends)
    told = json.loads(hotbed("off", "--json").stdout)
    assert (told["ok"], told["result"]) == (not ends, {"relays": lines})


def test_run_hands_over_what_it_is_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ran: list[dict[str, Any]] = []

    def hand_over(**given: Any) -> int:
        ran.append(given)
        return 1

    monkeypatch.setattr(daemon.app, "run", hand_over)
    line = "run --simulate --state s --speed 60 --port 1884 --log-level WARNING"
    assert hotbed(*shlex.split(line)).exit_code == 1
    path = tmp_path / "hotbed.toml"
    path.write_text(CONFIG)
    hotbed("run")
    # A simulation takes no configuration that happens to lie about.
    hotbed("run", "--simulate", "--state", "s")
    common = {"state": Path("s"), "simulate": True, "config": None}
    assert ran == [
        common | {"speed": 60.0, "port": 1884, "log_level": "warning"},
        {
            "config": Path("hotbed.toml"), "state": tmp_path / "var", "simulate": False,
            "speed": 1.0, "port": None, "log_level": "info",
        },
        common | {"speed": 1.0, "port": None, "log_level": "info"},
    ]  # fmt: skip


def test_a_rehearsal_s_problem_is_a_document_for_a_program(tmp_path: Path) -> None:
    said = refused("rehearse", "--faults", str(tmp_path / "none.toml"), status=1)
    assert "none.toml" in said


@pytest.mark.parametrize(
    ("words", "completed"),
    [
        ("sow let", {"lettuce"}),
        ("stage LET1 g", {"germination", "growing-on"}),
        ("stage ", {"LET1"}),
        ("keep ", {"lower"}),
        ("keep lower l", {"lamp"}),
        ("move LET1 po", {"porch"}),
        ("log LET1 e", {"emerged"}),
        ("sta", {"status", "stage"}),
    ],
)
def test_completion_knows_crops_stages_and_what_the_daemon_has(
    words: str, completed: set[str], played: Daemon
) -> None:
    line = f"hotbed {words}"
    env = {
        "_HOTBED_COMPLETE": "complete_bash",
        "COMP_WORDS": line,
        "COMP_CWORD": str(len(line.split(" ")) - 1),
    }
    assert set(hotbed(env=env).stdout.split()) == completed


def test_completion_is_silent_where_no_daemon_answers(played: Daemon) -> None:
    played.error = NoBroker("nothing listens there")
    env = {"_HOTBED_COMPLETE": "complete_bash", "COMP_WORDS": "hotbed stage ", "COMP_CWORD": "2"}
    assert hotbed(env=env).output.strip() == ""


HEAVY = {"amqtt", "apscheduler", "gpiozero", "lgpio", "numpy", "scipy", "sim", "w1thermsensor"}


@pytest.mark.parametrize("words", [["--help"], ["status", "--port", "9"], ["crops"]])
def test_what_only_the_daemon_uses_is_not_loaded_for_a_question(
    words: list[str], tmp_path: Path
) -> None:
    code = (
        "import sys\nfrom daemon.cli import app\n"
        "try:\n    app(prog_name='hotbed')\n"
        "finally:\n    print('\\nloaded', *sys.modules)\n"
    )
    env = {"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT), "HOME": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=tmp_path, env=env, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 3), done.stderr
    loaded = {one.partition(".")[0] for one in done.stdout.split("\nloaded ")[1].split()}
    assert "typer" in loaded
    assert loaded & HEAVY == set()


# --- what people write ---------------------------------------------------------------------------

NOW = datetime.fromisoformat("2027-03-14T07:31:00+00:00")


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("2027-03-12 08:30", "2027-03-12T08:30:00+01:00"),
        ("2027-03-12T8:30", "2027-03-12T08:30:00+01:00"),
        ("2027-03-12", "2027-03-12T12:00:00+01:00"),
        ("08:30", "2027-03-14T08:30:00+01:00"),
        ("today 06:00", "2027-03-14T06:00:00+01:00"),
        ("Yesterday 18:00", "2027-03-13T18:00:00+01:00"),
        ("yesterday", "2027-03-13T12:00:00+01:00"),
        ("2027-03-14", "2027-03-14T08:31:00+01:00"),  # its noon is still to come
        ("2027-03-01T10:00:00Z", "2027-03-01T10:00:00+00:00"),
        ("2026-07-01 10:00", "2026-07-01T10:00:00+02:00"),  # summer time by the zone, not by today
    ],
)
def test_a_moment_is_understood_by_the_site_s_clock(text: str, meant: str) -> None:
    found = moment(text, NOW, BERLIN)
    assert found == datetime.fromisoformat(meant)
    assert found.tzinfo is not None


@pytest.mark.parametrize(
    "text", ["", "tomorrow", "8", "24:00", "2027-02-30", "14.3.2027", "2027-03-14 8", "٠٨:٣٠"]
)
def test_what_is_no_moment_is_refused_with_what_is(text: str) -> None:
    with pytest.raises(ValueError, match=r"allowed: .*2027-03-14 08:30.*yesterday 18:00"):
        moment(text, NOW, BERLIN)


@given(st.datetimes(datetime.fromisoformat("2020-01-01"), datetime.fromisoformat("2035-01-01")))
@example(datetime.fromisoformat("2027-10-31T02:30"))  # twice that night; once is enough
@example(datetime.fromisoformat("2027-03-28T02:30"))  # never
def test_a_local_time_comes_back_as_it_was_written_unless_the_clock_skips_it(at: datetime) -> None:
    at = at.replace(second=0, microsecond=0)
    found = moment(f"{at:%Y-%m-%d %H:%M}", NOW, BERLIN)
    there = found.astimezone(UTC).astimezone(BERLIN).replace(tzinfo=None)
    skipped = found.replace(fold=0).utcoffset() != found.replace(fold=1).utcoffset()
    assume(not skipped or there == at)
    assert there == at


@given(st.integers(0, 6), st.integers(0, 23), st.integers(0, 59), st.integers(1, 59))
def test_a_duration_is_the_sum_of_its_parts(d: int, h: int, m: int, s: int) -> None:
    assert duration(f"{d}d{h}h{m}m{s}s") == ((d * 24 + h) * 60 + m) * 60 + s
    assert duration(f"{m}min {s} s") == m * 60 + s


@pytest.mark.parametrize("text", ["", "30", "-5m", "1w", "h", "1..5h", "1e3s", "٣٠m"])
def test_what_is_no_duration_is_refused_with_what_is(text: str) -> None:
    with pytest.raises(ValueError, match="allowed: 90s, 30m"):
        duration(text)


@pytest.mark.parametrize(
    ("words", "arguments"),
    [
        (["watered"], {"what": "watered", "text": ""}),
        (["Fed", "half", "strength"], {"what": "fed", "text": "half strength"}),
        (["moist", "2"], {"what": "moist", "value": 2.0, "text": ""}),
        (["height", "6cm"], {"what": "height", "value": 60.0, "text": ""}),
        (["height", "6,5", "cm", "leggy"], {"what": "height", "value": 65.0, "text": "leggy"}),
        (["height", "60mm"], {"what": "height", "value": 60.0, "text": ""}),
        (["height", '2.5"'], {"what": "height", "value": 63.5, "text": ""}),
        (["emerged", "61/72"], {"what": "emerged", "value": 61.0, "of": 72, "text": ""}),
        (["emerged", "61", "of", "72"], {"what": "emerged", "value": 61.0, "of": 72, "text": ""}),
        (["emerged", "61"], {"what": "emerged", "value": 61.0, "text": ""}),
        (["cover", "OFF"], {"what": "cover", "text": "off"}),
        (["weight", "1.85kg"], {"what": "weight", "value": 1850.0, "text": ""}),
        (["leaves", "2"], {"what": "leaves", "value": 2.0, "text": ""}),
        (["raised-lamp", "12cm"], {"what": "raised-lamp", "value": 120.0, "text": ""}),
        (["raised-lamp"], {"what": "raised-lamp", "text": ""}),
        (["low", "-1.5C"], {"what": "low", "value": -1.5, "text": ""}),
        (["low", "41F"], {"what": "low", "value": 5.0, "text": ""}),
        (["in", "indoors"], {"what": "in", "text": "indoors"}),
        (["out", "of", "compost"], {"what": "note", "text": "out of compost"}),
        (["note", "waterd"], {"what": "note", "text": "waterd"}),
        (["slugs", "seen"], {"what": "note", "text": "slugs seen"}),
        (["a whole sentence."], {"what": "note", "text": "a whole sentence."}),
    ],
)
def test_a_line_of_the_notebook_is_understood(words: list[str], arguments: dict[str, Any]) -> None:
    assert record(words) == arguments
    KINDS["log"].model_validate({"batch": "LET1", **arguments})


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["moist"], "moist 1"),
        (["moist", "6"], "moist 5"),
        (["height", "tall"], "6cm"),
        (["emerged", "most"], "61/72"),
        (["cover"], "cover on"),
        (["cover", "half"], "cover on"),
        (["note"], "a note needs words"),
        (["heigth", "6cm"], "'height'"),
        (["emergd", "6/9"], "'emerged'"),
    ],
)
def test_a_line_that_is_half_right_is_refused_and_not_taken_for_a_note(
    words: list[str], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        record(words)


def test_a_record_is_put_right_by_its_number() -> None:
    assert entry(["amend", "7", "height", "5cm"]) == ("amend", {"n": 7, "value": 50.0})
    assert entry(["strike", "7", "not", "mine"]) == ("strike", {"n": 7, "why": "not mine"})
    for words in (["amend"], ["amend", "x"], ["strike", "0"], ["amend", "7"]):
        with pytest.raises(ValueError, match=words[0]):
            entry(words)


def test_the_stages_are_those_of_the_profiles_and_the_ends_those_of_the_requests() -> None:
    assert batches.STAGES[:5] == tuple(stage.value for stage in Stage)
    outcome = KINDS["close"].model_json_schema()["properties"]["outcome"]
    assert list(batches.STAGES[5:]) == outcome["enum"]
    what = KINDS["log"].model_json_schema()["properties"]["what"]
    kinds = KINDS["log"].model_json_schema()["$defs"][what["$ref"].rsplit("/", 1)[1]]
    assert set(RECORDS) == set(kinds["enum"])


def test_the_console_entry_point_ends_as_the_command_did(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["hotbed", "stauts"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert "Did you mean" in capsys.readouterr().err
