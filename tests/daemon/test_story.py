"""Stories of batches, from the events that real requests left behind."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.events import Event
from daemon.story import KINDS, stories


@pytest.fixture
def season(grower: Any) -> list[Event]:
    """A tomato that is parted and planted out, and a lettuce that is lost."""
    asks = grower.asks
    asks("sow", "2027-03-01 08:00", crop="tomato", place="lower", trays=2, cells=144)
    asks("sow", "2027-03-02 08:00", by="Joss", crop="lettuce", place="lower", trays=0.5)
    asks("log", "2027-03-06 08:00", batch="TOM1", what="emerged", value=0)
    asks("log", "2027-03-07 08:00", batch="TOM1", what="emerged", value=81)
    asks("amend", "2027-03-07 08:05", batch="TOM1", n=2, value=18)
    asks("log", "2027-03-07 09:00", batch="TOM1", what="watered")
    asks("strike", "2027-03-07 09:05", batch="TOM1", n=4, why="the other bench")
    asks("log", "2027-03-09 08:00", by="Joss", batch="TOM1", what="emerged", value=130)
    asks("stage", "2027-03-09 08:10", batch="TOM1", to="seedling")
    asks("move", "2027-03-09 09:00", batch="TOM1", to="upper", trays=1)
    asks("close", "2027-03-10 08:00", batch="LET1", outcome="lost", count=0, why="damped off")
    asks("close", "2027-05-20 08:00", batch="TOM1", outcome="planted-out", count=60)
    return list(grower.events)


def test_a_story_has_what_was_done_and_seen_in_the_order_of_time(season: list[Event]) -> None:
    tomato, part, lettuce = stories(season)
    assert (tomato.batch, part.batch, lettuce.batch) == ("TOM1", "TOM1B", "LET1")
    assert [line.at for line in tomato.lines] == sorted(line.at for line in tomato.lines)
    told = [line.text for line in tomato.lines]
    assert "sown" in told[0]
    assert told[-1].startswith("planted-out") or "planted" in told[-1]
    assert tomato.lines[0].by == "Marit"
    assert tomato.stages.keys() == {"germination", "seedling"}


def test_counts_stand_as_they_were_put_right_and_what_was_struck_is_gone(
    season: list[Event],
) -> None:
    tomato = stories(season)[0]
    told = " | ".join(line.text for line in tomato.lines)
    assert "18 of 144 up" in told
    assert "81 of 144 up" not in told
    assert "watered" not in told
    assert (tomato.stand.up, tomato.stand.of) == (130, 144)
    # First up on 7 March, six days after the sowing; the look before it found none.
    assert tomato.first_up_days == pytest.approx(6.0)


def test_an_end_has_its_outcome_counts_and_reason(season: list[Event]) -> None:
    tomato, part, lettuce = stories(season)
    assert (tomato.outcome, tomato.count, tomato.cells) == ("planted-out", 60, 72)
    assert (lettuce.outcome, lettuce.count, lettuce.why) == ("lost", 0, "damped off")
    assert (part.outcome, part.ended_at) == ("", None)


def test_a_part_was_sown_with_the_whole(season: list[Event]) -> None:
    tomato, part, _ = stories(season)
    assert (part.crop, part.sown_at) == ("tomato", tomato.sown_at)
    (alone,) = stories(event for event in season if event.batch == "TOM1B")
    assert (alone.crop, alone.first_up_days) == ("", None)


def test_what_tells_no_story_is_passed_over(season: list[Event]) -> None:
    noise = [
        Event(1.0, "switching", "lower: mat on", bench="lower"),
        Event(2.0, "record", "site: a low of 3 °C", data={"what": "low", "n": 1}),
    ]
    assert stories([*noise, *season]) == stories(season)
    assert stories([]) == ()
    assert {event.kind for event in season if event.batch} <= {*KINDS, "advisory"}
