"""What a time without current did to the soil, and what that means for each batch."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from math import exp
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon import clock
from daemon.control import lit_seconds
from daemon.decide import aims_of
from daemon.outage import BELOW_ROOM, FAST, SLOW, USUAL, course, meaning, resumed
from daemon.state import dump, restore, shifted
from profiles.model import Stage
from sim.thermal import SEED_DEPTH_MM, ThermalNetwork, soil_site
from tests.daemon.builders import (
    BERLIN,
    DAY,
    HOUR,
    START,
    Runner,
    batch,
    bench,
    good,
    holding,
    library,
    site,
    utc,
)

TRAYS = [(covered, moisture) for covered in (True, False) for moisture in (1.0, 0.6, 0.1)]


def cooling(covered: bool, moisture: float, room: float, hours: float) -> tuple[float, float]:
    """Soil at seed depth [°C] of the simulated tray as the current fails, and so long after."""
    tray = ThermalNetwork(mat_watts=18, covered=covered, moisture=moisture, room_c=room)
    tray.settle(room, mat_on=True)
    seed = soil_site(SEED_DEPTH_MM, tray.figures)
    start = tray.at(seed, room)
    for _ in range(round(hours * 60)):
        tray.step(60_000_000, room, room, 0.0, 0.0)
    return start, tray.at(seed, room)


@pytest.mark.parametrize(("covered", "moisture"), TRAYS)
def test_the_time_constants_span_those_of_a_tray(covered: bool, moisture: float) -> None:
    # The slowest eigenvalue of the tray's heat, which the course takes for all of it.
    tray = ThermalNetwork(mat_watts=18, covered=covered, moisture=moisture, room_c=15)
    matrix, _ = tray.system()
    slowest = -1 / max(np.linalg.eigvals(matrix[:5, :5]).real)
    assert FAST < slowest < SLOW
    assert 15 - tray.at(soil_site(SEED_DEPTH_MM, tray.figures), 15) < BELOW_ROOM


@pytest.mark.parametrize(("covered", "moisture"), TRAYS)
@pytest.mark.parametrize("hours", [0.5, 2.0, 6.0, 24.0])
@pytest.mark.parametrize("room", [8.0, 16.0])
def test_a_simulated_tray_is_never_colder_than_the_worst_that_is_told(
    covered: bool, moisture: float, hours: float, room: float
) -> None:
    start, end = cooling(covered, moisture, room, hours)
    told = course(start, hours * HOUR, room=room)
    assert told.coldest <= end + 0.01
    assert abs(told.lowest - end) < 2.5
    through = course(start, hours * HOUR, room=room, measured=end)
    assert through.lowest == pytest.approx(end)
    assert through.at(hours * HOUR) == pytest.approx(end)


def test_a_course_is_the_exponential_of_newtons_law_of_cooling() -> None:
    # Worked by hand: 24 °C in a room of 14, a time constant on: 14 + 10 / e = 17.68 °C; it passes
    # 19 °C after tau ln 2.
    one = course(24.0, USUAL, room=14.0)
    assert one.end == pytest.approx(14 + 10 * exp(-1))
    assert one.below(19.0) == pytest.approx(USUAL * (1 - np.log(2)))
    assert one.below(30.0) == USUAL
    assert one.below(10.0) == 0


finite = st.floats(-10, 40)


@given(start=finite, room=finite | st.none(), end=finite | st.none(), hours=st.floats(0.2, 400))
def test_whatever_the_readings_the_estimate_holds_together(
    start: float, room: float | None, end: float | None, hours: float
) -> None:
    one = course(start, hours * HOUR, room=room, measured=end)
    assert one.coldest <= one.lowest <= start
    for bound in (-20.0, 5.0, 18.0, 60.0):
        assert 0 <= one.below(bound) <= one.seconds + 1e-6
    emergence = library().crops["tomato"].emergence
    assert 0 <= one.gain(emergence, hours / 24) <= 2 * hours / 24
    assert one.gain(emergence, 0.0) == 0


def test_a_count_over_the_course_is_that_of_many_small_steps() -> None:
    emergence = library().crops["tomato"].emergence
    one = course(26.0, 10 * HOUR, room=12.0)
    steps = np.linspace(0, 10 * HOUR, 20001)
    rates = [emergence.rate(one.at(float(at))) for at in steps]
    exact = float(np.trapezoid(rates, steps)) / 86400
    assert one.gain(emergence, 10 / 24) == pytest.approx(exact, rel=0.002)


def test_seed_is_told_how_long_it_lay_under_what_it_accepts_and_when_harm_begins() -> None:
    tomato = library().crops["tomato"]
    seed = batch("TOM1", "tomato")
    ran = course(25.0, 30 * HOUR, room=10.0)
    said = meaning(seed, tomato, ran, 10.0, 25.0, "C")
    assert said.startswith("TOM1: about ")
    assert "under the 18.0 °C that its seed accepts" in said
    assert "harm begins at 96 h in a row" in said
    rot = meaning(seed, tomato, course(25.0, 120 * HOUR, room=10.0), 10.0, 25.0, "C")
    assert "96 h in a row do harm: Seed lies in cold wet mix" in rot
    up = replace(seed, stage=Stage.SEEDLING)
    assert "(air)" in meaning(up, tomato, ran, 8.0, None, "C")
    assert meaning(up, tomato, ran, None, None, "C") == ""  # nobody measured the air
    assert meaning(seed, tomato, course(25.0, HOUR, room=20.0), 20.0, 25.0, "C") == ""


def after_a_cut(hours: float, soil: float | None, room: float | None = 12.0) -> Runner:
    """A bench of sown tomatoes at 25 °C, and its first tick after so long without current."""
    probes = () if room is None else ("room/air",)
    there = site(bench(), room_probes=probes)
    runner = Runner(there, holding(batch(sown_at=START)), soil=25.0)
    if room is not None:
        runner.extra["room/air"] = good(room, 0.0)
    runner.pass_by(2 * HOUR)
    runner.memory = shifted(restore(dump(runner.memory)), -runner.mono)
    runner.mono, runner.soil = 0.0, soil
    runner.events.clear()
    runner.tick(hours * HOUR)
    return runner


def test_after_a_power_cut_how_long_how_cold_and_what_it_means_is_told() -> None:
    (said,) = after_a_cut(9.0, 13.0).told("advisory")
    assert (
        "shelf: nothing heated or lit for 9.0 h; the soil went from 25.0 °C to an estimated 13.0 °C"
        in said
    )
    assert "TOM1: about " in said
    assert "at the worst" in said


def test_where_no_probe_answers_after_the_cut_the_room_says_how_cold_it_got() -> None:
    (said,) = after_a_cut(9.0, None).told("advisory")
    assert "to an estimated 12.1 °C at the lowest" in said


def test_an_empty_bench_and_a_short_pause_are_no_news() -> None:
    assert after_a_cut(0.1, 24.5).told("advisory") == []


def test_the_forecast_bridges_the_gap_with_the_course_and_not_with_a_straight_line() -> None:
    emergence = library().crops["tomato"].emergence
    runner = after_a_cut(24.0, 12.5)
    counted = runner.memory.progress["TOM1"] - 2 / 24 * emergence.rate(25.0)
    straight = emergence.gain(25.0, 12.5, 1.0)
    assert counted == pytest.approx(
        course(25.0, 24 * HOUR, measured=12.5).gain(emergence, 1.0), rel=0.01
    )
    assert counted < 0.6 * straight


def test_a_change_of_zone_is_told_once() -> None:
    runner = Runner(site(), holding(batch("LET1", "lettuce", Stage.SEEDLING)))
    runner.tick()
    assert runner.memory.zone == "Europe/Berlin"
    runner.site = site(zone=ZoneInfo("America/Denver"))
    runner.tick()
    runner.tick()
    told = runner.told("clock")
    assert len(told) == 1
    assert "the zone was Europe/Berlin and is America/Denver" in told[0]


def test_a_clock_that_is_set_back_or_forth_is_told() -> None:
    runner = Runner(site(), holding())
    runner.tick()
    for step, way in ((7200, "forward"), (-5400, "back")):
        runner.utc += step
        runner.tick()
        assert f"the clock was set {way} by {abs(step)} s" in runner.told("clock")


def test_without_a_clock_after_a_boot_the_lamp_keeps_its_last_rhythm_by_elapsed_time() -> None:
    there = site()
    memory = holding(batch("LET1", "lettuce", Stage.SEEDLING))
    hours = aims_of(memory, there)["shelf"].hours
    runner = Runner(there, memory, utc=utc("2027-03-03T01:00:00Z"))
    runner.pass_by(10 * HOUR)  # lit since 06:00, 5 h in UTC+1
    assert runner.last is not None
    assert runner.last.outputs["shelf"].lamp
    # It boots in 1970: nobody knows how long it was away, and the day goes on from where it was.
    lit = runner.mono - (runner.memory.benches["shelf"].light.day_from or 0.0)
    runner.memory = shifted(restore(dump(runner.memory)), -runner.mono)
    runner.mono, runner.utc, runner.trusted = 0.0, 100.0, False
    changes = []
    on = True
    for _ in range(round(48 * HOUR / 60)):
        lamp = runner.tick().outputs["shelf"].lamp
        if lamp != on:
            changes.append(runner.mono)
            on = lamp
    assert changes[0] == pytest.approx(hours * HOUR - lit, abs=180)
    dark, light = np.diff(changes)[:2]
    assert dark == pytest.approx((24 - hours) * HOUR, abs=180)
    assert light == pytest.approx(hours * HOUR, abs=180)


def test_the_network_is_known_to_have_set_the_clock_by_what_its_service_leaves(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    mark = tmp_path / "synchronized"
    monkeypatch.setattr(clock, "_SYNCED", mark)
    assert not clock.synchronised()
    mark.touch()
    assert clock.synchronised()


def boot_without_a_clock(runner: Runner, away: float) -> None:
    """The machine is without current for so long, and boots in 1970, `resumed` as the service does."""
    memory = restore(dump(runner.memory))
    assert memory.at is not None
    runner.memory = resumed(memory, by=8.0 - memory.at.mono, gone=0.0, booted=True, dated=False)
    runner.mono, runner.utc, runner.trusted = 8.0, 100.0, False
    runner.away += away
    runner.events.clear()


class Clockless(Runner):
    """A runner on a board that has no clock of its own; away: seconds that it was without current."""

    away = 0.0

    def set_clock(self, since: float, ran: float) -> None:
        """Somebody sets the clock: it was `since` before the cut, and the board has run so long."""
        self.utc, self.trusted = since + self.away + ran, True


@pytest.mark.parametrize("boots", [1, 2])
def test_without_a_clock_the_outage_is_told_and_bridged_once_the_time_is_known(boots: int) -> None:
    emergence = library().crops["tomato"].emergence
    runner = Clockless(site(bench()), holding(batch(sown_at=START)), soil=25.0)
    runner.pass_by(2 * HOUR)
    before, counted = runner.utc, runner.memory.progress["TOM1"]
    for _ in range(boots):
        boot_without_a_clock(runner, 9 * HOUR / boots)
        runner.soil = 13.0  # as it is found; the mat warms it meanwhile
        for celsius in (13.0, 15.0, 20.0):
            runner.soil = celsius
            runner.pass_by(20 * 60)
    assert runner.told("advisory") == []  # nobody knows how long it was
    assert not [key for key in runner.memory.alarms if "mat" in key]
    assert runner.memory.cut is not None
    ran = runner.memory.progress["TOM1"] - counted
    runner.set_clock(before, boots * HOUR)
    runner.tick()
    (said,) = runner.told("advisory")
    assert "nothing heated or lit for 9.0 h" in said
    assert "from 25.0 °C to an estimated 13.0 °C at the lowest" in said
    assert "TOM1: about " in said
    assert any("the clock is believed again" in text for text in runner.told("clock"))
    bridged = course(25.0, 9 * HOUR, measured=13.0).gain(emergence, 1.0)
    assert runner.memory.progress["TOM1"] == pytest.approx(counted + ran + bridged, rel=0.02)
    runner.tick()
    assert len(runner.told("advisory")) == 1
    assert runner.memory.cut is None


def test_a_lit_bench_is_told_how_much_light_it_missed() -> None:
    # Berlin in March is UTC+1: lit from 05:00 UTC, without current from 07:00 to 23:00 UTC.
    seedlings = holding(batch("LET1", "lettuce", Stage.SEEDLING))
    runner = Runner(site(bench()), seedlings, utc=utc("2027-03-03T04:00:00Z"))
    runner.until(utc("2027-03-03T07:00:00Z"))
    hours = aims_of(runner.memory, runner.site)["shelf"].hours
    runner.tick(16 * HOUR)
    (said,) = runner.told("advisory")
    found = re.search(r"lit for 16 h, (\d+) h of them hours of light", said)
    assert found is not None
    assert float(found[1]) == pytest.approx(hours - 2, abs=0.5)
    assert said.endswith("; no harm known to LET1")


@given(
    lights_on=st.integers(0, 23), hours=st.floats(0, 24), since=st.floats(0, 400 * DAY),
    length=st.floats(0, 10 * DAY), cut=st.floats(0, 1),
)  # fmt: skip
def test_hours_of_light_add_up_over_any_parting_and_are_no_more_than_the_time(
    lights_on: int, hours: float, since: float, length: float, cut: float
) -> None:
    def lit(start: float, end: float) -> float:
        return lit_seconds(timedelta(hours=lights_on), hours, BERLIN, START + start, START + end)

    middle, end = since + cut * length, since + length
    whole = lit(since, end)
    assert whole == pytest.approx(lit(since, middle) + lit(middle, end), abs=1e-3)
    # Twice a year the clock change makes a day an hour longer or shorter.
    assert whole <= length + HOUR + 1e-3
