"""The season's calendar, read back with a library that did not write it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import vobject
from typer.testing import Result

from daemon.calendar_file import calendar
from profiles.season import Task

STAMP = datetime(2027, 1, 10, 11, 30, tzinfo=UTC)
#: Ten crops over a spring in which Berlin's clocks go forward, on 28 March (time-zone database).
TEN = (
    "leek:100", "celery:12", "parsley:12", "broccoli:18", "lettuce:36@2wx3", "beet:60", "tomato:24",
    "pepper:12", "basil:12", "cucumber:6",
)  # fmt: skip
CONFIG = """
schema = 1
[site]
name = "shed"
zone = "Europe/Berlin"
[bench.lower]
trays = 2
mat = { watts = 36, device = { driver = "simulated" } }
probes = [{ name = "a", measures = "soil", device = { driver = "simulated" } }]
[bench.upper]
trays = 4
lamp = { watts = 80, device = { driver = "simulated" } }
"""


def events(text: str) -> dict[str, vobject.base.Component]:
    """The events of a calendar by UID; each UID once."""
    book = vobject.readOne(text)
    found = {event.uid.value: event for event in book.vevent_list}
    assert len(found) == len(book.vevent_list)
    return found


def test_ten_crops_over_a_change_of_the_clock_are_on_the_days_of_the_table(
    hotbed: Callable[..., Result], alone: Path
) -> None:
    (alone / "hotbed.toml").write_text(CONFIG)
    words = ["plan", *TEN, "--last-frost", "2027-05-10", "--margin", "7", "--today", "2027-01-10"]
    done = hotbed(*words, "--ics", "season.ics", "--json")
    assert done.exit_code == 0, done.output
    plan = json.loads(done.stdout)["result"]
    assert len({one["crop"] for one in plan["sowings"]}) == 10
    told = {f"{task['uid']}@shed.hotbed": task for task in plan["tasks"]}
    read = events((alone / "season.ics").read_text(encoding="utf-8"))
    assert set(read) == set(told)
    spring = ZoneInfo("Europe/Berlin")
    days = []
    for uid, event in read.items():
        day = event.dtstart.value
        assert type(day) is date  # a whole day: no time, so no zone that could move it
        assert str(day) == told[uid]["day"]
        assert event.dtend.value - day == timedelta(days=1)
        assert event.summary.value == told[uid]["summary"]
        assert event.getChildValue("description", "") == told[uid]["description"]
        days.append(day)
    offsets = {datetime(d.year, d.month, d.day, 12, tzinfo=spring).utcoffset() for d in days}
    assert offsets == {timedelta(hours=1), timedelta(hours=2)}

    # And the table that a person reads has the same: its "day by day" lists each on its day.
    table = hotbed(*words).stdout.partition("Day by day")[2].partition("Trays of")[0]
    shown: list[tuple[str, str]] = []
    when = ""
    for line in table.splitlines():
        if found := re.match(r"  (?:\w{3} (\d+ \w{3}))?\s+([A-Z].*)$", line):
            when = found[1] or when
            shown.append((when, found[2]))
    for event in read.values():
        on = f"{event.dtstart.value.day} {event.dtstart.value:%b}"
        summary = event.summary.value[:40]
        assert any(day == on and said.startswith(summary) for day, said in shown), (on, summary)


def test_a_plan_made_again_moves_its_events_and_adds_none(
    hotbed: Callable[..., Result], alone: Path
) -> None:
    read = []
    for frost in ("2027-05-10", "2027-05-14"):
        words = ("plan", *TEN, "--last-frost", frost, "--today", "2027-01-10", "--ics", "s.ics")
        assert hotbed(*words).exit_code == 0
        read.append(events((alone / "s.ics").read_text(encoding="utf-8")))
    before, after = read
    assert set(before) == set(after)
    assert all(after[uid].dtstart.value > one.dtstart.value for uid, one in before.items())


def test_text_with_the_format_s_own_signs_comes_back_as_it_was() -> None:
    summary = "Sow Pepper 'Fen; Moor', 10 x 20\\n with ünder, " + "a long tail " * 12
    tasks = [Task("2027-pepper-1-sow", date(2027, 3, 28), summary.strip(), "")]
    written = calendar(tasks, "alder-lane", STAMP)
    assert all(len(line) <= 75 for line in written.split(b"\r\n"))  # RFC 5545, 3.1
    (event,) = events(written.decode()).values()
    assert event.summary.value == summary.strip()
    assert event.uid.value == "2027-pepper-1-sow@alder-lane.hotbed"
    assert event.dtstamp.value == STAMP
    assert "description" not in event.contents


def test_the_same_plan_and_stamp_are_the_same_bytes() -> None:
    tasks = [Task(f"t{n}", date(2027, 3, n + 1), "Sow", "") for n in range(5)]
    assert calendar(tasks, "a", STAMP) == calendar(tasks, "a", STAMP)


def test_a_stamp_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="time zone"):
        calendar([], "a", STAMP.replace(tzinfo=None))
