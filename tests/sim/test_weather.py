"""The room's temperature from figures and from files."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.weather import RoomTemperature, WeatherFileError

START = datetime(2027, 2, 1, tzinfo=UTC).timestamp()


def write(path: Path, *rows: str, header: str = "at,celsius") -> Path:
    path.write_text("\n".join([header, *rows]) + "\n")
    return path


def test_the_daily_course_is_warmest_and_coldest_at_the_local_hours_said() -> None:
    zone = ZoneInfo("America/Denver")
    room = RoomTemperature.daily(16.0, 6.0, drift_c=0.0, warmest_hour=15.0, zone=zone)
    day = datetime(2027, 2, 3, tzinfo=zone).timestamp()
    hours = [room.at(day + h * 3600) for h in range(24)]
    assert hours.index(max(hours)) == 15
    assert hours.index(min(hours)) == 3
    assert max(hours) == pytest.approx(19.0)
    assert min(hours) == pytest.approx(13.0)


def test_the_warmest_hour_stays_on_the_clock_over_daylight_saving() -> None:
    zone = ZoneInfo("Europe/Berlin")
    room = RoomTemperature.daily(16.0, 6.0, drift_c=0.0, zone=zone)
    for day in (27, 28, 29):  # the clocks go forward on 2027-03-28
        noon = datetime(2027, 3, day, 15, tzinfo=zone).timestamp()
        assert room.at(noon) == pytest.approx(19.0)


@given(st.floats(0, 60 * 86400))
def test_the_drift_stays_within_its_bound(offset: float) -> None:
    room = RoomTemperature.daily(16.0, 0.0, drift_c=2.0, seed=4)
    assert 14.0 <= room.at(START + offset) <= 18.0


def test_the_drift_is_that_of_its_seed() -> None:
    def course(seed: int) -> list[float]:
        room = RoomTemperature.daily(seed=seed)
        return [room.at(START + h * 1800) for h in range(400)]

    assert course(1) == course(1)
    assert course(1) != course(2)
    slow = [RoomTemperature.daily(16, 0, seed=1).at(START + d * 86400) for d in range(30)]
    assert max(slow) - min(slow) > 0.8


@given(st.floats(0, 86400 * 3), st.floats(0, 1))
def test_between_knots_the_course_is_a_straight_line(offset: float, share: float) -> None:
    room = RoomTemperature.daily(seed=7)
    begin = START + offset
    end = room.next_knot(begin)
    assert begin < end <= begin + 3600
    between = room.at(begin + share * (end - begin))
    expected = room.at(begin) * (1 - share) + room.at(end) * share
    assert between == pytest.approx(expected, abs=1e-6)


def test_a_constant_room_never_turns() -> None:
    room = RoomTemperature.constant(17.5)
    assert room.at(START) == room.at(START + 1e8) == 17.5
    assert room.next_knot(START) == math.inf


def test_a_file_is_followed_in_straight_lines_and_held_at_its_ends(tmp_path: Path) -> None:
    path = write(
        tmp_path / "shed.csv",
        "2027-02-01T00:00:00Z,4",
        "2027-02-01T02:00:00+01:00,8.0",
        "2027-02-01T03:00:00Z,2.0",
    )
    room = RoomTemperature.from_file(path)
    assert [room.at(START + h * 3600) for h in (-5, 0, 0.5, 1, 2, 3, 9)] == [4, 4, 6, 8, 5, 2, 2]
    assert room.next_knot(START + 1800) == START + 3600
    assert room.next_knot(START - 10) == START
    assert room.next_knot(START + 4 * 3600) == math.inf
    room.check_covers(START, START + 3 * 3600)
    with pytest.raises(ValueError, match=r"known from 2027-02-01T00:00:00\+00:00 to 2027"):
        room.check_covers(START, START + 4 * 3600)


def test_other_columns_and_a_byte_order_mark_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "shed.csv"
    path.write_bytes(
        b"\xef\xbb\xbfstation,celsius,at\r\nx,4,2027-02-01T00:00:00Z\r\nx,6,2027-02-01T01:00:00Z\r\n"
    )
    assert RoomTemperature.from_file(path).at(START + 1800) == 5.0


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (
            ["2027-02-01T00:00:00,4"],
            r"shed.csv, line 2: at is .* allowed: RFC 3339 with its offset",
        ),
        (["yesterday,4"], r"line 2: at is 'yesterday'; allowed"),
        (["2027-02-01T00:00:00Z,warm"], r"line 2: celsius is 'warm'; allowed: .* -30 to 50"),
        (["2027-02-01T00:00:00Z,nan"], r"line 2: celsius is 'nan'; allowed"),
        (["2027-02-01T00:00:00Z,72"], r"line 2: celsius is '72'; allowed"),
        (["2027-02-01T00:00:00Z"], r"line 2: celsius is None; allowed"),
        (
            ["2027-02-01T01:00:00Z,4", "2027-02-01T00:00:00Z,4"],
            r"line 3: at is .* -1 h after the row before; allowed: over 0 to 6 h",
        ),
        (["2027-02-01T01:00:00Z,4", "2027-02-01T09:00:00Z,4"], r"line 3: .* 8 h after"),
        (["2027-02-01T01:00:00Z,4"], r"shed.csv: 1 rows; allowed: at least 2"),
    ],
)
def test_a_bad_row_is_refused_with_file_line_and_range(
    tmp_path: Path, rows: list[str], said: str
) -> None:
    with pytest.raises(WeatherFileError, match=said):
        RoomTemperature.from_file(write(tmp_path / "shed.csv", *rows))


def test_a_file_that_cannot_be_read_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(WeatherFileError, match=r"none.csv: cannot be read"):
        RoomTemperature.from_file(tmp_path / "none.csv")
    with pytest.raises(WeatherFileError, match=r"line 1: no column celsius"):
        RoomTemperature.from_file(write(tmp_path / "a.csv", header="at,fahrenheit"))
    (tmp_path / "b.csv").write_bytes(b"at,celsius\n\xff\xfe")
    with pytest.raises(WeatherFileError, match=r"not UTF-8"):
        RoomTemperature.from_file(tmp_path / "b.csv")
    (tmp_path / "c.csv").write_text("")
    with pytest.raises(WeatherFileError, match=r"line 1: no column at or celsius"):
        RoomTemperature.from_file(tmp_path / "c.csv")
    (tmp_path / "d.csv").write_text('at,celsius\n"2027"x,4\n')
    with pytest.raises(WeatherFileError, match=r"line 2: is not CSV"):
        RoomTemperature.from_file(tmp_path / "d.csv")


def test_figures_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="coldest hour is -41 °C; allowed: -30 to 50"):
        RoomTemperature.daily(-35.0, 10.0, drift_c=1.0)
    with pytest.raises(ValueError, match="swing_c and drift_c"):
        RoomTemperature.daily(swing_c=-1.0)
    with pytest.raises(ValueError, match="celsius is 90 °C"):
        RoomTemperature.constant(90.0)
