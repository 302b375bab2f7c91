"""The alarms that matter most, each raised on the simulated bench by what really goes wrong there."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon.alarms import CATALOGUE
from daemon.care import What
from daemon.config import Config, parse
from daemon.events import Event
from daemon.rehearsal import Rehearsal, Sowing
from daemon.requests import KINDS, apply
from daemon.state import DAY, HOUR, Count, Memory, MoistureSpec, Now, Site
from profiles.library import load_library
from profiles.model import Stage
from sim.faults import Fault
from tests.daemon.builders import Runner, batch, bench, good, holding, site, utc

MONDAY = datetime(2027, 3, 22, 8, tzinfo=ZoneInfo("Europe/Berlin")).timestamp()
POWER = {"measures": "power", "device": {"driver": "simulated"}}


def shed(*, meter: bool, probes: int = 2) -> Config:
    """Two benches of an invented site, with or without a meter at the upper lamp."""
    simulated = {"driver": "simulated"}
    lamp: dict[str, Any] = {"watts": 120, "device": simulated}
    soil = [{"name": f"soil{n}", "measures": "soil", "device": simulated} for n in range(probes)]
    table = {
        "schema": 1,
        "site": {"name": "plum-row", "zone": "Europe/Berlin", "power_budget": 400.0},
        "room": [{"name": "wall", "measures": "air", "device": simulated}],
        "bench": {
            "lower": {"trays": 2, "mat": {"watts": 36, "device": simulated}, "probes": soil},
            "upper": {"trays": 4, "lamp": {**lamp, "proof": POWER} if meter else lamp},
        },
    }
    return parse(table, Path("plum-row.toml"))


class Away(Rehearsal):
    """A season whose grower sows and moves as ever, and then does not come any more."""

    gone_from = 1e12

    def _visit(self, mono: float) -> None:
        if mono < self.gone_from:
            super()._visit(mono)


def season(
    days: float,
    *faults: dict[str, Any],
    config: Config | None = None,
    gone: float = 1e12,
    crop: str = "lettuce",
) -> Away:
    config = config or shed(meter=True)
    there = Site.of(config, load_library())
    one = Away(
        config, there, start=MONDAY, days=days, seed=0,
        faults=tuple(Fault.model_validate(fault) for fault in faults),
        plan=[Sowing(crop, 0.0, 0.5, "Winter Glass", 0.5)],
    )  # fmt: skip
    one.gone_from = gone
    one.run()
    return one


def raised(one: Rehearsal, kind: str) -> list[Event]:
    return [
        event
        for event in one.events
        if event.kind == "alarm"
        and event.data["kind"] == kind
        and event.data.get("state") == "active"
    ]


# --- cooking ---------------------------------------------------------------------------------------


def test_one_probe_out_of_the_tray_is_told_and_wakes_somebody_only_if_it_could_burn() -> None:
    out = {"kind": "probe-out-of-soil", "target": "lower/soil0", "at": "P1D"}
    one = season(1.5, out, config=shed(meter=True, probes=1), crop="pepper")
    (found,) = raised(one, "probe-out-of-tray")[:1]
    assert DAY < found.at - MONDAY <= DAY + 3 * HOUR
    assert one.records["PEP1"][0].soil_high < one.site.soil_limit
    assert CATALOGUE["probe-out-of-tray"].latched
    assert CATALOGUE["soil-over-limit"].wakes


def test_a_welded_relay_is_critical_and_wakes_somebody() -> None:
    one = season(2, {"kind": "relay-stuck-on", "target": "lower/mat", "at": "P1D"})
    found = raised(one, "warms-unheated") or raised(one, "crop-too-hot")
    assert found[0].at - MONDAY < DAY + 8 * HOUR
    kind = CATALOGUE["warms-unheated"]
    assert (kind.priority, kind.latched, kind.wakes) == ("critical", True, True)


def test_a_lamp_over_a_cover_is_shed_by_turns_before_it_cooks_and_somebody_is_told() -> None:
    simulated = {"driver": "simulated"}
    soil = [{"name": f"soil{n}", "measures": "soil", "device": simulated} for n in range(2)]
    lamp = {"watts": 120, "device": simulated}  # far too much for one tray
    table = {
        "schema": 1,
        "site": {"name": "plum-row", "zone": "Europe/Berlin"},
        "bench": {"lower": {"trays": 1, "lamp": lamp, "probes": soil}},
    }
    one = season(2, config=parse(table, Path("plum-row.toml")))
    begun = [event for event in one.events if event.text.endswith("begins: lamp-over-cover")]
    assert len(begun) > 3
    (told,) = raised(one, "lamp-shed")
    assert begun[0].at + 2 * HOUR < told.at
    assert "2.0 h of today's light" in told.text
    ceiling = 27.0  # of lettuce, as the shipped profile has it
    assert one.records["LET1"][0].soil_high < ceiling + 1.0


def test_a_dead_mat_is_told_by_day_and_wakes_nobody() -> None:
    one = season(2, {"kind": "mat-dead", "target": "lower", "at": "P1D"}, gone=DAY)
    assert raised(one, "mat-without-effect")
    assert not raised(one, "probe-out-of-tray")
    kind = CATALOGUE["mat-without-effect"]
    assert (kind.priority, kind.wakes) == ("low", False)


# --- seedlings in the dark -------------------------------------------------------------------------


def test_a_dead_lamp_is_found_by_what_its_plug_draws() -> None:
    at = 5 * DAY + 4 * HOUR  # noon, the lettuce long up and under the upper lamp
    one = season(5.5, {"kind": "lamp-dead", "target": "upper", "at": at, "duration": 6 * HOUR})
    (found,) = raised(one, "lamp-dark")
    assert at + 600.0 <= found.at - MONDAY <= at + 780.0
    assert "power is under 60 W" in found.text
    ended = [event for event in one.events if "returned to normal: the lamp is dark" in event.text]
    assert ended
    assert at + 6 * HOUR <= ended[0].at - MONDAY <= at + 6 * HOUR + 780.0
    assert not raised(one, "lamp-unseen")


def test_where_nothing_proves_the_lamp_lit_people_are_asked_who_may_have_seen_it() -> None:
    gone = 5 * DAY
    one = season(7.2, config=shed(meter=False), gone=gone)
    (asked,) = raised(one, "lamp-unseen")
    # Two days after the last visit in the lamp's hours, which the grower makes each day.
    assert gone + DAY < asked.at - MONDAY < gone + 2 * DAY + HOUR
    saw = KINDS["log"].model_validate({"batch": "LET1", "what": "lit"})
    now = Now(7.2 * DAY, MONDAY + 7.2 * DAY)
    done = apply(one.memory, one.site, saw, "Joss", now)
    assert done.result["text"] == "LET1: lamp seen lit"
    one.memory = done.memory
    one._tick(7.2 * DAY)
    assert "lamp-unseen.upper" not in {
        key for key, alarm in one.memory.alarms.items() if alarm.active
    }


def test_the_first_seedlings_are_to_be_seen_under_a_lit_lamp_within_a_day() -> None:
    up = replace(batch(crop="lettuce", code="LET1", stage=Stage.SEEDLING), sown_at=NOON - 9 * DAY)
    runner = Runner(site(), holding(replace(up, since=NOON)), utc=NOON, soil=18.0)
    runner.pass_by(DAY + 500.0)
    assert "lamp-unseen.shelf" not in runner.memory.alarms
    runner.pass_by(300.0)
    assert "nobody was there" in runner.memory.alarms["lamp-unseen.shelf"].cause


NOON = utc("2027-03-22T12:00:00+01:00")


def up_in_the_dark(runner: Runner, key: str = "TOM1") -> bool:
    alarm = runner.memory.alarms.get(f"up-in-the-dark.{key}")
    return alarm is not None and alarm.active


@pytest.mark.parametrize("place", ["dark", "chamber"])
def test_seedlings_that_are_up_where_no_lamp_is_are_told_within_hours(place: str) -> None:
    there = site(bench(), bench("dark", lamp=None))
    up = replace(batch(place=place), counts=(Count(NOON, 3, 72, "Joss"),))
    runner = Runner(there, holding(up), utc=NOON, soil=25.0)
    runner.pass_by(6 * HOUR - 60.0)
    assert not up_in_the_dark(runner)
    runner.pass_by(180.0)
    assert up_in_the_dark(runner)
    move = KINDS["move"].model_validate({"batch": "TOM1", "to": "shelf"})
    runner.memory = apply(runner.memory, there, move, "Joss", runner.now()).memory
    runner.tick()
    assert not up_in_the_dark(runner)


def test_where_they_may_be_up_in_the_dark_a_look_a_day_keeps_the_alarm_away() -> None:
    runner = Runner(site(bench(lamp=None)), holding(batch()), utc=NOON, soil=25.0)
    runner.memory = replace(runner.memory, progress={"TOM1": 0.95}, called=frozenset({"TOM1"}))
    runner.tick()
    log(runner, "emerged", value=0)
    runner.pass_by(DAY + 5 * HOUR)
    assert not up_in_the_dark(runner)
    runner.pass_by(2 * HOUR)
    assert up_in_the_dark(runner)
    log(runner, "emerged", value=0)
    runner.tick()
    assert not up_in_the_dark(runner)


@pytest.mark.parametrize("place", ["shelf", "porch", "cold-frame"])
def test_seedlings_under_a_lamp_or_by_a_window_are_not_in_the_dark(place: str) -> None:
    up = replace(batch(place=place, stage=Stage.SEEDLING), since=NOON)
    runner = Runner(site(), holding(up), utc=NOON, soil=20.0)
    runner.pass_by(1.5 * DAY)
    assert not up_in_the_dark(runner)
    assert not up_in_the_dark(runner, "shelf")


def test_a_lamp_that_somebody_keeps_off_for_a_day_over_seedlings_is_told() -> None:
    up = replace(batch(stage=Stage.SEEDLING), since=NOON)
    runner = Runner(site(), holding(up), utc=NOON, soil=20.0)
    runner.tick()
    off = KINDS["keep"].model_validate({"bench": "shelf", "relay": "lamp", "to": "off"})
    runner.memory = apply(runner.memory, runner.site, off, "Joss", runner.now()).memory
    runner.pass_by(DAY + 6 * HOUR + 180.0)
    assert up_in_the_dark(runner, "shelf")
    assert "lamp was not on for" in runner.memory.alarms["up-in-the-dark.shelf"].cause


@pytest.mark.parametrize(
    ("what", "value", "on", "asked"),
    [
        ("watered", None, "2027-03-22T18:00:00+01:00", False),
        ("watered", None, "2027-03-22T04:00:00+01:00", True),  # in the dark hours
        ("lit", None, "2027-03-22T04:00:00+01:00", False),  # somebody says so
        ("note", None, "2027-03-22T18:00:00+01:00", True),  # can be written from anywhere
    ],
)
def test_what_counts_as_having_seen_the_lamp(
    what: str, value: float | None, on: str, asked: bool
) -> None:
    up = batch("LET1", "lettuce", Stage.SEEDLING, sown_at=utc("2027-03-15T00:00:00+01:00"))
    start = utc("2027-03-22T00:00:00+01:00")
    runner = Runner(site(), holding(replace(up, since=start - HOUR)), utc=start, soil=18.0)
    runner.until(utc(on))
    saw = {"batch": "LET1", "what": what, "text": "all well" if what == "note" else ""}
    asking = KINDS["log"].model_validate(saw)
    runner.memory = apply(runner.memory, runner.site, asking, "Joss", runner.now()).memory
    runner.until(start + 1.2 * DAY)
    assert ("lamp-unseen.shelf" in runner.memory.alarms) is asked


def test_a_look_where_the_batch_stood_before_is_none_at_the_lamp_where_it_is_now() -> None:
    there = site(bench("left"), bench("right"))
    up = replace(batch("LET1", "lettuce", Stage.SEEDLING, place="left"), since=NOON - DAY)
    runner = Runner(there, holding(up), utc=NOON, soil=18.0)
    for kind, arguments in (
        ("log", {"batch": "LET1", "what": "lit"}),
        ("move", {"batch": "LET1", "to": "right"}),
    ):
        runner.tick()
        asked = KINDS[kind].model_validate(arguments)
        runner.memory = apply(runner.memory, there, asked, "Joss", runner.now()).memory
    runner.pass_by(DAY + 900.0)
    assert "lamp-unseen.right" in runner.memory.alarms
    assert "lamp-unseen.left" not in runner.memory.alarms


METERED = site(
    bench(
        lamp=Site.of(shed(meter=True), load_library()).benches["upper"].lamp,
        mat=None,
        soil=(),
    )
)


def metered(at: str, watts: float | None) -> Runner:
    up = batch("LET1", "lettuce", Stage.SEEDLING, sown_at=utc(at) - DAY)
    runner = Runner(METERED, holding(up), utc=utc(at))
    if watts is not None:
        runner.extra["upper/lamp.proof"] = good(watts, 0.0)
    return runner


@pytest.mark.parametrize(("watts", "lit"), [(118.0, True), (60.0, True), (59.9, False)])
def test_half_of_the_lamps_watts_is_lit(watts: float, lit: bool) -> None:
    runner = metered("2027-03-22T12:00:00+01:00", watts)
    runner.pass_by(900.0)
    assert runner.memory.benches["shelf"].lit is lit
    assert ("lamp-dark.shelf" in runner.memory.alarms) is not lit


def test_a_lamp_that_draws_power_in_the_night_is_a_relay_against_orders() -> None:
    runner = metered("2027-03-22T23:30:00+01:00", 118.0)
    runner.pass_by(300.0)
    alarm = runner.memory.alarms["relay-unconfirmed.shelf.lamp"]
    assert "it draws 60 W or more, and should be off" in alarm.cause


def test_a_meter_that_says_nothing_proves_nothing_and_people_are_asked() -> None:
    runner = metered("2027-03-22T12:00:00+01:00", None)
    runner.pass_by(DAY + 900.0)
    assert runner.memory.benches["shelf"].lit is None
    assert set(runner.memory.alarms) == {"lamp-unseen.shelf"}


def test_what_a_meter_said_before_the_lamp_came_on_is_not_believed() -> None:
    runner = metered("2027-03-22T05:30:00+01:00", 0.0)
    runner.until(utc("2027-03-22T06:00:50+01:00"))
    assert runner.memory.benches["shelf"].lamp
    assert runner.memory.benches["shelf"].lit is None
    runner.pass_by(90.0)
    assert runner.memory.benches["shelf"].lit is False


# --- dry cells -------------------------------------------------------------------------------------


def test_nobody_saw_to_the_water_for_longer_than_such_cells_hold() -> None:
    one = season(7, gone=5 * DAY)
    found = raised(one, "dry-cells")
    assert [event.batch for event in found] == ["LET1"]
    assert "72 cells to a tray" in found[0].text
    # 36 hours for 72 cells, and two more before it is told, from the last look.
    last = max(care.at for care in one.memory.care["LET1"].standing(What.MOIST, What.WATERED))
    assert found[0].at == pytest.approx(last + 38 * HOUR, abs=120.0)


@pytest.mark.parametrize(
    ("cells", "covered", "hours"),
    [(200, False, 24), (72, False, 36), (24, False, 48), (72, True, 108)],
)
def test_small_cells_are_dry_sooner_and_covered_ones_later(
    cells: int, covered: bool, hours: float
) -> None:
    sown = replace(batch(cells=cells, covered=covered, crop="pepper", code="PEP1"), sown_at=NOON)
    sown = replace(sown, since=NOON)
    runner = Runner(site(), holding(sown), utc=NOON, soil=26.0)
    runner.until(NOON + (hours + 2) * HOUR - 1.0)
    assert "dry-cells.PEP1" not in runner.memory.alarms
    runner.pass_by(120.0)
    assert "dry-cells.PEP1" in runner.memory.alarms
    wet = KINDS["log"].model_validate({"batch": "PEP1", "what": "watered"})
    runner.memory = apply(runner.memory, runner.site, wet, "Joss", runner.now()).memory
    runner.tick()
    assert runner.memory.alarms["dry-cells.PEP1"].state == "returned"


def test_a_moisture_probe_knows_better_than_records() -> None:
    shelf = replace(bench(), moisture=MoistureSpec("shelf/moisture", dry=300.0, wet=600.0))
    sown = replace(batch(cells=72), sown_at=NOON, since=NOON)
    runner = Runner(site(shelf), holding(sown), utc=NOON, soil=26.0)
    runner.extra["shelf/moisture"] = good(500.0, 0.0)
    runner.pass_by(4 * DAY)
    assert "dry-cells.TOM1" not in runner.memory.alarms
    runner.extra["shelf/moisture"] = good(200.0, 0.0)
    runner.pass_by(2 * HOUR + 120.0)
    assert "moisture probe reads 1." in runner.memory.alarms["dry-cells.TOM1"].cause


def test_mix_that_was_found_dry_is_to_be_watered_the_same_day() -> None:
    sown = replace(batch(cells=72, covered=True), sown_at=NOON, since=NOON)
    runner = Runner(site(), holding(sown), utc=NOON, soil=26.0)
    runner.tick()
    dry = KINDS["log"].model_validate({"batch": "TOM1", "what": "moist", "value": 1})
    runner.memory = apply(runner.memory, runner.site, dry, "Joss", runner.now()).memory
    runner.pass_by(14 * HOUR + 60.0)
    assert "dry-cells.TOM1" in runner.memory.alarms


# --- hardening trays on a cold night ---------------------------------------------------------------

DUSK = utc("2027-04-20T18:00:00+02:00")


def outside(style: str = "home", **more: Any) -> Runner:
    """A batch in its first days of hardening, put out this morning."""
    there = replace(site(), hardening=style, outdoor_air=("outdoor/fence",), **more)  # type: ignore[arg-type]
    plant = replace(
        batch("TOM1", "tomato", Stage.HARDENING, place="cold-frame"), since=DUSK - 2 * DAY
    )
    runner = Runner(there, holding(plant), utc=DUSK - 10 * HOUR)
    runner.tick()
    log(runner, "watered")
    log(runner, "out")
    return runner


def pass_by(runner: Runner, until: float, fence: float | None = 17.0, soil: float = 18.0) -> None:
    """Let time pass, with air outdoors (and soil) that moves by a step now and then, as it does."""
    while runner.utc < until:
        step = (int(runner.utc) // 1800 % 2) / 16
        runner.soil = soil + step
        runner.extra["outdoor/fence"] = None if fence is None else good(fence + step, 0.0)
        runner.until(min(until, runner.utc + 1800.0))


def log(runner: Runner, what: str, on: str = "TOM1", **more: Any) -> None:
    asked = KINDS["log"].model_validate({"batch": on, "what": what, **more})
    runner.memory = apply(runner.memory, runner.site, asked, "Joss", runner.now()).memory


def left_out(memory: Memory) -> str | None:
    alarm = memory.alarms.get("left-out.TOM1")
    return alarm.state if alarm is not None else None


def test_plants_that_are_out_after_dusk_on_a_night_too_cold_for_them_are_an_alarm() -> None:
    runner = outside()
    log(runner, "low", "site", value=6.0)
    pass_by(runner, DUSK + 1700.0)
    assert left_out(runner.memory) is None
    pass_by(runner, DUSK + 2600.0)
    assert left_out(runner.memory) == "active"
    assert "tonight's low is 6.0 °C" in runner.memory.alarms["left-out.TOM1"].cause
    # All night, past midnight as well; and it ends with the record, not with a delay.
    pass_by(runner, DUSK + 8 * HOUR)
    assert left_out(runner.memory) == "active"
    log(runner, "in")
    runner.tick()
    assert left_out(runner.memory) == "returned"


def test_plants_that_came_in_or_bear_the_night_are_none() -> None:
    brought = outside()
    log(brought, "low", "site", value=6.0)
    pass_by(brought, DUSK - 600.0)
    log(brought, "in")
    pass_by(brought, DUSK + 14 * HOUR, 6.0)
    mild = outside()
    log(mild, "low", "site", value=17.0)
    pass_by(mild, DUSK + 14 * HOUR, 18.0)
    assert left_out(brought.memory) is None
    assert left_out(mild.memory) is None


def test_plants_put_out_on_a_cold_morning_were_not_left_out_over_night() -> None:
    runner = outside()
    pass_by(runner, DUSK - 7 * HOUR, 5.0)
    assert left_out(runner.memory) is None


def test_a_night_of_which_nobody_knows_how_cold_it_gets_is_not_trusted() -> None:
    runner = outside()
    pass_by(runner, DUSK + HOUR, None)
    assert "tonight's low is not known" in runner.memory.alarms["left-out.TOM1"].cause


def test_a_night_that_turns_out_colder_than_foretold_is_noticed_by_the_fence() -> None:
    runner = outside()
    log(runner, "low", "site", value=17.0)
    pass_by(runner, DUSK + 6 * HOUR, 18.0)
    assert left_out(runner.memory) is None
    pass_by(runner, DUSK + 7 * HOUR, 9.0)
    assert "it is 9.1 °C outdoors" in runner.memory.alarms["left-out.TOM1"].cause
    # By day it is nobody's alarm.
    pass_by(runner, DUSK + 18.5 * HOUR, 9.0)
    assert left_out(runner.memory) == "returned"


def test_air_that_is_just_too_cold_does_not_make_the_alarm_come_and_go() -> None:
    runner = outside()
    log(runner, "low", "site", value=17.0)
    pass_by(runner, DUSK + 2 * HOUR, 14.8)
    least = runner.memory.alarms["left-out.TOM1"].cause
    assert "takes 15.0 °C by now" in least
    pass_by(runner, DUSK + 4 * HOUR, 15.3)
    assert left_out(runner.memory) == "active"
    pass_by(runner, DUSK + 6 * HOUR, 18.0)
    assert left_out(runner.memory) == "returned"


def test_an_open_frame_on_a_cold_night_is_to_be_shut() -> None:
    runner = outside("cold-frame")
    log(runner, "low", "site", value=3.0)
    pass_by(runner, DUSK + HOUR)
    assert left_out(runner.memory) == "active"


def test_nothing_is_said_of_people_while_the_clock_can_not_be_believed() -> None:
    runner = outside()
    runner.trusted = False
    pass_by(runner, DUSK + 3 * DAY, 1.0)
    assert set(runner.memory.alarms) == {"clock-unset"}
