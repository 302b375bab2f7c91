"""Emergence by accumulated temperature, and what light does after."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.seedlings import (
    DAY_S,
    LATENESS,
    LEGGY_AFTER_DARK_H,
    SEED_SPREAD,
    Lot,
    count,
    draw_requirements,
)


class Linear:
    """A crop that is up after `days` at 25 °C, and does nothing at 5 °C."""

    def __init__(self, days: float = 6.0) -> None:
        self.days = days

    def rate(self, soil_c: float) -> float:
        return max(0.0, (soil_c - 5.0) / 20.0 / self.days)


def raise_at(
    lot: Lot, celsius: float, days: float, *, utc: float = 0.0, step: float = 600.0
) -> None:
    for k in range(round(days * DAY_S / step)):
        lot.germinate(step, celsius, celsius, utc + k * step)


def test_a_large_batch_comes_up_around_the_tables_days_and_later() -> None:
    """Tomato: 6 days at 25 °C, 12.7 mm deep (Harrington and Minges 1954)."""
    lot = Lot(Linear(6.0), draw_requirements(2000, 1.0, "t", 1))
    raise_at(lot, 25.0, 20)
    days = [when / DAY_S for when in lot.emerged]
    assert len(days) == 2000
    assert statistics.median(days) == pytest.approx(6.0 * LATENESS, rel=0.15)  # with its lot
    spread = statistics.stdev(math.log(day) for day in days)
    assert spread == pytest.approx(SEED_SPREAD, rel=0.1)


def test_of_a_tray_the_first_is_up_at_about_08_and_the_last_before_175_of_the_tables_days() -> None:
    first, last = [], []
    for seed in range(200):
        needs = [n for n in draw_requirements(72, 0.85, "tray", seed) if n < math.inf]
        first.append(min(needs))
        last.append(max(needs))
    assert statistics.median(first) == pytest.approx(0.83, abs=0.05)
    assert sum(one < 0.7 for one in first) <= 4
    assert sum(one > 1.75 for one in last) <= 40


def test_germination_is_the_share_that_comes_up() -> None:
    needs = draw_requirements(4000, 0.8, "x", 3)
    assert sum(need < math.inf for need in needs) / 4000 == pytest.approx(0.8, abs=0.03)
    assert all(need == math.inf for need in draw_requirements(50, 0.0, "x", 3))


def test_the_draw_depends_on_name_and_seed_alone() -> None:
    assert draw_requirements(50, 0.9, "a", 1) == draw_requirements(50, 0.9, "a", 1)
    assert draw_requirements(50, 0.9, "a", 1) != draw_requirements(50, 0.9, "b", 1)
    assert draw_requirements(50, 0.9, "a", 1) != draw_requirements(50, 0.9, "a", 2)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0, 35), st.floats(0, 35)), min_size=1, max_size=30))
def test_progress_is_the_integral_of_the_rate_and_never_falls(
    spans: list[tuple[float, float]],
) -> None:
    lot, expected = Lot(Linear(), [math.inf]), 0.0
    for begin, end in spans:
        lot.jolt()
        before = lot.progress
        lot.germinate(3600.0, begin, end, 0.0)
        rates = Linear().rate(begin) + Linear().rate(end)
        expected += rates / 2 / 24
        assert lot.progress >= before
    assert lot.progress == pytest.approx(expected)


def test_nothing_comes_up_where_the_crop_does_not_germinate() -> None:
    lot = Lot(Linear(), draw_requirements(72, 1.0, "cold", 1))
    raise_at(lot, 4.0, 60)
    assert lot.emerged == []
    assert lot.waiting


def test_a_seedlings_moment_is_found_inside_a_long_step() -> None:
    fine, coarse = (Lot(Linear(), draw_requirements(40, 1.0, "b", 5)) for _ in range(2))
    raise_at(fine, 25.0, 20, step=60.0)
    raise_at(coarse, 25.0, 20, step=21600.0)
    assert coarse.emerged == pytest.approx(fine.emerged, abs=1e-3)
    assert fine.emerged == sorted(fine.emerged)


def test_milestones_are_first_half_and_last_of_those_that_will_come() -> None:
    lot = Lot(Linear(6.0), [1.0, math.inf, 2.0, 1.5, 3.0])
    seen = []
    for day in range(20):
        counts = count([lot])
        seen.append(counts.up)
        raise_at(lot, 25.0, 1, utc=day * DAY_S)
    counts = count([lot])
    assert (counts.cells, counts.viable, counts.up) == (5, 4, 4)
    assert counts.first_up_utc == pytest.approx(6 * DAY_S)
    assert counts.half_up_utc == pytest.approx(9 * DAY_S)
    assert counts.last_up_utc == pytest.approx(18 * DAY_S)
    assert seen == sorted(seen)


def test_before_any_is_up_there_are_no_milestones_and_a_dead_lot_has_none_ever() -> None:
    counts = count([Lot(Linear(), [1.0, 1.2])])
    assert (counts.up, counts.first_up_utc, counts.half_up_utc, counts.last_up_utc) == (
        0,
        None,
        None,
        None,
    )
    dead = Lot(Linear(), [math.inf] * 3)
    raise_at(dead, 25.0, 30)
    assert count([dead]).half_up_utc is None
    assert count([dead]).last_up_utc is None


def test_light_and_dark_hours_are_kept_and_a_night_is_not_a_spell_that_spoils() -> None:
    lot = Lot(Linear(), [0.5])
    raise_at(lot, 25.0, 5)
    for _ in range(30):
        for hour in range(24):
            lot.grow(3600.0, 20.0, 200.0 if 6 <= hour < 22 else 0.0)
    counts = count([lot])
    assert counts.light_h == pytest.approx(480)
    assert counts.dark_h == pytest.approx(240)
    assert counts.longest_dark_h == pytest.approx(8)
    # Torres and Lopez, HO-238-W: DLI = PPFD x hours x 3600 / 1e6.
    assert counts.light_mol / 30 == pytest.approx(200 * 16 * 3600 / 1e6)
    assert not counts.leggy
    assert 80 < counts.height_mm < 160


def test_a_day_in_the_dark_after_emergence_makes_leggy_seedlings() -> None:
    kept, dark = Lot(Linear(), [0.5]), Lot(Linear(), [0.5])
    for hour in range(48):
        kept.grow(3600.0, 20.0, 200.0 if hour % 24 < 16 else 0.0)
        dark.grow(3600.0, 20.0, 0.0)
    assert count([dark]).longest_dark_h > LEGGY_AFTER_DARK_H
    assert count([dark]).leggy
    assert not count([kept]).leggy
    assert dark.height_mm > kept.height_mm * 1.3
    for _ in range(24 * 60):
        dark.grow(3600.0, 20.0, 0.0)
    assert dark.height_mm < 125  # what the seed held is used up


@settings(deadline=None)
@given(st.integers(0, 10), st.integers(1, 39), st.integers(1, 20))
def test_a_lot_that_is_split_has_the_same_seedlings_in_all(
    days: int, cells: int, later: int
) -> None:
    whole, parted = (Lot(Linear(), draw_requirements(40, 0.8, "c", 2)) for _ in range(2))
    for lot in (whole, parted):
        raise_at(lot, 25.0, days, step=DAY_S / 4)
    other = parted.split(cells)
    assert len(other.requirements) == cells
    assert count([parted, other]) == count([whole])
    for lot in (whole, parted, other):
        lot.jolt()
        raise_at(lot, 22.0, later, utc=days * DAY_S, step=DAY_S / 4)
    assert count([parted, other]) == count([whole])
    both = sum(len([n for n in lot.requirements if n <= lot.progress]) for lot in (parted, other))
    assert both == count([whole]).up
