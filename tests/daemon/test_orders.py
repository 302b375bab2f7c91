"""What is wanted of a season: words and lists, understood or refused with the place and the range."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.config import parse
from daemon.orders import (
    EXAMPLE,
    Dates,
    OrdersError,
    Season,
    SeasonFile,
    Wanted,
    benches_of,
    read_file,
    read_word,
    season,
)
from profiles.library import load_library
from profiles.season import FirstFrost, HandOver, LastFrost, Order, Phase, plan_season

LIBRARY = load_library()
TODAY = date(2027, 1, 10)
FROST = Dates(last_frost=date(2027, 5, 10))


def ordered(**wanted: Any) -> Order:
    """The one order of a table."""
    one = Wanted.model_validate({"crop": "tomato", "plants": 24} | wanted)
    return asked([one]).orders[0]


def asked(wanted: list[Wanted], dates: Dates = FROST, **file: Any) -> Season:
    return season(wanted, dates, SeasonFile.model_validate(file), LIBRARY, TODAY)


def refused(**wanted: Any) -> str:
    with pytest.raises(OrdersError) as error:
        ordered(**wanted)
    return str(error.value)


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("tomato:24", {"crop": "tomato", "plants": 24}),
        ("tomato/Hollow Lane:24", {"crop": "tomato", "plants": 24, "variety": "Hollow Lane"}),
        ("lettuce:36@2wx3", {"crop": "lettuce", "plants": 36, "every_weeks": 2, "times": 3}),
        ("Brussels sprouts:6", {"crop": "Brussels sprouts", "plants": 6}),
    ],
)
def test_a_word_is_a_crop_a_count_a_variety_and_a_succession(
    word: str, meant: dict[str, Any]
) -> None:
    assert read_word(word) == Wanted.model_validate(meant)


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("tomato", "tomato:24"),
        ("tomato:", "tomato:24"),
        ("tomato=24", "tomato:24"),
        ("tomato:-1", "tomato:24"),
        ("tomato:٢٤", "tomato:24"),
        ("tomato:24@2w", "@2wx3"),
        ("tomato:0", "plants: 0; allowed: 1 to 5000"),
        ("tomato:24@40wx3", "every_weeks: 40; allowed: 1 to 26"),
        ("tomato:24@2wx1", "2 or more"),
    ],
)
def test_what_is_no_order_is_refused_with_what_is(word: str, said: str) -> None:
    with pytest.raises(OrdersError, match=re.escape(said)):
        read_word(word)


def test_what_is_left_out_is_the_crop_s_own() -> None:
    tomato, lettuce = LIBRARY.crop("tomato"), LIBRARY.crop("lettuce")
    order = ordered()
    assert order.sow_in.per_tray == tomato.cells_per_tray.usual
    assert order.pot_on_into is not None
    assert tomato.pot_cm is not None
    assert order.pot_on_into.name == f"pot-{tomato.pot_cm.value:g}cm"
    assert order.germination.share == tomato.germination_percent.value / 100
    order = ordered(crop="lettuce")
    assert order.pot_on_into is None
    assert order.sow_in.per_tray == lettuce.cells_per_tray.usual
    assert ordered(pot_on_into="none").pot_on_into is None


def test_every_crop_can_be_ordered_as_it_is() -> None:
    wanted = [Wanted(crop=name, plants=12) for name in LIBRARY.crops]
    found = asked(wanted)
    plan = plan_season(found.orders, found.anchor, today=TODAY)
    assert {one.order.crop.name for one in plan.sowings} == set(LIBRARY.crops)
    assert plan.fillings  # every pot takes the plug that it is given


def test_what_is_sown_in_an_open_tray_is_pricked_out_into_the_crop_s_cells() -> None:
    order = ordered(sow_in="open-tray")
    assert order.prick_out_into is not None
    assert order.prick_out_into.name == "cells-72"


def test_a_test_of_one_s_own_goes_before_packet_and_age() -> None:
    order = ordered(test={"sprouted": 9, "sown": 20}, germination_percent=95, seed_year=2000)
    assert order.germination.tested == (9, 20)


def test_old_seed_gives_less_and_too_old_seed_is_to_be_tested() -> None:
    life = LIBRARY.crop("tomato").seed_life_years.value
    shares = [ordered(seed_year=2027 - age).germination.share for age in range(int(life) + 1)]
    assert shares == sorted(shares, reverse=True)
    # At its keeping time half of a good lot comes up, by what the years are taken to mean.
    assert shares[-1] == pytest.approx(0.5)
    assert "test some of it first" in refused(seed_year=2027 - int(life) - 1)
    assert "allowed: up to 2027" in refused(seed_year=2028)


@pytest.mark.parametrize(
    ("table", "anchor"),
    [
        ({"last_frost": date(2027, 5, 10)}, LastFrost(date(2027, 5, 10))),
        ({"last_frost": date(2027, 5, 10), "margin_days": 7}, LastFrost(date(2027, 5, 10), 7)),
        ({"first_frost": date(2027, 10, 1)}, FirstFrost(date(2027, 10, 1))),
        ({"hand_over": date(2027, 5, 1)}, HandOver(date(2027, 5, 1))),
        # The upper decile of the normal distribution is 1.2816 standard deviations (any table of
        # it): 12.8 days, and whole days from 13.
        (
            {"last_frost": date(2027, 5, 10), "spread_days": 10.0, "risk_percent": 10.0},
            LastFrost(date(2027, 5, 23)),
        ),
    ],
)
def test_the_date_that_all_counts_from(table: dict[str, Any], anchor: Any) -> None:
    assert Dates(**table).anchor() == anchor
    assert str(anchor.day) in Dates(**table).said()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "last_frost = 2027-05-10\nhand_over = 2027-05-10",
            "last_frost and hand_over are both given",
        ),
        ("last_frost = 2027-05-10\nmargin_days = 61", "margin_days: 61; allowed: 0 to 60"),
        ('last_frost = "soon"', "last_frost: 'soon'; allowed: a date"),
        ("spread_days = 3", "go together"),
        ("margin_days = 3", "goes with last_frost"),
        ("soil_c = [1, 2]", "12 (months) or 52 (weeks)"),
        ("[bench.a]\ntrays = 0", "bench.a.trays: 0; allowed: 1 to 1000"),
        ('[bench.a]\ntrays = 1\nserves = ["drying"]', "germination, growing, hardening"),
        ("[container.cells-72]\nlitres = 1\nper_tray = 3", "known already"),
        ('[[sow]]\ncrop = "tomato"', "sow[1].plants: is missing"),
        ('[[sow]]\ncrop = "tomato"\nplants = 24\nvarity = "x"', "did you mean 'variety'?"),
        ('[[sow]]\ncrop = "tomato"\nplants = true', "sow[1].plants: true"),
        ("sow = 3", "sow: 3"),
        ("[[sow", "is not TOML"),
    ],
)
def test_a_list_is_refused_with_file_place_and_range(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "season.toml"
    path.write_text(text)
    with pytest.raises(OrdersError) as error:
        read_file(path)
    assert said in str(error.value)
    assert all(line.startswith(f"{path}: ") for line in str(error.value).splitlines())


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        ({"crop": "tomto"}, "did you mean 'tomato'?"),
        ({"sow_in": "cells-71"}, "did you mean 'cells-72'?"),
        ({"sow_in": "none"}, "allowed: cells-50"),
        ({"pot_on_into": "cells-200"}, "does not fit"),
        ({"prick_out_into": "cells-50"}, "only out of an open tray"),
        ({"germinate_at_c": 5}, "tomato does not come up at a soil of 5 °C"),
    ],
)
def test_an_order_that_cannot_be_is_refused_with_its_name(
    wanted: dict[str, Any], said: str
) -> None:
    assert said in refused(**wanted)


def test_every_problem_of_a_list_is_told_with_its_place() -> None:
    file = {
        "sow": [{"crop": "tomto", "plants": 3}, {"crop": "lettuce", "plants": 3, "sow_in": "x"}]
    }
    with pytest.raises(OrdersError) as error:
        asked([], FROST, **file)
    first, second = str(error.value).splitlines()
    assert first.startswith("sow[1] (tomto): ")
    assert second.startswith("sow[2] (lettuce): sow_in: ")


def test_a_missing_date_or_an_empty_list_is_told_with_what_to_give() -> None:
    with pytest.raises(OrdersError, match="--last-frost"):
        asked([Wanted(crop="tomato", plants=3)], Dates())
    with pytest.raises(OrdersError, match="tomato:24"):
        asked([])
    with pytest.raises(OrdersError, match="No such file"):
        read_file(Path("nowhere.toml"))


def test_the_command_line_s_date_goes_before_the_list_s() -> None:
    wanted = [Wanted(crop="tomato", plants=3)]
    assert asked(wanted, Dates(), hand_over=date(2027, 4, 1)).anchor == HandOver(date(2027, 4, 1))
    assert asked(wanted, FROST, hand_over=date(2027, 4, 1)).anchor == LastFrost(date(2027, 5, 10))


def test_the_example_is_a_list_that_can_be_planned_and_has_every_key(tmp_path: Path) -> None:
    path = tmp_path / "season.toml"
    path.write_text(EXAMPLE)
    file = read_file(path)
    found = season([], Dates(), file, LIBRARY, TODAY)
    plan = plan_season(found.orders, found.anchor, benches=found.benches, soil=found.soil)
    assert len(plan.sowings) == 5
    written = set(re.findall(r"^(?:# )?(\w+) = ", EXAMPLE, re.MULTILINE))
    known = set(Wanted.model_fields) | set(SeasonFile.model_fields)
    assert known - written - {"bench", "container", "sow", "first_frost"} == set()


def site(**benches: tuple[float, bool, bool]) -> Any:
    """A configuration of benches: trays, whether it has a mat, a lamp."""

    def relay() -> dict[str, Any]:
        return {"watts": 20, "device": {"driver": "simulated"}}

    table: dict[str, Any] = {"schema": 1, "site": {"name": "shed", "zone": "Europe/Berlin"}}
    table["bench"] = {
        name: {
            "trays": trays,
            **({"mat": relay()} if mat else {}),
            **({"lamp": relay()} if lamp else {}),
            "probes": [{"name": "a", "measures": "soil", "device": {"driver": "simulated"}}],
        }
        for name, (trays, mat, lamp) in benches.items()
    }
    return parse(table, Path("hotbed.toml"))


def test_benches_with_mats_are_for_germination_and_those_with_lamps_for_growing() -> None:
    both = {Phase.GERMINATION, Phase.GROWING}
    found = benches_of(site(lower=(2.5, True, False), upper=(4, True, True), low=(1, False, True)))
    assert [(one.name, one.trays, set(one.phases)) for one in found] == [
        ("lower", 2, {Phase.GERMINATION}),
        ("upper", 4, both),
        ("low", 1, {Phase.GROWING}),
    ]
    # Where no bench has a mat, seed must come up on those there are.
    (only,) = benches_of(site(upper=(4, False, True), half=(0.5, True, False)))
    assert (only.name, set(only.phases)) == ("upper", both)


@given(
    st.sampled_from(sorted(LIBRARY.crops)),
    st.integers(1, 300),
    st.dates(date(2027, 3, 1), date(2028, 7, 11)),
)
def test_steps_are_in_order_and_seeds_suffice_whatever_is_ordered(
    crop: str, plants: int, frost: date
) -> None:
    found = season(
        [Wanted(crop=crop, plants=plants)],
        Dates(last_frost=frost),
        SeasonFile.model_validate({}),
        LIBRARY,
        TODAY,
    )
    (one,) = plan_season(found.orders, found.anchor, today=TODAY).sowings
    dates = [
        each.chosen
        for each in (
            one.dates.sow,
            one.dates.emerge,
            one.dates.pot_on,
            one.dates.harden,
            one.dates.plant_out,
        )
        if each is not None
    ]
    assert dates == sorted(dates)
    assert dates[0] >= TODAY
    assert one.seeds >= one.stand >= plants
