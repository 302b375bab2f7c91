"""One bench, several batches: the aim harms nobody, suits all where it can, and says where it can't."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.sharing import CEILING_MARGIN, Aim, aim_of
from daemon.state import Batch, Count
from profiles.model import Crop, Figure, Photoperiod, Stage, Temperature
from tests.daemon.builders import START, batch, library

CROPS = library().crops
GERM, SEEDLING = Stage.GERMINATION, Stage.SEEDLING


def aim(
    *batches: Batch, called: frozenset[str] = frozenset(), crops: Mapping[str, Crop] = CROPS
) -> Aim:
    return aim_of(batches, crops, called)


def soil_figures(crop: str, stage: Stage = GERM) -> tuple[float, float, float]:
    """Acceptable low and high, and the ceiling, from the crop's own file."""
    targets = CROPS[crop].stages[stage]
    assert targets.soil_acceptable is not None
    return targets.soil_acceptable.low, targets.soil_acceptable.high, targets.soil_ceiling_c.value


def test_an_empty_bench_wants_nothing() -> None:
    assert aim() == Aim()


def test_a_batch_alone_gets_the_middle_of_what_it_likes_best() -> None:
    best = CROPS["pepper"].stages[GERM].soil_best
    assert best is not None
    alone = aim(batch("PEP1", "pepper"))
    assert alone.soil == (best.low + best.high) / 2
    assert alone.soil_range == soil_figures("pepper")[:2]
    assert alone.ceiling == soil_figures("pepper")[2]
    assert alone.conflicts == ()
    assert alone.seed == ("PEP1",)


def test_seed_is_dark_until_it_may_be_up_and_then_lit_for_its_hours() -> None:
    seed = batch("PEP1", "pepper")
    assert aim(seed).hours == 0
    lit = aim(seed, called=frozenset({"PEP1"}))
    assert (lit.hours, lit.lit_for) == (16.0, "PEP1")
    assert aim(seed, called=frozenset({"PEP2"})).hours == 0
    up = replace(seed, counts=(Count(START, 1, 72, "Ada"),))
    assert aim(up).hours == 16.0
    nothing_yet = replace(seed, counts=(Count(START, 0, 72, "Ada"),))
    assert aim(nothing_yet).hours == 0


def test_seed_that_needs_light_lights_the_bench_at_once_for_all() -> None:
    assert CROPS["lettuce"].light_to_germinate.value
    both = aim(batch("LET1", "lettuce"), batch("BRO1", "broccoli"))
    assert both.hours == CROPS["lettuce"].stages[GERM].photoperiod_h.best  # type: ignore[union-attr]
    assert both.lit_for == "LET1"


def test_two_sorts_of_seed_meet_inside_what_both_accept() -> None:
    low, high = soil_figures("pepper")[0], soil_figures("lettuce")[1]
    assert low < high, "or the two have nothing in common and this is the wrong example"
    both = aim(batch("PEP1", "pepper"), batch("LET1", "lettuce"))
    assert both.soil_range == (low, high)
    assert both.soil is not None
    assert low <= both.soil <= high
    assert both.ceiling == soil_figures("lettuce")[2]
    assert both.ceiling_of == "lettuce"
    assert both.conflicts == ()


def test_hot_seed_beside_emerged_lettuce_is_held_to_what_the_lettuce_stands_and_told() -> None:
    ceiling = CROPS["lettuce"].stages[SEEDLING].soil_ceiling_c.value
    shared = aim(batch("OKR1", "okra"), batch("LET1", "lettuce", SEEDLING))
    assert shared.soil == ceiling - CEILING_MARGIN
    assert shared.ceiling == ceiling
    (told,) = shared.conflicts
    assert told.startswith("OKR1 can't share this bench well with LET1: at 26.0 °C ")
    assert "12 days to emergence, 7 by itself" in told
    # In the grower's own scale; and a little cooler than it likes is no hardship.
    (told,) = aim_of(
        [batch("OKR1", "okra"), batch("LET1", "lettuce", SEEDLING)], CROPS, (), "F"
    ).conflicts
    assert "78.8 °F" in told
    assert aim(batch("PEP1", "pepper"), batch("LET1", "lettuce", SEEDLING)).conflicts == ()


def test_seed_that_likes_what_the_leaves_stand_is_no_conflict() -> None:
    shared = aim(batch("BRO1", "broccoli"), batch("PEP1", "pepper", SEEDLING))
    assert shared.conflicts == ()


def hot_and_cool() -> Mapping[str, Crop]:
    """The shipped crops, and a seed so hot that lettuce has nothing in common with it."""
    pepper = CROPS["pepper"]
    hot = Temperature(low=28, high=31, of="soil", source="own")
    targets = pepper.stages[GERM].model_copy(update={"soil_best": hot, "soil_acceptable": hot})
    crop = pepper.model_copy(
        update={"name": "hot", "code": "HO", "stages": {**pepper.stages, GERM: targets}}
    )
    return {**CROPS, "hot": crop}


def test_where_nothing_suits_all_the_aim_harms_nobody_and_the_conflict_is_told() -> None:
    crops = hot_and_cool()
    high = soil_figures("lettuce")[1]
    shared = aim(batch("HO1", "hot"), batch("LET1", "lettuce"), crops=crops)
    assert shared.soil == high
    assert shared.soil_range is None
    (told,) = shared.conflicts
    assert told == (
        "HO1 wants soil of 28.0 °C or more, LET1 at most 24.0 °C: they can't share this bench well; "
        "aiming for 24.0 °C, the warmest that all stand, and slow for HO1"
    )


def test_after_emergence_only_a_root_zone_floor_asks_for_the_mat() -> None:
    floor = CROPS["pepper"].stages[SEEDLING].root_zone_floor_c
    assert floor is not None
    assert aim(batch("PEP1", "pepper", SEEDLING)).soil == floor.value
    nothing = aim(batch("LET1", "lettuce", SEEDLING))
    assert (nothing.soil, nothing.soil_range) == (None, None)
    # The floor stays under the ceiling of a cooler neighbour.
    both = aim(batch("PEP1", "pepper", SEEDLING), batch("LET1", "lettuce", SEEDLING))
    assert both.soil == floor.value
    assert both.soil_range == (floor.value, 26.0)


def test_seed_is_never_kept_cooler_than_a_neighbours_floor() -> None:
    crops = dict(CROPS)
    lettuce = CROPS["lettuce"]
    high_floor = lettuce.stages[SEEDLING].model_copy(
        update={"mat": "floor", "root_zone_floor_c": Figure(value=22, source="own")}
    )
    crops["lettuce"] = lettuce.model_copy(
        update={"stages": {**lettuce.stages, SEEDLING: high_floor}}
    )
    best = CROPS["lettuce"].stages[GERM].soil_best
    assert best is not None
    assert best.high < 22
    both = aim(batch("LET1", "lettuce", SEEDLING), batch("LET2", "lettuce"), crops=crops)
    assert both.soil == 22


def test_onions_twelve_hours_hold_a_shared_bench() -> None:
    both = aim(batch("ONI1", "onion", SEEDLING), batch("PEP1", "pepper", SEEDLING))
    assert both.hours == 12.0
    assert not [told for told in both.conflicts if "of light" in told]


def test_hours_that_nobody_shares_take_the_shorter_day_and_are_told() -> None:
    pepper = CROPS["pepper"]
    long_day = pepper.stages[SEEDLING].model_copy(
        update={"photoperiod_h": Photoperiod(low=14, best=16, high=16, source="own")}
    )
    crops = {
        **CROPS,
        "pepper": pepper.model_copy(update={"stages": {**pepper.stages, SEEDLING: long_day}}),
    }
    both = aim(batch("ONI1", "onion", SEEDLING), batch("PEP1", "pepper", SEEDLING), crops=crops)
    assert both.hours == 12.0
    assert (
        "PEP1 wants at least 14 h of light, ONI1 at most 12 h: they can't share this bench well; "
        "giving 12 h, since too short only slows" in both.conflicts
    )


def test_hardening_asks_for_no_lamp() -> None:
    assert aim(batch("LET1", "lettuce", Stage.HARDENING)).hours == 0


def test_air_is_shared_by_those_with_leaves_and_a_wide_miss_is_told() -> None:
    pepper = CROPS["pepper"].stages[SEEDLING]
    alone = aim(batch("PEP1", "pepper", SEEDLING))
    assert alone.air_day == (pepper.air_day.low, pepper.air_day.high)  # type: ignore[union-attr]
    both = aim(batch("PEP1", "pepper", SEEDLING), batch("LET1", "lettuce", SEEDLING))
    assert any("PEP1 wants air of 16.0 °C or more by night" in told for told in both.conflicts)
    # A miss of a degree by day (pepper from 21, lettuce to 20) is not worth a word.
    assert not any("by day" in told for told in both.conflicts)
    # In conflict, off target is only what is so for everybody.
    lettuce = CROPS["lettuce"].stages[SEEDLING]
    assert both.air_day == (lettuce.air_day.low, pepper.air_day.high)  # type: ignore[union-attr]
    assert aim(batch("PEP1", "pepper")).air_day is None


def test_air_that_misses_by_exactly_the_slack_is_not_told() -> None:
    def with_night(low: float, high: float) -> Crop:
        night = Temperature(low=low, high=high, of="air", source="own")
        targets = CROPS["tomato"].stages[SEEDLING].model_copy(update={"air_night": night})
        return CROPS["tomato"].model_copy(
            update={"stages": {**CROPS["tomato"].stages, SEEDLING: targets}}
        )

    one, other = batch("A1", "warm", SEEDLING), batch("B1", "cool", SEEDLING)
    just = {"warm": with_night(14, 16), "cool": with_night(8, 12)}
    assert aim(one, other, crops=just).conflicts == ()
    over = {"warm": with_night(14.1, 16), "cool": with_night(8, 12)}
    assert len(aim(one, other, crops=over).conflicts) == 1


def test_one_covered_tray_covers_the_bench_and_leaves_beside_it_are_told() -> None:
    covered = replace(batch("PEP1", "pepper"), covered=True)
    assert aim(covered).covered
    assert not aim(batch("PEP1", "pepper")).covered
    beside = aim(covered, batch("TOM1", "tomato", SEEDLING))
    assert beside.covered
    assert any("under a cover below a lit lamp: PEP1" in told for told in beside.conflicts)
    # In the dark, or with only seed that wants light, there is nothing to say.
    assert aim(covered, batch("TOM1", "tomato")).conflicts == ()
    assert aim(replace(batch("LET1", "lettuce"), covered=True)).conflicts == ()


def test_the_light_of_a_shared_bench_is_that_of_its_hungriest() -> None:
    seedling, grown = batch("TOM1", "tomato", SEEDLING), batch("PEP1", "pepper", Stage.GROWING_ON)
    one = CROPS["tomato"].stages[SEEDLING].dli
    two = CROPS["pepper"].stages[Stage.GROWING_ON].dli
    assert one is not None
    assert two is not None
    assert aim(seedling, grown).dli == (max(one.low, two.low), max(one.high, two.high))
    assert aim(batch("TOM1", "tomato")).dli is None


# --- any crops at all ------------------------------------------------------------------------------


@st.composite
def made_up_crops(draw: st.DrawFn) -> Crop:
    """A crop with any figures that a profile could hold."""
    low = draw(st.integers(0, 28))
    high = draw(st.integers(low, 31))
    best_low = draw(st.integers(low, high))
    best_high = draw(st.integers(best_low, high))
    ceiling = draw(st.floats(high + 0.1, 38))
    hours = sorted(draw(st.lists(st.integers(0, 24), min_size=3, max_size=3)))
    period = Photoperiod(low=hours[0], best=hours[1], high=hours[2], source="own")
    base = CROPS["tomato"]
    seed = base.stages[GERM].model_copy(
        update={
            "soil_acceptable": Temperature(low=low, high=high, of="soil", source="own"),
            "soil_best": Temperature(low=best_low, high=best_high, of="soil", source="own"),
            "soil_ceiling_c": Figure(value=ceiling, source="own"),
            "photoperiod_h": period,
        }
    )
    leaf_ceiling = draw(st.floats(5.5, 38))
    floor = draw(st.none() | st.floats(5, 25))
    mat = "off" if floor is None or floor >= leaf_ceiling else "floor"
    leaf = base.stages[SEEDLING].model_copy(
        update={
            "soil_ceiling_c": Figure(value=leaf_ceiling, source="own"),
            "root_zone_floor_c": Figure(value=floor, source="own") if mat == "floor" else None,
            "mat": mat,
            "photoperiod_h": period,
        }
    )
    return base.model_copy(update={"stages": {**base.stages, GERM: seed, SEEDLING: leaf}})


def spans(batches: list[Batch], crops: Mapping[str, Crop]) -> list[tuple[float, float]]:
    """What each accepts of the soil, its own ceiling kept clear of, straight from the profiles."""
    found = []
    for one in batches:
        targets = crops[one.crop].stages[one.stage]
        low, high = -1e9, targets.soil_ceiling_c.value - CEILING_MARGIN
        if one.stage is GERM and targets.soil_acceptable is not None:
            low, high = targets.soil_acceptable.low, min(high, targets.soil_acceptable.high)
        elif targets.root_zone_floor_c is not None:
            low = targets.root_zone_floor_c.value
        found.append((low, high))
    return found


@settings(deadline=None, max_examples=200)
@given(
    made=st.lists(
        st.tuples(made_up_crops(), st.sampled_from([GERM, SEEDLING])), min_size=1, max_size=5
    )
)
def test_the_aim_suits_all_where_it_can_and_harms_nobody_in_any_company(
    made: list[tuple[Crop, Stage]],
) -> None:
    crops = {f"crop{number}": crop for number, (crop, _) in enumerate(made)}
    batches = [batch(f"B{n}", f"crop{n}", stage) for n, (_, stage) in enumerate(made)]
    shared = aim(*batches, called=frozenset(one.code for one in batches), crops=crops)
    asked = spans(batches, crops)
    low, high = max(one for one, _ in asked), min(other for _, other in asked)
    ceilings = [crops[one.crop].stages[one.stage].soil_ceiling_c.value for one in batches]
    assert shared.ceiling == min(ceilings)
    if low == -1e9:
        assert shared.soil is None
    else:
        assert shared.soil is not None
        assert shared.soil <= min(ceilings) - CEILING_MARGIN + 1e-9
        if low <= high:
            assert low - 1e-9 <= shared.soil <= high + 1e-9
            assert not any("can't share this bench well; aiming" in one for one in shared.conflicts)
        else:
            assert shared.soil == pytest.approx(high)
            assert any("can't share this bench well; aiming" in one for one in shared.conflicts)
    periods = [crops[one.crop].stages[one.stage].photoperiod_h for one in batches]
    longest_low = max(one.low for one in periods if one is not None)
    shortest_high = min(one.high for one in periods if one is not None)
    assert shared.hours <= shortest_high + 1e-9
    assert shared.hours >= min(longest_low, shortest_high) - 1e-9
    told = any("h of light" in one for one in shared.conflicts)
    assert told == (longest_low > shortest_high)


@settings(deadline=None, max_examples=100)
@given(
    made=st.lists(made_up_crops(), min_size=2, max_size=4),
    order=st.randoms(use_true_random=False),
)
def test_the_aim_does_not_depend_on_the_order_of_the_trays(made: list[Crop], order: object) -> None:
    crops = {f"crop{number}": crop for number, crop in enumerate(made)}
    batches = [batch(f"B{n}", f"crop{n}") for n in range(len(made))]
    shuffled = list(batches)
    order.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = aim(*batches, crops=crops), aim(*shuffled, crops=crops)
    assert one.soil == pytest.approx(other.soil)
    assert one.hours == pytest.approx(other.hours)
    assert one.ceiling == other.ceiling
    assert one.soil_range == other.soil_range


def test_seed_that_wants_cooler_nights_gets_them_within_what_all_accept() -> None:
    alternating = [crop for crop in CROPS.values() if crop.stages[GERM].soil_best_night is not None]
    assert alternating
    for crop in alternating:
        targets = crop.stages[GERM]
        night, day = targets.soil_best_night, targets.soil_best
        assert night is not None
        assert day is not None
        alone = aim(batch("A1", crop.name))
        assert alone.soil == (day.low + day.high) / 2
        assert alone.soil_night == (night.low + night.high) / 2
        # Beside warm seed neither leaves what that accepts.
        both = aim(batch("A1", crop.name), batch("PEP1", "pepper"))
        low, high = soil_figures("pepper")[0], soil_figures(crop.name)[1]
        if low <= high:
            assert both.soil_night is not None
            assert low <= both.soil_night <= high
    assert aim(batch("PEP1", "pepper")).soil_night is None
