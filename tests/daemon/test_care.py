"""Records of care, and the tally of what a batch has had."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from daemon.care import (
    DAY,
    HOUR,
    Husbandry,
    Records,
    Tally,
    TallyLimits,
    What,
    limits_of,
    moisture_score,
)
from profiles.library import load_library
from profiles.model import LimitKind, Stage

T0 = 1_800_000_000.0


def counted(*looks: tuple[float, int, int | None]) -> Records:
    """Records of counts: day, up, of."""
    records = Records()
    for day, up, of in looks:
        records = records.add(What.EMERGED, at=T0 + day * DAY, by="Ona", value=up, of=of)
    return records


# --- records -------------------------------------------------------------------------------------


def test_records_are_numbered_from_1_and_the_newest_by_its_time_is_the_last() -> None:
    records = Records().add(What.WATERED, at=T0 + 50, by="Ona").add(What.WATERED, at=T0, by="Ben")
    assert [care.n for care in records.entries] == [1, 2]
    last = records.last(What.WATERED)
    assert last is not None
    assert last.by == "Ona"
    assert [care.by for care in records.since(T0 + 1, What.WATERED)] == ["Ona"]


def test_a_correction_strikes_the_old_record_and_keeps_it_to_be_seen() -> None:
    records = Records().add(What.HEIGHT, at=T0, by="Ona", value=600.0)
    records = records.amend(1, by="Ben", value=60.0)
    old, new = records.entries
    assert (old.value, old.struck_by) == (600.0, "Ben")
    assert (new.n, new.value, new.at, new.amends, new.by) == (2, 60.0, T0, 1, "Ben")
    assert records.last(What.HEIGHT) == new


def test_a_struck_record_is_struck_once_and_unknown_numbers_are_refused_with_the_known_ones() -> (
    None
):
    records = Records().add(What.FED, at=T0, by="Ona").add(What.FED, at=T0, by="Ona")
    records = records.strike(1, by="Ben")
    with pytest.raises(ValueError, match="struck already, by Ben"):
        records.strike(1, by="Ona")
    with pytest.raises(ValueError, match="no record 7; allowed: 2"):
        records.amend(7, by="Ona")


@pytest.mark.parametrize(
    ("what", "given_", "message"),
    [
        (What.MOIST, {"value": 6.0}, "moist is 6; allowed: whole, 1 to 5"),
        (What.MOIST, {"value": 2.5}, "whole number; allowed: 1 to 5"),
        (What.MOIST, {}, "whole number; allowed: 1 to 5"),
        (What.EMERGED, {"value": 73.0, "of": 72}, "emerged is 73; allowed: whole, 0 to 72"),
        (What.HEIGHT, {"value": 2001.0}, "height is 2001 mm; allowed: 0 to 2000"),
        (What.HEIGHT, {"value": float("nan")}, "height is nan"),
        (What.WEIGHT, {}, "weight needs a value; allowed: 10 to 30000 g"),
        (What.RAISED_LAMP, {"value": 5.0}, "raised-lamp is 5 mm; allowed: 20 to 3000"),
        (What.COVER, {"text": "half"}, "cover is 'half'; allowed: on, off"),
        (What.NOTE, {"text": "  "}, "note needs words"),
        (What.WATERED, {"value": 3.0}, "watered takes no value"),
        (What.EMERGED, {"value": float("inf")}, "emerged"),
    ],
)
def test_a_value_that_cannot_be_is_refused_with_what_is_allowed(
    what: What, given_: dict[str, Any], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        Records().add(what, at=T0, by="Ona", **given_)


def test_an_amended_value_is_checked_and_nothing_is_struck_when_it_is_refused() -> None:
    records = Records().add(What.MOIST, at=T0, by="Ona", value=3)
    with pytest.raises(ValueError, match="allowed: whole, 1 to 5"):
        records.amend(1, by="Ben", value=9)
    assert records.entries[0].stands


def test_the_same_deed_of_somebody_else_three_hours_ago_is_told() -> None:
    records = Records().add(What.FED, at=T0, by="Ona")
    later = T0 + 3 * HOUR
    assert (
        records.recent_same(What.FED, "Ben", later) == "Ona recorded fed 3 hours before (record 1)"
    )
    assert records.recent_same(What.FED, "Ona", later) == ""
    assert records.recent_same(What.WATERED, "Ben", later) == ""
    assert records.recent_same(What.FED, "Ben", T0 + 13 * HOUR) == ""
    assert "after" in records.recent_same(What.FED, "Ben", T0 - HOUR)
    assert records.strike(1, by="Ona").recent_same(What.FED, "Ben", later) == ""


def test_cover_on_is_not_the_same_deed_as_cover_off() -> None:
    records = Records().add(What.COVER, at=T0, by="Ona", text="on")
    assert records.recent_same(What.COVER, "Ben", T0 + 60, text="off") == ""
    assert records.recent_same(What.COVER, "Ben", T0 + 60, text="on") != ""


def test_the_stand_tells_first_up_half_up_and_when_it_is_final() -> None:
    stand = counted((4, 0, 72), (5, 6, 72), (6, 30, 72), (7, 50, 72), (9, 61, 72)).stand()
    assert stand.first_up == T0 + 5 * DAY
    assert stand.not_before == T0 + 4 * DAY
    assert stand.half_up == pytest.approx(T0 + (6 + 6 / 20) * DAY)  # 36 of 72, between 30 and 50
    assert not stand.final
    settled = counted((5, 6, 72), (6, 30, 72), (7, 61, 72), (10, 61, 72)).stand()
    assert settled.final
    assert settled.half_up == pytest.approx(T0 + (6 + 0.5 / 31) * DAY)  # 30.5 of the 61 that came


def test_without_a_number_sown_half_up_waits_for_the_final_stand() -> None:
    assert counted((5, 6, None), (6, 30, None)).stand().half_up is None
    assert counted((5, 6, None), (6, 30, None), (8, 30, None)).stand().half_up is not None


def test_a_look_that_found_none_is_no_emergence() -> None:
    stand = counted((4, 0, 72)).stand()
    assert (stand.first_up, stand.not_before, stand.up) == (None, T0 + 4 * DAY, 0)


def test_nothing_is_claimed_about_wetness_without_a_look() -> None:
    records = Records().add(What.WATERED, at=T0, by="Ona")
    assert records.moisture(T0 + HOUR) is None
    assert records.wet(T0 + HOUR) is None
    one = records.add(What.WEIGHT, at=T0, by="Ona", value=2500)
    assert one.moisture(T0 + HOUR) is None  # one weight alone tells nothing


def test_a_score_tells_the_wetness_until_it_is_too_old_or_the_mix_is_watered() -> None:
    wet = Records().add(What.MOIST, at=T0, by="Ona", value=5)
    assert wet.wet(T0 + DAY) is True
    assert wet.wet(T0 + 3 * DAY) is None
    assert wet.add(What.WATERED, at=T0 + HOUR, by="Ona").wet(T0 + DAY) is True
    moist = Records().add(What.MOIST, at=T0, by="Ona", value=3)
    assert moist.wet(T0 + DAY) is False
    assert moist.add(What.WATERED, at=T0 + HOUR, by="Ona").wet(T0 + DAY) is None


def test_a_tray_is_dry_by_its_weight_against_its_heaviest_since_it_was_filled() -> None:
    records = Records().add(What.WEIGHT, at=T0, by="Ona", value=2500)
    dry = records.add(What.WEIGHT, at=T0 + DAY, by="Ona", value=1600)
    assert dry.moisture(T0 + DAY) == (True, False, T0 + DAY)
    wet = records.add(What.WEIGHT, at=T0 + DAY, by="Ona", value=2400)
    assert wet.moisture(T0 + DAY) == (False, True, T0 + DAY)
    potted = dry.add(What.POTTED_ON, at=T0 + DAY / 2, by="Ona")
    assert potted.moisture(T0 + DAY) is None


whats = st.sampled_from(list(What))


@st.composite
def careful(draw: st.DrawFn) -> Records:
    """Records that may be, in any order of time."""
    records = Records()
    for _ in range(draw(st.integers(0, 12))):
        what = draw(whats)
        at = T0 + draw(st.integers(0, 40)) * DAY / 2
        value: float | None = {
            What.MOIST: draw(st.integers(1, 5)),
            What.WEIGHT: draw(st.floats(500, 3000)),
            What.HEIGHT: draw(st.floats(0, 400)),
            What.EMERGED: draw(st.integers(0, 72)),
            What.LEAVES: draw(st.integers(0, 6)),
            What.RAISED_LAMP: draw(st.floats(50, 900)),
            What.LOW: draw(st.floats(-10, 20)),
        }.get(what)
        text = {What.COVER: "off", What.CHECKED: "breaker a word"}.get(what, "a word")
        of = 72 if what is What.EMERGED else None
        records = records.add(
            what, at=at, by=draw(st.sampled_from("AB")), value=value, of=of, text=text
        )
    return records


@given(careful(), careful())
def test_what_is_added_and_struck_leaves_every_question_answered_as_before(
    records: Records, more: Records
) -> None:
    after = records
    for care in more.entries:
        after = after.add(
            care.what, at=care.at, by=care.by, value=care.value, of=care.of, text=care.text
        )
        after = after.strike(after.entries[-1].n, by="C")
    now = T0 + 21 * DAY
    assert len(after.entries) == len(records.entries) + len(more.entries)
    assert after.stand() == records.stand()
    assert after.moisture(now) == records.moisture(now)
    assert after.wet(now) == records.wet(now)
    for what in What:
        assert after.last(what) == records.last(what)
        assert after.recent_same(what, "D", now) == records.recent_same(what, "D", now)


@given(careful())
def test_records_come_back_from_json_as_they_were(records: Records) -> None:
    adapter = TypeAdapter(Records)
    assert adapter.validate_json(adapter.dump_json(records)) == records


# --- the tally -----------------------------------------------------------------------------------

LIMITS = TallyLimits(
    soil_cold_c=10, soil_hot_c=30, chill_c=8, cold_wet_c=12, long_day_h=13, dormant_c=26
)


def run(hours: float, tally: Tally = Tally(), **had: Any) -> Tally:  # noqa: B008 (a tuple)
    for _ in range(round(hours * 60)):
        tally = tally.after(60.0, limits=LIMITS, **had)
    return tally


def test_a_day_under_the_lamp_gives_the_dli_of_its_ppfd_and_hours() -> None:
    # A. P. Torres and R. G. Lopez, Purdue Extension HO-238-W: PPFD x hours x 3600 / 1e6.
    tally = Tally()
    for _ in range(3):
        tally = run(16, tally, lit=True, ppfd=200.0)
        tally = run(8, tally, lit=False)
    assert tally.hours_a_day == pytest.approx(16)
    assert tally.dli == pytest.approx(200 * 16 * 3600 / 1e6)


def test_light_is_not_told_where_its_strength_is_not_known_or_before_a_day() -> None:
    assert run(23, lit=True, ppfd=200.0).dli is None
    assert run(48, lit=True).dli is None
    assert run(48, lit=True).hours_a_day == pytest.approx(24)
    assert run(48, lit=None, air=5.0).hours_a_day is None


def test_day_and_night_air_are_kept_apart() -> None:
    tally = run(8, run(16, lit=True, air=22.0), lit=False, air=17.0)
    assert tally.air_day_c == pytest.approx(22)
    assert tally.air_night_c == pytest.approx(17)
    assert tally.dif_c == pytest.approx(5)
    assert run(16, lit=True, air=22.0).dif_c is None


def test_soil_is_counted_against_its_bounds_and_told_only_where_measured() -> None:
    tally = run(2, run(10, run(3, lit=False, soil=9.0), lit=False, soil=20.0), lit=False, soil=31.0)
    assert (tally.cold_s, tally.hot_s) == (3 * HOUR, 2 * HOUR)
    assert (tally.soil_low, tally.soil_high) == (9.0, 31.0)
    assert tally.soil_c == pytest.approx((27 + 200 + 62) / 15)
    assert run(30, lit=False).soil_c is None


def test_a_long_day_is_counted_once_and_a_day_at_the_limit_is_none() -> None:
    day = run(13, lit=True)
    assert run(11, day, lit=False).long_days == 0
    tally = Tally()
    for _ in range(3):
        tally = run(8, run(16, tally, lit=True), lit=False)
    assert tally.long_days == 3


def test_the_longest_dark_and_the_longest_cold_wet_spell_outlast_their_end() -> None:
    tally = run(5, run(30, lit=False, soil=11.0, wet=True), lit=True, soil=20.0, wet=True)
    assert (tally.dark_run_s, tally.dark_most_s) == (0.0, 30 * HOUR)
    assert (tally.cold_wet_run_s, tally.cold_wet_most_s) == (0.0, 30 * HOUR)
    assert tally.wet_most_s == 35 * HOUR
    unknown = run(1, tally, lit=True, soil=20.0)
    assert unknown.wet_run_s == 0.0
    assert unknown.wet_known_s == 35 * HOUR


def test_chill_and_long_days_add_up_over_the_stages_and_the_rest_begins_anew() -> None:
    tally = run(20, lit=True, air=6.0, soil=20.0)
    assert tally.anew() == Tally(air_s=20 * HOUR, chill_s=20 * HOUR, long_days=1)


maybe = st.none() | st.floats(-10, 40)


@given(
    st.lists(
        st.tuples(
            st.sampled_from([True, False, None]), maybe, maybe, st.sampled_from([True, False, None])
        ),
        max_size=40,
    )
)
def test_no_part_of_a_tally_is_more_than_the_whole(
    ticks: list[tuple[bool | None, float | None, float | None, bool | None]],
) -> None:
    tally = Tally()
    for lit, soil, air, wet in ticks:
        tally = tally.after(600.0, lit=lit, soil=soil, air=air, wet=wet, ppfd=100.0, limits=LIMITS)
    assert tally.s == 600.0 * len(ticks)
    assert tally.lit_s + tally.dark_most_s <= tally.light_s <= tally.s
    assert tally.cold_s + tally.hot_s <= tally.soil_s <= tally.s
    assert tally.chill_s <= tally.air_s <= tally.s
    assert tally.dormant_run_s <= tally.dormant_most_s <= tally.soil_s
    assert tally.cold_wet_most_s <= tally.wet_most_s <= tally.wet_known_s <= tally.s
    assert tally.soil_s == 600.0 * sum(soil is not None for _, soil, _, _ in ticks)
    if tally.soil_low is not None and tally.soil_high is not None:
        assert (
            tally.soil_low * tally.soil_s - 1e-6
            <= tally.soil
            <= tally.soil_high * tally.soil_s + 1e-6
        )
    adapter = TypeAdapter(Tally)
    assert adapter.validate_json(adapter.dump_json(tally)) == tally


@pytest.mark.parametrize(
    ("value", "score"), [(600, 2), (300, 4), (450, 3), (675, 1.5), (5000, 1), (0, 5)]
)
def test_a_moisture_probe_is_read_between_the_owners_two_looks(value: float, score: float) -> None:
    assert moisture_score(value, dry=600, wet=300) == pytest.approx(score)
    assert moisture_score(-value, dry=-600, wet=-300) == pytest.approx(score)


def test_limits_come_from_the_crop_and_seed_is_not_chilled() -> None:
    tomato = load_library().crop("tomato")
    rot = tomato.limits[LimitKind.COLD_ROT]
    assert rot.bound == 12.0
    habits = Husbandry(cold_rot=rot)
    sown = limits_of(tomato, Stage.GERMINATION, habits)
    assert (sown.soil_cold_c, sown.soil_hot_c, sown.cold_wet_c) == (17.5, 33.0, 12.0)
    up = limits_of(tomato, Stage.SEEDLING, habits)
    assert (up.soil_cold_c, up.soil_hot_c) == (15.5, 30.0)
