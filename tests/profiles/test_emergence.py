"""The emergence model as a curve: its table's cells, its ends, the integral, and what it refuses.

How well it meets cells that it was not fitted to is in test_emergence_table.py.

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
from scipy.integrate import quad  # type: ignore[import-untyped]

import profiles
from profiles.emergence import EmergenceModel, early_fraction, late_fraction
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
def test_a_crop_has_the_published_days_within_their_rounding(crop: str) -> None:
    model = load_library().crop(crop).emergence
    for temperature, cell in zip(range(0, 45, 5), TABLE[crop], strict=True):
        if isinstance(cell, int):
            assert model.days(temperature) == pytest.approx(cell, abs=0.5 + 0.01 * cell)
        elif cell is None:
            assert model.days(temperature) is None
            assert model.rate(temperature) == 0


@pytest.mark.parametrize("row", ROWS)
def test_where_nothing_came_up_and_beyond_nothing_comes_up(row: str) -> None:
    model = ROWS[row]
    coldest, hottest = model.points[0][0], model.points[-1][0]
    for never in model.never:
        beyond = np.linspace(never, never + (20 if never > hottest else -20), 41)
        assert all(model.rate(t) == 0 for t in beyond)
        inside = never + (-0.01 if never > hottest else 0.01)
        assert (model.rate(inside) > 0) == (never in (coldest - 5, hottest + 5))


def by_linear_algebra(model: EmergenceModel, at: float) -> tuple[float, float]:
    """Log of the days and its standard deviation: the textbook formulas of a Gaussian process
    (Rasmussen and Williams, Gaussian Processes for Machine Learning, equations 2.25 and 2.26)."""
    c = model.common

    def taper(t: float) -> float:
        gaps = [abs(t - one) for one in model.never if one < model.points[0][0]]
        more = [abs(t - one) for one in model.never if one > model.points[-1][0]]
        near = [min(some) for some in (gaps, more) if some]
        return sum(math.log(gap / (gap + c.halved_c)) for gap in near)

    def alike(s: float, t: float) -> float:
        us, ut = (s - 20) / 10, (t - 20) / 10
        r = math.sqrt(5) * abs(s - t) / 5
        local = c.local**2 * c.local_per_10c ** (us + ut) * (1 + r + r * r / 3) * math.exp(-r)
        return float(c.level**2 + c.slope**2 * us * ut + (c.bend * us * ut) ** 2 + local)

    def shared(t: float) -> float:
        return float(np.polynomial.Polynomial(c.mean)((t - 20) / 10))

    tested = [t for t, _ in model.points]
    spread = [np.log(d - 0.5 + (np.arange(1000) + 0.5) / 1000) for _, d in model.points]
    noise = np.diag([s.var() + c.noise**2 for s in spread])
    covariance = np.array([[alike(s, t) for t in tested] for s in tested]) + noise
    away = [s.mean() + taper(t) - shared(t) for t, s in zip(tested, spread, strict=True)]
    near = np.array([alike(at, t) for t in tested])
    mean = shared(at) + near @ np.linalg.solve(covariance, away) - taper(at)
    variance = alike(at, at) - near @ np.linalg.solve(covariance, near) + c.noise**2
    return float(mean), math.sqrt(variance)


@pytest.mark.parametrize("row", ROWS)
def test_a_row_is_the_gaussian_process_that_it_says(row: str) -> None:
    model = ROWS[row]
    for at in np.linspace(model.points[0][0], model.points[-1][0], 23):
        mean, doubt = by_linear_algebra(model, float(at))
        assert model.rate(at) == pytest.approx(math.exp(-mean), rel=2e-3)
        assert model.doubt(at) == pytest.approx(doubt, abs=0.01)


@pytest.mark.parametrize("row", ROWS)
def test_a_row_rises_to_one_best_temperature_and_falls_from_it(row: str) -> None:
    rates = np.array([ROWS[row].rate(t) for t in GRID])
    best = int(rates.argmax())
    highest_so_far = np.maximum.accumulate(rates[: best + 1])
    highest_to_come = np.maximum.accumulate(rates[best:][::-1])[::-1]
    # A shoulder of the row's own is kept; none dips by 3 %.
    assert (rates[: best + 1] >= 0.97 * highest_so_far).all()
    assert (rates[best:] >= 0.97 * highest_to_come).all()


@pytest.mark.parametrize("row", ROWS)
def test_past_the_tested_cells_a_row_ends_within_10_degrees_and_the_table(row: str) -> None:
    model = ROWS[row]
    coldest, hottest = model.points[0][0], model.points[-1][0]
    assert model.rate(max(coldest - 10, -5)) == 0
    assert model.rate(min(hottest + 10, 45)) == 0


def test_past_an_untested_side_the_rate_is_believed_one_step_then_falls_in_a_line() -> None:
    # Cabbage is untested below 10 and above 30 °C: believed from 5 to 35, ended at 0 and 40.
    cabbage = ROWS["cabbage"]
    for believed, end in ((5, 0), (35, 40)):
        assert cabbage.rate((believed + end) / 2) == pytest.approx(cabbage.rate(believed) / 2)
        assert cabbage.rate(end) == 0
    assert cabbage.rate(5) < cabbage.rate(10)


def test_a_row_is_surer_among_its_cells_than_past_them_and_with_finer_days() -> None:
    cabbage = ROWS["cabbage"]
    assert 0.03 < cabbage.doubt(15) < 0.1 < cabbage.doubt(35) < 0.5
    assert cabbage.doubt(-30) == cabbage.doubt(5)
    assert cabbage.doubt(60) == cabbage.doubt(35)
    by_the_hour = EmergenceModel(cabbage.points, rounding=1 / 48)
    assert by_the_hour.doubt(30) < cabbage.doubt(30)
    assert by_the_hour.days(30) == pytest.approx(4, rel=0.02)


def test_two_days_of_one_s_own_borrow_the_rest_from_other_crops() -> None:
    own = EmergenceModel(points=((15.0, 14.0), (25.0, 6.0)))
    assert own.days(20) == pytest.approx(8, rel=0.15)  # tomato, whose days these are, has 8
    assert own.days(30) == pytest.approx(6, rel=0.25)  # and 6
    assert own.doubt(10) > own.doubt(20) > own.doubt(15)
    # That nothing comes up at 5 °C tells how steep it is above: tomato has 43 days at 10 °C.
    cold = EmergenceModel(points=own.points, never=(5.0,))
    assert abs(cold.days(10) - 43) < abs(own.days(10) - 43)  # type: ignore[operator]


def test_days_that_no_grower_waits_are_never() -> None:
    tomato = ROWS["tomato"]
    just_above_zero = next(t for t in np.arange(5, 10, 0.001) if tomato.rate(t) > 0)
    assert tomato.days(just_above_zero) is None


@pytest.mark.parametrize("row", ROWS)
@pytest.mark.parametrize("swing", [3.0, 12.0])
def test_the_integral_of_a_swinging_temperature_is_scipys(row: str, swing: float) -> None:
    """By ticks of a minute, as the daemon counts: over days, and over any part of one."""
    model = ROWS[row]
    middle = sum(t for t, _ in model.points) / len(model.points)

    def soil(days: float) -> float:
        return middle + swing * math.sin(2 * math.pi * days) + math.sin(14.7 * days + 1)

    for hours in (5, 53):
        ticks = [soil(minute / 1440) for minute in range(hours * 60 + 1)]
        by_ticks = sum(model.gain(a, b, 1 / 1440) for a, b in pairwise(ticks))
        pieces = np.linspace(0, hours / 24, 4 * hours + 1)
        exact = sum(
            quad(lambda days: model.rate(soil(days)), a, b, limit=200)[0]
            for a, b in pairwise(pieces)
        )
        assert by_ticks == pytest.approx(exact, rel=1e-3)


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
def test_a_rate_is_never_negative_and_no_seed_is_up_in_hours_whatever_the_soil_reads(
    model: EmergenceModel, soil_c: float
) -> None:
    assert 0 <= model.rate(soil_c) < 5
    assert 0.03 < model.doubt(soil_c) < 10 or math.isnan(soil_c)


@given(models())
def test_where_a_row_says_never_no_rate_is_left(model: EmergenceModel) -> None:
    assert all(model.rate(t) == 0 for t in model.never)


@given(models(), st.floats(-20, 120))
def test_a_rate_does_not_jump_over_one_step_of_the_probe(
    model: EmergenceModel, soil_c: float
) -> None:
    # A line to a "never" 1 °C away is the steepest end; between, the log of the rate goes at 2 or,
    # by the cubic between two knots of a wild row, a few times that per °C.
    step = 1 / 16
    one, other = model.rate(soil_c), model.rate(soil_c + step)
    assert abs(one - other) <= max(one, other, 0.2) * 20 * step


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
        (((15, 14), (20, 8)), (math.nan,), "not a finite number"),
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
    for temperature, _ in model.points:
        rate = model.rate(temperature)
        days = 1 / rate
        up = [
            hour / 24
            for hour in range(int(days * 24) + 1)
            if hour and hour / 24 * rate >= early_fraction(days)
        ]
        assert up[0] == pytest.approx(0.75 * (days - 0.5), abs=1.01 / 24)
        assert len(up) == int(days * 24) - up[0] * 24 + 1  # and from then on, always
