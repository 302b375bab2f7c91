"""`report` as it is typed: what goes to the printer, to a page and to a program."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

import pytest
from typer.testing import Result

import daemon.client
from daemon.app import JOURNAL
from daemon.journal import Journal

Program = Callable[..., Result]
NOW = "2027-03-04 10:00"


class _Client:
    """A broker that keeps what it is given."""

    endpoint = "127.0.0.1:18830"
    kept: dict[str, dict[str, Any]] = {}  # noqa: RUF012

    def __init__(self, *_: object, **__: object) -> None:
        pass

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        pass

    async def gather(self) -> dict[str, dict[str, Any]]:
        return self.kept


@pytest.fixture
def kept(grower: Any, monkeypatch: pytest.MonkeyPatch) -> dict[str, dict[str, Any]]:
    """A site with a tomato of two trays and a celery, as its daemon publishes it."""
    grower.asks("sow", "2027-03-01 08:00", crop="tomato", place="lower", trays=2, cells=144)
    grower.asks("sow", "2027-03-01 09:00", crop="celery", place="porch", trays=0.5)
    found: dict[str, dict[str, Any]] = {"availability": {"state": "online"}}
    for one in grower.batches(NOW):
        found[f"batch/{one.batch}"] = json.loads(one.payload())
    for one in grower.benches(NOW):
        found[f"bench/{one.bench}"] = json.loads(one.payload())
    monkeypatch.setattr(_Client, "kept", found)
    monkeypatch.setattr(daemon.client, "Client", _Client)
    return found


def result(done: Result) -> Any:
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)["result"]


@pytest.mark.usefixtures("kept")
def test_labels_are_for_all_or_for_those_that_are_named(hotbed: Program, alone: Path) -> None:
    assert hotbed("report", "labels").stdout.count("sown 2027-03-01") == 3
    one = hotbed("report", "labels", "cel1").stdout
    assert "CEL1" in one
    assert "TOM1" not in one
    done = hotbed("report", "labels", "TOM1", "--html", "labels.html")
    assert "print it" in done.stdout
    assert (alone / "labels.html").read_text().count('class="label"') == 2
    assert len(result(hotbed("report", "labels", "--json"))["labels"]) == 3
    assert "there are: CEL1, TOM1" in hotbed("report", "labels", "TOM9").stderr


@pytest.mark.usefixtures("kept")
def test_the_day_s_sheet_is_of_the_daemon_s_day(hotbed: Program, alone: Path) -> None:
    assert "Thursday 4 March 2027" in hotbed("report", "day").stdout
    assert hotbed("report", "day", "--html", "day.html").exit_code == 0
    assert "Thursday 4 March 2027" in (alone / "day.html").read_text()
    places = result(hotbed("report", "day", "--json"))["places"]
    assert [place["name"] for place in places] == ["lower", "upper", "porch"]


async def test_the_season_is_told_from_the_journal_without_a_daemon(
    grower: Any, hotbed: Program, alone: Path
) -> None:
    grower.asks("sow", "2027-03-01 08:00", crop="tomato", place="lower", trays=1, cells=72)
    grower.asks("log", "2027-03-07 08:00", batch="TOM1", what="emerged", value=61)
    journal = Journal.open(alone / JOURNAL, grower.events[0].at)
    await journal.commit(events=grower.events)
    await journal.close()
    text = hotbed("report", "season", "--state", ".").stdout
    assert "61 of 72 up, Marit" in text
    told = result(hotbed("report", "season", "tom1", "--state", ".", "--json"))["batches"]
    assert [(one["batch"], one["first_up_days"]) for one in told] == [("TOM1", 6.0)]
    done = hotbed("report", "season", "TOM1", "--state", ".", "--html", "season.html")
    assert done.exit_code == 0
    assert "61/72" in (alone / "season.html").read_text()
    assert "no batch 'LET1'" in hotbed("report", "season", "LET1", "--state", ".").stderr


def test_what_is_not_there_is_said_with_its_status(
    kept: dict[str, dict[str, Any]], hotbed: Program, alone: Path
) -> None:
    done = hotbed("report", "day", "--html", str(alone))
    assert (done.exit_code, "is a folder" in done.stderr) == (2, True)
    for topic in [topic for topic in kept if topic.startswith("batch/")]:
        del kept[topic]
    done = hotbed("report", "labels")
    assert (done.exit_code, "nothing is sown" in done.stderr) == (1, True)
    kept["availability"]["state"] = "offline"
    assert hotbed("report", "day").exit_code == 3
    kept.clear()
    assert hotbed("report", "day").exit_code == 3
    assert "--state" in hotbed("report", "season").stderr
