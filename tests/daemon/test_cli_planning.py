"""`plan` and `mix` as they are typed: what is told, what is refused, what a program gets."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

Program = Callable[..., Result]
FROST = ("--last-frost", "2027-05-10", "--today", "2027-01-10")
CONFIG = """
schema = 1
[site]
name = "shed"
zone = "Europe/Berlin"
units = "F"
[bench.lower]
trays = 3
mat = { watts = 18, device = { driver = "simulated" } }
probes = [{ name = "a", measures = "soil", device = { driver = "simulated" } }]
[bench.upper]
trays = 5
lamp = { watts = 40, device = { driver = "simulated" } }
"""


def result(done: Result) -> Any:
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["ok"] is True
    return document["result"]


def test_a_plan_is_told_by_crop_by_day_and_by_week_in_80_columns(hotbed: Program) -> None:
    done = hotbed("plan", "tomato/Hollow Lane:24", "lettuce:36@2wx3", *FROST, "--margin", "7")
    assert done.exit_code == 0, done.output
    text = done.stdout
    assert max(map(len, text.splitlines())) <= 80
    assert "7 days after the last frost of 2027-05-10" in text
    for part in ("Tomato Hollow Lane", "Lettuce (2 of 3)", "Day by day", "2027-W15", "hardening"):
        assert part in text


def test_what_does_not_fit_on_the_site_s_benches_is_told_with_what_helps(
    hotbed: Program, alone: Path
) -> None:
    (alone / "hotbed.toml").write_text(CONFIG)
    words = ("plan", "tomato:60", "pepper:40", *FROST)
    done = hotbed(*words)
    assert "too many" in done.stdout
    assert "upper is too small" in done.stdout
    assert "°F" in done.stdout
    plan = result(hotbed(*words, "--json"))
    over = [week for week in plan["weeks"] if week["over"]]
    assert {week["place"] for week in over} == {"upper"}
    (overflow,) = plan["overflows"]
    assert overflow["weeks"] == [week["monday"] for week in over]
    assert overflow["most"] == max(week["over"] for week in over)
    assert overflow["remedies"]
    # With a plant or two it fits, and nothing is said.
    assert "too" not in hotbed("plan", "tomato:4", *FROST).stdout.partition("the most in each")[2]


def test_a_program_gets_the_dates_that_a_person_reads(hotbed: Program) -> None:
    plan = result(hotbed("plan", "broccoli:18", *FROST, "--json"))
    (sowing,) = plan["sowings"]
    dates = {step: span["chosen"] for step, span in sowing["dates"].items() if span}
    assert dates == {
        task["uid"].rsplit("-1-")[1].replace("-", "_"): task["day"]
        for task in plan["tasks"]
        if "-1-" in task["uid"]
    } | {"emerge": dates["emerge"]}
    assert plan["planned_from"] == {"event": "LastFrost", "day": "2027-05-10", "margin_days": 0}
    assert plan["mix_l"] > 0


def test_a_plan_says_what_it_is_counted_from_and_the_years_it_is_in(hotbed: Program) -> None:
    text = hotbed("plan", "leek:30", *FROST).stdout
    assert "Planned from the last frost of 2027-05-10" in text
    assert "Where no year is told" not in text
    text = hotbed("plan", "leek:30", "--last-frost", "2027-05-10", "--today", "2026-11-25").stdout
    assert "Where no year is told it is 2027." in text
    early = ("--last-frost", "2027-03-10", "--today", "2026-11-25")
    text = hotbed("plan", "celery:30", *early).stdout
    assert " Dec 2026" in text
    assert max(map(len, text.splitlines())) <= 80
    assert "Planned from 1 day after" in hotbed("plan", "leek:30", *FROST, "--margin", "1").stdout


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["tomato:24", "--last-frost", "2020-05-10", "--today", "2027-01-10"], 1,
         "the last frost of 2020-05-10 is past: nothing can be sown for it on 2027-01-10; allowed: "
         "2026-07-11 to 2028-07-11"),
        (["tomato:24", "--last-frost", "2072-05-10", "--today", "2027-01-10"], 1, "too far ahead"),
        (["tomato:24", "--hand-over", "2027-01-09", "--today", "2027-01-10"], 1,
         "the hand-over of 2027-01-09 is past"),
        (["kale:24", "--first-frost", "2026-10-20", "--today", "2027-01-10"], 1, "is past"),
        (["tomato:24"], 1, "--last-frost 2027-05-10"),
        (["tomto:24", *FROST], 1, "did you mean 'tomato'?"),
        (["tomato", *FROST], 1, "tomato:24"),
        ([*FROST], 1, "nothing is to be sown"),
        (["tomato:24", "tomato:6", *FROST], 1, "labelled apart"),
        (["tomato:24", "--last-frost", "10.5.2027"], 2, "--last-frost: '10.5.2027'"),
        (["tomato:24", *FROST, "--margin", "90"], 2, "--margin: 90; allowed: 0 to 60"),
        (["tomato:24", *FROST, "--risk", "10"], 2, "--spread and --risk go together"),
        (["tomato:24", *FROST, "--hand-over", "2027-05-01"], 2, "--last-frost and --hand-over"),
        (["--list", "none.toml"], 1, "none.toml: cannot be read"),
        (["tomato:24", *FROST, "--ics", "no/such/folder.ics"], 1, "cannot be written"),
    ],
)  # fmt: skip
def test_what_cannot_be_planned_is_refused_with_what_can(
    words: list[str], status: int, said: str, hotbed: Program
) -> None:
    done = hotbed("plan", *words)
    assert done.exit_code == status, done.output
    assert said in done.stderr.replace("\n", " ")
    told = hotbed("plan", *words, "--json")
    assert (told.exit_code, json.loads(told.stdout)["ok"]) == (status, False)


def test_the_example_list_is_printed_and_can_be_planned(hotbed: Program, alone: Path) -> None:
    (alone / "season.toml").write_text(hotbed("plan", "--example").stdout)
    done = hotbed("plan", "--list", "season.toml", "--today", "2027-01-10")
    assert done.exit_code == 0, done.output
    assert "Hollow Lane" in done.stdout


def test_a_calendar_is_written_whole_or_not_at_all(
    hotbed: Program, alone: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = alone / "season.ics"
    path.write_text("as it was")
    path.chmod(0o644)

    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", full)
        done = hotbed("plan", "tomato:24", *FROST, "--ics", str(path))
    assert done.exit_code == 1
    assert "No space left" in done.stderr
    assert path.read_text() == "as it was"
    assert [one.name for one in alone.iterdir()] == ["season.ics"]
    assert hotbed("plan", "tomato:24", *FROST, "--ics", str(path)).exit_code == 0
    assert path.read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")
    assert path.stat().st_mode & 0o044 == 0o044  # a web server may read it


# --- mix -----------------------------------------------------------------------------------------


def test_without_anything_to_fill_the_containers_are_listed(hotbed: Program) -> None:
    assert "cells-72" in hotbed("mix").stdout
    assert {one["name"] for one in result(hotbed("mix", "--json"))["containers"]} >= {"pot-9cm"}


def test_mix_is_told_by_container_and_by_part_with_bags_and_the_caution(hotbed: Program) -> None:
    words = (
        "mix",
        "cells-72:3",
        "pot-9cm:24:cells-72",
        "--bag",
        "compost:40",
        "--bag",
        "perlite:10,5",
    )
    done = hotbed(*words)
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    assert "216 x cell of a 72-cell tray" in text
    assert "24 x 9 cm pot, for plants out of a 72-cell tray" in text
    assert "1 of 40 l" in text
    assert "dust harms the lungs" in text
    assert max(map(len, done.stdout.splitlines())) <= 80
    order = result(hotbed(*words, "--json"))
    assert order["ingredients"][0]["bags"] == [[40.0, 1]]
    assert "dust mask" in order["caution"]


def test_litres_of_a_measured_container_are_those_of_plain_arithmetic(hotbed: Program) -> None:
    """10 tubs of 1.2 l, filled to half: 6 l settled; loose 6 / 0.8; parts 7.5 / 0.75, in 4 : 1."""
    words = (
        "tub:10 --measured tub:1.2 --full 50 --settling 20 --shrinkage 25 --recipe compost:4,sand:1"
    )
    order = result(hotbed("mix", *words.split(), "--json"))
    assert order["filled_l"] == pytest.approx(6.0)
    assert order["loose_l"] == pytest.approx(7.5)
    assert order["parts_l"] == pytest.approx(10.0)
    assert [one["litres"] for one in order["ingredients"]] == pytest.approx([8.0, 2.0])


def test_a_season_s_list_is_filled_as_it_is_planned(hotbed: Program, alone: Path) -> None:
    out = datetime.now(UTC).date() + timedelta(200)  # by this machine's clock, as `mix` goes by it
    (alone / "season.toml").write_text(
        f'hand_over = {out}\n[[sow]]\ncrop = "broccoli"\nplants = 18\nsow_in = "cells-50"'
    )
    planned = result(hotbed("plan", "--list", "season.toml", "--json"))
    order = result(hotbed("mix", "--list", "season.toml", "--json"))
    assert order["loose_l"] == pytest.approx(planned["mix_l"], abs=0.05)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["cells-73:2"], "did you mean 'cells-72'?"),
        (["cells-72"], "cells-72:3"),
        (["cells-72:two"], "a whole number"),
        (["cells-72:0"], "from 1"),
        (["cells-72:2", "--bag", "bark:40"], "allowed: compost, coir"),
        (["cells-72:2", "--bag", "compost:big"], "--bag: 'big'"),
        (["cells-72:2", "--full", "10"], "allowed: 0.3 to 1"),
        (["cells-72:2", "--recipe", "compost"], "compost:4,coir:2"),
        (["cells-72:2", "--recipe", "compost:0"], "parts of compost are 0"),
        (["pot-9cm:3:pot-11cm"], "does not fit"),
        (["tub:2", "--measured", "tub:900"], "allowed: 0.001 to 50"),
    ],
)
def test_what_cannot_be_filled_is_refused_with_what_can(
    words: list[str], said: str, hotbed: Program
) -> None:
    done = hotbed("mix", *words)
    assert done.exit_code == 2, done.output
    assert said in done.stderr
