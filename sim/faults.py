"""Scripted faults: what breaks, where, when and for how long.

A file of faults is TOML:

    [[fault]]
    kind = "probe-lost"
    target = "warm/soil-left"     # bench/probe, or room/probe
    at = 2027-03-02T04:00:00      # local time, or seconds or "P8DT4H" (ISO 8601) from the start
    duration = "PT6H"             # seconds or ISO 8601; without it, to the end
"""

from __future__ import annotations

import tomllib
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PlainValidator,
    TypeAdapter,
    ValidationError,
    WithJsonSchema,
    model_validator,
)

from profiles.problems import explain


class FaultKind(StrEnum):
    """What can be made to go wrong."""

    PROBE_LOST = "probe-lost"  # no device: the wire is off
    PROBE_OUT_OF_SOIL = "probe-out-of-soil"  # hangs beside the tray and reads the room
    PROBE_CRC = "probe-crc"  # a noisy wire spoils every read
    PROBE_POWER_ON = "probe-power-on"  # loses its supply before each conversion: 85 °C
    PROBE_FROZEN = "probe-frozen"  # repeats the value it had
    PROBE_SLOW = "probe-slow"  # each read passes its time limit
    PROBE_DRIFT = "probe-drift"  # reads `drift_c_per_day` further off each day
    PROBE_SWAPPED = "probe-swapped"  # plugged in where `other` belongs, and that one here
    PROBE_IN_WATER = "probe-in-water"  # lies in a can of water, which follows the room slowly
    RELAY_STUCK_ON = "relay-stuck-on"  # contacts welded
    RELAY_STUCK_OFF = "relay-stuck-off"  # coil or driver dead
    RELAY_CHATTER = "relay-chatter"  # a loose contact: open and closed by chance while it is on
    LAMP_DEAD = "lamp-dead"  # switched on, dark
    MAT_DEAD = "mat-dead"  # switched on, cold
    MAT_STRONG = "mat-strong"  # gives `factor` times its watts: the wrong mat, or the wrong supply
    POWER_CUT = "power-cut"  # everything is off, the computer too
    BROKER_GONE = "broker-gone"  # the MQTT broker cannot be reached
    COLD_WATERING = "cold-watering"  # someone waters with `litres` at `celsius`


_PROBE = frozenset(kind for kind in FaultKind if kind.value.startswith("probe-"))
_RELAY = frozenset(kind for kind in FaultKind if kind.value.startswith("relay-"))
_SITE = frozenset({FaultKind.POWER_CUT, FaultKind.BROKER_GONE})
_OWN_KEYS = {
    "litres": FaultKind.COLD_WATERING,
    "celsius": FaultKind.COLD_WATERING,
    "drift_c_per_day": FaultKind.PROBE_DRIFT,
    "other": FaultKind.PROBE_SWAPPED,
    "factor": FaultKind.MAT_STRONG,
}
_TIMEDELTA = TypeAdapter(timedelta)
_LONGEST_S = 10 * 366 * 86400.0


def _span(value: object, least: str) -> float:
    """Seconds, from a number or an ISO 8601 duration; `least` names the lower bound."""
    if isinstance(value, str):
        try:
            value = _TIMEDELTA.validate_python(value).total_seconds()
        except ValidationError:
            raise ValueError('allowed: seconds, or ISO 8601 like "P2DT6H"') from None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError('allowed: seconds, or ISO 8601 like "P2DT6H"')
    if not 0 <= value <= _LONGEST_S or (least == "over 0" and value == 0):
        raise ValueError(f"allowed: {least} to {_LONGEST_S:.0f} s")
    return float(value)


def _moment(value: object) -> float | datetime:
    """A date and time as it is; anything else as a span from the start."""
    if isinstance(value, datetime):
        return value
    if isinstance(value, date):
        return datetime.combine(value, time())
    if isinstance(value, str) and not value.startswith("P"):
        try:
            return datetime.fromisoformat(value)
        except ValueError:
            raise ValueError(
                'allowed: seconds from the start, ISO 8601 like "P2DT6H", or a date and time like '
                "2027-03-02T04:00:00"
            ) from None
    return _span(value, "0")


def _duration(value: object) -> float | None:
    return None if value is None else _span(value, "over 0")


class Fault(BaseModel):
    """One fault.

    target: "bench/probe" (or "room/probe") for a probe, "bench/lamp" or "bench/mat" for a relay,
        the bench for lamp-dead, mat-dead, mat-strong and cold-watering; nothing for power-cut and
        broker-gone.
    at: seconds from the start, or a date and time, of the site's zone unless it has an offset.
    duration: seconds; None for to the end. A watering has none.
    litres, celsius: of a cold-watering, over the whole bench.
    drift_c_per_day: of a probe-drift. other: of a probe-swapped, "bench/probe". factor: of a
    mat-strong.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: FaultKind
    target: Annotated[str, Field(max_length=80)] = ""
    at: Annotated[float | datetime, PlainValidator(_moment), WithJsonSchema({})]
    duration: Annotated[float | None, PlainValidator(_duration), WithJsonSchema({})] = None
    litres: Annotated[float, Field(gt=0, le=100)] = 2.0
    celsius: Annotated[float, Field(ge=0, le=60)] = 8.0
    drift_c_per_day: Annotated[float, Field(ge=-20, le=20)] = 0.5
    other: Annotated[str, Field(max_length=80)] = ""
    factor: Annotated[float, Field(ge=1, le=4)] = 2.0

    @model_validator(mode="after")
    def _fits_its_kind(self) -> Self:
        for key, kind in _OWN_KEYS.items():
            if key in self.model_fields_set and self.kind is not kind:
                raise ValueError(f"{key} belongs to {kind} only, not to {self.kind}")
        if self.kind is FaultKind.COLD_WATERING and self.duration is not None:
            raise ValueError("a cold-watering has no duration")
        if self.kind is FaultKind.PROBE_SWAPPED and self.other in ("", self.target):
            raise ValueError(f"other is {self.other!r}; allowed: another probe, as bench/probe")
        bench, _, device = self.target.partition("/")
        if self.kind in _SITE:
            if self.target:
                raise ValueError(f"{self.kind} concerns the whole site; remove target")
        elif self.kind in _PROBE and not (bench and device):
            raise ValueError(f"target is {self.target!r}; allowed: bench/probe or room/probe")
        elif self.kind in _RELAY and not (bench and device in ("lamp", "mat")):
            raise ValueError(f"target is {self.target!r}; allowed: bench/lamp or bench/mat")
        elif not bench or (device and self.kind not in _PROBE | _RELAY):
            raise ValueError(f"target is {self.target!r}; allowed: the name of a bench")
        return self


class FaultFileError(ValueError):
    """A file of faults that is refused; `problems` holds one line each."""

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.path = path
        self.problems = problems
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))


class _FaultFile(BaseModel):
    model_config = ConfigDict(extra="forbid")

    schema_: Annotated[Literal[1], Field(alias="schema")] = 1
    fault: list[Fault] = []


def load_faults(path: Path) -> list[Fault]:
    """Read a TOML file of faults. Raises FaultFileError with every problem, place and range."""
    try:
        data: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
        return _FaultFile.model_validate(data).fault
    except OSError as error:
        raise FaultFileError(path, [f"cannot be read: {error.strerror}"]) from None
    except UnicodeDecodeError as error:
        raise FaultFileError(path, [f"is not UTF-8 text (byte {error.start})"]) from None
    except tomllib.TOMLDecodeError as error:
        raise FaultFileError(path, [f"is not TOML: {error}"]) from None
    except ValidationError as error:
        raise FaultFileError(path, explain(error, _FaultFile)) from None


@dataclass(frozen=True, slots=True)
class Window:
    """A fault with its times on the monotonic scale [s]."""

    fault: Fault
    start: float
    end: float


class FaultSchedule:
    """Faults against the monotonic scale of one run."""

    def __init__(
        self,
        faults: Sequence[Fault],
        *,
        start_utc: float,
        start_mono: float = 0.0,
        zone: tzinfo = UTC,
    ) -> None:
        """start_utc, start_mono: the moment that "from the start" counts from, on both scales.

        Times are rounded to microseconds, the world's own step.
        """
        windows = []
        for fault in faults:
            if isinstance(fault.at, datetime):
                local = fault.at if fault.at.tzinfo else fault.at.replace(tzinfo=zone)
                start = start_mono + local.timestamp() - start_utc
            else:
                start = start_mono + fault.at
            start = round(start, 6)
            end = float("inf") if fault.duration is None else round(start + fault.duration, 6)
            windows.append(Window(fault, start, end))
        self.windows = tuple(windows)
        edges = {edge for window in windows for edge in (window.start, window.end)}
        self._edges = sorted(edges - {float("inf")})

    def active(self, kind: FaultKind | str, now: float, target: str | None = None) -> bool:
        """Whether a fault of `kind` (on `target`, or on anything) is there at monotonic `now`."""
        return any(
            window.fault.kind == kind
            and window.start <= now < window.end
            and target in (None, window.fault.target)
            for window in self.windows
        )

    def next_edge(self, now: float) -> float:
        """When, after `now`, a fault next begins or ends; infinity when none does."""
        after = bisect_right(self._edges, now)
        return self._edges[after] if after < len(self._edges) else float("inf")
