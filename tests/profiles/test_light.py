"""Light against Purdue HO-238-W, Thimijan and Heins, CIE spectra, and integration over the lamp."""

from __future__ import annotations

from datetime import date, timedelta
from math import cos, exp, pi

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import dblquad, quad  # type: ignore[import-untyped]

from profiles.light import (
    LUX_PER_PPFD,
    Bed,
    Fixture,
    Lamp,
    LightKind,
    Panel,
    Tubes,
    calibrate,
    dli,
    height_for_dli,
    hours_for_dli,
    lamp_hours,
    next_raise,
    ppfd_for_dli,
    ppfd_from_footcandles,
    ppfd_from_lux,
)


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


# Lux and foot-candles


@pytest.mark.parametrize(
    ("kind", "lux"),
    [
        (LightKind.SUN, 54),
        (LightKind.COOL_WHITE_FLUORESCENT, 74),
        (LightKind.METAL_HALIDE, 71),
        (LightKind.HIGH_PRESSURE_SODIUM, 82),
        (LightKind.INCANDESCENT, 50),
    ],
)
def test_lux_become_ppfd_by_thimijan_and_heins_1983(kind: LightKind, lux: float) -> None:
    found = ppfd_from_lux(lux * 100, kind)
    assert found.value == found.low == found.high == pytest.approx(100)
    assert found.basis.source == "thimijan-heins-1983"


def test_foot_candles_become_ppfd_by_thimijan_and_heins_1983() -> None:
    # Printed to three figures.
    white = ppfd_from_footcandles(687, LightKind.COOL_WHITE_FLUORESCENT)
    assert white.value == pytest.approx(100, rel=2e-3)
    assert ppfd_from_footcandles(501, LightKind.SUN).value == pytest.approx(100, rel=2e-3)


# Every 10 nm from 400 to 700 nm. The CIE's spectral luminous efficiency V (ISO/CIE 11664-1, to four
# figures) and illuminants of CIE 015:2018, Colorimetry, as the package colour-science 0.4.7 has them.
# fmt: off
V = [
    0.0004, 0.0012, 0.0040, 0.0116, 0.0230, 0.0380, 0.0600, 0.0910, 0.1390, 0.2080, 0.3230, 0.5030,
    0.7100, 0.8620, 0.9540, 0.9950, 0.9950, 0.9520, 0.8700, 0.7570, 0.6310, 0.5030, 0.3810, 0.2650,
    0.1750, 0.1070, 0.0610, 0.0320, 0.0170, 0.0082, 0.0041,
]
WHITE_LED_SPECTRA = {
    "LED-B1": [
        0.04, 0.15, 0.53, 1.54, 4.16, 7.89, 6.25, 4.37, 3.7, 4.26, 5.41, 6.7, 7.98, 9.31, 10.76, 12.38,
        14.23, 16.2, 18.14, 19.78, 20.8, 20.97, 20.23, 18.76, 16.78, 14.49, 12.15, 9.95, 7.98, 6.3, 4.89,
    ],
    "LED-B3": [
        0.05, 0.25, 1.2, 4.24, 12.11, 18.87, 9.9, 6.02, 5.17, 6.77, 8.94, 10.52, 11.51, 12.37, 13.31,
        14.26, 15.08, 15.72, 16.18, 16.5, 16.5, 16.0, 14.96, 13.48, 11.71, 9.85, 8.04, 6.42, 5.02, 3.88,
        2.95,
    ],
    "LED-B5": [
        0.07, 0.35, 1.67, 5.94, 16.15, 32.34, 23.46, 12.08, 7.21, 6.49, 8.1, 10.88, 13.38, 14.98, 15.81,
        16.1, 16.1, 15.77, 15.15, 14.31, 13.22, 11.91, 10.47, 9.0, 7.57, 6.25, 5.08, 4.06, 3.22, 2.54,
        2.0,
    ],
}
# fmt: on


def lux_per_ppfd(spectrum: list[float]) -> float:
    """From power per nm: 683 lm/W at V = 1 (SI), and a photon's energy hc/λ."""
    planck, light, avogadro = 6.62607015e-34, 299_792_458, 6.02214076e23
    ends = [0.5, *[1.0] * 29, 0.5]
    lumens = 683 * sum(s * v * w for s, v, w in zip(spectrum, V, ends, strict=True))
    photons = sum(
        s * w * (400 + 10 * n) * 1e-9 / (planck * light * avogadro) * 1e6
        for n, (s, w) in enumerate(zip(spectrum, ends, strict=True))
    )
    return lumens / photons


def test_the_figure_for_white_leds_follows_from_cie_spectra_as_50_for_a_filament_does() -> None:
    # CIE illuminant A: a Planckian radiator of 2856 K (c2 = 14 388 µm K); Thimijan and Heins have 50.
    filament = [
        (400 + 10 * n) ** -5.0 * 1e13 / (exp(1.4388e7 / ((400 + 10 * n) * 2856)) - 1)
        for n in range(31)
    ]
    assert lux_per_ppfd(filament) == pytest.approx(
        LUX_PER_PPFD[LightKind.INCANDESCENT].value, rel=0.01
    )
    figure = LUX_PER_PPFD[LightKind.WHITE_LED]
    found = [lux_per_ppfd(spectrum) for spectrum in WHITE_LED_SPECTRA.values()]
    assert figure.low < min(found) < figure.value < max(found) < figure.high
    assert sum(found) / len(found) == pytest.approx(figure.value, rel=0.01)


def test_a_white_led_reading_tells_its_range_and_that_it_is_marked() -> None:
    found = ppfd_from_lux(13_800, LightKind.WHITE_LED)
    assert found.value == pytest.approx(200)
    assert found.low < 0.95 * found.value < 1.15 * found.value < found.high
    assert "memory" in found.basis.note


def test_lux_of_a_red_and_blue_lamp_are_refused_with_what_to_do() -> None:
    with pytest.raises(ValueError, match=r"hardly sees red and blue: take a reading in µmol"):
        ppfd_from_lux(3000, LightKind.RED_BLUE_LED)


@pytest.mark.parametrize("reading", [-1, 1e6, float("nan"), float("inf")])
def test_readings_that_no_meter_gives_are_refused_with_the_range(reading: float) -> None:
    with pytest.raises(ValueError, match=r"reading is .* lux; allowed: 0 to 200000"):
        ppfd_from_lux(reading, LightKind.SUN)
    with pytest.raises(ValueError, match=r"reading is .* foot-candles; allowed: 0 to 18580"):
        ppfd_from_footcandles(reading, LightKind.SUN)


# Geometry

HEIGHTS = st.floats(0.03, 1.5)
PLACES = st.floats(-0.6, 0.6)
TUBES = st.builds(
    Tubes, st.integers(1, 4), st.floats(0.2, 1.5), st.floats(0.03, 0.3), st.booleans()
)
PANELS = st.builds(Panel, st.floats(0.1, 1.2), st.floats(0.1, 1.2))


def integrated_tubes(fixture: Tubes, h: float, x: float, y: float) -> float:
    """Lambert's law bit by bit: the tube's sine from its axis, the inverse square, the leaf's cosine."""
    total = 0.0
    for n in range(fixture.count):
        across = y - (n - (fixture.count - 1) / 2) * fixture.spacing_m

        def bit(s: float, across: float = across) -> float:
            r = ((s - x) ** 2 + across**2 + h**2) ** 0.5
            from_axis = ((r * r - (s - x) ** 2) ** 0.5) / r
            emitted = h / r if fixture.downward else from_axis
            return float(emitted * (h / r) / r**2)

        half = fixture.length_m / 2
        total += quad(bit, -half, half, points=[min(half, max(-half, x))], epsrel=1e-9)[0]
    return total


@settings(max_examples=60, deadline=None)
@given(TUBES, HEIGHTS, PLACES, PLACES)
def test_tubes_agree_with_integration_over_the_lamp_to_a_thousandth(
    fixture: Tubes, h: float, x: float, y: float
) -> None:
    assert fixture.factor(h, x, y) == pytest.approx(integrated_tubes(fixture, h, x, y), rel=1e-3)


@settings(max_examples=25, deadline=None)
@given(PANELS, st.floats(0.1, 1.5), PLACES, PLACES)
def test_a_panel_agrees_with_integration_over_the_lamp_to_a_thousandth(
    fixture: Panel, h: float, x: float, y: float
) -> None:
    a, b = fixture.length_m / 2, fixture.width_m / 2
    whole, _ = dblquad(
        lambda v, u: h * h / (pi * ((u - x) ** 2 + (v - y) ** 2 + h * h) ** 2),
        -a,
        a,
        -b,
        b,
        epsabs=1e-7,
        epsrel=1e-5,
    )
    assert fixture.factor(h, x, y) == pytest.approx(whole, rel=1e-3)


def test_a_panel_that_fills_the_sky_gives_its_own_ppfd_and_no_panel_more() -> None:
    assert Panel(5, 5).factor(0.02) == pytest.approx(1, abs=1e-3)


@given(PANELS, HEIGHTS, PLACES, PLACES)
def test_a_panel_never_gives_more_than_at_its_face_nor_less_than_nothing(
    fixture: Panel, h: float, x: float, y: float
) -> None:
    assert 0 < fixture.factor(h, x, y) <= 1


@pytest.mark.parametrize("downward", [False, True])
def test_what_a_tube_sends_down_all_arrives_on_a_wide_floor(downward: bool) -> None:
    # Energy: a Lambertian line of 1 sr-1 m-1 sends pi**2 a metre all round, half of it down; a strip
    # that faces down sends pi.
    tube = Tubes(1, 1.0, downward=downward)
    floor, _ = dblquad(lambda y, x: tube.factor(0.1, x, y), 0, 30, 0, 30, epsabs=1e-4, epsrel=1e-4)
    assert 4 * floor == pytest.approx(pi if downward else pi**2 / 2, rel=0.01)


@given(st.one_of(TUBES, PANELS))
def test_from_afar_any_lamp_is_a_point_and_falls_by_the_square(fixture: Fixture) -> None:
    assert fixture.factor(20) / fixture.factor(40) == pytest.approx(4, rel=0.02)


def test_close_to_a_long_tube_half_the_distance_gives_twice_the_light_not_four_times() -> None:
    tube = Tubes(1, 5)
    assert tube.factor(0.05) / tube.factor(0.1) == pytest.approx(2, rel=0.01)


@given(st.one_of(TUBES, PANELS), st.floats(1, 2000), HEIGHTS, HEIGHTS, PLACES, PLACES)
def test_a_calibrated_lamp_gives_back_its_reading_and_scales_with_it(
    fixture: Fixture, reading: float, h: float, other: float, x: float, y: float
) -> None:
    lamp = calibrate(fixture, reading, h, x, y)
    assert lamp.ppfd(h, x, y) == pytest.approx(reading)
    double = calibrate(fixture, 2 * reading, h, x, y)
    assert double.ppfd(other) == pytest.approx(2 * lamp.ppfd(other))


@given(st.one_of(TUBES, PANELS), HEIGHTS, PLACES, PLACES)
def test_light_is_the_same_on_either_side_of_the_middle(
    fixture: Fixture, h: float, x: float, y: float
) -> None:
    there = fixture.factor(h, x, y)
    assert fixture.factor(h, -x, y) == pytest.approx(there)
    assert fixture.factor(h, x, -y) == pytest.approx(there)


def test_a_tray_is_seen_as_its_72_cells() -> None:
    points = Bed().points()
    assert len(points) == 72
    assert sum(x for x, _ in points) == pytest.approx(0, abs=1e-9)
    assert max(x for x, _ in points) == pytest.approx(0.27 - 0.0225)


@given(st.one_of(TUBES, PANELS), HEIGHTS)
def test_over_a_bed_the_least_the_mean_and_the_most_are_in_order(
    fixture: Fixture, h: float
) -> None:
    light = calibrate(fixture, 100, 0.3).over(Bed(0.5, 0.25), h)
    assert 0 < light.least <= light.mean * (1 + 1e-12)
    assert light.mean <= light.most * (1 + 1e-12)
    assert 0 < light.uniformity <= 1 + 1e-12


def test_light_is_more_even_from_higher_up_and_in_a_wider_fixture() -> None:
    one, four = (calibrate(Tubes(n, 0.6, 0.07), 200, 0.1) for n in (1, 4))
    assert one.over(Bed(), 0.3).uniformity > one.over(Bed(), 0.05).uniformity
    assert four.over(Bed(), 0.1).uniformity > one.over(Bed(), 0.1).uniformity


# Height and hours


@settings(max_examples=40, deadline=None)
@given(
    st.one_of(TUBES, PANELS),
    st.floats(20, 600),
    st.floats(1, 20),
    st.floats(8, 20),
    st.floats(-0.3, 0.3),
)
def test_the_height_found_gives_the_light_and_none_higher_does(
    fixture: Fixture, reading: float, wanted: float, hours: float, across: float
) -> None:
    lamp, bed = calibrate(fixture, reading, 0.3), Bed(0.4, 0.2, across_m=across)
    found = height_for_dli(lamp, bed, wanted, hours)
    others = [fixture.closest_m + n * (1 - fixture.closest_m) / 30 for n in range(31)]
    if found.reached:
        assert found.dli >= wanted * (1 - 1e-9)
        if found.height_m < 1:
            assert found.dli == pytest.approx(wanted, rel=1e-3)
        over = [h for h in others if h > found.height_m + 1e-5]
        assert all(dli(lamp.over(bed, h).mean, hours) < wanted for h in over)
    else:
        assert found.dli < wanted
        # Nothing beats the best that is told.
        assert all(dli(lamp.over(bed, h).mean, hours) <= found.dli * 1.0001 for h in others)


def test_tubes_beside_the_bed_are_hung_on_the_far_side_of_their_brightest_height() -> None:
    lamp, bed = calibrate(Tubes(1, 0.6), 200, 0.1), Bed(0.3, 0.1, across_m=0.3)
    best = height_for_dli(lamp, bed, 10, 16)
    assert not best.reached
    assert 0.1 < best.height_m < 0.4  # the brightest is neither the lowest nor the highest
    almost = height_for_dli(lamp, bed, best.dli * 0.9, 16)
    assert almost.reached
    assert almost.height_m > best.height_m


def test_light_out_of_reach_is_said_with_the_best_that_is() -> None:
    lamp = calibrate(Tubes(2, 0.6, 0.1), 60, 0.1)
    low = height_for_dli(lamp, Bed(), 12, 16)
    assert not low.reached
    assert low.height_m == pytest.approx(0.05, abs=1e-4)
    assert "12 mol m-2 d-1 is out of reach: the most from there is" in low.problem
    assert "in 16 h; longer days" in low.problem
    short = lamp_hours(lamp, Bed(), 12, 0.1, longest_h=16)
    assert (short.reached, short.hours) == (False, 16)
    assert "a lower lamp, more lamps or stronger ones would help" in short.problem


def test_more_than_enough_light_is_reached_at_the_highest_place_and_the_shortest_day() -> None:
    lamp = calibrate(Panel(1, 1), 900, 0.5)
    high = height_for_dli(lamp, Bed(), 1, 16, highest_m=0.6)
    assert high.reached
    assert high.height_m == 0.6
    assert high.dli > 1
    short = lamp_hours(lamp, Bed(), 1, 0.5, shortest_h=12, longest_h=16)
    assert short.reached
    assert short.hours == 12
    assert short.dli > 1


@given(st.floats(2, 12), st.floats(0.05, 0.4))
def test_the_hours_found_give_the_light_at_the_mean_and_less_at_the_least_lit_place(
    wanted: float, h: float
) -> None:
    lamp = calibrate(Tubes(4, 0.6, 0.07), 250, 0.1)
    found = lamp_hours(lamp, Bed(), wanted, h)
    assume(found.reached)
    assert found.dli == pytest.approx(wanted)
    assert found.least_dli == pytest.approx(wanted * found.light.uniformity)


def test_geometry_out_of_range_is_refused_with_name_value_and_range() -> None:
    with pytest.raises(ValueError, match=r"number of tubes is 0; allowed: whole, 1 to 24"):
        Tubes(0, 0.6)
    with pytest.raises(ValueError, match=r"length of a tube is 60 m; allowed: 0.1 to 5"):
        Tubes(1, 60)
    with pytest.raises(ValueError, match=r"spacing of the tubes is 0 m; allowed: 0.01 to 2"):
        Tubes(2, 0.6)
    with pytest.raises(ValueError, match=r"width of the panel is nan m; allowed: 0.01 to 5"):
        Panel(0.6, float("nan"))
    with pytest.raises(ValueError, match=r"length of the bed is 54 m; allowed: 0.05 to 5"):
        Bed(54)
    lamp = Lamp(Panel(0.6, 0.3), 100)
    with pytest.raises(ValueError, match=r"height of the lamp is 0 m; allowed: 0.02 to 5"):
        lamp.ppfd(0)
    with pytest.raises(ValueError, match=r"PPFD is 0 µmol m-2 s-1; allowed: over 0, up to 5000"):
        calibrate(lamp.fixture, 0, 0.3)
    with pytest.raises(ValueError, match=r"highest place .* is 0.1 m; allowed: 0.2 to 5"):
        height_for_dli(lamp, Bed(), 10, 16, highest_m=0.1)
    with pytest.raises(ValueError, match=r"DLI is 0 .*; allowed: over 0"):
        height_for_dli(lamp, Bed(), 0, 16)
    with pytest.raises(ValueError, match=r"shortest day is 17 h; allowed: 0 to 16"):
        lamp_hours(lamp, Bed(), 10, 0.3, shortest_h=17, longest_h=16)


# Raising the lamp

MARCH = date(2027, 3, 1)


def test_a_lamp_is_raised_before_leaves_that_grow_5_mm_a_day_come_too_near() -> None:
    # 10 cm of gap, 2.5 cm of it to grow: five days.
    records = [(MARCH + timedelta(7 * week), 0.02 + 0.035 * week) for week in range(2)]
    found = next_raise(records, 0.155, 0.10, on=date(2027, 3, 8))
    assert found.gap_m == pytest.approx(0.10)
    assert found.growth_m_per_day == pytest.approx(0.005)
    assert found.due == date(2027, 3, 13)
    assert found.lamp_m == pytest.approx(0.055 + 0.025 + 0.10)


def test_leaves_already_too_near_raise_the_lamp_today_over_what_has_grown_since() -> None:
    records = [(MARCH, 0.02), (date(2027, 3, 8), 0.055)]
    found = next_raise(records, 0.155, 0.10, on=date(2027, 3, 18))
    assert found.gap_m == pytest.approx(0.05)
    assert found.due == date(2027, 3, 18)
    assert found.lamp_m == pytest.approx(0.205)


def test_a_lamp_is_not_raised_a_day_late_by_rounding() -> None:
    # 4 mm to grow at 2 mm a day are two days, though in binary it comes to a little more.
    records = [(MARCH, 0.012), (MARCH + timedelta(7), 0.026)]
    found = next_raise(records, 0.13, 0.1, on=MARCH + timedelta(7), least_gap_m=0.1)
    assert found.growth_m_per_day == pytest.approx(0.002)
    assert found.due == MARCH + timedelta(7 + 2)


def test_one_record_tells_the_gap_but_no_date() -> None:
    found = next_raise([(MARCH, 0.04)], 0.14, 0.10, on=date(2027, 3, 9))
    assert (found.growth_m_per_day, found.due) == (None, None)
    assert found.gap_m == pytest.approx(0.10)
    assert found.lamp_m == pytest.approx(0.14)


def test_plants_that_do_not_grow_or_were_cut_back_ask_for_no_date() -> None:
    found = next_raise([(MARCH, 0.05), (date(2027, 3, 8), 0.04)], 0.14, 0.08, on=date(2027, 3, 8))
    assert found.growth_m_per_day == 0
    assert found.due is None


def test_old_records_do_not_tell_how_fast_plants_grow_now() -> None:
    records = [(date(2027, 1, 1), 0.0), (MARCH, 0.10), (date(2027, 3, 11), 0.15)]
    found = next_raise(records, 0.4, 0.10, on=date(2027, 3, 11))
    assert found.growth_m_per_day == pytest.approx(0.005)


@given(
    st.lists(st.tuples(st.integers(0, 60), st.floats(0, 0.5)), min_size=1, max_size=8),
    st.floats(0.05, 1),
    st.floats(0.03, 0.4),
)
def test_a_raised_lamp_has_its_gap_again_and_is_raised_in_time(
    heights: list[tuple[int, float]], lamp: float, gap: float
) -> None:
    records = [(MARCH + timedelta(day), height) for day, height in heights]
    on = MARCH + timedelta(60)
    found = next_raise(records, lamp, gap, on=on)
    assert next_raise(list(reversed(records)), lamp, gap, on=on).due == found.due
    if found.gap_m <= 0.75 * gap:
        assert found.due == on
    growth = found.growth_m_per_day or 0.0
    day = found.due or on
    grown = lamp - found.gap_m + growth * (day - on).days
    assert found.lamp_m - grown == pytest.approx(gap)
    if day > on:
        assert lamp - grown <= 0.75 * gap + 1e-9
        assert lamp - grown + growth >= 0.75 * gap - 1e-9


def test_heights_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match=r"no plant height is recorded"):
        next_raise([], 0.2, 0.1, on=MARCH)
    with pytest.raises(ValueError, match=r"recorded on 2027-03-02; allowed: up to 2027-03-01"):
        next_raise([(date(2027, 3, 2), 0.1)], 0.2, 0.1, on=MARCH)
    with pytest.raises(ValueError, match=r"plant height on 2027-03-01 is 60 m; allowed: 0 to 5"):
        next_raise([(MARCH, 60)], 0.2, 0.1, on=MARCH)


def test_the_angle_law_is_lamberts() -> None:
    # A short far tube, seen from 60 degrees off its axis's middle, in plain angles.
    tube, h = Tubes(1, 0.1), 5.0
    beside = h * 3**0.5
    assert tube.factor(h, 0, beside) / tube.factor(h) == pytest.approx(cos(pi / 3) ** 3, rel=1e-3)
    along = cos(pi / 3) ** 4  # as above, and the tube's own sine
    assert tube.factor(h, beside) / tube.factor(h) == pytest.approx(along, rel=1e-3)
