"""The watts of a site: never over the budget, lamps in their hours first, the coldest mat next."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.decide import decide
from daemon.power import Load, lamp_rank, mat_rank, turns
from daemon.state import Inputs, Keep, Memory, Now, RelaySpec, Site
from drivers.protocols import RelayState
from profiles.model import Stage
from tests.daemon.builders import BERLIN, DAY, HOUR, START, Runner, Tray, batch, bench, good, site

# Midnight in Berlin; lamps are lit from 06:00.
NIGHT, NOON = START - HOUR, START + 11 * HOUR


def mat(watts: float = 20.0, least: float = 60.0) -> RelaySpec:
    return RelaySpec(watts, least, least)


# --- who goes first ----------------------------------------------------------------------------------


def names(*loads: Load, budget: float) -> str:
    return "".join(sorted(turns(loads, budget)))


def test_lamps_in_their_hours_come_before_mats_and_the_coldest_mat_before_the_others() -> None:
    lamp = Load("L", 40, lamp_rank(0.0, False))
    cold = Load("c", 20, mat_rank(15.0, 20.0, None, False))
    cool = Load("d", 20, mat_rank(18.0, 20.0, None, False))
    assert names(lamp, cool, cold, budget=80) == "Lcd"
    assert names(lamp, cool, cold, budget=60) == "Lc"
    assert names(lamp, cool, cold, budget=40) == "L"


def test_cold_is_relative_to_what_the_batch_needs() -> None:
    # Pepper at 24 °C lies further under its 28 than lettuce at 17 under its 18.
    pepper, lettuce = mat_rank(24.0, 28.0, 18.0, False), mat_rank(17.0, 18.0, 5.0, False)
    assert pepper < lettuce
    # As far under its target, the one that leaves what it accepts suffers more.
    assert mat_rank(15.0, 20.0, 16.0, False) < mat_rank(23.0, 28.0, 18.0, False)


def test_a_mat_in_its_turn_keeps_it_until_another_is_colder_by_more_than_a_trifle() -> None:
    on = Load("a", 20, mat_rank(18.0, 20.0, None, True), on=True)
    colder, coldest = mat_rank(17.8, 20.0, None, False), mat_rank(17.4, 20.0, None, False)
    assert names(on, Load("b", 20, colder), budget=30) == "a"
    assert names(on, Load("b", 20, coldest), budget=30) == "b"


def test_a_least_time_on_is_kept_though_a_lamp_waits_but_not_over_the_budget() -> None:
    held = Load("m", 20, mat_rank(18.0, 20.0, None, True), on=True, held=True)
    lamp = Load("L", 40, lamp_rank(0.0, False))
    assert names(held, lamp, budget=50) == "m"
    assert names(replace(held, held=False), lamp, budget=50) == "L"
    both = [replace(held, name=name) for name in "ab"]
    assert len(turns(both, 30.0)) == 1


def test_nothing_begins_in_the_place_of_one_that_waits_only_for_a_least_time() -> None:
    # The large one is due when the held one's time is over; a small one let in now would be held then.
    held = Load("h", 40, mat_rank(19.0, 20.0, None, True), on=True, held=True)
    large = Load("l", 80, mat_rank(10.0, 20.0, None, False))
    small = Load("s", 20, mat_rank(18.0, 20.0, None, False))
    assert names(held, large, small, budget=90) == "h"
    assert names(held, replace(small, on=True), large, budget=90) == "hs"  # it may go at any time
    # One that could not be on whatever goes is no reason to wait.
    lamp = Load("L", 40, lamp_rank(0.0, True), on=True)
    assert names(lamp, large, small, budget=90) == "Ls"


def test_a_plug_that_still_reports_on_keeps_its_watts_until_it_is_off() -> None:
    leaving = Load("a", 20, mat_rank(19.9, 20.0, None, True), on=True, reports=True)
    comes = Load("b", 20, mat_rank(15.0, 20.0, None, False))
    assert names(leaving, comes, budget=30) == ""
    assert names(replace(leaving, reports=False), comes, budget=30) == "b"


LOADS = st.lists(
    st.tuples(
        st.floats(1, 200),
        st.tuples(st.integers(0, 2), st.floats(-5, 5)),
        st.booleans(),
        st.booleans(),
        st.booleans(),
    ),
    max_size=12,
)


@given(LOADS, st.floats(0, 600))
def test_whatever_the_loads_those_let_in_fit(given_loads: list, budget: float) -> None:  # type: ignore[type-arg]
    loads = [
        Load(str(n), watts, rank, on, on and held, on and reports)
        for n, (watts, rank, on, held, reports) in enumerate(given_loads)
    ]
    on = turns(loads, budget)
    assert sum(load.watts for load in loads if load.name in on) <= budget
    newcomers = [load for load in loads if load.name in on and not load.on]
    if newcomers:  # beside what stays and what has yet to go
        there = sum(load.watts for load in loads if load.on and load.name in on)
        leaving = sum(load.watts for load in loads if load.reports and load.name not in on)
        assert there + leaving + sum(load.watts for load in newcomers) <= budget + 1e-6
    best = min(loads, key=lambda load: load.rank, default=None)
    if best is not None and best.watts <= budget and not any(load.on for load in loads):
        assert best.name in on


# --- in the tick -------------------------------------------------------------------------------------

BENCHES = st.lists(
    st.tuples(
        st.none() | st.floats(5, 120),
        st.floats(5, 120),
        st.sampled_from([0.0, 60.0, 300.0, 1800.0]),
        st.sampled_from(["tomato", "pepper", "lettuce", "onion"]),
        st.sampled_from([Stage.GERMINATION, Stage.SEEDLING]),
        st.floats(5, 30),
    ),
    min_size=1,
    max_size=8,
)


@dataclass
class Held:
    """How long each relay has been as it is, to hold least times against."""

    on: bool = False
    since: float = -1e9


@settings(max_examples=60, deadline=None)
@given(
    BENCHES,
    st.floats(120, 400),
    st.lists(
        st.tuples(
            st.sampled_from([60.0] * 6 + [5.0, 900.0, 6 * HOUR]),
            st.floats(-3, 3),
            st.sampled_from([""] * 6 + ["lamp on", "mat on", "mat off", "stuck"]),
        ),
        min_size=5,
        max_size=40,
    ),
)
def test_over_random_sites_the_sum_stays_within_the_budget_and_least_times_are_kept(
    drawn: list,  # type: ignore[type-arg]
    budget: float,
    moves: list[tuple[float, float, str]],
) -> None:
    benches = [
        bench(
            f"b{n}",
            lamp=None if lamp is None else RelaySpec(lamp, least, least),
            mat=RelaySpec(watts, least, least),
        )
        for n, (lamp, watts, least, *_) in enumerate(drawn)
    ]
    here = site(*benches, power_budget=budget)
    soils = [one[5] for one in drawn]
    stand = [
        batch(f"B{n}", crop, stage, place=f"b{n}", sown_at=START)
        for n, (_, _, _, crop, stage, _) in enumerate(drawn)
    ]
    memory = Memory(batches={one.code: one for one in stand})
    mono, relays = 1000.0, dict[str, RelayState]()
    was: dict[str, Held] = {}
    for dt, warms, what in moves:
        mono += dt
        soils = [min(33.0, max(2.0, soil + warms)) for soil in soils]
        keeps = dict(memory.keeps)
        relays.clear()
        if what == "stuck":
            relays["b0/mat"] = RelayState(commanded=False, confirmed=True)
        elif what:
            relay, way = what.split()
            if getattr(benches[0], relay) is not None:
                keeps[f"b0/{relay}"] = Keep(
                    way == "on", "Ona", START, mono + HOUR if way == "on" else None
                )
        memory = replace(memory, keeps=keeps)
        readings = {f"b{n}/soil": good(soil, mono) for n, soil in enumerate(soils)}
        decision = decide(memory, here, Inputs(readings, dict(relays)), Now(mono, START + mono))
        memory = decision.memory
        total = 0.0
        on = {
            f"{spec.name}/{kind}": (getattr(decision.outputs[spec.name], kind), relay_spec)
            for spec in benches
            for kind in ("lamp", "mat")
            if (relay_spec := getattr(spec, kind)) is not None
        }
        total = sum(spec.watts for lit, spec in on.values() if lit)
        stuck = what == "stuck" and not on["b0/mat"][0]
        assert total + (drawn[0][1] if stuck else 0.0) <= budget
        for name, (lit, spec) in on.items():
            before = was.setdefault(name, Held())
            if lit != before.on:
                least = spec.min_on if before.on else spec.min_off
                if mono - before.since < least and lit:
                    assert keeps.get(name)
                if mono - before.since < least and not lit:  # a safety stop, or a person
                    output = decision.outputs[name.split("/")[0]]
                    why = output.lamp_why if name.endswith("lamp") else output.mat_why
                    assert what == "stuck" or "waits its turn" not in why
                was[name] = Held(lit, mono)


def test_two_mats_that_share_the_watts_of_one_take_turns_and_end_up_alike() -> None:
    here = site(bench("a", lamp=None), bench("b", lamp=None), power_budget=30.0)
    memory = Memory(
        batches={
            "TOM1": batch("TOM1", place="a", sown_at=START),
            "TOM2": batch("TOM2", place="b", sown_at=START),
        }
    )
    trays = {"a": Tray(18.0), "b": Tray(15.0)}
    mono, on_s, switched = 1000.0, {"a": 0.0, "b": 0.0}, 0
    was = {"a": False, "b": False}
    for n in range(int(DAY / 60)):
        mono += 60.0
        readings = {f"{name}/soil": good(tray.soil, mono) for name, tray in trays.items()}
        decision = decide(memory, here, Inputs(readings), Now(mono, START + mono))
        memory = decision.memory
        assert sum(20.0 * one.mat for one in decision.outputs.values()) <= 30.0
        for name, tray in trays.items():
            lit = decision.outputs[name].mat
            switched += lit != was[name]
            was[name] = lit
            if n > 12 * 60:
                on_s[name] += 60.0 * lit
            tray.step(60.0, 16.0, lit, False)
    assert abs(trays["a"].soil - trays["b"].soil) < 1.0
    assert on_s["a"] + on_s["b"] == pytest.approx(11.98 * HOUR, rel=0.02)  # the watts are all used
    assert on_s["a"] == pytest.approx(on_s["b"], rel=0.15)
    assert switched < 96  # turns of half an hour and more, not by the minute
    told = [one for one in memory.benches["a"].said if one.startswith("power-short")]
    assert told  # six hours under the aim for want of watts


def test_a_waiting_mat_says_what_it_waits_for_and_is_no_safety_stop() -> None:
    run = Runner(
        site(bench(), power_budget=55.0),
        Memory(batches={"LET1": batch("LET1", "lettuce", Stage.SEEDLING)} | {"TOM1": batch()}),
        utc=NOON,
        soil=12.0,
    )
    output = run.tick().outputs["shelf"]
    assert output.lamp
    assert not output.mat
    assert output.mat_why == (
        "waits its turn: 40 of the site's 55 W are in use, lamps and colder benches first"
    )
    assert output.stops == ()


def dark_lamps(here: Site, hours: float) -> tuple[dict[str, float], Runner]:
    run = Runner(
        here,
        Memory(
            batches={
                f"LET{n}": batch(f"LET{n}", "lettuce", Stage.SEEDLING, place=name)
                for n, name in enumerate(here.benches)
            }
        ),
        utc=NIGHT + 5.9 * HOUR,
    )
    lit = dict.fromkeys(here.benches, 0.0)
    until = run.utc + hours * HOUR
    while run.utc < until:
        decision = run.tick()
        assert sum(40.0 * one.lamp for one in decision.outputs.values()) <= here.power_budget
        for name, output in decision.outputs.items():
            lit[name] += output.lamp / 60
    return lit, run


def test_lamps_that_do_not_fit_together_share_the_hours_and_an_alarm_says_so() -> None:
    lit, run = dark_lamps(site(bench("a"), bench("b"), zone=BERLIN, power_budget=60.0), 12.1)
    assert lit["a"] == pytest.approx(6, abs=1.1)
    assert lit["b"] == pytest.approx(6, abs=1.1)
    alarm = run.memory.alarms["lamps-short-of-power"]
    assert alarm.active
    assert "40 of the site's 60 W are in use" in alarm.cause


def test_a_welded_relay_takes_its_watts_out_of_the_budget() -> None:
    here = site(bench("a", lamp=None), bench("b", lamp=None), power_budget=30.0)
    stand = {"TOM1": batch("TOM1", place="a"), "TOM2": batch("TOM2", place="b")}
    run = Runner(here, Memory(batches=stand), soil=15.0)
    run.relays = {"a/mat": RelayState(commanded=False, confirmed=True)}
    run.memory = replace(run.memory, keeps={"a/mat": Keep(False, "Ona", START, None)})
    assert not run.tick().outputs["b"].mat
    run.relays = {}
    assert run.tick().outputs["b"].mat
