"""°C and °F against the fixed points of the scales and the printed pairs of the emergence table."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.units import (
    celsius_difference_from_f,
    celsius_from_f,
    f_difference_from_celsius,
    f_from_celsius,
    format_difference,
    format_temperature,
)

temperatures = st.floats(-60, 130)


@pytest.mark.parametrize(
    ("f", "c"), [(32, 0), (212, 100), (-40, -40), (50, 10), (86, 30), (95, 35), (104, 40)]
)
def test_both_scales_meet_at_their_fixed_points(f: float, c: float) -> None:
    assert celsius_from_f(f) == pytest.approx(c)
    assert f_from_celsius(c) == pytest.approx(f)


def test_a_difference_has_no_offset() -> None:
    assert celsius_difference_from_f(18) == pytest.approx(10)
    assert f_difference_from_celsius(10) == pytest.approx(18)


@given(temperatures, temperatures)
def test_a_difference_of_temperatures_is_the_difference_converted(a: float, b: float) -> None:
    assert f_from_celsius(a) - f_from_celsius(b) == pytest.approx(
        f_difference_from_celsius(a - b), abs=1e-9
    )


@given(temperatures)
def test_there_and_back_is_the_same_temperature(c: float) -> None:
    assert celsius_from_f(f_from_celsius(c)) == pytest.approx(c, abs=1e-9)


def test_a_person_reads_one_decimal_and_the_unit() -> None:
    assert format_temperature(21.46, "C") == "21.5 °C"
    assert format_temperature(21.5, "F") == "70.7 °F"
    assert format_temperature(21.46, "C", digits=0) == "21 °C"
    assert format_difference(2, "C") == "2.0 °C"
    assert format_difference(2, "F") == "3.6 °F"


@pytest.mark.parametrize("nearly_zero", [-0.04, -0.0, 0.04])
def test_nothing_is_minus_zero(nearly_zero: float) -> None:
    assert format_temperature(nearly_zero, "C") == "0.0 °C"
    assert format_difference(nearly_zero, "C") == "0.0 °C"
