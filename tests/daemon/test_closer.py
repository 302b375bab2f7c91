"""One batch or one bench, looked at closely: nothing that is known of it is left out."""

from __future__ import annotations

import json
from typing import Any

import pytest

from daemon import screens
from daemon.screens import Picture, View, subject
from profiles.units import Units
from tests.daemon.test_cli import Daemon, hotbed, refused
from tests.daemon.test_cli import played as played
from tests.daemon.test_screens import BERLIN, NOW, alarm, batch, bench, flat, printed

BOLTING = {
    "kind": "bolting",
    "level": "fine",
    "sentence": "12 h of air under 13.0 °C; at 120 h it runs to seed",
    "figures": [
        {"name": "chill", "value": 12.0, "unit": "h"},
        {"name": "chill is under", "value": 13.0, "unit": "°C"},
    ],
    "checks": [],
    "sources": ["from-memory"],
}
LEGGY = {
    "kind": "legginess",
    "level": "risk",
    "sentence": "likely to grow leggy: 30 h on end in the dark",
    "figures": [
        {"name": "day over night", "value": 5.0, "unit": "K"},
        {"name": "height", "value": 63.5, "unit": "mm"},
        {"name": "part of the way", "value": 0.6234, "unit": ""},
    ],
    "checks": ["the lamp's hours", "crowding: thin"],
    "sources": ["common-practice"],
}
DAY_LENGTH = BOLTING | {
    "kind": "day-length",
    "level": "not-measured",
    "sentence": "no lamp's light is counted",
    "figures": [],
    "sources": [],
}
CELERY = batch(
    "CEL1",
    title="Celery",
    stage="seedling",
    findings=[LEGGY, DAY_LENGTH, BOLTING],
    lot="A12",
    year=2026,
    counts=[
        {"at": "2027-03-12T09:00:00Z", "up": 3, "of": 36, "by": "Joss"},
        {"at": "2027-03-14T06:00:00Z", "up": 30, "of": 36, "by": "Marit"},
    ],
    records=[
        {"n": 1, "at": "2027-03-12T09:00:00Z", "text": "3 of 36 up", "by": "Joss", "struck_by": None},
        {"n": 2, "at": "2027-03-14T06:00:00Z", "text": "watered", "by": "Marit", "struck_by": "Joss"},
    ],
)  # fmt: skip
KEPT = {
    "availability": {"state": "online"},
    "bench/upper": bench(),
    "bench/lower": bench("lower"),
    "batch/CEL1": CELERY,
    "batch/LET2": batch("LET2", place="porch"),
    "alarm/legginess.CEL1": alarm("legginess.CEL1", bench=None, batch="CEL1"),
    "alarm/no-soil-reading.lower": alarm("no-soil-reading.lower", bench="lower"),
}


def closer(name: str, units: Units = "C") -> str:
    picture = Picture.of(KEPT)
    view = View(BERLIN, units)
    return flat(printed(screens.closer("alder-lane", picture, subject(picture, name), view, NOW)))


def test_a_batch_has_each_finding_with_its_figures_its_checks_and_its_sources() -> None:
    said = closer("cel1")
    assert "legginess: risk likely to grow leggy: 30 h on end in the dark" in said
    assert "figures day over night 5.0 °C; height 6.3 cm; part of the way 0.62" in said
    assert "check - the lamp's hours - crowding: thin by common-practice" in said


def test_what_was_counted_is_told_though_all_is_well_and_though_it_was_not_measured() -> None:
    said = closer("CEL1")
    assert "bolting: fine 12 h of air under 13.0 °C; at 120 h it runs to seed" in said
    assert "figures chill 12.0 h; chill is under 13.0 °C" in said
    assert "day length: not measured no lamp's light is counted" in said


def test_a_batch_has_its_seed_its_counts_its_records_and_its_alarms() -> None:
    said = closer("CEL1")
    assert "place upper seed lot A12, of 2026" in said
    assert "12 Mar 10:00 3 of 36, by Joss 07:00 30 of 36, by Marit" in said
    assert "2 07:00 watered, by Marit (struck by Joss)" in said
    assert "hotbed alarms ack legginess.CEL1" in said
    assert "no-soil-reading.lower" not in said
    assert "LET2" not in said


def test_figures_are_in_the_units_that_are_read_and_a_difference_is_not_a_temperature() -> None:
    said = closer("CEL1", "F")
    assert "day over night 9.0 °F; height 2.5 in" in said
    assert "chill is under 55.4 °F" in said


def test_a_bench_has_its_probes_its_bounds_its_batches_and_nothing_of_others() -> None:
    said = closer("upper")
    assert "ceiling soil of 27.0 °C: over it the mat is stopped" in said
    assert "light 14 h a day by day air of 16.0 to 20.0 °C wanted" in said
    assert "probe front, of the soil: ok, 20.5 °C" in said
    assert "CEL1 Celery" in said
    assert "legginess.CEL1" in said
    assert "lower" not in said
    assert "without heat or lamps" in closer("porch")


@pytest.mark.parametrize(
    ("name", "near"),
    [("cel", "'CEL1'"), ("uper", "'upper'"), ("porsh", "'porch'"), ("zzz", "there are: CEL1, LET2")],
)  # fmt: skip
def test_a_slip_gets_the_nearest_there_is(name: str, near: str) -> None:
    with pytest.raises(ValueError, match="no batch, bench or place") as caught:
        subject(Picture.of(KEPT), name)
    assert near in str(caught.value)


def test_status_takes_a_batch_or_a_bench(played: Daemon) -> None:
    played.kept = KEPT
    said = hotbed("status", "cel1")
    assert said.exit_code == 0
    assert "crowding: thin" in said.stdout
    told: dict[str, Any] = json.loads(hotbed("status", "lower", "--json").stdout)["result"]
    assert list(told["benches"]) == ["lower"]
    assert told["batches"] == {}
    assert list(told["alarms"]) == ["no-soil-reading.lower"]
    told = json.loads(hotbed("status", "CEL1", "--json").stdout)["result"]
    assert (list(told["benches"]), list(told["batches"])) == ([], ["CEL1"])
    assert "did you mean 'CEL1'?" in refused("status", "CEL", status=1)


def test_why_tells_what_each_relay_does_and_what_it_goes_by(played: Daemon) -> None:
    played.kept = KEPT
    every = hotbed("why")
    assert every.exit_code == 0, every.output
    bench = KEPT["bench/lower"]
    for kind in ("lamp", "mat"):
        if bench[kind] is not None:
            assert bench[kind]["why"] in " ".join(every.stdout.split())
    one: dict[str, Any] = json.loads(hotbed("why", "lower", "--json").stdout)["result"]["benches"]
    assert list(one) == ["lower"]
    assert one["lower"]["mat"] == {key: bench["mat"][key] for key in ("on", "why")}
    assert "did you mean 'lower'?" in refused("why", "lowr", status=1)
    played.kept = {}
    assert hotbed("why").exit_code == 3
