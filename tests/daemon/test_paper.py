"""What is printed: all that must be on it is, it fits the paper, and no text commands the page."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.care import Stand
from daemon.energy import Energy
from daemon.messages import AlarmMessage, BatchMessage, TaskReport
from daemon.paper import (
    _LEARNT,
    WIDTH,
    DaySheet,
    Label,
    day_html,
    day_sheet,
    day_text,
    labels,
    labels_html,
    labels_text,
    season_html,
    season_text,
)
from daemon.screens import View
from daemon.story import Line, Story, stories

VIEW = View(UTC)
ODD = '<script>alert(1)</script>\x1b[31m & "Joss\'s"'


class Page(HTMLParser):
    """The elements, classes and text of a page, by a parser that is not ours."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.classes: list[str] = []
        self.outside: list[str] = []
        self._skip = False
        self.text = ""
        self.feed(page)
        self.close()
        assert page.startswith("<!DOCTYPE html>")

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._skip = tag == "style"
        for name, value in attrs:
            self.classes += (value or "").split() if name == "class" else []
            self.outside += [value or ""] if name in ("src", "href") else []

    def handle_endtag(self, tag: str) -> None:
        self._skip = False

    def handle_data(self, data: str) -> None:
        if not self._skip:
            self.text += data


def whole(page: str) -> Page:
    """A page that brings all it needs, and has the margins of any printer."""
    read = Page(page)
    assert read.outside == []
    assert "script" not in read.tags
    assert not re.search(r"url\(|@import|https?:", page)
    assert "@page" in page
    return read


@pytest.fixture
def batches(grower: Any) -> list[BatchMessage]:
    grower.asks(
        "sow", "2027-03-01 08:00", crop="tomato", place="lower", trays=2, cells=144, year=2026,
        variety=ODD.replace("\x1b", ""), lot="A7", treatment="soaked",
    )  # fmt: skip
    grower.asks("sow", "2027-03-01 09:00", crop="celery", place="porch", trays=0.5)
    found: list[BatchMessage] = grower.batches("2027-03-04 10:00")
    return found


def test_there_is_a_label_for_each_tray_with_what_one_must_know(
    batches: list[BatchMessage],
) -> None:
    found = labels(batches, VIEW)
    assert [(one.batch, one.tray) for one in found] == [
        ("TOM1", "tray 1 of 2"),
        ("TOM1", "tray 2 of 2"),
        ("CEL1", ""),
    ]
    first = found[0]
    assert (first.crop, first.sown, first.place) == ("Tomato", "sown 2027-03-01", "lower")
    assert first.seed == "lot A7, seed 2026, soaked"
    page = whole(labels_html(found))
    assert page.classes.count("label") == 3
    for part in ("TOM1", "sown 2027-03-01", "lot A7", "porch", "<script>"):
        assert part in page.text


def test_the_code_is_the_biggest_thing_on_a_label(batches: list[BatchMessage]) -> None:
    page = labels_html(labels(batches, VIEW))
    sizes = {float(size) for size in re.findall(r"font-size: ([\d.]+)pt", page)}
    assert f".code {{ font-size: {max(sizes):g}pt" in page


@given(st.lists(st.builds(Label, *[st.text(max_size=60)] * 7), max_size=5))
def test_labels_of_text_fit_the_line_whatever_is_written_on_them(found: list[Label]) -> None:
    lines = labels_text(found).split("\n")
    assert max(map(len, lines)) <= WIDTH
    assert all(char.isprintable() for line in lines for char in line)
    whole(labels_html(found))


def alarm(title: str = "No soil reading", state: str = "active") -> AlarmMessage:
    return AlarmMessage.model_validate(
        {
            "at": "2027-03-04T09:00:00Z",
            "alarm": "no-soil-reading.lower",
            "kind": "no-soil-reading",
            "priority": "high",
            "title": title,
            "state": state,
            "cause": "the front probe is lost",
            "consequence": "the mat stays off",
            "action": "look at its plug",
            "bench": "lower",
            "batch": None,
            "raised_at": "2027-03-04T09:00:00Z",
            "acknowledged_by": None,
            "snoozed_until": None,
            "needs_reset": False,
        }
    )


def sheet(grower: Any, batches: list[BatchMessage], *alarms: AlarmMessage) -> DaySheet:
    now = datetime(2027, 3, 4, 10, tzinfo=UTC)
    return day_sheet("barn", grower.benches("2027-03-04 10:00"), batches, alarms, VIEW, now)


def with_tasks(batch: BatchMessage, *tasks: tuple[str, str | None]) -> BatchMessage:
    made = [
        TaskReport(kind="water", text=text, due=due, overdue=False, command="", source="own")
        for text, due in tasks
    ]
    return batch.model_copy(update={"tasks": made})


def test_the_day_s_sheet_has_each_bench_and_place_and_a_box_for_what_is_due(
    grower: Any, batches: list[BatchMessage]
) -> None:
    tomato, celery = batches
    tomato = with_tasks(
        tomato,
        ("water from below", "2027-03-02T12:00:00Z"),
        ("thin them", "2027-03-04T23:30:00Z"),
        ("look at them", None),
        ("feed them", "2027-03-06T12:00:00Z"),
        ("pot them on", "2027-03-20T12:00:00Z"),
    )
    made = sheet(grower, [tomato, with_tasks(celery)], alarm(), alarm(title="X", state="shelved"))
    assert made.day == "Thursday 4 March 2027"
    assert [place.name for place in made.places] == ["lower", "upper", "porch"]
    (entry,) = made.places[0].entries
    assert entry.today == ("Water from below (since 2 Mar)", "Thin them", "Look at them")
    assert entry.coming == ("by 6 Mar: Feed them",)
    text = day_text(made)
    assert max(map(len, text.splitlines())) <= WIDTH
    assert text.count("[ ]") == 1 + 3 + 1  # the alarm, what is due, and a look at the celery
    assert "nothing stands here" in text
    assert "pot them on" not in text
    page = whole(day_html(made))
    assert page.classes.count("box") == 5
    assert page.classes.count("seen") == 2
    for part in (
        "Thursday 4 March 2027",
        "ALARM No soil reading",
        "Thin them",
        "CEL1",
        "144 cells",
    ):
        assert part in page.text
    assert "\x1b" not in page.text + text


def test_the_real_tasks_of_real_batches_fit_the_sheet(
    grower: Any, batches: list[BatchMessage]
) -> None:
    grower.asks("log", "2027-03-07 08:00", batch="TOM1", what="emerged", value=100)
    grower.asks("stage", "2027-03-08 08:00", batch="TOM1", to="seedling")
    after = grower.batches("2027-03-15 10:00")
    now = datetime(2027, 3, 15, 10, tzinfo=UTC)
    made = day_sheet("barn", grower.benches("2027-03-15 10:00"), after, [], VIEW, now)
    assert len(made.places[0].entries[0].today) >= 2
    assert max(map(len, day_text(made).splitlines())) <= WIDTH
    whole(day_html(made))


def test_the_day_is_the_site_s_day(grower: Any, batches: list[BatchMessage]) -> None:
    from zoneinfo import ZoneInfo

    late = datetime(2027, 3, 4, 23, 30, tzinfo=UTC)
    made = day_sheet("barn", [], [], [], View(ZoneInfo("Asia/Tokyo")), late)
    assert made.day == "Friday 5 March 2027"


def test_the_season_s_report_has_a_line_and_a_story_for_each_batch(grower: Any) -> None:
    grower.asks("sow", "2027-03-01 08:00", crop="tomato", place="lower", trays=1, cells=72)
    grower.asks("log", "2027-03-07 08:00", batch="TOM1", what="emerged", value=61)
    grower.asks("close", "2027-05-20 08:00", batch="TOM1", outcome="planted-out", count=60)
    told = stories(grower.events)
    text = season_text(told, {}, VIEW)
    row = next(line for line in text.splitlines() if line.startswith("TOM1"))
    assert row == "TOM1   tomato  2027-03-01  6.0 d     61/72  2027-05-20  planted-out, 60/72"
    assert "2027-03-07 08:00  61 of 72 up, Marit" in text
    assert max(map(len, text.splitlines())) <= WIDTH
    page = whole(season_html("barn", told, {}, VIEW))
    assert "The season of barn" in page.text
    assert "61 of 72 up, Marit" in page.text


def test_the_season_s_report_is_in_the_units_that_are_read(grower: Any) -> None:
    grower.asks("sow", "2027-03-01 08:00", crop="tomato", place="lower", trays=1, cells=72)
    grower.asks("log", "2027-03-20 08:00", batch="TOM1", what="height", value=63.5)
    assert "2.5 in tall" in season_text(stories(grower.events, "F"), {}, VIEW)
    assert "6.3 cm tall" in season_text(stories(grower.events), {}, VIEW)


def test_the_season_s_report_adds_up_what_the_benches_drew(grower: Any) -> None:
    grower.asks("sow", "2027-03-01 08:00", crop="tomato", place="lower", trays=1, cells=72)
    energy = {"lower": (Energy(12_340.0, 2_500.0, 4.75), "EUR"), "upper": (Energy(9e3), None)}
    text = season_text(stories(grower.events), energy, VIEW)
    assert "lower: 14.84 kWh (4.75 EUR), lamp 12.34, mat 2.50" in text
    assert "upper: 9.00 kWh, lamp 9.00, mat 0.00" in text
    page = whole(season_html("barn", stories(grower.events), energy, VIEW))
    assert "lower: 14.84 kWh (4.75 EUR), lamp 12.34, mat 2.50" in page.text


def test_the_season_s_report_shows_what_was_learnt_of_emergence(grower: Any) -> None:
    grower.asks("sow", "2027-03-01 08:00", crop="tomato", place="lower", trays=1, cells=72)
    grower.memory = replace(grower.memory, progress={"TOM1": 1.6})
    grower.asks("log", "2027-03-07 08:00", batch="TOM1", what="emerged", value=61)
    assert _LEARNT not in season_text(stories(grower.events), {}, VIEW)
    grower.asks("stage", "2027-03-08 08:00", batch="TOM1", to="seedling")
    told = stories(grower.events)
    page = whole(season_html("barn", told, {}, VIEW))
    for text in (season_text(told, {}, VIEW), page.text):
        flat = " ".join(text.split())
        assert _LEARNT in flat
        assert "TOM1 tomato: 1." in flat
        assert "a Bayesian update by one batch of this crop, its seed lot not named" in flat


@given(st.text(max_size=200), st.text(max_size=30))
def test_what_people_wrote_neither_breaks_the_lines_nor_the_page(text: str, code: str) -> None:
    story = Story(
        code, text[:20], 0.0, (Line(0.0, text, text),), {}, Stand(), "lost", 1.0, why=text
    )
    assert all(char.isprintable() for char in season_text([story], {}, VIEW).replace("\n", ""))
    page = whole(season_html(text, [story], {}, VIEW))
    assert page.tags.count("tr") == 3
