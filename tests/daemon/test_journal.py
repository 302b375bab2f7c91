"""The journal: what it was told is there, in order, whatever happened in between."""

# A test may block its own event loop.
# ruff: noqa: ASYNC110, ASYNC220, ASYNC221, ASYNC240

from __future__ import annotations

import asyncio
import dataclasses
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, closing, contextmanager, nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon import journal as module
from daemon import journal_file as files
from daemon.events import Event, StoredEvent
from daemon.journal import (
    DuplicateRequestError,
    Journal,
    JournalError,
    ReadingRow,
    RequestRow,
    SavedState,
    TickRow,
    read_events,
    read_readings,
)
from drivers.protocols import Quality, Reading

NOW = 1_776_000_000.0  # 2026-04-12T13:20:00Z
STAMP = "20260412T132000Z"
ROOT = Path(__file__).parents[2]
#: What stays when a journal is closed.
KEPT = {f"journal.db{side}" for side in ("", ".lock", "-head", ".ballast")}


def event(text: str, at: float = NOW, kind: str = "advisory", **more: Any) -> Event:
    return Event(at, kind, text, **more)


def reading(value: float | None = 21.5, at: float = NOW, probe: str = "south/a") -> ReadingRow:
    return ReadingRow(at, at - NOW, probe, Reading(value, Quality.OK, at - NOW - 0.5))


def ticks(*rows: ReadingRow) -> list[TickRow]:
    """Each reading as a tick of its own."""
    return [TickRow(row.at, row.mono, {row.probe: row.reading}) for row in rows]


def request(number: int | str) -> RequestRow:
    return RequestRow(str(number), NOW, "keep", "Ines", '{"on":true}', True, f'{{"n":"{number}"}}')


def state(body: str) -> SavedState:
    return SavedState(body, NOW, 100.0, "boot-1")


def texts(path: Path) -> list[str]:
    return [stored.text for stored in read_events(path, limit=None)]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.db"


@asynccontextmanager
async def opened(path: Path, **more: Any) -> AsyncIterator[Journal]:
    journal = Journal.open(path, NOW, **more)
    try:
        yield journal
    finally:
        await journal.close()


async def make(path: Path, *events: Event) -> None:
    """A closed journal that holds these."""
    async with opened(path) as journal:
        await journal.commit(events=events)


@contextmanager
def foreign_lock(path: Path) -> Iterator[sqlite3.Connection]:
    """Another program in the middle of a write."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("BEGIN IMMEDIATE")
        yield db


@contextmanager
def full_disk(journal: Journal) -> Iterator[None]:
    """SQLite's own limit on the size of the file: the same SQLITE_FULL as a full disk."""
    (pages,) = journal._db.execute("PRAGMA page_count").fetchone()
    journal._db.execute(f"PRAGMA max_page_count = {pages}")
    yield
    journal._db.execute("PRAGMA max_page_count = 1000000000")


async def until(holds: Callable[[], object]) -> None:
    async with asyncio.timeout(10):
        while not holds():
            await asyncio.sleep(0.005)


# round trips


async def test_what_is_committed_comes_back_equal(path: Path) -> None:
    told = Event(
        NOW, "stage", "Now growing on.", "south", "T3", "Ines", {"counts": [61, 72], "ü": None}
    )
    rows = [
        ReadingRow(NOW + n, n, "south/a", Reading(value, quality, n - 0.7))
        for n, (quality, value) in enumerate(
            [(quality, 20 + n / 16) for n, quality in enumerate(Quality)]
            + [(Quality.MISSING, None), (Quality.OUT_OF_RANGE, float("inf"))]
        )
    ]
    async with opened(path) as journal:
        journal.note(ticks=ticks(*rows))
        assert await journal.commit(events=[told], request=request("a"), state=state("{}")) == [1]
        assert journal.events() == [
            StoredEvent(
                NOW, "stage", "Now growing on.", "south", "T3", "Ines", dict(told.data), seq=1
            )
        ]
        assert journal.readings("south/a", NOW, NOW + 60) == rows
        assert journal.readings("south/a", NOW + 2, NOW + 4) == rows[2:4]
        assert journal.readings("south/b", NOW, NOW + 60) == []
        assert journal.answer_to("a") == '{"n":"a"}'
        assert journal.answer_to("b") is None
        assert journal.saved_state() == state("{}")
    assert read_readings(path, "south/a", NOW, NOW + 60) == rows, "no daemon is needed to read"


async def test_a_fresh_journal_has_no_state_and_the_latest_one_replaces_it(path: Path) -> None:
    async with opened(path) as journal:
        assert journal.saved_state() is None
        journal.note(state=state("1"))
        journal.note(state=state("2"))
        await journal.commit()
        assert journal.saved_state() == state("2")
        journal.note(state=state("3"))
        await journal.commit(state=state("4"))
        assert journal.saved_state() == state("4")


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec=None)),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=8,
)
any_events = st.builds(
    Event,
    at=st.floats(-1e12, 1e12),
    kind=st.text(),
    text=st.text() | st.text(min_size=1).map(lambda text: text * 20_000),
    bench=st.none() | st.text(),
    batch=st.none() | st.text(),
    by=st.none() | st.text(),
    data=st.dictionaries(st.text(), json_values, max_size=4),
)


def test_any_event_comes_back_as_it_was_told(path: Path) -> None:
    @given(any_events)
    @settings(deadline=None)
    def check(told: Event) -> None:
        seqs = loop.run(journal.commit(events=[told]))
        (stored,) = read_events(path, limit=1)
        assert [stored.seq] == seqs
        for name in Event.__dataclass_fields__:
            assert getattr(stored, name) == getattr(told, name)

    with asyncio.Runner() as loop:
        journal = Journal.open(path, NOW)
        try:
            check()
        finally:
            loop.run(journal.close())


async def test_text_that_utf8_cannot_hold_is_kept_as_its_escape(path: Path) -> None:
    async with opened(path) as journal:
        await journal.commit(events=[event("half \ud83c\x00 of it")], request=request("\udcff"))
        assert texts(path) == ["half \\ud83c\x00 of it"]
        assert journal.answer_to("\udcff") is not None


@pytest.mark.parametrize(
    ("bad", "named"),
    [
        ({"events": [event("x", at=float("nan"))]}, "'advisory': nan is not a time"),
        ({"events": [event("x", data={"t": float("inf")})]}, "not JSON"),
        ({"events": [event("x", data={"t": object()})]}, "not JSON"),
        ({"ticks": ticks(reading(at=float("inf")))}, "tick: inf is not a time"),
        ({"state": SavedState("{}", NOW, float("nan"), "b")}, "state: nan is not a time"),
    ],
)
async def test_what_cannot_be_stored_is_refused_at_the_door_and_blocks_nothing(
    path: Path, bad: dict[str, Any], named: str
) -> None:
    async with opened(path) as journal:
        with pytest.raises(ValueError, match=named):
            journal.note(**({"events": [event("good")]} | bad))
        await journal.commit(events=[event("after")])
        assert texts(path) == ["after"]


async def test_a_value_that_is_no_number_is_stored_as_none(path: Path) -> None:
    async with opened(path) as journal:
        journal.note(ticks=ticks(reading(float("nan"))))
        await journal.commit()
        assert journal.readings("south/a", NOW, NOW + 1)[0].reading.value is None


# order


class Model:
    """What must be in the journal after any run of notes, commits, duplicates and failures."""

    def __init__(self) -> None:
        self.events: list[str] = []
        self.readings: list[float] = []
        self.waiting: list[str] = []
        self.answered = 0
        self.state: str | None = None


@given(st.lists(st.sampled_from(["note", "commit", "duplicate", "fail"]), max_size=25))
@settings(max_examples=25, deadline=None)
def test_after_any_run_of_notes_commits_and_failures_all_is_there_once_and_in_order(
    steps: list[str],
) -> None:
    async def run(path: Path) -> None:
        model = Model()
        async with opened(path) as journal:
            for n, step in enumerate(steps):
                name = str(n)
                if step == "note":
                    journal.note(
                        events=[event(name)], ticks=ticks(reading(n, NOW - n)), state=state(name)
                    )
                    model.waiting.append(name)
                    model.readings.append(n)
                    continue
                if step == "commit":
                    model.answered += 1
                    await journal.commit(
                        events=[event(name), event(name)],
                        request=request(model.answered),
                        state=state(name),
                    )
                    model.events += [*model.waiting, name, name]
                    model.waiting, model.state = [], name
                elif step == "duplicate" and model.answered:
                    with pytest.raises(DuplicateRequestError, match="already answered"):
                        await journal.commit(
                            events=[event("never")], request=request(1), state=state("never")
                        )
                elif step == "fail":
                    journal._db.execute("PRAGMA query_only = ON")  # a disk gone read-only
                    with pytest.raises(JournalError, match="cannot be written down: it is read-"):
                        await journal.commit(events=[event("never")], request=request("never"))
                    assert journal.trouble
                    assert "read-only" in journal.trouble
                    journal._db.execute("PRAGMA query_only = OFF")
                assert texts(path) == model.events
                saved = journal.saved_state()
                assert (saved and saved.body) == model.state
        assert texts(path) == model.events + model.waiting
        stored = read_events(path, limit=None)
        assert [one.seq for one in stored] == list(range(1, len(stored) + 1))
        rows = read_readings(path, "south/a", 0, 2 * NOW)
        assert [row.reading.value for row in rows] == model.readings

    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "RETRY_FIRST", 3600.0)
        asyncio.run(run(Path(folder) / "journal.db"))


async def test_a_commit_takes_along_what_was_noted_before_and_numbers_its_own(path: Path) -> None:
    async with opened(path) as journal:
        journal.note(events=[event("one"), event("two")])
        mine = asyncio.ensure_future(journal.commit(events=[event("three"), event("four")]))
        await asyncio.sleep(0)
        journal.note(events=[event("five")])
        assert await mine == [3, 4]
        assert texts(path) == ["one", "two", "three", "four"]
    assert texts(path) == ["one", "two", "three", "four", "five"]


async def test_what_is_submitted_is_written_in_turn_and_tells_its_numbers_or_why_not(
    path: Path,
) -> None:
    async with opened(path) as journal:
        first = journal.submit(events=[event("one")], request=request("a"))
        journal.note(events=[event("two")])
        again = journal.submit(events=[event("never")], request=request("a"))
        third = journal.submit(events=[event("three")], state=state("3"))
        assert await asyncio.wrap_future(first) == [1]
        assert await asyncio.wrap_future(third) == [3]
        assert isinstance(again.exception(), DuplicateRequestError)
        assert journal.saved_state() == state("3")
    assert texts(path) == ["one", "two", "three"]


async def test_order_and_readings_survive_a_clock_set_back(path: Path) -> None:
    rows = [
        ReadingRow(at, mono, "a", Reading(20.0, Quality.OK, mono))
        for mono, at in enumerate([NOW, NOW + 60, NOW + 60, NOW, NOW])
    ] + [ReadingRow(NOW, 4.0, "a", Reading(None, Quality.MISSING, 4.0))]
    async with opened(path) as journal:
        journal.note(ticks=ticks(*rows), events=[event("later", NOW + 60), event("earlier", NOW)])
        await journal.commit()
        assert journal.readings("a", NOW, NOW + 61) == rows
        assert texts(path) == ["later", "earlier"]


async def test_to_be_cancelled_ends_the_waiting_and_not_the_writing(path: Path) -> None:
    async with opened(path) as journal:
        with foreign_lock(path):
            waiting = asyncio.ensure_future(journal.commit(events=[event("switched")]))
            await asyncio.sleep(0.01)
            waiting.cancel()
            with pytest.raises(asyncio.CancelledError):
                await waiting
        await until(lambda: texts(path))
    assert texts(path) == ["switched"]


# questions


async def test_events_are_found_by_time_kind_bench_and_batch_newest_kept(path: Path) -> None:
    async with opened(path) as journal:
        await journal.commit(
            events=[
                event(str(n), NOW + n, kind=kind, bench=bench, batch=batch)
                for n, (kind, bench, batch) in enumerate(
                    [
                        ("alarm", "south", None),
                        ("stage", "south", "T3"),
                        ("stage", "north", "P1"),
                        ("alarm", "north", "P1"),
                        ("request", None, "T3"),
                    ]
                )
            ]
        )

        def found(**terms: Any) -> str:
            return "".join(one.text for one in journal.events(**terms))

        assert found() == "01234"
        assert found(since=NOW + 1) == "1234"
        assert found(until=NOW + 1) == "0"
        assert found(since=NOW + 1, until=NOW + 3) == "12"
        assert found(kinds=["alarm", "request"]) == "034"
        assert found(kinds=[]) == ""
        assert found(bench="north") == "23"
        assert found(batch="T3") == "14"
        assert found(bench="north", kinds={"alarm"}, since=NOW) == "3"
        assert found(limit=2) == "34"
        assert found(limit=0) == ""


async def test_the_newest_answers_are_found_oldest_first(path: Path) -> None:
    async with opened(path) as journal:
        for n in range(5):
            await journal.commit(request=dataclasses.replace(request(n), at=NOW + n))
        assert journal.recent_answers(NOW + 1, 9) == [
            (str(n), f'{{"n":"{n}"}}') for n in (1, 2, 3, 4)
        ]
        assert [one for one, _ in journal.recent_answers(NOW, 2)] == ["3", "4"]
        assert journal.recent_answers(NOW + 5, 9) == []


async def test_a_question_about_today_does_not_walk_through_history(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    plug = files._plug

    def traced(path: Path, mode: str) -> sqlite3.Connection:
        db = plug(path, mode)
        if mode == "ro":
            db.set_trace_callback(asked.append)
        return db

    async with opened(path) as journal:
        monkeypatch.setattr(files, "_plug", traced)
        journal.readings("a", NOW, NOW + 86400)
        journal.events(since=NOW, kinds=["alarm"])
        journal.events(batch="T3")
        journal.answer_to("a")
        journal.recent_answers(NOW, 10)
        journal.unpublished(10)
        journal.saved_state()
        note = TickRow(NOW, 1.0, {}, steps=(("relays", "{}"),))
        journal.note(ticks=[note])
        await journal.commit()
        assert [one.n for one in module.read_ticks(path, 1)] == [1]
        assert module.tick_of(path, NOW, 1.0) == 1
        assert module.last_step(path, "relays", NOW) == 1
        assert module.read_steps(path, ["relays"], "relays", 1) == [("relays", "{}")]
        assert module.read_request(path, "a") is None
    selects = [sql for sql in asked if "SELECT" in sql and "PRAGMA" not in sql]
    assert len(selects) == 15
    with closing(plug(path, "ro")) as db:
        for sql in selects:
            plan = [row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {sql}")]
            scans = [step.split()[1] for step in plan if "SCAN" in step]
            assert set(scans) <= {"outbox", "state", "name", "CONSTANT"}, (
                sql
            )  # each a handful of rows


async def test_events_wait_in_the_outbox_until_marked(path: Path) -> None:
    async with opened(path) as journal:
        await journal.commit(events=[event(str(n)) for n in range(5)])
        assert [one.seq for one in journal.unpublished(3)] == [1, 2, 3]
        journal.mark_published(1)
        journal.mark_published(3)
        assert [one.seq for one in journal.unpublished(2)] == [2, 4], "marked, though not on disk"
    async with opened(path) as journal:
        assert [one.seq for one in journal.unpublished(9)] == [2, 4, 5], "close wrote the marks"
        assert journal.unpublished(1)[0].text == "1"


# kindness to the disk


def on_disk(path: Path) -> list[tuple[str, int, int]]:
    return sorted(
        (one.name, one.stat().st_size, one.stat().st_mtime_ns) for one in path.parent.iterdir()
    )


async def test_nothing_is_written_between_flushes_when_only_readings_are_noted(path: Path) -> None:
    async with opened(path) as journal:
        await journal.commit(events=[event("before")])
        before, changes = on_disk(path), journal._db.total_changes
        for n in range(200):
            journal.note(ticks=ticks(reading(20.0, NOW + n)), state=state(str(n)))
            await asyncio.sleep(0)
        await asyncio.sleep(0.05)
        assert (on_disk(path), journal._db.total_changes) == (before, changes)
        assert journal.readings("south/a", NOW, NOW + 999) == []
    assert len(read_readings(path, "south/a", NOW, NOW + 999)) == 200


async def test_notes_are_flushed_after_a_while_or_so_many_rows(path: Path) -> None:
    async with opened(path, flush_every=0.02) as journal:
        journal.note(events=[event("waited")])
        await until(lambda: texts(path) == ["waited"])
        journal.mark_published(1)
        await until(lambda: not journal._marks)
    async with opened(path, flush_rows=10) as journal:
        journal.note(ticks=ticks(*(reading(at=NOW + n) for n in range(9))))
        await asyncio.sleep(0.05)
        assert journal.readings("south/a", NOW, NOW + 99) == []
        journal.note(events=[event("the tenth")])
        await until(lambda: journal.readings("south/a", NOW, NOW + 99))


async def test_what_is_noted_during_a_write_is_flushed_in_its_turn(path: Path) -> None:
    async with opened(path, flush_every=0.02) as journal:
        with foreign_lock(path):
            writing = asyncio.ensure_future(journal.commit(events=[event("one")]))
            await asyncio.sleep(0)
            await until(lambda: not journal._queue)
            journal.note(events=[event("two")])
        await writing
        await until(lambda: texts(path) == ["one", "two"])


async def test_a_day_of_32_probes_takes_less_than_3_megabytes(path: Path) -> None:
    chance = random.Random(1)
    async with opened(path) as journal:
        for minute in range(1440):
            at = NOW + 60 * minute + chance.random()
            journal.note(
                ticks=[
                    TickRow(
                        at,
                        at - NOW,
                        {
                            f"bench-{n // 2}/{'ab'[n % 2]}": Reading(
                                chance.randrange(400) / 16, Quality.OK, at - NOW - chance.random()
                            )
                            for n in range(32)
                        },
                    )
                ]
            )
    assert path.stat().st_size < 3e6


async def test_no_connection_keeps_more_than_a_little_of_the_file_in_memory(path: Path) -> None:
    journal = Journal.open(path, 0.0)
    with files.reader(path) as db:
        for one in (db, journal._db):
            assert one.execute("PRAGMA cache_size").fetchone() == (-files.CACHE // 1024,)
    await journal.close()


async def test_the_write_ahead_log_stays_small_and_goes_at_close(path: Path) -> None:
    async with opened(path) as journal:
        for n in range(150):
            await journal.commit(state=state(str(n) * 30_000))
        log = path.with_name("journal.db-wal")
        assert log.stat().st_size < 8e6
        with closing(sqlite3.connect(path, isolation_level=None)) as slow:
            slow.execute("BEGIN")
            slow.execute("SELECT * FROM state").fetchall()
            await journal.commit(events=[event("x" * 9_000_000)])
            assert log.stat().st_size > 9e6
        for _ in range(2):
            await journal.commit(state=state("after"))
        assert log.stat().st_size <= files.WAL_KEPT
    assert {one.name for one in path.parent.iterdir()} == KEPT


async def test_closing_empties_the_log_even_while_somebody_has_the_journal_open(path: Path) -> None:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as other:
        async with opened(path) as journal:
            await journal.commit(events=[event("one")])
            other.execute("ATTACH ? AS j", (str(path),))
            other.execute("SELECT * FROM j.event").fetchall()
        assert path.with_name("journal.db-wal").stat().st_size == 0


# nobody waits


async def test_the_loop_runs_on_while_the_disk_is_busy(path: Path) -> None:
    async with opened(path) as journal:
        with foreign_lock(path):
            waiting = asyncio.ensure_future(journal.commit(events=[event("asked")]))
            for n in range(100):
                journal.note(ticks=ticks(reading(at=NOW + n)))
                await asyncio.sleep(0.0005)
            assert not waiting.done()
        assert await waiting == [1]


async def test_a_slow_reader_delays_neither_commits_nor_closing(path: Path) -> None:
    with closing(sqlite3.connect(":memory:")) as other:
        async with opened(path) as journal:
            await journal.commit(events=[event("one")])
            other.execute("ATTACH ? AS j", (str(path),))
            other.execute("BEGIN")
            (seen,) = other.execute("SELECT count(*) FROM j.event").fetchone()
            for n in range(50):
                await journal.commit(events=[event(str(n))])
        assert other.execute("SELECT count(*) FROM j.event").fetchone() == (seen,) == (1,)
        other.rollback()
        assert other.execute("SELECT count(*) FROM j.event").fetchone() == (51,)


# durability


STREAM = """
import asyncio, sys
from pathlib import Path
from daemon.events import Event
from daemon.journal import Journal, RequestRow, SavedState, TickRow
from drivers.protocols import Quality, Reading

async def main(path, first):
    journal = Journal.open(path, 0.0)
    for n in range(first, 10**9):
        journal.note(
            events=[Event(n, "advisory", f"noted {n}")],
            ticks=[TickRow(n, n, {"a": Reading(20.0, Quality.OK, n)})],
        )
        await journal.commit(
            events=[Event(n, "request", f"done {n}")],
            request=RequestRow(str(n), n, "keep", None, "{}", True, str(n)),
            state=SavedState(str(n), n, n, "b"),
        )
        print(n, flush=True)

asyncio.run(main(Path(sys.argv[1]), int(sys.argv[2])))
"""


async def test_what_was_acknowledged_survives_kill_9_whole(path: Path) -> None:
    """This shows order and atomicity; that the disk was told to sync, the next test does."""
    chance, first = random.Random(7), 0
    for _ in range(4):
        child = subprocess.Popen(
            [sys.executable, "-c", STREAM, str(path), str(first)],
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )
        assert child.stdout
        with child.stdout:
            acked = [int(child.stdout.readline()) for _ in range(chance.randrange(5, 120))]
            child.send_signal(signal.SIGKILL)
            acked += map(int, child.stdout.read().split())
        assert child.wait() == -signal.SIGKILL
        async with opened(path) as journal:
            assert journal.set_aside is None
            saved = journal.saved_state()
            assert saved
            done = int(saved.body)
            assert done in (acked[-1], acked[-1] + 1)
            assert all(journal.answer_to(str(n)) == str(n) for n in acked)
            assert journal.answer_to(str(done + 1)) is None
        assert texts(path) == [f"{w} {n}" for n in range(done + 1) for w in ("noted", "done")]
        assert [one.seq for one in read_events(path, limit=None)] == list(range(1, 2 * done + 3))
        assert len(read_readings(path, "a", 0, 1e9)) == done + 1
        first = done + 1


async def test_each_commit_is_synced_to_a_write_ahead_log(path: Path) -> None:
    """synchronous=FULL (2) syncs the log at every commit: sqlite.org/pragma.html#pragma_synchronous."""
    async with opened(path) as journal:
        assert journal._db.execute("PRAGMA synchronous").fetchone() == (2,)
        assert journal._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)


# a disk that refuses


async def test_on_a_full_disk_commits_fail_whole_and_notes_wait_for_room(path: Path) -> None:
    big = event("x" * 200_000)
    async with opened(path) as journal:
        await journal.commit(events=[event("before")], state=state("before"))
        journal.note(events=[event("noted")], ticks=ticks(reading()))
        with full_disk(journal):
            with pytest.raises(JournalError, match="cannot be written down: disk full"):
                await journal.commit(events=[big], request=request("a"), state=state("after"))
            assert journal.trouble
            assert str(path) in journal.trouble
            assert "make room" in journal.trouble
            assert texts(path) == ["before"]
            assert journal.answer_to("a") is None
            assert journal.saved_state() == state("before")
        assert await journal.commit(events=[big], request=request("a")) == [3]
        assert journal.trouble is None
        assert texts(path) == ["before", "noted", big.text]
        assert len(journal.readings("south/a", NOW, NOW + 1)) == 1


FULL = """
import asyncio, resource, signal, sys
from pathlib import Path
from daemon.events import Event
from daemon.journal import Journal, JournalError, read_events

async def main(path):
    journal = Journal.open(path, 0.0)
    journal.note(events=[Event(0, "advisory", "noted")])
    resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, resource.RLIM_INFINITY))
    failed = 0
    for n in range(20):
        try:
            await journal.commit(events=[Event(n, "request", "x" * 9_000)])
        except JournalError as error:
            assert "the disk fails" in str(error) or "disk full" in str(error), error
            failed += 1
    assert 0 < failed < 20, failed
    assert journal.trouble
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
    seqs = await journal.commit(events=[Event(0, "request", "after")])
    assert seqs == [1 + 20 - failed + 1], seqs
    assert journal.trouble is None
    await journal.close()
    assert [e.seq for e in read_events(path)] == list(range(1, seqs[0] + 1))

asyncio.run(main(Path(sys.argv[1])))
"""


def test_a_write_that_the_system_refuses_leaves_nothing_half_done(path: Path) -> None:
    """The system's own limit on file sizes (setrlimit(2), RLIMIT_FSIZE), so a real failed write."""
    subprocess.run(
        [sys.executable, "-c", FULL, str(path)],
        check=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )


class Disk:
    """A disk with so many bytes free, as the system tells it: the ballast is taken by that."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.free = 1 << 30
        patch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=self.free))


async def test_on_a_full_disk_the_ballast_lets_the_last_words_be_written_and_readings_wait(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk, ballast = Disk(monkeypatch), path.with_name("journal.db.ballast")
    async with opened(path) as journal:
        await journal.commit(events=[event("before")])
        assert ballast.stat().st_size == files.BALLAST
        disk.free = 0
        insert, failed = journal._insert, []

        def refused(*given: Any) -> Any:
            if ballast.exists():
                failed.append(sqlite3.OperationalError("database or disk is full"))
                failed[-1].sqlite_errorcode = sqlite3.SQLITE_FULL
                raise failed[-1]
            return insert(*given)

        monkeypatch.setattr(journal, "_insert", refused)
        journal.note(ticks=ticks(reading(1)))
        await journal.commit(events=[event("switched")], request=request("a"))
        assert len(failed) == 1
        assert not ballast.exists()
        assert journal.trouble == f"{path}: {module._SHORT}"
        journal.note(ticks=ticks(reading(2, NOW + 1)), events=[event("noted")])
        await journal.commit(events=[event("asked")], state=state("kept"))
        assert texts(path) == ["before", "switched", "noted", "asked"]
        assert journal.saved_state() == state("kept")
        assert [one.reading.value for one in journal.readings("south/a", 0, 2 * NOW)] == [1]
        assert journal.trouble
        disk.free = 1 << 30
        await journal.commit(events=[event("room")])
        assert journal.trouble is None
        assert ballast.stat().st_size == files.BALLAST
        assert [one.reading.value for one in journal.readings("south/a", 0, 2 * NOW)] == [1, 2]


async def test_room_that_comes_back_is_found_with_nothing_to_write(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk(monkeypatch)
    disk.free = 0
    monkeypatch.setattr(module, "RETRY_FIRST", 0.01)
    monkeypatch.setattr(module, "RETRY_MOST", 0.01)
    async with opened(path) as journal:
        await until(lambda: journal.trouble)
        journal.note(ticks=ticks(reading()))
        await asyncio.sleep(0.05)
        assert journal.readings("south/a", 0, 2 * NOW) == []
        disk.free = 1 << 30
        await until(lambda: journal.trouble is None)
    assert len(read_readings(path, "south/a", 0, 2 * NOW)) == 1


async def test_what_waited_for_room_is_written_at_the_end_if_it_can_be(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk(monkeypatch)
    disk.free = 0
    async with opened(path) as journal:
        await until(lambda: journal.trouble)
        journal.note(ticks=ticks(reading()))
    assert len(read_readings(path, "south/a", 0, 2 * NOW)) == 1


DAYS = 86400.0


def day_ticks(days: range) -> list[TickRow]:
    long = "m" * 2 * module._LONG
    return [
        TickRow(
            NOW + n * DAYS,
            n * DAYS,
            {"south/a": Reading(20.0, Quality.OK, n)},
            steps=(("memory", f"{n // 5}{long}"), ("switched", "{}")),
        )
        for n in days
    ]


async def test_old_readings_go_and_all_that_was_asked_and_done_stays(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "PRUNE_EVERY", 0.0)
    monkeypatch.setattr(module, "PRUNE_TICKS", 4)
    async with opened(path, keep_days=10) as journal:
        for n in range(30):
            journal.note(ticks=day_ticks(range(n, n + 1)))
            await journal.commit(events=[event(str(n))], request=request(n))
        await journal.commit(events=[event("a last time")])
        kept = module.read_ticks(path)
        assert [one.at for one in kept] == [NOW + n * DAYS for n in range(19, 30)]
        assert [one.n for one in kept] == list(range(20, 31))
        assert [dict(one.steps)["memory"][0] for one in kept] == list("3444445555" + "5")
        assert len(journal.readings("south/a", 0, 2 * NOW)) == 11
        assert len(texts(path)) == 31
        assert journal.answer_to("0") is not None
        assert journal._db.execute("SELECT count(*) FROM content").fetchone() == (3,)
        assert files.verify(path) is None


async def test_a_clock_set_forward_by_mistake_takes_no_history_with_it(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "PRUNE_EVERY", 0.0)
    async with opened(path, keep_days=10, keep_ticks=100) as journal:
        journal.note(ticks=day_ticks(range(50)))
        journal.note(ticks=day_ticks(range(40_000, 40_002)))
        for _ in range(3):
            await journal.commit(events=[event("x")])
        assert len(module.read_ticks(path)) == 52


async def test_ticks_that_the_memory_had_no_room_for_are_counted_where_they_are_missing(
    path: Path,
) -> None:
    async with opened(path, backlog=3) as journal:
        for n in range(5):
            journal.note(ticks=ticks(reading(n, NOW + n)))
        await journal.commit()
        journal.note(ticks=ticks(*(reading(n, NOW + n) for n in range(5, 9))))
        journal.note(events=[event(str(n)) for n in range(3)])
        await journal.commit()
        journal.note(ticks=ticks(reading(9, NOW + 9)))
    kept = module.read_ticks(path)
    assert [(one.at - NOW, one.lost) for one in kept] == [(2, 2), (3, 0), (4, 0), (9, 4)]


async def test_a_failed_flush_is_tried_again_by_itself_and_the_trouble_goes(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "RETRY_FIRST", 0.01)
    monkeypatch.setattr(files, "BUSY_SECONDS", 0.01)
    async with opened(path, flush_every=0.01) as journal:
        with foreign_lock(path):
            journal.note(events=[event("noted")])
            await until(lambda: journal.trouble)
            assert journal.trouble
            assert "another program has it locked" in journal.trouble
        await until(lambda: journal.trouble is None)
        assert texts(path) == ["noted"]
        with foreign_lock(path):
            with pytest.raises(JournalError, match="locked"):
                await journal.commit(events=[event("never")])
            await until(lambda: journal._retry_pause > 0.05)  # it looks with nothing noted, too,
            assert journal.trouble  # and is not content with having nothing to write
        await until(lambda: journal.trouble is None)
        assert texts(path) == ["noted"]


async def test_a_full_memory_drops_old_readings_first_then_old_events_and_counts_them(
    path: Path,
) -> None:
    async with opened(path, backlog=10) as journal:
        with foreign_lock(path):
            journal.note(events=[event(str(n)) for n in range(4)])
            journal.note(ticks=ticks(*(reading(n, NOW + n) for n in range(9))))
            assert (journal.dropped_readings, journal.dropped_events) == (3, 0)
            journal.note(events=[event(str(n)) for n in range(4, 12)])
            assert (journal.dropped_readings, journal.dropped_events) == (9, 2)
    assert texts(path) == [str(n) for n in range(2, 12)]


async def test_closing_tells_how_much_could_not_be_written(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "BUSY_SECONDS", 0.01)
    journal = Journal.open(path, NOW)
    journal.note(events=[event("a"), event("b")], ticks=ticks(reading()))
    with foreign_lock(path), pytest.raises(JournalError, match=r"last \(3 rows\) is lost: another"):
        await journal.close()
    with pytest.raises(JournalError, match="closed"):
        journal.note(events=[event("c")])
    with pytest.raises(JournalError, match="closed"):
        await journal.commit()
    async with opened(path) as again:
        assert again.events() == []


async def test_notes_before_a_duplicate_are_written_even_when_closing(path: Path) -> None:
    async with opened(path) as journal:
        await journal.commit(request=request("a"))
        with foreign_lock(path):
            once = asyncio.ensure_future(journal.commit(events=[event("one")]))
            await asyncio.sleep(0)
            await until(lambda: not journal._queue)  # the writer is at it, and waits
            journal.note(events=[event("two")])
            twice = asyncio.ensure_future(journal.commit(request=request("a")))
            await asyncio.sleep(0)
            closing_ = asyncio.ensure_future(journal.close())
            await asyncio.sleep(0)
        assert await once == [1]
        with pytest.raises(DuplicateRequestError):
            await twice
        await closing_
        assert journal.trouble is None
    assert texts(path) == ["one", "two"]


async def test_notes_before_a_commit_that_does_not_fit_are_written_even_when_closing(
    path: Path,
) -> None:
    async with opened(path) as journal:
        await journal.commit(events=[event("one")])
        (pages,) = journal._db.execute("PRAGMA page_count").fetchone()
        journal._db.execute(f"PRAGMA max_page_count = {pages}")
        with foreign_lock(path):
            waiting = journal.submit(events=[event("two")])
            await until(lambda: not journal._queue)  # the writer is at it, and waits
            journal.note(state=state("noted"))
            too_big = asyncio.ensure_future(journal.commit(events=[event("x" * 200_000)]))
            await asyncio.sleep(0)
            closing_ = asyncio.ensure_future(journal.close())
            await asyncio.sleep(0)
        assert await asyncio.wrap_future(waiting) == [2]
        with pytest.raises(JournalError, match="disk full"):
            await too_big
        await closing_
    assert texts(path) == ["one", "two"]
    async with opened(path) as journal:
        assert journal.saved_state() == state("noted")


# opening


async def test_the_file_says_whose_it_is_where_the_format_keeps_that(path: Path) -> None:
    """Offsets: "Database File Format", section 1.3, sqlite.org/fileformat2.html."""
    await make(path)
    head = path.read_bytes()[:100]
    assert head[:16] == b"SQLite format 3\0"
    assert int.from_bytes(head[60:64], "big") == len(files.MIGRATIONS)
    assert head[68:72] == b"hotb" == files.APPLICATION_ID.to_bytes(4, "big")


@pytest.mark.parametrize(
    ("pragmas", "told"),
    [
        (("application_id = 7", "user_version = 1"), "another program .*0x00000007"),
        (("application_id = 0", "user_version = 0"), "another program"),
        (
            (f"application_id = {files.APPLICATION_ID}", "user_version = 0"),
            "schema 0, which no hotbed",
        ),
        (
            (f"application_id = {files.APPLICATION_ID}", "user_version = 99"),
            "schema 99, this hotbed kno",
        ),
    ],
)
async def test_a_file_that_is_not_ours_is_refused_and_left_untouched(
    path: Path, pragmas: tuple[str, ...], told: str
) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE precious (a)")
        for pragma in ("journal_mode = WAL", *pragmas):
            db.execute(f"PRAGMA {pragma}")
    before = path.read_bytes()
    with pytest.raises(JournalError, match=told):
        Journal.open(path, NOW)
    assert path.read_bytes() == before
    assert {one.name for one in path.parent.iterdir()} == {"journal.db", "journal.db.lock"}


async def test_a_newer_schema_still_in_the_write_ahead_log_is_refused_too(path: Path) -> None:
    await make(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")
        path.with_name("journal.db-head").unlink()  # which would tell it for damage
        assert path.read_bytes()[60:64] == (2).to_bytes(4, "big"), "the header is behind"
        with pytest.raises(JournalError, match="schema 99"):
            Journal.open(path, NOW)
        with pytest.raises(JournalError, match="schema 99"):
            read_events(path)


def add_height(db: sqlite3.Connection) -> None:
    db.execute("ALTER TABLE event ADD COLUMN height REAL")


def fail_halfway(db: sqlite3.Connection) -> None:
    db.execute("DROP TABLE event")
    db.execute("INSERT INTO nowhere VALUES (1)")


async def test_an_older_schema_is_brought_up_to_date_with_all_it_holds(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    await make(path, event("kept"))
    monkeypatch.setattr(files, "MIGRATIONS", (*files.MIGRATIONS, add_height))
    with pytest.raises(JournalError, match="start the daemon once"):
        read_events(path)
    async with opened(path) as journal:
        await journal.commit(events=[event("new")])
        assert journal._db.execute("SELECT height FROM event").fetchall() == [(None,), (None,)]
        assert journal._db.execute("PRAGMA user_version").fetchone() == (3,)
        assert texts(path) == ["kept", "new"]
    async with opened(path):
        assert texts(path) == ["kept", "new"], "and only once"


async def test_a_migration_that_fails_leaves_the_file_as_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    await make(path, event("kept"))
    before = path.read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(files, "MIGRATIONS", (*files.MIGRATIONS, add_height, fail_halfway))
        with pytest.raises(JournalError, match=r"from schema 2 to 4 and was left as it was: no su"):
            Journal.open(path, NOW)
    assert path.read_bytes() == before
    async with opened(path) as journal:
        assert journal.set_aside is None
        assert texts(path) == ["kept"]


async def test_a_journal_of_schema_1_is_brought_up_to_date_with_all_it_holds(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.executescript((Path(__file__).parent / "data" / "journal_schema_1.sql").read_text())
        db.execute(f"PRAGMA application_id = {files.APPLICATION_ID}")
        db.execute("PRAGMA user_version = 1")
    async with opened(path) as journal:
        assert journal.set_aside is None
        assert texts(path) == [f"Ines asked: sow {n}" for n in range(3)]
        assert journal.saved_state() == SavedState('{"n":2}', NOW + 120, 220.0, "boot-1")
        # in the order they were asked, which is not that of their ids
        assert journal.recent_answers(0, 9) == [
            (f"id-{2 - n}", f'{{"answer":{n}}}') for n in range(3)
        ]
        assert [one.seq for one in journal.unpublished(9)] == [2, 3]
        assert files.verify(path) is None
        old = [one.reading.value for one in journal.readings("south/a", NOW, NOW + 999)]
        assert old == [20.0, 20.0625, 20.125]
        with pytest.raises(DuplicateRequestError):
            await journal.commit(request=request("id-2"))
        journal.note(ticks=[TickRow(NOW + 180, 280.0, {}, False, (("relays", "{}"),), b"told")])
        await journal.commit(events=[event("new")], request=request("new"))
        assert files.verify(path) is None
    ticks_ = module.read_ticks(path)
    assert [(one.n, one.trusted, one.told) for one in ticks_] == [
        (1, True, b""), (2, True, b""), (3, True, b""), (4, False, b"told"),
    ]  # fmt: skip
    assert ticks_[3].steps == (("relays", "{}"),)


def scribble(path: Path) -> None:
    path.write_bytes(b"not a database at all" * 400)


def empty(path: Path) -> None:
    path.write_bytes(b"")


def empty_with_log(path: Path) -> None:
    empty(path)
    path.with_name("journal.db-wal").write_bytes(b"log")
    path.with_name("journal.db-shm").write_bytes(b"index")


def gone_with_log(path: Path) -> None:
    empty_with_log(path)
    path.unlink()


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def tear(path: Path) -> None:
    """Every page but the first is overwritten, as a worn card may do."""
    whole = path.read_bytes()
    path.write_bytes(whole[:4096] + b"\xa5" * (len(whole) - 4096))


NOTICE = (
    f"the journal was damaged ({{}}); it was set aside as journal.db.damaged-{STAMP} and a fresh one "
    "begun: look over which batches stand, and sow anew what is missing"
)


@pytest.mark.parametrize("harm", [scribble, empty, empty_with_log, gone_with_log, cut_short, tear])
async def test_a_damaged_journal_is_set_aside_whole_and_a_fresh_one_begun(
    path: Path, harm: Callable[[Path], None]
) -> None:
    await make(path, event("lost"), *(event("x" * 999) for _ in range(40)))
    harm(path)
    remains = {side: files.beside(path, side) for side in files.SIDES}
    remains_bytes = {side: file.read_bytes() for side, file in remains.items() if file.exists()}
    async with opened(path) as journal:
        assert journal.set_aside == path.with_name(f"journal.db.damaged-{STAMP}")
        assert journal.damage
        assert await journal.commit(events=[event("new")]) == [2]
        assert texts(path) == [NOTICE.format(journal.damage), "new"]
    for side, content in remains_bytes.items():
        assert files.beside(journal.set_aside, side).read_bytes() == content
    async with opened(path) as journal:
        assert (journal.set_aside, journal.damage) == (None, None)
        assert len(texts(path)) == 2


def crashed(path: Path, to: Path) -> Path:
    """A copy as the disk would have it now, of a journal that is not closed."""
    to.mkdir()
    for side in files.SIDES:
        if files.beside(path, side).exists():
            shutil.copy(files.beside(path, side), to)
    return to / path.name


async def busy(path: Path, commits: int = 6) -> AsyncIterator[Journal]:
    """A journal whose newest commits are in the write-ahead log only."""
    async with opened(path) as journal:
        await journal.commit(events=[event("first")])
        journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        for n in range(commits):
            await journal.commit(
                events=[event(f"asked {n}")], request=request(n), state=state(str(n))
            )
        yield journal


async def test_any_bit_flipped_in_the_write_ahead_log_that_costs_facts_is_noticed(
    path: Path, tmp_path: Path
) -> None:
    """SQLite itself says "ok": recovery ends at the first frame whose check sum does not fit
    ("WAL-mode File Format", sqlite.org/walformat.html)."""
    chance, noticed = random.Random(3), 0
    async for _ in busy(path):
        log = path.with_name("journal.db-wal")
        for round_ in range(40):
            copy = crashed(path, tmp_path / str(round_))
            harmed = bytearray(log.read_bytes())
            at = chance.randrange(len(harmed))
            harmed[at] ^= 1 << chance.randrange(8)
            copy.with_name("journal.db-wal").write_bytes(harmed)
            async with opened(copy) as journal:
                if journal.set_aside is None:
                    assert texts(copy) == texts(path), at
                    continue
                noticed += 1
                assert journal.damage
                assert "missing" in journal.damage or "written" in journal.damage
                saved = journal.saved_state()
                assert [one.kind for one in journal.events()] == ["daemon"]
                if saved is not None:  # what it goes on from, and whom it answered before that
                    for n in range(int(saved.body) + 1):
                        assert journal.answer_to(str(n)) == f'{{"n":"{n}"}}'
                    assert journal.answer_to(str(int(saved.body) + 1)) is None
    assert noticed > 30


async def test_a_write_ahead_log_that_is_gone_is_noticed(path: Path, tmp_path: Path) -> None:
    async for _ in busy(path):
        copy = crashed(path, tmp_path / "copy")
        copy.with_name("journal.db-wal").unlink()
        copy.with_name("journal.db-shm").unlink()
        async with opened(copy) as journal:
            assert journal.damage == "6 of 7 events that were written are missing"
            assert journal.saved_state() is None, "the first commit had no state"
    async with opened(path) as journal:
        assert journal.set_aside is None


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("UPDATE event SET text = 'other' WHERE seq = 3", "event 3 is not as it was written"),
        ("DELETE FROM event WHERE seq = 3", "event 3 is missing"),
        ("DELETE FROM event WHERE seq = 7", "1 of 7 events that were written are missing"),
        ("UPDATE request SET answer = '' WHERE id = '2'", "request 3 is not as it was written"),
        ("DELETE FROM request WHERE id = '5'", "1 of 6 requests that were written are missing"),
        ("UPDATE state SET body = x'78'", "the saved state is not as it was written"),
    ],
)
async def test_a_row_changed_or_gone_is_noticed_and_the_state_taken_over_if_it_is_whole(
    path: Path, change: str, said: str
) -> None:
    async for _ in busy(path):
        pass
    with closing(sqlite3.connect(path)) as db:
        db.execute(change)
        db.commit()
    if "of" not in said:
        assert files.verify(path) == said
    async with opened(path) as journal:
        assert journal.damage == said
        assert journal.saved_state() == (None if "state" in said else state("5"))
        with pytest.raises(DuplicateRequestError) if "state" not in said else nullcontext():
            await journal.commit(request=request(0))
        assert files.verify(path) is None
    async with opened(path) as journal:
        assert journal.set_aside is None


async def test_an_old_row_is_left_to_the_backup_to_find(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "CHECK_ROWS", 2)
    async for _ in busy(path):
        pass
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE event SET text = 'other' WHERE seq = 3")
        db.commit()
    async with opened(path) as journal:
        assert journal.set_aside is None, "beyond what a start goes through"
    assert files.verify(path) == "event 3 is not as it was written"


async def test_the_small_file_is_never_ahead_and_a_torn_or_lost_one_does_no_harm(
    path: Path, tmp_path: Path
) -> None:
    async for journal in busy(path):
        head = path.with_name("journal.db-head")
        whole = head.read_bytes()
        for n, harm in enumerate([b"", whole[:100], b"\0" * len(whole), whole[:4100]]):
            copy = crashed(path, tmp_path / str(n))
            copy.with_name("journal.db-head").write_bytes(harm)
            async with opened(copy) as again:
                assert again.set_aside is None
                assert texts(copy) == texts(path)
        # A disk that refuses it costs no commit, and an older record is no damage.
        journal._head_file.path = tmp_path / "nowhere" / "head"
        await journal.commit(events=[event("later")])
    async with opened(path) as again:
        assert again.set_aside is None
        assert texts(path)[-1] == "later"


async def test_a_journal_put_there_from_elsewhere_is_taken_as_it_is(
    path: Path, tmp_path: Path
) -> None:
    (tmp_path / "other").mkdir()
    await make(tmp_path / "other" / "journal.db", event("theirs"))
    async for _ in busy(path):
        pass
    shutil.copy(tmp_path / "other" / "journal.db", path)
    async with opened(path) as journal:
        assert journal.set_aside is None
        assert texts(path) == ["theirs"]


async def test_two_set_aside_in_the_same_second_are_both_kept(path: Path) -> None:
    for n in range(3):
        path.write_bytes(b"%d" % n)
        async with opened(path) as journal:
            name = f"journal.db.damaged-{STAMP}" + ("", "-2", "-3")[n]
            assert journal.set_aside == path.with_name(name)
            assert journal.set_aside.read_bytes() == b"%d" % n


class AtOnce(threading.Timer):
    def start(self) -> None:
        self.function()

    def join(self, timeout: float | None = None) -> None:
        pass


async def test_a_check_for_damage_that_was_cut_short_says_nothing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with opened(path) as journal:
        journal.note(ticks=ticks(reading()))
    with closing(sqlite3.connect(path)) as db:
        (page,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'reading'").fetchone()
    whole = path.read_bytes()
    size = files.PAGE
    path.write_bytes(whole[: size * (page - 1)] + b"\xa5" * size + whole[size * page :])
    with monkeypatch.context() as patch:
        patch.setattr(threading, "Timer", AtOnce)
        async with opened(path) as journal:
            assert journal.set_aside is None
    async with opened(path) as journal:
        assert journal.set_aside


async def test_a_half_made_journal_of_a_crash_is_not_taken_for_one(path: Path) -> None:
    path.with_name("journal.db.new").write_bytes(b"half")
    path.with_name("journal.db.new-wal").write_bytes(b"half")
    async with opened(path) as journal:
        assert journal.set_aside is None
        await journal.commit(events=[event("new")])
    assert {one.name for one in path.parent.iterdir()} == KEPT


async def test_one_daemon_holds_the_folder(path: Path) -> None:
    again = f"import sys; sys.path.insert(0, {str(ROOT)!r})\n" + (
        "from pathlib import Path; from daemon.journal import Journal\n"
        f"Journal.open(Path({str(path)!r}), 0.0)"
    )
    async with opened(path) as journal:
        await journal.commit(events=[event("mine")])
        with pytest.raises(JournalError, match=rf"another hotbed .*\(pid {os.getpid()}\)"):
            Journal.open(path, NOW)
        other = subprocess.run([sys.executable, "-c", again], capture_output=True, text=True)
        assert f"another hotbed runs on this state folder (pid {os.getpid()})" in other.stderr
        assert texts(path) == ["mine"]
    async with opened(path):
        pass


async def test_a_journal_that_another_program_has_locked_is_refused_and_not_set_aside(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "BUSY_SECONDS", 0.01)
    await make(path, event("kept"))
    with foreign_lock(path), pytest.raises(JournalError, match="another program has it locked"):
        Journal.open(path, NOW)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA locking_mode = EXCLUSIVE")
        db.execute("BEGIN IMMEDIATE")
        with pytest.raises(JournalError, match="another program has it locked"):
            Journal.open(path, NOW)
    async with opened(path):
        assert texts(path) == ["kept"]


async def test_a_folder_that_is_not_there_or_not_ours_is_named(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match=r"no such.*|must exist and belong to the user"):
        Journal.open(tmp_path / "nowhere" / "journal.db", NOW)
    (tmp_path / "journal.db").mkdir()
    with pytest.raises(JournalError, match=r"journal\.db: the journal cannot be opened"):
        Journal.open(tmp_path / "journal.db", NOW)


async def test_reading_says_when_there_is_no_journal(path: Path) -> None:
    with pytest.raises(JournalError, match=r"no journal at .*: give the state folder"):
        read_events(path)
    assert not path.exists()
    scribble(path)
    with pytest.raises(JournalError, match="is not a hotbed journal"):
        read_events(path)


async def test_a_watcher_who_may_not_write_reads_a_journal_at_rest(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    await make(path, event("kept"))
    monkeypatch.setattr(os, "access", lambda *_: False)
    assert texts(path) == ["kept"]
    assert {one.name for one in path.parent.iterdir()} == KEPT
