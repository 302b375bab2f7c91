"""What tests share: the program on a machine without a site of its own, and a grower's requests."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from daemon.cli import app, asking
from daemon.decide import decide
from daemon.events import Event
from daemon.messages import BatchMessage, BenchMessage, batch_message, bench_messages
from daemon.requests import KINDS, apply
from daemon.state import Inputs, Memory, Now
from tests.daemon.builders import bench, site


@pytest.fixture
def alone(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """An empty folder to be in, and nothing of this machine: no configuration, no state, no wishes."""
    for name in [one for one in os.environ if one.startswith("HOTBED_")] + ["SUDO_USER"]:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("LOGNAME", "marit")
    monkeypatch.setattr(asking, "CONFIGS", (Path("hotbed.toml"), tmp_path / "etc" / "hotbed.toml"))
    monkeypatch.setattr(asking, "STATE", tmp_path / "var")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def hotbed(alone: Path) -> Callable[..., Result]:
    """The program, called with words."""

    def run(*words: str) -> Result:
        return CliRunner().invoke(app, list(words), prog_name="hotbed", catch_exceptions=False)

    return run


class Grower:
    """Somebody who asks a site of two benches for things, by the real requests, at chosen times."""

    def __init__(self) -> None:
        lower = bench("lower", lamp=None, soil=("front", "back"))
        self.site = site(lower, bench("upper", mat=None, soil=()))
        self.memory = Memory()
        self.events: list[Event] = []

    def asks(self, kind: str, on: str, by: str = "Marit", **arguments: Any) -> dict[str, Any]:
        """One request. on: UTC, "2027-03-01 08:00"."""
        at = datetime.fromisoformat(f"{on}+00:00").timestamp()
        asked = KINDS[kind].model_validate(arguments)
        done = apply(self.memory, self.site, asked, by, Now(at, at, True))
        self.memory = done.memory
        self.events += done.events
        return dict(done.result)

    def batches(self, on: str) -> list[BatchMessage]:
        """What the daemon would publish of each batch."""
        at = datetime.fromisoformat(f"{on}+00:00").timestamp()
        every = self.memory.batches.values()
        return [batch_message(one, self.memory, self.site, None, at) for one in every]

    def benches(self, on: str) -> list[BenchMessage]:
        """And of each bench."""
        at = datetime.fromisoformat(f"{on}+00:00").timestamp()
        made = decide(self.memory, self.site, Inputs({}, {}, {}), Now(at, at, True))
        return list(bench_messages(self.memory, self.site, made, {}, at).values())


@pytest.fixture
def grower() -> Grower:
    return Grower()
