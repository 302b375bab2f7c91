"""The unit switches everything off after any end, comes back for ever, and may do little else."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "systemd"
UNIT = FOLDER / "hotbed.service"
WAIT = FOLDER / "systemd-time-wait-sync.service.d" / "hotbed.conf"
PROGRAM = "/opt/hotbed/venv/bin/hotbed"


def _settings(path: Path) -> dict[str, dict[str, list[str]]]:
    """Sections, keys, and the values of each key in order, as systemd.syntax(7) reads them."""
    sections: dict[str, dict[str, list[str]]] = {}
    section: dict[str, list[str]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            section = sections.setdefault(line.strip("[]"), {})
        elif line and not line.startswith(("#", ";")):
            key, value = line.split("=", 1)
            section.setdefault(key, []).append(value)
    return sections


@pytest.fixture(scope="module")
def service() -> dict[str, list[str]]:
    return _settings(UNIT)["Service"]


def _one(section: dict[str, list[str]], key: str) -> str:
    (value,) = section[key]
    return value


def test_after_any_end_every_relay_is_driven_off(service: dict[str, list[str]]) -> None:
    off = _one(service, "ExecStopPost").split()
    run = _one(service, "ExecStart").split()
    assert off[:2] == [PROGRAM, "off"]
    assert run[:2] == [PROGRAM, "run"]
    # Both on the same configuration, or other pins would be driven off than were on; and without
    # a prefix that would lift the sandbox or hide a failure.
    assert off[2:] == ["--config", "/etc/hotbed/hotbed.toml"]
    assert run[2:] == ["--config", "/etc/hotbed/hotbed.toml", "--state", "/var/lib/hotbed"]
    assert int(_one(service, "TimeoutStopSec")) >= 15


def test_it_comes_back_from_anything_and_never_gives_up(service: dict[str, list[str]]) -> None:
    assert _one(service, "Restart") == "always"
    assert 1 <= int(_one(service, "RestartSec")) <= 60
    assert _one(_settings(UNIT)["Unit"], "StartLimitIntervalSec") == "0"
    assert _one(_settings(UNIT)["Install"], "WantedBy") == "multi-user.target"


def test_a_hung_process_is_killed_though_it_ignores_abort(service: dict[str, list[str]]) -> None:
    assert _one(service, "Type") == "notify"
    assert _one(service, "NotifyAccess") == "main"
    assert 10 <= int(_one(service, "WatchdogSec")) <= 30
    assert _one(service, "WatchdogSignal") == "SIGKILL"


def test_it_waits_for_the_clock_but_not_for_ever() -> None:
    unit = _settings(UNIT)["Unit"]
    assert "time-sync.target" in _one(unit, "Wants").split()
    assert "time-sync.target" in " ".join(unit["After"]).split()
    # A requirement would keep a board without a network dark.
    assert not unit.keys() & {"Requires", "Requisite", "BindsTo"}
    assert 30 <= int(_one(_settings(WAIT)["Service"], "TimeoutStartSec")) <= 120


def test_pins_probes_and_board_identity_stay_within_reach(service: dict[str, list[str]]) -> None:
    assert _one(service, "SupplementaryGroups") == "gpio"
    assert _one(service, "DeviceAllow") == "char-gpiochip rw"
    assert "PrivateDevices" not in service
    assert "ProcSubset" not in service
    assert _one(service, "RestrictAddressFamilies").split() == ["AF_UNIX", "AF_INET", "AF_INET6"]
    runtime = _one(service, "RuntimeDirectory")
    assert f"LG_WD=/run/{runtime}" in _one(service, "Environment").split()


def test_its_user_and_group_are_the_ones_that_are_made(service: dict[str, list[str]]) -> None:
    made = (FOLDER / "hotbed.sysusers").read_text(encoding="utf-8")
    assert re.search(rf"^u {_one(service, 'User')} ", made, re.MULTILINE)
    assert re.search(rf"^g {_one(service, 'SupplementaryGroups')} ", made, re.MULTILINE)
    assert re.search(
        rf"^m {_one(service, 'User')} {_one(service, 'SupplementaryGroups')}$", made, re.MULTILINE
    )
    rules = (FOLDER / "60-hotbed-gpio.rules").read_text(encoding="utf-8")
    assert f'GROUP="{_one(service, "SupplementaryGroups")}", MODE="0660"' in rules


def test_the_readme_installs_each_file_to_where_it_works() -> None:
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    installed = dict(
        re.findall(r"^install -D -m 6\d\d (?:-g \S+ )?(\S+) (\S+)$", readme, re.MULTILINE)
    )
    shipped = {
        str(path.relative_to(FOLDER))
        for path in FOLDER.rglob("*")
        if path.is_file() and path.name != "README.md"
    }
    assert set(installed) == shipped
    assert installed["hotbed.service"] == f"/etc/systemd/system/{UNIT.name}"
    assert installed["hotbed.toml.example"] in _one(_settings(UNIT)["Service"], "ExecStart")
    assert installed[str(WAIT.relative_to(FOLDER))].endswith(f"/{WAIT.parent.name}/{WAIT.name}")
    assert PROGRAM in readme
    for caution in ("not a safety device", "GFCI", "thermal cut-out", "electrician", "Drip loops"):
        assert caution in readme


# ----------------------------------------------------------------------- what systemd says of it


def _analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd-analyze is not installed")
    version = subprocess.run([program, "--version"], capture_output=True, text=True, check=True)
    if int(version.stdout.split()[1]) < 250:
        pytest.skip("systemd-analyze is older than 250")
    return subprocess.run(
        [program, *arguments], capture_output=True, text=True, timeout=60, check=False
    )


def _verify(folder: Path, change: tuple[str, str] = ("", "")) -> str:
    """What systemd says of the unit, with a program in place of ours, which is not installed."""
    text = UNIT.read_text(encoding="utf-8").replace(PROGRAM, "/bin/true").replace(*change)
    path = folder / UNIT.name
    path.write_text(text, encoding="utf-8")
    told = _analyze("verify", "--man=no", "--recursive-errors=no", str(path))
    said = "\n".join(line for line in told.stderr.splitlines() if UNIT.name in line)
    return said or (told.stderr if told.returncode else "")


def test_systemd_finds_nothing_to_say_against_the_unit(tmp_path: Path) -> None:
    assert _verify(tmp_path) == ""


def test_systemd_would_have_found_a_slip(tmp_path: Path) -> None:
    assert "WatchdogSecs" in _verify(tmp_path, ("WatchdogSec=", "WatchdogSecs="))


def test_systemd_finds_nothing_to_say_against_the_bounded_wait(tmp_path: Path) -> None:
    unit = tmp_path / "wait.service"
    unit.write_text("[Service]\nType=oneshot\nExecStart=/bin/true\n", encoding="utf-8")
    drop_in = tmp_path / "wait.service.d" / "hotbed.conf"
    drop_in.parent.mkdir()
    drop_in.write_text(WAIT.read_text(encoding="utf-8"), encoding="utf-8")
    told = _analyze("verify", "--man=no", "--recursive-errors=no", str(unit))
    assert unit.name not in told.stderr
    assert told.returncode == 0


def test_the_unit_is_exposed_no_more_than_its_work_needs() -> None:
    # In tenths: 1.3 with systemd 252; other versions weigh a little differently.
    told = _analyze("security", "--offline=true", "--threshold=18", str(UNIT))
    assert told.returncode == 0, told.stdout[-2000:]
