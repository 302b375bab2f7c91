"""`crops` as it is typed: every figure of a crop, and how warm to germinate one or several."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from typer.testing import Result

from profiles.library import load_library
from profiles.model import Crop

Program = Callable[..., Result]
CROPS = load_library().crops


def result(done: Result) -> Any:
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)["result"]


@pytest.mark.parametrize("crop", CROPS.values(), ids=CROPS)
def test_a_sheet_shows_every_figure_s_source_and_cites_it(crop: Crop, hotbed: Program) -> None:
    done = hotbed("crops", "show", crop.name)
    assert done.exit_code == 0, done.output
    assert max(map(len, done.stdout.splitlines())) <= 80
    sheet, _, books = done.stdout.partition("\nSources\n")
    for _, part in crop.sourced():
        assert getattr(part, "source") in books  # noqa: B009 - not every part has one
    for limit in crop.limits:
        assert limit.value.replace("-", " ") in sheet


def test_what_each_temperature_comes_to_is_told_with_the_assumption(hotbed: Program) -> None:
    text = hotbed("crops", "show", "tomato", "--room", "16C").stdout
    assert "in a room of 16.0 °C" in text
    assert "1.84 W" in text
    table = result(hotbed("crops", "show", "tomato", "--room", "16C", "--trays", "2", "--json"))
    told = table["germinating"]
    assert told["room_c"] == 16.0
    row = next(row for row in told["temperatures"] if row["soil_c"] == 25.0)
    assert row["mat_w"] == pytest.approx(9 * 2 * 18 / 9.8)
    assert told["aim_c"] in [row["soil_c"] for row in told["temperatures"]]
    warm = result(hotbed("crops", "show", "tomato", "--room", "60.8F", "--json"))
    assert warm["germinating"]["room_c"] == pytest.approx(16.0)


def test_several_crops_get_one_temperature_and_why(hotbed: Program) -> None:
    done = hotbed("crops", "share", "tomato", "pepper", "lettuce")
    text = " ".join(done.stdout.split())
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "Aim for soil at 24.0 °C" in text
    assert "Kindest to all" in text
    assert "all accept 20.0 to 24.0 °C" in text
    told = result(hotbed("crops", "share", "tomato", "pepper", "lettuce", "--json"))
    assert (told["soil_c"], told["fits"]) == (24.0, True)
    pepper = told["crops"]["pepper"]
    assert pepper["here"]["half_up"]["mid"] > pepper["alone"]["half_up"]["mid"]


def test_crops_that_cannot_share_are_parted(hotbed: Program) -> None:
    text = " ".join(hotbed("crops", "share", "spinach", "watermelon", "okra").stdout.split())
    assert "can't share a bench well" in text
    told = result(hotbed("crops", "share", "spinach", "watermelon", "okra", "--json"))
    assert told["fits"] is False
    assert told["benches"] == [["spinach"], ["watermelon", "okra"]] or told["benches"] == [
        ["spinach"],
        ["okra", "watermelon"],
    ]


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["show"], 2, "which one"),
        (["share"], 2, "which one"),
        (["tomato"], 2, "crops show tomato"),
        (["show", "tomato", "pepper"], 2, "crops share tomato pepper"),
        (["show", "tomto"], 1, "did you mean 'tomato'?"),
        (["show", "tomato", "--room", "warm"], 2, "18C or 64F"),
        (["show", "tomato", "--room", "90C"], 2, "allowed: -10 to 40"),
        (["share", "tomato", "--room", "90C"], 2, "allowed: -10 to 40"),
        (["show", "tomato", "--trays", "0"], 2, "trays"),
    ],
)
def test_what_is_not_understood_is_refused_with_what_is(
    words: list[str], status: int, said: str, hotbed: Program
) -> None:
    done = hotbed("crops", *words)
    assert done.exit_code == status, done.output
    assert said in done.stderr
