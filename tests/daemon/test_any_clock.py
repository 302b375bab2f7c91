"""Whatever the wall clock does, no safety rule is looser for it."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.decide import aims_of
from daemon.interlocks import INTERRUPTION
from profiles.model import Stage
from tests.daemon.builders import DAY, HOUR, Runner, batch, holding, site

TICK = 300.0
TICKS = round(3 * DAY / TICK)
#: When the clock changes (tick), by how much [s], and whether it is believed from then on.
steps = st.lists(
    st.tuples(st.integers(1, TICKS - 1), st.floats(-2 * DAY, 2 * DAY), st.booleans()), max_size=6
)


def days(runner: Runner, changes: list[tuple[int, float, bool]]) -> Iterator[tuple[bool, bool]]:
    """The lamp and the mat at each tick of three days with such a clock."""
    for tick in range(TICKS):
        for at, by, trusted in changes:
            if at == tick:
                runner.utc += by
                runner.trusted = trusted
        output = runner.tick(TICK).outputs["shelf"]
        yield output.lamp, output.mat


@given(steps)
@example([(100, -3 * HOUR, True)])  # in the day: it would be as much longer
@example([(280, 4 * HOUR, True)])  # in the night: it would be as much shorter
@example([(150, -30 * HOUR, False), (400, 40 * HOUR, True)])
@settings(max_examples=15, deadline=None)
def test_a_night_is_never_short_nor_a_day_long(changes: list[tuple[int, float, bool]]) -> None:
    runner = Runner(site(), holding(batch("LET1", "lettuce", Stage.SEEDLING)))
    hours = aims_of(runner.memory, runner.site)["shelf"].hours
    lamps = [lamp for lamp, _ in days(runner, changes)]
    switched = [0, *(n for n, (a, b) in enumerate(pairwise(lamps), 1) if a != b), TICKS]
    spells = [(lamps[a], (b - a) * TICK) for a, b in pairwise(switched)]
    day = 0.0
    for number, (lit, length) in enumerate(spells):
        if lit:
            day += length
            assert day <= hours * HOUR + TICK
        elif length <= INTERRUPTION + TICK and day:
            day += length  # a break in a day, which goes on
        else:
            day = 0.0
            if 0 < number < len(spells) - 1:  # whole
                assert length >= (24 - hours) * HOUR - TICK


@given(steps, st.lists(st.floats(10, 40), min_size=4, max_size=24))
@settings(max_examples=15, deadline=None)
def test_the_mat_does_the_same_as_with_a_good_clock(
    changes: list[tuple[int, float, bool]], course: list[float]
) -> None:
    def mats(changes: list[tuple[int, float, bool]]) -> list[bool]:
        runner = Runner(site(), holding(batch("TOM1")))
        began = runner.mono

        def soil(utc: float) -> float | None:
            place = (runner.mono - began) / (3 * DAY) * (len(course) - 1)
            first = min(int(place), len(course) - 2)
            return course[first] + (course[first + 1] - course[first]) * (place - first)

        runner.soil = soil
        return [mat for _, mat in days(runner, changes)]

    assert mats(changes) == mats([])
