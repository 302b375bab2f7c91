"""`plan` and `mix` as they are typed: what is told, what is refused, what a program gets."""

from __future__ import annotations

import json
from collections.abc import Callable
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
        task["uid"].rsplit("-1-")[1].replace("-", "_"): task["day"] for task in plan["tasks"]
    } | {"emerge": dates["emerge"]}
    assert plan["planned_from"] == {"event": "LastFrost", "day": "2027-05-10", "margin_days": 0}
    assert plan["mix_l"] > 0


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
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
