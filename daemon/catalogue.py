"""ALARMS.md, the catalogue of alarms for people, from the kinds themselves.

`python -m daemon.catalogue` writes it anew; a test keeps it in step.
"""

from __future__ import annotations

from pathlib import Path

from daemon.alarms import CATALOGUE, LONGEST_SHELVED, ONE_FAULT, PRIORITIES, RESPONSE, AlarmKind
from daemon.care import worded_span
from daemon.state import HOUR

PATH = Path(__file__).parent / "ALARMS.md"

_HEAD = """\
# Alarms

Written by `python -m daemon.catalogue` from `daemon/alarms.py`; change it there.

An alarm is something that a person must act on. Its states are those of ANSI/ISA-18.2 (IEC 62682):
**active**, **acknowledged** (`hotbed alarms ack ALARM`: seen, and still so), **returned** to normal but
not yet seen, and **shelved** (`hotbed alarms snooze ALARM --for 2h`; on screen "snoozed until"), which
silences it and ends nothing. A **latched** one stays, and what it switched off stays off, until
somebody has looked and resets it (`hotbed alarms reset ALARM`). Where several of a bench begin within
{one_fault}, they may be of one fault, and `hotbed alarms` says which came **first**: look there first.

None of them replaces a thermal cut-out, a residual-current device (GFCI), a smoke alarm or a licensed
electrician: see the cautions in the README.

## How soon

| priority | act | snoozed at most | kinds |
| --- | --- | --- | --- |
"""


def markdown() -> str:
    """The whole page."""
    ordered = sorted(CATALOGUE, key=lambda kind: PRIORITIES.index(CATALOGUE[kind].priority))
    rows = [
        f"| {priority} | {RESPONSE[priority]} | {_span(LONGEST_SHELVED[priority])} | "
        + ", ".join(
            f"[`{kind}`](#{kind})" for kind in ordered if CATALOGUE[kind].priority == priority
        )
        + " |"
        for priority in PRIORITIES
    ]
    head = _HEAD.format(one_fault=worded_span(ONE_FAULT))
    parts = [head + "\n".join(rows) + "\n", *(_entry(kind, CATALOGUE[kind]) for kind in ordered)]
    return "\n".join(parts)


def _entry(name: str, kind: AlarmKind) -> str:
    raised = f"after {_span(kind.delay)}" if kind.delay else "at once"
    gone = f"after {_span(kind.gone_for)}" if kind.gone_for else "at once"
    band = f", {kind.deadband:g} °C back from its limit" if kind.deadband is not None else ""
    if kind.latched:
        ends = "when a person resets it (latched)"
    else:
        ends = f"when its cause is gone{band}, {gone}"
    needs = "a person" if kind.needs_person else "perhaps nobody: it can end by itself"
    called = "by night too" if kind.wakes else "by day; at night it waits for the morning"
    return (
        f"## {name}\n\n**{kind.title}** ({kind.priority})\n\n"
        f"- **Cause:** {kind.cause}\n"
        f"- **If nobody acts:** {kind.consequence}\n"
        f"- **Do:** {kind.action}\n"
        f"- **Raised** {raised}; **ends** {ends}.\n"
        f"- **Needs** {needs}. People are called {called}.\n"
    )


def _span(seconds: float) -> str:
    return f"{seconds / HOUR:g} h" if seconds >= HOUR else f"{seconds / 60:g} min"


if __name__ == "__main__":
    PATH.write_text(markdown(), encoding="utf-8")
