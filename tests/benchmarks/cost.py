"""What the daemon costs to run: processor, memory, start, lateness, answers; floors beside them.

The daemon is a process of its own, on mosquitto and mock pins, with a folder of 1-Wire files for
probes and plugs that a thread here plays. Each bench has a batch, a lamp on a plug, a mat and two
soil probes. A probe that hangs is a file that is never written to. Needs mosquitto.

    python -m tests.benchmarks cost [--quick] [--json]
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import quantiles

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from daemon.client import Client
from daemon.config import Config, load
from drivers.onewire import w1_slave_text
from tests.benchmarks.tables import Cell, Table

ROOT = Path(__file__).parents[2]
SITES = (1, 16, 64)
#: The pins of a board; further mats hang on plugs.
PINS = 28
GROWERS = ("Marit", "Joss", "Ona")
CROPS = ("tomato", "pepper", "lettuce", "basil")
#: The tick [s] at which lateness is measured, or it would take days.
QUICK = 0.5
#: How often the daemon looks at a 1-Wire probe [s] (see `daemon.hardware`), and so the bare loop.
LOOK = 10.0
BARE = """
import contextlib, importlib, sys, time
for name in sys.argv[1:]:
    with contextlib.suppress(Exception):
        importlib.import_module(name)
print("ready", flush=True)
time.sleep(3600)
"""
BARE_LOOP = """
import sys, threading, time
def look(path):
    while True:
        with open(path, "rb") as file:
            int(file.read(200).rpartition(b"t=")[2])
        time.sleep({look})
for path in sys.argv[1:]:
    threading.Thread(target=look, args=(path,), daemon=True).start()
print("ready", flush=True)
time.sleep(3600)
"""


@dataclass
class Site:
    """A site of so many benches in a folder, its broker, and the plugs and probes around it."""

    folder: Path
    benches: int
    tick: float
    port: int

    def write(self, hung: bool) -> None:
        """The configuration and the probes' files; hung: the last bench's second one never answers."""
        bench_tables = []
        for n in range(self.benches):
            name, pin = f"b{n:02}", n
            mat = (
                f'{{ driver = "gpio", pin = {pin}, active = "low" }}'
                if pin < PINS
                else self._plug(name, "mat")
            )
            lamp = self._plug(name, "lamp")
            bench_tables.append(
                f"[bench.{name}]\ntrays = 2\nlamp = {{ watts = 60, device = {lamp} }}\n"
                f"mat = {{ watts = 36, device = {mat} }}\n"
                + "".join(
                    f'[[bench.{name}.probes]]\nname = "{probe}"\nmeasures = "soil"\n'
                    f'device = {{ driver = "onewire", id = "{self._probe(n, k)}" }}\n'
                    for k, probe in enumerate(("front", "back"))
                )
            )
            for k in range(2):
                device = self.folder / "w1" / self._probe(n, k)
                device.mkdir(parents=True, exist_ok=True)
                if hung and n == self.benches - 1 and k == 1:
                    (device / "w1_slave").unlink(missing_ok=True)
                    os.mkfifo(device / "w1_slave")
        self.feel(19.0)
        self.config.write_text(
            f'schema = 1\n[site]\nname = "alder-cost"\nzone = "Europe/Copenhagen"\ntick = {self.tick:g}\n'
            f'power_budget = 8000\n[mqtt]\nbroker = "127.0.0.1"\nport = {self.port}\n[hardware]\n'
            f'pins = "mock"\nonewire_devices = "w1"\n' + "".join(bench_tables)
        )

    def feel(self, celsius: float) -> None:
        """Have every probe read so much; replaced whole, as a half-written file is a fault."""
        for path in self.probe_files():
            fresh = path.with_name("new")
            fresh.write_text(w1_slave_text(celsius))
            fresh.replace(path)

    def probe_files(self) -> list[Path]:
        """Those that answer."""
        files = (device / "w1_slave" for device in sorted((self.folder / "w1").iterdir()))
        return [path for path in files if not path.is_fifo()]

    @staticmethod
    def _probe(bench: int, k: int) -> str:
        return f"28-{bench * 2 + k + 1:012x}"

    @staticmethod
    def _plug(name: str, kind: str) -> str:
        topic = f"plug/{name}-{kind}"
        return f'{{ driver = "mqtt", topic = "{topic}/set", state_topic = "{topic}/state" }}'

    @property
    def config(self) -> Path:
        return self.folder / "hotbed.toml"

    def loaded(self) -> Config:
        """The configuration, read."""
        return load(self.config)


@contextlib.contextmanager
def broker(folder: Path) -> Iterator[int]:
    """A mosquitto on loopback, with plugs on it that do as they are told; its port."""
    program = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin:/usr/local/sbin")
    if program is None:
        raise SystemExit("mosquitto is not installed")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    user = "user root\n" if os.geteuid() == 0 else ""
    settings = folder / "mosquitto.conf"
    settings.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n{user}"
    )
    process = subprocess.Popen([program, "-c", str(settings)], stderr=subprocess.DEVNULL)
    plugs = paho.Client(CallbackAPIVersion.VERSION2)

    def switched(client: paho.Client, _: object, message: paho.MQTTMessage) -> None:
        client.publish(message.topic.replace("/set", "/state"), message.payload, retain=True)

    plugs.on_message = switched
    try:
        for _ in range(100):
            with contextlib.suppress(OSError):
                plugs.connect("127.0.0.1", port)
                break
            time.sleep(0.05)
        plugs.subscribe("plug/+/set", 1)
        plugs.loop_start()
        yield port
    finally:
        plugs.disconnect()
        plugs.loop_stop()
        process.kill()
        process.wait(10)


@dataclass
class Running:
    """The daemon as a process; started: seconds from its start to the end of its first tick."""

    process: subprocess.Popen[bytes]
    started: float


@contextlib.contextmanager
def daemon(site: Site, out: Path | None = None) -> Iterator[Running]:
    """Run it until the block ends; out: where the times of its ticks are then written."""
    state, notify = site.folder / "state", site.folder / "notify"
    notify.unlink(missing_ok=True)
    environment = {
        **os.environ, "MALLOC_ARENA_MAX": "1",  # as the unit sets it
        "PYTHONPATH": str(ROOT), "NOTIFY_SOCKET": str(notify), "NO_COLOR": "1",
    }  # fmt: skip
    program = ["daemon.cli"] if out is None else ["tests.benchmarks.timed_daemon", str(out)]
    words = ["-m", *program, "run", "--config", str(site.config), "--state", str(state)]
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear,
        (site.folder / "log").open("ab") as log,
    ):
        ear.bind(str(notify))
        ear.settimeout(60)
        began = time.monotonic()
        process = subprocess.Popen(
            [sys.executable, *words], env=environment, stdout=log, stderr=log, cwd=site.folder
        )
        try:
            while b"READY=1" not in ear.recv(4096):
                pass
            yield Running(process, time.monotonic() - began)
            process.send_signal(signal.SIGTERM)
            process.wait(30)
        finally:
            process.kill()
            process.wait(10)


@contextlib.contextmanager
def bare(code: str, arguments: list[str]) -> Iterator[int]:
    """A process that runs `code`, once it has said "ready"; its number."""
    process = subprocess.Popen(
        [sys.executable, "-c", code, *arguments], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        env={**os.environ, "W1THERMSENSOR_NO_KERNEL_MODULE": "1"},
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        yield process.pid
    finally:
        process.kill()
        process.wait(10)


def cpu_seconds(pid: int) -> float:
    """Processor time that the threads of a process have had [s]."""
    spent = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        with contextlib.suppress(OSError):  # a thread that ended meanwhile
            spent += int((task / "schedstat").read_text().split()[0])
    return spent / 1e9


def cpu_share(pid: int, seconds: float) -> float:
    """Per cent of one core over so long."""
    before, began = cpu_seconds(pid), time.monotonic()
    time.sleep(seconds)
    return 100 * (cpu_seconds(pid) - before) / (time.monotonic() - began)


def memory(pid: int) -> tuple[float, float]:
    """Resident and proportional size [MiB]."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    sizes = {line.split(":")[0]: int(line.split()[1]) for line in lines[1:] if line.endswith("kB")}
    return sizes["Rss"] / 1024, sizes["Pss"] / 1024


async def sow(site: Site) -> None:
    """A batch on every bench, so that each has something to do."""
    config = site.loaded()
    async with Client(config.mqtt, config.site.name) as client:
        for n, name in enumerate(config.bench):
            arguments = {"crop": CROPS[n % len(CROPS)], "place": name, "trays": 1}
            answer = await client.ask("sow", arguments, by="Marit")
            assert answer.ok, answer.error


async def ask(site: Site, many: int) -> list[float]:
    """Seconds from each of so many requests, one after the other, to its answer.

    Nobody may ask too often, so that three take turns, ten times a second.
    """
    config, taken = site.loaded(), []
    async with Client(config.mqtt, config.site.name) as client:
        for n in range(many):
            arguments = {"bench": "b00", "relay": "mat", "to": "auto" if n % 2 else "off"}
            began = time.monotonic()
            answer = await client.ask("keep", arguments, by=GROWERS[n % len(GROWERS)])
            taken.append(time.monotonic() - began)
            assert answer.ok, answer.error
            await asyncio.sleep(0.11)
    return taken


def shares(values: list[float]) -> tuple[float, float, float]:
    """p50, p99 and the worst, in milliseconds."""
    cuts = quantiles(values, n=100, method="inclusive")
    return cuts[49] * 1e3, cuts[98] * 1e3, max(values) * 1e3


def watched(site: Site, seconds: float) -> tuple[list[dict[str, float]], list[str]]:
    """Its ticks, of so many seconds with readings that change, and the modules it imported."""
    out = site.folder / "watched.json"
    with daemon(site, out):
        asyncio.run(sow(site))
        for step in range(max(1, round(seconds))):
            site.feel(19.0 + step % 2 / 16)
            time.sleep(1.0)
    found = json.loads(out.read_text())
    return found["ticks"][site.benches + 3 :], found["modules"]


def benchmark(quick: bool, jobs: int) -> list[Table]:
    """Start, memory and processor at the default tick; lateness at a quick one; answers."""
    del jobs  # each process is measured by itself
    cost: list[list[Cell]] = []
    late: list[list[Cell]] = []
    answers: list[list[Cell]] = []
    span, asked = (15.0, 100) if quick else (60.0, 500)
    modules: list[str] = []
    for benches in SITES:
        for hung in (False, True):
            with tempfile.TemporaryDirectory() as name, broker(Path(name)) as port:
                site = Site(Path(name), benches, QUICK, port)
                site.write(hung)
                ticks, modules = watched(site, 15 if quick else 60)
                times = [shares([one[key] for one in ticks]) for key in ("late", "took")]
                hangs = "one" if hung else "none"
                late.append([benches, QUICK, hangs, len(ticks), *times[0], *times[1]])
    with bare(BARE, modules) as pid:
        floor = memory(pid)
        cost.append(
            ["bare process, same libraries", None, cpu_share(pid, 5), *floor, 1.0, None, None]
        )
    for benches in SITES:
        with tempfile.TemporaryDirectory() as name, broker(Path(name)) as port:
            site = Site(Path(name), benches, 60.0, port)
            site.write(hung=True)
            with bare(
                BARE_LOOP.format(look=LOOK), [str(path) for path in site.probe_files()]
            ) as pid:
                loop = f"bare loop, same probes ({2 * benches - 1})"
                share = cpu_share(pid, max(10, span / 4))
                cost.append([loop, benches, share, *memory(pid), None, None, None])
            with daemon(site) as running:
                asyncio.run(sow(site))
                pid = running.process.pid
                time.sleep(2)
                share, (rss, pss) = cpu_share(pid, span), memory(pid)
                taken = asyncio.run(ask(site, asked))
                answers.append([benches, asked, *shares(taken)])
            with daemon(site) as running:
                again = [running.started, cpu_seconds(running.process.pid)]
            cost.append(["the daemon", benches, share, rss, pss, rss / floor[0], *again])
    return [
        Table(
            "What it costs: a decision every 60 s, one probe hangs",
            (
                *("process", "benches", "CPU %", "RSS MiB", "PSS MiB", "RSS / bare"),
                *("first tick s", "CPU s till then"),
            ),
            cost,
            (
                "CPU in per cent of one core, all threads. First tick: from the start of the process to "
                "the end of its first decision, relays told, with the batches of before.",
                f"Load of the machine meanwhile: {os.getloadavg()[2]:.1f} processes on {os.cpu_count()} "
                "cores (mean of 15 minutes); a busy one counts in all times but the processor's.",
            ),
        ),
        Table(
            "Lateness of ticks, and how long a tick takes, ms",
            (
                *("benches", "tick s", "hung probes", "ticks", "late p50", "late p99", "worst"),
                *("takes p50", "takes p99", "longest"),
            ),
            late,
        ),
        Table(
            "Request to answer through mosquitto on loopback, written to disk first, ms",
            ("benches", "requests", "p50", "p99", "worst"),
            answers,
        ),
    ]
