"""`check --leave`: before some days away, what falls due meanwhile.

The daemon is asked. Where it is off, its journal is read, if it is on this machine; where it isn't, what
the broker has kept of the daemon's last words must do. Either is told with exit status 3.
"""

from __future__ import annotations

import os
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.cli.asking import (
    Asking,
    daemon_meant,
    daemon_time,
    kept_by_broker,
    load_config,
    offline,
    usual_state,
)
from daemon.cli.program import UNANSWERED, Failed, document, wrong

if TYPE_CHECKING:
    from daemon.leave import Due
    from daemon.screens import Picture


def before_leave(config: Path | None, days: int, as_json: bool) -> None:
    """Ask the daemon, or look in its journal, and tell what falls due."""
    from daemon.leave import DAYS, falls_due

    if not DAYS[0] <= days <= DAYS[1]:
        raise wrong(f"--leave: {days}; allowed: {DAYS[0]} to {DAYS[1]} days")
    port = os.environ.get("HOTBED_PORT")
    if port is not None and not port.isdecimal():
        raise wrong(f"HOTBED_PORT: {port!r}; allowed: 1 to 65535")
    asking = daemon_meant(
        config,
        os.environ.get("HOTBED_BROKER"),
        int(port) if port is not None else None,
        os.environ.get("HOTBED_SITE"),
        as_json,
    )

    kept: dict[str, dict[str, Any]] = {}
    why = ""
    try:
        kept = kept_by_broker(asking)
    except Failed as problem:
        if problem.status != UNANSWERED:
            raise
        why = str(problem)
    from daemon.screens import Picture, console, leave

    picture, source = Picture.of(kept), "daemon"
    if picture.online is not True:
        why = why or offline(asking)
        journalled, told = from_journal(asking)
        if journalled is None and not kept:
            raise Failed(f"{why}; {told}", UNANSWERED)
        source = "broker" if journalled is None else "journal"
        picture = journalled or picture
        at = "" if picture.at is None else f"{asking.view().local(picture.at):%Y-%m-%d %H:%M}"
        why += (
            f"; {told}, so this is what the broker has kept of it, as things were at {at}"
            if journalled is None
            else f"; this is from {told}, as things were at {at}"
        )
    now = daemon_time(kept).timestamp()
    if picture.at is not None:  # of one that is off, perhaps ahead of this machine
        now = max(now, asking.view().local(picture.at).timestamp())
    found = falls_due(picture.batches, picture.benches, picture.alarms, now, days, asking.zone)
    result = {
        "site": asking.site,
        "from": source,
        "days": days,
        "dates": visits(found),
        "due": [_told(due) for due in found],
    }
    if not as_json:
        console().print(leave(asking.site, found, visits(found), asking.view(), now, days))
    elif not why:
        document({"ok": True, "result": result})
    if why:
        raise Failed(why, UNANSWERED, result)


def from_journal(asking: Asking) -> tuple[Picture | None, str]:
    """What the daemon would say of its batches and alarms, by its journal, which is only read; and the
    journal's name, or why there is nothing."""
    from daemon.app import JOURNAL, read_site
    from daemon.decide import decide
    from daemon.journal import JournalError, read_saved
    from daemon.messages import alarm_messages, batch_message, bench_messages
    from daemon.replay import rolled_forward
    from daemon.screens import Picture
    from daemon.simulated import example
    from daemon.state import Inputs, fitted, restore
    from profiles.library import ProfileError

    path = usual_state() / JOURNAL
    settings = example() if asking.config is None else load_config(asking.config)
    if settings.site.name != asking.site:
        return None, f"the journal of {settings.site.name} is another site's"
    try:
        site, _ = read_site(settings)
        saved = read_saved(path)
        if saved is None:
            return None, f"{path} knows no batch yet"
        memory, _ = rolled_forward(path, restore(saved.body), site)
        memory, _, _ = fitted(memory, site)
    except (JournalError, ProfileError, ValueError) as error:
        return None, str(error)
    then = memory.at
    if then is None:
        return None, f"{path} knows no batch yet"
    # Decided at its own moment, of which nobody is told: what stands, and what is kept off, is known.
    decision = decide(memory, site, Inputs({}), then)
    now = max(then.utc, time.time())
    return (
        Picture(
            online=False,
            benches=[*bench_messages(memory, site, decision, {}, then.utc).values()],
            batches=[
                batch_message(one, memory, site, decision, now) for one in memory.batches.values()
            ],
            alarms=[*alarm_messages(memory, then).values()],
            unreadable=[],
        ),
        str(path),
    )


def visits(found: list[Due]) -> list[str]:
    """The local dates on which somebody must be there."""
    return sorted({date for due in found for date in due.dates})


def _told(due: Due) -> dict[str, Any]:
    from daemon.control import iso

    return asdict(due) | {"at": None if due.at is None else iso(due.at)}
