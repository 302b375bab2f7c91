"""The daemon as a process, asked from a second terminal, killed, started again.

On kernel-format probe files and gpiozero's mock pins, whose state is seen by the daemon's own report;
with mosquitto where it is installed, and with the embedded broker.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from drivers.onewire import w1_slave_text

ROOT = Path(__file__).parent.parent
SOIL = "28-0000075e2a1b"
SETTINGS = """
schema = 1
[site]
name = "larch-end"
zone = "Europe/Berlin"
tick = 0.25
probe_grace = 1.5
[mqtt]
broker = "{broker}"
port = {port}
[hardware]
pins = "mock"
onewire_devices = "w1"
[bench.east]
trays = 2
control = "hysteresis"
lights_on = "{lights_on}"
mat = {{ watts = 40, min_on = 0, min_off = 0, device = {{ driver = "gpio", pin = 17, active = "low" }} }}
lamp = {{ watts = 9, min_on = 0, min_off = 0, device = {{ driver = "gpio", pin = 27, active = "high" }} }}
[[bench.east.probes]]
name = "front"
measures = "soil"
device = {{ driver = "onewire", id = "{soil}" }}
"""


class Daemon:
    """A daemon process on a folder, and a terminal beside it."""

    def __init__(self, folder: Path, broker: str, port: int) -> None:
        self.folder = folder
        self.config = folder / "hotbed.toml"
        # The lamp's hours begin now, whenever the test runs.
        self.config.write_text(
            SETTINGS.format(broker=broker, port=port, soil=SOIL, lights_on=time.strftime("%H:00"))
        )
        self.process: subprocess.Popen[str] | None = None

    def _command(self, *words: str) -> list[str]:
        return [sys.executable, "-m", "daemon.cli", *words]

    def _environment(self) -> dict[str, str]:
        return {**os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1", "COLUMNS": "200"}

    def start(self) -> None:
        log = (self.folder / "log").open("a")
        words = ("run", "--config", str(self.config), "--state", str(self.folder / "state"))
        self.process = subprocess.Popen(
            self._command(*words), env=self._environment(), stdout=log, stderr=log, text=True
        )
        log.close()

    def ask(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self._command(*words, "--config", str(self.config)),
            env=self._environment(), text=True, capture_output=True, timeout=30, check=False,
        )  # fmt: skip

    def status(self) -> dict[str, Any]:
        done = self.ask("status", "--json")
        return dict(json.loads(done.stdout)["result"]) if done.returncode == 0 else {}

    def bench(self) -> dict[str, Any]:
        found = self.status().get("benches", {})
        if isinstance(found, list):
            found = {one["bench"]: one for one in found}
        return dict(found.get("east", {}))

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)

    def stop(self) -> int:
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(20)


def put(folder: Path, celsius: float) -> None:
    """What the probe's file says from now on, replaced whole as the kernel serves it."""
    device = folder / "w1" / SOIL
    device.mkdir(parents=True, exist_ok=True)
    fresh = device / "new"
    fresh.write_text(w1_slave_text(celsius))
    fresh.replace(device / "w1_slave")


def until(condition: Callable[[], Any], within: float = 15.0) -> Any:
    deadline = time.monotonic() + within
    while not (found := condition()):
        assert time.monotonic() < deadline, f"not within {within} s"
        time.sleep(0.05)
    return found


@pytest.fixture
def daemon(broker: Any, tmp_path: Path, free_port: int) -> Iterator[Daemon]:
    kind = type(broker).__name__
    one = Daemon(
        tmp_path, *(("127.0.0.1", broker.port) if kind == "Mosquitto" else ("embedded", free_port))
    )
    put(tmp_path, 24.5)
    one.start()
    try:
        until(one.bench)
        yield one
    finally:
        if one.process is not None and one.process.poll() is None:
            one.process.kill()
            one.process.wait(10)


def change(daemon: Daemon, folder: Path, celsius: float) -> None:
    """A new temperature, and wait until the daemon has read it: two at once would be a jump."""
    put(folder, celsius)
    until(lambda: abs(daemon.bench()["readings"][0]["celsius"] - celsius) < 0.05)


def mat(daemon: Daemon) -> bool:
    return bool(daemon.bench()["mat"]["on"])


async def test_a_cold_probe_file_switches_the_mat_s_pin_on_and_a_lost_one_off(
    daemon: Daemon, tmp_path: Path
) -> None:
    sown = daemon.ask("sow", "tomato", "--bench", "east", "--cells", "72", "--by", "Ilse")
    assert sown.returncode == 0, sown.stderr
    until(lambda: mat(daemon))
    warm = 24.5
    while warm < 26.4:  # no faster than a reading may change without being taken for a jump
        warm += 0.4
        change(daemon, tmp_path, warm)
    until(lambda: not mat(daemon))
    assert daemon.bench()["soil"] > 25.5
    while warm > 24.9:
        warm -= 0.4
        change(daemon, tmp_path, warm)
    until(lambda: mat(daemon))
    (tmp_path / "w1" / SOIL / "w1_slave").unlink()
    lost = time.monotonic()
    until(lambda: not mat(daemon), within=5)
    assert time.monotonic() - lost < 1.5 + 2.5  # the grace, and two looks at the terminal
    assert "no-soil-reading.east" in until(lambda: daemon.ask("alarms", "--json").stdout)
    assert daemon.stop() == 0


async def test_a_killed_daemon_goes_on_with_its_batches_stages_and_outputs(
    daemon: Daemon, tmp_path: Path
) -> None:
    assert daemon.ask("sow", "pepper", "--bench", "east", "--cells", "72").returncode == 0
    assert daemon.ask("sow", "onion", "--bench", "east", "--cells", "100").returncode == 0
    assert daemon.ask("stage", "ONI1", "seedling").returncode == 0
    assert daemon.ask("keep", "east", "lamp", "off", "--by", "Ilse").returncode == 0
    until(lambda: mat(daemon))
    before = daemon.status()
    daemon.kill()
    daemon.start()
    assert daemon.process is not None
    started = time.monotonic()
    until(lambda: daemon.bench() and mat(daemon))
    assert time.monotonic() - started < 10
    after = daemon.status()

    def standing(status: dict[str, Any]) -> list[tuple[Any, ...]]:
        batches = status["batches"]
        if isinstance(batches, dict):
            batches = list(batches.values())
        return sorted(
            (one["batch"], one["stage"], one["place"], one["since"], one["revision"])
            for one in batches
        )

    assert standing(after) == standing(before)
    bench = daemon.bench()
    assert bench["lamp"]["kept"] == "off"
    assert bench["lamp"]["kept_by"] == "Ilse"
    assert not bench["lamp"]["on"]
    assert bench["aim"] == daemon.bench()["aim"]
    assert daemon.stop() == 0


async def test_a_refused_configuration_moves_no_pin_and_says_why(
    daemon: Daemon, tmp_path: Path
) -> None:
    assert daemon.stop() == 0
    text = daemon.config.read_text()
    daemon.config.write_text(
        text.replace("pin = 27", "pin = 17").replace("tick = 0.25", "tick = 75")
    )
    for words in (("check",), ("run", "--state", str(tmp_path / "other"))):
        refused = daemon.ask(*words)
        assert refused.returncode == 1
        said = refused.stdout + refused.stderr
        assert "site.tick" in said
        assert "0.2 to 60" in said
    assert not (tmp_path / "other").exists()
    daemon.config.write_text(text.replace("pin = 27", "pin = 17"))
    refused = daemon.ask("check")
    assert "pin 17" in refused.stdout + refused.stderr


YARD = """
[bench.east.moisture]
dry = 600
wet = 300
device = { driver = "mqtt", topic = "east/mix", path = "counts" }
[[outdoor]]
name = "fence"
measures = "air"
device = { driver = "mqtt", topic = "yard/fence" }
[night_low]
driver = "mqtt"
topic = "yard/forecast"
path = "low"
unit = "F"
"""


async def test_outdoor_air_tonight_s_low_and_moisture_arrive_over_the_broker(
    broker: Any, tmp_path: Path, free_port: int
) -> None:
    kind = type(broker).__name__
    port = broker.port if kind == "Mosquitto" else free_port
    daemon = Daemon(tmp_path, "127.0.0.1" if kind == "Mosquitto" else "embedded", port)
    daemon.config.write_text(daemon.config.read_text() + YARD)
    put(tmp_path, 24.5)
    daemon.start()
    try:
        until(daemon.bench)
        for words in (
            "sow tomato --bench east",
            "sow celery --place porch",
            "stage CEL1 hardening",
        ):
            done = daemon.ask(*words.split(), "--by", "Ilse")
            assert done.returncode == 0, done.stderr

        def batch(code: str) -> dict[str, Any]:
            batches = daemon.status()["batches"]
            found = batches.values() if isinstance(batches, dict) else batches
            return dict(next(one for one in found if one["batch"] == code))

        def task(code: str, kind: str) -> str:
            return " ".join(one["text"] for one in batch(code)["tasks"] if one["kind"] == kind)

        assert daemon.bench()["moisture"] is None
        assert "air is not measured" in str(batch("CEL1")["findings"])
        assert "give tonight's low" in task("CEL1", "tonights-low")
        async with aiomqtt.Client("127.0.0.1", port) as client:

            async def says(topic: str, payload: str) -> None:
                await client.publish(topic, payload, qos=1)

            await says("yard/fence", "4.5")
            await says("yard/forecast", '{"low": 33.8}')
            await says("east/mix", '{"counts": 630}')
            until(lambda: daemon.bench()["moisture"] == 1.8)
            assert "the moisture probe reads 1.8 of 5" in task("TOM1", "water")
            until(lambda: not task("CEL1", "tonights-low"))
            until(lambda: "h of air under" in str(batch("CEL1")["findings"]))
            await says("east/mix", '{"counts": 300}')
            until(lambda: daemon.bench()["moisture"] == 4.0)
            assert task("TOM1", "water") == ""
            assert "moisture  4.0 of 5" in daemon.ask("status").stdout
            await says("east/mix", "dry")  # garbled: nothing is claimed
            until(lambda: daemon.bench()["moisture"] is None)
        assert daemon.stop() == 0
    finally:
        if daemon.process is not None and daemon.process.poll() is None:
            daemon.process.kill()
            daemon.process.wait(10)
