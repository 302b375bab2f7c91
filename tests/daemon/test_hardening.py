"""Hardening off: the two plans, what counts and what is held back, and when dusk is."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from astral import Observer
from astral.sun import sunset as reference_sunset
from hypothesis import given
from hypothesis import strategies as st

from daemon.care import Records, What
from daemon.hardening import (
    Progress,
    Style,
    dusk,
    least_night,
    lows_of,
    plan,
    progress,
    step_for,
    sunset,
)

BERLIN = ZoneInfo("Europe/Berlin")
FIRST = date(2027, 4, 20)
styles = st.sampled_from(["home", "cold-frame"])


def at(day: int, hour: float) -> float:
    """POSIX seconds of an hour on hardening's date `day`, from 0."""
    local = datetime(2027, 4, 20, tzinfo=BERLIN) + timedelta(days=day)
    return local.timestamp() + hour * 3600


def moved(*moves: tuple[int, str]) -> Records:
    """Records: on a date, "out" at nine, "in" at six in the evening with or without a word."""
    records = Records()
    for day, word in moves:
        what, _, text = word.partition(" ")
        records = records.add(
            What(what), at=at(day, 9 if what == "out" else 18), by="Ona", text=text
        )
    return records


def come(
    records: Records, day: int, *, lows: dict[int, float] | None = None, style: Style = "home"
) -> Progress:
    given_lows = {FIRST.toordinal() + n: low for n, low in (lows or {}).items()}
    return progress(
        records, style, 10.0, zone=BERLIN, now=at(day, 8), since=at(0, 0), lows=given_lows
    )


def test_at_home_it_begins_with_15_minutes_in_the_shade_and_doubles_to_all_day() -> None:
    # Common practice, no source: from 15 minutes in shade on the first day, over two weeks.
    steps = plan("home", 10.0)
    assert [step.out_min for step in steps[:7]] == [15, 30, 60, 120, 240, 480, None]
    assert "shade" in steps[0].text
    assert [step.night for step in steps] == ["indoors"] * 10 + ["outdoors"] * 4


def test_the_cold_frames_plan_needs_nobody_by_day_and_ends_outdoors() -> None:
    steps = plan("cold-frame", 10.0)
    assert all(step.out_min is None for step in steps)
    assert steps[0].night == "shut frame"
    assert "cooks" in steps[0].text
    assert steps[-1].night == "outdoors"


@given(styles, st.integers(10, 21), st.floats(-5, 20))
def test_no_step_asks_for_less_than_the_one_before_nor_for_a_night_under_the_limit(
    style: Style, days: int, limit: float
) -> None:
    steps = plan(style, limit, days)
    assert len(steps) == days
    assert all(step.least_night_c >= limit for step in steps)
    assert steps[-1].least_night_c == pytest.approx(limit)
    order = ["indoors", "shut frame", "outdoors"]
    for one, two in pairwise(steps):
        assert two.least_night_c <= one.least_night_c
        assert order.index(two.night) >= order.index(one.night)
        assert (two.out_min or 1440) >= (one.out_min or 1440)
    assert sum(step.night == "outdoors" for step in steps) >= 2


@pytest.mark.parametrize(("day", "days"), [(0, 14), (15, 14), (1, 9), (1, 22)])
def test_a_day_that_the_plan_does_not_have_is_refused(day: int, days: int) -> None:
    with pytest.raises(ValueError, match="allowed: whole"):
        step_for(day, "home", 10.0, days)


def test_each_day_out_is_a_step_done_and_a_day_without_is_not() -> None:
    now = come(moved((0, "out"), (0, "in"), (2, "out"), (2, "in")), 3)
    assert (now.day, now.held, now.out, now.today) == (3, 0, None, False)
    assert now.step is not None
    assert now.step.out_min == 60


def test_today_is_not_done_before_it_is_over() -> None:
    assert come(moved((0, "out")), 0).day == 1


def test_a_night_out_that_was_too_cold_does_not_count() -> None:
    ready = moved(*((day, word) for day in range(10) for word in ("out", "in")))
    stayed = ready.add(What.OUT, at=at(10, 9), by="Ona")
    # Day 11 of 14 takes 10 + 5 x 3/13 = 11.2 °C.
    assert least_night(11, 14, 10.0) == pytest.approx(11.15, abs=0.01)
    cold, mild = come(stayed, 11, lows={10: 11.0}), come(stayed, 11, lows={10: 11.5})
    assert (cold.day, cold.held) == (11, 1)
    assert (mild.day, mild.held) == (12, 0)


def test_a_cold_night_counts_for_a_day_out_only_if_somebody_confirmed_that_they_came_in() -> None:
    unconfirmed = come(moved((0, "out")), 1, lows={0: 2.0})
    confirmed = come(moved((0, "out"), (0, "in")), 1, lows={0: 2.0})
    assert (unconfirmed.day, unconfirmed.held) == (1, 1)
    assert unconfirmed.out == at(0, 9)
    assert (confirmed.day, confirmed.held) == (2, 0)


def test_a_shut_frame_is_no_shelter_from_a_cold_night_but_indoors_is() -> None:
    shut = come(moved((0, "out"), (0, "in")), 1, lows={0: 2.0}, style="cold-frame")
    indoors = come(moved((0, "out"), (0, "in indoors")), 1, lows={0: 2.0}, style="cold-frame")
    assert (shut.day, indoors.day) == (1, 2)
    # The frame is 2 °C warmer than a night of 13.5: 15.5, and the first day takes 15.
    assert come(moved((0, "out"), (0, "in")), 1, lows={0: 13.5}, style="cold-frame").day == 2


def test_plants_that_stay_out_by_plan_need_no_record_each_day() -> None:
    ready = moved(*((day, word) for day in range(10) for word in ("out", "in")))
    stayed = ready.add(What.OUT, at=at(10, 9), by="Ona")
    assert come(stayed, 12).day == 13
    done = come(stayed, 14)
    assert done.done
    assert done.step is None


def test_after_a_week_indoors_it_goes_two_steps_back() -> None:
    records = moved(*((day, word) for day in range(5) for word in ("out", "in")))
    assert come(records, 5).day == 6
    assert come(records, 11).day == 4


def test_tonights_cold_is_told_with_both_figures() -> None:
    ready = moved(*((day, word) for day in range(10) for word in ("out", "in")))
    told = come(ready, 10, lows={10: 3.0})
    assert told.must_come_in == "tonight's low of 3.0 °C is colder than the 11.2 °C it takes by now"
    assert come(ready, 10, lows={10: 13.0}).must_come_in == ""
    assert not come(ready, 10).low_known


def test_a_struck_record_of_a_day_out_does_not_count() -> None:
    records = moved((0, "out"), (0, "in"))
    assert come(records.strike(1, by="Ben"), 1).day == 1


@given(
    st.lists(st.tuples(st.integers(0, 30), st.booleans(), st.floats(-10, 25)), max_size=30), styles
)
def test_progress_stays_within_the_plan_and_colder_nights_never_bring_it_on(
    days: list[tuple[int, bool, float]], style: Style
) -> None:
    records = moved(
        *((day, "out") for day, _, _ in days), *((d, "in") for d, back, _ in days if back)
    )
    lows = {day: low for day, _, low in days}
    now = come(records, 31, lows=lows, style=style)
    assert 1 <= now.day <= now.of + 1
    assert now.done == (now.day == now.of + 1)
    assert now.day - 1 + now.held <= 32
    colder = come(records, 31, lows=dict.fromkeys(range(31), -30.0), style=style)
    assert colder.day <= come(records, 31, style=style).day


def test_the_newest_low_of_a_date_goes() -> None:
    site = Records().add(What.LOW, at=at(0, 9), by="Ona", value=4.0)
    site = site.add(What.LOW, at=at(0, 16), by="Ben", value=6.0).add(
        What.LOW, at=at(1, 9), by="Ona", value=1.0
    )
    assert lows_of(site, BERLIN) == {FIRST.toordinal(): 6.0, FIRST.toordinal() + 1: 1.0}
    assert lows_of(site.strike(2, by="Ona"), BERLIN)[FIRST.toordinal()] == 4.0


# --- dusk ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("latitude", "longitude"),
    [(52.5, 13.4), (40.7, -74.0), (-33.9, 151.2), (60.2, 25.0), (0.0, 0.0), (37.8, -122.4)],
)
def test_sunset_agrees_with_a_reference_library_through_the_year(
    latitude: float, longitude: float
) -> None:
    # astral (PyPI), which follows the fuller NOAA calculation.
    zone = timezone(timedelta(hours=round(longitude / 15)))
    for n in range(0, 365, 9):
        day = date(2027, 1, 1) + timedelta(n)
        expected = reference_sunset(Observer(latitude, longitude), date=day, tzinfo=zone)
        got = sunset(day, latitude, longitude)
        assert got is not None
        assert got == pytest.approx(expected.timestamp(), abs=240), day


def test_the_polar_day_has_no_sunset_and_dusk_is_then_by_the_clock() -> None:
    midsummer = date(2027, 6, 21)
    assert sunset(midsummer, 78.0, 15.0) is None
    by_clock = dusk(midsummer, BERLIN, local=timedelta(hours=19), latitude=78.0, longitude=15.0)
    assert datetime.fromtimestamp(by_clock, UTC) == datetime(2027, 6, 21, 17, tzinfo=UTC)


def test_a_place_off_the_globe_is_refused() -> None:
    with pytest.raises(ValueError, match="latitude is 91 °; allowed: -90 to 90"):
        sunset(FIRST, 91.0, 0.0)
