"""The daemon as a process of its own, for tests that kill, stop, flood and starve it."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from drivers.onewire import w1_slave_text

ROOT = Path(__file__).parents[1]
SITE = "alder-row"
SOIL = "28-00000a1b2c3d"
SETTINGS = """
schema = 1
[site]
name = "{site}"
zone = "Europe/Copenhagen"
tick = {tick}
probe_grace = {grace}
[mqtt]
broker = "127.0.0.1"
port = {port}
{mqtt}
[hardware]
pins = "mock"
onewire_devices = "w1"
[bench.lower]
trays = 2
mat = {{ watts = 35, min_on = 0, min_off = 0, device = {mat} }}
[[bench.lower.probes]]
name = "left"
measures = "soil"
device = {{ driver = "onewire", id = "{soil}" }}
"""
PIN = '{ driver = "gpio", pin = 5, active = "low" }'
#: A plug that is told how long its "on" is for.
PLUG = (
    '{ driver = "mqtt", topic = "annex/plug/set", state_topic = "annex/plug", '
    'payload_on = "ON {lease}", payload_off = "OFF" }'
)


class Broker:
    """A mosquitto for those who are no coroutine; it stays away when none is installed."""

    def __init__(self, folder: Path, *lines: str) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port: int = probe.getsockname()[1]
        self._config = folder / f"mosquitto-{self.port}.conf"
        user = ("user root",) if os.geteuid() == 0 else ()
        listener = f"listener {self.port} 127.0.0.1"
        text = (listener, *(lines or ("allow_anonymous true",)), *user, "persistence false", "")
        self._config.write_text("\n".join(text))
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start, and wait until it listens."""
        program = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin:/usr/local/sbin")
        assert program is not None, "mosquitto is not installed"
        self._process = subprocess.Popen(
            [program, "-c", str(self._config)], stderr=subprocess.DEVNULL
        )
        until(self._listens, 5)

    def _listens(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.port)).close()
        except OSError:
            return False
        return True

    def stop(self) -> None:
        """Kill it: what it kept is gone."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait(10)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()


class Daemon:
    """A daemon on a folder and on a broker of this machine, with a mat that wants to be on.

    mat: its relay. mqtt: more lines of that section. tick: s, at most 1.
    """

    def __init__(
        self, folder: Path, port: int, *, mat: str = PIN, mqtt: str = "", tick: float = 0.25
    ) -> None:
        self.folder = folder
        self.config, self.state, self.log = folder / "hotbed.toml", folder / "state", folder / "log"
        self.config.write_text(
            SETTINGS.format(
                site=SITE, port=port, mat=mat, mqtt=mqtt, tick=tick, soil=SOIL, grace=60
            )
        )
        self.feel(18.0)
        self.process: subprocess.Popen[bytes] | None = None

    def feel(self, celsius: float) -> None:
        """Have the probe read so much from now on."""
        device = self.folder / "w1" / SOIL
        device.mkdir(parents=True, exist_ok=True)
        fresh = device / "new"
        fresh.write_text(w1_slave_text(celsius))
        fresh.replace(device / "w1_slave")

    def command(self, *words: str, config: Path | None = None) -> list[str]:
        """The program with its configuration."""
        named = ("--config", str(config or self.config))
        return [sys.executable, "-m", "daemon.cli", *words, *named]

    @property
    def run_command(self) -> list[str]:
        """What starts the daemon."""
        return self.command("run", "--state", str(self.state))

    @staticmethod
    def environment(**more: str) -> dict[str, str]:
        """What the program is started with."""
        plain = {key: value for key, value in os.environ.items() if key != "NOTIFY_SOCKET"}
        return {**plain, "PYTHONPATH": str(ROOT), "NO_COLOR": "1", "COLUMNS": "200", **more}

    def start(self, *words: str) -> subprocess.Popen[bytes]:
        """Start it, its words going to the log."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*self.run_command, *words], env=self.environment(), stdout=log, stderr=log
            )
        return self.process

    def ask(self, *words: str, config: Path | None = None) -> subprocess.CompletedProcess[str]:
        """Run the program beside it."""
        return subprocess.run(
            self.command(*words, config=config),
            env=self.environment(), text=True, capture_output=True, timeout=30, check=False,
        )  # fmt: skip

    def status(self) -> dict[str, Any]:
        """What it publishes; empty while nobody answers."""
        done = self.ask("status", "--json")
        return dict(json.loads(done.stdout)["result"]) if done.returncode == 0 else {}

    @property
    def resident(self) -> int:
        """Bytes of memory it holds now."""
        assert self.process is not None
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE")

    def kill(self) -> None:
        """End it without a chance to do anything about it."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)

    def stop(self) -> int:
        """End it in good order; its exit status."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(20)


def until(condition: Callable[[], Any], within: float = 15.0) -> Any:
    """Poll until it holds; what it returned."""
    deadline = time.monotonic() + within
    while not (found := condition()):
        assert time.monotonic() < deadline, f"not within {within} s"
        time.sleep(0.02)
    return found
