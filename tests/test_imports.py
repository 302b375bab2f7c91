"""A small board loads what its configuration uses, and nothing else.

Which folder may import which is another matter, checked by the import contract in pyproject.toml.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
#: Top-level packages that only some configurations use, or only the simulator.
HEAVY = {"amqtt", "apscheduler", "gpiozero", "lgpio", "numpy", "scipy", "sim", "w1thermsensor"}
#: What only planning needs; a daemon that lives for months goes without.
PLANNING = {"profiles.mix", "profiles.season", "profiles.seeds"}

GPIO = 'device = { driver = "gpio", pin = 5, active = "low" }'
PLUG = 'device = { driver = "mqtt", topic = "shed/plug/set" }'
ONEWIRE = 'device = { driver = "onewire", id = "28-00000a1b2c3d" }'
THERMOMETER = 'device = { driver = "mqtt", topic = "shed/soil" }'


def _loaded(code: str, folder: Path, watched: set[str] = HEAVY) -> set[str]:
    """The watched packages and modules that a fresh interpreter has loaded after running `code`."""
    told = subprocess.run(
        [
            sys.executable,
            "-W",
            "error",
            "-c",
            f"{code}\nimport json, sys\nprint(json.dumps([*sys.modules]))",
        ],
        cwd=folder,
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert told.returncode == 0, told.stderr
    names = json.loads(told.stdout)
    return {*names, *(name.partition(".")[0] for name in names)} & watched


@pytest.mark.parametrize(
    "module", ["daemon.config", "daemon.notify", "daemon.service", "daemon.cli"]
)
def test_the_live_daemon_s_modules_load_nothing_heavy_by_themselves(
    module: str, tmp_path: Path
) -> None:
    if importlib.util.find_spec(module) is None:
        pytest.skip(f"{module} is not there yet")
    assert _loaded(f"import {module}", tmp_path) == set()


@pytest.mark.parametrize(
    ("relay", "probe", "loaded"),
    [
        (GPIO, THERMOMETER, set()),
        (PLUG, THERMOMETER, set()),
        # An id is judged by the driver that knows ids, and only then.
        (PLUG, ONEWIRE, {"w1thermsensor"}),
    ],
    ids=["gpio", "mqtt", "onewire"],
)
def test_reading_a_configuration_loads_only_what_it_names(
    relay: str, probe: str, loaded: set[str], tmp_path: Path
) -> None:
    (tmp_path / "hotbed.toml").write_text(
        f"""
        schema = 1
        site = {{ name = "fern-lane", zone = "Europe/Berlin" }}
        [bench.shelf]
        trays = 1
        mat.watts = 35
        mat.{relay}
        [[bench.shelf.probes]]
        name = "left"
        measures = "soil"
        {probe}
        """,
        encoding="utf-8",
    )
    code = "from pathlib import Path; from daemon.config import load; load(Path('hotbed.toml'))"
    assert _loaded(code, tmp_path) == loaded


def test_the_daemon_loads_no_plan_of_a_season(tmp_path: Path) -> None:
    code = "import sys; sys.argv = ['hotbed', 'run']; import daemon.cli, daemon.app, daemon.wakes"
    assert _loaded(code, tmp_path, PLANNING) == set()
    assert _loaded("import daemon.cli.planning, daemon.orders", tmp_path, PLANNING) == PLANNING


@pytest.mark.parametrize("package", sorted(HEAVY - {"lgpio"}))
def test_a_package_that_is_watched_for_is_installed_under_that_name(package: str) -> None:
    # Else the tests above could not fail.
    assert importlib.util.find_spec(package) is not None
