"""Which driver stands behind which name, and every end is off: on mock pins and the kernel's files."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from daemon import service
from daemon.clock import SystemClock
from daemon.config import Config, Mqtt, load
from daemon.hardware import Hardware, build, drive_off
from daemon.journal import Journal, read_events
from daemon.service import Service
from daemon.simulated import as_simulated, build_world
from daemon.state import Memory, Site
from daemon.wire import Wire
from drivers.gpio import GpioRelay
from drivers.mqtt import MqttProbe, MqttRelay
from drivers.onewire import OneWireProbe, w1_slave_text
from drivers.protocols import DriverError, Quality, Reading, RelayState
from profiles.library import load_library
from sim.devices import SimProbe, SimRelay

SOIL, AIR = "28-00000a1b2c3d", "28-00000a1b2c3e"
CHECKOUT = Path(__file__).parents[2]
SHED = """
schema = 1
[site]
name = "quince-yard"
zone = "Europe/Berlin"
tick = 0.2
probe_grace = 1.0
[mqtt]
broker = "127.0.0.1"
[hardware]
pins = "mock"
onewire_devices = "w1"
[bench.shelf]
trays = 2
control = "hysteresis"
mat = { watts = 40, min_on = 0, min_off = 0, device = { driver = "gpio", pin = 17, active = "low" } }
lamp = { watts = 60, device = { driver = "gpio", pin = 27, active = "high" } }
[[bench.shelf.probes]]
name = "soil"
measures = "soil"
offset = 0.5
device = { driver = "onewire", id = "28-00000a1b2c3d" }
"""
PLUGS = """
[bench.window]
trays = 1
lamp = { watts = 20, device = { driver = "mqtt", topic = "plug/lamp/set" } }
[bench.window.mat]
watts = 20
[bench.window.mat.device]
driver = "mqtt"
topic = "plug/mat/set"
state_topic = "plug/mat/state"
confirm_within = 1
[[bench.window.probes]]
name = "soil"
measures = "soil"
device = { driver = "mqtt", topic = "soil/c", unit = "F" }
[[room]]
name = "wall"
measures = "air"
device = { driver = "onewire", id = "28-00000a1b2c3e" }
"""


class Folder:
    """1-Wire devices as the kernel shows them; files are replaced whole."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._fifos: list[Path] = []

    def put(self, celsius: float, device: str = SOIL) -> None:
        file = self.path / device / "w1_slave"
        file.parent.mkdir(parents=True, exist_ok=True)
        fresh = file.with_suffix(".new")
        fresh.write_text(w1_slave_text(celsius))
        fresh.replace(file)

    def delete(self, device: str = SOIL) -> None:
        (self.path / device / "w1_slave").unlink()

    def hang(self, device: str = SOIL) -> None:
        fifo = self.path / device / "hung"
        fifo.parent.mkdir(parents=True, exist_ok=True)
        os.mkfifo(fifo)
        os.link(fifo, fifo.with_suffix(".new"))
        fifo.with_suffix(".new").replace(fifo.with_name("w1_slave"))
        self._fifos.append(fifo)

    def release(self) -> None:
        for fifo in self._fifos:
            os.close(os.open(fifo, os.O_RDWR | os.O_NONBLOCK))


@pytest.fixture
def w1(tmp_path: Path) -> Iterator[Folder]:
    folder = Folder(tmp_path / "w1")
    yield folder
    folder.release()


def config_at(folder: Path, *parts: str) -> Config:
    path = folder / "shed.toml"
    path.write_text("\n".join(parts or (SHED,)))
    return load(path)


class StandInLink:
    """A connection that keeps what is published, and plugs that answer for it."""

    def __init__(self, *, connected: bool = True, answers: dict[str, bytes] | None = None) -> None:
        self.connected = connected
        self.answers = answers or {}
        self.published: list[tuple[str, bytes]] = []
        self._heard: dict[str, Callable[[str, bytes, bool], None]] = {}

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = False) -> None:
        self.published.append((topic, payload))
        state = topic.replace("/set", "/state")
        if state in self._heard and topic in self.answers:
            heard = self._heard[state]
            asyncio.get_running_loop().call_soon(heard, state, self.answers[topic], False)

    def subscribe(self, topic: str, heard: Callable[[str, bytes, bool], None]) -> None:
        self._heard[topic] = heard


# --- building --------------------------------------------------------------------------------------


def test_each_device_gets_the_driver_that_it_names_under_its_place(tmp_path: Path) -> None:
    link = StandInLink()
    hardware = build(config_at(tmp_path, SHED, PLUGS), SystemClock(), link)
    assert {name: type(probe) for name, probe in hardware.probes.items()} == {
        "shelf/soil": OneWireProbe,
        "window/soil": MqttProbe,
        "room/wall": OneWireProbe,
    }
    assert {name: type(relay) for name, relay in hardware.relays.items()} == {
        "shelf/lamp": GpioRelay,
        "shelf/mat": GpioRelay,
        "window/lamp": MqttRelay,
        "window/mat": MqttRelay,
    }
    mat = hardware.relays["shelf/mat"]
    assert isinstance(mat, GpioRelay)
    assert (mat.pin, mat.active) == (17, "low")
    soil = hardware.probes["window/soil"]
    assert isinstance(soil, MqttProbe)
    assert soil.settings.unit == "F"


def test_two_probes_on_one_bus_share_its_time(tmp_path: Path) -> None:
    hardware = build(config_at(tmp_path, SHED, PLUGS), SystemClock(), StandInLink())
    one, other = hardware.probes["shelf/soil"], hardware.probes["room/wall"]
    assert isinstance(one, OneWireProbe)
    assert isinstance(other, OneWireProbe)
    assert one._bus is other._bus
    assert one._bus.limit == 4.0


def test_simulated_devices_are_the_world_s_and_need_one(tmp_path: Path) -> None:
    config = as_simulated(config_at(tmp_path, SHED, PLUGS))
    with pytest.raises(DriverError, match=r"shelf/soil is simulated: run with --simulate"):
        build(config, SystemClock(), None)
    world = build_world(config, start_utc=1_800_000_000.0)
    hardware = build(config, SystemClock(), None, world=world)
    assert all(isinstance(one, SimProbe) for one in hardware.probes.values())
    assert all(isinstance(one, SimRelay) for one in hardware.relays.values())
    assert set(hardware.probes) == {"shelf/soil", "window/soil", "room/wall"}


async def test_a_lamps_meter_is_heard_in_its_own_unit_and_simulated_from_what_is_lit(
    tmp_path: Path,
) -> None:
    device = '{ driver = "mqtt", topic = "plug/w", path = "watts" }'
    proof = f'lamp = {{ proof = {{ measures = "power", device = {device} }}, '
    config = config_at(tmp_path, SHED.replace("lamp = { ", proof))
    clock, link = SystemClock(), StandInLink()
    hardware = build(config, clock, link)
    meter = hardware.probes["shelf/lamp.proof"]
    await meter.start()
    for payload, reads in ((b'{"watts": 58.5}', 58.5), (b'{"watts": 1500}', 1500.0)):
        link._heard["plug/w"]("plug/w", payload, False)
        assert (meter.latest().value, meter.latest().quality) == (reads, Quality.OK)
    link._heard["plug/w"]("plug/w", b'{"watts": -3}', False)
    assert meter.latest().quality is Quality.OUT_OF_RANGE
    simulated = as_simulated(config)
    world = build_world(simulated, start_utc=1.8e9)
    devices = build(simulated, clock, None, world=world)
    lamp = devices.relays["shelf/lamp"]
    assert devices.probes["shelf/lamp.proof"].latest().value == 0.0
    lamp.set(True, 60.0)
    assert devices.probes["shelf/lamp.proof"].latest().value == 60.0
    with pytest.raises(DriverError, match="is simulated: run with --simulate"):
        build(simulated, clock, link)


def test_a_device_on_mqtt_without_a_broker_is_named(tmp_path: Path) -> None:
    with pytest.raises(DriverError, match=r"window/soil is on MQTT, and no broker is at hand"):
        build(config_at(tmp_path, SHED, PLUGS), SystemClock(), None)


@pytest.mark.parametrize(
    ("parts", "loaded"),
    [
        ((SHED,), {"gpiozero", "w1thermsensor"}),
        (("schema = 1\nsite = { name = 'a', zone = 'UTC' }", PLUGS.split("[[room]]")[0]), set()),
    ],
    ids=["pins and 1-wire", "plugs alone"],
)
def test_only_the_drivers_that_are_used_are_loaded(
    tmp_path: Path, parts: tuple[str, ...], loaded: set[str]
) -> None:
    config_at(tmp_path, *parts)
    code = """
import asyncio, json, sys
from pathlib import Path
from daemon.clock import SystemClock
from daemon.config import Mqtt, load
from daemon.hardware import build
from daemon.wire import Wire
async def main():
    hardware = build(load(Path("shed.toml")), SystemClock(), Wire(Mqtt(), "a"))
    await hardware.start()
    await hardware.close()
asyncio.run(main())
print(json.dumps([*sys.modules]))
"""
    told = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], cwd=tmp_path, capture_output=True, text=True,
        env={"PYTHONPATH": str(CHECKOUT), "PATH": os.environ["PATH"]}, timeout=60, check=False,
    )  # fmt: skip
    assert told.returncode == 0, told.stderr
    tops = {name.partition(".")[0] for name in json.loads(told.stdout)}
    assert tops & {"gpiozero", "w1thermsensor", "lgpio", "numpy", "sim", "amqtt"} == loaded


# --- starting and ending ---------------------------------------------------------------------------


class Part:
    """A device that keeps what is done to it, and fails where told."""

    def __init__(self, log: list[str], name: str, *fails: str, error: type[Exception]) -> None:
        self.log, self.name, self.fails, self.error = log, name, fails, error

    def _do(self, what: str) -> None:
        self.log.append(f"{self.name} {what}")
        if what in self.fails:
            raise self.error(f"{self.name} does not {what}")

    async def start(self) -> None:
        self._do("start")

    async def close(self) -> None:
        self._do("close")

    def set(self, on: bool, lease: float) -> None:
        self._do("on" if on else "off")

    def state(self) -> RelayState:
        return RelayState(False)

    def latest(self) -> Reading:
        return Reading(None, Quality.MISSING, 0.0)


def parts(log: list[str], **fails: str) -> Hardware:
    def part(name: str) -> Part:
        return Part(log, name, fails.get(name, ""), error=DriverError)

    return Hardware({"soil": part("soil")}, {name: part(name) for name in ("lamp", "mat", "fan")})


async def test_a_relay_that_is_not_to_be_had_keeps_no_other_from_being_driven_off() -> None:
    log: list[str] = []
    hardware = parts(log, lamp="start", fan="start")
    with pytest.raises(DriverError) as problem:
        await hardware.start()
    assert str(problem.value).splitlines() == ["lamp does not start", "fan does not start"]
    assert log == [
        "lamp start", "mat start", "fan start", "lamp close", "mat close", "fan close", "soil close",
    ]  # fmt: skip


async def test_relays_are_off_before_any_probe_is_read() -> None:
    log: list[str] = []
    await parts(log).start()
    assert log == ["lamp start", "mat start", "fan start", "soil start"]


async def test_a_device_that_does_not_close_keeps_no_other_on(
    caplog: pytest.LogCaptureFixture,
) -> None:
    log: list[str] = []
    await parts(log, lamp="close", mat="close").close()
    assert log == ["lamp close", "mat close", "fan close", "soil close"]
    assert "lamp did not close: lamp does not close" in caplog.text


async def test_closing_drives_real_pins_off_and_then_lets_go_of_them(tmp_path: Path) -> None:
    hardware = build(config_at(tmp_path), SystemClock(), None)
    await hardware.start()
    mat, lamp = hardware.relays["shelf/mat"], hardware.relays["shelf/lamp"]
    assert isinstance(mat, GpioRelay)
    assert isinstance(lamp, GpioRelay)
    mat_pin, lamp_pin = mat._device.pin, lamp._device.pin
    assert (mat_pin.state, lamp_pin.state) == (1, 0)  # the mat's board is on when low
    mat.set(True, 60)
    lamp.set(True, 60)
    assert (mat_pin.state, lamp_pin.state) == (0, 1)

    async def refuse() -> None:
        raise OSError("stuck")

    lamp.close = refuse  # type: ignore[method-assign]
    await hardware.close()
    assert mat_pin.function == "input"
    assert mat_pin.states[-1].state == 1  # off was driven, then released
    del lamp.close
    await lamp.close()
    assert lamp_pin.states[-1].state == 0


async def test_the_mats_of_a_site_with_one_bad_pin_are_driven_off_all_the_same(
    tmp_path: Path,
) -> None:
    config = config_at(tmp_path)
    other = build(config, SystemClock(), None)
    assert isinstance(other.relays["shelf/lamp"], GpioRelay)
    hardware = build(config, SystemClock(), None)
    lamp, mat = hardware.relays["shelf/lamp"], hardware.relays["shelf/mat"]
    assert isinstance(lamp, GpioRelay)
    assert isinstance(mat, GpioRelay)
    holder = GpioRelay("another", 27, "high", lamp._factory)
    await holder.start()
    with pytest.raises(DriverError, match="GPIO27 is taken"):
        await hardware.start()
    pin = mat._factory.pin(17)
    assert [state.state for state in pin.states][-1] == 1
    assert pin.function == "input"
    await holder.close()


# --- everything off, without a daemon --------------------------------------------------------------


async def test_every_relay_is_driven_off_and_told_of(tmp_path: Path) -> None:
    link = StandInLink(answers={"plug/mat/set": b"OFF"})
    ends = await drive_off(config_at(tmp_path, SHED, PLUGS), link, SystemClock(), tmp_path)
    assert dict(line.split(": ", 1) for _, line in ends) == {
        "shelf/lamp": "off",
        "shelf/mat": "off",
        "window/lamp": "off",
        "window/mat": "off, and says so itself",
    }
    assert all(done for done, _ in ends)
    assert {("plug/mat/set", b"OFF"), ("plug/lamp/set", b"OFF")} <= set(link.published)


async def test_a_plug_that_says_otherwise_or_nothing_is_not_off_for_sure(tmp_path: Path) -> None:
    config = config_at(tmp_path, SHED, PLUGS)

    async def ends(answers: dict[str, bytes]) -> dict[str, tuple[bool, str]]:
        found = await drive_off(config, StandInLink(answers=answers), SystemClock(), tmp_path)
        return {line.partition(":")[0]: (done, line) for done, line in found}

    for lines in await asyncio.gather(ends({"plug/mat/set": b"ON"}), ends({})):
        assert lines["window/mat"][0] is False
        assert "NOT off for sure" in lines["window/mat"][1]
        assert lines["shelf/mat"] == (True, "shelf/mat: off")


async def test_one_relay_that_fails_leaves_the_others_to_be_driven_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = config_at(tmp_path, SHED, PLUGS)
    real = GpioRelay.start

    async def start(self: GpioRelay) -> None:
        if self.pin == 27:
            raise RuntimeError("the board is gone")
        await real(self)

    monkeypatch.setattr(GpioRelay, "start", start)
    ends = await drive_off(config, None, SystemClock(), tmp_path)
    assert [(done, line.split(": ")[:2]) for done, line in ends] == [
        (False, ["shelf/lamp", "NOT driven off"]),
        (True, ["shelf/mat", "off"]),
        (False, ["window/lamp", "NOT driven off"]),
        (False, ["window/mat", "NOT driven off"]),
    ]
    away = await drive_off(config, StandInLink(connected=False), SystemClock(), tmp_path)
    assert "out of reach" in away[3][1]
    assert not away[3][0]


async def test_simulated_relays_have_nothing_to_drive(tmp_path: Path) -> None:
    config = as_simulated(config_at(tmp_path, SHED, PLUGS))
    assert await drive_off(config, None, SystemClock(), tmp_path) == []


# --- the whole daemon on a probe's files and mock pins ---------------------------------------------


class Shed:
    """A service on the devices of a configuration, without a broker."""

    def __init__(self, config: Config, folder: Path) -> None:
        self.site = Site.of(config, load_library())
        self.journal = Journal.open(folder / "journal.db", time.time())
        self.wire = Wire(Mqtt(broker="127.0.0.1"), self.site.name, port=1)
        self.hardware = build(config, SystemClock(), self.wire)
        self.ticks = 0
        self.service = Service(
            self.site, self.hardware, self.journal, self.wire, SystemClock(), boot="b",
            observe=self._seen,
        )  # fmt: skip
        self.pins: dict[str, Any] = {}

    def _seen(self, memory: Memory) -> None:
        self.ticks += 1

    @asynccontextmanager
    async def running(self) -> AsyncIterator[Shed]:
        task = asyncio.create_task(self.service.run())
        try:
            while not self.ticks and not task.done():  # noqa: ASYNC110
                await asyncio.sleep(0.01)
            for name, relay in self.hardware.relays.items():
                if isinstance(relay, GpioRelay):
                    self.pins[name] = relay._device.pin
            yield self
        finally:
            self.service.stop()
            await asyncio.wait_for(task, 10)
            await self.journal.close()

    async def ask(self, kind: str, **arguments: Any) -> None:
        told: list[bytes] = []
        self.wire.reply = lambda topic, payload: told.append(payload)  # type: ignore
        now = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
        request = {
            "schema": 1, "id": f"request-{self.ticks}-{kind}", "kind": kind, "by": "Runa",
            "reply_to": f"{self.wire.topics.root}answer/x", "at": now, "sent_at": now,
            "valid_for": 60, "arguments": arguments,
        }  # fmt: skip
        await self.service._asked(json.dumps(request).encode())
        answer = json.loads(told[0])
        assert answer["ok"], answer["error"]

    @property
    def heats(self) -> bool:
        """Whether the mat's pin closes its relay: its board is on when low."""
        low: bool = self.pins["shelf/mat"].state == 0
        return low


async def test_a_probe_s_file_switches_the_mat_s_pin_and_its_absence_switches_it_off(
    tmp_path: Path, w1: Folder, eventually: Callable[..., Any]
) -> None:
    # Half a degree at a time, or it is a jump that no soil makes; the probe's offset is half a degree.
    aim = 25.5
    w1.put(aim - 0.75)
    shed = Shed(config_at(tmp_path), tmp_path)
    async with shed.running():
        pin = shed.pins["shelf/mat"]
        assert not shed.heats
        await shed.ask("sow", crop="tomato", place="shelf")
        await eventually(lambda: shed.heats)
        assert shed.service.memory.benches["shelf"].soil == aim - 0.25
        assert shed.service.tick().aims["shelf"].soil == aim
        w1.put(aim - 0.25)
        await eventually(lambda: not shed.heats)
        assert "no-soil-reading.shelf" not in shed.service.memory.alarms
        w1.put(aim - 0.75)
        await eventually(lambda: shed.heats)
        # The file goes: the kernel lost the probe.
        gone = time.monotonic()
        w1.delete()
        await eventually(lambda: not shed.heats)
        # The grace, a tick and a reading; and some for a busy machine.
        assert time.monotonic() - gone < 1.0 + 0.2 + 0.2 + 1.0
        await eventually(lambda: "no-soil-reading.shelf" in shed.service.memory.alarms)
        w1.put(aim - 0.75)
        await eventually(lambda: shed.heats)
        # It is gone for good only when it has been for half an hour: a bad plug would ring all day.
        assert shed.service.memory.alarms["no-soil-reading.shelf"].state == "active"
    # Off was driven at the end, and the pin let go of after.
    assert pin.states[-1].state == 1
    assert pin.function == "input"
    assert shed.pins["shelf/lamp"].function == "input"
    texts = [one.text for one in read_events(tmp_path / "journal.db", limit=None)]
    assert "no good soil reading: shelf: soil is not there" in texts
    offs = [text for text in texts if text.startswith("shelf: mat off")]
    assert any("no good soil reading for 1 s" in text for text in offs)


async def test_a_probe_whose_read_never_returns_delays_no_tick_and_no_end(
    tmp_path: Path, w1: Folder, eventually: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "FIRST_READINGS", 0.1)
    w1.hang(SOIL)
    w1.put(18.0, AIR)
    room = '[[room]]\nname = "wall"\nmeasures = "air"\n' + (
        'device = { driver = "onewire", id = "28-00000a1b2c3e" }\n'
    )
    shed = Shed(config_at(tmp_path, SHED, room), tmp_path)
    async with shed.running():
        await shed.ask("sow", crop="tomato", place="shelf")
        many = shed.ticks
        await eventually(lambda: shed.ticks >= many + 5)
        assert not shed.heats
        # The other probe on the bus is read.
        assert shed.service.memory.benches["shelf"].room == 18.0
        await eventually(lambda: "no-soil-reading.shelf" in shed.service.memory.alarms)
