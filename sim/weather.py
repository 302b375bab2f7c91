"""The room's temperature: from a few figures, or from an hourly file. Straight lines between."""

from __future__ import annotations

import csv
import math
import random
from bisect import bisect_right
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo
from functools import lru_cache
from pathlib import Path

HOUR = 3600.0
#: What an unheated shed in a hard winter, and a loft in summer, can be.
ROOM_LOW_C, ROOM_HIGH_C = -30.0, 50.0
#: The longest time that two rows of a file may be apart and still be joined.
LONGEST_GAP_H = 6.0
# Periods of the slow drift [days], with no common measure, and their shares of it.
_DRIFT = ((2.7, 0.3), (6.1, 0.4), (15.3, 0.3))

Segment = tuple[float, float, float, float]


class WeatherFileError(ValueError):
    """A weather file that is refused; the message names the file, the line and what is allowed."""


class RoomTemperature:
    """The room's temperature [°C] over time, piecewise linear between knots."""

    def __init__(
        self,
        segment: Callable[[float], Segment],
        *,
        first_utc: float = -math.inf,
        last_utc: float = math.inf,
    ) -> None:
        """segment: for a time, the knot at or before it, and the next: (utc, °C, utc, °C).

        first_utc, last_utc: what it is known for; before and after, the nearest value holds.
        """
        self.first_utc, self.last_utc = first_utc, last_utc
        self._segment = segment
        self._from = self._to = math.nan
        self._base = self._slope = 0.0

    @classmethod
    def constant(cls, celsius: float) -> RoomTemperature:
        """A room that stays at one temperature."""
        celsius = _in_range(celsius, "celsius")
        return cls(lambda _utc: (-math.inf, celsius, math.inf, celsius))

    @classmethod
    def daily(
        cls,
        mean_c: float = 18.0,
        swing_c: float = 4.0,
        *,
        drift_c: float = 1.5,
        warmest_hour: float = 15.0,
        seed: int = 0,
        zone: tzinfo = UTC,
    ) -> RoomTemperature:
        """A room that follows the day by local hour and drifts over days.

        mean_c: over months. swing_c: from the coldest to the warmest of a day. drift_c: the most
        that the daily mean leaves `mean_c`. seed: of the drift. Raises ValueError out of range.
        """
        half = swing_c / 2
        if not (swing_c >= 0 and drift_c >= 0):
            raise ValueError("swing_c and drift_c: allowed: 0 or more")
        _in_range(mean_c - half - drift_c, "the coldest hour")
        _in_range(mean_c + half + drift_c, "the warmest hour")
        draw = random.Random(seed)
        waves = [(share * drift_c, days, draw.random()) for days, share in _DRIFT]

        @lru_cache(maxsize=64)
        def hourly(hour: int) -> float:
            local = datetime.fromtimestamp(hour * HOUR, zone)
            clock = local.hour + local.minute / 60
            day = half * math.cos(math.tau * (clock - warmest_hour) / 24)
            days = hour / 24
            slow = sum(size * math.sin(math.tau * (days / p + phase)) for size, p, phase in waves)
            return mean_c + day + slow

        def segment(utc: float) -> Segment:
            hour = math.floor(utc / HOUR)
            return hour * HOUR, hourly(hour), (hour + 1) * HOUR, hourly(hour + 1)

        return cls(segment)

    @classmethod
    def from_file(cls, path: Path) -> RoomTemperature:
        """Read a CSV file with the columns `at` (RFC 3339, with offset or Z) and `celsius`.

        Rows go forward in time, at most `LONGEST_GAP_H` apart. Raises WeatherFileError.
        """
        times, values = _read(path)

        def segment(utc: float) -> Segment:
            after = bisect_right(times, utc)
            if after == 0:
                return -math.inf, values[0], times[0], values[0]
            if after == len(times):
                return times[-1], values[-1], math.inf, values[-1]
            return times[after - 1], values[after - 1], times[after], values[after]

        return cls(segment, first_utc=times[0], last_utc=times[-1])

    def at(self, utc: float) -> float:
        """The room at `utc` (POSIX seconds), °C."""
        if not self._from <= utc < self._to:
            self._enter(utc)
        return self._base + (utc - self._from) * self._slope if self._slope else self._base

    def next_knot(self, utc: float) -> float:
        """The end of the straight line that `utc` is on, POSIX seconds; after `utc`."""
        if not self._from <= utc < self._to:
            self._enter(utc)
        return self._to

    def _enter(self, utc: float) -> None:
        self._from, self._base, self._to, end = self._segment(utc)
        self._slope = (end - self._base) / (self._to - self._from)

    def check_covers(self, start_utc: float, end_utc: float) -> None:
        """Raises ValueError, with both spans, unless all of the time asked for is known."""
        if start_utc < self.first_utc or end_utc > self.last_utc:
            raise ValueError(
                f"the room's temperature is known from {_iso(self.first_utc)} to "
                f"{_iso(self.last_utc)}, and {_iso(start_utc)} to {_iso(end_utc)} is asked for"
            )


def _in_range(celsius: float, what: str) -> float:
    if not ROOM_LOW_C <= celsius <= ROOM_HIGH_C:
        raise ValueError(f"{what} is {celsius:g} °C; allowed: {ROOM_LOW_C:g} to {ROOM_HIGH_C:g} °C")
    return celsius


def _iso(utc: float) -> str:
    return datetime.fromtimestamp(utc, UTC).isoformat() if math.isfinite(utc) else "any time"


def _read(path: Path) -> tuple[list[float], list[float]]:
    times: list[float] = []
    values: list[float] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = csv.DictReader(file, strict=True)
            columns = rows.fieldnames or ()
            missing = [name for name in ("at", "celsius") if name not in columns]
            if missing:
                raise WeatherFileError(
                    f"{path}, line 1: no column {' or '.join(missing)}; the first line names the "
                    "columns, at and celsius among them"
                )
            for row in rows:
                place = f"{path}, line {rows.line_num}"
                utc = _time(row["at"], place)
                if times and not 0 < utc - times[-1] <= LONGEST_GAP_H * HOUR:
                    raise WeatherFileError(
                        f"{place}: at is {row['at']}, {(utc - times[-1]) / HOUR:g} h after the row "
                        f"before; allowed: over 0 to {LONGEST_GAP_H:g} h"
                    )
                times.append(utc)
                values.append(_celsius(row["celsius"], place))
    except OSError as error:
        raise WeatherFileError(f"{path}: cannot be read: {error.strerror}") from None
    except UnicodeDecodeError as error:
        raise WeatherFileError(f"{path}: is not UTF-8 text (byte {error.start})") from None
    except csv.Error as error:
        raise WeatherFileError(
            f"{path}, line {rows.reader.line_num}: is not CSV: {error}"
        ) from None
    if len(times) < 2:
        raise WeatherFileError(f"{path}: {len(times)} rows; allowed: at least 2")
    return times, values


def _time(text: str | None, place: str) -> float:
    try:
        moment = datetime.fromisoformat(text or "")
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise WeatherFileError(
            f"{place}: at is {text!r}; allowed: RFC 3339 with its offset, like 2027-02-01T06:00:00Z"
        )
    return moment.timestamp()


def _celsius(text: str | None, place: str) -> float:
    try:
        return _in_range(float(text or ""), "celsius")
    except ValueError:
        raise WeatherFileError(
            f"{place}: celsius is {text!r}; allowed: a number, {ROOM_LOW_C:g} to {ROOM_HIGH_C:g}"
        ) from None
