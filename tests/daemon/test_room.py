"""The room as it is estimated without a probe of its own, against the simulator's truth."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.control import MatView, hysteresis
from daemon.messages import bench_messages
from daemon.requests import KINDS, apply
from daemon.room import SURE, Estimate, estimate, observe, together
from daemon.state import BenchMemory, Memory, dump, restore
from sim.thermal import AIR, ThermalNetwork, TrayFigures, soil_site
from sim.weather import RoomTemperature
from tests.daemon.builders import HOUR, Runner, batch, bench, good, site

MAT_W, LAMP_W = 18.0, 24.0  # a tray
DAYS, COVERED = 8, 5


@dataclass
class Judged:
    """Errors against the truth after the first day [°C], and the share within two standard deviations."""

    rms: float
    worst: float
    honest: float


def lived(
    seed: int, *, soil: bool = True, air: bool = True, mat: float = MAT_W, mean: float = 16.0
) -> Judged:
    """A simulated bench in a room that swings by 6 °C a day: covered and dark, later open and lit."""
    room = RoomTemperature.daily(mean, 6.0, seed=seed)
    figures = TrayFigures()
    net = ThermalNetwork(
        figures, trays=2, mat_watts=2 * mat, lamp_watts=2 * LAMP_W, room_c=room.at(0), covered=True,
        probes=[(soil_site(25, figures), 30.0), (AIR, 60.0)], moisture=0.9,
    )  # fmt: skip
    memory: tuple[float, ...] = ()
    heats = lit = False
    errors, within = [], []
    for minute in range(DAYS * 1440):
        at = minute * 60.0
        net.covered = minute < COVERED * 1440
        if net.moisture < 0.55:
            net.water(0.8, 18.0)
        net.step(60_000_000, room.at(at), room.at(at + 60), float(heats), float(lit))
        read = [round(net.probe(k) * 16) / 16 for k in (0, 1)]
        memory = observe(
            memory, dt=60.0, soil=read[0] if soil else None, air=read[1] if air else None,
            mat=heats, lamp=lit, covered=net.covered, mat_watts=mat, lamp_watts=LAMP_W,
        )  # fmt: skip
        if minute > 1440:
            found = estimate(memory)
            assert found is not None
            errors.append(found.celsius - room.at(at + 60))
            within.append(abs(errors[-1]) < 2 * found.sd)
        hour = minute / 60 % 24
        aim = 24.0 if net.covered else 20.0 if 6 <= hour < 20 else 15.0
        heats = mat > 0 and hysteresis(MatView(at, read[0], aim, 0.25, heats, lit, None), ())[0]
        lit = minute >= (COVERED - 1) * 1440 and 6 <= hour < 20
    rms = math.sqrt(sum(e * e for e in errors) / len(errors))
    return Judged(rms, max(map(abs, errors)), sum(within) / len(within))


@pytest.mark.parametrize(
    ("seed", "kind", "rms", "worst"),
    [
        (11, {}, 0.9, 2.7),
        (12, {"mean": 10.0}, 1.1, 3.2),
        (13, {"air": False}, 1.9, 4.6),
        (14, {"air": False, "mat": 0.0}, 1.4, 3.0),
        (15, {"soil": False, "mat": 0.0}, 0.9, 2.5),
    ],
)
def test_the_estimate_is_near_the_truth_and_knows_how_near(
    seed: int, kind: dict[str, float], rms: float, worst: float
) -> None:
    judged = lived(seed, **kind)  # type: ignore[arg-type]
    assert judged.rms < rms
    assert judged.worst < worst
    assert judged.honest > 0.8


def test_what_is_unsure_is_no_estimate_and_the_surest_bench_weighs_most() -> None:
    assert estimate(()) is None
    assert together([None, None]) is None
    near, far = Estimate(14.0, 0.8), Estimate(18.0, 2.0)
    both = together([near, None, far])
    assert both is not None
    assert 14.0 < both.celsius < 15.0
    assert both.sd == 0.8
    cold = observe(
        (), dt=0.0, soil=20.0, air=None, mat=False, lamp=False, covered=False, mat_watts=18, lamp_watts=0
    )  # fmt: skip
    assert (
        estimate(cold) is None
    )  # at the first reading the soil may be as warm as somebody left it
    assert math.sqrt(cold[11 + 6 + 7]) == SURE


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.none() | st.floats(-20, 60),
            st.none() | st.floats(-20, 60),
            st.booleans(), st.booleans(), st.booleans(),
            st.sampled_from([60.0, 60.0, 300.0, 5.0, 4000.0, 2e6]),
        ),
        max_size=80,
    )
)  # fmt: skip
def test_whatever_is_read_it_stays_a_number_within_reason(moves: list) -> None:  # type: ignore[type-arg]
    memory: tuple[float, ...] = ()
    for soil, air, mat, lamp, covered, dt in moves:
        memory = observe(
            memory, dt=dt, soil=soil, air=air, mat=mat, lamp=lamp, covered=covered,
            mat_watts=18, lamp_watts=24,
        )  # fmt: skip
        assert all(math.isfinite(value) for value in memory)
        found = estimate(memory)
        assert found is None or (-30 <= found.celsius <= 50 and 0 < found.sd <= SURE + 1)


def run_without_a_room_probe() -> Runner:
    run = Runner(site(bench()), Memory(batches={"TOM1": batch()}))
    run.soil = lambda at: 14.0 + at // 60 % 3 / 16  # one that never moves is a broken probe
    run.pass_by(26 * HOUR)
    return run


def test_a_site_without_a_room_probe_says_about_and_one_with_it_what_is_read() -> None:
    run = run_without_a_room_probe()
    assert run.last is not None
    told = bench_messages(run.memory, run.site, run.last, {}, run.utc)["shelf"]
    assert told.room is None
    assert told.room_estimate is not None
    again = restore(dump(run.memory))
    assert again.benches["shelf"].room_mind == run.memory.benches["shelf"].room_mind
    measured = Runner(site(bench(), room_probes=("room/wall",)), run.memory)
    measured.extra = {"room/wall": good(13.0, 0.0)}
    for n in range(3):
        measured.extra = {"room/wall": good(13.0 + n / 16, 0.0)}
        measured.tick()
    assert measured.last is not None
    told = bench_messages(measured.memory, measured.site, measured.last, {}, measured.utc)["shelf"]
    assert told.room == pytest.approx(13.125)
    assert told.room_estimate is None


def test_no_guard_goes_by_an_estimate() -> None:
    run = run_without_a_room_probe()
    assert run.memory.benches["shelf"].room is None
    assert run.memory.benches["shelf"].watch.room is None
    assert BenchMemory().room_mind == ()


def test_what_a_temperature_costs_is_reckoned_in_the_room_that_is_estimated() -> None:
    run = run_without_a_room_probe()
    asked = KINDS["sow"].model_validate({"crop": "tomato", "place": "shelf", "trays": 1})
    result = apply(run.memory, run.site, asked, "Marit", run.now()).result["germinating"]
    about = together([estimate(run.memory.benches["shelf"].room_mind)])
    assert about is not None
    assert (result["room_c"], result["room_measured"]) == (round(about.celsius), False)
    assert result["room_c"] != 18.0
