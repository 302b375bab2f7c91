"""The bench's heat against scipy, closed forms, heat balances and what growers see."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
import scipy.linalg  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp  # type: ignore[import-untyped]

from sim.thermal import (
    AIR,
    DRY_SURFACE_BELOW,
    HEADSPACE,
    LATENT_J_LITRE,
    LOWER,
    MAT,
    MOISTURE_BANDS,
    NODES,
    ROOM,
    SEED_DEPTH_MM,
    SURFACE,
    UPPER,
    WATER_J_LITRE_K,
    Array,
    Site,
    ThermalNetwork,
    TrayFigures,
    expm,
    saturation_density,
    soil_mix,
    soil_site,
)

MINUTE = 60_000_000
HOUR = 3_600_000_000
FIGURES = TrayFigures()
SEED = soil_site(SEED_DEPTH_MM, FIGURES)


def flows(
    net: ThermalNetwork, temps: Sequence[float], room: float, mat_watts: float, lamp_watts: float
) -> tuple[list[float], float]:
    """Heat into each node of one tray [W], and evaporated [W], written out joint by joint."""
    f, wet = net.figures, round(net.moisture * MOISTURE_BANDS) / MOISTURE_BANDS
    mat, lower, upper, surface, head = temps
    lo, up, su = (thick / 1000 for thick in f.layers_mm)
    ka = f.medium_w_mk * f.area_m2
    to_lower = (mat - lower) / (1 / f.contact_w_k + lo / 2 / ka)
    to_upper = (lower - upper) * ka / ((lo + up) / 2)
    to_surface = (upper - surface) * ka / ((up + su) / 2)
    side = f.sides_w_k / (lo + up + su)
    evaporation = f.evaporation_w_k * (surface - room) + f.evaporation_w
    evaporation *= min(1.0, wet / DRY_SURFACE_BELOW)
    if net.covered:
        evaporation *= f.covered_evaporation
        to_head, radiated = f.covered_surface_w_k * (surface - head), 0.0
        out = f.covered_room_w_k * (head - room)
    else:
        to_head = f.open_surface_w_k * (surface - head)
        radiated = f.open_radiation_w_k * (surface - room)
        out = f.open_room_w_k * (head - room)
    into = [
        mat_watts - to_lower - f.down_w_k * (mat - room),
        to_lower - to_upper - side * lo * (lower - room),
        to_upper - to_surface - side * up * (upper - room),
        to_surface - to_head - radiated - evaporation - side * su * (surface - room),
        to_head - out,
    ]
    into[3] += f.lamp_surface * lamp_watts
    into[4] += f.lamp_air * lamp_watts
    return into, evaporation


def capacities(net: ThermalNetwork) -> list[float]:
    f, wet = net.figures, round(net.moisture * MOISTURE_BANDS) / MOISTURE_BANDS
    medium = f.medium_dry_j_k + wet * f.water_litres * WATER_J_LITRE_K
    layers = [medium * thick / sum(f.layers_mm) for thick in f.layers_mm]
    head = f.covered_headspace_j_k if net.covered else f.open_headspace_j_k
    return [f.mat_j_k, *layers, head]


def integrated(
    net: ThermalNetwork,
    lags: Sequence[float],
    sites: Sequence[Site],
    seconds: float,
    room_from: float,
    room_to: float,
    mat_watts: float,
    lamp_watts: float,
) -> Array:
    """The same step by scipy, from an equation of our own for the test."""
    capacity = capacities(net)

    def slope(t: float, x: Sequence[float]) -> list[float]:
        room = room_from + (room_to - room_from) * t / seconds
        into, evaporation = flows(net, x[:5], room, mat_watts, lamp_watts)
        probes = [
            (np.dot(site.nodes, x[:5]) + site.room * room - x[6 + i]) / lag
            for i, (site, lag) in enumerate(zip(sites, lags, strict=True))
        ]
        nodes = [heat / c for heat, c in zip(into, capacity, strict=True)]
        return [*nodes, evaporation / LATENT_J_LITRE, *probes]

    start = [*net.temps[:5], 0.0, *net.temps[6:]]
    found = solve_ivp(slope, (0, seconds), start, method="LSODA", rtol=1e-10, atol=1e-10)
    end: Array = found.y[:, -1]
    return end


@pytest.mark.parametrize("seed", range(6))
def test_steps_agree_with_solve_ivp_over_random_benches_and_inputs(seed: int) -> None:
    draw = np.random.default_rng(seed)

    def vary(value: float) -> float:
        return value * draw.uniform(0.6, 1.6)

    names = [n for n in TrayFigures.__slots__ if n not in ("layers_mm", "covered_evaporation")]
    figures = replace(
        FIGURES,
        layers_mm=(vary(30.0), vary(14.0), vary(6.0)),
        **{n: vary(getattr(FIGURES, n)) for n in names},
    )
    sites = [soil_site(draw.uniform(0, 60), figures), AIR, ROOM]
    lags = draw.uniform(5, 200, 3).tolist()
    trays = draw.uniform(0.5, 8)
    net = ThermalNetwork(
        figures,
        trays=trays,
        mat_watts=18 * trays,
        lamp_watts=25 * trays,
        probes=list(zip(sites, lags, strict=True)),
        room_c=draw.uniform(5, 25),
        moisture=draw.uniform(0, 1),
    )
    for _ in range(8):
        net.covered = bool(draw.integers(2))
        mat, lamp = draw.integers(2, size=2)
        seconds = float(draw.choice([1, 60, 600, 5000, 20000]))
        room, room_to = draw.uniform(5, 30, 2).tolist()
        moisture = net.moisture
        expected = integrated(net, lags, sites, seconds, room, room_to, 18.0 * mat, 25.0 * lamp)
        net.step(round(seconds * 1e6), room, room_to, mat, lamp)
        np.testing.assert_allclose(net.temps[:5], expected[:5], atol=2e-7)
        np.testing.assert_allclose(net.temps[6:], expected[6:], atol=2e-7)
        dried = moisture - expected[5] / figures.water_litres
        assert net.moisture == pytest.approx(min(1, max(0, dried)), abs=1e-9)


def test_a_mat_cut_off_from_the_tray_follows_the_exponential_of_one_resistor_and_capacitor() -> (
    None
):
    figures = replace(FIGURES, contact_w_k=1e-13, down_w_k=0.5, mat_j_k=1500.0)
    net = ThermalNetwork(figures, mat_watts=20.0, room_c=18.0)
    for hours in (0.1, 0.5, 2.0):
        net.settle(18.0)
        net.step(round(hours * HOUR), 18.0, 18.0, 1, 0)
        expected = 18 + 40 * (1 - np.exp(-hours * 3600 * 0.5 / 1500))
        assert net.temps[MAT] == pytest.approx(expected, abs=1e-9)


def test_a_probe_lags_a_rising_room_by_the_closed_form() -> None:
    lag, rise, seconds = 90.0, 6.0, 3600.0
    net = ThermalNetwork(probes=[(ROOM, lag)], room_c=10.0)
    net.step(HOUR, 10.0, 16.0, 0, 0)
    slope = rise / seconds
    expected = 16.0 - slope * lag * (1 - np.exp(-seconds / lag))
    assert net.probe(0) == pytest.approx(expected, abs=1e-10)


@pytest.mark.parametrize("size", [1e-3, 1.0, 300.0])
def test_the_matrix_exponential_agrees_with_scipy(size: float) -> None:
    draw = np.random.default_rng(3)
    matrix = draw.normal(size=(9, 9)) * size
    matrix -= np.eye(9) * np.abs(matrix).sum()  # decaying, as heat does
    np.testing.assert_allclose(expm(matrix), scipy.linalg.expm(matrix), rtol=1e-9, atol=1e-14)


def test_the_matrix_exponential_of_a_rotation_and_of_nothing() -> None:
    turn = np.array([[0.0, -np.pi / 3], [np.pi / 3, 0.0]])
    np.testing.assert_allclose(expm(turn), [[0.5, -(3**0.5) / 2], [3**0.5 / 2, 0.5]], atol=1e-14)
    np.testing.assert_array_equal(expm(np.zeros((3, 3))), np.eye(3))


@pytest.mark.parametrize("covered", [True, False])
def test_heat_stored_is_heat_given_less_heat_lost(covered: bool) -> None:
    net = ThermalNetwork(mat_watts=18, lamp_watts=30, covered=covered, room_c=15.0)
    wanted = np.zeros(5)
    start = np.array(net.temps[:5])
    for second in range(3 * 3600):
        lamp = second > 3600
        moisture, before = net.moisture, net.temps[:5]
        net.step(1_000_000, 15.0, 15.0, 1, lamp)
        middle = [(a + b) / 2 for a, b in zip(before, net.temps, strict=False)]
        net.moisture = moisture
        wanted += flows(net, middle, 15.0, 18.0, 30.0 * lamp)[0]
    stored = (np.array(net.temps[:5]) - start) * capacities(net)
    np.testing.assert_allclose(stored, wanted, rtol=1e-4, atol=0.5)


@pytest.mark.parametrize("covered", [True, False])
def test_when_settled_the_losses_are_the_watts(covered: bool) -> None:
    net = ThermalNetwork(mat_watts=20, lamp_watts=24, covered=covered)
    net.settle(17.0, mat_on=True, lamp_on=True)
    into, _ = flows(net, net.temps[:5], 17.0, 20.0, 24.0)
    np.testing.assert_allclose(into, 0.0, atol=1e-9)


def seed_lift(watts: float, *, covered: bool, moisture: float = 1.0, room: float = 20.0) -> float:
    net = ThermalNetwork(mat_watts=watts, covered=covered, moisture=moisture, room_c=room)
    net.settle(room, mat_on=True)
    return net.at(SEED, room) - room


@pytest.mark.parametrize("watts", [17, 18, 20])
def test_a_covered_tray_settles_8_to_11_degrees_over_the_room(watts: float) -> None:
    """A propagation mat lifts 15 to 20 °F, 8 to 11 °C (common practice, no source)."""
    assert 8.0 <= seed_lift(watts, covered=True) <= 11.0


def test_a_covered_tray_is_63_percent_there_in_2_to_3_and_a_half_hours() -> None:
    net = ThermalNetwork(mat_watts=18, covered=True)
    start, goal = net.at(SEED, 20.0), 20.0 + seed_lift(18, covered=True)
    minutes = 0
    while net.at(SEED, 20.0) < start + 0.632 * (goal - start):
        net.step(MINUTE, 20.0, 20.0, 1, 0)
        minutes += 1
    assert 120 <= minutes <= 210


def test_an_open_wet_tray_loses_about_half_the_lift_to_evaporation_and_a_covered_one_little() -> (
    None
):
    covered, wet = seed_lift(18, covered=True), seed_lift(18, covered=False)
    assert 0.4 <= wet / covered <= 0.6
    dry = seed_lift(18, covered=False, moisture=0.0)
    assert dry > wet + 2.5
    assert seed_lift(18, covered=True, moisture=0.0) - covered < 0.06 * covered


def test_a_wet_tray_without_heat_is_a_little_colder_than_the_room() -> None:
    net = ThermalNetwork(room_c=20.0)
    assert 18.0 < net.at(SEED, 20.0) < 19.5


def test_a_lit_lamp_warms_the_air_below_it_by_a_few_degrees_and_more_under_a_cover() -> None:
    lifts = {}
    for covered in (False, True):
        net = ThermalNetwork(lamp_watts=25, covered=covered)
        off = net.temps[HEADSPACE]
        net.settle(20.0, lamp_on=True)
        lifts[covered] = net.temps[HEADSPACE] - off
    assert 1.5 <= lifts[False] <= 4.0
    assert lifts[True] > lifts[False] + 2.0


def test_water_vapour_agrees_with_the_ashrae_values() -> None:
    """Saturation pressures [Pa]: ASHRAE Handbook, Fundamentals, as psychrolib 2.5.0 gives them."""
    for celsius, pascal in ((5, 872.49), (10, 1228.0), (20, 2338.8), (25, 3169.2), (35, 5627.8)):
        density = pascal / (461.5 * (celsius + 273.15))
        assert saturation_density(celsius) == pytest.approx(density, rel=3e-3)


def test_the_evaporation_of_an_open_heated_tray_is_a_few_tenths_of_a_litre_a_day() -> None:
    """A tray on a mat wants water about every day or two (common practice, no source)."""
    net = ThermalNetwork(mat_watts=18)
    net.settle(20.0, mat_on=True)
    for _ in range(24):
        net.step(HOUR, 20.0, 20.0, 1, 0)
    litres = (1.0 - net.moisture) * FIGURES.water_litres
    assert 0.15 <= litres <= 0.4


def test_a_cover_keeps_a_tray_moist_for_weeks_and_an_open_one_dries_in_days_but_never_below_0() -> (
    None
):
    days = {}
    for covered in (False, True):
        net = ThermalNetwork(mat_watts=18, covered=covered)
        hours = 0
        while net.moisture > 0.3 and hours < 60 * 24:
            net.step(HOUR, 20.0, 20.0, 1, 0)
            hours += 1
        days[covered] = hours / 24
        for _ in range(24 * 60):
            net.step(HOUR, 20.0, 20.0, 1, 0)
            assert 0.0 <= net.moisture <= 1.0
    assert 2 <= days[False] <= 8
    assert days[True] > 28


@settings(deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(st.sampled_from([1, 60, 3600]), st.floats(5, 30), st.booleans(), st.booleans()),
        min_size=1,
        max_size=8,
    ),
    st.floats(0, 40),
    st.floats(0, 40),
    st.booleans(),
)
def test_more_watts_never_make_anything_colder(
    steps: list[tuple[int, float, bool, bool]], one: float, other: float, covered: bool
) -> None:
    low, high = sorted((one, other))
    nets = [
        ThermalNetwork(
            mat_watts=w, lamp_watts=w, covered=covered, probes=[(SEED, 30.0), (AIR, 90.0)]
        )
        for w in (low, high)
    ]
    room = 20.0
    for seconds, room_to, mat, lamp in steps:
        for net in nets:
            net.moisture = 0.5
            net.step(seconds * 1_000_000, room, room_to, mat, lamp)
        room = room_to
        cold, warm = (np.delete(net.temps, 5) for net in nets)
        assert (warm >= cold - 1e-9).all()


def test_effects_of_mat_lamp_and_room_add_up() -> None:
    def end(mat: int, lamp: int, room: float) -> Array:
        net = ThermalNetwork(mat_watts=18, lamp_watts=30, probes=[(SEED, 30.0)])
        net.step(2 * HOUR, 20.0, room, mat, lamp)
        return np.delete(net.temps, 5)

    base = end(0, 0, 20.0)
    apart = sum(end(*case) - base for case in ((1, 0, 20.0), (0, 1, 20.0), (0, 0, 26.0)))
    np.testing.assert_allclose(end(1, 1, 26.0) - base, apart, atol=1e-9)


@settings(deadline=None, max_examples=40)
@given(st.floats(0, 30), st.floats(0, 30), st.integers(1, 60), st.booleans())
def test_one_long_step_over_a_straight_room_is_many_short_ones(
    start: float, end: float, pieces: int, mat: bool
) -> None:
    one, many = (ThermalNetwork(mat_watts=18, probes=[(SEED, 30.0)]) for _ in range(2))
    for net in (one, many):
        net.moisture = 0.5  # in the middle of its band
    one.step(pieces * MINUTE, start, end, mat, 0)
    for k in range(pieces):
        room, room_to = (start + (end - start) * j / pieces for j in (k, k + 1))
        many.step(MINUTE, room, room_to, mat, 0)
    np.testing.assert_allclose(np.delete(many.temps, 5), np.delete(one.temps, 5), atol=1e-8)
    assert many.moisture == pytest.approx(one.moisture, abs=1e-12)


def test_trays_share_the_mat_so_four_on_72_watts_are_as_one_on_18() -> None:
    one = ThermalNetwork(mat_watts=18, lamp_watts=20)
    four = ThermalNetwork(trays=4, mat_watts=72, lamp_watts=80)
    for net, trays in ((one, 1), (four, 4)):
        net.step(2 * HOUR, 20.0, 18.0, 1, 1)
        net.water(0.5 * trays, 8.0)
        net.step(HOUR, 18.0, 18.0, 0, 1)
    np.testing.assert_allclose(one.temps, four.temps, atol=1e-12)
    assert one.moisture == pytest.approx(four.moisture)


def test_trays_that_come_bring_their_cold_and_share_the_mat_from_then_on() -> None:
    net, two = (ThermalNetwork(trays=trays, mat_watts=36, room_c=15.0) for trays in (1, 2))
    net.step(3 * HOUR, 15.0, 15.0, 1, 0)
    mat, before = net.temps[0], list(net.temps)
    net.put_trays(2, 15.0)
    assert net.temps[0] == mat
    assert net.temps[1:4] == pytest.approx([(t + 15.0) / 2 for t in before[1:4]])
    for one in (net, two):
        one.settle(15.0, mat_on=True)
    np.testing.assert_allclose(net.temps, two.temps, atol=1e-9)
    kept = list(net.temps)
    net.put_trays(1, 0.0)  # one is taken away: the other is as it was
    assert net.temps == kept


def test_cold_water_takes_the_medium_down_by_the_heat_it_brings() -> None:
    net = ThermalNetwork(mat_watts=18, moisture=0.25, probes=[(SEED, 30.0)])
    net.settle(20.0, mat_on=True)
    before, capacity = list(net.temps), capacities(net)
    net.water(1.0, 8.0)
    held = sum(c * t for c, t in zip(capacity[1:4], before[1:4], strict=True))
    held += WATER_J_LITRE_K * 8.0
    depth = sum(FIGURES.layers_mm)
    share = [WATER_J_LITRE_K * thick / depth for thick in FIGURES.layers_mm]
    after = [c + s for c, s in zip(capacity[1:4], share, strict=True)]
    now = sum(c * t for c, t in zip(after, net.temps[1:4], strict=True))
    assert now == pytest.approx(held)
    assert all(8.0 < net.temps[n] < before[n] for n in (LOWER, UPPER, SURFACE))
    assert net.temps[MAT] == before[MAT]
    assert net.probe(0) == before[6]  # only its lag brings it down
    assert net.moisture == pytest.approx(0.25 + 1.0 / FIGURES.water_litres)
    net.water(50.0, 8.0)
    assert net.moisture == 1.0


@given(st.floats(0, 80))
def test_a_place_in_the_soil_lies_between_two_layers(depth: float) -> None:
    node, share = soil_mix(depth, FIGURES)
    assert node in (LOWER, UPPER)
    assert 0 <= share <= 1
    lower, upper, surface = FIGURES.centres_mm()
    centre = {LOWER: lower, UPPER: upper, SURFACE: surface}
    found = centre[node] * (1 - share) + centre[node + 1] * share
    assert found == pytest.approx(min(lower, max(surface, depth)))
    site = soil_site(depth, FIGURES)
    assert sum(site.nodes) == pytest.approx(1.0)
    assert site.room == 0.0


def test_deeper_is_warmer_over_a_mat() -> None:
    net = ThermalNetwork(mat_watts=18, covered=True)
    net.settle(20.0, mat_on=True)
    temps = [net.at(soil_site(depth, FIGURES), 20.0) for depth in (0, 5, 12.7, 25, 40)]
    assert temps == sorted(temps)
    assert temps[0] < temps[-1] - 1.0


def test_a_probe_put_in_the_room_comes_down_to_it() -> None:
    net = ThermalNetwork(mat_watts=18, covered=True, probes=[(SEED, 30.0)])
    net.settle(20.0, mat_on=True)
    net.place_probe(0, ROOM)
    warm = net.probe(0)
    net.step(30_000_000, 20.0, 20.0, 1, 0)
    assert net.probe(0) == pytest.approx(20 + (warm - 20) * np.exp(-1), abs=1e-9)
    assert net.at(SEED, 20.0) > 28


def test_a_figure_that_cannot_be_is_refused_with_what_is_allowed() -> None:
    with pytest.raises(ValueError, match=r"mat_j_k is 0; allowed: over 0"):
        TrayFigures(mat_j_k=0)
    with pytest.raises(ValueError, match=r"down_w_k is -1; allowed: 0 or more"):
        TrayFigures(down_w_k=-1)
    with pytest.raises(ValueError, match=r"layers_mm is 0.0; allowed: over 0"):
        TrayFigures(layers_mm=(30.0, 0.0, 6.0))
    with pytest.raises(ValueError, match=r"nan; allowed"):
        TrayFigures(area_m2=float("nan"))
    with pytest.raises(ValueError, match="lamp_air"):
        TrayFigures(lamp_air=0.8, lamp_surface=0.3)


def test_the_cache_of_steps_stays_bounded_and_does_not_change_results(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plain = ThermalNetwork(mat_watts=18)
    monkeypatch.setattr("sim.thermal._CACHED_STEPS", 3)
    small = ThermalNetwork(mat_watts=18)
    for k in range(40):
        for net in (plain, small):
            net.step(MINUTE + k % 7, 20.0, 20.0, k % 2, 0)
    assert sum(len(steps) for steps in small._steps.values()) <= 3
    assert plain.temps == small.temps


def test_names_and_numbers_of_the_nodes_agree() -> None:
    assert (NODES[MAT], NODES[LOWER], NODES[UPPER], NODES[SURFACE], NODES[HEADSPACE]) == (
        "mat",
        "lower",
        "upper",
        "surface",
        "headspace",
    )
    assert Site((0.0, 0.0, 0.0, 0.0, 1.0)) == AIR
