"""The photoperiod by elapsed hours over the nights on which clocks change, and the plain controller.

The instants of change are those of the IANA time zone database (files europe, northamerica,
australasia and africa), written out here with their offsets so that nothing is checked against itself.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.control import (
    MatView,
    hysteresis,
    instant,
    iso,
    lit_window,
    local_day,
    next_edge,
)
from tests.daemon.builders import DAY, HOUR, utc

ZONES = ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Africa/Cairo", "UTC"]

# Zone, instant at which its clocks change in 2025, local offsets before and after.
CHANGES = [
    ("Europe/Berlin", "2025-03-30T01:00:00Z", "+01:00", "+02:00"),
    ("Europe/Berlin", "2025-10-26T01:00:00Z", "+02:00", "+01:00"),
    ("America/New_York", "2025-03-09T07:00:00Z", "-05:00", "-04:00"),
    ("America/New_York", "2025-11-02T06:00:00Z", "-04:00", "-05:00"),
    ("Australia/Lord_Howe", "2025-04-05T15:00:00Z", "+11:00", "+10:30"),
    ("Australia/Lord_Howe", "2025-10-04T15:30:00Z", "+10:30", "+11:00"),
    ("Africa/Cairo", "2025-04-24T22:00:00Z", "+02:00", "+03:00"),
    ("Africa/Cairo", "2025-10-30T21:00:00Z", "+03:00", "+02:00"),
]

# Zone, local date, lights-on, and that moment in UTC.
LIGHTS_ON = [
    ("Europe/Berlin", "2025-03-29", "06:00", "2025-03-29T05:00:00Z"),
    ("Europe/Berlin", "2025-03-30", "06:00", "2025-03-30T04:00:00Z"),
    ("Europe/Berlin", "2025-10-26", "06:00", "2025-10-26T05:00:00Z"),
    ("America/New_York", "2025-03-09", "06:00", "2025-03-09T10:00:00Z"),
    ("America/New_York", "2025-11-02", "06:00", "2025-11-02T11:00:00Z"),
    ("Australia/Lord_Howe", "2025-04-06", "06:00", "2025-04-05T19:30:00Z"),
    ("Australia/Lord_Howe", "2025-10-05", "06:00", "2025-10-04T19:00:00Z"),
    ("Africa/Cairo", "2025-04-25", "06:00", "2025-04-25T03:00:00Z"),
    ("Africa/Cairo", "2025-10-31", "06:00", "2025-10-31T04:00:00Z"),
    # A time that the clock skips is taken at the offset before the change.
    ("Europe/Berlin", "2025-03-30", "02:30", "2025-03-30T01:30:00Z"),
    ("America/New_York", "2025-03-09", "02:30", "2025-03-09T07:30:00Z"),
    ("Australia/Lord_Howe", "2025-10-05", "02:15", "2025-10-04T15:45:00Z"),
    ("Africa/Cairo", "2025-04-25", "00:00", "2025-04-24T22:00:00Z"),
    ("Africa/Cairo", "2025-04-25", "00:30", "2025-04-24T22:30:00Z"),
    # A time that comes twice is taken the first time.
    ("Europe/Berlin", "2025-10-26", "02:30", "2025-10-26T00:30:00Z"),
    ("America/New_York", "2025-11-02", "01:30", "2025-11-02T05:30:00Z"),
    ("Australia/Lord_Howe", "2025-04-06", "01:45", "2025-04-05T14:45:00Z"),
    ("Africa/Cairo", "2025-10-30", "23:30", "2025-10-30T20:30:00Z"),
]


def clock_time(text: str) -> timedelta:
    hours, minutes = map(int, text.split(":"))
    return timedelta(hours=hours, minutes=minutes)


@pytest.mark.parametrize(("zone", "at", "before", "after"), CHANGES)
def test_the_time_zone_data_installed_has_the_published_changes(
    zone: str, at: str, before: str, after: str
) -> None:
    def offset(moment: float) -> str:
        return datetime.fromtimestamp(moment, ZoneInfo(zone)).isoformat()[-6:]

    assert offset(utc(at) - 1) == before
    assert offset(utc(at)) == after


moments = st.integers(int(utc("2024-12-30T00:00:00Z")), int(utc("2026-01-03T00:00:00Z")))
near_changes = st.builds(
    lambda change, off: int(utc(change[1])) + off,
    st.sampled_from(CHANGES),
    st.integers(-36 * 3600, 36 * 3600),
)
local_times = st.integers(0, 24 * 60 - 1).map(lambda minutes: timedelta(minutes=minutes))


def next_lights_on(lights_on: timedelta, zone: ZoneInfo, at: float) -> float:
    """The first lights-on after `at`, by a photoperiod too short to be in the way."""
    edge = next_edge(lights_on, 0.001, zone, at)
    assert edge is not None
    if edge[0]:
        return edge[1]
    edge = next_edge(lights_on, 0.001, zone, edge[1])
    assert edge is not None
    assert edge[0]
    return edge[1]


@pytest.mark.parametrize(("zone", "day", "lights_on", "expected"), LIGHTS_ON)
def test_lights_on_is_at_its_local_time_on_the_day_the_clocks_change(
    zone: str, day: str, lights_on: str, expected: str
) -> None:
    at = utc(expected)
    local = clock_time(lights_on)
    assert instant(date.fromisoformat(day), local, ZoneInfo(zone)) == at
    assert lit_window(local, 14.0, ZoneInfo(zone), at) == (at, at + 14 * HOUR)
    assert next_lights_on(local, ZoneInfo(zone), at - 1) == at


@pytest.mark.parametrize(("zone", "day", "lights_on", "expected"), LIGHTS_ON)
def test_the_hours_are_elapsed_hours_whatever_the_clock_does_in_them(
    zone: str, day: str, lights_on: str, expected: str
) -> None:
    start, end = utc(expected), utc(expected) + 16 * HOUR
    local = clock_time(lights_on)
    for inside in (start, start + 1, end - 1):
        assert lit_window(local, 16.0, ZoneInfo(zone), inside) == (start, end)
    assert lit_window(local, 16.0, ZoneInfo(zone), end) is None
    assert lit_window(local, 16.0, ZoneInfo(zone), start - 1) != (start, end)


@pytest.mark.parametrize(("zone", "at", "before", "after"), CHANGES)
def test_a_photoperiod_over_midnight_and_the_change_still_has_its_hours(
    zone: str, at: str, before: str, after: str
) -> None:
    # From 20:00 on the evening before: in the spring it ends an hour later by the clock.
    change, tz = utc(at), ZoneInfo(zone)
    evening = next_lights_on(timedelta(hours=20), tz, change - DAY)
    assert evening < change < evening + 10 * HOUR
    assert lit_window(timedelta(hours=20), 10.0, tz, change) == (evening, evening + 10 * HOUR)


@settings(deadline=None, max_examples=300)
@given(
    at=moments | near_changes,
    zone=st.sampled_from(ZONES),
    lights_on=local_times,
    hours=st.floats(0.25, 23.75),
)
def test_the_next_edge_ends_the_window_or_begins_the_next(
    at: int, zone: str, lights_on: timedelta, hours: float
) -> None:
    tz = ZoneInfo(zone)
    edge = next_edge(lights_on, hours, tz, at)
    window = lit_window(lights_on, hours, tz, at)
    assert edge is not None
    lit, when = edge
    assert when > at
    if window is not None:
        assert (lit, when) == (False, window[1])
    else:
        assert lit
        begun = lit_window(lights_on, hours, tz, when)
        assert begun is not None
        assert begun[0] == when
        assert lit_window(lights_on, hours, tz, (at + when) / 2) is None


def test_a_day_all_light_or_all_dark_has_no_edge() -> None:
    for hours in (0.0, 24.0, 30.0):
        assert next_edge(timedelta(hours=6), hours, ZoneInfo("UTC"), 0.0) is None


def test_no_hours_are_no_window() -> None:
    assert lit_window(timedelta(hours=6), 0.0, ZoneInfo("UTC"), 0.0) is None


def test_a_day_of_24_hours_is_one_long_window() -> None:
    noon = utc("2025-06-01T12:00:00Z")
    assert lit_window(timedelta(hours=23), 24.0, ZoneInfo("UTC"), noon) == (
        noon - 13 * HOUR,
        noon + 11 * HOUR,
    )


def test_the_next_lights_on_after_lights_on_is_tomorrows() -> None:
    at = utc("2025-06-01T04:00:00Z")
    assert next_lights_on(timedelta(hours=6), ZoneInfo("Europe/Berlin"), at) == at + DAY
    # In the night before the clocks go forward it is 23 h on, and 25 before they go back.
    at = utc("2025-03-29T05:00:00Z")
    assert next_lights_on(timedelta(hours=6), ZoneInfo("Europe/Berlin"), at) == at + 23 * HOUR
    at = utc("2025-10-25T04:00:00Z")
    assert next_lights_on(timedelta(hours=6), ZoneInfo("Europe/Berlin"), at) == at + 25 * HOUR


@settings(deadline=None, max_examples=300)
@given(
    at=moments | near_changes,
    zone=st.sampled_from(ZONES),
    lights_on=local_times,
    hours=st.floats(0.25, 24),
)
def test_a_moment_is_in_a_window_exactly_when_a_lights_on_lies_less_than_its_hours_back(
    at: int, zone: str, lights_on: timedelta, hours: float
) -> None:
    tz = ZoneInfo(zone)
    starts = [at - 3 * DAY]
    while starts[-1] <= at:
        starts.append(next_lights_on(lights_on, tz, starts[-1]))
    # One a day, at the local time asked for unless the clock skips it.
    for one, other in pairwise(starts[1:]):
        assert 22 * HOUR <= other - one <= 26 * HOUR
    last = starts[-2]
    skipped = datetime.fromtimestamp(last, tz) - datetime.fromtimestamp(last, tz).replace(
        hour=0, minute=0, second=0
    )
    assert skipped >= lights_on
    window = lit_window(lights_on, hours, tz, at)
    if window is None:
        assert at >= last + hours * HOUR
    else:
        start, end = window
        assert start <= at < end
        assert end - start == pytest.approx(hours * HOUR)
        assert start in starts


def test_the_local_date_changes_at_local_midnight() -> None:
    berlin = ZoneInfo("Europe/Berlin")
    midnight = utc("2025-03-30T22:00:00Z")
    assert local_day(berlin, midnight - 1) == date(2025, 3, 30).toordinal()
    assert local_day(berlin, midnight) == date(2025, 3, 31).toordinal()


def test_a_time_on_the_wire_is_rfc_3339_in_utc() -> None:
    # The example of RFC 3339, section 5.8, without its fraction of a second.
    assert iso(datetime(1985, 4, 12, 23, 20, 50, tzinfo=UTC).timestamp()) == "1985-04-12T23:20:50Z"


@pytest.mark.parametrize(
    ("soil", "on", "heats"),
    [
        (23.75, False, True),
        (23.76, False, False),
        (23.76, True, True),
        (24.24, True, True),
        (24.24, False, False),
        (24.25, True, False),
    ],
)
def test_the_plain_controller_heats_below_its_band_and_leaves_the_mat_alone_inside(
    soil: float, on: bool, heats: bool
) -> None:
    view = MatView(now=0.0, soil=soil, aim=24.0, half_band=0.25, on=on, lamp=False, room=None)
    assert hysteresis(view, (1.0, 2.0)) == (heats, (1.0, 2.0))
