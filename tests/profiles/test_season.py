"""The season's plan: dates by hand, chances by SciPy, and rules that hold for any list of orders."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]

from daemon.husbandry import husbandry_of
from profiles.library import load_library
from profiles.mix import CONTAINERS
from profiles.model import Stage
from profiles.season import (
    Anchor,
    Bench,
    CropTiming,
    DateRange,
    FirstFrost,
    HandOver,
    LastFrost,
    Order,
    Phase,
    SoilNormals,
    Sowing,
    SowingDates,
    crop_timing,
    iso_week,
    plan_season,
)
from profiles.seeds import germination_by_packet, germination_by_test

LIBRARY = load_library()
GOOD = germination_by_packet(90)
CELLS, POTS, OPEN = (CONTAINERS[name] for name in ("cells-72", "pot-9cm", "open-tray"))
FROST = LastFrost(date(2027, 5, 8))

TOMATO = CropTiming(
    name="tomato",
    title="Tomato",
    weeks_to_transplant=(5, 7),
    plant_out_weeks_from_last_frost=(1, 2),
    outdoor_soil_min_c=15,
    germination_soil_c=25,
    emergence_days=(4.3, 6.0, 11.4),
)
HARDY = CropTiming(
    name="kale",
    title="Kale",
    weeks_to_transplant=(4, 6),
    plant_out_weeks_from_last_frost=(-4, -4),
    outdoor_soil_min_c=5,
    germination_soil_c=24,
    emergence_days=(3.0, 5.0, 9.0),
    days_to_maturity=55,
)


def tomatoes(plants: int = 54, **more: object) -> Order:
    given_ = {"crop": TOMATO, "plants": plants, "germination": GOOD, "seeds_per_cell": 1}
    return Order(**(given_ | more))  # type: ignore[arg-type]


def only(order: Order, anchor: Anchor = FROST, **more: object) -> Sowing:
    (sowing,) = plan_season([order], anchor, **more).sowings  # type: ignore[arg-type]
    return sowing


# Dates


def test_a_tomato_is_counted_back_from_the_last_frost_by_hand() -> None:
    # Frost 8 May; out one to two weeks on: 15 to 22 May, the middle 18 May (rounded down). Six weeks
    # back from there, 5 to 7: 6 April, 30 March to 13 April. Up in 6 days: 12 April.
    dates = only(tomatoes(pot_on_into=POTS), LastFrost(date(2027, 5, 8))).dates
    assert (dates.plant_out.early, dates.plant_out.late) == (date(2027, 5, 15), date(2027, 5, 22))
    assert dates.plant_out.chosen == date(2027, 5, 18)
    assert (dates.sow.early, dates.sow.late) == (date(2027, 3, 30), date(2027, 4, 13))
    assert dates.sow.chosen == date(2027, 4, 6)
    assert dates.emerge.chosen == date(2027, 4, 12)
    assert (dates.emerge.early, dates.emerge.late) == (date(2027, 4, 10), date(2027, 4, 18))
    # Potted on two to three weeks after it is up. Of the 36 days from up to out hardening takes a
    # third, 12, at most.
    assert dates.pot_on is not None
    assert (dates.pot_on.early, dates.pot_on.late) == (date(2027, 4, 26), date(2027, 5, 3))
    assert dates.pot_on.chosen == date(2027, 4, 30)
    assert dates.harden.chosen == date(2027, 5, 6)
    assert dates.harden.late == date(2027, 5, 11)
    assert dates.prick_out is dates.thin is None


def test_a_spring_that_crosses_daylight_saving_loses_no_day() -> None:
    # Clocks go forward on 14 March (United States) and 28 March (Europe), back in autumn.
    for frost in (date(2027, 4, 4), date(2027, 5, 8), date(2027, 11, 20)):
        dates = only(tomatoes(), LastFrost(frost)).dates
        assert (dates.plant_out.chosen - dates.sow.chosen).days == 42
        assert type(dates.sow.chosen) is date


def test_a_margin_after_the_last_frost_moves_every_date() -> None:
    plain, careful = (only(tomatoes(), LastFrost(FROST.day, margin)).dates for margin in (0, 10))
    for step in ("sow", "emerge", "harden", "plant_out"):
        assert getattr(careful, step).chosen - getattr(plain, step).chosen == timedelta(10)


@given(st.floats(0, 60), st.floats(0.01, 0.5))
def test_a_frost_record_gives_the_first_day_whose_risk_is_as_low_by_scipys_normal(
    sd: float, risk: float
) -> None:
    mean = date(2027, 5, 1)
    last = (LastFrost.from_record(mean, sd, risk).day - mean).days
    first = (mean - FirstFrost.from_record(mean, sd, risk).day).days
    assert last == first
    if sd > 0.01:
        assert stats.norm.sf(last, scale=sd) <= risk + 1e-6
        assert last == 0 or stats.norm.sf(last - 1, scale=sd) > risk - 1e-6


def test_one_frost_in_ten_years_is_128_standard_deviations_by_any_table_of_the_normal() -> None:
    assert LastFrost.from_record(date(2027, 5, 1), 10, 0.1).day == date(2027, 5, 14)  # 12.8 days


def test_cold_soil_puts_planting_out_off_and_says_so() -> None:
    # Monthly means of an invented garden: 15 °C between mid May (13) and mid June (17).
    normals = SoilNormals((3, 3, 5, 9, 13, 17, 20, 19, 16, 11, 7, 4))
    cold = only(tomatoes(), soil=normals)
    dates = cold.dates
    assert dates.plant_out.early == dates.plant_out.chosen == date(2027, 6, 1)
    assert normals.at(date(2027, 6, 1)) >= 15 > normals.at(date(2027, 5, 31))
    assert cold.notes == (
        "planted out 14 days later, for the soil is on average not 15 °C before 2027-06-01",
    )
    assert (dates.plant_out.chosen - dates.sow.chosen).days == 42
    warm = only(tomatoes(), soil=SoilNormals((20,) * 52))
    assert warm.dates == only(tomatoes()).dates
    assert warm.notes == ()
    (never,) = only(tomatoes(), soil=SoilNormals((10,) * 12)).notes
    assert never.startswith("the soil is on average not 15 °C within half a year")


def test_without_soil_normals_the_least_soil_temperature_is_a_condition_in_the_growers_units() -> (
    None
):
    assert only(tomatoes()).notes == ("plant out only into soil of 15 °C or more",)
    assert only(tomatoes(), units="F").notes == ("plant out only into soil of 59 °F or more",)


@given(st.sampled_from([12, 52]), st.data())
def test_soil_normals_are_met_in_the_middle_of_their_part_and_never_left(
    parts: int, data: st.DataObject
) -> None:
    means = data.draw(st.lists(st.floats(-10, 30), min_size=parts, max_size=parts))
    normals = SoilNormals(tuple(means))
    day = date(2027, 1, 1) + timedelta(data.draw(st.integers(0, 364)))
    assert min(means) - 1e-9 <= normals.at(day) <= max(means) + 1e-9
    flat = SoilNormals((7.5,) * parts)
    assert flat.at(day) == pytest.approx(7.5)


def test_an_autumn_crop_is_counted_back_from_the_first_frost() -> None:
    # Frost 20 October; 55 days to maturity and 14 for short days: out by 12 August.
    kale = replace(tomatoes(), crop=HARDY)
    dates = only(kale, FirstFrost(date(2027, 10, 20))).dates
    assert dates.plant_out.late == date(2027, 8, 12)
    assert dates.plant_out.early == date(2027, 7, 29)
    assert dates.sow.chosen == date(2027, 8, 5) - timedelta(weeks=5)
    weeks = replace(HARDY, plant_out_weeks_before_first_frost=(6, 8))
    dates = only(replace(kale, crop=weeks), FirstFrost(date(2027, 10, 20), 7)).dates
    assert dates.plant_out.early == date(2027, 10, 13) - timedelta(weeks=8)
    assert dates.plant_out.late == date(2027, 10, 13) - timedelta(weeks=6)
    with pytest.raises(ValueError, match=r"tomato has no date from the first frost; give its days"):
        plan_season([tomatoes()], FirstFrost(date(2027, 10, 20)))


def test_a_hand_over_is_on_its_day() -> None:
    out = only(tomatoes(), HandOver(date(2027, 5, 1))).dates.plant_out
    assert out.early == out.chosen == out.late == date(2027, 5, 1)


def test_an_order_may_have_an_anchor_of_its_own() -> None:
    own = tomatoes(anchor=HandOver(date(2027, 6, 1)))
    assert only(own, FROST).dates.plant_out.chosen == date(2027, 6, 1)


def test_successions_follow_the_first_planting_out_and_go_before_the_last_in_autumn() -> None:
    spring = plan_season([tomatoes(times=3, every_weeks=2)], FROST).sowings
    outs = [sowing.dates.plant_out.chosen for sowing in spring]
    assert outs == [date(2027, 5, 18), date(2027, 6, 1), date(2027, 6, 15)]
    assert [sowing.key for sowing in spring] == ["tomato-1", "tomato-2", "tomato-3"]
    assert spring[1].title == "Tomato (2 of 3)"
    kale = replace(tomatoes(times=3, every_weeks=2), crop=HARDY)
    autumn = plan_season([kale], FirstFrost(date(2027, 10, 20))).sowings
    assert [sowing.number for sowing in autumn] == [1, 2, 3]
    assert autumn[-1].dates == only(replace(kale, times=1), FirstFrost(date(2027, 10, 20))).dates


def test_a_plan_made_late_sows_today_and_says_what_that_costs() -> None:
    # Sowing was due on 6 April, at the latest on 13 April.
    in_time = only(tomatoes(), today=date(2027, 4, 10))
    assert in_time.dates.sow.chosen == date(2027, 4, 10)
    assert in_time.dates.plant_out.chosen == date(2027, 5, 18)
    assert len(in_time.notes) == 1
    late = only(tomatoes(), today=date(2027, 4, 20))
    assert late.dates.sow.chosen == date(2027, 4, 20)
    assert late.dates.plant_out.chosen == date(2027, 5, 25)
    assert late.notes[-1] == (
        "sown today it is ready on 2027-05-25, 7 days after 2027-05-18, "
        "when it was to be planted out"
    )
    assert only(tomatoes(), today=date(2027, 1, 1)) == only(tomatoes())


@pytest.mark.parametrize("crop", LIBRARY.crops)
def test_every_shipped_crop_has_a_plan_in_the_order_of_its_steps(crop: str) -> None:
    timing = crop_timing(LIBRARY.crop(crop))
    order = Order(
        crop=timing,
        plants=40,
        germination=GOOD,
        sow_in=OPEN,
        prick_out_into=CELLS,
        pot_on_into=POTS,
    )
    in_order(only(order))


@pytest.mark.parametrize("name", LIBRARY.crops)
def test_thinning_and_potting_on_are_when_the_profile_has_them_and_the_live_tasks(
    name: str,
) -> None:
    crop = LIBRARY.crop(name)
    timing, husbandry = crop_timing(crop), husbandry_of(crop, Stage.SEEDLING)
    thin, pot_on = husbandry.thin_days, husbandry.pot_on_days
    assert thin is not None
    order = Order(
        crop=timing, plants=40, germination=GOOD, seeds_per_cell=2, pot_on_into=POTS
    )  # fmt: skip
    open_tray = replace(order, sow_in=OPEN, prick_out_into=CELLS, pot_on_into=None)
    cells, pricked = only(order).dates, only(open_tray).dates

    def days(dates: SowingDates, step: DateRange | None) -> tuple[int, int]:
        assert step is not None
        return (step.early - dates.emerge.chosen).days, (step.late - dates.emerge.chosen).days

    assert days(cells, cells.thin) == (thin.low, thin.high)
    assert days(pricked, pricked.prick_out) == (thin.low, thin.high)
    low, high = (14, 21) if pot_on is None else (pot_on.low, pot_on.high)
    hardened = (cells.harden.chosen - cells.emerge.chosen).days
    assert days(cells, cells.pot_on) == (min(low, hardened), min(high, hardened))


def test_what_was_pricked_out_is_potted_on_a_week_later_at_the_soonest() -> None:
    slow = replace(TOMATO, weeks_to_transplant=(10, 12), thin_days=(18, 28), pot_on_days=(14, 21))
    dates = only(tomatoes(crop=slow, sow_in=OPEN, prick_out_into=CELLS, pot_on_into=POTS)).dates
    assert dates.prick_out is not None
    assert dates.pot_on is not None
    assert (dates.pot_on.early - dates.prick_out.early).days == 7
    assert (dates.pot_on.late - dates.prick_out.late).days == 7


def test_a_profile_germinates_at_the_middle_of_its_best_unless_told() -> None:
    # Harrington and Minges (1954): tomato 6 days at 25 °C, 8 at 20, none at 5.
    tomato = LIBRARY.crop("tomato")
    assert crop_timing(tomato, 25).emergence_days[1] == pytest.approx(6, rel=0.03)
    early, expected, late = crop_timing(tomato, 20).emergence_days
    assert expected == pytest.approx(8, rel=0.03)
    assert early < 8 < late
    assert crop_timing(tomato).germination_soil_c == 25.5
    with pytest.raises(ValueError, match=r"tomato does not come up at a soil of 5 °C"):
        crop_timing(tomato, 5)
    with pytest.raises(ValueError, match=r"tomato comes up in 4\d days at 10 °C, more than half"):
        crop_timing(tomato, 10)


def in_order(sowing: Sowing) -> None:
    dates = sowing.dates
    steps = [
        step
        for step in (dates.sow, dates.emerge, dates.prick_out, dates.pot_on, dates.harden)
        if step is not None
    ]
    for step in (*steps, dates.thin, dates.plant_out):
        if step is not None:
            assert step.early <= step.chosen <= step.late
    chosen = [step.chosen for step in (*steps, dates.plant_out)]
    assert chosen == sorted(chosen)
    stays = sowing.stays
    assert stays[0].start == dates.sow.chosen
    assert stays[-1].end == dates.plant_out.chosen
    for before, after in pairwise(stays):
        assert before.end == after.start
        assert before.start <= before.end


def test_an_anchor_of_an_order_s_own_is_to_be_in_reach_too_and_late_is_not_past() -> None:
    today = date(2027, 6, 20)
    assert only(tomatoes(), today=today).dates.sow.chosen == today  # six weeks after the last frost
    past = tomatoes(anchor=HandOver(date(2026, 6, 25)))
    with pytest.raises(ValueError, match=r"the hand-over of 2026-06-25 is past"):
        only(past, today=today)
    assert only(past).dates.plant_out.chosen == date(2026, 6, 25)  # for nobody's today


# Seeds, containers, trays


def test_a_stand_has_its_spare_and_the_seeds_that_make_it_sure() -> None:
    # 54 plants and a tenth are 60 seedlings; SciPy's binomial says how many seeds of 90 % that takes.
    sowing = only(tomatoes(54))
    assert sowing.stand == 60
    assert stats.binom.sf(59, sowing.seeds, 0.9) >= 0.9 > stats.binom.sf(59, sowing.seeds - 1, 0.9)
    assert sowing.sown == sowing.seeds


def test_two_seeds_a_cell_are_thinned_to_one() -> None:
    sowing = only(tomatoes(54, seeds_per_cell=2))
    assert sowing.seeds == 2 * sowing.sown
    assert sowing.dates.thin is not None
    assert sowing.sown < only(tomatoes(54)).sown
    assert stats.binom.sf(59, sowing.sown, 0.99) >= 0.9


def test_a_clump_is_not_thinned_and_moves_as_it_is() -> None:
    sowing = only(tomatoes(54, seeds_per_cell=6, thin=False, pot_on_into=POTS))
    assert sowing.dates.thin is None
    assert sowing.seeds == 6 * sowing.sown
    assert sowing.seeds >= only(tomatoes(54)).seeds
    assert sowing.moved == sowing.sown


def test_potting_on_takes_four_times_the_room_and_a_full_tray_is_counted_whole() -> None:
    sowing = only(tomatoes(65, spare=0.1, pot_on_into=POTS))
    cells, pots = sowing.steps
    assert (cells.count, cells.trays) == (sowing.sown, 2)
    assert (pots.count, pots.trays) == (72, 4)
    assert pots.plug == CELLS


def test_an_open_tray_is_pricked_out_into_cells_and_its_mix_is_counted() -> None:
    sowing = only(tomatoes(400, sow_in=OPEN, prick_out_into=CELLS))
    tray, cells = sowing.steps
    assert (tray.count, tray.trays) == (2, 2)  # 300 seeds each
    assert (cells.count, cells.trays) == (440, 7)
    assert cells.plug is None
    assert [filling.count for filling in sowing.fillings] == [2, 440]
    dates = sowing.dates
    assert dates.prick_out is not None
    assert (dates.prick_out.chosen - dates.emerge.chosen).days == 10


def test_an_own_test_of_few_seeds_sows_more_than_its_packet() -> None:
    tested = tomatoes(54, germination=germination_by_test(9, 10))
    assert only(tested).seeds > only(tomatoes(54)).seeds


# Benches

WARM = Bench("warm", 2, frozenset({Phase.GERMINATION}))
UPPER, LOWER = (Bench(name, 4, frozenset({Phase.GROWING})) for name in ("upper", "lower"))


def test_bench_weeks_count_whole_trays_by_phase_where_no_bench_is_given() -> None:
    plan = plan_season([tomatoes(54, pot_on_into=POTS)], FROST)
    assert plan.overflows == ()
    trays = {(iso_week(week.monday), week.place): week.trays for week in plan.weeks}
    # Sown on Tuesday 6 April, up on Monday 12, potted on on Monday 26, hardened from 6 May.
    assert trays["2027-W14", "germination"] == 1
    assert trays["2027-W15", "growing"] == trays["2027-W16", "growing"] == 1
    assert trays["2027-W17", "growing"] == trays["2027-W18", "growing"] == 4
    assert trays["2027-W18", "hardening"] == trays["2027-W20", "hardening"] == 4
    assert ("2027-W20", "growing") not in trays
    assert all(week.capacity is None for week in plan.weeks)


def test_iso_weeks_belong_to_the_year_of_their_thursday() -> None:
    # ISO 8601: 1 January 2027 is a Friday, of week 53 of 2026.
    assert iso_week(date(2027, 1, 1)) == "2026-W53"
    assert iso_week(date(2027, 1, 4)) == "2027-W01"


def test_a_batch_goes_to_the_first_bench_with_room_and_stays_there() -> None:
    orders = [tomatoes(54, pot_on_into=POTS, label=label) for label in ("a", "b")]
    plan = plan_season(orders, FROST, benches=[WARM, UPPER, LOWER])
    homes = {s.key: [stay.bench for stay in s.stays] for s in plan.sowings}
    assert homes["tomato-a-1"] == ["warm", "upper", "upper", ""]
    # Potted on, the second does not fit beside the first.
    assert homes["tomato-b-1"] == ["warm", "upper", "lower", ""]
    assert plan.overflows == ()


def test_hardening_takes_room_where_a_frame_serves_for_it() -> None:
    frame = Bench("frame", 3, frozenset({Phase.HARDENING}))
    plan = plan_season([tomatoes(54, pot_on_into=POTS)], FROST, benches=[WARM, UPPER, frame])
    assert plan.sowings[0].stays[-1].bench == "frame"
    (overflow,) = plan.overflows
    assert overflow.place == "frame"
    assert [(iso_week(week.monday), week.over) for week in overflow.weeks] == [
        ("2027-W18", 1),
        ("2027-W19", 1),
        ("2027-W20", 1),
    ]


def test_where_trays_do_not_fit_the_week_the_bench_the_count_and_the_nearest_remedy_are_told() -> (
    None
):
    orders = [
        tomatoes(54, pot_on_into=POTS, label="a", grow_on="upper"),
        tomatoes(54, pot_on_into=POTS, label="b", grow_on="upper"),
    ]
    plan = plan_season(orders, FROST, benches=[WARM, UPPER, LOWER])
    (overflow,) = plan.overflows
    assert overflow.place == "upper"
    told = [(iso_week(week.monday), week.trays, week.over) for week in overflow.weeks]
    assert told == [("2027-W17", 8, 4), ("2027-W18", 8, 4)]
    assert overflow.sowings == ("tomato-a-1", "tomato-b-1")
    bench, later = overflow.remedies
    assert (bench.kind, bench.bench, bench.eases, bench.clears) == ("bench", "lower", 8, True)
    assert bench.text == "Tomato a on bench lower"
    # b is off the bench on 6 May; a, up six days after sowing, must not come before.
    assert (later.kind, later.weeks, later.clears) == ("sow-later", 4, True)
    assert later.text == "sow Tomato a 4 weeks later, on 2027-05-04, and plant out on 2027-06-15"
    # What it says is so, and less does not do.
    for weeks, fits in ((3, False), (4, True)):
        moved = [
            replace(orders[0], anchor=LastFrost(FROST.day + timedelta(weeks=weeks))),
            orders[1],
        ]
        again = plan_season(moved, FROST, benches=[WARM, UPPER, LOWER])
        assert (again.overflows == ()) == fits


def test_a_hand_over_is_eased_by_sowing_later_within_its_weeks_or_handing_over_earlier() -> None:
    # Raised in six weeks, but four do. a hardens from 5 May; b, sown on 24 April, is up on the 30th.
    roomy = replace(TOMATO, weeks_to_transplant=(4, 8))
    orders = [
        tomatoes(50, label="a", crop=roomy, spare=0, anchor=HandOver(date(2027, 5, 18))),
        tomatoes(50, label="b", crop=roomy, spare=0, anchor=HandOver(date(2027, 6, 5))),
    ]
    tight = [WARM, replace(UPPER, trays=1)]
    (overflow,) = plan_season(orders, FROST, benches=tight).overflows
    assert [iso_week(week.monday) for week in overflow.weeks] == ["2027-W17", "2027-W18"]
    assert {remedy.kind: remedy.text for remedy in overflow.remedies} == {
        "out-earlier": "hand over Tomato a 2 weeks earlier, on 2027-05-04",
        "sow-later": "sow Tomato b 1 week later, on 2027-05-01, and hand over as planned",
    }
    assert all(remedy.clears for remedy in overflow.remedies)
    # Plants that take all of their six weeks can only go earlier by being sown earlier.
    fixed = replace(TOMATO, weeks_to_transplant=(6, 6))
    orders = [replace(order, crop=fixed) for order in orders]
    (overflow,) = plan_season(orders, FROST, benches=tight).overflows
    assert overflow.remedies == ()


def test_where_one_change_is_not_enough_those_that_are_together_are_told() -> None:
    orders = [
        tomatoes(54, pot_on_into=POTS, label=label, grow_on="upper") for label in ("a", "b", "c")
    ]
    plan = plan_season(orders, FROST, benches=[replace(WARM, trays=3), UPPER, LOWER])
    (overflow,) = plan.overflows
    assert [week.over for week in overflow.weeks] == [8, 8]
    assert [(remedy.eases, remedy.clears) for remedy in overflow.remedies] == [
        (8, False),
        (8, True),
    ]
    assert overflow.together
    first, second = overflow.remedies
    assert (first.text, second.kind) == ("Tomato a on bench lower", "sow-later")


ORDERS = st.lists(
    st.builds(
        tomatoes,
        st.integers(1, 200),
        crop=st.sampled_from([TOMATO, HARDY]),
        sow_in=st.sampled_from([CELLS, OPEN]),
        pot_on_into=st.sampled_from([None, POTS]),
        times=st.integers(1, 3),
        every_weeks=st.integers(1, 4),
    ),
    min_size=1,
    max_size=4,
)
ANCHORS = st.one_of(
    st.builds(LastFrost, st.dates(date(2026, 1, 1), date(2028, 12, 31)), st.integers(0, 21)),
    st.builds(HandOver, st.dates(date(2026, 1, 1), date(2028, 12, 31))),
)


@settings(max_examples=40, deadline=None)
@given(ORDERS, ANCHORS, st.lists(st.integers(1, 12), max_size=3))
def test_every_tray_is_somewhere_every_day_and_counted_once(
    orders: list[Order], anchor: Anchor, rooms: list[int]
) -> None:
    orders = [replace(order, label=str(n)) for n, order in enumerate(orders)]
    benches = [Bench(str(n), trays) for n, trays in enumerate(rooms)]
    plan = plan_season(orders, anchor, benches=benches)
    counted: dict[tuple[str, date], int] = Counter()
    for sowing in plan.sowings:
        in_order(sowing)
        for stay in sowing.stays:
            assert bool(stay.bench) == (bool(benches) and stay.phase is not Phase.HARDENING)
            for n in range((stay.end - stay.start).days):
                counted[stay.bench or stay.phase.value, stay.start + timedelta(n)] += stay.trays
    most: dict[tuple[str, str], int] = {}
    for (place, day), trays in counted.items():
        most[place, iso_week(day)] = max(trays, most.get((place, iso_week(day)), 0))
    assert most == {(week.place, iso_week(week.monday)): week.trays for week in plan.weeks}
    room = {bench.name: bench.trays for bench in benches}
    too_full = {week for o in plan.overflows for week in o.weeks}
    assert too_full == {
        week for week in plan.weeks if week.place in room and week.trays > room[week.place]
    }
    assert len(too_full) == sum(len(o.weeks) for o in plan.overflows)
    for overflow in plan.overflows:
        whole = sum(week.over for week in overflow.weeks)
        eased = [remedy.eases for remedy in overflow.remedies]
        assert all(remedy.sowing in overflow.sowings for remedy in overflow.remedies)
        if overflow.together:
            assert sum(eased) <= whole
            assert not any(remedy.clears for remedy in overflow.remedies[:-1])
            assert overflow.remedies[-1].clears == (sum(eased) == whole)
        else:
            assert all(
                0 < remedy.eases <= whole and remedy.clears == (remedy.eases == whole)
                for remedy in overflow.remedies
            )


# Tasks


def test_tasks_tell_what_to_do_on_the_dates_of_the_plan() -> None:
    order = tomatoes(54, label="Early", sow_in=OPEN, prick_out_into=CELLS, pot_on_into=POTS)
    plan = plan_season([order], FROST)
    (sowing,) = plan.sowings
    dates = sowing.dates
    assert dates.prick_out is not None
    assert dates.pot_on is not None
    of_batch = [task for task in plan.tasks if "-site-" not in task.uid]
    assert [(task.uid, task.day) for task in of_batch] == [
        ("2027-tomato-early-1-sow", dates.sow.chosen),
        ("2027-tomato-early-1-emerge", dates.emerge.early),
        ("2027-tomato-early-1-prick-out", dates.prick_out.chosen),
        ("2027-tomato-early-1-pot-on", dates.pot_on.chosen),
        ("2027-tomato-early-1-harden", dates.harden.chosen),
        ("2027-tomato-early-1-plant-out", dates.plant_out.chosen),
    ]
    sow, emerge, prick_out, pot_on, _, out = of_batch
    assert prick_out.description.startswith("60 cells in 1 tray of 72.")
    assert pot_on.description.startswith("60 x 9 cm pot, the room of 4 trays.")
    assert sow.summary == "Sow Tomato Early"
    assert f"{sowing.seeds} seeds, for 60 seedlings (packet: 90 %)." in sow.description
    assert "1 open tray. Soil at 25 °C." in sow.description
    assert f"Expected on {dates.emerge.chosen}, by {dates.emerge.late}" in emerge.description
    assert "54 plants. Plant out only into soil of 15 °C or more." in out.description


def test_the_site_is_made_ready_before_the_first_sowing_in_order() -> None:
    orders = [tomatoes(54, times=2, every_weeks=2), replace(tomatoes(30), crop=HARDY)]
    plan = plan_season(orders, FROST)
    first = min(sowing.dates.sow.chosen for sowing in plan.sowings)
    checks = [task for task in plan.tasks if "-site-" in task.uid]
    assert [(task.uid, (first - task.day).days) for task in checks] == [
        ("2027-site-wash-trays", 14),
        ("2027-site-ice-bath", 10),
        ("2027-site-breaker", 7),
        ("2027-site-cut-out", 7),
        ("2027-site-pre-warm", 1),
    ]
    assert "licensed electrician" in checks[2].description
    assert checks[1].description.endswith("hotbed log site checked ice-bath")
    # Planned late, what should have been done already is for today.
    late = plan_season(orders, FROST, today=first - timedelta(5))
    days = {task.uid.partition("-site-")[2]: task.day for task in late.tasks}
    assert days["wash-trays"] == days["ice-bath"] == first - timedelta(5)
    assert days["pre-warm"] == first - timedelta(1)


def test_a_task_keeps_its_uid_when_the_plan_is_made_again_and_shares_it_with_none() -> None:
    orders = [
        tomatoes(54, times=3, every_weeks=2),
        tomatoes(10, label="late", anchor=HandOver(date(2027, 6, 1))),
        replace(tomatoes(30), crop=HARDY, seeds_per_cell=2),
    ]
    before = plan_season(orders, FROST).tasks
    after = plan_season(orders, LastFrost(FROST.day, 9), today=date(2027, 4, 1)).tasks
    assert {task.uid for task in before} == {task.uid for task in after}
    assert len({task.uid for task in before}) == len(before)
    assert any(task.uid == "2027-tomato-late-1-hand-over" for task in before)
    assert any(task.uid == "2027-kale-1-thin" for task in before)


# What is refused


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"plants": 0}, r"plants of Tomato is 0; allowed: whole, 1 to 5000"),
        ({"spare": 10}, r"spare of Tomato is 10 of the plants; allowed: 0 to 1"),
        ({"assurance": 1}, r"assurance of Tomato is 1; allowed: 0.5 to 0.999"),
        ({"times": 2}, r"weeks between sowings of Tomato is 0; allowed: whole, 1 to 26"),
        ({"prick_out_into": CELLS}, r"pricked out of cells-72; allowed: only out of an open tray"),
        (
            {"sow_in": OPEN, "prick_out_into": OPEN},
            r"pricked out into an open tray; allowed: cells",
        ),
        ({"pot_on_into": OPEN}, r"potted on into an open tray; allowed: cells or pots"),
    ],
)
def test_an_order_that_cannot_be_is_refused_with_the_range(
    wrong: dict[str, object], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        tomatoes(**wrong)  # type: ignore[arg-type]


def test_a_plan_that_cannot_be_is_refused_with_what_is_allowed() -> None:
    with pytest.raises(ValueError, match=r"tomato is ordered 2 times; allowed: once, or labelled"):
        plan_season([tomatoes(), tomatoes()], FROST)
    with pytest.raises(ValueError, match=r"bench upper is given 2 times; allowed: once"):
        plan_season([tomatoes()], FROST, benches=[UPPER, UPPER])
    with pytest.raises(ValueError, match=r"no bench serves for germination"):
        plan_season([tomatoes()], FROST, benches=[UPPER])
    with pytest.raises(ValueError, match=r"for growing on bench attic; allowed: upper, lower"):
        plan_season([tomatoes(grow_on="attic")], FROST, benches=[WARM, UPPER, LOWER])
    with pytest.raises(ValueError, match=r"on bench warm; allowed: none, for no bench is given"):
        plan_season([tomatoes(germinate_on="warm")], FROST)
    with pytest.raises(ValueError, match=r"soil normals are 11; allowed: 12 \(months\) or 52"):
        SoilNormals((10,) * 11)
    with pytest.raises(ValueError, match=r"risk of frost is 0; allowed: 0.01 to 0.5"):
        LastFrost.from_record(date(2027, 5, 1), 10, 0)
    with pytest.raises(
        ValueError, match=r"margin after the last frost is -1 days; allowed: 0 to 60"
    ):
        LastFrost(FROST.day, -1)
    with pytest.raises(
        ValueError, match=r"weeks to transplant of tomato is 7 to 5; allowed: rising"
    ):
        replace(TOMATO, weeks_to_transplant=(7, 5))
    with pytest.raises(ValueError, match=r"bench b serves for nothing; allowed: germination"):
        Bench("b", 1, frozenset())
