"""The shape of a crop: what holds together, and what is refused."""

from __future__ import annotations

from math import nan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from profiles.library import load_library
from profiles.model import Crop, Limit, LimitKind, NormalSeedlings, Stage

TOMATO = load_library().crop("tomato")


def limit(**bound: float) -> Limit:
    return Limit.model_validate(
        {
            "hours": 24,
            "counted": "in all",
            "stages": ["seedling"],
            "consequence": "It sulks.",
            "source": "own",
        }
        | bound
    )


@pytest.mark.parametrize(
    ("bound", "read"),
    [
        ({"soil_below_c": 15.0}, ("soil", "below", 15.0, "°C")),
        ({"soil_above_c": 24.0}, ("soil", "above", 24.0, "°C")),
        ({"air_below_c": 10.0}, ("air", "below", 10.0, "°C")),
        ({"photoperiod_above_h": 12.0}, ("photoperiod", "above", 12.0, "h")),
    ],
)
def test_a_limit_says_what_it_bounds_and_on_which_side_the_harm_is(
    bound: dict[str, float], read: tuple[str, str, float, str]
) -> None:
    found = limit(**bound)
    assert (found.quantity, found.side, found.bound, found.unit) == read
    assert bound == {found.key: found.bound}
    beyond = found.bound + (-0.1 if found.side == "below" else 0.1)
    assert found.exceeded(beyond)
    assert not found.exceeded(found.bound)
    assert not found.exceeded(2 * found.bound - beyond)
    assert not found.exceeded(nan)


def test_a_bound_of_zero_is_a_bound() -> None:
    assert limit(air_below_c=0.0).bound == 0
    with pytest.raises(ValidationError, match="air_below_c and photoperiod_above_h given"):
        limit(air_below_c=0.0, photoperiod_above_h=0.0)


def changed(**changes: Any) -> Crop:
    return Crop.model_validate(TOMATO.model_dump() | {"emergence": TOMATO.emergence} | changes)


def test_a_crop_has_targets_for_every_stage() -> None:
    stages = {k: v for k, v in TOMATO.model_dump()["stages"].items() if k is not Stage.HARDENING}
    with pytest.raises(ValidationError, match="no targets for stage hardening"):
        changed(stages=stages)


def test_a_pot_and_the_time_to_move_into_it_go_together() -> None:
    with pytest.raises(ValidationError, match="pot_cm and pot_on_weeks_from_emergence go together"):
        changed(pot_cm=None)
    assert changed(pot_cm=None, pot_on_weeks_from_emergence=None).pot_cm is None


def test_a_photoperiod_may_not_go_beyond_its_own_limit() -> None:
    bulbing = limit(photoperiod_above_h=14.0).model_dump()
    with pytest.raises(
        ValidationError,
        match=r"stages.seedling.photoperiod_h goes up to 16 h; "
        r"allowed: not above limits.bulbing.photoperiod_above_h, 14 h",
    ):
        changed(limits={LimitKind.BULBING: bulbing})
    # In hardening no lamp is asked for, so no photoperiod is too long.
    assert changed(limits={"bulbing": bulbing | {"stages": ["hardening"]}}).limits


def test_cold_that_is_only_tallied_does_not_rule_out_a_cold_target() -> None:
    night = TOMATO.stages[Stage.HARDENING].air_night
    assert night is not None
    chill = limit(air_below_c=night.high + 5).model_dump() | {"stages": ["hardening"]}
    assert changed(limits={"chilling-injury": chill}).limits


def test_every_part_with_a_source_is_listed_by_its_place() -> None:
    places = dict(TOMATO.sourced())
    assert places["stages.germination.soil_best"] is TOMATO.stages[Stage.GERMINATION].soil_best
    assert places["stages.growing-on.feed.interval_days"] is not None
    assert places["limits.cold-rot"] is TOMATO.limits[LimitKind.COLD_ROT]
    assert places["depth_mm"] is TOMATO.depth_mm
    assert len(places) == len(list(TOMATO.sourced()))


# Percentages


@pytest.mark.parametrize(
    ("points", "problem"),
    [
        ([], "at least 1"),
        ([(20.0, 0.0), (25.0, 0.0)], "no temperature gives a seedling"),
        ([(25.0, 50.0), (20.0, 50.0)], "20 °C comes after 25 °C; allowed: rising order"),
        ([(20.0, 50.0), (20.0, 60.0)], "20 °C comes after 20 °C; allowed: rising order"),
        ([(20.0, 101.0)], "less than or equal to 100"),
    ],
)
def test_percentages_are_in_order_and_not_all_zero(
    points: list[tuple[float, float]], problem: str
) -> None:
    with pytest.raises(ValidationError, match=problem):
        NormalSeedlings(points=tuple(points))


@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.integers(1, 100)), min_size=1, max_size=9,
        unique_by=lambda point: point[0],
    ),
    st.floats(-10, 50),
)  # fmt: skip
def test_a_percentage_is_known_just_between_the_ends_and_100_at_the_best(
    cells: list[tuple[int, int]], soil_c: float
) -> None:
    points = tuple((float(t), float(percent)) for t, percent in sorted(cells))
    row = NormalSeedlings(points=points)
    assert max(row.percent(t) or 0.0 for t, _ in points) == 100
    percent = row.percent(soil_c)
    assert (percent is None) == (not points[0][0] <= soil_c <= points[-1][0])
    assert percent is None or 0 < percent <= 100 + 1e-9
