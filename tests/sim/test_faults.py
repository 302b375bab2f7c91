"""Files of faults, and when each is there."""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from sim.faults import Fault, FaultFileError, FaultKind, FaultSchedule, load_faults

ZONE = ZoneInfo("Europe/Berlin")
START = datetime(2027, 3, 1, tzinfo=ZONE).timestamp()


def load(tmp_path: Path, text: str) -> list[Fault]:
    path = tmp_path / "faults.toml"
    path.write_text(text)
    return load_faults(path)


def test_a_file_gives_its_faults_in_order_with_every_way_to_write_a_time(tmp_path: Path) -> None:
    faults = load(
        tmp_path,
        """
        schema = 1
        [[fault]]
        kind = "probe-lost"
        target = "warm/soil"
        at = 3600
        duration = "PT6H"
        [[fault]]
        kind = "power-cut"
        at = 2027-03-02T04:00:00
        duration = 90.5
        [[fault]]
        kind = "broker-gone"
        at = "P2DT1H"
        [[fault]]
        kind = "cold-watering"
        target = "warm"
        at = "2027-03-02T04:00:00Z"
        litres = 1.5
        celsius = 6
        [[fault]]
        kind = "lamp-dead"
        target = "light"
        at = 2027-03-03
        """,
    )
    assert [fault.kind for fault in faults] == [
        "probe-lost",
        "power-cut",
        "broker-gone",
        "cold-watering",
        "lamp-dead",
    ]
    windows = FaultSchedule(faults, start_utc=START, start_mono=100.0, zone=ZONE).windows
    hour = 3600.0
    assert [(w.start - 100, w.end - 100) for w in windows] == [
        (hour, 7 * hour),
        (28 * hour, 28 * hour + 90.5),
        (49 * hour, math.inf),
        (29 * hour, math.inf),  # 04:00 UTC is 05:00 in Berlin
        (48 * hour, math.inf),
    ]
    assert (windows[3].fault.litres, windows[3].fault.celsius) == (1.5, 6.0)


def test_an_empty_file_has_no_faults(tmp_path: Path) -> None:
    assert load(tmp_path, "") == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            'kind = "probe-los"\ntarget="a/b"\nat = 1',
            r"fault\[1\].kind: 'probe-los'; did you mean 'probe-lost'",
        ),
        ('kind = "probe-lost"\ntarget="a/b"', r"fault\[1\].at: is missing"),
        ('target="a/b"\nat = 1', r"fault\[1\].kind: is missing; allowed: probe-lost"),
        ('kind = "power-cut"\nat = -1', r"fault\[1\].at: -1: allowed: 0 to 316224000 s"),
        ('kind = "power-cut"\nat = nan', r"fault\[1\].at: nan: allowed: 0 to"),
        ('kind = "power-cut"\nat = true', r"fault\[1\].at: true: allowed: seconds, or ISO"),
        ('kind = "power-cut"\nat = "soon"', r"fault\[1\].at: 'soon': allowed: seconds from the st"),
        ('kind = "power-cut"\nat = "PX"', r"fault\[1\].at: 'PX': allowed: seconds, or ISO 8601"),
        ('kind = "power-cut"\nat = 1\nduration = 0', r"duration: 0: allowed: over 0 to"),
        ('kind = "power-cut"\nat = 1\nduration = "1h"', r"duration: '1h': allowed: seconds, or IS"),
        ('kind = "power-cut"\nat = 1\ntarget = "a"', r"power-cut concerns the whole site; remove"),
        ('kind = "probe-lost"\nat = 1\ntarget = "a"', r"'a'; allowed: bench/probe or room/probe"),
        ('kind = "relay-stuck-on"\nat = 1\ntarget = "a/b"', r"'a/b'; allowed: bench/lamp or benc"),
        ('kind = "lamp-dead"\nat = 1\ntarget = "a/lamp"', r"'a/lamp'; allowed: the name of a ben"),
        ('kind = "mat-dead"\nat = 1', r"''; allowed: the name of a bench"),
        ('kind = "mat-dead"\nat = 1\ntarget = "a"\nlitres = 2', r"litres belongs to cold-waterin"),
        (
            'kind = "cold-watering"\nat = 1\ntarget = "a"\nlitres = 200',
            r"fault\[1\].litres: 200; allowed: over 0 to 100",
        ),
        (
            'kind = "cold-watering"\nat = 1\ntarget = "a"\nduration = 5',
            r"a cold-watering has no duration",
        ),
        (
            'kind = "probe-drift"\nat = 1\ntarget = "a/b"\ndrift_c_per_day = 99',
            r"drift_c_per_day: 99; allowed: -20 to 20",
        ),
        ('kind = "power-cut"\nat = 1\nlasting = 5', r"fault\[1\].lasting: no such key"),
    ],
)
def test_a_bad_fault_is_refused_with_place_and_range(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(FaultFileError, match=rf"faults.toml: .*{said}"):
        load(tmp_path, "[[fault]]\n" + text)


def test_every_problem_of_a_file_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(FaultFileError) as caught:
        load(tmp_path, '[[fault]]\nkind="power-cut"\nat=-1\n[[fault]]\nkind="no"\nat=2\n')
    assert [problem[:8] for problem in caught.value.problems] == ["fault[1]", "fault[2]"]


def test_a_file_that_is_not_there_or_not_toml_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(FaultFileError, match=r"none.toml: cannot be read"):
        load_faults(tmp_path / "none.toml")
    with pytest.raises(FaultFileError, match=r"is not TOML"):
        load(tmp_path, "[[fault]")
    with pytest.raises(FaultFileError, match=r"mistake: no such key; known: fault, schema"):
        load(tmp_path, "mistake = 1")
    (tmp_path / "faults.toml").write_bytes(b"\xff")
    with pytest.raises(FaultFileError, match=r"not UTF-8"):
        load_faults(tmp_path / "faults.toml")


def test_a_fault_is_there_from_its_start_until_just_before_its_end() -> None:
    faults = [
        Fault(kind=FaultKind.POWER_CUT, at=60.0, duration=30.0),
        Fault(kind=FaultKind.PROBE_LOST, target="a/soil", at=80.0),
    ]
    schedule = FaultSchedule(faults, start_utc=0.0)
    active = [schedule.active("power-cut", now) for now in (59.9, 60.0, 89.9, 90.0)]
    assert active == [False, True, True, False]
    assert schedule.active(FaultKind.PROBE_LOST, 1e9)
    assert schedule.active(FaultKind.PROBE_LOST, 1e9, "a/soil")
    assert not schedule.active(FaultKind.PROBE_LOST, 1e9, "a/air")
    assert [schedule.next_edge(now) for now in (0.0, 60.0, 80.0, 90.0)] == [60, 80, 90, math.inf]
