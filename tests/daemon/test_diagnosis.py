"""What the records say may be going wrong, and that nothing is said without them."""

from __future__ import annotations

from dataclasses import replace
from math import inf
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from daemon.care import (
    DAY,
    HOUR,
    Chill,
    Husbandry,
    LongDay,
    Records,
    Tally,
    What,
    limits_of,
)
from daemon.diagnosis import Finding, findings
from daemon.husbandry import husbandry_of
from daemon.state import Batch
from profiles.library import load_library
from profiles.model import Figure, Limit, Stage

LIBRARY = load_library()
SOWN = 1_800_000_000.0
#: Of nobody's crop: figures that are easy to reckon with.
CHILL = Chill(below_c=8.0, hours=100.0, consequence="may bolt", source="from-memory")
LONG = LongDay(hours=13.0, consequence="begins to bulb", source="from-memory")
ROT = Limit(
    soil_below_c=15.0,
    hours=96.0,
    counted="in a row",
    stages=(Stage.GERMINATION,),
    consequence="Seed rots.",
    source="from-memory",
)
DORMANT = Limit(
    soil_above_c=26.0,
    hours=12.0,
    counted="in a row",
    stages=(Stage.GERMINATION,),
    consequence="Seed goes dormant.",
    source="from-memory",
)


def found(
    stage: Stage,
    tally: Tally = Tally(),  # noqa: B008 (a tuple)
    *,
    crop: str = "tomato",
    day: float = 10.0,
    records: Records = Records(),  # noqa: B008 (frozen)
    **more: Any,
) -> dict[str, Finding]:
    """The findings on a day after sowing, by kind."""
    batch = Batch("TOM1", crop, "shelf", stage, SOWN, SOWN, 1.0, 72)
    got = findings(batch, LIBRARY.crop(crop), records, tally, SOWN + day * DAY, **more)
    assert len({one.kind for one in got}) == len(got)
    return {one.kind: one for one in got}


def lived(
    days: float,
    *,
    stage: Stage = Stage.SEEDLING,
    crop: str = "tomato",
    hours: float = 16.0,
    ppfd: float | None = 190.0,
    day_c: float | None = 22.0,
    night_c: float | None = 17.0,
    soil: float | None = 20.0,
    wet: bool | None = False,
    husbandry: Husbandry = Husbandry(),  # noqa: B008 (frozen)
) -> Tally:
    """Days alike, in ticks of 10 minutes."""
    limits = limits_of(LIBRARY.crop(crop), stage, husbandry)
    tally = Tally()
    for n in range(round(days * 144)):
        lit = n % 144 < hours * 6
        tally = tally.after(
            600.0, lit=lit, soil=soil, air=day_c if lit else night_c,
            ppfd=ppfd if lit else None, wet=wet, limits=limits,
        )  # fmt: skip
    return tally


def figure(finding: Finding, name: str) -> float:
    return next(value for shown, value, _ in finding.figures if shown == name)


# --- legginess -----------------------------------------------------------------------------------


def test_a_seedling_that_gets_what_it_wants_shows_no_sign() -> None:
    fine = found(Stage.SEEDLING, lived(4))["legginess"]
    assert fine.level == "fine"
    # 190 x 16 h x 0.0036 = 10.9 of the 10 to 12 wanted (Craver, Boldt and Lopez, 2019).
    assert figure(fine, "DLI received") == pytest.approx(10.944)
    assert figure(fine, "day over night") == pytest.approx(5)


@pytest.mark.parametrize(("ppfd", "level"), [(165.0, "watch"), (120.0, "risk")])
def test_too_little_light_makes_leggy_and_under_8_of_10_it_is_a_risk(
    ppfd: float, level: str
) -> None:
    # Plugs below 8 mol m-2 d-1 are inferior (Runkle, 2007), and quality falls below 10 (MSU).
    short = found(Stage.SEEDLING, lived(4, ppfd=ppfd))["legginess"]
    assert short.level == level
    assert f"{ppfd * 16 * 0.0036:.1f} mol m-2 d-1" in short.sentence
    assert "runkle-2007" in short.sources
    assert short.checks


def test_hours_alone_are_judged_where_the_lamps_strength_is_not_known_and_that_is_said() -> None:
    short = found(Stage.SEEDLING, lived(4, hours=8, ppfd=None))["legginess"]
    assert short.level == "risk"
    assert "8.0 h of light a day where 12 is the least" in short.sentence
    assert "not measured: the light at the leaves" in short.sentence
    assert "DLI received" not in {name for name, _, _ in short.figures}


def test_days_too_warm_over_the_nights_are_told_with_both() -> None:
    warm = found(Stage.SEEDLING, lived(4, day_c=27.0, night_c=16.5))["legginess"]
    assert warm.level == "watch"
    # Tomato: 24 at most by day, 16 at least by night.
    assert "days 10.5 °C over the nights, where 8.0 °C is the most" in warm.sentence
    habits = Husbandry(stocky_dif_c=Figure(value=12, source="own"))
    kind = found(Stage.SEEDLING, lived(4, day_c=27.0, night_c=16.5), husbandry=habits)["legginess"]
    assert kind.level == "fine"
    assert "own" in kind.sources


def test_a_warm_night_and_a_day_in_the_dark_are_signs() -> None:
    assert (
        "nights of 21.0 °C" in found(Stage.SEEDLING, lived(4, night_c=21.0))["legginess"].sentence
    )
    dark = lived(4)._replace(dark_most_s=25 * HOUR)
    told = found(Stage.SEEDLING, dark)["legginess"]
    assert told.level == "risk"
    assert "25 h on end in the dark" in told.sentence


def test_a_tall_plant_is_told_by_its_recorded_height_unless_that_was_struck() -> None:
    records = Records().add(What.HEIGHT, at=SOWN + DAY, by="Ona", value=240.0)
    assert "24 cm tall" in found(Stage.GROWING_ON, lived(4), records=records)["legginess"].sentence
    struck = records.strike(1, by="Ona")
    assert found(Stage.GROWING_ON, lived(4), records=struck)["legginess"].level == "fine"


def test_of_less_than_a_day_nothing_is_said_of_light() -> None:
    assert found(Stage.SEEDLING, lived(0.5))["legginess"].level == "not-measured"


# --- damping-off ---------------------------------------------------------------------------------


def test_without_records_of_moisture_nothing_is_claimed_about_wetness() -> None:
    unknown = found(Stage.SEEDLING, lived(4, wet=None))["damping-off"]
    assert unknown.level == "not-measured"
    assert "wetness is not known" in unknown.sentence
    assert "hotbed log TOM1 moist N" in unknown.checks[0]
    assert not any("wet" in name for name, _, _ in unknown.figures)


@pytest.mark.parametrize(
    ("days", "soil", "level"),
    [(1.5, 20.0, "fine"), (2.5, 20.0, "watch"), (4.5, 20.0, "risk"), (2.5, 12.0, "risk"),
     (1.5, 12.0, "watch"), (2.5, 32.0, "risk")],
)  # fmt: skip
def test_wet_for_long_is_a_risk_and_sooner_in_soil_too_cold_or_too_hot(
    days: float, soil: float, level: str
) -> None:
    told = found(Stage.SEEDLING, lived(days, wet=True, soil=soil))["damping-off"]
    assert told.level == level
    assert figure(told, "longest wet") == pytest.approx(days * 24, abs=0.2)


def test_cold_soil_alone_is_watched_and_its_figures_are_shown() -> None:
    cold = found(Stage.SEEDLING, lived(4, wet=None, soil=12.0))["damping-off"]
    assert cold.level == "watch"
    assert "soil too cold for 100% of the time" in cold.sentence
    assert figure(cold, "soil, mean") == pytest.approx(12)


# --- germination ---------------------------------------------------------------------------------


def test_within_its_time_a_batch_is_not_stalled() -> None:
    fine = found(
        Stage.GERMINATION, lived(5, stage=Stage.GERMINATION, soil=25.0), day=5, progress=0.8
    )
    assert fine["stalled-germination"].level == "fine"


def test_a_batch_that_is_due_is_not_late_before_the_range_is_past() -> None:
    due = found(Stage.GERMINATION, day=8, progress=8 / 6)["stalled-germination"]
    assert (due.level, due.sentence) == ("fine", "after 8 days it is due, and not yet late")


def test_past_the_range_it_is_stalled_with_what_to_check_in_order() -> None:
    # Tomato at 25 °C: 6 days (Harrington and Minges, 1954).
    tally = lived(14, stage=Stage.GERMINATION, soil=25.0)
    late = found(Stage.GERMINATION, tally, day=14, progress=14 / 6)["stalled-germination"]
    assert late.level == "risk"
    assert "somebody looked" in late.checks[0]
    assert "25.0 °C" in late.checks[1]
    assert any("dig up" in check for check in late.checks)
    assert "harrington-minges-1954" in late.sources
    lettuce = found(Stage.GERMINATION, tally, crop="lettuce", day=14, progress=7.0)
    assert any("light" in check for check in lettuce["stalled-germination"].checks)


def test_a_cold_soil_is_named_as_what_holds_it_up() -> None:
    # 43 days at 10 °C.
    tally = lived(14, stage=Stage.GERMINATION, soil=10.0)
    slow = found(Stage.GERMINATION, tally, day=14, progress=14 / 43)["stalled-germination"]
    assert slow.level == "watch"
    assert "33% of the way after 14 days: the soil, 10.0 °C on average" in slow.sentence


def test_a_poor_stand_is_told_and_a_good_one_is_fine() -> None:
    few = Records().add(What.EMERGED, at=SOWN + 13 * DAY, by="Ona", value=12, of=72)
    many = Records().add(What.EMERGED, at=SOWN + 13 * DAY, by="Ona", value=60, of=72)
    poor = found(Stage.GERMINATION, day=14, progress=14 / 6, records=few)["stalled-germination"]
    assert (poor.level, "only 12 of 72" in poor.sentence) == ("watch", True)
    good = found(Stage.GERMINATION, day=14, progress=14 / 6, records=many)["stalled-germination"]
    assert good.level == "fine"


def test_seed_over_its_ceiling_is_told_by_the_hours() -> None:
    hot = lived(2, stage=Stage.GERMINATION, crop="lettuce", soil=29.0)
    told = found(Stage.GERMINATION, hot, crop="lettuce")["seed-heat"]
    assert told.level == "risk"
    assert "2 days over its ceiling" in told.sentence
    assert "cooked" in told.sentence
    assert figure(told, "over the ceiling") == pytest.approx(48)
    cool = lived(2, stage=Stage.GERMINATION, crop="lettuce", soil=19.0)
    assert found(Stage.GERMINATION, cool, crop="lettuce")["seed-heat"].level == "fine"
    assert found(Stage.GERMINATION)["seed-heat"].level == "not-measured"


@pytest.mark.parametrize(
    ("hours", "level", "said"),
    [
        ((5, 19), "fine", "never over"),
        ((5, 1, 5, 13), "fine", "never over"),  # in a row, not in all
        ((7, 17), "watch", "7 h on end over 26.0 °C; at 12 h: Seed that has drunk in hot soil"),
        ((14, 10), "risk", "14 h on end"),
    ],
)
def test_soil_over_the_limit_of_dormancy_is_told_by_its_longest_spell(
    hours: tuple[float, ...], level: str, said: str
) -> None:
    lettuce = LIBRARY.crop("lettuce")
    habits = husbandry_of(lettuce, Stage.GERMINATION)
    limits = limits_of(lettuce, Stage.GERMINATION, habits)
    tally = Tally()
    for number, some in enumerate(hours):
        for _ in range(round(some)):
            soil = 26.5 if number % 2 == 0 else 20.0
            tally = tally.after(HOUR, lit=False, soil=soil, limits=limits)
    told = found(Stage.GERMINATION, tally, crop="lettuce", husbandry=habits)["seed-heat"]
    assert (told.level, said in told.sentence) == (level, True), told
    # Emerged, it is no seed any more.
    assert (
        limits_of(lettuce, Stage.SEEDLING, husbandry_of(lettuce, Stage.SEEDLING)).dormant_c == inf
    )


def test_a_cold_wet_spell_rots_the_seed_of_a_warm_crop() -> None:
    habits = Husbandry(cold_rot=ROT)
    short = lived(2.5, stage=Stage.GERMINATION, soil=13.0, wet=True, husbandry=habits)
    assert found(Stage.GERMINATION, short, husbandry=habits)["cold-wet"].level == "watch"
    spell = lived(4.5, stage=Stage.GERMINATION, soil=13.0, wet=True, husbandry=habits)
    assert found(Stage.GERMINATION, spell, husbandry=habits)["cold-wet"].level == "risk"
    dry = lived(4.5, stage=Stage.GERMINATION, soil=13.0, wet=None, husbandry=habits)
    assert found(Stage.GERMINATION, dry, husbandry=habits)["cold-wet"].level == "not-measured"


# --- bolting and bulbing -------------------------------------------------------------------------


@pytest.mark.parametrize(("days", "level"), [(1.0, "fine"), (3.0, "watch"), (5.0, "risk")])
def test_chill_adds_up_to_a_risk_of_bolting(days: float, level: str) -> None:
    habits = Husbandry(chill=CHILL)
    tally = lived(days, day_c=6.0, night_c=6.0, husbandry=habits)
    told = found(Stage.HARDENING, tally.anew(), husbandry=habits, day=days)["bolting"]
    assert told.level == level
    assert f"{days * 24:.0f} h of air under 8.0 °C; at 100 h it may bolt" in told.sentence
    assert figure(told, "chill") == pytest.approx(days * 24)


def test_chill_that_nobody_measured_is_not_none() -> None:
    habits = Husbandry(chill=CHILL)
    assert found(Stage.HARDENING, husbandry=habits)["bolting"].level == "not-measured"
    part = found(Stage.HARDENING, lived(1, husbandry=habits), husbandry=habits, day=4)["bolting"]
    assert "measured for 25% of the time" in part.sentence


@pytest.mark.parametrize(
    ("hours", "days", "level"), [(12, 8, "fine"), (16, 3, "watch"), (16, 8, "risk")]
)
def test_days_too_long_set_an_onion_to_bulbing(hours: float, days: int, level: str) -> None:
    habits = Husbandry(long_day=LONG)
    tally = lived(days, crop="onion", hours=hours, husbandry=habits)
    told = found(Stage.SEEDLING, tally, crop="onion", husbandry=habits)["day-length"]
    assert told.level == level
    assert figure(told, "days too long") == (days if hours == 16 else 0)
    assert "daylight from a window is not counted" in told.sentence


def test_a_crop_without_such_limits_is_told_nothing_of_them() -> None:
    assert not {"bolting", "day-length"} & set(found(Stage.SEEDLING, lived(4)))


def test_a_warning_of_darkness_names_whose_hours_it_is_judged_by() -> None:
    tally = Tally()
    for _ in range(5):
        tally = tally.after(3 * HOUR, lit=False)
    told = found(Stage.SEEDLING, tally, crop="basil")["legginess"]
    assert told.level == "watch"
    photoperiod = LIBRARY.crop("basil").stages[Stage.SEEDLING].photoperiod_h
    assert photoperiod is not None
    assert photoperiod.source in told.sources


# --- rules for all -------------------------------------------------------------------------------

maybe = st.none() | st.floats(-5, 40)


@settings(deadline=None, max_examples=150)
@given(
    crop=st.sampled_from(sorted(LIBRARY.crops)),
    stage=st.sampled_from(list(Stage)),
    ticks=st.lists(
        st.tuples(
            st.sampled_from([True, False, None]), maybe, maybe, st.sampled_from([True, False, None])
        ),
        max_size=30,
    ),
    progress=st.none() | st.floats(0, 5),
    day=st.floats(0, 60),
    full=st.booleans(),
)
def test_a_risk_always_rests_on_figures_and_sources_and_nothing_measured_means_no_claim(
    crop: str,
    stage: Stage,
    ticks: list[tuple[bool | None, float | None, float | None, bool | None]],
    progress: float | None,
    day: float,
    full: bool,
) -> None:
    habits = replace(
        Husbandry(), chill=CHILL, long_day=LONG, cold_rot=ROT, dormancy=DORMANT
    ) if full else Husbandry()  # fmt: skip
    limits = limits_of(LIBRARY.crop(crop), stage, habits)
    tally = Tally()
    for lit, soil, air, wet in ticks:
        tally = tally.after(3 * HOUR, lit=lit, soil=soil, air=air, wet=wet, limits=limits)
    got = found(stage, tally, crop=crop, day=day, progress=progress, husbandry=habits)
    for one in got.values():
        if one.level in ("watch", "risk"):
            assert one.figures, one
            assert one.checks, one
            assert one.sources, one
        assert set(one.sources) <= set(LIBRARY.sources), one
    order = ["risk", "watch", "not-measured", "fine"]
    levels = [order.index(one.level) for one in got.values()]
    assert levels == sorted(levels)
    if not tally.soil_s and "seed-heat" in got:
        assert got["seed-heat"].level == "not-measured"
    if not tally.air_s and "bolting" in got:
        assert got["bolting"].level == "not-measured"
    if not tally.wet_known_s and "damping-off" in got:
        assert got["damping-off"].level in ("not-measured", "watch")
        assert got["damping-off"].level == "not-measured" or tally.cold_s or tally.hot_s
    adapter = TypeAdapter(tuple[Finding, ...])
    told = tuple(got.values())
    assert adapter.validate_json(adapter.dump_json(told)) == told


@given(st.sampled_from(list(Stage)))
def test_an_empty_tally_leads_to_no_alarm(stage: Stage) -> None:
    habits = Husbandry(chill=CHILL, long_day=LONG)
    assert {one.level for one in found(stage, day=0.5, husbandry=habits).values()} <= {
        "not-measured"
    }
