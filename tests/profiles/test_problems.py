"""Refusals read alike: the place, the value as its writer knows it, what is allowed, a near miss."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from profiles.problems import explain, nearest

Word = Annotated[
    str,
    Field(min_length=2, max_length=8, pattern="^[a-z]+$", description="small letters"),
]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class Ladle(_Part):
    kind: Literal["ladle"]
    millilitres: Annotated[int, Field(ge=5, le=1234567)]


class Spoon(_Part):
    kind: Literal["spoon"]


class Pot(_Part):
    name: Word = "pot"
    litres: Annotated[float, Field(gt=0, lt=40)] = 1
    depth: Annotated[float, Field(ge=0)] | None = None
    tilt: Annotated[float, Field(lt=0)] = -1
    clay: bool = False
    colour: Literal["terracotta", "black", "green"] = "black"
    tool: Annotated[Ladle | Spoon, Field(discriminator="kind")] | None = None
    bought: date | None = None
    photo: Annotated[Path | None, Field(strict=False)] = None
    either: int | str = 0

    @field_validator("name")
    @classmethod
    def _no_pan(cls, value: str) -> str:
        if value == "pan":
            raise ValueError("a pan is not a pot")
        return value

    @model_validator(mode="after")
    def _fits(self) -> Pot:
        if self.clay and self.colour == "green":
            raise ValueError("clay is not green\nand green is not clay")
        if self.litres == 13:
            raise ValueError
        return self


class Shed(_Part):
    pot: Annotated[dict[Word, Pot], Field(min_length=1, max_length=3)]
    shelf: Annotated[list[Pot], Field(max_length=2)] = []
    door: Literal["door"] = "door"


def _said(data: Any) -> list[str]:
    with pytest.raises(ValidationError) as caught:
        Shed.model_validate(data)
    return explain(caught.value, Shed)


def _said_of_pot(**pot: Any) -> list[str]:
    return _said({"pot": {"big": pot}})


@pytest.mark.parametrize(
    ("pot", "line"),
    [
        ({"litres": 0}, "pot.big.litres: 0; allowed: over 0 to under 40"),
        ({"litres": 40.0}, "pot.big.litres: 40.0; allowed: over 0 to under 40"),
        ({"litres": float("nan")}, "pot.big.litres: nan; allowed: over 0 to under 40"),
        ({"litres": "9"}, "pot.big.litres: '9'; allowed: over 0 to under 40 (a number)"),
        ({"litres": True}, "pot.big.litres: true; allowed: over 0 to under 40 (a number)"),
        ({"litres": None}, "pot.big.litres: null; allowed: over 0 to under 40 (a number)"),
        ({"litres": [9]}, "pot.big.litres: a list; allowed: over 0 to under 40 (a number)"),
        ({"litres": {"l": 9}}, "pot.big.litres: a table; allowed: over 0 to under 40 (a number)"),
        ({"depth": -2}, "pot.big.depth: -2; allowed: at least 0"),
        ({"tilt": 0}, "pot.big.tilt: 0; allowed: under 0"),
        ({"clay": "yes"}, "pot.big.clay: 'yes'; allowed: true or false"),
        ({"name": "Big"}, "pot.big.name: 'Big'; allowed: small letters, 2 to 8 characters"),
        (
            {"name": "b" * 9},
            f"pot.big.name: {'b' * 9!r}; allowed: small letters, 2 to 8 characters",
        ),
        ({"name": 5}, "pot.big.name: 5; allowed: small letters, 2 to 8 characters (text)"),
        ({"name": "pan"}, "pot.big.name: 'pan': a pan is not a pot"),
        (
            {"colour": "blak"},
            "pot.big.colour: 'blak'; did you mean 'black'?; allowed: terracotta, black, green",
        ),
        ({"colour": 3}, "pot.big.colour: 3; allowed: terracotta, black, green"),
        ({"bought": 5}, "pot.big.bought: 5; allowed: a date, YYYY-MM-DD"),
        ({"photo": 5}, "pot.big.photo: 5; allowed: the name of a file or folder"),
        ({"collor": "red"}, "pot.big.collor: no such key; did you mean 'colour'?"),
        ({"tool": 5}, "pot.big.tool: 5; allowed: a table"),
        ({"tool": {}}, "pot.big.tool.kind: is missing; allowed: ladle, spoon"),
        (
            {"tool": {"kind": "spon"}},
            "pot.big.tool.kind: 'spon'; did you mean 'spoon'?; allowed: ladle, spoon",
        ),
        ({"tool": {"kind": ["spoon"]}}, "pot.big.tool.kind: a list; allowed: ladle, spoon"),
        (
            {"tool": {"kind": "ladle", "millilitres": 2}},
            "pot.big.tool.millilitres: 2; allowed: 5 to 1234567",
        ),
        (
            {"tool": {"kind": "ladle"}},
            "pot.big.tool.millilitres: is missing; allowed: 5 to 1234567",
        ),
        ({"litres": 13}, "pot.big: not allowed"),
    ],
)
def test_one_line_names_place_value_and_what_is_allowed(pot: dict[str, Any], line: str) -> None:
    assert _said_of_pot(**pot) == [line]


def test_an_unknown_key_that_resembles_nothing_is_told_the_known_ones() -> None:
    (line,) = _said_of_pot(zzzzzz=1)
    assert line.startswith("pot.big.zzzzzz: no such key; known: bought, clay, colour, ")


def test_list_items_are_counted_from_one() -> None:
    assert _said({"pot": {"big": {}}, "shelf": [{}, {"litres": 41}]}) == [
        "shelf[2].litres: 41; allowed: over 0 to under 40"
    ]


def test_too_few_and_too_many_are_counted() -> None:
    assert _said({"pot": {}, "shelf": [{}, {}, {}]}) == [
        "pot: 0 entries; allowed: a table of 1 to 3 entries",
        "shelf: 3 entries; allowed: a list of at most 2 entries",
    ]


def test_a_key_that_is_no_name_is_told_what_a_name_is() -> None:
    assert _said({"pot": {"Big": {}}}) == [
        "pot.Big: 'Big'; allowed: small letters, 2 to 8 characters"
    ]


def test_what_is_wrong_at_the_top_is_told_without_a_place() -> None:
    assert _said([]) == ["top level: a list; allowed: a table"]
    assert _said({}) == ["pot: is missing; allowed: a table of 1 to 3 entries"]
    assert _said({"pot": {"big": {}}, "door": "gate"}) == ["door: 'gate'; allowed: door"]


def test_a_validator_that_finds_two_things_gets_two_lines() -> None:
    assert _said_of_pot(clay=True, colour="green") == [
        "pot.big: clay is not green",
        "pot.big: and green is not clay",
    ]


def test_every_problem_is_told_at_once() -> None:
    assert len(_said({"pot": {"big": {"litres": 0, "clay": 1}}, "shelf": 5, "dor": 1})) == 4


def test_a_choice_of_types_is_told_in_the_validator_s_words() -> None:
    lines = _said_of_pot(either=[])
    assert lines
    assert all(line.startswith("pot.big.either") for line in lines)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("x" * 500, "'" + "x" * 58 + "…"),
        (16**5000, "a number of thousands of digits"),
        ("\x1b[2J", r"'\x1b[2J'"),
        ("\ud800", r"'\ud800'"),
    ],
    ids=["long", "huge", "escape", "surrogate"],
)
def test_a_value_is_shown_in_bounded_printable_text(value: Any, shown: str) -> None:
    (line,) = _said_of_pot(clay=value)
    assert line == f"pot.big.clay: {shown}; allowed: true or false"


def test_a_key_is_shown_in_bounded_printable_text() -> None:
    (line,) = _said_of_pot(**{"\x1b]0;\ud800" + "x" * 500: 1})
    assert line.isprintable()
    assert len(line) < 300


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters()),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from([*Pot.model_fields, *Shed.model_fields, "kind", "big", "[key]"])
            | st.text(st.characters(), max_size=5),
            inner,
            max_size=4,
        )
    ),
    max_leaves=20,
)


@given(_JSON)
def test_whatever_is_refused_is_refused_in_printable_lines(data: Any) -> None:
    found, lines = 0, []
    try:
        Shed.model_validate(data)
    except ValidationError as error:
        found, lines = error.error_count(), explain(error, Shed)
    assert len(lines) >= found
    for line in lines:
        assert line
        assert line.isprintable()


@pytest.mark.parametrize(
    ("word", "hint"),
    [("tomto", "; did you mean 'tomato'?"), ("TOMATO", "; did you mean 'tomato'?"), ("zzz", "")],
)
def test_only_a_near_miss_is_guessed_at(word: str, hint: str) -> None:
    assert nearest(word, ["tomato", "pepper"]) == hint
