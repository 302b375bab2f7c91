"""What germinating at a temperature comes to, and the one that several crops share."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.sharing import aim_of
from daemon.state import Batch
from profiles.library import load_library
from profiles.model import Crop, Stage
from profiles.setpoint import (
    STEP_C,
    WATTS_PER_C,
    benches_for,
    best_c,
    best_shared,
    kindest,
    trade,
    trade_off,
)
from sim.thermal import SEED_DEPTH_MM, ThermalNetwork, soil_site

CROPS = load_library().crops
#: By name, for a crop is long to print.
some = st.lists(st.sampled_from(sorted(CROPS)), min_size=1, max_size=6, unique=True)


@pytest.mark.parametrize("room_c", [12.0, 18.0, 22.0])
def test_the_watts_of_a_degree_are_those_of_the_simulated_tray(room_c: float) -> None:
    """Settled under its cover at the depth of the seed, in another part of the program."""
    net = ThermalNetwork(mat_watts=18.0, covered=True, room_c=room_c)
    net.settle(room_c, mat_on=True)
    lift = net.at(soil_site(SEED_DEPTH_MM, net.figures), room_c) - room_c
    assert pytest.approx(18.0 / lift, rel=0.03) == WATTS_PER_C


def test_kwh_are_watts_times_the_days_until_half_are_up() -> None:
    row = trade(CROPS["tomato"], 25.0, 18.0, trays=2, watts_per_c=2.0)
    assert row.mat_w == pytest.approx(7 * 2 * 2)
    assert row.half_up is not None
    assert row.mat_kwh == pytest.approx(28 * row.half_up.mid * 24 / 1000)
    assert row.half_up.low < row.half_up.mid < row.half_up.high
    # In a room as warm as the aim the mat has nothing to do.
    assert trade(CROPS["tomato"], 25.0, 26.0).mat_kwh == 0.0


def test_days_and_percent_at_a_tested_temperature_are_near_the_published_ones() -> None:
    """Harrington and Minges 1954: tomato at 25 °C is up in 6 days, with 97 % normal seedlings; its best
    is 98 %, at 15 and 20 °C."""
    row = trade(CROPS["tomato"], 25.0, 18.0)
    assert row.table_days == pytest.approx(6, abs=0.6)
    assert row.normal_percent == pytest.approx(100 * 97 / 98)


def test_where_nothing_comes_up_there_are_no_days_and_no_kwh() -> None:
    row = trade(CROPS["lettuce"], 40.0, 18.0)
    assert (row.table_days, row.half_up, row.mat_kwh) == (None, None, None)


@pytest.mark.parametrize("crop", CROPS.values(), ids=CROPS)
def test_the_table_goes_by_steps_over_all_that_a_crop_accepts_with_its_aim(crop: Crop) -> None:
    rows = trade_off(crop, 18.0)
    span = crop.stages[Stage.GERMINATION].soil_acceptable
    assert span is not None
    temperatures = [row.soil_c for row in rows]
    assert temperatures == sorted(set(temperatures))
    assert (temperatures[0], temperatures[-1]) == (span.low, span.high)
    assert best_c(crop) in temperatures
    assert all(b - a <= STEP_C for a, b in pairwise(temperatures))
    assert all(row.half_up is not None for row in rows)


def batch(crop: Crop, number: int) -> Batch:
    return Batch(
        code=f"{crop.code}{number}",
        crop=crop.name,
        place="lower",
        stage=Stage.GERMINATION,
        since=0.0,
        sown_at=0.0,
        trays=1.0,
    )


@given(some)
def test_what_is_told_is_what_a_bench_is_steered_to(names: list[str]) -> None:
    crops = [CROPS[name] for name in names]
    found = best_shared(crops)
    aim = aim_of([batch(crop, n) for n, crop in enumerate(crops)], CROPS, ())
    assert aim.soil == pytest.approx(found.soil_c)
    assert (found.low_c <= found.high_c) is (aim.soil_range is not None)
    assert found.fits is not any("can't share this bench well" in one for one in aim.conflicts)
    assert list(found.crops) == crops


@given(some)
def test_nobody_is_harmed_at_a_shared_temperature(names: list[str]) -> None:
    crops = [CROPS[name] for name in names]
    found = best_shared(crops)
    for crop in crops:
        germination = crop.stages[Stage.GERMINATION]
        assert germination.soil_acceptable is not None
        assert found.soil_c <= germination.soil_acceptable.high
        assert found.soil_c < germination.soil_ceiling_c.value
        assert not found.fits or found.soil_c >= germination.soil_acceptable.low


@given(some)
def test_crops_are_parted_into_groups_that_fit_and_no_two_neighbours_would(
    names: list[str],
) -> None:
    crops = [CROPS[name] for name in names]
    groups = benches_for(crops)
    assert sorted(crop.name for group in groups for crop in group) == sorted(names)
    assert all(best_shared(group).fits for group in groups)
    assert not any(best_shared([*a, *b]).fits for a, b in pairwise(groups))


def test_a_crop_goes_where_it_does_best_of_the_groups() -> None:
    """Okra stands 20 °C with spinach, and would wait three weeks; with watermelon it need not."""
    names = ("spinach", "celery", "okra", "lettuce", "watermelon", "tomato")
    groups = benches_for([CROPS[name] for name in names])
    warm = next(group for group in groups if CROPS["watermelon"] in group)
    assert CROPS["okra"] in warm


def test_touching_ranges_do_not_make_a_bench_that_two_can_share() -> None:
    """Both accept 20 °C; but there okra takes some three weeks, and a good half of spinach is normal."""
    found = best_shared([CROPS["okra"], CROPS["spinach"]])
    assert (found.low_c, found.high_c) == (20.0, 20.0)
    assert not found.fits
    costs = {cost.crop.name: cost for cost in found.hardships}
    assert costs["okra"].days == pytest.approx(17, abs=1)  # the published table
    assert costs["spinach"].normal_percent is not None
    assert costs["spinach"].normal_percent < 60
    assert len(benches_for([CROPS["okra"], CROPS["spinach"]])) == 2


def test_a_shared_temperature_is_kind_to_the_one_that_loses_most() -> None:
    """Celery: 97 % normal seedlings at 20 °C, none come up at 25 (Harrington and Minges 1954)."""
    both = best_shared([CROPS["basil"], CROPS["celery"]])
    assert 20.0 <= both.soil_c <= 21.0
    normal = CROPS["celery"].normal_percent(both.soil_c)
    assert normal is not None
    assert normal >= 85


def test_whose_ends_those_are_is_named() -> None:
    apart = best_shared([CROPS["spinach"], CROPS["watermelon"]])
    assert not apart.fits
    assert (apart.low_of, apart.high_of) == (CROPS["watermelon"], CROPS["spinach"])


@given(some, st.floats(5, 30), st.floats(0, 15))
def test_what_is_kindest_lies_between_the_ends_and_depends_on_no_order(
    names: list[str], low: float, width: float
) -> None:
    crops = [CROPS[name] for name in names]
    aim = kindest(crops, low, low + width)
    assert low <= aim <= low + width
    assert kindest(crops[::-1], low, low + width) == aim
    assert kindest(crops[:1], low, low + width) == pytest.approx(
        min(max(best_c(crops[0]), low), low + width), abs=0.5
    )


@pytest.mark.parametrize(
    ("soil_c", "room_c", "trays", "watts", "said"),
    [
        (41.0, 18.0, 1.0, 2.0, "soil temperature is 41 °C; allowed: 0 to 40"),
        (20.0, 60.0, 1.0, 2.0, "room temperature is 60 °C; allowed: -10 to 40"),
        (20.0, 18.0, 0.0, 2.0, "number of trays is 0; allowed: over 0"),
        (20.0, 18.0, 1.0, 0.0, "allowed: over 0"),
        (float("nan"), 18.0, 1.0, 2.0, "allowed: 0 to 40"),
    ],
)
def test_figures_that_cannot_be_are_refused(
    soil_c: float, room_c: float, trays: float, watts: float, said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        trade(CROPS["tomato"], soil_c, room_c, trays=trays, watts_per_c=watts)


def test_no_crop_has_no_temperature() -> None:
    with pytest.raises(ValueError, match="one or more"):
        best_shared([])
