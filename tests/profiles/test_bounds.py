"""One wording for what is out of range."""

from __future__ import annotations

import math

import pytest

from profiles.bounds import check, check_over_0, check_rising, check_whole


@pytest.mark.parametrize("value", [-0.1, 24.1, math.nan, math.inf, -math.inf])
def test_a_figure_out_of_range_is_refused_with_its_unit(value: float) -> None:
    with pytest.raises(ValueError, match=rf"^day is {value:g} h; allowed: 0 to 24$"):
        check("day", value, 0, 24, "h")
    check("day", 0, 0, 24)
    check("day", 24, 0, 24)


@pytest.mark.parametrize("value", [0, -1, math.nan, math.inf])
def test_what_must_be_over_0_is_refused_otherwise(value: float) -> None:
    with pytest.raises(ValueError, match=rf"^light is {value:g}; allowed: over 0$"):
        check_over_0("light", value)
    check_over_0("light", 1e-9)


@pytest.mark.parametrize("value", [0, 6, True, 2.0, "2"])
def test_only_whole_numbers_count(value: object) -> None:
    with pytest.raises(ValueError, match=rf"^trays is {value}; allowed: whole, 1 to 5$"):
        check_whole("trays", value, 1, 5)  # type: ignore[arg-type]
    check_whole("trays", 5, 1, 5)


def test_a_span_rises_within_its_range() -> None:
    check_rising("weeks", (4, 4, 6), 1, 52)
    with pytest.raises(ValueError, match=r"^weeks is 6 to 4; allowed: rising$"):
        check_rising("weeks", (6, 4), 1, 52)
    with pytest.raises(ValueError, match=r"^weeks is 60; allowed: 1 to 52$"):
        check_rising("weeks", (6, 60), 1, 52)
