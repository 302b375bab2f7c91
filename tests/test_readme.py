"""Every command in README.md is executed, and its picture is what the program prints.

The two set-up commands are run as printed by `.ci/run`, in environments of their own.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.config import load

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
#: How many lines of the rehearsal the README shows.
PICTURE = 22


def block(marker: str) -> str:
    """The fenced block after an HTML comment."""
    found = re.search(rf"<!-- {re.escape(marker)} -->\n```\w*\n(.*?)```", README, re.DOTALL)
    assert found, f"README.md has no block marked {marker!r}"
    return found.group(1)


def lines(marker: str) -> list[str]:
    return [line for line in block(marker).splitlines() if line.strip()]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a `hotbed` command that is this checkout's."""
    folder = tmp_path_factory.mktemp("readme")
    script = folder / "hotbed"
    script.write_text(
        f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" -m daemon.cli "$@"\n'
    )
    script.chmod(0o755)
    return folder


@pytest.fixture(scope="module")
def environment(folder: Path) -> dict[str, str]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    kept = {key: os.environ[key] for key in ("HOME", "LANG") if key in os.environ}
    return {
        **kept,
        "PATH": f"{folder}:{os.environ['PATH']}",
        "HOTBED_PORT": str(port),
        "COLUMNS": "80",
        "NO_COLOR": "1",
    }


def run(line: str, folder: Path, environment: dict[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        line, shell=True, cwd=folder, env=environment, text=True, capture_output=True, timeout=60,
        check=False,
    )  # fmt: skip


@pytest.fixture(scope="module")
def daemon(folder: Path, environment: dict[str, str]) -> Iterator[None]:
    """The README's daemon, in the background until its broker answers."""
    (line,) = lines("session: daemon")
    port = environment["HOTBED_PORT"]
    log = (folder / "log").open("w")
    process = subprocess.Popen(
        f"exec {line} --port {port}",
        shell=True,
        cwd=folder,
        env=environment,
        stdout=log,
        stderr=log,
    )
    deadline = time.monotonic() + 60
    while run("hotbed status", folder, environment).returncode != 0:
        assert process.poll() is None, (folder / "log").read_text()
        assert time.monotonic() < deadline, (folder / "log").read_text()
        time.sleep(0.1)
    yield
    process.send_signal(signal.SIGTERM)
    assert process.wait(20) == 0
    log.close()


def test_the_grower_s_session_goes_through_line_by_line(
    daemon: None, folder: Path, environment: dict[str, str]
) -> None:
    for line in lines("session: grower"):
        done = run(line, folder, environment)
        assert done.returncode == 0, (line, done.stdout, done.stderr)
        assert not done.stderr, (line, done.stderr)
        assert done.stdout.strip(), line


def test_any_mqtt_client_can_watch(daemon: None, folder: Path, environment: dict[str, str]) -> None:
    if shutil.which("mosquitto_sub") is None:
        pytest.skip("mosquitto's clients are not installed")
    (line,) = lines("session: mosquitto")
    line = line.replace("18830", environment["HOTBED_PORT"])
    done = run(line, folder, environment)
    assert done.returncode == 0, done.stderr
    assert "hotbed/alder-lane/bench/lower" in done.stdout
    assert "hotbed/alder-lane/availability" in done.stdout


def test_the_configuration_shown_is_accepted(tmp_path: Path) -> None:
    path = tmp_path / "hotbed.toml"
    path.write_text(block("config"), encoding="utf-8")
    config = load(path)
    assert set(config.bench) == {"lower", "upper"}


def test_the_picture_is_what_the_rehearsal_prints(
    folder: Path, environment: dict[str, str]
) -> None:
    done = run("hotbed rehearse", folder, environment)
    assert done.returncode == 0, done.stderr
    printed = "\n".join(line.rstrip() for line in done.stdout.splitlines()[:PICTURE])
    shown = "\n".join(line.rstrip() for line in block("picture: rehearse").splitlines())
    assert shown == printed


def test_both_set_up_commands_are_there_for_ci() -> None:
    assert len(lines("command: rehearse")) == 1
    assert len(lines("command: test")) == 1
