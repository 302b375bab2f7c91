"""`light` as it is typed: readings, days of light, heights and hours, and when to raise a lamp."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from daemon.app import JOURNAL
from daemon.events import Event
from daemon.journal import Journal

Program = Callable[..., Result]
LAMP = ["--tubes", "4", "--length", "120cm", "--spacing", "8cm", "--reading", "180", "--at", "20cm"]


def result(done: Result) -> Any:
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["ok"] is True
    return document["result"]


def test_a_day_of_light_is_ppfd_times_seconds(hotbed: Program) -> None:
    """The arithmetic of Torres and Lopez, Purdue Extension HO-238-W: x hours x 3600 / 1e6."""
    found = result(hotbed("light", "dli", "--ppfd", "200", "--hours", "16", "--json"))
    assert found["dli"] == pytest.approx(200 * 16 * 3600 / 1e6)
    done = hotbed("light", "dli", "--ppfd", "120", "--hours", "14", "--crop", "tomato")
    assert "too little" in done.stdout
    assert "takes 23.1 h" in done.stdout  # 10 mol: 10e6 / 120 / 3600


def test_a_day_too_long_for_the_crop_is_said_so_with_what_it_does(hotbed: Program) -> None:
    words = ("light", "dli", "--ppfd", "250", "--crop", "onion", "--hours")
    text = " ".join(hotbed(*words, "16").stdout.split())
    assert "16 h is outside of the 10 to 12 h that onion accepts as seedling" in text
    assert "Days of over 12 h, 7 of them in all: A young plant makes a bulb" in text
    harm = result(hotbed(*words, "16", "--json"))
    assert (harm["harm"]["over_h"], harm["hours_accepted"]["high"]) == (12, 12)
    fine = hotbed(*words, "12").stdout
    assert "bulb" not in fine
    assert "outside" not in fine
    hung = " ".join(hotbed("light", "hang", "onion", *LAMP, "--hours", "16").stdout.split())
    assert "outside of the 10 to 12 h" in hung
    assert "makes a bulb" in hung


@pytest.mark.parametrize(
    ("ppfd", "hours", "said"),
    [
        # Onion accepts 10 to 12 h, and wants 10 to 12 mol: 1e6 x mol / 3600 / h.
        ("200", "12", "takes 13.9 h, and 10 to 12 h is what it accepts: hang the lamp lower, for 231 "),
        ("240", "10", "At this light 10 takes 11.6 h."),
        ("300", "12", "At this light 12 takes 11.1 h at most."),
        ("400", "12", "12 takes 8.3 h at most, and 10 to 12 h is what it accepts: hang the lamp higher"),
    ],
)  # fmt: skip
def test_hours_that_are_proposed_are_hours_that_the_crop_accepts(
    ppfd: str, hours: str, said: str, hotbed: Program
) -> None:
    words = ("light", "dli", "--crop", "onion", "--ppfd", ppfd, "--hours", hours)
    assert said in " ".join(hotbed(*words).stdout.split())


def test_a_lamp_that_is_too_strong_is_to_hang_higher(hotbed: Program) -> None:
    strong = [word if word != "180" else "900" for word in LAMP]
    text = " ".join(hotbed("light", "hang", "tomato", *strong, "--height", "10cm").stdout.split())
    found = result(hotbed("light", "hang", "tomato", *strong, "--json"))
    assert f"hang it higher, {100 * found['height_m']:.0f} cm for 16 h a day, or dim it" in text
    assert "higher" not in hotbed("light", "hang", "tomato", *strong).stdout


@pytest.mark.parametrize(
    ("reading", "kind", "ppfd"),
    [
        # Thimijan and Heins, HortScience 18(6):818-822, 1983: lux to 1 µmol m-2 s-1.
        ("7400lux", "cool-white-fluorescent", 100.0),
        ("5400 lx", "sun", 100.0),
        ("8,2lux", "High_Pressure_Sodium", 0.1),
        # The same in foot-candles of 10.764 lux.
        ("687.5fc", "cool-white-fluorescent", 100.0),
        ("180", None, 180.0),
    ],
)
def test_a_reading_becomes_ppfd_by_the_lamp_s_kind(
    reading: str, kind: str | None, ppfd: float, hotbed: Program
) -> None:
    lamp = ["--lamp", kind] if kind is not None else []
    found = result(hotbed("light", "reading", reading, *lamp, "--json"))
    assert found["ppfd"] == pytest.approx(ppfd, rel=1e-4)


def test_a_white_led_s_figure_says_what_it_is_drawn_from_and_its_range(hotbed: Program) -> None:
    text = " ".join(hotbed("light", "reading", "9000lux", "--lamp", "white-led").stdout.split())
    assert "as such lamps differ" in text
    assert "cie-015-2018" in text


def test_a_height_gives_the_hours_and_those_hours_give_that_height(hotbed: Program) -> None:
    at = result(hotbed("light", "hang", "tomato", *LAMP, "--json"))
    middle = (at["wanted"]["low"] + at["wanted"]["high"]) / 2
    assert at["reached"] is True
    assert at["dli"] == pytest.approx(middle, rel=1e-3)
    height = f"{100 * at['height_m']:.4f}cm"
    back = result(hotbed("light", "hang", "tomato", *LAMP, "--height", height, "--json"))
    assert back["hours"] == pytest.approx(at["hours"], rel=1e-3)


def test_a_person_is_told_the_height_its_range_the_source_and_the_caution(hotbed: Program) -> None:
    done = hotbed("light", "hang", "tomato", *LAMP)
    text = " ".join(done.stdout.split())
    assert max(map(len, done.stdout.splitlines())) <= 80
    for part in ("Hang the lamp", "it gives what is wanted", "craver-2019", "unplug it"):
        assert part in text
    assert "unplug it" in result(hotbed("light", "hang", "tomato", *LAMP, "--json"))["caution"]


def test_a_lamp_that_is_too_weak_is_said_so_with_what_would_help(hotbed: Program) -> None:
    weak = [word if word != "180" else "20" for word in LAMP]
    text = " ".join(hotbed("light", "hang", "tomato", *weak).stdout.split())
    assert "out of reach" in text
    assert "more lamps" in text
    assert result(hotbed("light", "hang", "tomato", *weak, "--json"))["reached"] is False


def test_a_panel_and_a_bed_are_given_by_their_sides(hotbed: Program) -> None:
    panel = ["--panel", "24x16in", "--reading", "300", "--at", "30cm"]
    small = result(hotbed("light", "hang", "lettuce", *panel, "--json"))
    large = result(hotbed("light", "hang", "lettuce", *panel, "--bed", "108x54cm", "--json"))
    assert (
        large["ppfd"]["least"] / large["ppfd"]["mean"]
        < small["ppfd"]["least"] / small["ppfd"]["mean"]
    )


def test_plants_that_grow_say_when_the_lamp_is_to_be_raised(hotbed: Program) -> None:
    """By hand: 2 cm in 10 days is 2 mm a day; 15 - 6 - 6.1 = 2.9 cm to go are 14.5 days more."""
    line = (
        "light raise --lamp-at 15cm --gap 8cm --least 6.1cm --today 2027-03-21 "
        "--plant 2027-03-11=4cm --plant 2027-03-21=6cm"
    )
    words = line.split()
    found = result(hotbed(*words, "--json"))
    assert found["growth_m_per_day"] == pytest.approx(0.002)
    assert found["due"] == "2027-04-05"
    assert found["lamp_m"] == pytest.approx(0.09 + 0.08)
    done = hotbed(*words)
    assert "Raise it by 2027-04-05, to 17 cm" in done.stdout
    assert "unplug it" in done.stdout


def test_what_is_asked_in_inches_is_answered_in_inches(hotbed: Program) -> None:
    """The same lamp and plants as in centimetres, by 2.54 cm to the inch."""
    inches = ["--tubes", "4", "--length", "47.24in", "--spacing", "3.15in", "--reading", "180"]
    inches += ["--at", "7.874in"]
    metric = hotbed("light", "hang", "tomato", *LAMP)
    found = result(hotbed("light", "hang", "tomato", *inches, "--json"))
    text = hotbed("light", "hang", "tomato", *inches).stdout
    assert f"Hang the lamp {found['height_m'] / 0.0254:.1f} in over the leaves" in text
    assert " cm" not in text
    assert " in over" not in metric.stdout
    weak = [word if word != "180" else "20" for word in inches]
    assert " cm" not in hotbed("light", "hang", "tomato", *weak).stdout
    line = "light raise --lamp-at 6in --gap 3in --today 2027-03-21"
    plants = ["--plant", "2027-03-11=1.5in", "--plant", "2027-03-21=2.5in"]
    text = hotbed(*line.split(), *plants).stdout
    assert "the leaves are 3.5 in below the lamp" in text
    assert "They grow 0.10 in a day" in text


def test_plants_that_shrank_or_grew_past_the_lamp_are_told_as_a_person_would(
    hotbed: Program,
) -> None:
    line = "light raise --lamp-at 15cm --gap 8cm --today 2027-03-21 --plant 2027-03-11=6cm"
    shrunk = hotbed(*line.split(), "--plant", "2027-03-21=4cm").stdout
    assert "By what was measured they don't grow" in shrunk
    assert "0.0 mm" not in shrunk
    past = hotbed(*line.split(), "--plant", "2027-03-21=19cm").stdout
    assert "the leaves are 4 cm above the lamp" in past


async def test_logged_heights_are_read_from_the_journal(hotbed: Program, alone: Path) -> None:
    journal = Journal.open(alone / JOURNAL, 1_804_500_000.0)
    day = 86400.0
    await journal.commit(
        events=[
            Event(
                1_804_500_000.0 + n * day,
                "record",
                "TOM1",
                batch="TOM1",
                data={"what": "height", "value": mm, "at": 1_804_500_000.0 + n * day, "n": n + 1}
                | more,
            )
            for n, mm, more in (
                (0, 40.0, {}),
                (9, 300.0, {}),
                (10, 60.0, {"amends": 10}),  # a slip of the day before, put right
                (11, 200.0, {}),
                (11, 200.0, {"struck": True}),
            )
        ]
    )
    await journal.close()
    line = "light raise --lamp-at 15cm --gap 8cm --today 2027-03-20 --state . --json --batch"
    words = line.split()
    assert result(hotbed(*words, "tom1"))["growth_m_per_day"] == pytest.approx(0.002)
    # Without --today it is the journal's: the last of these records is of the 19th.
    bare = "light raise --lamp-at 15cm --gap 8cm --state . --batch TOM1"
    assert "On 2027-03-19 the leaves are" in hotbed(*bare.split()).stdout
    done = hotbed(*words, "LET1")
    assert done.exit_code == 1
    assert "hotbed log LET1 height 6cm" in done.stdout


@pytest.mark.parametrize(
    ("line", "status", "said"),
    [
        ("dli --ppfd 200 --hours 25", 2, "allowed: 0 to 24"),
        ("dli --ppfd -1 --hours 5", 2, "0 or more"),
        ("reading bright", 2, "9000lux"),
        ("reading 9000lux", 2, "--lamp, one of"),
        ("reading 9000lux --lamp white", 2, "did you mean 'white-led'?"),
        ("reading 9000lux --lamp red-blue-led", 2, "hardly sees red and blue"),
        ("reading 999999lux --lamp sun", 2, "allowed: 0 to 200000"),
        ("hang tomato --tubes 4 --length 120cm --spacing 8cm", 2, "--reading"),
        ("hang tomato --reading 180 --at 20cm", 2, "Either --tubes N"),
        ("hang tomato --tubes 2 --length 120cm --reading 180 --at 20cm", 2, "--spacing"),
        ("hang tomato --panel 60 --reading 180 --at 20cm", 2, "60x40cm"),
        ("hang tomato --panel 60x40cm --reading 180 --at 20", 2, "20cm, 1.2m or 8in"),
        ("hang tomato --panel 60x40cm --reading 180 --at 9m", 2, "allowed: 0.02 to 5"),
        ("hang tomato --panel 60x40cm --reading 180 --at 20cm --stage hardening", 2, "no light"),
        ("hang tomto --panel 60x40cm --reading 180 --at 20cm", 1, "did you mean 'tomato'?"),
        ("raise --lamp-at 15cm --gap 8cm", 2, "--plant 2027-03-14=4cm"),
        ("raise --lamp-at 15cm --gap 8cm --plant 2027-03-14", 2, "--plant: ''"),
        ("raise --lamp-at 15cm --gap 8cm --plant 14.3.=4cm", 2, "--plant: '14.3.'"),
        ("raise --lamp-at 15cm --gap 8cm --plant 2099-03-14=4cm", 2, "allowed: up to"),
    ],
)
def test_what_is_not_understood_is_refused_with_what_is(
    line: str, status: int, said: str, hotbed: Program
) -> None:
    done = hotbed("light", *line.split())
    assert done.exit_code == status, done.output
    assert said in done.stderr
