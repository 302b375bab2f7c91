"""The emergence model against the published table it is made from, and against SciPy.

Table: J. F. Harrington and P. A. Minges, Vegetable Seed Germination, California Agricultural
Extension mimeo leaflet (1954), as adapted in Lorenz and Maynard, Knott's Handbook for Vegetable
Growers (1997).
"""

from __future__ import annotations

import copy
import csv
import math
import pickle
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator  # type: ignore[import-untyped]

import profiles
from profiles.emergence import EmergenceModel, early_fraction, late_fraction, may_be_up
from profiles.library import load_library

DATA = Path(profiles.__file__).parent / "data"
GRID = np.arange(-20, 61, 1 / 16)  # the probe's own steps

# Typed from the table: days at 0, 5, ... 40 °C; None is "no germination", "-" is not tested.
TABLE: dict[str, list[float | str | None]] = {
    "tomato": [None, None, 43, 14, 8, 6, 6, 9, None],
    "pepper": [None, None, None, 25, 13, 8, 8, 9, None],
    "broccoli": ["-", "-", 15, 9, 6, 5, 4, "-", "-"],  # cabbage's row, its stand-in
    "lettuce": [49, 15, 7, 4, 3, 2, 3, None, None],
    "onion": [136, 31, 13, 7, 5, 4, 4, 13, None],
}


def rows() -> dict[str, EmergenceModel]:
    lines = (DATA / "emergence_days.csv").read_text(encoding="utf-8").splitlines()
    table = csv.reader(line for line in lines if not line.startswith("#"))
    temperatures = [float(heading.removesuffix("C")) for heading in next(table)[1:]]
    return {
        name: EmergenceModel(
            points=tuple(
                (t, float(cell))
                for t, cell in zip(temperatures, cells, strict=True)
                if cell.isdigit()
            ),
            never=tuple(t for t, cell in zip(temperatures, cells, strict=True) if cell == "NG"),
        )
        for name, *cells in table
    }


ROWS = rows()


def test_the_table_has_all_its_crops() -> None:
    assert len(ROWS) == 24


@pytest.mark.parametrize("crop", TABLE)
def test_a_crop_has_the_published_days_at_the_published_temperatures(crop: str) -> None:
    model = load_library().crop(crop).emergence
    for temperature, cell in zip(range(0, 45, 5), TABLE[crop], strict=True):
        if isinstance(cell, int):
            assert model.days(temperature) == pytest.approx(cell, rel=1e-12)
        elif cell is None:
            assert model.days(temperature) is None
            assert model.rate(temperature) == 0


@pytest.mark.parametrize("row", ROWS)
def test_every_row_is_met_at_its_cells_and_is_0_where_nothing_came_up(row: str) -> None:
    model = ROWS[row]
    for temperature, days in model.points:
        assert model.days(temperature) == pytest.approx(days, rel=1e-12)
    for temperature in model.never:
        assert model.rate(temperature) == 0


@pytest.mark.parametrize("row", ROWS)
def test_between_tested_cells_it_is_scipys_shape_preserving_cubic_of_the_log_rate(row: str) -> None:
    model = ROWS[row]
    temperatures, days = np.array(model.points).T
    inside = [float(t) for t in GRID if temperatures[0] <= t <= temperatures[-1]]
    expected = np.exp(PchipInterpolator(temperatures, -np.log(days))(inside))
    assert [model.rate(t) for t in inside] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("row", ROWS)
def test_between_two_cells_a_row_only_rises_or_only_falls(row: str) -> None:
    model = ROWS[row]
    for (cooler, days_cooler), (warmer, days_warmer) in pairwise(model.points):
        rates = [model.rate(t) for t in np.linspace(cooler, warmer, 81)]
        steps = np.diff(rates) * math.copysign(1, days_cooler - days_warmer)
        assert (steps >= -1e-12).all()


@pytest.mark.parametrize("row", ROWS)
def test_beyond_the_tested_cells_a_row_falls_to_nothing_within_10_degrees(row: str) -> None:
    model = ROWS[row]
    coldest, hottest = model.points[0][0], model.points[-1][0]
    colder = [model.rate(coldest - step) for step in np.linspace(0, 12, 97)]
    hotter = [model.rate(hottest + step) for step in np.linspace(0, 12, 97)]
    for rates in (colder, hotter):
        assert all(after <= before for before, after in pairwise(rates))
        assert rates[80] == 0


def test_the_cold_end_of_an_untested_side_is_the_base_of_thermal_time() -> None:
    # 10 °C: 15 days, 15 °C: 9 days: the line through both rates meets 0 at 2.5 °C.
    cabbage = ROWS["cabbage"]
    assert cabbage.rate(2.5) == pytest.approx(0, abs=1e-12)
    assert cabbage.rate(2.4) == 0
    assert cabbage.rate(6.25) == pytest.approx(1 / 30)


def test_days_that_no_grower_waits_are_never() -> None:
    tomato = ROWS["tomato"]
    just_above_zero = next(t for t in np.arange(7, 10, 0.001) if tomato.rate(t) > 0)
    assert tomato.days(just_above_zero) is None


@st.composite
def models(draw: st.DrawFn) -> EmergenceModel:
    """Any row that a table or a grower could hold, in steps of 1 °C or more."""
    gaps = draw(st.lists(st.floats(1, 10), min_size=3, max_size=9))
    at = [draw(st.floats(0, 10))]
    for gap in gaps:
        at.append(at[-1] + gap)
    first = draw(st.integers(0, len(at) - 2))
    last = draw(st.integers(first + 2, len(at)))
    return EmergenceModel(
        points=tuple((t, draw(st.integers(1, 200))) for t in at[first:last]),
        never=tuple(t for t in [*at[:first], *at[last:]] if draw(st.booleans())),
    )


@given(models(), st.floats())
def test_a_rate_is_finite_and_never_negative_whatever_the_soil_reads(
    model: EmergenceModel, soil_c: float
) -> None:
    assert 0 <= model.rate(soil_c) < math.inf


@given(models(), st.floats(-20, 120))
def test_a_rate_is_never_over_that_of_the_best_tested_cell(
    model: EmergenceModel, soil_c: float
) -> None:
    assert model.rate(soil_c) <= max(1 / days for _, days in model.points) * (1 + 1e-12)


@given(models(), st.floats(-20, 120))
def test_a_rate_does_not_jump_over_one_step_of_the_probe(
    model: EmergenceModel, soil_c: float
) -> None:
    # A shape-preserving cubic is at most three times as steep as the chord over its cell; the ends
    # fall over the distance to the next "never" (1 °C or more here), over 10 °C, or along the chord.
    best = max(1 / days for _, days in model.points)
    steepest = max(
        abs(math.log(d0 / d1)) / (t1 - t0) for (t0, d0), (t1, d1) in pairwise(model.points)
    )
    per_c = best * max(3 * steepest, 1) + max(
        abs(1 / d1 - 1 / d0) / (t1 - t0) for (t0, d0), (t1, d1) in pairwise(model.points)
    )
    step = 1 / 16
    assert abs(model.rate(soil_c + step) - model.rate(soil_c)) <= per_c * step + 1e-12


@given(models())
def test_between_two_tested_cells_a_rate_stays_between_theirs(model: EmergenceModel) -> None:
    for (t0, d0), (t1, d1) in pairwise(model.points):
        low, high = sorted([1 / d0, 1 / d1])
        for t in np.linspace(t0, t1, 13):
            assert low * (1 - 1e-9) <= model.rate(float(t)) <= high * (1 + 1e-9)


def test_a_model_is_a_value_that_copies_pickles_and_hashes() -> None:
    tomato = ROWS["tomato"]
    for twin in (pickle.loads(pickle.dumps(tomato)), copy.deepcopy(tomato), copy.copy(tomato)):
        assert twin == tomato
        assert hash(twin) == hash(tomato)
        assert twin.rate(23.4) == tomato.rate(23.4)


@pytest.mark.parametrize(
    ("points", "never", "message"),
    [
        (((20, 8),), (), "at two temperatures or more"),
        (((20, 8), (15, 14)), (), "15 °C comes after 20 °C; allowed: rising order"),
        (((15, 14), (15, 14)), (), "15 °C comes after 15 °C; allowed: rising order"),
        (((15, 14), (20, 0)), (), "0 days at 20 °C; allowed: over 0, up to 365"),
        (((15, 14), (20, math.nan)), (), "nan days at 20 °C; allowed: over 0, up to 365"),
        (((15, 14), (math.inf, 8)), (), "not a finite number"),
        (((15, 14), (20, 8)), (17,), "nothing comes up at 17 °C, yet something does at 15 and 20"),
    ],
)
def test_a_row_that_makes_no_sense_is_refused(
    points: tuple[tuple[float, float], ...], never: tuple[float, ...], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        EmergenceModel(points=points, never=never)


def test_the_early_edge_allows_for_days_that_were_rounded() -> None:
    # Three quarters of the way is common practice, no source.
    assert early_fraction(2) == pytest.approx(0.75 * 1.5 / 2)
    assert early_fraction(20) == pytest.approx(0.75 * 19.5 / 20)
    assert early_fraction(0.5) == early_fraction(0) == 0


@given(st.floats(0.01, 365))
def test_the_table_s_own_day_lies_between_the_early_and_the_late_edge(days: float) -> None:
    assert early_fraction(days) < 1 < late_fraction(days)


def test_the_late_edge_leans_late_and_more_so_for_quick_crops() -> None:
    # 1.75 times is common practice, no source.
    assert late_fraction(2) == pytest.approx(1.75 * 2.5 / 2)
    assert late_fraction(2) > late_fraction(20) > 1.75


@pytest.mark.parametrize("crop", TABLE)
def test_at_a_steady_temperature_the_first_may_be_up_before_the_table_says_so(crop: str) -> None:
    model = load_library().crop(crop).emergence
    for temperature, days in model.points:
        rate = model.rate(temperature)
        up = [
            hour / 24
            for hour in range(int(days * 24) + 1)
            if may_be_up(hour / 24 * rate, hour / 24)
        ]
        assert up[0] == pytest.approx(0.75 * (days - 0.5), abs=1.01 / 24)
        assert len(up) == pytest.approx((days - up[0]) * 24 + 1)  # and from then on, always


def test_a_batch_that_has_not_moved_cannot_be_up() -> None:
    assert not may_be_up(0, 0)
    assert not may_be_up(0, 30)
    assert may_be_up(1, 6)


@given(st.floats(0, 10), st.floats(0, 1000))
def test_the_edge_is_told_for_any_progress_and_time(progress: float, elapsed_days: float) -> None:
    assert may_be_up(progress, elapsed_days) or progress < 0.75
