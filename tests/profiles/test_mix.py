"""Litres of mix: volumes against plain geometry, and sums that must come out whatever is filled."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad  # type: ignore[import-untyped]

from profiles.mix import (
    COMPOST_MIX,
    CONTAINERS,
    Container,
    Filling,
    Recipe,
    cells,
    mix_for,
    open_tray,
    pot,
)

CELL, POT = CONTAINERS["cells-72"], CONTAINERS["pot-9cm"]
FILLINGS = st.lists(
    st.builds(Filling, st.sampled_from(list(CONTAINERS.values())), st.integers(0, 2000)),
    min_size=1,
    max_size=4,
)
RECIPES = st.builds(
    Recipe,
    st.dictionaries(st.sampled_from("abcdef"), st.floats(0.1, 20), min_size=1).map(
        lambda parts: tuple(parts.items())
    ),
    st.floats(0, 0.5),
    st.floats(0, 0.5),
)


def test_potting_on_from_72_cells_to_9_cm_pots_takes_four_times_the_room() -> None:
    assert (CELL.per_tray, POT.per_tray) == (72, 18)


@pytest.mark.parametrize("name", CONTAINERS)
def test_what_stands_in_a_tray_fits_its_footprint_and_holds_less_the_more_there_are(
    name: str,
) -> None:
    one = CONTAINERS[name]
    assert one.name == name
    # 540 by 275 mm, 100 mm deep at the most.
    assert one.per_tray * one.volume_l < 5.4 * 2.75 * 1.0
    finer = [c for c in CONTAINERS.values() if c.per_tray > one.per_tray]
    assert all(c.volume_l < one.volume_l for c in finer)


@given(st.floats(15, 100), st.floats(0.3, 1), st.floats(20, 200))
def test_a_tapered_cell_holds_what_its_cross_sections_add_up_to(
    top: float, taper: float, depth: float
) -> None:
    bottom = taper * top
    added_up, _ = quad(lambda z: (bottom + (top - bottom) * z / depth) ** 2, 0, depth)
    assert cells(72, top, bottom, depth).volume_l == pytest.approx(added_up / 1e6, rel=1e-6)


def test_a_round_pot_holds_pi_quarters_of_a_square_one() -> None:
    square, round_ = (pot("p", "pot", 90, 85, round_=shape) for shape in (False, True))
    assert round_.volume_l / square.volume_l == pytest.approx(0.7854, abs=1e-4)
    assert round_.per_tray == square.per_tray


def test_a_tray_of_72_takes_about_4_litres_of_parts_by_hand() -> None:
    # 72 cells of 38 mm tapering to 22, 57 mm deep: 57/3 x (1444 + 484 + 836) mm3 = 52.5 ml, so
    # 3.781 l to the brim, 2.836 l at three quarters, / 0.9 = 3.151 loose, / 0.85 = 3.707 of parts.
    order = mix_for([Filling(CELL, 72)])
    assert order.filled_l == pytest.approx(2.836, abs=1e-3)
    assert order.loose_l == pytest.approx(3.151, abs=1e-3)
    assert order.parts_l == pytest.approx(3.707, abs=1e-3)
    litres = {one.name: one.litres for one in order.ingredients}
    assert litres["compost"] == pytest.approx(order.parts_l / 2)
    assert litres["coir"] == pytest.approx(order.parts_l / 4)
    assert litres["perlite"] == litres["vermiculite"] == pytest.approx(order.parts_l / 8)


def test_a_plug_that_is_potted_on_brings_its_own_mix() -> None:
    empty, planted = Filling(POT, 18), Filling(POT, 18, CELL)
    assert empty.litres(0.75) - planted.litres(0.75) == pytest.approx(
        Filling(CELL, 18).litres(0.75)
    )


@given(FILLINGS, RECIPES, st.floats(0.3, 1))
def test_parts_less_what_shrinks_and_settles_fill_the_containers(
    fillings: list[Filling], recipe: Recipe, fill: float
) -> None:
    order = mix_for(fillings, recipe, fill=fill)
    held = sum(f.count * f.container.volume_l for f in fillings) * fill
    parts = sum(one.litres for one in order.ingredients)
    assert order.filled_l == pytest.approx(held)
    assert parts == pytest.approx(order.parts_l)
    assert parts * (1 - recipe.shrinkage) == pytest.approx(order.loose_l)
    assert order.loose_l * (1 - recipe.settling) == pytest.approx(held)


@given(
    st.integers(0, 20_000),
    st.lists(st.integers(1, 300), min_size=1, max_size=4),
)
def test_bags_cover_what_is_needed_and_leave_less_over_than_the_smallest_bag(
    count: int, sizes: list[int]
) -> None:
    order = mix_for([Filling(CELL, count)], bag_sizes={"compost": sizes})
    compost = order.ingredients[0]
    assert compost.bought_l >= compost.litres * (1 - 1e-9)
    # One more large bag stands in for small ones only where those would hold as much.
    left = compost.bought_l - compost.litres
    assert left < max(min(sizes), 1e-9) + 1e-6
    assert [size for size, _ in compost.bags] == sorted({s for s, _ in compost.bags}, reverse=True)


@pytest.mark.parametrize(
    ("litres", "bags"),
    [
        (0, ()),
        (20, ((20, 1),)),
        (21, ((20, 2),)),
        (41, ((50, 1),)),  # three of 20 would be more than one of 50
        (55, ((50, 1), (20, 1))),
        (95, ((50, 2),)),
    ],
)
def test_bags_are_the_largest_that_are_used_up_and_small_ones_for_the_rest(
    litres: float, bags: tuple[tuple[float, int], ...]
) -> None:
    plain = Recipe((("compost", 1),), 0, 0)
    bucket = Container("bucket", "bucket", "pot", 1, 1.0)
    order = mix_for([Filling(bucket, int(litres))], plain, fill=1, bag_sizes={"compost": [20, 50]})
    assert order.ingredients[0].bags == bags


def test_what_is_out_of_range_is_refused_with_name_value_and_range() -> None:
    with pytest.raises(ValueError, match=r"fill is 75 of the brim; allowed: 0.3 to 1"):
        mix_for([], fill=75)
    with pytest.raises(ValueError, match=r"sand is not in the recipe; allowed: compost, coir"):
        mix_for([], bag_sizes={"sand": [20]})
    with pytest.raises(ValueError, match=r"bag of coir is 0 l; allowed: 1 to 2000"):
        mix_for([], bag_sizes={"coir": [0]})
    with pytest.raises(ValueError, match=r"coir has 0 bag sizes; allowed: 1 to 4"):
        mix_for([], bag_sizes={"coir": []})
    with pytest.raises(ValueError, match=r"parts of coir are -1; allowed: over 0, up to 1000"):
        Recipe((("coir", -1),))
    with pytest.raises(ValueError, match=r"coir is in the recipe twice; allowed: once"):
        Recipe((("coir", 1), ("coir", 2)))
    with pytest.raises(ValueError, match=r"no parts; allowed: one ingredient or more"):
        Recipe(())
    with pytest.raises(ValueError, match=r"shrinkage is 15 of the parts; allowed: 0 to 0.5"):
        Recipe(COMPOST_MIX.parts, shrinkage=15)
    with pytest.raises(ValueError, match=r"number of cells-72 is -1; allowed: whole, 0 to"):
        Filling(CELL, -1)
    with pytest.raises(ValueError, match=r"plug of pot-9cm .* does not fit cells-72"):
        Filling(CELL, 1, POT)
    with pytest.raises(ValueError, match=r"width of a p is 400 mm; allowed: 20 to 275"):
        pot("p", "pot", 400, 80)
    with pytest.raises(ValueError, match=r"depth is 1 mm; allowed: 10 to 300"):
        open_tray(1)
    with pytest.raises(ValueError, match=r"at the bottom is 50 mm; allowed: over 0, up to 40"):
        cells(72, 40, 50, 57)
    with pytest.raises(ValueError, match=r"number of p per tray is 0; allowed: whole, 1 to 1000"):
        Container("p", "pot", "pot", 0, 1)
