"""A batch's next tasks, from its stage and its records, and the site's before the season."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from daemon.care import DAY, SITE, Husbandry, Records, What
from daemon.state import Batch, Count
from daemon.tasks import STAGES, Facts, Task, tasks_of
from profiles.library import load_library
from profiles.model import Span, Stage

BERLIN = ZoneInfo("Europe/Berlin")
LIBRARY = load_library()
TOMATO = LIBRARY.crop("tomato")
SOWN = datetime(2027, 3, 1, 12, tzinfo=BERLIN).timestamp()
FACTS = Facts(zone=BERLIN)


def batch(stage: Stage, day: float, **more: Any) -> Batch:
    """A tray of 72 tomatoes, in a stage since `day` after sowing."""
    facts: dict[str, Any] = {"trays": 1.0, "cells": 72} | more
    return Batch("TOM1", "tomato", "shelf", stage, SOWN + day * DAY, SOWN, **facts)


def wrote(
    *entries: tuple[float, str] | tuple[float, str, float] | tuple[float, str, float, int],
) -> Records:
    """Records of (day, what[, value[, of]]); the words after `what` are its text."""
    records = Records()
    for day, words, *rest in entries:
        what, _, text = words.partition(" ")
        value = float(rest[0]) if rest else None
        of = int(rest[1]) if len(rest) > 1 else None
        records = records.add(
            What(what), at=SOWN + day * DAY, by="Ona", value=value, of=of, text=text
        )
    return records


def asked(
    stage: Stage,
    since: float,
    day: float,
    records: Records = Records(),  # noqa: B008 (frozen)
    facts: Facts = FACTS,
    husbandry: Husbandry = Husbandry(),  # noqa: B008 (frozen)
    **more: Any,
) -> dict[str, Task]:
    """The tasks on a day after sowing, by kind."""
    tasks = tasks_of(
        batch(stage, since, **more), TOMATO, records, facts, SOWN + day * DAY, husbandry
    )
    assert len({task.kind for task in tasks}) == len(tasks)
    return {task.kind: task for task in tasks}


def day_of(task: Task) -> float:
    assert task.due is not None
    return (task.due - SOWN) / DAY


# --- emergence -----------------------------------------------------------------------------------


def test_before_anything_may_be_up_nobody_is_sent_to_look_and_nothing_is_fed() -> None:
    assert set(asked(Stage.GERMINATION, 0, 1)) == {"check-moisture"}


def test_from_the_early_edge_on_somebody_is_to_look_and_is_late_after_half_a_day() -> None:
    facts = replace(FACTS, expected=(SOWN + 4 * DAY, SOWN + 6 * DAY, SOWN + 10 * DAY))
    assert day_of(asked(Stage.GERMINATION, 0, 2, facts=facts)["look"]) == 4.5
    assert asked(Stage.GERMINATION, 0, 5, facts=facts)["look"].overdue
    looked = wrote((5, "emerged", 0, 72))
    again = asked(Stage.GERMINATION, 0, 5.1, looked, facts)["look"]
    assert (day_of(again), again.overdue) == (5.5, False)
    assert again.command == "hotbed log TOM1 emerged 0/72"


def test_when_seedlings_are_up_the_cover_goes_and_the_lamp_comes_down() -> None:
    up = wrote((6, "emerged", 5, 72))
    tasks = asked(Stage.GERMINATION, 0, 6, up, covered=True)
    assert tasks["cover-off"].command == "hotbed log TOM1 cover off"
    assert "5 to 10 cm" in tasks["lamp-down"].text
    assert "unplug" in tasks["lamp-down"].caution
    assert "unplug" not in tasks["lamp-down"].text  # a screen tells it once for all batches
    assert day_of(tasks["cover-off"]) == 6.5
    assert "look" not in tasks
    assert "stage" not in tasks
    open_ = asked(Stage.GERMINATION, 0, 6, up.add(What.RAISED_LAMP, at=SOWN, by="A", value=110))
    assert "cover-off" not in open_
    assert "lamp-down" not in open_


def test_a_count_kept_with_the_batch_is_as_good_as_a_record() -> None:
    counts = (Count(SOWN + 6 * DAY, 5, 72, "Ona"),)
    assert "cover-off" in asked(Stage.GERMINATION, 0, 7, covered=True, counts=counts)


def test_half_up_is_time_for_the_next_stage() -> None:
    up = wrote((6, "emerged", 5, 72), (7, "emerged", 40, 72))
    assert asked(Stage.GERMINATION, 0, 7, up)["stage"].command == "hotbed stage TOM1 seedling"


def test_counts_are_asked_for_until_two_are_alike() -> None:
    up = wrote((6, "emerged", 5, 72))
    assert day_of(asked(Stage.SEEDLING, 6, 7, up)["count"]) == 8
    final = wrote((6, "emerged", 61, 72), (8, "emerged", 61, 72))
    assert "count" not in asked(Stage.SEEDLING, 6, 9, final)


def test_lengths_are_in_the_units_that_are_read_in_words_and_in_commands() -> None:
    facts = replace(FACTS, units="F")
    up = asked(Stage.GERMINATION, 0, 6, wrote((6, "emerged", 5, 72)), facts)
    assert "hang the lamp 2 to 3.9 in over the leaves" in up["lamp-down"].text
    assert up["lamp-down"].command == "hotbed log TOM1 raised-lamp 3.9in"
    grown = wrote((6, "raised-lamp", 120), (10, "height", 30), (14, "height", 50))
    tasks = asked(Stage.SEEDLING, 6, 14, grown, facts)
    assert tasks["measure-height"].command == "hotbed log TOM1 height Nin"
    assert "raise the lamp to 6.7 in over the mix" in tasks["lamp-up"].text
    assert "cm" not in tasks["lamp-up"].text + tasks["lamp-up"].command


# --- the lamp ------------------------------------------------------------------------------------


def test_the_lamp_is_to_be_raised_when_plants_grow_into_the_least_gap() -> None:
    records = wrote((6, "raised-lamp", 120), (10, "height", 30), (14, "height", 50))
    coming = asked(Stage.SEEDLING, 6, 14, records)["lamp-up"]
    assert not coming.overdue
    assert day_of(coming) == pytest.approx(18)  # 5 mm a day; 20 mm to go to 50 mm under the lamp
    assert coming.command == "hotbed log TOM1 raised-lamp 17cm"
    near = records.add(What.HEIGHT, at=SOWN + 18 * DAY, by="Ona", value=75)
    now = asked(Stage.SEEDLING, 6, 20, near)["lamp-up"]
    assert now.overdue
    assert "are within 5 cm" in now.text
    raised = near.add(What.RAISED_LAMP, at=SOWN + 18.1 * DAY, by="Ona", value=180)
    assert not asked(Stage.SEEDLING, 6, 18.2, raised)["lamp-up"].overdue


def test_without_a_lamps_height_nobody_claims_that_the_leaves_are_near_it() -> None:
    assert "lamp-up" not in asked(Stage.SEEDLING, 6, 14, wrote((10, "height", 90)))


def test_a_place_without_a_lamp_asks_for_none() -> None:
    tasks = asked(Stage.SEEDLING, 6, 14, facts=replace(FACTS, lamp=False))
    assert not {"lamp-down", "lamp-up", "measure-height"} & set(tasks)


# --- water and feed ------------------------------------------------------------------------------


def test_without_any_look_at_the_moisture_the_task_is_to_look() -> None:
    tasks = asked(Stage.SEEDLING, 6, 8)
    assert "water" not in tasks
    assert "nothing is recorded" in tasks["check-moisture"].text
    watered = asked(Stage.SEEDLING, 6, 8, wrote((7, "watered")))
    assert "water" not in watered
    assert "not known" in watered["check-moisture"].text


@pytest.mark.parametrize(("score", "kind"), [(1, "water"), (2, "water"), (3, "check-moisture")])
def test_a_score_of_2_or_less_calls_for_water(score: int, kind: str) -> None:
    tasks = asked(Stage.SEEDLING, 6, 8, wrote((8, "moist", score)))
    assert kind in tasks
    assert len({"water", "check-moisture"} & set(tasks)) == 1


def test_a_moisture_probe_calls_for_water_and_nobody_need_look() -> None:
    dry = asked(Stage.SEEDLING, 6, 8, wrote((7.9, "moist", 5)), replace(FACTS, moisture=1.8))
    assert "the moisture probe reads 1.8 of 5" in dry["water"].text
    moist = asked(Stage.SEEDLING, 6, 30, facts=replace(FACTS, moisture=2.1))
    assert not {"water", "check-moisture"} & set(moist)


def test_watering_after_the_dry_look_ends_the_task() -> None:
    records = wrote((8, "moist", 1), (8.1, "watered"))
    assert "water" not in asked(Stage.SEEDLING, 6, 8.2, records)


def test_a_light_tray_calls_for_water() -> None:
    records = wrote((7, "weight", 2600), (9, "weight", 1600))
    assert "water" in asked(Stage.SEEDLING, 6, 9, records)


@pytest.mark.parametrize(
    ("stage", "more", "days"),
    [
        (Stage.SEEDLING, {"cells": 200}, 1.0),
        (Stage.SEEDLING, {"cells": 72}, 1.5),
        (Stage.SEEDLING, {"cells": 18}, 2.0),
        (Stage.SEEDLING, {"cells": None}, 2.0),
        (Stage.SEEDLING, {"cells": 200, "trays": 4.0}, 1.5),
        (Stage.GERMINATION, {"cells": 72, "covered": True}, 4.5),
        (Stage.HARDENING, {"cells": 18}, 1.0),
    ],
)
def test_small_cells_are_looked_at_more_often_and_covered_ones_less(
    stage: Stage, more: dict[str, Any], days: float
) -> None:
    records = wrote((20, "watered"))
    assert day_of(asked(stage, 6, 20, records, **more)["check-moisture"]) == pytest.approx(
        20 + days
    )


def test_feeding_begins_with_the_true_leaves_and_goes_by_the_interval() -> None:
    up = wrote((6, "emerged", 60, 72))
    first = asked(Stage.SEEDLING, 7, 8, up)["feed"]
    assert "half the label rate" in first.text
    assert "once the first true leaves are open" in first.text
    assert day_of(first) == 6 + 7 + 2
    seen = asked(Stage.SEEDLING, 7, 11, up.add(What.LEAVES, at=SOWN + 11 * DAY, by="A", value=1))
    assert day_of(seen["feed"]) == 13
    fed = asked(Stage.GROWING_ON, 20, 25, wrote((22, "fed")))["feed"]
    assert day_of(fed) == 22 + 14
    assert fed.command == "hotbed log TOM1 fed"


@pytest.mark.parametrize("stage", [Stage.GERMINATION, Stage.HOLDING, Stage.HARDENING])
def test_nothing_is_fed_on_a_timetable_in_germination_holding_or_hardening(stage: Stage) -> None:
    assert "feed" not in asked(stage, 0, 40, wrote((6, "emerged", 60, 72)))


# --- room ----------------------------------------------------------------------------------------


def test_cells_of_several_are_thinned_and_an_open_tray_is_pricked_out() -> None:
    assert "thinned" in asked(Stage.SEEDLING, 6, 8)["thin"].command
    assert "pricked-out" in asked(Stage.SEEDLING, 6, 8, cells=None)["thin"].command
    assert "thin" not in asked(Stage.SEEDLING, 6, 8, facts=replace(FACTS, seeds_per_cell=1))
    assert "thin" not in asked(Stage.SEEDLING, 6, 8, wrote((7, "thinned")))
    assert "thin" not in asked(Stage.SEEDLING, 6, 8, husbandry=Husbandry(thin_days=None))


def test_potting_on_goes_by_the_second_leaves_seen_else_by_age_and_then_the_stage_follows() -> None:
    up = wrote((6, "emerged", 60, 72))
    by_age = asked(Stage.SEEDLING, 7, 10, up)["pot-on"]
    assert day_of(by_age) == pytest.approx(6 + 21)  # three weeks after emergence
    seen = up.add(What.LEAVES, at=SOWN + 19 * DAY, by="Ona", value=2)
    assert day_of(asked(Stage.SEEDLING, 7, 19, seen)["pot-on"]) == 22
    potted = seen.add(What.POTTED_ON, at=SOWN + 20 * DAY, by="Ona")
    tasks = asked(Stage.SEEDLING, 7, 20, potted)
    assert "pot-on" not in tasks
    assert tasks["stage"].command == "hotbed stage TOM1 growing-on"
    assert "pot-on" not in asked(Stage.SEEDLING, 7, 20, up, husbandry=Husbandry(pot_on_days=None))


# --- hardening and leaving -----------------------------------------------------------------------


def test_hardening_begins_a_fortnight_before_planting_out_by_the_last_frost() -> None:
    frost = replace(FACTS, last_frost=date(2027, 5, 1))
    # Tomatoes: a week after it, at the earliest.
    due = asked(Stage.GROWING_ON, 20, 30, facts=frost)["harden"].due
    assert due is not None
    assert datetime.fromtimestamp(due, BERLIN).date() == date(2027, 5, 8) - timedelta(14)
    handed = replace(frost, hand_over=date(2027, 4, 30))
    due = asked(Stage.GROWING_ON, 20, 30, facts=handed)["harden"].due
    assert due is not None
    assert datetime.fromtimestamp(due, BERLIN).date() == date(2027, 4, 16)


def hardened(days: int, out_from: float = 30) -> Records:
    records = Records()
    for n in range(days):
        records = records.add(What.OUT, at=SOWN + (out_from + n) * DAY, by="Ona")
        if n < 10:
            records = records.add(What.IN, at=SOWN + (out_from + n + 0.2) * DAY, by="Ona")
    return records


def test_each_day_of_hardening_has_its_step_and_asks_for_tonights_low() -> None:
    tasks = asked(Stage.HARDENING, 30, 30)
    assert "day 1 of 14: out for 15 minutes" in tasks["put-out"].text
    assert tasks["put-out"].command == "hotbed log TOM1 out"
    assert tasks["tonights-low"].command == "hotbed log site low N"
    assert "15.0 °C" in tasks["tonights-low"].text
    known = replace(FACTS, lows={date(2027, 3, 31).toordinal(): 20.0})
    assert "tonights-low" not in asked(Stage.HARDENING, 30, 30, facts=known)


def test_plants_that_are_out_are_to_be_in_by_dusk_until_somebody_says_they_are() -> None:
    out = hardened(0).add(What.OUT, at=SOWN + 30 * DAY, by="Ona")
    tasks = asked(Stage.HARDENING, 30, 30.1, out)
    assert "put-out" not in tasks
    dusk = datetime(2027, 3, 31, 18, tzinfo=BERLIN).timestamp()
    assert tasks["bring-in"].due == dusk
    assert not tasks["bring-in"].overdue
    assert asked(Stage.HARDENING, 30, 30.9, out)["bring-in"].overdue
    assert asked(Stage.HARDENING, 30, 30.9, out)["bring-in"].due == dusk
    back = out.add(What.IN, at=SOWN + 30.2 * DAY, by="Ben")
    assert "bring-in" not in asked(Stage.HARDENING, 30, 30.9, back)


def test_a_night_too_cold_calls_hardy_plants_in_too() -> None:
    records = hardened(12)
    cold = replace(FACTS, lows={date(2027, 4, 11).toordinal(): 3.0})
    told = asked(Stage.HARDENING, 30, 41.1, records, cold)["bring-in"]
    assert "3.0 °C" in told.text
    assert not told.overdue
    mild = replace(FACTS, lows={date(2027, 4, 11).toordinal(): 16.0})
    assert "bring-in" not in asked(Stage.HARDENING, 30, 41.1, records, mild)


def test_a_frame_is_shut_by_dusk_and_emptied_on_a_cold_night() -> None:
    out = hardened(0).add(What.OUT, at=SOWN + 30 * DAY, by="Ona")
    frame = replace(FACTS, style="cold-frame")
    today = date(2027, 3, 31).toordinal()
    shut = asked(Stage.HARDENING, 30, 30.1, out, replace(frame, lows={today: 16.0}))["bring-in"]
    assert (shut.text, shut.command) == ("shut the frame by dusk", "hotbed log TOM1 in")
    cold = asked(Stage.HARDENING, 30, 30.1, out, replace(frame, lows={today: 2.0}))["bring-in"]
    assert cold.command == "hotbed log TOM1 in indoors"


def test_hardened_plants_go_out_when_frost_and_soil_allow_and_wait_when_not() -> None:
    records = hardened(14)
    done = 30 + 14.1  # 14 April
    told = asked(Stage.HARDENING, 30, done, records)["plant-out"]
    assert "1 week after the last frost and once the soil outdoors is at 15.0 °C" in told.text
    assert told.command == "hotbed stage TOM1 planted-out --count N"
    cold = asked(Stage.HARDENING, 30, done, records, replace(FACTS, outdoor_soil_c=9.0))
    assert "plant-out" not in cold
    assert "9.0 °C" in cold["wait"].text
    early = replace(FACTS, outdoor_soil_c=16.0, last_frost=date(2027, 5, 1))
    assert "not before 08 May" in asked(Stage.HARDENING, 30, done, records, early)["wait"].text
    ready = replace(early, last_frost=date(2027, 4, 1))
    task = asked(Stage.HARDENING, 30, done, records, ready)["plant-out"]
    assert task.text.startswith("plant out: ")
    assert task.due == datetime(2027, 4, 15, 12, tzinfo=BERLIN).timestamp()


def test_plants_for_somebody_else_are_handed_over_and_not_planted_out() -> None:
    facts = replace(FACTS, hand_over=date(2027, 4, 16))
    tasks = asked(Stage.HARDENING, 30, 44.1, hardened(14), facts)
    assert tasks["hand-over"].command == "hotbed stage TOM1 handed-over --count N"
    assert not {"plant-out", "wait"} & set(tasks)


def test_nothing_is_planted_out_before_it_is_hardened() -> None:
    tasks = asked(Stage.HARDENING, 30, 36, hardened(5))
    assert not {"plant-out", "hand-over", "wait"} & set(tasks)


# --- rules for all -------------------------------------------------------------------------------


@st.composite
def records(draw: st.DrawFn) -> Records:
    found = Records()
    for _ in range(draw(st.integers(0, 10))):
        what = draw(st.sampled_from(list(What)))
        value = {
            What.MOIST: float(draw(st.integers(1, 5))),
            What.WEIGHT: draw(st.floats(500, 3000)),
            What.HEIGHT: draw(st.floats(0, 400)),
            What.EMERGED: float(draw(st.integers(0, 72))),
            What.LEAVES: float(draw(st.integers(0, 6))),
            What.RAISED_LAMP: draw(st.floats(50, 900)),
            What.LOW: draw(st.floats(-10, 20)),
        }.get(what)
        found = found.add(
            what,
            at=SOWN + draw(st.integers(0, 120)) * DAY / 2,
            by="Ona",
            value=value,
            of=72 if what is What.EMERGED else None,
            text="off" if what is What.COVER else "",
        ) if what not in (What.NOTE, What.CHECKED) else found  # fmt: skip
    return found


situations = st.tuples(
    st.sampled_from(list(LIBRARY.crops.values())),
    st.sampled_from(list(Stage)),
    st.floats(0, 40),
    st.floats(0, 30),
    st.booleans(),
    records(),
    st.builds(
        Facts,
        zone=st.just(BERLIN),
        units=st.sampled_from(["C", "F"]),
        lamp=st.booleans(),
        called=st.booleans(),
        style=st.sampled_from(["home", "cold-frame"]),
        last_frost=st.none() | st.dates(date(2027, 3, 1), date(2027, 6, 1)),
        hand_over=st.none() | st.dates(date(2027, 3, 1), date(2027, 6, 1)),
        outdoor_soil_c=st.none() | st.floats(0, 25),
        lows=st.dictionaries(st.integers(0, 60).map(lambda n: date(2027, 3, 1).toordinal() + n),
                             st.floats(-10, 20), max_size=5),
    ),
)  # fmt: skip


@settings(deadline=None, max_examples=150)
@given(situations)
def test_tasks_never_contradict_the_stage_nor_each_other(situation: tuple[Any, ...]) -> None:
    crop, stage, since, later, covered, found, facts = situation
    now = SOWN + (since + later) * DAY
    one = replace(batch(stage, since, covered=covered), crop=crop.name)
    tasks = tasks_of(one, crop, found, facts, now)
    kinds = [task.kind for task in tasks]
    assert len(set(kinds)) == len(kinds)
    for task in tasks:
        assert stage in STAGES[task.kind]
        assert task.batch == "TOM1"
        assert task.command.startswith(
            ("hotbed log TOM1 ", "hotbed stage TOM1 ", f"hotbed log {SITE} ")
        )
        assert task.overdue == (task.due is not None and task.due < now)
        assert task.source in LIBRARY.sources
    assert len({"water", "check-moisture"} & set(kinds)) == 1
    assert len({"plant-out", "hand-over", "wait", "put-out"} & set(kinds)) <= 1
    assert ("water" in kinds) <= bool(found.standing(What.MOIST, What.WEIGHT))
    dues = [task.due for task in tasks if task.due is not None]
    assert dues == sorted(dues)
    adapter = TypeAdapter(tuple[Task, ...])
    assert adapter.validate_json(adapter.dump_json(tasks)) == tasks


@settings(deadline=None, max_examples=100)
@given(situations, records())
def test_a_struck_record_changes_no_task(situation: tuple[Any, ...], more: Records) -> None:
    crop, stage, since, later, covered, found, facts = situation
    now = SOWN + (since + later) * DAY
    struck = found
    for care in more.entries:
        struck = struck.add(
            care.what, at=care.at, by="Ben", value=care.value, of=care.of, text=care.text
        )
        struck = struck.strike(struck.entries[-1].n, by="Ben")
    one = replace(batch(stage, since, covered=covered), crop=crop.name)
    assert tasks_of(one, crop, struck, facts, now) == tasks_of(one, crop, found, facts, now)


# --- before the season ---------------------------------------------------------------------------


def test_feeding_goes_by_the_crops_own_interval_and_names_its_source() -> None:
    habits = Husbandry(feed_days=Span(low=5, high=6, source="own"))
    fed = asked(Stage.GROWING_ON, 20, 25, wrote((22, "fed")), husbandry=habits)["feed"]
    assert (day_of(fed), fed.source) == (28, "own")
