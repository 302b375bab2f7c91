"""Reading crops: what a grower's folder may change, and what each refusal says."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from profiles.library import ProfileError, UnknownCrop, load_library
from profiles.model import Stage

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
    [("Sweet pepper", "pepper"), ("bell-pepper", "pepper"), ("Calabrese", "broccoli")],
)
def test_a_crop_is_found_by_an_alias_of_its_file(name: str, crop: str) -> None:
    assert SHIPPED.crop(name).name == crop


def test_an_unknown_crop_is_told_with_the_nearest_and_all() -> None:
    with pytest.raises(UnknownCrop) as caught:
        SHIPPED.crop("tomatto")
    assert str(caught.value) == (
        "no crop 'tomatto'; did you mean 'tomato'?; known: broccoli, lettuce, onion, pepper, tomato"
    )
    with pytest.raises(UnknownCrop, match="no crop 'rice'; known: broccoli"):
        SHIPPED.crop("rice")


def test_the_library_cannot_be_changed() -> None:
    with pytest.raises(TypeError):
        SHIPPED.crops["x"] = SHIPPED.crop("tomato")  # type: ignore[index]
    with pytest.raises(AttributeError):
        SHIPPED.crops = {}  # type: ignore[misc]


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
    assert list(own.crops) == ["broccoli", "lettuce", "onion", "pepper", "tomatillo", "tomato"]


def test_a_folder_may_add_a_crop_with_days_to_emergence_of_its_own(folder: Write) -> None:
    days = 'emergence_days = { days = [[15, 20], [22.5, 9]], never = [10], source = "own" }'
    crop = load_library(folder(tomatillo=whole_crop(emergence_row=days))).crop("tomatillo")
    assert crop.emergence.days(22.5) == 9
    assert crop.emergence.days(10) is None
    assert (crop.emergence_row, crop.emergence_source) == ("tomatillo", "own")


def test_own_days_to_emergence_go_over_the_row_of_a_shipped_crop(folder: Write) -> None:
    own = load_library(
        folder(broccoli='[emergence_days]\ndays = [[10, 12], [20, 5]]\nsource = "own"\n')
    )
    crop = own.crop("broccoli")
    assert crop.emergence.days(20) == 5
    assert crop.stand_in == ""


def test_a_row_named_for_its_kind_needs_no_stand_in(folder: Write) -> None:
    row = 'emergence_row = "bean (snap)"'
    assert load_library(folder(snap_bean=whole_crop(emergence_row=row))).crop("snap bean")


# Refusing

GERMINATION = "[stages.germination]\n"
SEEDLING = "[stages.seedling]\n"


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


def test_a_new_crop_without_days_or_a_stage_is_refused(folder: Write) -> None:
    (_, problem) = refusal(folder(tomatillo=whole_crop(emergence_row="")))
    assert problem.endswith("emergence_row is missing; or give [emergence_days]")
    text = whole_crop(emergence_row='emergence_row = "tomato"\nstand_in = "alike"')
    (_, problem) = refusal(folder(tomatillo=text.partition("[stages.hardening]")[0]))
    assert problem.endswith("no targets for stage hardening")


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
