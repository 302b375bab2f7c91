"""What the tests of the command line share: a machine without a site of its own, and the program."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from daemon.cli import app, asking


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
