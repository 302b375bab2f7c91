"""The fault campaign: that it is repeatable, that the program stands it, and that it can fail."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from daemon.campaign import run
from daemon.campaign.judge import BY_RECORDS, CAUSES, DUES
from daemon.campaign.run import Outcome, campaign, play, shorten
from daemon.campaign.scenario import KINDS, draw
from daemon.state import DAY
from profiles.library import load_library
from sim.faults import FaultKind
from tests.daemon.planted import BUGS, Planted

#: Scenarios of fourteen days that the ordinary tests play: of one bench, for they are quick, and with
#: every kind of trouble among them.
SEEDS = (2, 4, 8, 11, 12, 22, 23, 24, 26, 27, 32, 33, 34, 35, 41, 43, 44, 46, 52, 55)


def test_a_seed_draws_the_same_scenario_and_a_shorter_one_is_its_beginning() -> None:
    library = load_library()
    whole, again, short = (draw(7, days, library) for days in (14.0, 14.0, 6.0))
    assert whole == again
    assert short.troubles == tuple(one for one in whole.troubles if one.at < 6 * DAY)
    assert (short.config, short.plan, short.room) == (whole.config, whole.plan, whole.room)
    first = whole.troubles[0].number
    assert [one.number for one in draw(7, 14.0, library, frozenset({first})).troubles] == [first]


def test_every_kind_of_fault_of_the_simulator_and_of_the_process_is_drawn() -> None:
    library = load_library()
    drawn = {one.kind for seed in SEEDS for one in draw(seed, 14.0, library).troubles}
    assert drawn == set(KINDS)
    assert drawn >= {kind.value for kind in FaultKind}


def test_every_alarm_has_a_cause_in_the_table_and_every_due_an_alarm_of_the_catalogue() -> None:
    from daemon.alarms import CATALOGUE

    assert set(CATALOGUE) <= set(CAUSES) | BY_RECORDS
    assert all(one.alarms & set(CATALOGUE) for one in DUES)


@pytest.mark.parametrize("seed", SEEDS)
def test_nothing_breaks_in_fourteen_days(seed: int) -> None:
    outcome = play(seed, 14.0)
    assert outcome.invariant is None, f"{outcome.seen}; {outcome.command}"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "days", "only"),
    [
        (6036, 5.0, {0}),  # a weak mat after a power cut, the room not measured
        (
            8022,
            8.0,
            {1, 4},
        ),  # a good reading in the very tick in which somebody asked for something
    ],
)
def test_what_once_broke_holds(seed: int, days: float, only: set[int]) -> None:
    assert play(seed, days, frozenset(only)).invariant is None


def test_the_same_scenario_ends_the_same_on_one_core_or_several() -> None:
    assert list(campaign([3, 4], 1.0, cores=1)) == list(campaign([3, 4], 1.0, cores=2))


def test_a_violation_is_shortened_to_what_it_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    # Whenever two of its troubles are there, it breaks when the second begins.
    def broken(seed: int, days: float, only: frozenset[int] | None = None) -> Outcome:
        there = draw(seed, days, load_library(), only).troubles
        numbers = tuple(one.number for one in there)
        if {2, 4} <= set(numbers):
            at = next(one.at for one in there if one.number == 4)
            return Outcome(seed, days, numbers, "made-up", at, "")
        return Outcome(seed, days, numbers)

    monkeypatch.setattr(run, "play", broken)
    seed = next(s for s in range(99) if len(draw(s, 7.0, load_library()).troubles) > 5)
    found = shorten(broken(seed, 14.0))
    assert found.troubles == (2, 4)
    assert found.days <= 7
    assert found.command == (
        f"hotbed rehearse --campaign 1 --seed {seed} --days {found.days:g} --only 2,4"
    )


@pytest.mark.parametrize(
    "bug",
    [
        pytest.param(bug, id=bug.name, marks=[pytest.mark.slow] if n > 4 else [])
        for n, bug in enumerate(BUGS)
    ],
)
def test_a_planted_bug_is_found(bug: Planted, tmp_path: Path) -> None:
    bug.plant(tmp_path)
    done = subprocess.run(
        [
            sys.executable, "-m", "daemon.cli", "rehearse", "--campaign", "1", "--json",
            "--seed", str(bug.seed), "--days", str(bug.days), "--only", bug.only,
        ],
        cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 1, done.stdout + done.stderr
    answer = json.loads(done.stdout)
    assert [one["invariant"] for one in answer["result"]["violations"]] == [bug.found]
    # And without the bug there is nothing to find.
    only = frozenset() if bug.only == "none" else frozenset(map(int, bug.only.split(",")))
    assert play(bug.seed, bug.days, only).invariant is None


def test_the_command_says_what_it_did_and_refuses_what_does_not_go_together(
    hotbed: Callable[..., Result],
) -> None:
    done = hotbed("rehearse", "--campaign", "1", "--days", "1", "--seed", "3", "--only", "none")
    assert done.exit_code == 0
    assert "1 scenario of 1 days from seed 3" in done.stdout.replace("\n", " ")
    assert "no violation" in done.stdout
    for words in (
        ("--only", "2"),
        ("--campaign", "2", "--only", "2"),
        ("--campaign", "1", "--only", "x"),
        ("--campaign", "1", "--start", "2027-03-01"),
        ("--campaign", "0"),
    ):
        assert hotbed("rehearse", *words).exit_code == 2, words
