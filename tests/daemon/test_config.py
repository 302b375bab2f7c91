"""A configuration is taken whole or refused whole, with the place, the value and what is allowed."""

from __future__ import annotations

import copy
import re
import string
import tempfile
from datetime import time, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.config import (
    MAX_BENCHES,
    PLACES,
    Config,
    ConfigError,
    GpioDevice,
    MqttRelayDevice,
    load,
    parse,
)
from daemon.state import ProofSpec, Site
from drivers.mqtt import MqttRelaySettings
from profiles.library import load_library

EXAMPLE = Path(__file__).parents[2] / "systemd" / "hotbed.toml.example"
FILE = Path("/srv/fern/hotbed.toml")

#: A small site that is in order; each test below spoils one thing in it.
SITE: dict[str, Any] = {
    "schema": 1,
    "site": {"name": "fern-lane", "zone": "Europe/Berlin"},
    "bench": {
        "shelf": {
            "trays": 2,
            "lamp": {"watts": 84, "device": {"driver": "gpio", "pin": 6, "active": "low"}},
            "mat": {"watts": 35, "device": {"driver": "gpio", "pin": 5, "active": "low"}},
            "probes": [
                {
                    "name": "left",
                    "measures": "soil",
                    "device": {"driver": "onewire", "id": "28-00000a1b2c3d"},
                },
                {
                    "name": "right",
                    "measures": "soil",
                    "device": {"driver": "onewire", "id": "28-00000a1b2c4e"},
                },
            ],
        }
    },
}


def _site(*changes: tuple[str, Any]) -> dict[str, Any]:
    """SITE with the value at each dotted place replaced; list items are counted from 0."""
    data = copy.deepcopy(SITE)
    for place, value in changes:
        *above, last = (int(part) if part.isdigit() else part for part in place.split("."))
        node: Any = data
        for part in above:
            node = node.setdefault(part, {}) if isinstance(node, dict) else node[part]
        node[last] = value
    return data


def _problems(data: dict[str, Any]) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse(data, FILE)
    assert str(caught.value) == "\n".join(f"{FILE}: {one}" for one in caught.value.problems)
    return caught.value.problems


def _tariff(**more: Any) -> dict[str, Any]:
    return {"currency": "EUR", "price": 0.3} | more


def _plug(**more: Any) -> dict[str, Any]:
    return {"driver": "mqtt", "topic": "shed/plug/set"} | more


def _air(name: str, **device: Any) -> dict[str, Any]:
    return {"name": name, "measures": "air", "device": device or {"driver": "simulated"}}


# ------------------------------------------------------------------------------------- accepted


def test_a_site_in_order_is_taken_with_its_defaults() -> None:
    config = parse(SITE, FILE)
    shelf = config.bench["shelf"]
    assert shelf.lamp is not None
    assert shelf.lamp.device == GpioDevice(driver="gpio", pin=6, active="low")
    assert shelf.lights_on is None
    assert config.site.tick == 60
    assert config.site.probe_grace == 120
    assert config.site.soil_limit == 35
    assert config.site.tz.key == "Europe/Berlin"
    assert config.places == PLACES
    assert config.mqtt.broker == "embedded"
    assert config.mqtt.port_or_default == 1883
    assert config.uses("gpio")
    assert config.uses("onewire")
    assert not config.uses("mqtt")


def test_lamps_begin_at_six_or_with_the_cheap_hours_unless_the_owner_says_otherwise() -> None:
    def lights_on(*changes: tuple[str, Any]) -> tuple[timedelta, bool]:
        shelf = Site.of(parse(_site(*changes), FILE), load_library()).benches["shelf"]
        return shelf.lights_on, shelf.lit_cheaply

    cheap = ("site.tariff", _tariff(off_peak={"from": "22:30", "to": "06:00", "price": 0.2}))
    assert lights_on() == (timedelta(hours=6), False)
    assert lights_on(("site.tariff", _tariff())) == (timedelta(hours=6), False)
    assert lights_on(cheap) == (timedelta(hours=22.5), True)
    assert lights_on(cheap, ("bench.shelf.lights_on", "00:00")) == (timedelta(), False)


def test_the_example_is_a_valid_site_with_two_soil_probes_a_bench() -> None:
    config = load(EXAMPLE)
    assert set(config.bench) == {"lower", "upper"}
    assert config.bench["lower"].lamp is None
    assert config.bench["upper"].lamp is not None
    for bench in config.bench.values():
        assert bench.mat is not None
        assert [probe.measures for probe in bench.probes] == ["soil", "soil"]
        for relay in (bench.lamp, bench.mat):
            if relay is not None:
                assert isinstance(relay.device, GpioDevice)
                # The pins of a Raspberry Pi that start pulled up, so that an active-low relay stays
                # off until the daemon has it (from memory of the BCM2835 manual, table 6-31).
                assert relay.device.active == "low"
                assert 0 <= relay.device.pin <= 8


def test_every_option_that_the_example_shows_is_valid(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    shown = re.sub(r"^#(?=[a-z_]+ = |\[)", "", text, flags=re.MULTILINE)
    path = tmp_path / "hotbed.toml"
    path.write_text(shown, encoding="utf-8")
    config = load(path)
    plain = load(EXAMPLE)
    assert set(config.bench) == {*plain.bench, "annex"}
    # Shown beside their keys are the defaults, but for those that are for the owner to choose.
    assert config.site.tariff is not None
    assert config.site == plain.site.model_copy(
        update={
            "places": ("greenhouse",), "crops": tmp_path / "crops", "tariff": config.site.tariff,
        }
    )  # fmt: skip
    assert config.hardware == plain.hardware
    assert config.mqtt.password_file == tmp_path / "mqtt-password"


def test_the_example_carries_the_usual_cautions() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    for caution in ("not a safety device", "GFCI", "thermal cut-out", "drip loop", "electrician"):
        assert caution in text


def test_relative_paths_are_taken_from_the_file_s_folder() -> None:
    config = parse(
        _site(
            ("site.crops", "crops"),
            ("mqtt.username", "fern"),
            ("mqtt.password_file", "secret"),
            ("hardware.onewire_devices", "devices"),
        ),
        FILE,
    )
    assert config.site.crops == FILE.parent / "crops"
    assert config.mqtt.password_file == FILE.parent / "secret"
    assert config.mqtt.ca_file is None
    assert config.hardware.onewire_devices == FILE.parent / "devices"
    absolute = parse(_site(("site.crops", "/srv/crops")), FILE)
    assert absolute.site.crops == Path("/srv/crops")


@pytest.mark.parametrize("value", ["23:30", time(23, 30)])
def test_lights_on_is_text_or_a_toml_time(value: object) -> None:
    assert parse(_site(("bench.shelf.lights_on", value)), FILE).bench["shelf"].lights_on == time(
        23, 30
    )


@pytest.mark.parametrize("host", ["broker.example", "192.0.2.7", "2001:db8::7", "fe80::1%eth0"])
def test_a_broker_is_a_name_or_an_address(host: str) -> None:
    assert parse(_site(("mqtt.broker", host)), FILE).mqtt.broker == host


def test_with_tls_the_port_is_8883() -> None:
    config = parse(_site(("mqtt.broker", "broker.example"), ("mqtt.tls", True)), FILE)
    assert config.mqtt.port_or_default == 8883
    config = parse(_site(("mqtt.port", 1999)), FILE)
    assert config.mqtt.port_or_default == 1999


def test_a_plug_has_the_settings_of_the_driver_and_the_same_defaults() -> None:
    bare = MqttRelayDevice(driver="mqtt", topic="shed/plug/set")
    assert bare.settings() == MqttRelaySettings("shed/plug/set")
    full = MqttRelayDevice(
        driver="mqtt",
        topic="a",
        payload_on="1",
        payload_off="0",
        state_topic="b",
        state_path="relay.0",
        state_on="x",
        state_off="y",
        reports="changes",
        qos=0,
        confirm_within=5,
    )
    assert full.settings() == MqttRelaySettings(
        "a", "1", "0", "b", "relay.0", "x", "y", "changes", 0, 5
    )


# -------------------------------------------------------------------------------------- refused

LAMP, MAT, PROBE = "bench.shelf.lamp", "bench.shelf.mat", "bench.shelf.probes.0"


@pytest.mark.parametrize(
    ("place", "value", "line"),
    [
        # pins
        (f"{MAT}.device.pin", 28, "bench.shelf.mat.device.pin: 28; allowed: 0 to 27"),
        (f"{MAT}.device.pin", -1, "bench.shelf.mat.device.pin: -1; allowed: 0 to 27"),
        (
            f"{MAT}.device.pin",
            True,
            "bench.shelf.mat.device.pin: true; allowed: 0 to 27 (a whole number)",
        ),
        (
            f"{MAT}.device.pin",
            5.0,
            "bench.shelf.mat.device.pin: 5.0; allowed: 0 to 27 (a whole number)",
        ),
        (
            f"{MAT}.device.pin",
            "5",
            "bench.shelf.mat.device.pin: '5'; allowed: 0 to 27 (a whole number)",
        ),
        (
            f"{MAT}.device.pin",
            6,
            "bench.shelf.lamp and bench.shelf.mat are on the same pin 6; each needs its own",
        ),
        (f"{MAT}.device.active", "on", "bench.shelf.mat.device.active: 'on'; allowed: high, low"),
        # drivers
        (
            f"{MAT}.device.driver",
            "gpoi",
            "bench.shelf.mat.device.driver: 'gpoi'; did you mean 'gpio'?; "
            "allowed: gpio, mqtt, simulated",
        ),
        (
            f"{PROBE}.device",
            {},
            "bench.shelf.probes[1].device.driver: is missing; allowed: mqtt, onewire, simulated",
        ),
        # watts
        (f"{MAT}.watts", -35, "bench.shelf.mat.watts: -35; allowed: over 0 to 3000"),
        (f"{MAT}.watts", 0, "bench.shelf.mat.watts: 0; allowed: over 0 to 3000"),
        (f"{MAT}.watts", float("nan"), "bench.shelf.mat.watts: nan; allowed: over 0 to 3000"),
        (f"{MAT}.watts", True, "bench.shelf.mat.watts: true; allowed: over 0 to 3000 (a number)"),
        (f"{MAT}.watts", "35", "bench.shelf.mat.watts: '35'; allowed: over 0 to 3000 (a number)"),
        (
            f"{MAT}.watts",
            1500,
            "bench.shelf.mat.watts: 1500 could never be on; "
            "allowed: at most site.power_budget, 1000",
        ),
        # the site
        ("site.tick", 0.1, "site.tick: 0.1; allowed: 0.2 to 60"),
        ("site.tick", 61, "site.tick: 61; allowed: 0.2 to 60"),
        ("site.tick", float("inf"), "site.tick: inf; allowed: 0.2 to 60"),
        (
            "site.probe_grace",
            30,
            "site: probe_grace (30 s) is shorter than a tick (60 s): allowed: 60 to 600",
        ),
        ("site.soil_limit", 45, "site.soil_limit: 45; allowed: 25 to 40"),
        ("site.units", "K", "site.units: 'K'; allowed: C, F"),
        (
            "site.name",
            "Fern Lane",
            "site.name: 'Fern Lane'; allowed: small letters, digits and hyphens, 1 to 32 characters",
        ),
        ("site.places", "shed", "site.places: 'shed'; allowed: a list"),
        ("site.crops", "", "site.crops: '': not a path; allowed: the name of a file or folder"),
        ("site.crops", 5, "site.crops: 5; allowed: the name of a file or folder"),
        (
            "site.tariff",
            {"price": 0.3},
            "site.tariff.currency: is missing; allowed: 1 to 8 characters",
        ),
        ("site.tariff", _tariff(price=-1), "site.tariff.price: -1; allowed: 0 to 1000000"),
        (
            "site.tariff",
            _tariff(off_peak={"from": "22:00", "to": "22:00", "price": 0.2}),
            "site.tariff.off_peak: from and to are both 22:00; allowed: two different times",
        ),
        (
            "site.tariff",
            _tariff(off_peak={"from": "6:00", "to": "06:00", "price": 0.2}),
            "site.tariff.off_peak.from: '6:00': a time of day is written \"HH:MM\"; "
            "allowed: 00:00 to 23:59",
        ),
        # unknown keys
        ("site.soil_limt", 35, "site.soil_limt: no such key; did you mean 'soil_limit'?"),
        ("sight", {}, "sight: no such key; did you mean 'site'?"),
        (f"{MAT}.watt", 5, "bench.shelf.mat.watt: no such key; did you mean 'watts'?"),
        (f"{MAT}.device.pim", 5, "bench.shelf.mat.device.pim: no such key; did you mean 'pin'?"),
        ("schema", 2, "schema: 2; allowed: 1"),
        # benches
        ("bench", {}, "bench: 0 entries; allowed: a table of 1 to 64 entries"),
        ("bench", [], "bench: a list; allowed: a table of 1 to 64 entries"),
        ("bench.shelf.trays", 0, "bench.shelf.trays: 0; allowed: over 0 to 64"),
        ("bench.shelf.hysteresis", 0, "bench.shelf.hysteresis: 0; allowed: 0.0625 to 2"),
        (
            "bench.shelf.probes",
            [],
            "bench.shelf: a bench with a mat needs a probe that measures soil, "
            "or the mat could never be on",
        ),
        (
            "bench.porch",
            {"trays": 1, "lamp": {"watts": 9, "device": {"driver": "simulated"}}},
            "bench.porch: the name is taken by a place; choose another",
        ),
        (
            "bench.bare",
            {"trays": 1},
            "bench.bare: a bench has a lamp, a mat or both; for a place with neither use site.places",
        ),
        (
            "bench.Attic",
            {"trays": 1, "lamp": {"watts": 9, "device": {"driver": "simulated"}}},
            "bench.Attic: 'Attic'; allowed: small letters, digits and hyphens, 1 to 32 characters",
        ),
        # probes
        (f"{PROBE}.offset", 6, "bench.shelf.probes[1].offset: 6; allowed: -5 to 5"),
        (f"{PROBE}.name", "right", "bench.shelf.probes: two probes named 'right'"),
        (
            f"{PROBE}.measures",
            "sol",
            "bench.shelf.probes[1].measures: 'sol'; did you mean 'soil'?; allowed: soil, air",
        ),
        (
            f"{PROBE}.device.id",
            "28-00000a1b2c4e",
            "bench.shelf.probes.left and bench.shelf.probes.right are on the same "
            "probe id 28-00000a1b2c4e; each needs its own",
        ),
        ("room", [_air("door"), _air("door")], "room: two probes named 'door'"),
        (
            "room",
            [{"name": "pot", "measures": "soil", "device": {"driver": "simulated"}}],
            "room: room probe 'pot' measures soil; allowed: air",
        ),
        # the broker
        ("mqtt.port", 0, "mqtt.port: 0; allowed: 1 to 65535"),
        (
            "mqtt.broker",
            "broker.example:1883",
            "mqtt.broker: 'broker.example:1883': neither \"embedded\" nor a host name or address "
            "alone (the port has a key of its own)",
        ),
        (
            "mqtt.tls",
            True,
            "mqtt: the embedded broker listens on loopback only and has no TLS; "
            "name another broker, or remove tls, ca_file and cert_file",
        ),
        ("mqtt.tls", "yes", "mqtt.tls: 'yes'; allowed: true or false"),
        (
            "mqtt",
            {"broker": "broker.example", "ca_file": "ca.pem"},
            "mqtt: ca_file, cert_file and key_file need tls = true",
        ),
        (
            "mqtt",
            {"broker": "broker.example", "tls": True, "cert_file": "own.pem"},
            "mqtt: cert_file and key_file go together",
        ),
        ("mqtt.password_file", "secret", "mqtt: password_file needs username"),
        # plugs
        (
            f"{LAMP}.device",
            _plug(topic="shed/+/set"),
            "bench.shelf.lamp.device.topic: 'shed/+/set': topic 'shed/+/set' must name one device: "
            "no wildcard + or #",
        ),
        (
            f"{LAMP}.device",
            _plug(payload_off="ON"),
            "bench.shelf.lamp.device: payload_on and payload_off are the same",
        ),
        (
            f"{LAMP}.device",
            _plug(state_on="Off"),
            "bench.shelf.lamp.device: state_on and state_off are the same",
        ),
        (
            f"{LAMP}.device",
            _plug(state_topic="shed/plug/set"),
            "bench.shelf.lamp.device: state_topic is the command topic: our own voice would confirm",
        ),
        (
            f"{LAMP}.device",
            _plug(confirm_within=0),
            "bench.shelf.lamp.device.confirm_within: 0; allowed: 1 to 120",
        ),
    ],
)
def test_one_slip_is_refused_in_one_line(place: str, value: object, line: str) -> None:
    assert _problems(_site((place, value))) == [line]


@pytest.mark.parametrize(
    "value", ["25:00", "24:00", "06:60", "6:00", "6", "", "６:00", "06:00\n", 6, 6.5, True, [6]]
)
def test_lights_on_is_a_time_of_day_and_nothing_near_it(value: object) -> None:
    (line,) = _problems(_site(("bench.shelf.lights_on", value)))
    assert line.startswith("bench.shelf.lights_on: ")
    assert line.endswith("allowed: 00:00 to 23:59")


@pytest.mark.parametrize(
    "value",
    [
        "28-00000a1b2c3",  # one digit short
        "28-00000a1b2c3d0",  # one too many
        "28-00000a1b2c3g",  # not hexadecimal
        "28-00000A1B2C3D",  # capitals, which the kernel does not write
        "2800000a1b2c3d",  # no hyphen
        "29-00000a1b2c3d",  # a switch, not a thermometer
        "../28-00000a1b2c3d",
        "",
    ],
)
def test_a_probe_id_with_a_typo_is_refused(value: str) -> None:
    (line,) = _problems(_site((f"{PROBE}.device.id", value)))
    assert line.startswith(f"bench.shelf.probes[1].device.id: {value!r}: ")
    assert "28" in line


@pytest.mark.parametrize(
    ("zone", "hint"),
    [
        ("Europe/Berln", "did you mean Europe/Berlin"),
        ("Berlin", "did you mean Europe/Berlin"),
        ("", "like Europe/Berlin"),
        ("/usr/share/zoneinfo/UTC", ""),
        ("../UTC", ""),
        ("Europe", ""),
    ],
)
def test_an_unknown_zone_is_refused(zone: str, hint: str) -> None:
    (line,) = _problems(_site(("site.zone", zone)))
    assert line.startswith(f"site.zone: {zone!r}: not a time zone of the IANA database")
    assert hint in line


def test_a_device_on_another_bench_or_in_the_room_counts_as_taken() -> None:
    attic = {"trays": 1, "lamp": {"watts": 9, "device": _plug(topic="shed/a", state_topic="s")}}
    cellar = {"trays": 1, "lamp": {"watts": 9, "device": _plug(topic="shed/b", state_topic="s")}}
    (line,) = _problems(_site(("bench.attic", attic), ("bench.cellar", cellar)))
    assert line.startswith("bench.attic.lamp and bench.cellar.lamp are on the same state topic s;")
    room = _air("door", driver="onewire", id="28-00000a1b2c3d")
    (line,) = _problems(_site(("room", [room])))
    assert line.startswith("bench.shelf.probes.left and room.door are on the same probe id")


def test_one_topic_may_carry_the_state_of_several_plugs_and_several_figures() -> None:
    def lamp(one: str) -> dict[str, Any]:
        device = _plug(topic=f"strip/{one}/set", state_topic="strip", state_path=one)
        return {"trays": 1, "lamp": {"watts": 9, "device": device}}

    figures = [_air(one, driver="mqtt", topic="shed/sensor", path=one) for one in ("t1", "t2")]
    parse(_site(("bench.a", lamp("l1")), ("bench.b", lamp("l2")), ("room", figures)), FILE)


def test_a_moisture_probe_is_on_mqtt_and_its_two_looks_differ() -> None:
    probe = {"dry": 310, "wet": 620, "device": {"driver": "mqtt", "topic": "annex/mix"}}
    bench = parse(_site(("bench.shelf.moisture", probe)), FILE).bench["shelf"]
    assert bench.moisture is not None
    assert (bench.moisture.dry, bench.moisture.wet) == (310, 620)
    with pytest.raises(ConfigError, match="dry and wet are both 310; allowed: two that differ"):
        parse(_site(("bench.shelf.moisture", {**probe, "wet": 310})), FILE)
    same = _site(("bench.shelf.moisture", probe), ("bench.shelf.probes.0.name", "moisture"))
    with pytest.raises(ConfigError, match="named 'moisture' beside the moisture probe"):
        parse(same, FILE)


PROOF = {"measures": "power", "device": {"driver": "mqtt", "topic": "plug/w", "path": "watts"}}


def test_half_of_a_lamps_watts_proves_it_lit_unless_told_and_light_must_be_told() -> None:
    lamp = parse(_site(("bench.shelf.lamp.proof", PROOF)), FILE).bench["shelf"].lamp
    assert lamp is not None
    assert lamp.proof is not None
    assert lamp.proof.lit_from(lamp.watts) == 42
    light = parse(
        _site(("bench.shelf.lamp.proof", PROOF | {"measures": "light", "least": 3000.0})), FILE
    )
    proof = Site.of(light, load_library()).benches["shelf"].lamp
    assert proof is not None
    assert proof.proof == ProofSpec("shelf/lamp.proof", "light", 3000.0)


@pytest.mark.parametrize(
    ("proof", "said"),
    [
        ({"measures": "light"}, "light needs `least`: the lux that it reads with the lamp lit"),
        (
            {"least": 85.0},
            "proof.least is 85 W, more than the lamp draws; allowed: up to its watts, 84",
        ),
        ({"least": 0.0}, "bench.shelf.lamp.proof.least: 0.0; allowed: over 0"),
        ({"measures": "heat"}, "bench.shelf.lamp.proof.measures: 'heat'; allowed: power, light"),
        ({"device": {"driver": "gpio", "pin": 3}}, "'gpio'; allowed: mqtt, simulated"),
    ],
)
def test_a_proof_that_can_prove_nothing_is_refused(proof: dict[str, Any], said: str) -> None:
    (problem,) = _problems(_site(("bench.shelf.lamp.proof", PROOF | proof)))
    assert said in problem


def test_one_meter_proves_one_lamp() -> None:
    other = {
        "trays": 1,
        "lamp": {"watts": 20, "device": {"driver": "simulated"}, "proof": PROOF},
    }
    (problem,) = _problems(_site(("bench.shelf.lamp.proof", PROOF), ("bench.annex", other)))
    assert "bench.shelf.lamp.proof and bench.annex.lamp.proof are on the same topic" in problem


def test_every_problem_is_listed_at_once() -> None:
    assert _problems(
        _site((f"{MAT}.watts", -1), (f"{LAMP}.device.pin", 99), ("site.tic", 5), ("site.tick", 99))
    ) == [
        "site.tick: 99; allowed: 0.2 to 60",
        "site.tic: no such key; did you mean 'tick'?",
        "bench.shelf.lamp.device.pin: 99; allowed: 0 to 27",
        "bench.shelf.mat.watts: -1; allowed: over 0 to 3000",
    ]
    # Also those that only show between one device and another.
    assert _problems(
        _site((f"{MAT}.device.pin", 6), (f"{PROBE}.name", "right"), ("site.power_budget", 50))
    ) == [
        "bench.shelf.lamp and bench.shelf.mat are on the same pin 6; each needs its own",
        "bench.shelf.probes: two probes named 'right'",
        "bench.shelf.lamp.watts: 84 could never be on; allowed: at most site.power_budget, 50",
    ]


def test_more_benches_than_one_site_runs_are_refused() -> None:
    bench = {"trays": 1, "lamp": {"watts": 9, "device": {"driver": "simulated"}}}
    many = {f"b{number}": bench for number in range(MAX_BENCHES + 1)}
    assert _problems(_site(("bench", many))) == [
        "bench: 65 entries; allowed: a table of 1 to 64 entries"
    ]
    many.popitem()
    parse(_site(("bench", many)), FILE)


# ------------------------------------------------------------------------------------- the file


def _refused(path: Path) -> str:
    with pytest.raises(ConfigError) as caught:
        load(path)
    (problem,) = caught.value.problems
    assert str(caught.value) == f"{path}: {problem}"
    return problem


def test_a_missing_file_a_folder_and_a_locked_file_are_told_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert _refused(tmp_path / "none.toml") == "cannot be read: No such file or directory"
    assert _refused(tmp_path) == "cannot be read: Is a directory"

    def locked(*_: object, **__: object) -> str:  # root, who may run the tests, may read anything
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_text", locked)
    assert _refused(tmp_path / "locked.toml") == "cannot be read: Permission denied"


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"schema = 1\n[site\n", r"is not TOML: .*line 2.*"),
        (b"schema = 1\nschema = 1\n", r"is not TOML: .*line 2.*"),
        (b"schema = 1\n# pr\xfcfen\n", r"is not UTF-8 text \(byte 15\)"),
        (b"schema = " + b"9" * 5000, r"is not TOML: .*"),
        (b"schema = " + b"[" * 5000, r"is nested too deeply"),
        (b"", r"schema: is missing; allowed: 1"),
    ],
    ids=["bad-line", "twice", "latin-1", "huge", "deep", "empty"],
)
def test_a_file_that_is_no_toml_is_refused_with_the_line(
    content: bytes, problem: str, tmp_path: Path
) -> None:
    path = tmp_path / "hotbed.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        load(path)
    assert re.fullmatch(problem, caught.value.problems[0])


def test_a_byte_order_mark_and_carriage_returns_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "hotbed.toml"
    text = EXAMPLE.read_text(encoding="utf-8")
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert load(path) == load(EXAMPLE).model_copy()


# --------------------------------------------------------------------------- whatever it may hold


def _words(model: dict[str, Any]) -> list[str]:
    found = [
        key for part in (model, *model["$defs"].values()) for key in part.get("properties", {})
    ]
    tags = ["gpio", "mqtt", "onewire", "simulated", "soil", "air", "low", "C", "06:00", "embedded"]
    return sorted({*found, *tags, "Europe/Berlin", "28-00000a1b2c3d"})


_WORDS = _words(Config.model_json_schema())
_SCALARS = (
    st.none()
    | st.booleans()
    | st.integers(-5, 100)
    | st.integers()
    | st.floats()
    | st.times()
    | st.datetimes()
    | st.text(st.characters(), max_size=8)
    | st.sampled_from(_WORDS)
)
_KEYS = st.sampled_from(_WORDS) | st.text(string.ascii_lowercase + "-[]. \x1b", max_size=6)
_VALUES = st.recursive(
    _SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_KEYS, inner, max_size=5),
    max_leaves=25,
)


def _places(node: Any, above: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    below: list[tuple[Any, Any]] = []
    if isinstance(node, dict):
        below = list(node.items())
    elif isinstance(node, list):
        below = list(enumerate(node))
    return [above, *(place for key, value in below for place in _places(value, (*above, key)))]


def _taken_or_refused(data: dict[str, Any]) -> None:
    problems: list[str] = []
    try:
        config = parse(data, FILE)
    except ConfigError as error:
        problems = error.problems
    else:
        # What is taken is fit to be acted on.
        pins = [
            device.pin
            for bench in config.bench.values()
            for relay in (bench.lamp, bench.mat)
            if relay is not None and isinstance(device := relay.device, GpioDevice)
        ]
        assert len(pins) == len(set(pins))
        assert config.site.tick <= config.site.probe_grace <= 600
        assert 25 <= config.site.soil_limit <= 40
        return
    assert problems
    for problem in problems:
        assert problem
        assert problem.isprintable()


@given(st.dictionaries(_KEYS, _VALUES, max_size=6))
def test_no_table_raises_anything_but_a_refusal(data: dict[str, Any]) -> None:
    _taken_or_refused(data)


@given(st.sampled_from([one for one in _places(SITE) if one]), _VALUES)
def test_no_value_at_any_place_raises_anything_but_a_refusal(
    place: tuple[str | int, ...], value: Any
) -> None:
    data = copy.deepcopy(SITE)
    node: Any = data
    for part in place[:-1]:
        node = node[part]
    node[place[-1]] = value
    _taken_or_refused(data)


@given(st.binary(max_size=80) | st.text(max_size=80).map(str.encode))
def test_no_file_raises_anything_but_a_refusal(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hotbed.toml"
        path.write_bytes(content)
        with pytest.raises(ConfigError):
            load(path)
