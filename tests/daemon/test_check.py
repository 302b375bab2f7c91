"""The check finds every problem, names its place and its mend, and touches no relay."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

import daemon.check
from daemon.check import Finding, _secrets, check
from daemon.config import Mqtt, load
from drivers.gpio import GpioRelay
from drivers.mqtt import MqttRelay
from drivers.onewire import w1_slave_text

SOIL, OTHER = "28-00000a1b2c3d", "28-00000a1b2c4e"
SITE = """
schema = 1
[site]
name = "alder-lane"
zone = "Europe/Berlin"
{site}
[mqtt]
port = {port}
{mqtt}
[hardware]
pins = "mock"
onewire_devices = "w1"
[bench.lower]
trays = 2
[bench.lower.mat]
watts = 36
device = {{ {mat} }}
[[bench.lower.probes]]
name = "front"
measures = "soil"
device = {{ {front} }}
[[bench.lower.probes]]
name = "back"
measures = "soil"
device = {{ {back} }}
"""


@pytest.fixture
def site(tmp_path: Path, free_port: int) -> Callable[..., Path]:
    """Writes a configuration that is right but for what is given."""

    def write(**changes: Any) -> Path:
        given = {
            "site": "",
            "port": free_port,
            "mqtt": "",
            "mat": 'driver = "gpio", pin = 5, active = "low"',
            "front": f'driver = "onewire", id = "{SOIL}"',
            "back": f'driver = "onewire", id = "{OTHER}"',
        } | changes
        path = tmp_path / "hotbed.toml"
        path.write_text(SITE.format(**given), encoding="utf-8")
        return path

    return write


@pytest.fixture
def probes(tmp_path: Path) -> Callable[..., None]:
    """Puts kernel-format files of probes into the folder: by id, a temperature or the text."""

    def put(devices: dict[str, float | str]) -> None:
        for name, said in devices.items():
            folder = tmp_path / "w1" / name
            folder.mkdir(parents=True)
            text = said if isinstance(said, str) else w1_slave_text(said)
            (folder / "w1_slave").write_text(text, encoding="ascii")

    return put


@pytest.fixture(autouse=True)
def _no_relay_moves(monkeypatch: pytest.MonkeyPatch) -> None:
    """The check never so much as makes a relay."""

    def never(*_: Any, **__: Any) -> None:
        raise AssertionError("the check made a relay")

    monkeypatch.setattr(GpioRelay, "__init__", never)
    monkeypatch.setattr(MqttRelay, "__init__", never)


def at(found: list[Finding], place: str) -> Finding:
    """The one finding of a place."""
    (one,) = [one for one in found if one.place == place]
    return one


def problems(found: list[Finding]) -> list[Finding]:
    return [one for one in found if one.severity == "problem"]


async def test_a_sound_site_has_no_problem_and_tells_each_probe_s_reading(
    site: Callable[..., Path], probes: Callable[..., None]
) -> None:
    probes({SOIL: 22.25, OTHER: 21.5})
    found = await check(site())
    assert problems(found) == []
    assert at(found, "bench.lower.probes.front") == Finding(
        "bench.lower.probes.front", "fine", "22.2 °C (soil)"
    )
    assert at(found, "mqtt.port").severity == "fine"
    assert "mock" in at(found, "hardware.pins").text
    assert "floats" in at(found, "wiring").text


async def test_readings_are_in_the_units_of_the_site(
    site: Callable[..., Path], probes: Callable[..., None]
) -> None:
    probes({SOIL: 22.5, OTHER: 21.5})
    found = await check(site(site='units = "F"'))
    assert at(found, "bench.lower.probes.front").text == "72.5 °F (soil)"


async def test_every_problem_of_the_files_is_told_at_once(
    site: Callable[..., Path], tmp_path: Path
) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "lettuce.toml").write_text(
        '[stages.seedling]\nair_night = { low = 7, high = 63, of = "air", source = "own" }\n'
    )
    path = site(site='crops = "mine"', mat='driver = "gpio", pin = 40, active = "low"', port=0)
    found = await check(path)
    assert {one.place for one in found} == {
        "mqtt.port",
        "bench.lower.mat.device.pin",
        str(tmp_path / "mine" / "lettuce.toml"),
    }
    assert all(one.severity == "problem" for one in found)
    pin = at(found, "bench.lower.mat.device.pin")
    assert (pin.text, pin.mend) == ("40", "Allowed: 0 to 27")
    assert "-10 to 45 °C" in at(found, str(tmp_path / "mine" / "lettuce.toml")).text


async def test_a_configuration_that_is_not_there_is_a_problem(tmp_path: Path) -> None:
    found = await check(tmp_path / "nowhere.toml")
    assert "No such file" in problems(found)[0].text


async def test_a_typo_in_a_probe_s_id_gets_the_nearest_that_is_there(
    site: Callable[..., Path], probes: Callable[..., None], tmp_path: Path
) -> None:
    probes({SOIL: 22.0, "28-00000a1b2c4f": 20.0})
    found = await check(site())
    lost = at(found, "bench.lower.probes.back.device.id")
    assert lost.severity == "problem"
    assert "did you mean 28-00000a1b2c4f?" in lost.text
    spare = at(found, str(tmp_path / "w1"))
    assert spare.severity == "caution"
    assert "28-00000a1b2c4f" in spare.text
    assert "reads 20.0 °C" in spare.text


async def test_a_bus_that_is_not_there_is_named_with_how_to_turn_it_on(
    site: Callable[..., Path],
) -> None:
    found = await check(site())
    assert "w1-gpio" in at(found, "hardware.onewire_devices").mend


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("", "is not there"),
        (w1_slave_text(85.0), "power-on"),
        (w1_slave_text(20.0).replace("crc=", "crc=0"), "garbled"),
        (w1_slave_text(20.0).replace("YES", "NO"), "check sum"),
        (w1_slave_text(20.0)[:-30], "garbled"),
        (w1_slave_text(80.0), "reads what can't be"),
    ],
    ids=["silent", "power-on", "garbled", "crc", "cut short", "out of range"],
)
async def test_each_way_a_probe_lies_is_told_in_words_with_a_mend(
    said: str, words: str, site: Callable[..., Path], probes: Callable[..., None]
) -> None:
    probes({SOIL: said, OTHER: 20.0})
    found = await check(site())
    bad = at(found, "bench.lower.probes.front")
    assert bad.severity == "problem"
    assert words in bad.text
    assert bad.mend
    assert at(found, "bench.lower.probes.back").severity == "fine"


async def test_a_probe_that_hangs_holds_up_neither_the_others_nor_the_check(
    site: Callable[..., Path],
    probes: Callable[..., None],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(daemon.check, "CONVERSION_LIMIT", 0.1)
    probes({OTHER: 20.0})
    (tmp_path / "w1" / SOIL).mkdir()
    os.mkfifo(tmp_path / "w1" / SOIL / "w1_slave")  # a reader waits for ever for a writer
    found = await check(site())
    assert "does not answer in time" in at(found, "bench.lower.probes.front").text
    assert at(found, "bench.lower.probes.back").severity == "fine"
    hung = [one for one in threading.enumerate() if one is not threading.main_thread()]
    assert all(one.daemon for one in hung)
    # Let the thread go.
    with (tmp_path / "w1" / SOIL / "w1_slave").open("w"):
        pass


@pytest.mark.parametrize(
    ("pin", "active", "warned"), [(5, "low", False), (17, "low", True), (5, "high", True)]
)
async def test_a_relay_that_may_close_before_the_daemon_starts_is_warned_of(
    pin: int, active: str, warned: bool, site: Callable[..., Path], probes: Callable[..., None]
) -> None:
    probes({SOIL: 20.0, OTHER: 20.0})
    found = await check(site(mat=f'driver = "gpio", pin = {pin}, active = "{active}"'))
    told = [one for one in found if one.place == "bench.lower.mat.device.pin"]
    assert bool(told) is warned
    assert all(one.severity == "caution" for one in told)


async def test_a_relay_on_the_pin_of_the_bus_is_warned_of(
    site: Callable[..., Path], probes: Callable[..., None]
) -> None:
    probes({SOIL: 20.0, OTHER: 20.0})
    found = await check(site(mat='driver = "gpio", pin = 4, active = "low"'))
    assert "1-Wire" in at(found, "bench.lower.mat.device.pin").text


async def test_a_plug_that_neither_reports_nor_ends_by_itself_is_warned_of(
    site: Callable[..., Path], probes: Callable[..., None]
) -> None:
    probes({SOIL: 20.0, OTHER: 20.0})
    bare = await check(site(mat='driver = "mqtt", topic = "plug/set"'))
    assert at(bare, "bench.lower.mat.device.state_topic").severity == "caution"
    assert "{lease}" in at(bare, "bench.lower.mat.device.payload_on").text
    good = 'topic = "plug/set", state_topic = "plug", payload_on = "on {lease}"'
    found = await check(site(mat=f'driver = "mqtt", {good}'))
    assert not [one for one in found if one.place.startswith("bench.lower.mat")]


async def test_a_limit_below_what_a_crop_s_seed_likes_is_a_caution_that_names_the_crop(
    site: Callable[..., Path], probes: Callable[..., None]
) -> None:
    probes({SOIL: 20.0, OTHER: 20.0})
    found = await check(site(site="soil_limit = 29"))
    one = at(found, "site.soil_limit")
    assert one.severity == "caution"
    assert "pepper" in one.text


async def test_a_password_that_everybody_can_read_is_a_problem(
    site: Callable[..., Path], probes: Callable[..., None], tmp_path: Path
) -> None:
    probes({SOIL: 20.0, OTHER: 20.0})
    secret = tmp_path / "secret"
    secret.write_text("heron\n")
    path = site(mqtt='username = "hotbed"\npassword_file = "secret"')
    secret.chmod(0o644)
    assert "chmod 640" in at(await check(path), "mqtt.password_file").mend
    secret.chmod(0o640)
    assert at(await check(path), "mqtt.password_file").severity == "fine"
    secret.unlink()
    gone = at(await check(path), "mqtt.password_file")
    assert gone.severity == "problem"
    assert "cannot be read" in gone.text


@pytest.mark.parametrize(
    ("mqtt", "told"),
    [
        ({"broker": "192.0.2.7", "tls": False}, ["caution"]),  # RFC 5737: nobody's address
        ({"broker": "loft.example", "tls": False}, ["caution"]),
        ({"broker": "127.0.0.1", "tls": False}, []),
        ({"broker": "::1", "tls": False}, []),
        ({"broker": "localhost", "tls": False}, []),
        ({"broker": "embedded", "tls": False}, []),
        ({"broker": "192.0.2.7", "tls": True}, []),
    ],
)
def test_a_password_in_the_clear_is_a_caution_and_a_key_that_everybody_can_read_a_problem(
    site: Callable[..., Path], tmp_path: Path, mqtt: dict[str, Any], told: list[str]
) -> None:
    secret = tmp_path / "secret"
    secret.touch(0o640)
    settings = Mqtt(username="hotbed", password_file=secret, **mqtt)
    config = load(site()).model_copy(update={"mqtt": settings})
    assert [one.severity for one in _secrets(config) if one.place == "mqtt.tls"] == told
    key = tmp_path / "key"
    key.touch()
    key.chmod(0o644)
    keyed = Mqtt(broker="loft.example", tls=True, cert_file=key, key_file=key)
    (found,) = _secrets(config.model_copy(update={"mqtt": keyed}))
    assert (found.place, found.severity) == ("mqtt.key_file", "problem")


async def test_a_port_that_another_program_has_is_a_problem(
    site: Callable[..., Path], probes: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(daemon.check, "CONNECT_LIMIT", 0.3)
    probes({SOIL: 20.0, OTHER: 20.0})

    async def deaf(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.close()

    server = await asyncio.start_server(deaf, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        found = await check(site(port=port))
    assert "another program listens" in at(found, "mqtt.port").text
    assert at(found, "mqtt.port").severity == "problem"


async def test_a_broker_that_is_away_is_a_problem(
    site: Callable[..., Path], probes: Callable[..., None]
) -> None:
    probes({SOIL: 20.0, OTHER: 20.0})
    found = await check(site(mqtt='broker = "127.0.0.1"'))
    assert "refused the connection" in at(found, "mqtt.broker").text


async def test_thermometers_are_heard_at_a_real_broker(
    site: Callable[..., Path],
    mosquitto: Callable[..., Awaitable[Any]],
    foreign: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(daemon.check, "LISTEN", 1.0)
    broker = await mosquitto()
    path = site(
        port=broker.port,
        mqtt='broker = "127.0.0.1"',
        front='driver = "mqtt", topic = "shed/soil", path = "t"',
        back='driver = "mqtt", topic = "shed/other"',
    )
    # What the broker had kept may be days old, and is no reading.
    await foreign.say(broker, "shed/other", b"17.5", "-r")

    async def speak() -> None:
        while True:
            await foreign.say(broker, "shed/soil", b'{"t": 21.5}')
            await asyncio.sleep(0.1)

    speaking = asyncio.create_task(speak())
    try:
        found = await check(path)
    finally:
        speaking.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await speaking
    assert at(found, "mqtt.broker").severity == "fine"
    assert at(found, "bench.lower.probes.front").text == "21.5 °C (soil)"
    silent = at(found, "bench.lower.probes.back")
    assert silent.severity == "caution"
    assert "nothing heard on shed/other" in silent.text


async def test_a_broker_that_refuses_the_password_says_so(
    site: Callable[..., Path], mosquitto: Callable[..., Awaitable[Any]]
) -> None:
    broker = await mosquitto("allow_anonymous false")
    path = site(
        port=broker.port,
        mqtt='broker = "127.0.0.1"',
        front='driver = "mqtt", topic = "shed/soil"',
        back='driver = "mqtt", topic = "shed/other"',
    )
    assert "not authorised" in at(await check(path), "mqtt.broker").text


async def test_lamps_that_the_watts_do_not_suffice_for_are_named(tmp_path: Path) -> None:
    path = tmp_path / "hotbed.toml"
    lamps = "".join(
        f'[bench.{name}]\ntrays = 1\nlamp = {{ watts = 80, device = {{ driver = "gpio", pin = {pin}, '
        'active = "low" } }\n'
        for pin, name in enumerate(("upper", "lower"), 4)
    )
    path.write_text(
        'schema = 1\nsite = { name = "alder-lane", zone = "UTC", power_budget = 120 }\n'
        f'hardware = {{ pins = "mock" }}\n{lamps}',
        encoding="utf-8",
    )
    said = [one.text for one in await check(path) if one.place == "site.power_budget"]
    assert any("all lamps together switch 160 W and 120 W are allowed" in one for one in said)


async def test_a_command_that_calls_people_must_be_there_and_may_be_run(tmp_path: Path) -> None:
    barred = tmp_path / "barred.sh"
    barred.write_text("exit 0", encoding="utf-8")
    barred.chmod(0o644)
    people = "".join(
        f'[[calls.people]]\nname = "P{n}"\ncommand = ["{path}"]\n'
        for n, path in enumerate((tmp_path / "absent", barred, "/bin/sh"))
    )
    path = tmp_path / "hotbed.toml"
    path.write_text(
        'schema = 1\nsite = { name = "plum-row", zone = "UTC" }\n[bench.shelf]\ntrays = 1\n'
        'lamp = { watts = 9, device = { driver = "simulated" } }\n' + people,
        encoding="utf-8",
    )
    found = {one.place: one for one in await check(path) if one.place.startswith("calls")}
    assert "there is no program" in found["calls.people[1].command"].text
    assert "may not be run" in found["calls.people[2].command"].text
    assert "calls.people[3].command" not in found
