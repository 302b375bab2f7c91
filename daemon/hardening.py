"""Hardening off: a plan of steps for somebody at home, and one for somebody at work with a cold frame.

Both go from a sheltered quarter of an hour, or a lid hardly propped, to nights outdoors. A day that
the plants were put out counts as a step done, unless the night was colder than they take: then it is
held back, and done again. All of the plan is common practice without a source, but for the least night
temperature, which is the crop's. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from math import acos, cos, degrees, pi, radians, sin, tan
from typing import Literal
from zoneinfo import ZoneInfo

from daemon.care import Care, Records, What
from daemon.control import instant
from profiles.bounds import check, check_whole
from profiles.units import Units, format_temperature

Style = Literal["home", "cold-frame"]

#: How many days a plan may take (common practice, no source: about the last two weeks).
LEAST_DAYS, MOST_DAYS, USUAL_DAYS = 10, 21, 14
#: The first day takes this much more [°C] of a night than the crop's limit, the last day none (our
#: judgement: plants harden by and by).
EASE_C = 5.0
#: A shut cold frame is so much warmer [°C] than the night around it (from memory: single glass).
FRAME_LIFT_C = 2.0
#: Indoors for longer than so many days, plants soften: so many steps back (common practice, no source).
SOFTENS_AFTER, SOFTENS_BY = 3, 2
#: Minutes in the shade on the first day (common practice, no source); doubled from day to day.
_FIRST_MIN = 15
#: Days of doubling: the seventh is all of the day.
_DOUBLINGS = 6


@dataclass(frozen=True, slots=True)
class Step:
    """What one day of hardening asks for.

    day: 1 to `of`. out_min: minutes outdoors; None for all day. night: where the plants spend the night
    after it. least_night_c: the coldest night [°C] they take on this day, around the frame if in one.
    """

    day: int
    of: int
    text: str
    out_min: int | None
    night: Literal["indoors", "shut frame", "outdoors"]
    least_night_c: float


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a batch's hardening has come.

    day: the step to do today, counted from 1; more than `of` once all are done. step: None then. held:
    days that did not count. out: since when the plants are out, or the frame open; None when in.
    today: whether they were put out today. must_come_in: why they may not stay for the night that
    comes; empty if they may. low_known: whether tonight's low was given.
    """

    day: int
    of: int
    step: Step | None
    held: int
    out: float | None
    today: bool
    must_come_in: str
    low_known: bool

    @property
    def done(self) -> bool:
        return self.step is None


def least_night(day: int, of: int, limit_c: float) -> float:
    """The coldest night [°C] that plants take on day `day` of `of`; never below the crop's limit."""
    return limit_c + EASE_C * max(0.0, (of - day) / (of - 1))


def plan(style: Style, limit_c: float, days: int = USUAL_DAYS) -> tuple[Step, ...]:
    """The steps of a plan of so many days, for a crop that takes nights down to `limit_c` [°C].

    Raises ValueError for days outside 10 to 21.
    """
    check_whole("days of hardening", days, LEAST_DAYS, MOST_DAYS)
    check("least night temperature", limit_c, -10, 25, "°C")
    return tuple(step_for(day, style, limit_c, days) for day in range(1, days + 1))


def step_for(day: int, style: Style, limit_c: float, days: int = USUAL_DAYS) -> Step:
    """Step `day` of such a plan; raises ValueError for a day that it does not have."""
    check_whole("days of hardening", days, LEAST_DAYS, MOST_DAYS)
    check_whole("day of hardening", day, 1, days)
    least = least_night(day, days, limit_c)
    if style == "home":
        nights = max(3, (days - _DOUBLINGS) // 2)
        if day <= _DOUBLINGS:
            minutes = _FIRST_MIN * 2 ** (day - 1)
            where = (
                "in full shade, out of the wind"
                if day <= 3
                else "in light shade, with an hour or two of morning sun"
            )
            text = f"out for {_minutes(minutes)} {where}; then in again"
            return Step(day, days, text, minutes, "indoors", least)
        if day <= days - nights:
            text = "out all day, in the sun by and by; in by dusk"
            return Step(day, days, text, None, "indoors", least)
        return Step(day, days, "out day and night", None, "outdoors", least)
    for share, text, night in _FRAME:
        if day <= share * days:
            return Step(day, days, text, None, night, least)
    raise AssertionError("the last share is all")  # pragma: no cover


_COOKS = "in sun a shut frame cooks within the hour, so if in doubt prop it wider"
_FRAME: tuple[tuple[float, str, Literal["shut frame", "outdoors"]], ...] = (
    (
        0.2,
        f"in the frame, shaded, the lid propped 3 cm (an inch); shut by dusk ({_COOKS})",
        "shut frame",
    ),
    (0.4, f"the lid propped 10 cm (4 in), lightly shaded; shut by dusk ({_COOKS})", "shut frame"),
    (0.6, "the lid half open, no more shade; shut by dusk", "shut frame"),
    (0.75, "the lid off by day; on and shut by dusk", "shut frame"),
    (0.9, "the lid off by day, propped 10 cm (4 in) by night", "outdoors"),
    (1.0, "the lid off day and night", "outdoors"),
)


def _minutes(minutes: int) -> str:
    return f"{minutes} minutes" if minutes < 60 else f"{minutes // 60} h"


def progress(
    records: Records,
    style: Style,
    limit_c: float,
    *,
    zone: ZoneInfo,
    now: float,
    since: float,
    days: int = USUAL_DAYS,
    lows: Mapping[int, float] | None = None,
    units: Units = "C",
) -> Progress:
    """How far the hardening has come, from the records of `out` and `in` since it began.

    lows: the lowest temperature [°C] of the night that follows a local date, by the date's ordinal, as
    foretold or measured; what is missing is not known, and holds nothing back.

    A day on which the plants were put out counts, unless the night was colder than they take and nobody
    recorded that they came in on that day; of plants in a frame, whose `in` is a shut lid, with the word
    "indoors". Raises ValueError for days outside 10 to 21.
    """
    steps, lows = plan(style, limit_c, days), lows or {}
    today = datetime.fromtimestamp(now, zone).toordinal()
    moves = [care for care in records.since(since, What.OUT, What.IN) if care.at <= now]
    by_day: dict[int, list[Care]] = {}
    for care in moves:
        by_day.setdefault(datetime.fromtimestamp(care.at, zone).toordinal(), []).append(care)
    counted = held = 0
    stays = out_today = False  # whether the plants are out for the night, and so on the next day
    last = today
    for day in range(min(by_day, default=today), today + 1):
        moved = by_day.get(day, [])
        out_today = stays or any(care.what is What.OUT for care in moved)
        if not out_today:
            continue
        if day - last > SOFTENS_AFTER:
            counted = max(0, counted - SOFTENS_BY)
        last = day
        if day == today or counted >= days:
            continue
        step = steps[counted]
        came_in = moved[-1].text if moved and moved[-1].what is What.IN else None
        stays = step.night == "outdoors" and came_in is None
        safe = came_in is not None and (step.night == "indoors" or "indoors" in came_in)
        if safe or not _too_cold(step, lows.get(day)):
            counted += 1
        else:
            held += 1
    if today - last > SOFTENS_AFTER and counted < days:
        counted = max(0, counted - SOFTENS_BY)
    now_step = steps[counted] if counted < days else None
    low = lows.get(today)
    return Progress(
        day=counted + 1,
        of=days,
        step=now_step,
        held=held,
        out=moves[-1].at if moves and moves[-1].what is What.OUT else None,
        today=out_today,
        must_come_in=_why_in(now_step or steps[-1], low, units),
        low_known=low is not None,
    )


def _too_cold(step: Step, low: float | None) -> bool:
    lift = FRAME_LIFT_C if step.night == "shut frame" else 0.0
    return low is not None and low + lift < step.least_night_c


def _why_in(step: Step, low: float | None, units: Units) -> str:
    if not _too_cold(step, low):
        return "" if step.night != "indoors" else "its nights are still indoors"
    assert low is not None
    frame = ", in a shut frame too" if step.night == "shut frame" else ""
    return (
        f"tonight's low of {format_temperature(low, units)} is colder than the "
        f"{format_temperature(step.least_night_c, units)} it takes by now{frame}"
    )


def lows_of(records: Records, zone: ZoneInfo) -> dict[int, float]:
    """The lows that were given for a night, by the ordinal of the local date before it.

    records: of the site. The newest that was given for a date goes.
    """
    return {
        datetime.fromtimestamp(care.at, zone).toordinal(): care.value
        for care in records.standing(What.LOW)
        if care.value is not None
    }


# --- when dusk is --------------------------------------------------------------------------------


def dusk(
    day: date,
    zone: ZoneInfo,
    *,
    local: timedelta = timedelta(hours=18),
    latitude: float | None = None,
    longitude: float | None = None,
) -> float:
    """When plants must be in (POSIX s): at sunset where the place is known, else at a local time.

    latitude, longitude: degrees, north and east positive.
    """
    if latitude is not None and longitude is not None:
        at = sunset(day, latitude, longitude)
        if at is not None:
            return at
    return instant(day, local, zone)


def sunset(day: date, latitude: float, longitude: float) -> float | None:
    """Sunset on the local date `day` (POSIX s), to a few minutes; None in polar day or night.

    The general solar position calculations of NOAA's Global Monitoring Laboratory (after J. Meeus,
    Astronomical Algorithms), written from memory and held in tests to a reference library. Raises
    ValueError for a place that is not on the globe.
    """
    check("latitude", latitude, -90, 90, "°")
    check("longitude", longitude, -180, 180, "°")
    hour = 18 - longitude / 15
    year = 2 * pi / 365 * (day.timetuple().tm_yday - 1 + (hour - 12) / 24)
    equation_min = 229.18 * (
        0.000075
        + 0.001868 * cos(year)
        - 0.032077 * sin(year)
        - 0.014615 * cos(2 * year)
        - 0.040849 * sin(2 * year)
    )
    declination = (
        0.006918
        - 0.399912 * cos(year)
        + 0.070257 * sin(year)
        - 0.006758 * cos(2 * year)
        + 0.000907 * sin(2 * year)
        - 0.002697 * cos(3 * year)
        + 0.00148 * sin(3 * year)
    )
    phi = radians(latitude)
    # The sun's upper edge at the horizon, with refraction: its middle is 90.833° from the zenith.
    angle = cos(radians(90.833)) / (cos(phi) * cos(declination)) - tan(phi) * tan(declination)
    if not -1 <= angle <= 1:
        return None
    minutes = 720 - 4 * (longitude - degrees(acos(angle))) - equation_min
    midnight = datetime.combine(day, time(), tzinfo=UTC)
    return (midnight + timedelta(minutes=minutes)).timestamp()
