"""By what the soil is known that counts towards emergence, and what it will be from now on."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.care import Tally
from daemon.decide import decide
from daemon.forecasts import counted_soil, soil_ahead
from daemon.messages import BatchMessage, batch_message
from daemon.sharing import Aim
from daemon.state import BenchMemory, Inputs, Memory, Now, Site
from drivers.protocols import Reading
from tests.daemon.builders import HOUR, START, batch, bench, good, holding, site

maybe = st.none() | st.floats(-5, 40)


def lived(soil: float, days: float) -> Tally:
    tally = Tally()
    for _ in range(round(days * 24)):
        tally = tally.after(HOUR, lit=False, soil=soil)
    return tally


@given(st.booleans(), maybe, maybe, maybe, maybe)
def test_what_is_measured_counts_before_what_is_guessed(
    probed: bool, soil: float | None, air: float | None, room: float | None, aim: float | None
) -> None:
    value, by = counted_soil(probed, soil, air, room, aim)
    assert value == {"soil": soil, "air": air, "room": room, "aim": aim}[by]
    if soil is not None:
        assert by == "soil"
    elif probed:  # a mat may be on: the air tells nothing of it
        assert by == "aim"
    elif air is not None:
        assert by == "air"


WARM = Aim(soil=25.0)


def test_a_bench_without_a_mat_is_forecast_at_what_its_soil_is() -> None:
    matless = bench(mat=None)
    assert soil_ahead(matless, BenchMemory(soil=19.0), WARM, Tally()) == (19.0, None)
    assert soil_ahead(matless, BenchMemory(soil=22.0), WARM, lived(19.0, 2)) == (19.0, None)
    unprobed = bench(mat=None, soil=())
    assert soil_ahead(unprobed, BenchMemory(air=17.0), WARM, Tally()) == (17.0, None)
    assert soil_ahead(unprobed, BenchMemory(), WARM, Tally()) == (25.0, None)


def test_a_bench_with_a_mat_is_forecast_at_its_aim_until_a_day_has_shown_otherwise() -> None:
    with_mat = bench()
    assert soil_ahead(with_mat, BenchMemory(soil=15.0), WARM, Tally()) == (25.0, None)
    assert soil_ahead(with_mat, BenchMemory(soil=20.0), WARM, lived(18.0, 0.5)) == (25.0, None)
    assert soil_ahead(with_mat, BenchMemory(soil=20.0), WARM, lived(20.0, 2))[0] == 20.0  # weak
    assert (
        soil_ahead(with_mat, BenchMemory(soil=29.0), WARM, lived(28.0, 0.5))[0] == 28.0
    )  # hot room
    swing = replace(WARM, soil_night=15.0)
    assert soil_ahead(with_mat, BenchMemory(soil=20.0), swing, lived(21.0, 3)) == (25.0, 15.0)


def after(days: float, of: Site, reading: dict[str, Reading], memory: Memory) -> Memory:
    for n in range(round(days * 24 * 12) + 1):
        now = Now(n * 300.0, START + n * 300.0)
        sway = 0.0625 * (n % 2)  # one that never moves is frozen
        heard = {
            name: replace(one, value=(one.value or 0.0) + sway, at=now.mono)
            for name, one in reading.items()
        }
        memory = decide(memory, of, Inputs(heard), now).memory
    return memory


def message(of: Site, reading: dict[str, Reading], days: float) -> BatchMessage:
    memory = after(days, of, reading, holding(batch("LET1", "lettuce")))
    assert memory.at is not None
    now = Now(memory.at.mono + 60, memory.at.utc + 60)
    heard = {name: replace(one, at=now.mono) for name, one in reading.items()}
    made = decide(memory, of, Inputs(heard), now)
    return batch_message(made.memory.batches["LET1"], made.memory, of, made, now.utc)


def test_a_bench_with_air_alone_counts_the_air_and_says_so() -> None:
    of = site(bench(mat=None, soil=(), air=("air",)))
    told = message(of, {"shelf/air": good(20.0, 0.0)}, 1.0)
    assert told.counted_by == "air"
    assert told.expected is not None
    assert told.expected.soil == pytest.approx(20.0, abs=0.1)
    blind = site(bench(mat=None, soil=()))
    assert message(blind, {}, 0.2).counted_by == "aim"


def test_a_batch_past_its_range_is_overdue_and_one_in_it_is_not() -> None:
    of = site(bench(mat=None))
    late = message(of, {"shelf/soil": good(20.0, 0.0)}, 12.0)
    assert late.expected is not None
    assert late.expected.overdue
    fresh = message(of, {"shelf/soil": good(20.0, 0.0)}, 1.0)
    assert fresh.expected is not None
    assert not fresh.expected.overdue


def test_a_lamp_over_a_cover_is_shed_by_the_air_where_no_probe_is_in_the_soil() -> None:
    of = site(bench(mat=None, soil=(), air=("air",)))
    covered = holding(batch("LET1", "lettuce", covered=True))
    noon = START + 12 * HOUR

    def lit(air: float, memory: Memory) -> bool:
        for n in range(4):
            now = Now(1000.0 + n * 60, noon + n * 60)
            made = decide(memory, of, Inputs({"shelf/air": good(air, now.mono)}), now)
            memory = made.memory
        return made.outputs["shelf"].lamp

    assert lit(20.0, covered)
    assert not lit(26.0, covered)
    assert lit(26.0, holding(batch("LET1", "lettuce")))
