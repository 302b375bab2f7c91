"""The forecast: its Bayesian update against linear algebra and brute force, its ranges against chance.

The prior and the spread of seeds are common practice without a source, so nothing published can check
them; what is checked is that the arithmetic does what it says with them.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm  # type: ignore[import-untyped]

from profiles.emergence import EmergenceModel
from profiles.forecast import (
    BATCH_SD,
    CROP_SD,
    GERMINATION,
    GERMINATION_SD,
    INDEPENDENT_SEEDS,
    LATE,
    LOST,
    LOT_SD,
    SEED_SD,
    Belief,
    Look,
    Range,
    Record,
    believe,
    forecast,
    record_of,
    record_of_date,
    requirement,
)
from sim.seedlings import draw_requirements

TOMATO = EmergenceModel(
    points=((10, 43), (15, 14), (20, 8), (25, 6), (30, 6), (35, 9)), never=(0, 5, 40)
)
NEW = believe((), "lot")


def width(one: Range) -> float:
    return math.log(one.high / one.low)


# --- learning from finished batches ---------------------------------------------------------------


def by_conditioning(records: list[Record], lot: str) -> tuple[tuple[float, float], ...]:
    """Crop and lot by conditioning one normal vector on another (Rasmussen and Williams, Gaussian
    Processes for Machine Learning, 2006, equation A.6)."""
    lots = sorted({lot, *(record.lot for record in records)})
    mixes = np.zeros((len(records), 1 + len(lots)))
    mixes[:, 0] = 1
    for index, record in enumerate(records):
        mixes[index, 1 + lots.index(record.lot)] = 1
    prior = np.diag([CROP_SD**2, *[LOT_SD**2] * len(lots)])
    noise = np.diag([BATCH_SD**2 + record.sd**2 for record in records])
    gain = prior @ mixes.T @ np.linalg.inv(mixes @ prior @ mixes.T + noise)
    mean = gain @ np.array([record.log_ratio - math.log(LATE) for record in records])
    covariance = prior - gain @ mixes @ prior
    crop = np.eye(1 + len(lots))[0]
    both = crop + np.eye(1 + len(lots))[1 + lots.index(lot)]
    return tuple(
        (math.log(LATE) + float(what @ mean), math.sqrt(what @ covariance @ what))
        for what in (crop, both)
    )


records_of_lots = st.lists(
    st.builds(
        Record,
        lot=st.sampled_from(["a", "b", "c"]),
        log_ratio=st.floats(-1, 1.5),
        sd=st.floats(0.01, 0.5),
    ),
    min_size=1,
    max_size=8,
)


@given(records_of_lots, st.sampled_from(["a", "b", "new"]))
def test_records_update_crop_and_lot_as_normal_vectors_do(records: list[Record], lot: str) -> None:
    belief = believe(records, lot)
    crop, of_lot = by_conditioning(records, lot)
    assert belief.crop == pytest.approx(crop)
    assert belief.lot == pytest.approx(of_lot)
    assert belief.batches == len(records)


@given(records_of_lots)
def test_the_order_of_records_does_not_matter_and_each_makes_surer(records: list[Record]) -> None:
    belief = believe(records, "a")
    assert believe(records[::-1], "a").lot == pytest.approx(belief.lot)
    for fewer in (believe(records[:-1], "a"), NEW):
        assert belief.sd <= fewer.sd + 1e-12


def test_without_records_it_is_the_table_s_prior_wide_and_late() -> None:
    assert NEW.lateness.mid == pytest.approx(LATE)
    assert NEW.sd == pytest.approx(math.hypot(CROP_SD, LOT_SD, BATCH_SD))
    assert NEW.lateness.low < 1 < NEW.lateness.mid
    assert NEW.lateness.high - 1 > 5 * (1 - NEW.lateness.low)


def test_one_batch_moves_the_forecast_part_of_the_way_and_many_nearly_all() -> None:
    means = [believe([Record("lot", math.log(0.9), 0.05)] * n, "lot").mean for n in (0, 1, 3, 30)]
    assert all(later < earlier for earlier, later in pairwise(means))
    assert math.log(0.9) < means[1] < math.log(LATE)
    assert means[-1] == pytest.approx(math.log(0.9), abs=0.02)


def test_a_lot_learns_most_from_its_own_and_something_from_its_crop_s_others() -> None:
    late = [Record("old seed", math.log(1.8), 0.05)] * 4
    own, other = believe(late, "old seed"), believe(late, "fresh seed")
    assert own.mean > other.mean > math.log(LATE)
    assert own.sd < other.sd < NEW.sd
    assert other.of_lot == 0
    assert own.of_lot == 4


def test_the_update_is_told_as_before_records_and_after() -> None:
    assert NEW.told() == (
        "nothing yet: without a record it is 1.25 times the table's days (0.95 to 1.65, eight in ten)"
    )
    records = [Record("lot", math.log(1.1), 0.05), Record("other", math.log(1.3), 0.05)]
    told = believe(records[:1], "lot").told()
    assert told.startswith("1.15 times the table's days (0.9")
    assert "; a Bayesian update by one batch of this crop, 1 of this seed lot; before it" in told
    assert told.endswith("before it 1.25 (0.95 to 1.65)")
    assert "by 2 batches of this crop, none of this seed lot" in believe(records, "new").told()


@given(st.lists(st.floats(0.5, 3), min_size=1, max_size=6))
def test_seed_of_which_nothing_is_known_is_a_lot_of_its_own_each_time(ratios: list[float]) -> None:
    nameless = [Record("", math.log(ratio), 0.05) for ratio in ratios]
    apart = [Record(f"lot {n}", math.log(ratio), 0.05) for n, ratio in enumerate(ratios)]
    unknown = believe(nameless, "")
    assert replace(unknown, of_lot=0) == believe(apart, "another")
    assert "of this crop, its seed lot not named; before" in unknown.told()
    assert believe(nameless, "known").of_lot == 0


# --- what a batch needs ---------------------------------------------------------------------------


def by_brute_force(
    belief: Belief, doubt: float, looks: list[tuple[float, int]], of: int
) -> tuple[float, float]:
    """Mean and standard deviation of the logarithm of lateness, by a sum over a dense grid."""
    x, come = np.meshgrid(np.linspace(-1.5, 2, 3501), np.linspace(0.1, 1, 19), indexing="ij")
    logs = norm.logpdf(x, belief.mean, math.hypot(belief.sd, doubt))
    logs = logs + norm.logpdf(come, GERMINATION, GERMINATION_SD)
    weight = min(of, INDEPENDENT_SEEDS) / of
    before, up_before = np.zeros_like(x), 0
    for progress, up in looks:
        now = come * norm.cdf((math.log(progress) - x) / SEED_SD)
        logs = logs + weight * (up - up_before) * np.log(np.maximum(now - before, 1e-9))
        before, up_before = now, up
    logs = logs + weight * (of - up_before) * np.log(np.maximum(1 - before, 1e-9))
    chance = np.exp(logs - logs.max())
    chance /= chance.sum()
    mean = float((chance * x).sum())
    return mean, math.sqrt(float((chance * (x - mean) ** 2).sum()))


@pytest.mark.parametrize(
    "seen",
    [
        [],
        [(0.9, 0)],
        [(0.9, 0), (1.0, 3)],
        [(0.8, 1), (1.0, 20), (1.1, 41), (1.4, 60)],
        [(1.6, 0), (2.0, 5)],
        [(1.2, 70)],
    ],
)
def test_counts_update_a_batch_as_brute_force_does(seen: list[tuple[float, int]]) -> None:
    looks = [Look(progress, up, 72) for progress, up in seen]
    needed = requirement(NEW, 0.07, looks, sown=72)
    mean, sd = by_brute_force(NEW, 0.07, seen, 72)
    assert needed.log_half[0] == pytest.approx(mean, abs=0.01)
    assert needed.log_half[1] == pytest.approx(sd, abs=0.005)
    z = norm.ppf(0.9)
    assert math.log(needed.half.low) == pytest.approx(mean - z * sd, abs=0.03)
    assert math.log(needed.half.high) == pytest.approx(mean + z * sd, abs=0.03)


def test_the_first_range_is_wide_leans_late_and_tightens_with_each_look() -> None:
    looks = [Look(0.85, 0, 72), Look(1.0, 2, 72), Look(1.15, 25, 72), Look(1.4, 58, 72)]
    widths = [width(requirement(NEW, 0.07, looks[:n], 72).half) for n in range(5)]
    assert all(later < earlier for earlier, later in pairwise(widths))
    assert widths[0] > math.log(1.7)
    assert widths[-1] < math.log(1.2)
    start = requirement(NEW, 0.07, sown=72)
    assert start.first is not None
    assert start.first.mid < 1 < start.half.mid < start.final.mid
    assert start.half.high - 1 > 5 * (1 - start.half.low)
    assert requirement(NEW, 0.07, looks[:2], 72).first is None


def test_the_edges_for_lamp_and_alarm_are_near_common_practice_and_learn() -> None:
    # First up after three quarters, in trouble after 1.75 times the days: common practice, no source.
    start = requirement(NEW, 0.07, sown=72)
    assert 0.55 < start.early_edge < 0.8
    assert 1.6 < start.late_edge < 2.0
    quick = believe([Record("lot", math.log(0.8), 0.05)] * 5, "lot")
    assert requirement(quick, 0.07, sown=72).early_edge < start.early_edge
    assert requirement(quick, 0.07, sown=72).late_edge < start.late_edge


def test_the_first_of_many_is_up_before_the_first_of_few() -> None:
    few, many = (requirement(NEW, 0.07, sown=sown).first for sown in (6, 288))
    assert few is not None
    assert many is not None
    assert many.mid < few.mid
    rng = np.random.default_rng(1)
    come = 288 * requirement(NEW, 0.07, sown=288).germination
    least = rng.normal(0, SEED_SD, (4000, round(come))).min(1)
    lateness = rng.normal(NEW.mean, math.hypot(NEW.sd, 0.07), 4000)
    drawn = np.exp(np.quantile(lateness + least, [0.1, 0.5, 0.9]))
    assert [many.low, many.mid, many.high] == pytest.approx(drawn, rel=0.03)


@given(
    st.lists(st.tuples(st.floats(0, 4), st.integers(0, 300)), max_size=6),
    st.one_of(st.none(), st.integers(1, 300)),
    st.floats(0.03, 1),
    st.one_of(st.none(), st.floats(0, 1)),
)
def test_any_looks_give_ranges_in_order(
    seen: list[tuple[float, int]], sown: int | None, doubt: float, germination: float | None
) -> None:
    looks = [Look(progress, up) for progress, up in seen]
    needed = requirement(NEW, doubt, looks, sown, germination)
    for one in (needed.first, needed.half, needed.final):
        assert one is None or 0 < one.low <= one.mid <= one.high < math.inf
    assert 0 < needed.early_edge <= needed.late_edge or any(up == 0 for _, up in seen)
    assert 0 < needed.germination <= 1
    assert needed.half.mid < needed.final.mid


@given(st.floats(0.3, 1.8), st.floats(0.01, 0.4))
def test_nothing_up_yet_makes_it_later_the_longer_it_lasts(progress: float, more: float) -> None:
    none = [
        requirement(NEW, 0.07, [Look(at, 0, 72)]).half.mid for at in (progress, progress + more)
    ]
    assert requirement(NEW, 0.07).half.mid <= none[0] + 1e-9
    assert none[0] <= none[1] + 1e-9


def test_the_longer_nothing_is_up_the_likelier_it_is_lost_and_one_seedling_ends_that() -> None:
    lost = [requirement(NEW, 0.07, [Look(at, 0, 72)], 72).lost for at in (0.5, 1.0, 1.5, 2.0, 3.5)]
    assert lost[0] == pytest.approx(LOST, rel=0.02)
    assert all(earlier < later for earlier, later in pairwise(lost))
    assert lost[-2] > 0.5
    assert lost[-1] > 0.95
    assert requirement(NEW, 0.07, [Look(2.0, 0, 72), Look(2.1, 1, 72)], 72).lost == 0


def test_a_miscount_or_a_loss_is_not_taken_for_seedlings_that_went_back() -> None:
    looks = [Look(1.0, 20, 72), Look(1.1, 15, 72)]
    assert requirement(NEW, 0.07, looks).half.mid == pytest.approx(
        requirement(NEW, 0.07, [looks[0], Look(1.1, 20, 72)]).half.mid
    )


def test_ranges_hold_eight_of_ten_batches_before_and_after_counting() -> None:
    """Batches drawn from the prior itself, looked at when a grower would."""
    rng = np.random.default_rng(7)
    inside = {"new": 0, "first looks": 0, "half up": 0}
    batches = 300
    for _ in range(batches):
        lateness = math.exp(rng.normal(NEW.mean, math.hypot(NEW.sd, 0.07)))
        seeds = lateness * np.exp(rng.normal(0, SEED_SD, 72))
        seeds = np.where(rng.random(72) < rng.uniform(0.7, 1), seeds, np.inf)
        first = seeds.min()
        looks = [
            Look(at, int((seeds <= at).sum()), 72)
            for at in (first * 0.95, first * 1.1, lateness, lateness * 1.15)
        ]
        for seen, count in (("new", 0), ("first looks", 2), ("half up", 4)):
            half = requirement(NEW, 0.07, looks[:count], 72).half
            inside[seen] += half.low <= lateness <= half.high
    assert 0.75 < inside["new"] / batches < 0.85
    # Rather more once counted: these seeds are independent, and a tray's are not taken to be.
    assert 0.8 < inside["first looks"] / batches < 0.99
    assert 0.8 < inside["half up"] / batches < 0.99


@pytest.mark.parametrize("seed", range(5))
def test_the_simulator_s_trays_come_up_in_the_range_and_teach_the_next(seed: int) -> None:
    records: list[Record] = []
    for name in ("first", "second", "third"):
        needs = np.array(draw_requirements(72, 0.9, f"{name} of {seed}", seed))
        half = float(np.median(needs[np.isfinite(needs)]))
        needed = requirement(believe(records, "lot"), 0.07, sown=72)
        assert needed.half.low < half < needed.half.high
        looks = [Look(at, int((needs <= at).sum()), 72) for at in np.arange(0.7, 1.9, 0.1)]
        record = record_of(looks, "lot")
        assert record is not None
        assert math.exp(record.log_ratio) == pytest.approx(half, rel=0.08)
        records.append(record)
    assert width(believe(records, "lot").lateness) < 0.8 * width(NEW.lateness)


def test_a_record_is_what_the_looks_say_whatever_was_believed() -> None:
    looks = [Look(1.9, 0, 72), Look(2.0, 5, 72), Look(2.3, 33, 72), Look(2.8, 66, 72)]
    record = record_of(looks, "lot")
    assert record is not None
    assert math.exp(record.log_ratio) == pytest.approx(2.3, rel=0.05)
    assert record_of(looks[:1], "lot") is None
    assert record_of([], "lot") is None
    dated = record_of_date(1.3, "lot")
    assert dated.log_ratio == pytest.approx(math.log(1.3))
    assert dated.sd > record.sd
    with pytest.raises(ValueError, match="up at a progress of 0; allowed: over 0"):
        record_of_date(0.0, "lot")


# --- dates ----------------------------------------------------------------------------------------


def test_days_ahead_are_what_is_left_over_the_rate_ahead() -> None:
    needed = requirement(NEW, TOMATO.doubt(21), sown=72)
    said = forecast(TOMATO, needed, 0.5, (21.0,))
    assert said.half is not None
    assert said.half.mid == pytest.approx((needed.half.mid - 0.5) / TOMATO.rate(21))
    assert said.table_percent == 50
    assert said.percent == pytest.approx(50 / needed.half.mid)
    assert said.lateness == needed.half


def test_another_setpoint_gives_other_days_of_the_same_need() -> None:
    needed = requirement(NEW, TOMATO.doubt(21), sown=72)
    days = [forecast(TOMATO, needed, 0.2, (soil,)).half for soil in (15.0, 20.0, 25.0)]
    mids = [one.mid for one in days if one is not None]
    assert len(mids) == 3
    assert mids[0] > mids[1] > mids[2]
    assert mids[0] / mids[2] == pytest.approx(TOMATO.rate(25) / TOMATO.rate(15))


def test_cooler_nights_count_by_their_hours() -> None:
    needed = requirement(NEW, 0.07)
    swinging = forecast(TOMATO, needed, 0.0, (21.0, 21.0, 15.0)).half
    assert swinging is not None
    rate = (2 * TOMATO.rate(21) + TOMATO.rate(15)) / 3
    assert swinging.mid == pytest.approx(needed.half.mid / rate)


def test_soil_in_which_nothing_comes_up_gives_no_date() -> None:
    needed = requirement(NEW, 0.07)
    said = forecast(TOMATO, needed, 0.4, (4.0,))
    assert (said.first, said.half, said.final) == (None, None, None)
    assert said.percent == pytest.approx(40 / needed.half.mid)


def test_what_is_due_is_due_now_and_no_more_than_all_of_the_way() -> None:
    said = forecast(TOMATO, requirement(NEW, 0.07), 3.0, (21.0,))
    assert said.half == Range(0, 0, 0)
    assert said.percent == 100


def test_beliefs_records_and_forecasts_go_through_json() -> None:
    record = record_of([Look(1.0, 10, 72), Look(1.2, 50, 72)], "lot")
    assert record is not None
    assert Record(**json.loads(json.dumps(asdict(record)))) == record
    belief = believe([record], "lot")
    assert json.loads(json.dumps(asdict(belief)))["batches"] == 1
    said = forecast(TOMATO, requirement(belief, 0.07), 0.3, (21.0,))
    assert json.loads(json.dumps(asdict(said)))["half"]["mid"] == said.half.mid  # type: ignore[union-attr]
