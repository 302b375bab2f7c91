"""What people write: moments, lengths of time, lines of the notebook."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Sequence
from datetime import date, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING, Any

from daemon.cli.program import wrong

if TYPE_CHECKING:
    from profiles.units import Units

_DATE = r"(?P<day>\d{4}-\d{2}-\d{2}|today|yesterday)"
_TIME = r"(?P<time>\d{1,2}:\d{2})"
_MOMENT = re.compile(rf"(?:{_DATE}(?:[ t]+{_TIME})?|{_TIME.replace('time', 'alone')})", re.ASCII)
_ZONED = re.compile(
    r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:\d{2})", re.ASCII
)
#: How a moment may be written.
MOMENTS = '"2027-03-14", "2027-03-14 08:30", "08:30" (today), "yesterday", "yesterday 18:00"'
#: A day without a time stands for this one, the least wrong.
NOON = "12:00"


def moment(text: str, now: datetime, zone: tzinfo | None) -> datetime:
    """The moment a person means, with its zone.

    now: the present, with a zone. zone: where the person's clock hangs, None for this machine's. A
    day alone is its noon, or now if that is still to come today. Raises ValueError.
    """
    if _ZONED.fullmatch(text.strip()):
        with contextlib.suppress(ValueError):
            return datetime.fromisoformat(text.strip())
    here = now.astimezone(zone)
    found = _MOMENT.fullmatch(text.strip().lower())
    try:
        if found is None:
            raise ValueError
        day = _day(found["day"] or "today", here.date())
        clock = found["time"] or found["alone"] or NOON
        local = datetime.fromisoformat(f"{day}T{clock.rjust(5, '0')}")
    except ValueError:
        raise ValueError(f"{text!r} is no date or time; allowed: {MOMENTS}") from None
    at = local.replace(tzinfo=zone) if zone is not None else local.astimezone()
    bare = found["time"] is None and found["alone"] is None
    return here if bare and day == here.date() and at > now else at


def _day(text: str, today: date) -> date:
    if text in ("today", "yesterday"):
        return today - timedelta(days=text == "yesterday")
    return date.fromisoformat(text)


def day_of(option: str, text: str) -> date:
    """The date of an option, as in 2027-05-10; else a wrong usage."""
    with contextlib.suppress(ValueError):
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text.strip(), re.ASCII):
            return date.fromisoformat(text.strip())
    raise wrong(f"{option}: {text!r}; allowed: a date, such as 2027-02-15")


#: Seconds of each unit of time.
TIME_UNITS = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86400.0}
_DURATION = re.compile(r"(?:\d+(?:[.,]\d+)?[smhd])+", re.ASCII)


def duration(text: str) -> float:
    """Seconds, from "90s", "30m", "2h", "1h30m" or "1d". Raises ValueError."""
    compact = text.replace(" ", "").lower().replace("min", "m")
    if not _DURATION.fullmatch(compact):
        raise ValueError(f"{text!r} is no length of time; allowed: 90s, 30m, 2h, 1h30m, 1d")
    parts = re.findall(r"([\d.,]+)([smhd])", compact)
    return sum(float(many.replace(",", ".")) * TIME_UNITS[unit] for many, unit in parts)


def _spoken(seconds: float) -> str:
    unit = next(unit for unit in "dhms" if seconds % TIME_UNITS[unit] == 0 or unit == "s")
    return f"{seconds / TIME_UNITS[unit]:g}{unit}"


def seconds(text: str, low: float, high: float, option: str = "--for") -> float:
    """The length of time of an option, in bounds [s]; else a wrong usage."""
    try:
        seconds = duration(text)
    except ValueError as error:
        raise wrong(f"{option}: {error}") from None
    if not low <= seconds <= high:
        raise wrong(f"{option}: {text!r}; allowed: {_spoken(low)} to {_spoken(high)}")
    return seconds


_LENGTHS = {"mm": 1.0, "cm": 10.0, "in": 25.4, '"': 25.4, "m": 1000.0, "ft": 304.8}


def length_m(option: str, text: str) -> float:
    """The length [m] of an option, as in 20cm, 1.2m or 8in; else a wrong usage."""
    found = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*(mm|cm|m|in|ft|\")", text.strip().lower(), re.ASCII)
    if found is None:
        raise wrong(f"{option}: {text!r}; allowed: a number and its unit, 20cm, 1.2m or 8in")
    return float(found[1].replace(",", ".")) * _LENGTHS[found[2]] / 1000


def celsius(option: str, text: str, units: Units) -> float:
    """The temperature [°C] of an option, as in 18C or 64F; without a letter in `units`."""
    from profiles.units import celsius_from_f

    found = re.fullmatch(_NUMBER + r"\s*°?([CF]?)", text.strip(), re.ASCII | re.IGNORECASE)
    if found is None:
        raise wrong(f"{option}: {text!r}; allowed: a temperature, 18C or 64F")
    value = _float(found[1])
    return celsius_from_f(value) if (found[2].upper() or units) == "F" else value


#: What `log BATCH` takes as its first word; all else is a note.
RECORDS = (
    "watered", "fed", "moist", "weight", "height", "emerged", "leaves", "cover", "thinned",
    "pricked-out", "potted-on", "raised-lamp", "lit", "out", "in", "checked", "low", "note",
)  # fmt: skip
#: What puts an earlier record right.
CORRECTIONS = ("amend", "strike")
_NUMBER = r"(-?\d+(?:[.,]\d+)?)"


def entry(words: Sequence[str]) -> tuple[str, dict[str, Any]]:
    """What is to be written down, or put right, as kind and arguments of a request.

    Raises ValueError.
    """
    first = words[0].lower()
    if first not in CORRECTIONS:
        return "log", record(words)
    number = words[1] if len(words) > 1 else ""
    if not re.fullmatch(r"[1-9]\d{0,5}", number, re.ASCII):
        raise ValueError(
            f"{first} {number!r}; allowed: the record's number, as `hotbed log BATCH` shows it"
        )
    n, rest = int(number), list(words[2:])
    if first == "strike":
        return "strike", {"n": n, "why": " ".join(rest).strip()}
    if not rest:
        raise ValueError(f"amend {n}: to what? For example: amend {n} height 5cm")
    changed = record(rest)
    return "amend", {
        "n": n,
        **{key: value for key, value in changed.items() if key != "what" and value != ""},
    }


def record(words: Sequence[str]) -> dict[str, Any]:
    """What is to be written down of a batch, as arguments of a request. Raises ValueError."""
    from difflib import get_close_matches

    from profiles.units import celsius_from_f

    first, rest = words[0].lower(), " ".join(words[1:]).strip()
    if first not in RECORDS:
        text = " ".join(words).strip()
        if near := get_close_matches(first, (*RECORDS, *CORRECTIONS), n=1, cutoff=0.78):
            raise ValueError(
                f"{words[0]!r} is close to {near[0]!r}: write {near[0]!r}, or, if you mean it so, "
                f"note {text!r}"
            )
        return {"what": "note", "text": text}
    if (first in ("in", "out") and rest.lower() not in ("", "indoors")) or (
        first == "leaves" and not rest[:1].isdigit()
    ):
        return {"what": "note", "text": " ".join(words).strip()}  # "out of compost", "leaves pale"
    match first:
        case "moist":
            found = _read(first, r"([1-5])", rest, "moist 1 (dry) to moist 5 (soaked)")
            return {"what": first, "value": float(found[1]), "text": found[2] or ""}
        case "leaves":
            found = _read(first, r"(\d{1,2})", rest, "sets of true leaves, like leaves 2")
            return {"what": first, "value": float(found[1]), "text": found[2] or ""}
        case "weight":
            found = _read(first, _NUMBER + r"\s*(kg|g)", rest, "a tray's weight, 1850g or 1.85kg")
            grams = _float(found[1]) * (1000.0 if found[2] == "kg" else 1.0)
            return {"what": first, "value": round(grams, 1), "text": found[3] or ""}
        case "height" | "raised-lamp" if rest or first == "height":
            found = _read(
                first, r"(\d+(?:[.,]\d+)?)\s*(mm|cm|in|\")", rest,
                "a number and its unit, 6cm, 60mm or 2.5in",
            )  # fmt: skip
            value = _float(found[1]) * _LENGTHS[found[2]]
            return {"what": first, "value": round(value, 1), "text": found[3] or ""}
        case "low":
            found = _read(
                first, _NUMBER + r"\s*°?([CF])", rest, "the night's low, 3C, -1.5C or 38F"
            )
            value = _float(found[1])
            value = celsius_from_f(value) if found[2] == "F" else value
            return {"what": first, "value": round(value, 2), "text": found[3] or ""}
        case "emerged":
            found = _read(
                first, r"(\d{1,6})(?:\s*(?:/|of)\s*(\d{1,6}))?", rest,
                "how many are up, 61 or 61/72",
            )  # fmt: skip
            of = {} if found[2] is None else {"of": int(found[2])}
            return {"what": first, "value": float(found[1]), **of, "text": found[3] or ""}
        case "cover":
            if rest.lower() not in ("on", "off"):
                raise ValueError(f"cover {rest!r}; allowed: cover on, cover off")
            return {"what": first, "text": rest.lower()}
        case "note" if not rest:
            raise ValueError('a note needs words: note "leaves pale at the edge"')
    return {"what": first, "text": rest}


def _read(first: str, pattern: str, rest: str, allowed: str) -> re.Match[str]:
    found = re.fullmatch(pattern + r"(?:\s+(.*))?", rest, re.ASCII)
    if found is None:
        raise ValueError(f"{first} {rest!r}; allowed: {allowed}")
    return found


def _float(text: str) -> float:
    return float(text.replace(",", "."))


def one_of(what: str, given: str, known: Sequence[str]) -> str:
    """The known word that is meant, whatever its capitals; else a wrong usage with the nearest."""
    from profiles.problems import nearest

    word = given.strip().lower().replace("_", "-").replace(" ", "-")
    if word not in known:
        raise wrong(f"no {what} {given!r}{nearest(word, known)}; allowed: {', '.join(known)}")
    return word
