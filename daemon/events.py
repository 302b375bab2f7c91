"""Events: what happened, in one sentence for a person and in details for a program."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened.

    at: POSIX seconds, UTC.
    kind: "switching", "stage", "request", "alarm", "advisory", "decision", "daemon", "clock" or
        "record" (a grower's own note); a reader takes a kind it does not know as text.
    text: one sentence for a person.
    bench, batch: what it is about, where it is about one.
    by: the person who asked for it, or None when the program did it by itself.
    data: details for a program; whatever JSON can say, numbers finite.
    """

    at: float
    kind: str
    text: str
    bench: str | None = None
    batch: str | None = None
    by: str | None = None
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StoredEvent(Event):
    """An event as the journal keeps it.

    seq: its place in the journal, from 1, without gaps. It tells the order in which things
        happened even where the clock was set back and `at` does not.
    """

    seq: int = field(kw_only=True)
