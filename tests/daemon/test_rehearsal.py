"""A season rehearsed: plausible to a grower, what faults do to it, and the same bytes each time."""

from __future__ import annotations

import asyncio
import csv
import json
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from daemon.app import JOURNAL, read_site
from daemon.config import Config, load
from daemon.journal import Journal
from daemon.rehearsal import (
    DAYS,
    Rehearsal,
    Sowing,
    command,
    default_faults,
    default_plan,
    show,
    start_of,
)
from daemon.replay import replay
from daemon.simulated import example
from daemon.state import HOUR, Site
from profiles.emergence import FIRST_UP, LAST_UP
from sim.faults import Fault

CHECKOUT = Path(__file__).parents[2]
#: J. F. Harrington and P. A. Minges, Vegetable Seed Germination (1954): days to emergence.
TABLE = CHECKOUT / "profiles" / "data" / "emergence_days.csv"


def season(
    days: float,
    *faults: dict[str, Any],
    start: str | None = None,
    seed: int = 0,
    plan: list[Sowing] | None = None,
    config: Config | None = None,
) -> Rehearsal:
    """A season of the example site, run, and decided again alike from its journal."""
    config = config or example()
    site, _ = read_site(config)
    return replayed(
        config,
        site,
        start=start_of(start, site.zone),
        days=days,
        seed=seed,
        faults=tuple(Fault.model_validate(fault) for fault in faults),
        plan=default_plan(site, days) if plan is None else plan,
    )


def replayed(
    config: Config,
    site: Site,
    *,
    start: float,
    tell: Callable[[float], None] = lambda part: None,
    **more: Any,
) -> Rehearsal:
    """A season, run with a journal, each decision of which is then made again alike."""
    with tempfile.TemporaryDirectory() as folder:
        journal = Journal.open(Path(folder) / JOURNAL, start)
        one = Rehearsal(config, site, start=start, journal=journal, **more)
        one.run(tell)
        asyncio.run(journal.close())
        found = replay(journal.path)
    assert (found.differing, found.skipped) == (0, 0), found.differences
    assert found.ticks or not more["days"]
    return one


@pytest.fixture(scope="module")
def fortnight() -> Rehearsal:
    """Sixteen days of three crops, with the default season's failed probe and power cut."""
    config = example()
    site, _ = read_site(config)
    told: list[float] = []
    plan = [
        replace(one, day=day) for one, day in zip(default_plan(site, 56), (0, 4, 11), strict=True)
    ]
    one = replayed(
        config, site, start=start_of(None, site.zone), days=16, seed=0, faults=default_faults(),
        plan=plan, tell=told.append,
    )  # fmt: skip
    assert told == sorted(told)
    assert told[-1] == 1.0
    return one


@pytest.fixture(scope="module")
def report(fortnight: Rehearsal) -> dict[str, Any]:
    return fortnight.report()


def table_days(crop: str, celsius: float) -> tuple[float, float]:
    """The published days at the tested temperatures on either side, fewest and most."""
    with TABLE.open(encoding="utf-8") as file:
        lines = (line for line in file if not line.startswith("#"))
        (row,) = (row for row in csv.DictReader(lines) if row["crop"] == crop)
    days = {int(key[:-1]): float(text) for key, text in row.items() if text.isdigit()}
    low = max(one for one in days if one <= celsius)
    high = min(one for one in days if one >= celsius)
    return min(days[low], days[high]), max(days[low], days[high])


# --- figures ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("batch", "crop"), [("PEP1", "pepper"), ("TOM1", "tomato"), ("LET1", "lettuce")]
)
def test_seedlings_come_up_when_the_published_table_has_them(
    report: dict[str, Any], batch: str, crop: str
) -> None:
    one = next(one for one in report["batches"] if one["batch"] == batch)
    germination = one["stages"][0]
    assert germination["stage"] == "germination"
    fewest, most = table_days(crop, germination["soil_mean"])
    # The table's days are whole; the edges are those that the lamp and the alarm go by.
    assert (fewest - 0.5) * FIRST_UP <= one["days_to_first_up"] <= most + 0.5
    assert fewest - 0.5 <= one["days_to_half_up"] <= (most + 0.5) * LAST_UP
    assert one["cells"] / 2 <= one["up"] <= one["cells"]
    assert not one["leggy"]


def test_every_lit_stage_has_its_hours_of_light(report: dict[str, Any]) -> None:
    lit = [
        stage
        for batch in report["batches"]
        for stage in batch["stages"]
        if stage["stage"] != "germination" and stage["days"] >= 4 and stage["soil_mean"] is not None
    ]
    assert [stage["stage"] for stage in lit] == ["seedling", "seedling"]
    for stage in lit:
        # Five hours of it went with the power.
        had = stage["light_hours_a_day"] + 5.0 / stage["days"]
        assert had == pytest.approx(stage["light_hours_wanted"], abs=0.5)


def test_seed_is_kept_in_the_soil_it_accepts_and_under_the_limit(report: dict[str, Any]) -> None:
    for batch in report["batches"]:
        germination = batch["stages"][0]
        low, high = germination["soil_wanted"]
        assert low - 1.5 <= germination["soil_mean"] <= high + 1.5
        assert germination["soil_inside_percent"] > 80  # two crops share the bench for days
        for stage in batch["stages"]:
            if stage["soil_high"] is not None:
                assert stage["soil_high"] < 35


def test_energy_is_watts_times_hours_and_heat_is_what_its_lift_takes() -> None:
    one = season(3)
    (pepper,) = one.report()["batches"]
    lower = one.report()["benches"][0]
    assert lower["mat_kwh"] == pytest.approx(lower["mat_hours"] * 36 / 1000, abs=0.01)
    assert lower["lamp_kwh"] == pytest.approx(lower["lamp_hours"] * 36 / 1000, abs=0.01)
    # A covered tray on 17 to 20 W settles 8 to 11 °C over its room (a propagation mat lifts the soil
    # 15 to 20 °F: common practice, no source); so a mean lift takes its share of the hours.
    room = 18.0
    lift = pepper["stages"][0]["soil_mean"] - room
    hours = pepper["stages"][0]["days"] * 24
    assert 0.9 * lift / 11 <= lower["mat_hours"] / hours <= 1.0
    assert lower["mat_hours"] <= hours


def test_the_light_that_falls_on_a_batch_is_that_of_its_lamp(report: dict[str, Any]) -> None:
    # 120 W of white LED give some 2 umol/J, and 60 % of it fall on four trays of 0.13 m2 (from
    # memory): 280 umol m-2 s-1, 16 mol m-2 d-1 in 16 h (Torres and Lopez, Purdue HO-238-W).
    pepper = next(one for one in report["batches"] if one["batch"] == "PEP1")
    seedling = pepper["stages"][1]
    ppfd = 120 * 2.0 * 0.6 / (4 * 0.254 * 0.508)
    hours = seedling["light_hours_a_day"] * seedling["days"]
    dim = pepper["light_mol"] - ppfd * hours * 3600 / 1e6
    assert 0 <= dim < 30  # what it had on the lower bench for three days besides, under 36 W


# --- power, probes and clocks ----------------------------------------------------------------------


def test_after_the_power_cut_every_batch_goes_on_and_the_lamps_are_right_at_once(
    fortnight: Rehearsal,
) -> None:
    events = fortnight.events
    back = next(one for one in events if one.text.startswith("power is back"))
    assert back.text == "power is back after 5.0 h; 3 batches go on"
    at = datetime.fromtimestamp(back.at, fortnight.site.zone)
    assert (at.hour, at.minute) == (20, 24)  # in the hours of the lamp, which ends at 22:00
    first = [one.text for one in events if one.at == back.at and one.kind == "switching"]
    assert any(text.startswith("upper: lamp on") for text in first)
    records = fortnight.records["PEP1"]
    assert [one.stage for one in records if one.ended != one.begun][:2] == [
        "germination",
        "seedling",
    ]
    assert not any(one.kind == "alarm" and one.at >= back.at for one in events)


def test_the_probe_that_fails_is_told_of_acknowledged_and_told_of_when_it_is_back(
    report: dict[str, Any],
) -> None:
    told = [one["text"] for one in report["alarms"]]
    assert told == [
        "a probe gives nothing to steer by: lower: front is not there",
        "probe-lost.lower.front: acknowledged",
        "returned to normal: a probe gives nothing to steer by",
    ]
    assert report["standing_alarms"] == []


@pytest.mark.parametrize("start", ["2027-03-24", "2027-10-27"], ids=["spring", "autumn"])
def test_no_night_is_shorter_than_its_hours_where_the_clocks_change(start: str) -> None:
    # Berlin: 2027-03-28 and 2027-10-31, by the time-zone database.
    one = season(6, start=start, plan=[Sowing("lettuce", 0, 0.5, "Winter Glass", 0.5)])
    zone = one.site.zone
    offsets = {
        datetime.fromtimestamp(one.start + day * 86400, zone).utcoffset() for day in range(6)
    }
    assert len(offsets) == 2
    nights: list[float] = []
    for bench in one.site.benches:
        switched = [
            (event.at, event.data["on"])
            for event in one.events
            if event.kind == "switching" and event.bench == bench and event.data["relay"] == "lamp"
        ]
        nights += [
            back - gone
            for (gone, on), (back, again) in pairwise(switched)
            if not on and again and back - gone > 2 * HOUR
        ]
    assert len(nights) >= 5
    # Lettuce has 15 h of light, and so 9 h of darkness.
    assert all(night >= 9 * HOUR - one.site.tick for night in nights), nights


# --- faults ----------------------------------------------------------------------------------------


def test_probes_out_of_the_soil_are_found_out_before_the_soil_is_too_hot() -> None:
    out = [
        {"kind": "probe-out-of-soil", "target": f"lower/{name}", "at": "P1D"}
        for name in ("front", "back")
    ]
    one = season(2.5, *out)
    alarms = [event.data["kind"] for event in one.events if event.kind == "alarm"]
    assert "mat-without-effect" in alarms
    record = one.records["PEP1"][0]
    assert record.soil_high < one.site.soil_limit


def test_one_probe_out_of_the_soil_disagrees_with_the_other() -> None:
    one = season(2, {"kind": "probe-out-of-soil", "target": "lower/front", "at": "P1D"})
    alarms = [event.data["kind"] for event in one.events if event.kind == "alarm"]
    assert alarms[0] == "probes-disagree"
    assert one.records["PEP1"][0].soil_high < one.site.soil_limit


def test_a_welded_relay_is_an_alarm_that_a_person_resets_and_is_told_again() -> None:
    one = season(2, {"kind": "relay-stuck-on", "target": "upper/mat", "at": "P1D"})
    alarms = [event for event in one.events if event.kind == "alarm"]
    assert alarms[0].data["kind"] == "warms-unheated"
    assert alarms[0].at - one.start < 86400 + 6 * HOUR
    assert any("reset after a look" in event.text for event in alarms)


def test_a_plug_that_stays_off_against_orders_is_an_alarm(tmp_path: Path) -> None:
    path = tmp_path / "plugs.toml"
    path.write_text("""
schema = 1
site = { name = "quince-yard", zone = "Europe/Berlin" }
[bench.shelf]
trays = 2
mat = { watts = 40, device = { driver = "mqtt", topic = "a/set", state_topic = "a/state" } }
probes = [ { name = "soil", measures = "soil", device = { driver = "mqtt", topic = "a/soil" } } ]
""")
    fault = {"kind": "relay-stuck-off", "target": "shelf/mat", "at": 12 * HOUR}
    one = season(1, fault, config=load(path))
    alarms = [event.text for event in one.events if event.kind == "alarm"]
    assert any("shelf/mat was asked for on and reports off" in text for text in alarms)


# --- the same bytes --------------------------------------------------------------------------------

FAULTS = """
schema = 1
fault = [
  { kind = "relay-stuck-on", target = "lower/mat", at = "P1D", duration = "PT9H" },
  { kind = "probe-drift", target = "upper/front", at = "P1D", drift_c_per_day = 15.0 },
  { kind = "power-cut", at = "P2DT3H", duration = "PT30M" },
  { kind = "cold-watering", target = "lower", at = "P2DT9H", litres = 1.0, celsius = 8.0 },
]
"""


def test_the_same_seed_gives_the_same_bytes_in_any_process_and_another_seed_others(
    tmp_path: Path,
) -> None:
    faults = tmp_path / "faults.toml"
    faults.write_text(FAULTS)
    code = (
        "import sys; from pathlib import Path; from daemon.rehearsal import command;"
        "sys.exit(command(3, None, None, int(sys.argv[1]), Path('faults.toml'), True))"
    )

    def begin(seed: int, hashing: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-W", "error", "-c", code, str(seed)], cwd=tmp_path,
            env={"PYTHONPATH": str(CHECKOUT), "PYTHONHASHSEED": hashing, "PATH": "/usr/bin:/bin"},
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip

    running = [begin(7, "1"), begin(7, "2"), begin(8, "1")]
    ends = [one.communicate(timeout=60) for one in running]
    assert [one.returncode for one in running] == [0, 0, 0], ends[0][1]
    (same, _), (again, _), (other, _) = ends
    assert same == again
    assert same != other
    result = json.loads(same)["result"]
    assert result["seed"] == 7
    kinds = {event["kind"] for event in result["events"]}
    assert {"alarm", "power", "interlock"} <= kinds


# --- the command -----------------------------------------------------------------------------------


def test_the_report_is_json_for_a_program_and_prints_for_a_grower(
    capsys: pytest.CaptureFixture[str], report: dict[str, Any]
) -> None:
    assert command(2, seed=3, as_json=True) == 0
    out = capsys.readouterr().out
    found = json.loads(out)
    assert (found["ok"], found["result"]["days"], found["result"]["seed"]) == (True, 2, 3)
    assert [one["batch"] for one in found["result"]["batches"]] == ["PEP1"]
    console = Console(width=80, record=True, no_color=True)
    show(report, console)
    text = console.export_text()
    assert max(map(len, text.splitlines())) <= 80
    for word in ("PEP1  pepper 'Red Lantern'", "first up", "mat kWh", "power is back after 5.0 h"):
        assert word in text
    assert " cm tall" in text
    show(report, console, "F")
    text = console.export_text()
    assert "°F" in text
    assert " in tall" in text
    assert " cm tall" not in text


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"days": 0}, "--days: 0; allowed: 1 to 400"),
        ({"days": 401}, "--days: 401; allowed: 1 to 400"),
        ({"days": float("nan")}, "--days: nan; allowed: 1 to 400"),
        ({"seed": -1}, "--seed: -1; allowed: 0 to"),
        ({"seed": 2**32}, "--seed: 4294967296; allowed: 0 to 4294967295"),
        ({"start": "2027-02-30"}, "--start: '2027-02-30' is no date; allowed: YYYY-MM-DD"),
        ({"start": "spring"}, "--start: 'spring' is no date"),
        ({"start": date(1999, 12, 31)}, "--start: the year 1999; allowed: 2000 to 2100"),
        ({"start": "9999-12-31"}, "--start: the year 9999; allowed: 2000 to 2100"),
        ({"faults": "absent.toml"}, "absent.toml: cannot be read: No such file"),
        ({"config": "absent.toml"}, "absent.toml: cannot be read: No such file"),
        ({"faults": "wrong.toml"}, "wrong.toml: fault[1].at: -5: allowed: 0 to "),
        ({"faults": "aimless.toml"}, "aimless.toml: fault 1 (probe-lost): target is 'lower/frnt'"),
        ({"config": "wrong.toml"}, "wrong.toml: "),
    ],
)
def test_what_can_not_be_rehearsed_is_refused_with_place_and_range(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], given: dict[str, Any], said: str
) -> None:
    (tmp_path / "wrong.toml").write_text('schema = 1\nfault = [{ kind = "power-cut", at = -5 }]')
    (tmp_path / "aimless.toml").write_text(
        'schema = 1\nfault = [{ kind = "probe-lost", target = "lower/frnt", at = 5 }]'
    )
    for key in ("faults", "config"):
        if key in given:
            given = {**given, key: tmp_path / given[key]}
    assert command(**{"days": 1, **given}) == 1
    told = capsys.readouterr()
    assert said in told.err
    assert told.out == ""


def test_the_bounds_of_what_may_be_asked_are_themselves_allowed() -> None:
    site = Site.of(example(), read_site(example())[1])
    assert DAYS == (1, 400)
    for text in ("2000-01-01", "2100-12-31"):
        assert (
            datetime.fromtimestamp(start_of(text, site.zone), site.zone).date().isoformat() == text
        )
    assert start_of(date(2027, 3, 22), site.zone) == start_of(None, site.zone)


def test_the_shortest_season_has_something_in_it() -> None:
    one = season(1)
    assert [batch["crop"] for batch in one.report()["batches"]] == ["pepper"]
    assert timedelta(days=1).total_seconds() == one.report()["days"] * 86400
