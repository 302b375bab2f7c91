"""`check --leave`: before some days away, what falls due meanwhile."""

from __future__ import annotations

import os
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.cli.asking import carry_out, connected, daemon_meant, daemon_time, nobody, offline
from daemon.cli.program import UNANSWERED, Failed, document, wrong

if TYPE_CHECKING:
    from daemon.leave import Due


def before_leave(config: Path | None, days: int, as_json: bool) -> None:
    """Ask the daemon and tell what falls due; the last known state, and status 3, if it is off."""
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

    async def look() -> dict[str, dict[str, Any]]:
        async with connected(asking) as client:
            return await client.gather()

    kept = carry_out(look())
    if not kept:
        raise Failed(nobody(asking), UNANSWERED)
    from daemon.screens import Picture, console, leave

    picture = Picture.of(kept)
    now = daemon_time(kept).timestamp()
    if picture.at is not None:  # of one that is off, perhaps ahead of this machine
        now = max(now, asking.view().local(picture.at).timestamp())
    found = falls_due(picture.batches, picture.benches, picture.alarms, now, days, asking.zone)
    result = {
        "site": asking.site,
        "days": days,
        "dates": visits(found),
        "due": [_told(due) for due in found],
    }
    if not as_json:
        console().print(leave(asking.site, found, visits(found), asking.view(), now, days))
    elif picture.online is True:
        document({"ok": True, "result": result})
    if picture.online is not True:
        raise Failed(offline(asking), UNANSWERED, result)


def visits(found: list[Due]) -> list[str]:
    """The local dates on which somebody must be there."""
    return sorted({date for due in found for date in due.dates})


def _told(due: Due) -> dict[str, Any]:
    from daemon.control import iso

    return asdict(due) | {"at": None if due.at is None else iso(due.at)}
