"""A season's plan as a calendar that a phone subscribes to: iCalendar, RFC 5545.

Each step is an event of a whole day, without a time and so without a zone: no change of the clock can
move it to the day before. Its UID is the plan's, so a plan that is made again moves its events
instead of adding to them.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from icalendar import Calendar, Event

from profiles.season import Task

#: Names the program, as RFC 5545 (3.7.3) asks for.
PRODUCT = "-//hotbed//season plan//EN"
#: How often a phone may look again, RFC 7986 (5.7).
REFRESH = timedelta(hours=6)


def calendar(tasks: Iterable[Task], site: str, stamp: datetime) -> bytes:
    """The calendar of these steps.

    site: what the UIDs end in and the calendar is called by. stamp: when the plan was made, with a zone.
    """
    if stamp.tzinfo is None:
        raise ValueError("the stamp has no time zone; allowed: one that has, such as UTC")
    book = Calendar()
    book.add("prodid", PRODUCT)
    book.add("version", "2.0")
    book.add("method", "PUBLISH")
    book.add("name", f"Seedlings, {site}")
    # What clients read that don't know RFC 7986.
    book.add("x-wr-calname", f"Seedlings, {site}")
    book.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for task in tasks:
        event = Event()
        event.add("uid", f"{task.uid}@{site}.hotbed")
        event.add("dtstamp", stamp)
        event.add("dtstart", task.day)
        event.add("dtend", task.day + timedelta(days=1))
        event.add("summary", task.summary)
        if task.description:
            event.add("description", task.description)
        # Nobody is busy all day for it.
        event.add("transp", "TRANSPARENT")
        book.add_component(event)
    written: bytes = book.to_ical()
    return written
