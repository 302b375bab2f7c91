"""What the lamp and the mat should do, before any guard has its say. Pure.

The photoperiod is counted in elapsed hours from lights-on, so a day of 23 or 25 hours by the clock
still gives the crop its hours. A mat controller is one function of what it sees and a small memory of
its own; `hysteresis` is the plain one, and a better one takes the same shape.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from typing import Protocol
from zoneinfo import ZoneInfo

from drivers.values import value

HOUR = 3600.0
_A_DAY = timedelta(days=1)


@lru_cache(maxsize=1024)  # asked for each tick, and new once a day
def instant(day: date, lights_on: timedelta, zone: ZoneInfo) -> float:
    """POSIX seconds of a local time of day; one that the clock skips is taken at the old offset."""
    local = datetime.combine(day, time(), tzinfo=zone) + lights_on
    return local.timestamp()


def lit_window(
    lights_on: timedelta, hours: float, zone: ZoneInfo, utc: float
) -> tuple[float, float] | None:
    """The photoperiod that `utc` lies in, from and to in POSIX seconds; None when it is dark.

    lights_on is a local time of day, hours the elapsed hours of light that follow it; they may
    cross midnight.
    """
    if hours <= 0:
        return None
    today = datetime.fromtimestamp(utc, zone).date()
    start = instant(today, lights_on, zone)
    if utc < start:
        start = instant(today - _A_DAY, lights_on, zone)
    end = start + hours * HOUR
    return (start, end) if start <= utc < end else None


def next_edge(
    lights_on: timedelta, hours: float, zone: ZoneInfo, utc: float, today: date | None = None
) -> tuple[bool, float] | None:
    """Whether the schedule next asks for light or for darkness, and when (POSIX s); None where it
    always asks for the same. It asks for the opposite until then.

    today: the local date, where the caller has it.
    """
    if not 0 < hours < 24:
        return None
    if today is None:
        today = datetime.fromtimestamp(utc, zone).date()
    start = instant(today, lights_on, zone)
    if utc < start:
        end = instant(today - _A_DAY, lights_on, zone) + hours * HOUR
        return (False, end) if utc < end else (True, start)
    end = start + hours * HOUR
    return (False, end) if utc < end else (True, instant(today + _A_DAY, lights_on, zone))


def lit_seconds(
    lights_on: timedelta, hours: float, zone: ZoneInfo, since: float, until: float
) -> float:
    """How much of the time from `since` to `until` (POSIX seconds) the schedule asks for light."""
    if hours <= 0:
        return 0.0
    first = datetime.fromtimestamp(since, zone).date() - timedelta(days=1)
    lit, day = 0.0, first
    while (start := instant(day, lights_on, zone)) < until:
        lit += max(0.0, min(until, start + hours * HOUR) - max(since, start))
        day += timedelta(days=1)
    return lit


def local_day(zone: ZoneInfo, utc: float) -> int:
    """The local date as an ordinal, to notice a new day by."""
    return datetime.fromtimestamp(utc, zone).toordinal()


def iso(utc: float) -> str:
    """RFC 3339 in UTC, as on the wire."""
    return datetime.fromtimestamp(utc, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


@value(frozen=True, slots=True)
class MatView:
    """What a mat controller sees.

    now: mono. soil, aim, half_band, room: °C; room None where it is not measured. on: whether the
    mat is on now. lamp: whether the lamp is lit now.

    ahead: what the aim changes to, as (seconds from now, °C), soonest first. lamp_ahead: the
    lamp's next change, as (seconds from now, lit); None where it has none. min_on, min_off: s that
    the relay keeps a state.
    """

    now: float
    soil: float
    aim: float
    half_band: float
    on: bool
    lamp: bool
    room: float | None
    ahead: tuple[tuple[float, float], ...] = ()
    lamp_ahead: tuple[float, bool] | None = None
    min_on: float = 0.0
    min_off: float = 0.0


class MatController(Protocol):
    """Decides whether the mat should be on, from a view and a memory of plain numbers."""

    def __call__(self, view: MatView, memory: tuple[float, ...]) -> tuple[bool, tuple[float, ...]]:
        """Whether to heat, and what to remember."""
        ...


def hysteresis(view: MatView, memory: tuple[float, ...]) -> tuple[bool, tuple[float, ...]]:
    """On below the band around the aim, off above it, unchanged inside."""
    if view.soil <= view.aim - view.half_band:
        return True, memory
    if view.soil >= view.aim + view.half_band:
        return False, memory
    return view.on, memory
