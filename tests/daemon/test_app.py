"""The daemon as a process: how it starts, refuses to start, is killed, and ends with everything off."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing
from datetime import datetime
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from daemon import app, client, hardware
from daemon.broker import EmbeddedBroker
from daemon.client import Answer, Client, NobodyAnswered
from daemon.config import Mqtt, load
from daemon.journal import Journal, SavedState, read_events
from daemon.simsite import SIM_SITE
from daemon.state import Site
from drivers import gpio
from drivers.onewire import w1_slave_text
from profiles.library import load_library

CHECKOUT = Path(__file__).parents[2]
LOOPBACK = Mqtt(broker="127.0.0.1")
SHED = """
schema = 1
[site]
name = "quince-yard"
zone = "Europe/Berlin"
tick = 0.2
probe_grace = 5.0
crops = "crops"
[mqtt]
broker = "{broker}"
port = {port}
[hardware]
pins = "mock"
onewire_devices = "w1"
[bench.shelf]
trays = 2
mat = {{ watts = 40, device = {{ driver = "gpio", pin = 17, active = "low" }} }}
lamp = {{ watts = 60, device = {{ driver = "gpio", pin = 27, active = "high" }} }}
[[bench.shelf.probes]]
name = "soil"
measures = "soil"
device = {{ driver = "onewire", id = "28-00000a1b2c3d" }}
"""
#: Runs the daemon, then tells what became of its mock pins.
SPY = """
import json, sys
from pathlib import Path
from daemon.app import run
from drivers import gpio
real, factories = gpio.open_factory, []
def opened(kind, folder=None):
    factories.append(real(kind, folder))
    return factories[-1]
gpio.open_factory = opened
code = run(config=Path("shed.toml"), state=Path("state"), simulate=False, speed=1.0, port=None,
           log_level="warning")
pins = {n: [pin.function, *(s.state for s in pin.states)] for f in factories
        for n, pin in ((n, f.pin(n)) for n in (17, 27))}
print(json.dumps(pins))
sys.exit(code)
"""
SIMULATED = """
import sys
from pathlib import Path
from daemon.app import run
port, speed = int(sys.argv[1]), float(sys.argv[2])
sys.exit(run(config=None, state=Path("state"), simulate=True, speed=speed, port=port,
             log_level="warning"))
"""


@pytest.fixture
def shed(tmp_path: Path, free_port: int) -> Path:
    """The folder of a site on mock pins, with its crops and its one probe."""
    (tmp_path / "shed.toml").write_text(SHED.format(broker="embedded", port=free_port))
    (tmp_path / "crops").mkdir()
    probe = tmp_path / "w1" / "28-00000a1b2c3d"
    probe.mkdir(parents=True)
    (probe / "w1_slave").write_text(w1_slave_text(20.0))
    return tmp_path


def _heeds_hangup() -> None:
    """Under nohup the tests have it ignored, and a daemon of theirs would rightly do so too."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


@asynccontextmanager
async def process(
    folder: Path, code: str, *words: str
) -> AsyncIterator[asyncio.subprocess.Process]:
    """A Python process of ours in a folder, killed at the end if it still runs."""
    running = await asyncio.create_subprocess_exec(
        sys.executable, "-W", "error", "-c", code, *words, cwd=folder,
        env={"PYTHONPATH": str(CHECKOUT), "PATH": "/usr/bin:/bin"},
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        preexec_fn=_heeds_hangup,
    )  # fmt: skip
    try:
        yield running
    finally:
        if running.returncode is None:
            running.kill()
            await running.communicate()


async def asking(port: int, site: str, kind: str, **arguments: Any) -> dict[str, Any]:
    """Ask as the command line would; the result."""
    async with Client(LOOPBACK, site, port=port) as one:
        answer = await one.ask(kind, arguments, by="Runa", timeout=5)
    assert answer.ok, answer.error
    result: dict[str, Any] = answer.result
    return result


async def picture(port: int, site: str) -> dict[str, dict[str, Any]]:
    async with Client(LOOPBACK, site, port=port) as one:
        return await one.gather()


async def up(port: int, site: str) -> dict[str, dict[str, Any]]:
    """What is retained as soon as a daemon is online and has told of its benches."""
    end = time.monotonic() + 40
    while time.monotonic() < end:
        try:
            found = await picture(port, site)
        except NobodyAnswered:
            found = {}
        if found.get("availability") == {"state": "online"} and any(
            name.startswith("bench/") for name in found
        ):
            return found
        await asyncio.sleep(0.05)
    raise AssertionError("the daemon did not come up")


# --- the end ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGHUP])
async def test_a_signal_ends_it_in_good_order_with_everything_off(
    shed: Path, free_port: int, ending: signal.Signals, eventually: Callable[..., Any]
) -> None:
    broker = EmbeddedBroker(free_port)
    await broker.start()
    (shed / "shed.toml").write_text(SHED.format(broker="127.0.0.1", port=free_port))
    async with process(shed, SPY) as running:
        await up(free_port, "quince-yard")
        await asking(free_port, "quince-yard", "sow", crop="tomato", place="shelf")
        async with aiomqtt.Client("127.0.0.1", free_port) as one:
            await one.subscribe("hotbed/quince-yard/bench/shelf")
            async with asyncio.timeout(30):
                async for message in one.messages:
                    if json.loads(bytes(message.payload))["mat"]["on"]:
                        break
        running.send_signal(ending)
        out, err = await asyncio.wait_for(running.communicate(), 30)
    assert (running.returncode, err) == (0, b"")
    # What the broker keeps says that nobody is there.
    async with aiomqtt.Client("127.0.0.1", free_port) as one:
        await one.subscribe("hotbed/quince-yard/availability")
        async with asyncio.timeout(30):
            async for message in one.messages:
                assert (message.payload, message.retain) == (b"offline", True)
                break
    await broker.stop()
    pins = json.loads(out.splitlines()[-1])
    # The mat's board is on when low: off, on, off, and an input at the end.
    assert pins["17"][0] == pins["27"][0] == "input"
    states = pins["17"][1:]
    assert 0 in states
    assert states[-1] == 1
    texts = [one.text for one in read_events(shed / "state" / "journal.db", limit=None)]
    assert texts[-1] == "stopped"


async def test_killed_and_started_again_batches_stages_and_outputs_are_as_they_were(
    tmp_path: Path, free_port: int, eventually: Callable[..., Any]
) -> None:
    # So fast that the simulated time on disk is far ahead of the machine's.
    words = (str(free_port), "600")
    async with process(tmp_path, SIMULATED, *words) as running:
        await up(free_port, SIM_SITE)
        sow = {"place": "lower", "cells": 36}
        sown = await asking(free_port, SIM_SITE, "sow", crop="tomato", trays=1, **sow)
        await asking(free_port, SIM_SITE, "sow", crop="lettuce", trays=0.5, place="upper")
        await asking(free_port, SIM_SITE, "stage", batch="LET1", to="seedling")
        await asking(free_port, SIM_SITE, "keep", bench="lower", relay="lamp", to="off")
        await asking(free_port, SIM_SITE, "keep", bench="upper", relay="mat", to="off")
        await asyncio.sleep(0.3)
        before = await picture(free_port, SIM_SITE)
        running.kill()
        await running.communicate()
    with closing(sqlite3.connect(tmp_path / "state" / "journal.db")) as db:
        ((saved_at,),) = db.execute("SELECT at FROM state").fetchall()
    async with process(tmp_path, SIMULATED, *words) as running:
        after = await up(free_port, SIM_SITE)
        running.terminate()
        _, err = await asyncio.wait_for(running.communicate(), 30)
        assert (running.returncode, err) == (0, b"")
    assert sown["batch"] == "TOM1"
    for code in ("TOM1", "LET1"):
        old, new = before[f"batch/{code}"], after[f"batch/{code}"]
        for key in ("stage", "place", "since", "sown_at", "revision", "covered", "trays", "cells"):
            assert old[key] == new[key], key
    # The upper lamp goes by the hour at which this test happens to run.
    for bench, relay in (("lower", "mat"), ("lower", "lamp"), ("upper", "mat")):
        old, new = before[f"bench/{bench}"][relay], after[f"bench/{bench}"][relay]
        assert (old["on"], old["kept"]) == (new["on"], new["kept"]), (bench, relay)
    assert before["bench/lower"]["mat"]["on"]
    # Simulated time goes on from what is on disk, and is believed.
    at = datetime.fromisoformat(after["bench/lower"]["at"])
    assert 0 <= at.timestamp() - saved_at + 1 < 86400
    texts = [one.text for one in read_events(tmp_path / "state" / "journal.db", limit=None)]
    assert any("2 batches go on" in text for text in texts)
    assert not any("clock" in text for text in texts)
    world = json.loads((tmp_path / "state" / "world.json").read_text())
    assert len(world["world"]["batches"]["TOM1"]["lots"][0]["requirements"]) == 36
    assert set(world["known"]) == {"TOM1", "LET1"}


# --- what is refused, before any pin moves ---------------------------------------------------------


@pytest.fixture
def pins(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """The pin factories that were opened, which refusals leave empty."""
    opened: list[Any] = []
    real = gpio.open_factory

    def open_factory(*given: Any) -> Any:
        opened.append(real(*given))
        return opened[-1]

    monkeypatch.setattr(gpio, "open_factory", open_factory)
    return opened


def start(folder: Path, **more: Any) -> int:
    given: dict[str, Any] = {
        "config": folder / "shed.toml",
        "state": folder / "state",
        "simulate": False,
        "speed": 1.0,
        "port": None,
        "log_level": "warning",
    }
    return app.run(**(given | more))


BAD = [
    ("tick = 0.2", "tick = 0.01", ["site.tick", "0.01", "0.2"]),
    ("pin = 27", "pin = 17", ["bench.shelf", "pin 17", "each needs its own"]),
    ("pin = 27", "pin = 99", ["bench.shelf.lamp", "99", "27"]),
    ("28-00000a1b2c3d", "28-00000a1b2c3x", ["bench.shelf.probes", "28-00000a1b2c3x"]),
    ("Europe/Berlin", "Europe/Berlni", ["site.zone", "Europe/Berlin"]),
    ("watts = 40", "wats = 40", ["bench.shelf.mat", "wats"]),
    ("schema = 1", "schema = 1\nschema = 1", ["TOML"]),
]


@pytest.mark.parametrize(("old", "new", "said"), BAD, ids=[new for _, new, _ in BAD])
def test_a_bad_configuration_is_refused_with_place_and_range_before_any_pin_moves(
    shed: Path,
    pins: list[Any],
    capsys: pytest.CaptureFixture[str],
    old: str,
    new: str,
    said: list[str],
) -> None:
    path = shed / "shed.toml"
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))
    assert start(shed) == 1
    told = capsys.readouterr().err
    for word in ["hotbed: ", "shed.toml", *said]:
        assert word in told, told
    assert pins == []
    assert not (shed / "state").exists()


NIGHT = '{ low = 16, high = 60, of = "air", source = "from-memory" }'
CROPS = [
    (
        "tomato",
        "[stages.seedling.photoperiod_h]\nbest = 25",
        "stages.seedling.photoperiod_h.best: 25",
    ),
    (
        "tomato",
        f"[stages.seedling]\nair_night = {NIGHT}",
        "air_night: high = 60 is outside the allowed",
    ),
    ("tomatoe", "light_to_germinate = {}", "did you mean 'tomato'"),
    ("tomato", "not toml at all =", "TOML"),
]


@pytest.mark.parametrize(("name", "text", "said"), CROPS, ids=[said for *_, said in CROPS])
def test_a_bad_crop_is_refused_with_place_and_range_before_any_pin_moves(
    shed: Path,
    pins: list[Any],
    capsys: pytest.CaptureFixture[str],
    name: str,
    text: str,
    said: str,
) -> None:
    (shed / "crops" / f"{name}.toml").write_text(text)
    assert start(shed) == 1
    told = capsys.readouterr().err
    assert said in told
    assert f"{name}.toml" in told
    assert pins == []
    assert not (shed / "state").exists()


def test_a_probe_s_id_with_a_slip_is_refused_and_one_that_is_only_away_is_not(
    shed: Path, pins: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    probe = shed / "w1" / "28-00000a1b2c3d"
    probe.rename(probe.with_name("28-00000a7b2c3d"))
    assert start(shed) == 1
    told = capsys.readouterr().err
    assert "bench.shelf.probes.soil.device.id: '28-00000a1b2c3d' is not on the bus" in told
    assert "allowed: 28-00000a7b2c3d" in told
    assert pins == []
    (shed / "w1" / "28-00000a7b2c3d").rename(shed / "w1" / "28-00000f7e2c3d")
    assert app.mistyped_probes(load(shed / "shed.toml")) == []
    (shed / "w1" / "28-00000a1b2c3d").mkdir()
    (shed / "w1" / "28-00000a1b2c3e").mkdir()  # two of one batch
    assert app.mistyped_probes(load(shed / "shed.toml")) == []


def test_a_port_that_is_taken_is_told_with_its_mend_before_any_pin_moves(
    shed: Path, free_port: int, pins: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.create_server(("127.0.0.1", free_port)):
        assert start(shed) == 1
    told = capsys.readouterr().err
    assert f"port {free_port} on 127.0.0.1 is taken" in told
    assert "choose another with --port" in told
    assert pins == []


def test_a_second_daemon_on_a_state_folder_is_refused_before_any_pin_moves(
    shed: Path, pins: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    (shed / "state").mkdir()

    async def hold() -> None:
        journal = Journal.open(shed / "state" / "journal.db", time.time())
        # Both at once, each in a thread and a loop of its own.
        assert await asyncio.to_thread(start, shed) == 1
        await journal.close()

    asyncio.run(hold())
    assert "another hotbed runs on this state folder" in capsys.readouterr().err
    assert pins == []


def test_a_state_folder_that_can_not_be_made_is_named(
    shed: Path, pins: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    (shed / "file").write_text("in the way")
    assert start(shed, state=shed / "file" / "state") == 1
    told = capsys.readouterr().err
    assert str(shed / "file" / "state") in told
    assert "state folder cannot be made" in told
    assert pins == []


def test_a_password_file_that_is_missing_is_named_before_any_pin_moves(
    shed: Path, pins: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    path = shed / "shed.toml"
    path.write_text(
        path.read_text().replace("[mqtt]", '[mqtt]\nusername = "shed"\npassword_file = "secret"')
    )
    assert start(shed) == 1
    assert "mqtt.password_file" in capsys.readouterr().err
    assert pins == []
    assert not (shed / "state").exists()


def test_no_configuration_and_simulated_devices_in_earnest_are_refused(
    shed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert start(shed, config=None) == 1
    assert "--simulate" in capsys.readouterr().err
    path = shed / "shed.toml"
    path.write_text(
        path.read_text().replace(
            'driver = "gpio", pin = 27, active = "high"', 'driver = "simulated"'
        )
    )
    assert start(shed) == 1
    assert "run it with --simulate" in capsys.readouterr().err


# --- the simulator ---------------------------------------------------------------------------------


async def test_simulated_time_goes_on_from_the_latest_moment_that_anything_remembers(
    shed: Path,
) -> None:
    config = load(shed / "shed.toml")
    site = Site.of(config, load_library())
    journal = Journal.open(shed / "journal.db", time.time())
    ahead = time.time() + 90 * 86400.0
    await journal.commit(state=SavedState("{}", ahead, 100.0, "boot"))
    clock, world, mirror = app._simulation(config, site, journal, 10.0, shed / "world.json")
    assert 0 <= clock.utc() - ahead < 10
    mirror.save(shed / "world.json")
    await journal.close()
    (shed / "journal.db").unlink()
    journal = Journal.open(shed / "journal.db", time.time())
    clock, world, _ = app._simulation(config, site, journal, 10.0, shed / "world.json")
    assert 0 <= clock.utc() - ahead < 60
    assert world.utc() >= ahead
    await journal.close()


async def test_a_disk_that_takes_no_world_ends_no_simulation(
    shed: Path, caplog: pytest.LogCaptureFixture
) -> None:
    class Full:
        def save(self, path: Path) -> None:
            raise OSError(28, "No space left on device")

    async with app._kept(Full(), shed / "world.json"):  # type: ignore[arg-type]
        pass
    assert "the simulated benches are not saved" in caplog.text


# --- everything off --------------------------------------------------------------------------------


class StandIn:
    """A daemon's answers to `off`."""

    answers: list[Answer | Exception] = []  # noqa: RUF012
    asked: list[dict[str, Any]] = []  # noqa: RUF012

    def __init__(self, settings: Mqtt, site: str) -> None:
        self.topics = site

    async def __aenter__(self) -> StandIn:
        return self

    async def __aexit__(self, *given: object) -> None: ...

    async def ask(self, kind: str, arguments: dict[str, Any], **more: Any) -> Answer:
        self.asked.append({"kind": kind, **arguments})
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer


@pytest.fixture
def daemon(monkeypatch: pytest.MonkeyPatch) -> type[StandIn]:
    monkeypatch.setattr(client, "Client", StandIn)
    StandIn.answers, StandIn.asked = [], []
    return StandIn


def test_off_asks_a_daemon_that_runs_to_keep_every_relay_off(
    shed: Path, daemon: type[StandIn], pins: list[Any]
) -> None:
    daemon.answers = [Answer(True, {"text": "kept off"}), Answer(True, {"text": "kept off"})]
    assert app.off(shed / "shed.toml") == (
        0,
        ["shelf/lamp: off: kept off", "shelf/mat: off: kept off"],
    )
    assert daemon.asked == [
        {"kind": "keep", "bench": "shelf", "relay": "lamp", "to": "off"},
        {"kind": "keep", "bench": "shelf", "relay": "mat", "to": "off"},
    ]
    assert pins == []  # they are the daemon's


def test_off_that_the_daemon_refuses_is_a_failure_that_says_what_to_do(
    shed: Path, daemon: type[StandIn]
) -> None:
    daemon.answers = [Answer(True, {"text": "kept off"}), Answer(False, error="the disk is full")]
    code, lines = app.off(shed / "shed.toml")
    assert code == 1
    assert "shelf/mat: NOT off: the disk is full; stop the daemon" in lines[1]


def test_off_drives_the_relays_itself_where_nobody_answers(
    shed: Path, daemon: type[StandIn], pins: list[Any]
) -> None:
    daemon.answers = [NobodyAnswered("nobody")]
    assert app.off(shed / "shed.toml") == (0, ["shelf/lamp: off", "shelf/mat: off"])
    (factory,) = pins
    assert [state.state for state in factory.pin(17).states][-1] == 1


def test_off_without_a_daemon_or_a_broker_drives_the_pins(shed: Path, pins: list[Any]) -> None:
    assert app.off(shed / "shed.toml") == (0, ["shelf/lamp: off", "shelf/mat: off"])
    assert len(pins) == 1


def test_off_drives_pins_though_the_broker_s_settings_are_broken(
    shed: Path, pins: list[Any]
) -> None:
    path = shed / "shed.toml"
    path.write_text(
        path.read_text().replace("[mqtt]", '[mqtt]\nusername = "shed"\npassword_file = "secret"')
    )
    code, lines = app.off(path)
    assert code == 1
    assert lines[:2] == ["shelf/lamp: off", "shelf/mat: off"]
    assert "mqtt.password_file" in lines[2]


def test_off_is_a_failure_where_one_relay_is_not_driven_off(
    shed: Path, daemon: type[StandIn], monkeypatch: pytest.MonkeyPatch
) -> None:
    async def drive_off(*given: object) -> list[tuple[bool, str]]:
        return [(True, "shelf/lamp: off"), (False, "shelf/mat: NOT off for sure: silent")]

    daemon.answers = [NobodyAnswered("nobody")]
    monkeypatch.setattr(app, "drive_off", drive_off)
    assert app.off(shed / "shed.toml")[0] == 1
    assert hardware.drive_off is not drive_off
