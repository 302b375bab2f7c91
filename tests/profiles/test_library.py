"""Reading crops: what a grower's folder may change, and what each refusal says."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from profiles.library import ProfileError, UnknownCrop, forget_files, load_library
from profiles.model import LimitKind, Part, Stage

Write = Callable[..., Path]

SHIPPED = load_library()
TOMATO = Path(__file__).parents[2] / "profiles" / "data" / "crops" / "tomato.toml"


@pytest.fixture
def folder(tmp_path: Path) -> Write:
    """Writes files, by name without ".toml", into a grower's folder."""

    def write(**files: str) -> Path:
        for name, text in files.items():
            (tmp_path / f"{name.replace('_', '-')}.toml").write_text(text, encoding="utf-8")
        return tmp_path

    return write


def refusal(folder: Path) -> list[str]:
    with pytest.raises(ProfileError) as caught:
        load_library(folder)
    assert str(caught.value) == "\n".join(caught.value.problems)
    return [problem.replace(f"{folder}/", "") for problem in caught.value.problems]


# Finding


@pytest.mark.parametrize("name", ["tomato", "Tomato", " TOMATO ", "tomato\n"])
def test_a_crop_is_found_whatever_its_capitals_and_spaces(name: str) -> None:
    assert SHIPPED.crop(name).name == "tomato"


@pytest.mark.parametrize(
    ("name", "crop"),
    [
        ("Sweet pepper", "pepper"),
        ("bell-pepper", "pepper"),
        ("Calabrese", "broccoli"),
        ("Brussels sprouts", "brussels-sprouts"),
        ("aubergine", "eggplant"),
        ("Lady's Fingers", "okra"),
    ],
)
def test_a_crop_is_found_by_an_alias_of_its_file(name: str, crop: str) -> None:
    assert SHIPPED.crop(name).name == crop


def test_an_unknown_crop_is_told_with_the_nearest_and_all() -> None:
    with pytest.raises(UnknownCrop) as caught:
        SHIPPED.crop("tomatto")
    assert str(caught.value) == (
        f"no crop 'tomatto'; did you mean 'tomato'?; known: {', '.join(SHIPPED.crops)}"
    )
    with pytest.raises(UnknownCrop, match="no crop 'rice'; known: basil, beet, broccoli"):
        SHIPPED.crop("rice")


def test_the_library_cannot_be_changed() -> None:
    with pytest.raises(TypeError):
        SHIPPED.crops["x"] = SHIPPED.crop("tomato")  # type: ignore[index]
    with pytest.raises(AttributeError):
        SHIPPED.crops = {}  # type: ignore[misc]


def test_what_crops_have_in_common_is_kept_once() -> None:
    def parts(value: object) -> Iterator[Part]:
        if isinstance(value, Part):
            yield value
            for _, inner in value:
                yield from parts(inner)
        elif isinstance(value, Mapping):
            for inner in value.values():
                yield from parts(inner)

    found = [part for crop in SHIPPED.crops.values() for part in parts(crop)]
    texts = {(type(part), part.model_dump_json()) for part in found}
    assert len({id(part) for part in found}) == len(texts) < len(found) / 2


def test_the_files_can_be_forgotten_and_are_read_again() -> None:
    forget_files()
    again = load_library()
    assert again is not SHIPPED
    assert again == SHIPPED


# Overriding


def test_an_empty_folder_changes_nothing(tmp_path: Path) -> None:
    assert load_library(tmp_path) == SHIPPED


def test_a_figure_of_a_growers_own_goes_over_the_shipped_one_and_nothing_else_changes(
    folder: Write,
) -> None:
    own = load_library(
        folder(
            tomato="""
            [stages.germination]
            soil_best = { low = 22, high = 25, of = "soil", source = "own" }
            """
        )
    )
    targets = own.crop("tomato").stages[Stage.GERMINATION]
    shipped = SHIPPED.crop("tomato").stages[Stage.GERMINATION]
    assert targets.soil_best is not None
    assert (targets.soil_best.low, targets.soil_best.high) == (22, 25)
    assert targets.model_copy(update={"soil_best": shipped.soil_best}) == shipped
    others = {
        stage: part
        for stage, part in own.crop("tomato").stages.items()
        if stage is not Stage.GERMINATION
    }
    assert others.items() <= SHIPPED.crop("tomato").stages.items()
    assert own.crop("pepper") == SHIPPED.crop("pepper")


def test_a_number_cannot_slip_in_under_the_shipped_source_or_note(folder: Write) -> None:
    assert refusal(folder(tomato="[stages.germination.soil_best]\nlow = 22\nhigh = 25\n")) == [
        "tomato.toml: stages.germination.soil_best.of: is missing; allowed: soil, air",
        "tomato.toml: stages.germination.soil_best.source: is missing; "
        "allowed: small letters, digits and hyphens",
    ]
    own = load_library(
        folder(tomato='[stages.germination]\nsoil_ceiling_c = { value = 31, source = "own" }\n')
    )
    ceiling = own.crop("tomato").stages[Stage.GERMINATION].soil_ceiling_c
    assert (ceiling.value, ceiling.source, ceiling.note) == (31, "own", "")


def test_a_folder_may_bring_sources(folder: Write) -> None:
    own = load_library(
        folder(
            sources='[allotment-diary]\nkind = "own"\ncitation = "My diary, 2019 to 2026"\n',
            tomato='[harden_min_night_c]\nvalue = 8\nsource = "allotment-diary"\n',
        )
    )
    assert own.crop("tomato").harden_min_night_c.value == 8
    assert own.sources["allotment-diary"].citation == "My diary, 2019 to 2026"


def whole_crop(**changes: str) -> str:
    """A new crop: the shipped tomato under another code, with lines replaced by their key."""
    changes = {"title": 'title = "Tomatillo"', "code": 'code = "TLO"'} | changes
    lines = TOMATO.read_text(encoding="utf-8").splitlines()
    return "\n".join(changes.get(line.split(" = ")[0], line) for line in lines)


def test_a_folder_may_add_a_crop_that_follows_a_row_of_the_table(folder: Write) -> None:
    stand_in = 'emergence_row = "tomato"\nstand_in = "Tomatillo comes up much like tomato."'
    own = load_library(folder(tomatillo=whole_crop(emergence_row=stand_in)))
    crop = own.crop("Tomatillo")
    assert crop.emergence == SHIPPED.crop("tomato").emergence
    assert crop.stand_in.startswith("Tomatillo")
    assert list(own.crops) == sorted([*SHIPPED.crops, "tomatillo"])
    assert crop.normal_percent(20) == SHIPPED.crop("tomato").normal_percent(20)


def test_a_folder_may_add_a_crop_with_days_to_emergence_of_its_own(folder: Write) -> None:
    days = 'emergence_days = { days = [[15, 20], [22.5, 9]], never = [10], source = "own" }'
    crop = load_library(folder(tomatillo=whole_crop(emergence_row=days))).crop("tomatillo")
    assert crop.emergence.days(22.5) == pytest.approx(9, abs=0.5)
    assert crop.emergence.days(10) is None
    assert (crop.emergence_row, crop.emergence_source) == ("tomatillo", "own")
    assert crop.normal_percent(22.5) is None


def test_own_days_to_emergence_go_over_the_row_of_a_shipped_crop(folder: Write) -> None:
    own = load_library(
        folder(broccoli='[emergence_days]\ndays = [[10, 12], [20, 5]]\nsource = "own"\n')
    )
    crop = own.crop("broccoli")
    assert crop.emergence.days(20) == pytest.approx(5, abs=0.5)
    assert crop.stand_in == ""
    assert crop.normal_percent(20) == SHIPPED.crop("cabbage").normal_percent(20)


def test_a_row_named_for_its_kind_needs_no_stand_in(folder: Write) -> None:
    row = 'emergence_row = "bean (snap)"'
    assert load_library(folder(snap_bean=whole_crop(emergence_row=row))).crop("snap bean")


def test_percentages_may_follow_another_row_than_the_days_or_none(folder: Write) -> None:
    own = load_library(
        folder(
            kale='normal_seedlings_row = "cauliflower"', broccoli='normal_seedlings_row = "none"'
        )
    )
    assert own.crop("kale").emergence == SHIPPED.crop("cabbage").emergence
    assert own.crop("kale").normal_percent(30) == SHIPPED.crop("cauliflower").normal_percent(30)
    assert own.crop("broccoli").normal_percent(20) is None


# Groups

MIZUNA = """
title = "Mizuna"
code = "MIZ"
group = "cabbage-family"
stand_in = "Mizuna comes up like cabbage, if anything sooner."
weeks_to_transplant = { low = 3, high = 4, source = "own" }
weeks_to_harvest = { low = 3, high = 5, source = "own" }
plant_out_weeks_from_last_frost = { low = -4, high = -2, source = "own" }
harden_min_night_c = { value = 4, source = "own" }
outdoor_soil_min_c = { value = 6, source = "own" }
germination_percent = { value = 80, source = "own" }
[stages.germination]
soil_best = { low = 18, high = 24, of = "soil", source = "own" }
soil_acceptable = { low = 10, high = 27, of = "soil", source = "own" }
soil_ceiling_c = { value = 30, source = "own" }
"""


def test_a_new_crop_takes_from_its_group_what_it_does_not_say(folder: Write) -> None:
    mizuna = load_library(folder(mizuna=MIZUNA)).crop("mizuna")
    broccoli = SHIPPED.crop("broccoli")
    assert mizuna.group == "cabbage-family"
    assert mizuna.depth_mm == broccoli.depth_mm
    assert mizuna.emergence == broccoli.emergence
    germination = mizuna.stages[Stage.GERMINATION]
    assert germination.photoperiod_h == broccoli.stages[Stage.GERMINATION].photoperiod_h
    assert germination.soil_ceiling_c.value == 30
    assert mizuna.stages[Stage.SEEDLING].dif_c == broccoli.stages[Stage.SEEDLING].dif_c
    assert mizuna.limits == {}
    assert {getattr(part, "source", "") for _, part in mizuna.sourced()} <= set(SHIPPED.sources)


def test_a_growers_figure_goes_over_one_that_the_group_gave(folder: Write) -> None:
    feed = 'feed = { text = "Weekly, a quarter.", strength = 0.25, source = "own" }'
    own = load_library(folder(kale=f"[stages.seedling]\n{feed}\n[limits.bulbing]\n{BULBING}"))
    kale = own.crop("kale")
    given = kale.stages[Stage.SEEDLING].feed
    assert (given.text, given.interval_days, given.source) == ("Weekly, a quarter.", None, "own")
    assert kale.stages[Stage.SEEDLING].water == SHIPPED.crop("kale").stages[Stage.SEEDLING].water
    assert set(kale.limits) == {*SHIPPED.crop("kale").limits, LimitKind.BULBING}
    assert own.crop("cabbage") == SHIPPED.crop("cabbage")


BULBING = """
photoperiod_above_h = 18
hours = 168
counted = "in all"
stages = ["seedling"]
consequence = "No kale was ever seen to bulb."
source = "own"
"""


def test_a_crop_may_be_laid_over_another_group(folder: Write) -> None:
    crop = load_library(folder(okra='group = "cucumber-family"')).crop("okra")
    kin = SHIPPED.crop("cucumber")
    assert crop.stages[Stage.HOLDING].feed == kin.stages[Stage.HOLDING].feed
    assert crop.stages[Stage.SEEDLING].soil_ceiling_c.value == 33  # its own file still goes over


@pytest.mark.parametrize(
    ("group", "problem"),
    [
        (
            '"cabage-family"',
            "group: 'cabage-family'; did you mean 'cabbage-family'?; allowed: beet-",
        ),
        ("5", "group: 5; allowed: text"),
        ('["warm"]', "group: a list; allowed: text"),
    ],
)
def test_an_unknown_group_is_told_with_the_nearest_and_all(
    folder: Write, group: str, problem: str
) -> None:
    told = refusal(folder(tomato=f"group = {group}"))
    assert told[0].startswith(f"tomato.toml: {problem}")
    assert len(told) == 1 or "allowed: text" in problem


# Refusing

GERMINATION = "[stages.germination]\n"
SEEDLING = "[stages.seedling]\n"
LIMIT = (
    '[limits.chilling-injury]\nhours = 8\nstages = ["seedling"]\nconsequence = "It sulks."\n'
    'source = "own"\n'
)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        pytest.param(
            GERMINATION + 'soil_bst = { low = 22, high = 25, of = "soil", source = "own" }',
            "stages.germination.soil_bst: no such key; did you mean 'soil_best'?",
            id="misspelt key",
        ),
        pytest.param(
            'depth = { low = 6, high = 6, source = "own" }',
            "depth: no such key; did you mean 'depth_mm'?",
            id="misspelt key at the top",
        ),
        pytest.param(
            'harden_min_night_c = { valu = 8, value = 8, source = "own" }',
            "harden_min_night_c.valu: no such key; did you mean 'value'?",
            id="misspelt key in a figure",
        ),
        pytest.param(
            '[stages.germinaton]\nmat = "off"',
            "stages.germinaton: no such stage; did you mean 'germination'?; "
            "allowed: germination, seedling, growing-on, holding, hardening",
            id="misspelt stage",
        ),
        pytest.param(
            GERMINATION + 'soil_best = { low = 22, high = 33, of = "soil", source = "own" }',
            "stages.germination.soil_best: high = 33 is outside the allowed 0 to 32 °C",
            id="too hot a target",
        ),
        pytest.param(
            SEEDLING + 'air_night = { low = 16, high = 60, of = "air", source = "own" }',
            "stages.seedling.air_night: high = 60 is outside the allowed -10 to 45 °C",
            id="°F in a °C key",
        ),
        pytest.param(
            GERMINATION + 'soil_ceiling_c = { value = 40, source = "own" }',
            "stages.germination.soil_ceiling_c: value = 40 is outside the allowed 5 to 38 °C",
            id="too hot a ceiling",
        ),
        pytest.param(
            GERMINATION + 'soil_ceiling_c = { value = 28, source = "own" }',
            "stages.germination: soil_acceptable goes up to 29 °C; "
            "allowed: under soil_ceiling_c, 28 °C",
            id="target over the ceiling",
        ),
        pytest.param(
            GERMINATION + 'soil_best = { low = 15, high = 20, of = "soil", source = "own" }',
            "stages.germination: soil_best (15 to 20 °C) is not inside soil_acceptable (18 to 29 °C)",
            id="best outside acceptable",
        ),
        pytest.param(
            SEEDLING + 'root_zone_floor_c = { value = 26, source = "own" }',
            "stages.seedling.root_zone_floor_c: value = 26 is outside the allowed 5 to 25 °C",
            id="too hot a floor",
        ),
        pytest.param(
            SEEDLING + 'photoperiod_h = { low = 14, best = 16, high = 25, source = "own" }',
            "stages.seedling.photoperiod_h.high: 25; allowed: 0 to 24",
            id="photoperiod of 25 h",
        ),
        pytest.param(
            SEEDLING + 'photoperiod_h = { low = 14, best = 12, high = 16, source = "own" }',
            "stages.seedling.photoperiod_h: best (12 h) is not between low (14) and high (16)",
            id="best photoperiod outside",
        ),
        pytest.param(
            SEEDLING + 'dli = { low = 10, high = 120, source = "own" }',
            "stages.seedling.dli: high = 120 is outside the allowed 0 to 65 mol m-2 d-1",
            id="more light than the sun",
        ),
        pytest.param(
            SEEDLING + 'air_day = { low = 14, high = 25, of = "soil", source = "own" }',
            'stages.seedling.air_day: of = "soil"; allowed: "air", '
            "for day and night figures are of air",
            id="air marked soil",
        ),
        pytest.param(
            GERMINATION + 'soil_acceptable = { low = 18, high = 29, of = "air", source = "own" }',
            'stages.germination.soil_acceptable: of = "air"; allowed: "soil", '
            "for a germination figure is of soil",
            id="soil marked air",
        ),
        pytest.param(
            SEEDLING + 'air_day = { low = 14, high = 25, of = "water", source = "own" }',
            "stages.seedling.air_day.of: 'water'; allowed: soil, air",
            id="no such medium",
        ),
        pytest.param(
            SEEDLING + 'air_day = { low = 25, high = 20, of = "air", source = "own" }',
            "stages.seedling.air_day: low (25) is above high (20)",
            id="upside down",
        ),
        pytest.param(
            SEEDLING + 'air_day = { low = 14, high = 25, of = "air" }',
            "stages.seedling.air_day.source: is missing; "
            "allowed: small letters, digits and hyphens",
            id="no source",
        ),
        pytest.param(
            SEEDLING + 'air_day = { low = 14, high = 25, of = "air", source = "mid-atlantic" }',
            "stages.seedling.air_day.source: 'mid-atlantic' is not in the bibliography; "
            "did you mean 'mid-atlantic-a4'?; allowed: \"own\", or a key of sources.toml",
            id="unknown source",
        ),
        pytest.param(
            SEEDLING + 'air_day = { low = "14", high = 25, of = "air", source = "own" }',
            "stages.seedling.air_day.low: '14'; allowed: a number",
            id="number in quotes",
        ),
        pytest.param(
            SEEDLING + 'air_day = { low = 14, high = true, of = "air", source = "own" }',
            "stages.seedling.air_day.high: true; allowed: a number",
            id="true is not 1",
        ),
        pytest.param(
            SEEDLING + 'air_day = { low = 14, high = nan, of = "air", source = "own" }',
            "stages.seedling.air_day.high: nan; allowed: a number",
            id="not a number",
        ),
        pytest.param(
            '[stages.hardening]\nmat = "floor"',
            'stages.hardening: mat = "floor" needs root_zone_floor_c',
            id="floor without a figure",
        ),
        pytest.param(
            '[stages.hardening]\nmat = "on"',
            "stages.hardening.mat: 'on'; allowed: soil-target, floor, off",
            id="no such mat",
        ),
        pytest.param(
            'code = "Tomato"',
            "code: 'Tomato'; allowed: two or three capitals",
            id="no such code",
        ),
        pytest.param('code = "PEP"', "code 'PEP' is also pepper's", id="code taken"),
        pytest.param('aliases = ["Chilli"]', "name 'chilli' is also pepper's", id="alias taken"),
        pytest.param(
            'name = "pepper"', "name: 'pepper'; allowed: 'tomato', as the file is named", id="name"
        ),
        pytest.param(
            'emergence_row = "lettuce"',
            "stand_in: is missing; say why tomato follows the row of lettuce",
            id="silent stand-in",
        ),
        pytest.param(
            '[emergence_days]\ndays = [[20, 9], [15, 14]]\nsource = "own"',
            "emergence_days: 15 °C comes after 20 °C; allowed: rising order",
            id="days out of order",
        ),
        pytest.param(
            "[limits.bulbin]\nhours = 5",
            "limits.bulbin: no such limit; did you mean 'bulbing'?; allowed: bolting-after-cold,",
            id="no such limit",
        ),
        pytest.param(
            LIMIT + 'counted = "in all"',
            "limits.chilling-injury: no bound given; allowed: one of soil_below_c, soil_above_c, "
            "air_below_c, photoperiod_above_h",
            id="limit without a bound",
        ),
        pytest.param(
            LIMIT + 'counted = "in all"\nair_below_c = 9\nsoil_below_c = 9',
            "limits.chilling-injury: soil_below_c and air_below_c given; allowed: one of soil_below_c,",
            id="limit with two bounds",
        ),
        pytest.param(
            LIMIT + 'counted = "in all"\nsoil_below_c = 9',
            "limits.chilling-injury has soil_below_c; allowed: air_below_c",
            id="limit of the wrong kind",
        ),
        pytest.param(
            LIMIT + 'counted = "in all"\nair_below_c = 50',
            "limits.chilling-injury.air_below_c: 50; allowed: -10 to 25",
            id="limit in °F",
        ),
        pytest.param(
            LIMIT + 'counted = "often"\nair_below_c = 9',
            "limits.chilling-injury.counted: 'often'; allowed: in a row, in all",
            id="counted somehow",
        ),
        pytest.param(
            '[limits.cold-rot]\nsoil_below_c = 19\nhours = 96\ncounted = "in a row"\n'
            'stages = ["germination"]\nconsequence = "It rots."\nsource = "own"',
            "stages.germination.soil_acceptable goes down to 18 °C; "
            "allowed: not below limits.cold-rot.soil_below_c, 19 °C",
            id="target beyond a limit",
        ),
        pytest.param(
            GERMINATION + 'soil_best_night = { low = 14, high = 16, of = "soil", source = "own" }',
            "stages.germination: soil_best_night (14 to 16 °C) is not inside soil_acceptable "
            "(18 to 29 °C)",
            id="night outside acceptable",
        ),
        pytest.param(
            SEEDLING + 'feed = { text = "Weekly.", interval_days = { low = 7, high = 7, '
            'source = "own" }, source = "own" }',
            "stages.seedling.feed: interval_days needs strength, the part of the label rate",
            id="feed of unknown strength",
        ),
        pytest.param(
            SEEDLING + 'feed = { text = "Weekly.", strength = 50, source = "own" }',
            "stages.seedling.feed.strength: 50; allowed: over 0 to 1",
            id="strength in percent",
        ),
        pytest.param(
            'cells_per_tray = { usual = 72.5, source = "own" }',
            "cells_per_tray.usual: 72.5; allowed: 1 to 1000",
            id="half a cell",
        ),
        pytest.param(
            'light_to_germinate = { value = false, only_helps = true, source = "own" }',
            "light_to_germinate: only_helps = true needs value = true",
            id="light that helps is not given",
        ),
        pytest.param(
            'germination_percent = { value = 110, source = "own" }',
            "germination_percent: value = 110 is outside the allowed 1 to 100 %",
            id="more than all seed",
        ),
        pytest.param(
            'normal_seedlings_row = "tomatoe"',
            "normal_seedlings_row: 'tomatoe'; did you mean 'tomato'?; allowed: asparagus,",
            id="no such row of percentages",
        ),
        pytest.param(
            "title = \ncode = 5",
            "not valid TOML: Invalid value (at line 1, column 9)",
            id="broken TOML",
        ),
        pytest.param("", "empty", id="empty file"),
    ],
)
def test_a_refusal_names_file_key_value_and_what_is_allowed(
    folder: Write, text: str, problem: str
) -> None:
    (told,) = refusal(folder(tomato=text))
    assert told.startswith(f"tomato.toml: {problem}")


def test_an_unknown_row_is_told_with_the_nearest_and_all(folder: Write) -> None:
    (problem,) = refusal(folder(tomato='emergence_row = "tomatoe"'))
    assert problem.startswith(
        "tomato.toml: emergence_row: 'tomatoe'; did you mean 'tomato'?; allowed:"
    )
    assert "watermelon" in problem


def test_all_problems_of_all_files_are_told_at_once(folder: Write) -> None:
    problems = refusal(
        folder(
            lettuce='code = "lettuce"\ndepth_mm = { low = 0, high = 900, source = "own" }\n',
            onion="title = \n",
            tomato=SEEDLING + 'dli = { low = 10, high = 12, source = "nobody" }',
        )
    )
    assert [problem.split(": ")[:2] for problem in problems] == [
        ["onion.toml", "not valid TOML"],
        ["lettuce.toml", "code"],
        ["lettuce.toml", "depth_mm"],
        ["tomato.toml", "stages.seedling.dli.source"],
    ]


def test_a_new_crop_that_is_a_misspelt_old_one_is_told_so(folder: Write) -> None:
    problems = refusal(folder(tomatoe='title = "Tomato"'))
    assert problems[0] == (
        "tomatoe.toml: no crop 'tomatoe' is shipped, so this is a new one; did you mean 'tomato'?"
    )
    assert any(p.startswith("tomatoe.toml: stages: is missing") for p in problems)


def test_a_new_crop_without_days_or_a_group_that_has_the_rest_is_refused(folder: Write) -> None:
    (_, problem) = refusal(folder(tomatillo=whole_crop(emergence_row="")))
    assert problem.endswith("emergence_row is missing; or give [emergence_days]")
    told = refusal(folder(tomatillo=whole_crop(group="")))
    assert "tomatillo.toml: thinning: is missing; allowed: a table" in told
    assert not any("depth_mm" in problem for problem in told)  # that the file has itself


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (
            '[diary]\nkind = "diary"\ncitation = "My diary"',
            "diary.kind: 'diary'; allowed: published, common-practice, memory, judgement, own",
        ),
        ('[diary]\nkind = "own"', "diary.citation: is missing"),
        (
            '["My Diary"]\nkind = "own"\ncitation = "My diary"',
            "My Diary: 'My Diary'; allowed: small letters, digits and hyphens",
        ),
        (
            '[from-memory]\nkind = "published"\ncitation = "My diary"',
            "from-memory: is in the shipped bibliography; allowed: another key",
        ),
    ],
)
def test_a_bibliography_is_checked_too(folder: Write, text: str, problem: str) -> None:
    (told,) = refusal(folder(sources=text))
    assert told.startswith(f"sources.toml: {problem}")


def test_a_folder_or_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    assert refusal(tmp_path / "none") == [f"{tmp_path}/none: no such folder"]
    (tmp_path / "tomato.toml").write_bytes(b'title = "\xff"\n')
    (tmp_path / "onion.toml").mkdir()
    assert refusal(tmp_path) == [
        "onion.toml: cannot be read: Is a directory",
        "tomato.toml: not UTF-8 text, at byte 9",
    ]


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("title = " + "[" * 50_000, "tables or lists in more than 12 levels"),
        ("title = " + "[" * 20 + "]" * 20, "tables or lists in more than 12 levels"),
        (".".join("a" * 500) + " = 1", "tables or lists in more than 12 levels"),
        ("code = " + "1" * 5_000, "not valid TOML: a number or date that cannot be read"),
    ],
    ids=["open lists", "lists", "dotted key", "5000 digits"],
)
@pytest.mark.parametrize("file", ["tomato", "sources"])
def test_what_python_itself_cannot_take_is_refused_as_clearly(
    folder: Write, file: str, text: str, problem: str
) -> None:
    assert refusal(folder(**{file: text})) == [f"{file}.toml: {problem}"]


@pytest.mark.parametrize("key", ["value", "source"])
def test_a_whole_number_beyond_any_measure_is_refused_by_name(folder: Write, key: str) -> None:
    figure = {"value": "8", "source": '"own"'} | {key: "0x" + "f" * 5_000}
    text = "harden_min_night_c = {{ value = {value}, source = {source} }}".format(**figure)
    (told,) = refusal(folder(tomato=text))
    assert told.startswith(
        f"tomato.toml: harden_min_night_c.{key}: a number of thousands of digits"
    )


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    text = 'harden_min_night_c = { value = 9, source = "own" }\n'
    (tmp_path / "tomato.toml").write_text(text, encoding="utf-8-sig")
    assert load_library(tmp_path).crop("tomato").harden_min_night_c.value == 9


junk = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(10**12), 10**12),
        st.floats(allow_nan=False, allow_infinity=False),
        st.text(st.characters(codec="ascii", categories=["L", "N"]), max_size=8),
    ),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=4,
)
KEYS = [
    "name", "title", "code", "aliases", "emergence_row", "stand_in", "depth_mm", "stages", "depth_mm.low",
    "emergence", "emergence_days", "emergence_days.days", "emergence_days.never",
    "emergence_days.source", "stages.germination", "stages.seedling.mat", "stages.seedling.feed",
    "stages.seedling.feed.source", "stages.germination.soil_best", "stages.germination.soil_best.of",
    "stages.germination.soil_best.source", "stages.hardening.cover", "stages.x", "own",
    "group", "limits", "limits.bulbing", "limits.cold-rot", "limits.cold-rot.hours", "pot_cm",
    "cells_per_tray.usual", "cells_per_tray.also", "light_to_germinate.value", "normal_seedlings_row",
    "limits.chilling-injury.stages", "stages.seedling.feed.interval_days", "normal_seedlings",
]  # fmt: skip


@settings(
    max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(st.sampled_from(KEYS), junk)
def test_whatever_a_file_holds_it_is_loaded_or_refused_by_name(
    tmp_path: Path, key: str, value: Any
) -> None:
    # JSON's numbers, strings and lists are TOML's.
    (tmp_path / "tomato.toml").write_text(f"{key} = {json.dumps(value)}\n", encoding="utf-8")
    refused: tuple[str, ...] = ()
    try:
        loaded = load_library(tmp_path)
    except ProfileError as error:
        loaded, refused = None, error.problems
    assert all(problem.startswith(f"{tmp_path}/tomato.toml: ") for problem in refused)
    assert bool(refused) != bool(loaded and loaded.crop("tomato").emergence.rate(20) >= 0)
