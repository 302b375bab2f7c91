"""Before some days away: what falls due meanwhile, and on which days somebody must be there."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Self

import pytest
from typer.testing import Result

import daemon.client
from daemon.app import JOURNAL, read_site
from daemon.decide import decide
from daemon.journal import Journal, SavedState
from daemon.leave import Due, falls_due
from daemon.messages import (
    AlarmMessage,
    BatchMessage,
    Dates,
    Expected,
    alarm_messages,
    batch_message,
    bench_messages,
)
from daemon.requests import KINDS, apply
from daemon.simulated import example
from daemon.state import DAY, Alarm, Inputs, Keep, Memory, Now, dump
from profiles.model import Stage
from tests.daemon.builders import batch, site, utc

Program = Callable[..., Result]
MONDAY = utc("2027-03-22T08:00:00+01:00")


def day(n: float) -> str:
    return (datetime.fromtimestamp(MONDAY, UTC) + timedelta(days=n)).isoformat()


def told(grower: Any, on: str, days: int, **changes: Any) -> list[Due]:
    now = datetime.fromisoformat(f"{on}+00:00").timestamp()
    batches = [one.model_copy(update=changes) for one in grower.batches(on)]
    return falls_due(batches, grower.benches(on), [], now, days, UTC)


def of(found: list[Due], words: str) -> Due:
    (one,) = [due for due in found if words in due.text]
    return one


def test_water_comes_again_and_again_by_what_the_cells_hold(grower: Any) -> None:
    grower.asks("sow", "2027-03-01 08:00", crop="pepper", place="lower", cells=72, covered=False)
    grower.asks("log", "2027-03-02 08:00", batch="PEP1", what="watered")
    found = of(told(grower, "2027-03-02 10:00", 7), "moisture")
    # 36 hours after the last water, and then every 36 hours: the 3rd in the evening, the 5th, the 6th ...
    assert found.at == datetime(2027, 3, 3, 20, tzinfo=UTC).timestamp()
    assert "then every 36 hours, 4 times" in found.text
    assert found.dates == ("2027-03-03", "2027-03-05", "2027-03-06", "2027-03-08")
    assert found.command == "hotbed log PEP1 moist N"
    # Twice as many in small cells.
    grower.asks("sow", "2027-03-02 08:00", crop="leek", place="upper", cells=200, covered=False)
    assert (
        "every 24 hours, 7 times"
        in of(
            [due for due in told(grower, "2027-03-02 10:00", 7) if due.subject == "LEE1"],
            "moisture",
        ).text
    )


def test_what_is_overdue_is_due_now_and_what_comes_later_is_left_out(grower: Any) -> None:
    grower.asks("sow", "2027-03-01 08:00", crop="pepper", place="lower", cells=72, covered=False)
    late = of(told(grower, "2027-03-09 10:00", 3), "moisture")
    assert late.at == datetime(2027, 3, 9, 10, tzinfo=UTC).timestamp()
    short = told(grower, "2027-03-01 10:00", 1)
    assert not [due for due in short if "moisture" in due.text]


def message(**changes: Any) -> BatchMessage:
    one = batch_message(
        replace(batch(cells=72, covered=True), sown_at=MONDAY, since=MONDAY),
        Memory(), site(), None, MONDAY,
    )  # fmt: skip
    return one.model_copy(update=changes)


def test_an_emergence_is_looked_for_from_its_first_day_on() -> None:
    first = Dates(early=day(2), likely=day(3), late=day(4))
    half = Dates(early=day(3), likely=day(4), late=day(5))
    ahead = Expected(soil=25.0, first=first, half=half, final=None, table=None, learnt="")
    found = falls_due([message(expected=ahead, tasks=[])], [], [], MONDAY, 7, UTC)
    (due,) = found
    assert due.at == MONDAY + 2 * DAY
    assert due.dates == ("2027-03-24", "2027-03-25", "2027-03-26", "2027-03-27")
    assert "take the cover off" in due.text
    assert falls_due([message(expected=ahead, tasks=[])], [], [], MONDAY, 1, UTC) == []


def test_hardening_needs_somebody_each_day() -> None:
    plant = message(stage=Stage.HARDENING, place="cold-frame", tasks=[])
    (due,) = falls_due([plant], [], [], MONDAY, 3, UTC)
    assert due.dates == ("2027-03-22", "2027-03-23", "2027-03-24", "2027-03-25")
    assert "left out on a cold night" in due.text


def alarms(**more: Any) -> list[AlarmMessage]:
    standing = {
        key: Alarm(key, key.split(".")[0], "shelf", None, "why", MONDAY, **more)
        for key in ("probe-lost.shelf", "soil-over-limit.shelf")
    }
    return list(alarm_messages(Memory(alarms=standing), Now(0.0, MONDAY)).values())


def test_alarms_that_stand_come_first_the_most_urgent_before_the_others() -> None:
    found = falls_due([], [], alarms(), MONDAY, 7, UTC)
    assert [due.text.split(" alarm")[0] for due in found] == ["critical", "medium"]
    assert found[0].command == "hotbed alarms ack soil-over-limit.shelf"
    assert "Unplug the mat" in found[0].text


def test_one_that_returned_is_only_to_be_seen() -> None:
    (first, _) = falls_due([], [], alarms(active=False), MONDAY, 7, UTC)
    assert first.text == "soil over the limit: returned to normal, and nobody has seen it"


def test_one_snoozed_comes_back_in_these_days_or_not() -> None:
    soon = falls_due([], [], alarms(shelved_until=2 * DAY), MONDAY, 7, UTC)
    assert [due.at for due in soon] == [MONDAY + 2 * DAY] * 2
    assert soon[0].text.startswith("no longer snoozed from then")
    assert falls_due([], [], alarms(shelved_until=2 * DAY), MONDAY, 1, UTC) == []


def test_what_somebody_keeps_off_stays_off_meanwhile(grower: Any) -> None:
    grower.memory = replace(grower.memory, keeps={"lower/mat": Keep(False, "Joss", MONDAY, None)})
    (due,) = told(grower, "2027-03-22 08:00", 7)
    assert (due.subject, due.text) == ("lower", "the mat stays off, as Joss keeps it")
    assert due.command == "hotbed keep lower mat auto"


# --- as it is typed --------------------------------------------------------------------------------


class _Client:
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
    on = "2027-03-04 10:00"
    grower.asks("sow", "2027-03-01 08:00", crop="pepper", place="lower", cells=72, covered=False)
    found: dict[str, dict[str, Any]] = {"availability": {"state": "online"}}
    for one in grower.batches(on):
        found[f"batch/{one.batch}"] = json.loads(one.payload())
    for one in grower.benches(on):
        found[f"bench/{one.bench}"] = json.loads(one.payload())
    monkeypatch.setattr(_Client, "kept", found)
    monkeypatch.setattr(daemon.client, "Client", _Client)
    return found


def test_it_is_told_by_date_with_the_days_on_which_somebody_must_be_there(
    kept: dict[str, dict[str, Any]], hotbed: Program
) -> None:
    said = " ".join(hotbed("check", "--leave", "4").stdout.split())
    assert "from Thursday 4 Mar to Monday 8 Mar" in said
    assert "now PEP1: look at the moisture" in said
    assert "Somebody must be there on: Thu 4 Mar, Fri 5 Mar, Sun 7 Mar" in said
    found = json.loads(hotbed("check", "--leave", "4", "--json").stdout)["result"]
    assert found["dates"] == ["2027-03-04", "2027-03-05", "2027-03-07"]
    assert found["due"][0]["subject"] == "PEP1"
    del kept["batch/PEP1"]
    assert "Nothing falls due that is known now." in hotbed("check", "--leave", "4").stdout


def test_slips_and_a_daemon_that_is_off_are_told(
    kept: dict[str, dict[str, Any]], hotbed: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    for days in ("0", "61"):
        done = hotbed("check", "--leave", days)
        assert (done.exit_code, f"--leave: {days}; allowed: 1 to 60 days" in done.stderr) == (
            2,
            True,
        )
    monkeypatch.setenv("HOTBED_PORT", "many")
    assert "HOTBED_PORT: 'many'; allowed: 1 to 65535" in hotbed("check", "--leave", "3").stderr
    monkeypatch.delenv("HOTBED_PORT")
    kept["availability"]["state"] = "offline"
    done = hotbed("check", "--leave", "3")
    assert done.exit_code == 3
    assert "PEP1" in done.stdout
    kept.clear()
    assert hotbed("check", "--leave", "3").exit_code == 3


Kept = dict[str, dict[str, Any]]


@pytest.fixture
def journal(alone: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Kept]:
    """The journal of the simulator's daemon that is off, and what it had published."""
    here, _ = read_site(example())
    bench = next(iter(here.benches))
    now = Now(1000.0, datetime(2027, 3, 1, 8, tzinfo=UTC).timestamp())
    memory = Memory()
    for kind, arguments in (
        ("sow", {"crop": "pepper", "place": bench, "cells": 72}),
        ("keep", {"bench": bench, "relay": "mat", "to": "off"}),
    ):
        asked = KINDS[kind].model_validate(arguments)
        memory = apply(memory, here, asked, "Marit", now).memory
    inputs = Inputs({}, troubles={"call-failed": "nobody to be called is known"})
    decision = decide(memory, here, inputs, now)
    memory = decision.memory
    path = alone / "state" / JOURNAL
    path.parent.mkdir()

    async def write() -> None:
        written = Journal.open(path, now.utc)
        await written.commit(state=SavedState(dump(memory), now.utc, now.mono, "boot"))
        await written.close()

    asyncio.run(write())
    told: Kept = {"availability": {"state": "online"}}
    for name, one in bench_messages(memory, here, decision, {}, now.utc).items():
        told[f"bench/{name}"] = json.loads(one.payload())
    for code, sown in memory.batches.items():
        message = batch_message(sown, memory, here, decision, now.utc)
        told[f"batch/{code}"] = json.loads(message.payload())
    for key, alarm in alarm_messages(memory, now).items():
        told[f"alarm/{key}"] = json.loads(alarm.payload())
    monkeypatch.setenv("HOTBED_STATE", str(path.parent))
    monkeypatch.setattr(time, "time", lambda: now.utc)
    monkeypatch.setattr(_Client, "kept", told)
    monkeypatch.setattr(daemon.client, "Client", _Client)
    return path, told


def test_where_the_daemon_is_off_its_journal_says_the_same(
    journal: tuple[Path, Kept], hotbed: Program
) -> None:
    path, told = journal
    before = path.read_bytes()
    asked = json.loads(hotbed("check", "--leave", "14", "--json").stdout)["result"]
    assert asked["from"] == "daemon"
    assert {one["subject"] for one in asked["due"]} >= {"PEP1", "site"}
    for gone in (lambda: told["availability"].update(state="offline"), told.clear):
        gone()
        done = hotbed("check", "--leave", "14", "--json")
        assert done.exit_code == 3
        read = json.loads(done.stdout)
        assert f"this is from {path}, as things were at 2027-03-01" in read["error"]
        assert read["result"] == asked | {"from": "journal"}
    assert "PEP1" in hotbed("check", "--leave", "14").stdout
    assert path.read_bytes() == before


def test_without_a_journal_the_broker_s_memory_must_do(
    journal: tuple[Path, Kept], hotbed: Program
) -> None:
    path, told = journal
    told["availability"]["state"] = "offline"
    path.write_bytes(b"no journal")
    read = json.loads(hotbed("check", "--leave", "14", "--json").stdout)
    assert "is not a hotbed journal, so this is what the broker has kept" in read["error"]
    assert read["result"]["from"] == "broker"
    told.clear()
    assert "is not a hotbed journal" in hotbed("check", "--leave", "14").stderr


def test_the_journal_of_another_site_is_left_alone(
    journal: tuple[Path, Kept], hotbed: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal[1].clear()
    monkeypatch.setenv("HOTBED_SITE", "alder-row")
    assert "is another site's" in hotbed("check", "--leave", "14").stderr
