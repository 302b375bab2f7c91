"""Energy and money: counted as drawn, shared out by trays, kept over restarts, priced by the clock."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.control import lit_window
from daemon.energy import (
    BANKED,
    BANKED_FOR,
    NO_ENERGY,
    Energy,
    OffPeak,
    Tariff,
    banked,
    by_trays,
)
from daemon.messages import batch_message, bench_messages
from daemon.rehearsal import Rehearsal, default_plan
from daemon.requests import KINDS, apply
from daemon.simulated import example
from daemon.state import Keep, Memory, Site, dump, restore
from daemon.story import energy_by_bench, stories
from profiles.model import Stage
from tests.daemon.builders import (
    BERLIN,
    DAY,
    HOUR,
    START,
    Runner,
    Tray,
    batch,
    bench,
    library,
    site,
    utc,
)

NIGHTLY = OffPeak(timedelta(hours=22), timedelta(hours=6), 0.20)
TARIFF = Tariff("EUR", 0.40, NIGHTLY)


@pytest.mark.parametrize(
    ("at", "price"),
    [
        ("2027-01-15T21:59:59+01:00", 0.40),
        ("2027-01-15T22:00:00+01:00", 0.20),
        ("2027-01-16T00:00:00+01:00", 0.20),
        ("2027-01-16T05:59:59+01:00", 0.20),
        ("2027-01-16T06:00:00+01:00", 0.40),
        ("2027-07-16T05:59:00+02:00", 0.20),  # by the clock on the wall, summer or winter
        ("2027-07-16T06:00:00+02:00", 0.40),
    ],
)
def test_a_kwh_costs_less_off_peak(at: str, price: float) -> None:
    assert TARIFF.price_at(utc(at), BERLIN) == price


def test_hours_that_do_not_cross_midnight() -> None:
    noon = OffPeak(timedelta(hours=12), timedelta(hours=14), 0.1)
    assert [noon.holds(datetime(2027, 1, 1, hour, tzinfo=BERLIN)) for hour in (11, 12, 13, 14)] == [
        False, True, True, False,
    ]  # fmt: skip


@given(
    st.dictionaries(st.sampled_from("abc"), st.floats(0, 1e4)),
    st.lists(st.tuples(st.sampled_from(["a", "b", "porch"]), st.floats(0.1, 8)), max_size=6),
)
def test_what_a_bench_draws_is_all_shared_out_among_those_on_it(
    drawn: dict[str, float], stands: list[tuple[str, float]]
) -> None:
    energy = {name: Energy(wh, wh / 2, wh / 100) for name, wh in drawn.items()}
    parts = by_trays(energy, [(str(n), place, many) for n, (place, many) in enumerate(stands)])
    for name, one in energy.items():
        here = [parts[str(n)] for n, (place, _) in enumerate(stands) if place == name]
        whole = sum(here, NO_ENERGY)
        assert whole.kwh == pytest.approx(one.kwh if here else 0.0)
        assert whole.cost == pytest.approx(one.cost if here else 0.0)
    assert all(stands[int(code)][0] in energy for code in parts)


def a_day(tariff: Tariff | None = TARIFF) -> Runner:
    """A lamp kept on a whole local day from midnight: 40 W, a tomato of 3 trays and a pepper of 1."""
    here = replace(site(bench(mat=None)), tariff=tariff)
    stand = {
        "TOM1": batch("TOM1", stage=Stage.SEEDLING, trays=3.0),
        "PEP1": batch("PEP1", "pepper", Stage.SEEDLING, trays=1.0),
    }
    run = Runner(here, Memory(batches=stand), utc=START - HOUR - 60)
    run.tick()
    run.pass_by(DAY - 60)
    return run


def test_a_day_of_light_in_kwh_and_money_by_bench_and_batch() -> None:
    run = a_day()
    assert run.last is not None
    lit = run.memory.benches["shelf"].lit_s / HOUR
    assert lit == pytest.approx(16, abs=0.05)  # 06:00 to 22:00, none of it off-peak
    told = bench_messages(run.memory, run.site, run.last, {}, run.utc)["shelf"]
    assert told.energy_today.kwh == pytest.approx(0.04 * lit, abs=0.006)
    assert told.energy_today.cost == pytest.approx(0.40 * 0.04 * lit, abs=0.006)
    assert told.energy.lamp_kwh == told.energy.kwh
    assert told.energy.mat_kwh == 0
    assert told.energy.currency == "EUR"
    parts = {
        code: batch_message(one, run.memory, run.site, run.last, run.utc).energy
        for code, one in run.memory.batches.items()
    }
    assert parts["TOM1"].kwh == pytest.approx(3 * parts["PEP1"].kwh, abs=0.02)
    assert parts["TOM1"].kwh + parts["PEP1"].kwh == pytest.approx(told.energy.kwh, abs=0.011)


def test_light_off_peak_costs_the_other_price() -> None:
    here = replace(site(bench(mat=None, lights_on=timedelta(hours=22))), tariff=TARIFF)
    stand = {"TOM1": batch(stage=Stage.SEEDLING)}
    run = Runner(here, Memory(batches=stand), utc=utc("2027-03-01T21:58:00+01:00"))
    run.pass_by(DAY)
    energy = run.memory.benches["shelf"].energy
    assert energy.lamp_wh == pytest.approx(16 * 40, rel=0.01)
    assert energy.cost == pytest.approx(0.04 * (8 * 0.20 + 8 * 0.40), rel=0.01)


@pytest.mark.parametrize("cheaply", [True, False])
def test_a_lamp_says_that_it_goes_by_the_cheap_hours(cheaply: bool) -> None:
    spec = replace(bench(mat=None, lights_on=timedelta(hours=22)), lit_cheaply=cheaply)
    stand = {"TOM1": batch(stage=Stage.SEEDLING)}
    run = Runner(site(spec), Memory(batches=stand), utc=utc("2027-03-01T22:30:00+01:00"))
    output = run.tick().outputs["shelf"]
    assert output.lamp
    begun = ", from the first cheap hour on" if cheaply else ""
    assert output.lamp_why == f"in its 16 h of light{begun}, for TOM1"


def test_without_a_tariff_there_is_energy_and_no_cost() -> None:
    run = a_day(tariff=None)
    assert run.last is not None
    told = bench_messages(run.memory, run.site, run.last, {}, run.utc)["shelf"]
    assert told.energy.kwh > 0.6
    assert told.energy.cost is None
    assert told.energy.currency is None


def test_it_outlives_a_restart_and_a_memory_from_before_it_was_kept() -> None:
    run = a_day()
    again = restore(dump(run.memory))
    assert again.energy == run.memory.energy
    assert again.benches["shelf"].energy == run.memory.benches["shelf"].energy
    text = dump(replace(run.memory, energy={}, benches={}))
    old = text.replace(',"energy":{}', "")
    assert old != text
    assert restore(old).energy == {}


def test_a_gap_is_not_counted_for_nobody_knows_what_was_on() -> None:
    run = a_day()
    before = run.memory.benches["shelf"].energy
    run.tick(3 * HOUR)
    assert run.memory.benches["shelf"].energy == before


def test_the_day_is_told_after_midnight_and_the_season_adds_the_days_up() -> None:
    run = a_day()
    run.pass_by(2 * DAY)
    days = [event for event in run.events if event.kind == "energy"]
    assert len(days) == 2
    assert days[1].text == "the day's energy: 0.64 kWh (0.26 EUR): shelf 0.64"
    energy, currency = energy_by_bench(days)["shelf"]
    assert currency == "EUR"
    bench_memory = run.memory.benches["shelf"]
    today = bench_memory.energy_today.kwh
    assert energy.kwh + today == pytest.approx(bench_memory.energy.kwh, abs=0.001)


def test_a_part_takes_its_share_along_and_the_end_says_what_a_batch_has_drawn() -> None:
    run = a_day()
    had = run.memory.energy["TOM1"]
    part = KINDS["move"].model_validate({"batch": "TOM1", "to": "porch", "trays": 1})
    done = apply(run.memory, run.site, part, "Ona", run.now())
    assert done.memory.energy["TOM1B"].kwh == pytest.approx(had.kwh / 3)
    assert done.memory.energy["TOM1"].kwh == pytest.approx(had.kwh * 2 / 3)
    close = KINDS["close"].model_validate({"batch": "TOM1", "outcome": "planted-out", "count": 9})
    ended = apply(done.memory, run.site, close, "Ona", run.now())
    assert "TOM1" not in ended.memory.energy
    story = stories(ended.events)[0]
    assert story.kwh == pytest.approx(had.kwh * 2 / 3, abs=0.006)
    assert story.currency == "EUR"
    assert any(line.text.startswith("its part of the energy: 0.32 kWh") for line in story.lines)


def test_a_lamp_kept_on_is_paid_for_like_any_other() -> None:
    run = Runner(site(bench(mat=None)), Memory())
    run.memory = replace(run.memory, keeps={"shelf/lamp": Keep(True, "Ona", START, 1e9)})
    run.pass_by(HOUR)
    assert run.memory.benches["shelf"].energy.lamp_wh == pytest.approx(40 * 59 / 60, rel=0.01)


# --- the cheap hours ---------------------------------------------------------------------------------


@given(
    st.integers(0, 1439), st.integers(1, 1439), st.integers(0, 1439),
)  # fmt: skip
def test_what_is_banked_is_banked_in_the_cheap_hours_and_drawn_on_after(
    begins: int, lasts: int, at: int
) -> None:
    hours = OffPeak(timedelta(minutes=begins), timedelta(minutes=(begins + lasts) % 1440), 0.1)
    local = datetime(2027, 1, 1, at // 60, at % 60, tzinfo=BERLIN)
    since = (at - begins) % 1440
    assert hours.holds(local) == (since < lasts)
    left = lasts - since if since < lasts else 1440 - since
    near = left <= BANKED_FOR / 60
    assert hours.banks(local) == (0 if not near else BANKED if since < lasts else -BANKED)


@given(st.floats(0, 35), st.sampled_from([-BANKED, 0.0, BANKED]), st.floats(0, 35), st.floats(0, 8))
def test_no_target_leaves_what_all_accept_for_the_price(
    target: float, by: float, low: float, wide: float
) -> None:
    moved = banked(target, by, (low, low + wide))
    assert abs(moved - target) <= BANKED + 1e-9
    if low <= target <= low + wide:
        assert low <= moved <= low + wide
    else:  # a conflict put it there: no further away
        assert (moved - target) * (target - low) <= 1e-9
    assert banked(target, by, None) == target


def warmed(tariff: Tariff | None) -> tuple[Runner, dict[bool, float], float]:
    """Three days of a tomato bed on a mat; energy of the mat in the cheap hours and out of them [Wh], and
    the furthest that the soil was from 25.5 °C once it was warm."""
    here = replace(site(bench(lamp=None, hysteresis=0.0625)), tariff=tariff)
    run = Runner(here, Memory(batches={"TOM1": batch()}))
    tray, wh, off = Tray(18.0, lift=14.0), {True: 0.0, False: 0.0}, 0.0
    run.soil = lambda at: round(tray.soil * 16) / 16
    for n in range(3 * 1440):
        output = run.tick().outputs["shelf"]
        local = datetime.fromtimestamp(run.utc, BERLIN)
        tray.step(60.0, 16.0, output.mat, False)
        if n > 1440:
            wh[NIGHTLY.holds(local)] += 20.0 / 60 * output.mat
            off = max(off, abs(tray.soil - 25.5))
    return run, wh, off


def test_warmth_moves_into_the_cheap_hours_and_stays_in_what_the_seed_accepts() -> None:
    _, plain, _ = warmed(None)
    run, moved, off = warmed(TARIFF)
    assert moved[True] > plain[True] + 9
    assert moved[False] < plain[False] - 9
    assert sum(moved.values()) < 1.01 * sum(plain.values())
    assert off < 1.5
    aim = run.last and run.last.aims["shelf"].soil_range
    assert aim is not None
    assert aim[0] <= 25.5 - off
    told = {one for one in run.told("switching") if "cheap hours" in one}
    assert any("a little more before the cheap hours end" in one for one in told)


def test_lamps_that_move_into_the_cheap_hours_never_shorten_a_night() -> None:
    before = site(bench(mat=None), zone=BERLIN)
    run = Runner(before, Memory(batches={"LET1": batch("LET1", "lettuce", Stage.SEEDLING)}))
    dark_from, nights = None, []
    for n in range(5 * 1440):
        if n == 2 * 1440 + 700:
            run.site = site(bench(mat=None, lights_on=timedelta(hours=22)), zone=BERLIN)
        lit = run.tick().outputs["shelf"].lamp
        if not lit:
            dark_from = run.utc if dark_from is None else dark_from
        elif dark_from is not None:
            nights.append(run.utc - dark_from)
            dark_from = None
    assert run.last is not None
    hours = run.last.aims["shelf"].hours
    assert min(nights[1:]) >= (24 - hours) * HOUR - 60
    assert lit == (lit_window(timedelta(hours=22), hours, BERLIN, run.utc) is not None)


def test_a_season_s_energy_is_that_of_the_simulator_s_own_meters() -> None:
    settings = example()
    here = replace(Site.of(settings, library()), tariff=TARIFF)
    season = Rehearsal(
        settings, here, start=START - HOUR, days=4, seed=3, faults=(), plan=default_plan(here, 4)
    )
    season.run()
    for name in here.benches:
        counted, truth = season.memory.benches[name].energy, season.world.truth(name)
        assert counted.lamp_wh == pytest.approx(truth.lamp_wh, rel=0.01, abs=2)
        assert counted.mat_wh == pytest.approx(truth.mat_wh, rel=0.01, abs=2)
    assert season.memory.benches["lower"].energy.mat_wh > 500
    parts = sum(season.memory.energy.values(), NO_ENERGY).kwh
    whole = sum((one.energy for one in season.memory.benches.values()), NO_ENERGY).kwh
    assert parts == pytest.approx(whole, rel=0.05)
