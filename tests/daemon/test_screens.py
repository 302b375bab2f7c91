"""What a grower reads: the right words, at 80 columns, without colour, whatever was written."""

from __future__ import annotations

import io
import re
from datetime import datetime
from itertools import product
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console, RenderableType

from daemon import screens
from daemon.check import Finding
from daemon.events import Event
from daemon.messages import AlarmMessage
from daemon.screens import Picture, View, plain
from daemon.screens.crops import Trades
from drivers.protocols import WORDED, Quality
from profiles.library import load_library
from profiles.model import Stage
from profiles.setpoint import best_c, trade_off
from profiles.units import Units
from tests.daemon.builders import library

BERLIN = ZoneInfo("Europe/Berlin")
AT = "2027-03-14T07:31:00Z"
NOW = datetime.fromisoformat(AT).timestamp()


def printed(renderable: RenderableType, width: int = 80) -> str:
    out = io.StringIO()
    Console(file=out, width=width, highlight=False, markup=False, emoji=False).print(renderable)
    lines = [line.rstrip() for line in out.getvalue().splitlines()]
    assert max((len(line) for line in lines), default=0) <= width
    return "\n".join(lines)


def flat(text: str) -> str:
    """The text with its line breaks taken out, so that a phrase is found wherever it wraps."""
    return " ".join(text.split())


def bench(name: str = "upper", **changes: Any) -> dict[str, Any]:
    content: dict[str, Any] = {
        "schema": 1,
        "at": AT,
        "bench": name,
        "title": "Growing shelf",
        "trays": 4.0,
        "trays_taken": 1.5,
        "soil": 20.5,
        "air": 19.0,
        "room": 17.5,
        "readings": [
            {"probe": "front", "measures": "soil", "celsius": 20.5, "quality": "ok"},
            {"probe": "air", "measures": "air", "celsius": 19.0, "quality": "ok"},
        ],
        "aim": {
            "soil": 22.0,
            "soil_range": {"low": 18.0, "high": 24.0},
            "ceiling": 27.0,
            "light_hours": 14.0,
            "air_day": {"low": 16.0, "high": 20.0},
            "air_night": {"low": 7.0, "high": 13.0},
            "dli": None,
        },
        "lamp": relay(True, "in its 14 h of light, for LET1", hours_today=2.5, turns=False),
        "mat": relay(True, "soil 20.5 °C, aiming for 22.0 °C", hours_today=1.25),
        "safety_stops": [],
        "conflicts": [],
        "batches": ["LET1"],
        "covered": False,
    }
    return content | changes


def relay(on: bool, why: str, *, turns: bool | None = None, **changes: Any) -> dict[str, Any]:
    return {
        "on": on,
        "confirmed": None,
        "why": why,
        "kept": None,
        "kept_by": None,
        "hours_today": 0.0,
        "next": None if turns is None else {"on": turns, "at": "2027-03-14T19:00:00Z"},
    } | changes


def batch(code: str = "LET1", **changes: Any) -> dict[str, Any]:
    content: dict[str, Any] = {
        "schema": 1,
        "at": AT,
        "batch": code,
        "crop": "lettuce",
        "title": "Lettuce",
        "variety": "Joss's green",
        "lot": "",
        "year": None,
        "treatment": "",
        "place": "upper",
        "stage": "germination",
        "since": "2027-03-10T09:00:00Z",
        "sown_at": "2027-03-10T09:00:00Z",
        "days": 3.94,
        "trays": 0.5,
        "cells": 36,
        "covered": True,
        "parent": None,
        "revision": 3,
        "emergence_percent": 62.4,
        "expected": {
            "soil": 20.0,
            "first": {
                "early": "2027-03-14T10:00:00Z",
                "likely": "2027-03-14T20:00:00Z",
                "late": "2027-03-15T10:00:00Z",
            },
            "half": {
                "early": "2027-03-15T10:00:00Z",
                "likely": "2027-03-16T10:00:00Z",
                "late": "2027-03-17T23:30:00Z",
            },
            "final": None,
            "table": "2027-03-15T10:00:00Z",
            "learnt": "",
        },
        "counts": [],
        "tasks": [
            {
                "kind": "check-moisture",
                "text": "Evenly moist, never soaked.",
                "due": None,
                "overdue": False,
                "command": "",
                "source": "common-practice",
            }
        ],
        "findings": [],
        "records": [],
    }
    return content | changes


def alarm(key: str = "no-soil-reading.upper", **changes: Any) -> dict[str, Any]:
    content: dict[str, Any] = {
        "schema": 1,
        "at": AT,
        "alarm": key,
        "kind": key.split(".")[0],
        "priority": "high",
        "title": "no good soil reading",
        "state": "active",
        "cause": "upper: front is not there",
        "consequence": "The mat stays off: warm seed cools to the room.",
        "action": "Check the probe's plug and cable.",
        "bench": "upper",
        "batch": None,
        "raised_at": "2027-03-14T07:12:00Z",
        "acknowledged_by": None,
        "snoozed_until": None,
        "needs_reset": False,
    }
    return content | changes


def status(
    kept: dict[str, Any], units: Units = "C", now: float = NOW, online: str | None = "online"
) -> str:
    if online is not None:
        kept = kept | {"availability": {"state": online}}
    view = View(BERLIN, units)
    return printed(screens.status("alder-lane", Picture.of(kept), view, now))


def test_a_bench_says_what_is_what_was_aimed_for_and_what_each_relay_does_and_why() -> None:
    said = flat(status({"bench/upper": bench()}))
    assert "alder-lane Sunday 14 March, 08:31" in said
    assert "upper Growing shelf (1.5 of 4 trays taken)" in said
    assert "soil 20.5 °C, aiming for 22.0 °C (accepted: 18.0 to 24.0 °C)" in said
    assert "air 19.0 °C, wanted by day 16.0 to 20.0 °C" in said
    assert "room 17.5 °C" in said
    assert "lamp on: in its 14 h of light, for LET1; 2.5 h of light so far today; next off" in said
    assert "next off 20:00" in said  # 19:00 UTC in Berlin's winter
    assert "mat on: soil 20.5 °C, aiming for 22.0 °C; 1.2 h on today" in said


def test_a_bench_and_a_batch_say_what_they_draw_and_what_it_costs() -> None:
    def energy(kwh: float, cost: float | None) -> dict[str, Any]:
        currency = None if cost is None else "EUR"
        return {"kwh": kwh, "lamp_kwh": kwh, "mat_kwh": 0.0, "cost": cost, "currency": currency}

    counted = {"watts": 120.0, "energy_from": "2027-03-10T09:00:00Z"}
    upper = bench(energy_today=energy(0.31, 0.1), energy=energy(9.5, 3.04), **counted)
    lower = bench("lower", energy_today=energy(0.5, 0.16), energy=energy(2.0, 0.64), **counted)
    text = flat(status({"bench/upper": upper, "bench/lower": lower,
                        "batch/LET1": batch(energy=energy(4.75, 1.52))}))  # fmt: skip
    assert "240 W on now; 0.81 kWh (0.26 EUR) today" in text
    assert "120 W now; 0.31 kWh (0.10 EUR) today, 9.50 kWh (3.04 EUR) since 10 Mar" in text
    assert "energy 4.75 kWh (1.52 EUR), its part by trays" in text
    free = status({"bench/upper": bench(energy=energy(9.5, None), **counted)})
    assert "9.50 kWh since 10 Mar" in flat(free)


def test_a_room_without_a_probe_is_told_as_an_estimate() -> None:
    about = {"room": None, "room_estimate": 14.6, "room_estimate_sd": 0.9}
    assert "room about 15 °C (estimated)" in flat(status({"bench/upper": bench(**about)}))
    assert "(estimated)" not in status({"bench/upper": bench(**(about | {"room": 14.0}))})


def test_by_night_the_air_is_judged_by_what_is_wanted_at_night() -> None:
    dark = bench(lamp=relay(False, "night, after 14 h of light"))
    assert "wanted by night 7.0 to 13.0 °C" in flat(status({"bench/upper": dark}))


def test_temperatures_are_in_the_units_of_the_person_who_reads() -> None:
    said = flat(status({"bench/upper": bench()}, "F"))
    assert "soil 68.9 °F, aiming for 71.6 °F (accepted: 64.4 to 75.2 °F)" in said


def test_what_no_probe_measures_is_said_so_and_a_lost_one_otherwise() -> None:
    soil_only = [{"probe": "front", "measures": "soil", "celsius": None, "quality": "crc"}]
    said = flat(status({"bench/upper": bench(readings=soil_only, soil=None, air=None, room=None)}))
    assert "air not measured" in said
    assert "soil no good reading, aiming for" in said
    assert "probes front fails its check sum" in said
    assert "room" not in said


@pytest.mark.parametrize("quality", list(Quality))
def test_every_quality_of_a_reading_has_words(quality: Quality) -> None:
    assert WORDED[quality]


def test_the_caution_is_told_once_for_all_batches_on_the_screen() -> None:
    hang = batch()["tasks"][0] | {"text": "hang the lamp", "caution": "Unplug it first."}
    two = {f"batch/LET{n}": batch(f"LET{n}", tasks=[hang]) for n in (1, 2)}
    assert status(two).count("hang the lamp") == 2
    assert status(two).count("Unplug it first.") == 1
    assert "Unplug" not in status({"batch/LET1": batch()})


def test_what_earlier_batches_taught_is_told_beside_the_forecast_once_there_are_any() -> None:
    learnt = "1.10 times the table's days; a Bayesian update by one batch of this crop"
    expected = batch()["expected"] | {"learnt": learnt}
    assert f"learnt {learnt}" in flat(status({"batch/LET1": batch(expected=expected, taught=1)}))
    assert "learnt" not in status({"batch/LET1": batch(expected=expected)})


def test_safety_stops_conflicts_covers_and_overrides_are_told() -> None:
    held = bench(
        safety_stops=["mat: soil over the limit of 35.0 °C"],
        conflicts=["PEP1 wants soil of 20.0 °C or more"],
        covered=True,
        mat=relay(False, "safety stop: soil over the limit", kept="on", kept_by="Marit"),
        lamp=relay(True, "kept on by Joss", kept="on", kept_by="Joss", confirmed=False),
    )
    said = flat(status({"bench/upper": held}))
    assert "safety stop: mat: soil over the limit of 35.0 °C" in said
    assert "conflict PEP1 wants soil" in said
    assert "cover on" in said
    assert "(Marit keeps it on)" in said
    assert said.count("kept on by Joss") == 1
    assert "Joss keeps" not in said
    assert "it reports off itself" in said


def test_a_germinating_batch_says_how_far_it_is_and_when_it_is_expected() -> None:
    said = flat(status({"bench/upper": bench(), "batch/LET1": batch()}))
    assert "LET1 Lettuce 'Joss's green': 0.5 tray, 36 cells" in said
    assert "germination since 10 Mar, 3 days after sowing, covered" in said
    # The late edge is past midnight by the site's clock.
    assert (
        "62 % of the warmth it needs; first up 14 Mar to 15 Mar, half up 15 Mar to 18 Mar, " in said
    )
    assert "most likely 16 Mar; by the table 15 Mar" in said
    assert "next Evenly moist, never soaked." in said


def test_once_seedlings_are_counted_nobody_is_told_when_to_expect_them() -> None:
    counts = [{"at": AT, "up": 30, "of": 36, "by": "Marit"}]
    said = flat(status({"bench/upper": bench(), "batch/LET1": batch(counts=counts)}))
    assert "counted 30 of 36 up, 14 Mar, by Marit" in said
    assert "expected" not in said


def test_without_a_soil_temperature_there_is_no_date() -> None:
    nowhere = batch(place="porch", expected=None, emergence_percent=None)
    said = flat(status({"bench/upper": bench(), "batch/LET1": nowhere}))
    assert "porch, without heat or lamps LET1" in said
    assert "no date" in said


def test_alarms_come_first_the_most_urgent_on_top_and_snoozed_ones_last() -> None:
    kept = {
        "bench/upper": bench(),
        "alarm/a": alarm("emergence-overdue.LET1", priority="low", title="nothing is up"),
        "alarm/b": alarm(),
        "alarm/c": alarm("soil-over-limit.upper", priority="critical", title="soil over the limit"),
        "alarm/d": alarm(
            "probe-lost.x",
            priority="critical",
            title="silent one",
            state="shelved",
            snoozed_until="2027-03-14T11:00:00Z",
        ),
    }
    said = flat(status(kept))
    order = ["CRITICAL soil over", "HIGH no good soil", "LOW nothing is up", "CRITICAL silent one"]
    places = [said.index(one) for one in [*order, "Growing shelf"]]
    assert places == sorted(places)
    assert "silent one since 08:12, snoozed until 12:00" in said
    assert "what upper: front is not there" in said
    assert "if not The mat stays off" in said
    assert "do Check the probe's plug and cable." in said
    assert "hotbed alarms ack no-soil-reading.upper" in said


@pytest.mark.parametrize(
    ("state", "reset", "said", "unsaid"),
    [
        ("active", True, "alarms reset", "alarms ack"),
        ("acknowledged", False, "seen by Joss", "alarms ack"),
        ("returned", False, "returned to normal", "if not"),
    ],
)
def test_an_alarm_says_what_is_left_to_do_in_its_state(
    state: str, reset: bool, said: str, unsaid: str
) -> None:
    one = AlarmMessage.model_validate(
        alarm(state=state, needs_reset=reset, acknowledged_by="Joss" if "seen" in said else None)
    )
    text = printed(screens.alarms([one], View(BERLIN), NOW))
    assert said in text
    assert unsaid not in text


def test_the_alarm_that_came_first_is_named_where_one_fault_raised_several() -> None:
    kept = {
        "alarm/a": alarm("probes-disagree.upper", first_out="probes-disagree.upper"),
        "alarm/b": alarm("crop-too-hot.upper", first_out="probes-disagree.upper", called=["Joss"]),
        "alarm/c": alarm("soil-over-limit.upper", first_out="probes-disagree.upper"),
        "alarm/d": alarm("probe-lost.x"),
    }
    said = flat(status(kept))
    assert said.count("first this came first, and 2 others after it: look here first") == 1
    assert said.count("first probes-disagree.upper came first: look there first") == 2
    assert said.count("called Joss") == 1


def test_a_lamp_whose_meter_contradicts_its_relay_is_said_so() -> None:
    dark = bench(lamp=relay(True, "in its 16 h of light", lit=False))
    assert "its meter shows it dark" in flat(status({"bench/upper": dark}))
    lit = bench(lamp=relay(True, "in its 16 h of light", lit=True))
    assert "meter" not in flat(status({"bench/upper": lit}))


def test_no_alarms_is_said() -> None:
    assert printed(screens.alarms([], View(BERLIN), NOW)) == "No alarms."


def test_a_daemon_that_is_gone_leaves_its_last_known_state_with_its_age() -> None:
    said = flat(status({"bench/upper": bench()}, now=NOW + 2 * 3600 + 60, online="offline"))
    assert "not running. Its last known state, 2 hours old:" in said
    assert "20.5 °C" in said


def test_a_daemon_that_says_nothing_new_is_told_from_one_that_does() -> None:
    late = status({"bench/upper": bench()}, now=NOW + 600)
    assert "No news from the daemon. Its last known state, 10 minutes old:" in late
    for now in (NOW + 60, NOW - 86400):  # the simulator's clock may be days ahead
        assert "old" not in status({"bench/upper": bench()}, now=now)


def test_a_message_of_another_version_is_named_and_the_rest_shown() -> None:
    said = flat(status({"bench/upper": bench(), "bench/lower": bench("lower", schema=2)}))
    assert "bench/lower can't be read by this version of hotbed" in said
    assert "Growing shelf" in said


@pytest.mark.parametrize("room", [5.0, 20.0, 35.0])
def test_the_trade_off_of_every_crop_is_a_line_for_each_temperature_at_80_columns(
    room: float,
) -> None:
    both: list[Units] = ["C", "F"]
    for crop, units in product(library().crops.values(), both):
        found = Trades(trade_off(crop, room, trays=12.5), room, 12.5, best_c(crop), measured=False)
        text = printed(screens.trades(found, View(None, units)))
        assert "…" not in text
        lines = text.splitlines()
        (top,) = (n for n, line in enumerate(lines) if "until then" in line)
        rows = [line for line in lines[top + 1 :] if f"°{units}" in line]
        assert len(rows) == len(found.rows)
        for row in rows:
            assert "never" in row or re.search(r"days +\d+ \(\d+ to \d+\) days +", row), row
        cooler = any(row.soil_c < room for row in found.rows)
        assert ("no mat cools" in text) == cooler
        # A heading that is too long for the line, and the line that says why, are all else there is.
        assert len(lines) - len(rows) - 1 <= 2 + cooler


def test_a_stand_in_is_marked_wherever_its_days_are_told() -> None:
    listed = printed(screens.crops(library(), View(None))).splitlines()
    (kale,) = (line for line in listed if line.startswith("kale "))
    (cabbage,) = (line for line in listed if line.startswith("cabbage "))
    assert "days, as cabbage" in kale
    assert ", as " not in cabbage
    rows = trade_off(library().crop("kale"), 18.0)
    assert "no row of it: the days are cabbage's" in printed(
        screens.trades(Trades(rows, 18.0, 1.0, 24.0, stand_in="cabbage"), View(None))
    )
    assert "no row" not in printed(screens.trades(Trades(rows, 18.0, 1.0, 24.0), View(None)))


def test_light_in_germination_is_for_after_emergence_unless_the_seed_needs_it() -> None:
    def sheet(name: str) -> str:
        return flat(printed(screens.crop_sheet(library().crop(name), library(), View(None)), 400))

    assert sheet("tomato").count("for after emergence, the seed itself needs none") == 1
    assert "for after emergence" not in sheet("lettuce")


def test_what_a_mat_takes_is_in_one_unit_of_temperature() -> None:
    library = load_library()
    crop = library.crop("tomato")
    found = Trades(trade_off(crop, 18.0), 18.0, 1.0, 25.5)
    # 18 W lift a covered tray by 9.8 °C, in watts and degrees of either scale.
    said = flat(printed(screens.crop_sheet(crop, library, View(None, "F"), found)))
    assert "1.02 W hold a tray 1 °F over the room, for 18 W lift a covered one by 17.6 °F" in said
    assert "depth 0.24 in" in said
    said = flat(printed(screens.crop_sheet(crop, library, View(None), found)))
    assert "1.84 W hold a tray 1 °C over the room" in said


def test_an_empty_site_says_how_to_begin() -> None:
    assert "hotbed sow lettuce --bench upper" in status({"bench/upper": bench()})


def test_what_people_wrote_is_shown_as_it_is_and_commands_no_terminal() -> None:
    odd = batch(variety="[red]:smile: \x1b[31mbad\x07\nline")
    text = status({"bench/upper": bench(), "batch/LET1": odd})
    assert "[red]:smile:" in text
    assert "\x1b" not in text
    assert "\x07" not in text


@given(st.text(max_size=80))
def test_plain_text_is_one_printable_line(text: str) -> None:
    assert plain(text).isprintable()
    assert len(plain(text)) == len(text)


def test_history_names_the_day_once_and_who_did_it() -> None:
    events = [
        Event(NOW - 86400, "record", "LET1: watered", by="Joss"),
        Event(NOW, "stage", "LET1: germination to seedling", by="Marit"),
        Event(NOW + 60, "keep", "upper: the lamp is kept off by Marit", by="Marit"),
    ]
    lines = printed(screens.history(events, View(BERLIN))).splitlines()
    assert [line.split() for line in lines] == [
        ["Sat", "13", "Mar", "2027"],
        ["08:31", "LET1:", "watered,", "Joss"],
        ["Sun", "14", "Mar", "2027"],
        ["08:31", "LET1:", "germination", "to", "seedling,", "Marit"],
        ["08:32", *["upper:", "the", "lamp", "is", "kept", "off", "by", "Marit"]],
    ]


def test_findings_are_marked_and_counted_also_where_there_are_only_plain_letters() -> None:
    found = [
        Finding("crops", "fine", "5 known"),
        Finding("wiring", "caution", "look", "Look again."),
        Finding("bench.lower.mat", "problem", "broken", "Mend it."),
        Finding("room.wall", "problem", "gone"),
    ]
    assert printed(screens.findings(found)).splitlines() == [
        "✓ crops: 5 known",
        "! wiring: look",
        "  Look again.",
        "✗ bench.lower.mat: broken",
        "  Mend it.",
        "✗ room.wall: gone",
        "",
        "2 problems and 1 caution.",
    ]
    assert printed(screens.findings(found, ascii_only=True)).isascii()
    assert printed(screens.findings(found[:1])).endswith("All is well.")


def test_a_crop_s_sheet_has_every_figure_of_every_stage_with_its_source() -> None:
    library = load_library()
    for crop in library.crops.values():
        text = printed(screens.crop_sheet(crop, library, View(None)))
        sheet, _, books = text.partition("\nSources\n")
        for stage in Stage:
            assert f"\n{stage.value}\n" in sheet
            targets = crop.stages[stage]
            assert f"{targets.soil_ceiling_c.value:.1f} °C" in sheet
            for note in (targets.feed, targets.water):
                assert note.text.split()[0] in sheet
        for key in {crop.depth_mm.source, crop.emergence_source}:
            assert key in books
            assert library.sources[key].citation.split()[0] in books


def test_a_crop_s_sheet_cites_what_its_notes_name_and_nothing_it_does_not_use() -> None:
    library = load_library()
    text = printed(screens.crop_sheet(library.crop("pepper"), library, View(None)))
    _, _, books = text.partition("\nSources\n")
    assert "msu-extension-dli" in books  # named in a note only
    assert "\n  own " not in books


def test_crops_are_listed_a_line_each_with_what_the_seed_likes() -> None:
    library = load_library()
    text = printed(screens.crops(library, View(None, "F")))
    for name in library.crops:
        assert f"\n{name} " in text
    assert "soil °F" in text
    assert "81 to 86" in text  # pepper, 27 to 30 °C
