"""The daily light integral against Purdue Extension HO-238-W."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.light import dli, hours_for_dli, ppfd_for_dli


def test_one_micromole_for_a_day_is_the_constant_of_purdue_ho_238_w() -> None:
    assert dli(1, 24) == pytest.approx(0.0864, rel=1e-12)


def test_the_10_mol_of_young_plants_take_174_micromole_at_the_16_h_of_runkle_2007() -> None:
    # Arithmetic of HO-238-W on the figures of Runkle (Michigan State University, 2007) and of
    # Craver, Boldt and Lopez (HortScience 54(1):52, 2019).
    assert ppfd_for_dli(10, 16) == pytest.approx(173.6, abs=0.05)
    assert hours_for_dli(10, 173.6) == pytest.approx(16, abs=0.01)


@given(st.floats(0.1, 2500), st.floats(0.1, 24))
def test_the_three_are_one_equation(ppfd: float, hours: float) -> None:
    light = dli(ppfd, hours)
    assert ppfd_for_dli(light, hours) == pytest.approx(ppfd)
    assert hours_for_dli(light, ppfd) == pytest.approx(hours)


def test_no_light_is_no_light_and_a_weak_lamp_asks_for_more_hours_than_a_day_has() -> None:
    assert dli(0, 16) == dli(200, 0) == ppfd_for_dli(0, 16) == hours_for_dli(0, 200) == 0
    assert hours_for_dli(10, 50) > 24


@pytest.mark.parametrize("hours", [-1, 24.1, float("nan")])
def test_hours_that_no_day_has_are_refused_with_the_range(hours: float) -> None:
    with pytest.raises(ValueError, match=r"hours of light are .*; allowed: 0 to 24"):
        dli(100, hours)
    with pytest.raises(ValueError, match=r"hours of light are .*; allowed: over 0, up to 24"):
        ppfd_for_dli(10, hours)


def test_negative_light_is_refused_with_the_range() -> None:
    with pytest.raises(ValueError, match=r"PPFD is -1 .*; allowed: 0 or more"):
        dli(-1, 16)
    with pytest.raises(ValueError, match=r"DLI is -1 .*; allowed: 0 or more"):
        ppfd_for_dli(-1, 16)
    with pytest.raises(ValueError, match=r"DLI is -1 .*; allowed: 0 or more"):
        hours_for_dli(-1, 100)
    with pytest.raises(ValueError, match=r"PPFD is 0 .*; allowed: over 0"):
        hours_for_dli(10, 0)
