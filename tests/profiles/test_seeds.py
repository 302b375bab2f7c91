"""Seeds to sow, against SciPy's binomial, beta-binomial and exact interval."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]

from profiles.seeds import (
    at_least,
    chance_of_stand,
    clopper_pearson,
    germination_by_packet,
    germination_by_test,
    places_for,
)


@given(st.integers(0, 400), st.integers(0, 400), st.floats(0.001, 0.999))
def test_the_chance_of_a_stand_is_scipys_binomial(stand: int, seeds: int, share: float) -> None:
    assert at_least(stand, seeds, share) == pytest.approx(
        stats.binom.sf(stand - 1, seeds, share), rel=1e-8, abs=1e-12
    )


@settings(deadline=None)
@given(
    st.integers(1, 300), st.floats(20, 100), st.integers(1, 4), st.sampled_from([0.5, 0.9, 0.99])
)
def test_the_places_are_the_fewest_that_make_the_stand_sure_by_scipys_binomial(
    stand: int, percent: float, each: int, assurance: float
) -> None:
    places = places_for(
        stand, germination_by_packet(percent), seeds_per_place=each, assurance=assurance
    )
    filled = 1 - (1 - percent / 100) ** each
    assert stats.binom.sf(stand - 1, places, filled) >= assurance - 1e-9
    assert stats.binom.sf(stand - 1, places - 1, filled) < assurance + 1e-9


@settings(deadline=None)
@given(st.integers(1, 60), st.integers(0, 120), st.integers(1, 100), st.data())
def test_after_a_test_the_chance_is_scipys_beta_binomial(
    stand: int, more: int, sown: int, data: st.DataObject
) -> None:
    sprouted = data.draw(st.integers(0, sown))
    found = chance_of_stand(stand, stand + more, germination_by_test(sprouted, sown))
    expected = stats.betabinom.sf(stand - 1, stand + more, sprouted + 0.5, sown - sprouted + 0.5)
    assert found == pytest.approx(expected, abs=1e-5)


@given(st.integers(1, 200), st.data(), st.sampled_from([0.8, 0.95, 0.99]))
def test_the_interval_of_a_test_is_scipys_exact_one(
    sown: int, data: st.DataObject, confidence: float
) -> None:
    sprouted = data.draw(st.integers(0, sown))
    exact = stats.binomtest(sprouted, sown).proportion_ci(confidence, method="exact")
    assert clopper_pearson(sprouted, sown, confidence) == pytest.approx(
        (exact.low, exact.high), abs=1e-9
    )


def test_twenty_plants_of_good_seed_take_24_seeds_or_21_cells_of_two() -> None:
    good = germination_by_packet(90)
    assert places_for(20, good) == 24
    assert places_for(20, good, seeds_per_place=2) == 21


def test_a_small_test_asks_for_more_seeds_than_a_large_one_of_the_same_result() -> None:
    packet, large, small = (
        places_for(50, germination)
        for germination in (
            germination_by_packet(80),
            germination_by_test(80, 100),
            germination_by_test(8, 10),
        )
    )
    assert packet < large < small


@given(st.floats(1, 100), st.floats(0, 20), st.floats(0, 20), st.floats(1, 10))
def test_older_seed_never_germinates_better_nor_better_than_its_packet(
    percent: float, age: float, more: float, longevity: float
) -> None:
    younger = germination_by_packet(percent, age, longevity).share
    older = germination_by_packet(percent, age + more, longevity).share
    assert older <= younger + 1e-12
    assert younger <= percent / 100 + 1e-12


def test_half_of_a_good_lot_comes_up_at_the_end_of_its_longevity() -> None:
    assert germination_by_packet(90, 4, 4).share == pytest.approx(0.5)
    # Half of the way in probits: 1.2816 / 2 = 0.6408, which is 73.9 % in tables of the normal.
    assert germination_by_packet(90, 2, 4).share == pytest.approx(0.739, abs=5e-4)
    assert germination_by_packet(60, 4, 4).share < 0.2


def test_seed_that_cannot_be_counted_on_is_refused_with_what_to_do() -> None:
    with pytest.raises(ValueError, match=r"own test: 0 of 10\).*buy fresh seed, or test more"):
        places_for(20, germination_by_test(0, 10))
    with pytest.raises(ValueError, match=r"packet: 0.1 %\).*buy fresh seed"):
        places_for(20, germination_by_packet(0.1))


def test_what_is_out_of_range_is_refused_with_name_value_and_range() -> None:
    with pytest.raises(ValueError, match=r"germination is 0 %; allowed: over 0, up to 100"):
        germination_by_packet(0)
    with pytest.raises(ValueError, match=r"age of the seed is -1 years; allowed: 0 to 50"):
        germination_by_packet(90, -1)
    with pytest.raises(ValueError, match=r"3 years old, and how long it keeps is not known"):
        germination_by_packet(90, 3)
    with pytest.raises(ValueError, match=r"longevity of the seed is 0 years; allowed: 0.5 to 50"):
        germination_by_packet(90, 3, 0)
    with pytest.raises(
        ValueError, match=r"number of seeds tested is 0; allowed: whole, 1 to 10000"
    ):
        germination_by_test(0, 0)
    with pytest.raises(
        ValueError, match=r"number of seeds sprouted is 11; allowed: whole, 0 to 10"
    ):
        germination_by_test(11, 10)
    good = germination_by_packet(90)
    with pytest.raises(
        ValueError, match=r"number of seedlings wanted is 0; allowed: whole, 1 to 10000"
    ):
        places_for(0, good)
    with pytest.raises(ValueError, match=r"assurance is 1; allowed: 0.5 to 0.999"):
        places_for(10, good, assurance=1)
    with pytest.raises(ValueError, match=r"number of seeds per cell is 0; allowed: whole, 1 to 12"):
        places_for(10, good, seeds_per_place=0)
