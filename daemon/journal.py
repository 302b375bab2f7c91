"""The journal: the durable record of all that was read, decided and asked, in one SQLite file.

What can wait is noted: kept in memory and written every few minutes, which is kind to an SD card.
What a person asked, and what a person must know, is committed: on disk when `commit` returns, together
with all that was noted before it. One thread of the journal's own writes, so a slow or failing disk
never delays a tick; readers use short-lived connections of their own, from any process.
"""

from __future__ import annotations

import asyncio
import json
import logging
import math
import os
import sqlite3
import threading
import time
import zlib
from collections import deque
from collections.abc import Collection, Iterable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.events import Event, StoredEvent
from daemon.journal_file import (
    Ballast,
    DuplicateRequestError,
    Head,
    HeadFile,
    JournalError,
    Opened,
    ReadingRow,
    RequestRow,
    SavedState,
    StoredTick,
    TickRow,
    add_events,
    add_request,
    beside,
    check_times,
    content_digest,
    event_row,
    find_damage,
    hold,
    in_words,
    is_damage,
    no_room,
    open_file,
    plain,
    plain_or_none,
    put_state,
    read_state,
    reader,
    reason,
    refused,
    request_row,
    state_row,
    telling,
)
from drivers.protocols import Quality, Reading

__all__ = [
    "FLUSH_EVERY", "DuplicateRequestError", "Journal", "JournalError", "ReadingRow", "RequestRow",
    "SavedState", "StoredTick", "TickRow", "last_step", "read_events", "read_readings",
    "read_request", "read_saved", "read_steps", "read_ticks", "tick_of",
]  # fmt: skip

log = logging.getLogger(__name__)
#: How long notes wait at most to be written [s].
FLUSH_EVERY = 300.0
#: First and longest pause before a failed write is tried again [s].
RETRY_FIRST, RETRY_MOST = 1.0, 60.0
#: Readings older than this are dropped [days], so many ticks at a time, and so often at most [s].
KEEP_DAYS, PRUNE_TICKS, PRUNE_EVERY = 400.0, 3000, 900.0
DAY = 86400.0


@dataclass(slots=True)
class _Tick:
    """A tick as rows: its own values, its readings', its steps'."""

    row: tuple[float, float, bool, bytes]
    readings: list[tuple[str, float | None, str, float]]
    steps: tuple[tuple[str, str], ...]
    lost: int = 0

    @property
    def rows(self) -> int:
        return max(1, len(self.readings))


@dataclass(slots=True)
class _Batch:
    """Rows for one transaction: a run of notes, or one commit, which has `done`.

    rows: how many of ticks, readings and events they are, kept count of.
    """

    ticks: deque[_Tick] = field(default_factory=deque)
    events: deque[tuple[Any, ...]] = field(default_factory=deque)
    state: tuple[Any, ...] | None = None
    request: tuple[Any, ...] | None = None
    done: Future[list[int]] | None = None
    rows: int = 0

    def __post_init__(self) -> None:
        self.rows = sum(tick.rows for tick in self.ticks) + len(self.events)

    @property
    def empty(self) -> bool:
        return not (self.ticks or self.events or self.state or self.request)

    def add(self, later: _Batch) -> None:
        self.ticks.extend(later.ticks)
        self.events.extend(later.events)
        self.state = later.state or self.state
        self.rows += later.rows


class Journal:
    """An open journal. Only `commit` and `close` wait for the disk, and neither blocks the loop.

    set_aside: where a damaged predecessor was put, when this one was opened or since, or None.
    damage: what was wrong with it.
    trouble: why facts cannot be written down at present, or None; they are kept in memory. So it may
    be from the start, on a disk that is full or has gone read-only.
    dropped_readings, dropped_events: how many the memory had no room for, since the start.
    """

    def __init__(
        self,
        path: Path,
        opened: Opened | Exception,
        lock: int,
        *,
        flush_every: float,
        flush_rows: int,
        backlog: int,
        keep_days: float,
        keep_ticks: int,
    ) -> None:
        """Use `Journal.open`."""
        self.path = path
        self.set_aside: Path | None = None
        self.damage: str | None = None
        self.trouble: str | None = None
        self.dropped_readings = 0
        self.dropped_events = 0
        self._db: sqlite3.Connection
        self._head: Head
        self._is_open = False
        self._lock = lock
        self._flush_every = flush_every
        self._flush_rows = flush_rows
        self._backlog = backlog
        self._keep_days = keep_days
        self._keep_ticks = keep_ticks
        self._names: dict[str, int] = {}
        self._head_file = HeadFile(beside(path, "-head"))
        self._head_file.read()  # it goes on counting its turns
        self._ballast = Ballast(beside(path, ".ballast"))
        self._short = False  # the disk is full but for what the ballast gave
        self._pruned_at: float | None = None
        # All below is shared with the writer, under `_wake`.
        self._wake = threading.Condition()
        self._queue: deque[_Batch] = deque()
        self._marks: set[int] = set()
        self._lost = 0  # ticks dropped since the last one noted
        self._noted_at: float | None = None  # since when something waits
        self._retry_at: float | None = None
        self._retry_pause = RETRY_FIRST
        self._closing = False
        self._ended: Future[None] = _sure_future()
        if isinstance(opened, Opened):
            self._take_up(opened)
        else:
            with suppress(sqlite3.Error, OSError, JournalError):
                self.damage = find_damage(path)
            self._in_trouble(opened)
        # A daemon thread: one that hangs on a dead disk must not keep the process from ending.
        threading.Thread(target=self._run, name="journal", daemon=True).start()

    @classmethod
    def open(
        cls,
        path: Path,
        now_utc: float,
        *,
        flush_every: float = FLUSH_EVERY,
        flush_rows: int = 10_000,
        backlog: int = 50_000,
        keep_days: float = KEEP_DAYS,
        keep_ticks: int = 0,
    ) -> Journal:
        """Open the journal at `path`, create it, or bring it to today's schema.

        A damaged one is set aside whole, named for `now_utc` (POSIX seconds), and a fresh one
        begun with the state and the newest answers of the damaged, where they can be read. Notes
        are written after `flush_every` seconds or `flush_rows` rows; while they cannot be, up to
        `backlog` rows are kept, and the oldest readings are dropped first. Ticks go when they are
        `keep_days` older than the newest and `keep_ticks` behind it: a clock set forward by mistake
        takes no history with it.

        Raises JournalError: the folder cannot be written or another daemon runs on it; the file is
        another program's or a newer hotbed's; another program has it locked. None of these changes
        the file.
        """
        lock = hold(path)
        opened: Opened | Exception
        try:
            with telling(f"{path}: the journal cannot be opened"):
                try:
                    opened = open_file(path, now_utc)
                except (sqlite3.Error, OSError) as error:
                    if not (path.exists() and refused(path, error)):
                        raise
                    opened = error
            if isinstance(opened, Exception):
                with reader(path) as db:  # what can't be gone on from must not be overwritten later
                    read_state(db)
        except BaseException:
            os.close(lock)
            raise
        return cls(
            path,
            opened,
            lock,
            flush_every=flush_every,
            flush_rows=flush_rows,
            backlog=backlog,
            keep_days=keep_days,
            keep_ticks=keep_ticks,
        )

    # writing

    def note(
        self,
        *,
        ticks: Iterable[TickRow] = (),
        events: Iterable[Event] = (),
        state: SavedState | None = None,
    ) -> None:
        """Keep these for the next flush or commit; returns at once.

        Raises ValueError, and keeps nothing, for what cannot be stored (data that is not JSON, a
        time that is not a number), and JournalError once closed.
        """
        batch = _Batch(
            deque(_tick_rows(t) for t in ticks),
            deque(event_row(e) for e in events),
            state=state_row(state),
        )
        with self._wake:
            self._refuse_if_closed()
            if batch.empty:
                return
            if batch.ticks:
                batch.ticks[0].lost, self._lost = self._lost, 0
            if self._queue and self._queue[-1].done is None:
                self._queue[-1].add(batch)
            else:
                self._queue.append(batch)
            self._wait_begins()
            self._trim()
            self._wake.notify()

    def submit(
        self,
        *,
        events: Iterable[Event] = (),
        request: RequestRow | None = None,
        state: SavedState | None = None,
    ) -> Future[list[int]]:
        """Have these, and all noted before them, written in one transaction; returns at once.

        The future holds the events' numbers when it is on disk, or why it is not, as `commit`
        raises it; its callbacks run on the writer's thread. What is submitted first is written
        first. Raises JournalError once closed and ValueError as `note` does.
        """
        done: Future[list[int]] = _sure_future()
        batch = _Batch(
            events=deque(event_row(e) for e in events),
            state=state_row(state),
            request=request_row(request),
            done=done,
        )
        with self._wake:
            self._refuse_if_closed()
            self._queue.append(batch)
            self._wake.notify()
        return done

    async def commit(
        self,
        *,
        events: Iterable[Event] = (),
        request: RequestRow | None = None,
        state: SavedState | None = None,
    ) -> list[int]:
        """Write these, and all noted before them, in one transaction; the events' numbers.

        Returns when it is on disk. All or nothing: after an error nothing of this commit is or will
        be written, and what was noted before stays in memory. To be cancelled ends the waiting, not
        the writing.

        Raises DuplicateRequestError when the request's id is known, JournalError when it cannot be
        written down, ValueError as `note` does.
        """
        done = self.submit(events=events, request=request, state=state)
        return await asyncio.wrap_future(done)

    def mark_published(self, seq: int) -> None:
        """The broker has event `seq`. Written with the next flush: a crash may send it twice."""
        with self._wake:
            if not self._closing:
                self._marks.add(seq)
                self._wait_begins()
                self._wake.notify()

    async def close(self) -> None:
        """Write what is noted, fold the write-ahead log into the file, let go of it.

        Raises JournalError, after letting go, when something could not be written.
        """
        with self._wake:
            self._closing = True
            self._wake.notify()
        await asyncio.wrap_future(self._ended)

    # reading: what is on disk, without what is only noted

    def saved_state(self) -> SavedState | None:
        """As `read_saved`."""
        return read_saved(self.path)

    def answer_to(self, request_id: str) -> str | None:
        """The answer (JSON text) to a request that was already done or refused."""
        with reader(self.path) as db:
            row = db.execute(
                "SELECT answer FROM request WHERE id = ?", (plain(request_id),)
            ).fetchone()
        return None if row is None else str(row[0])

    def recent_answers(self, since: float, limit: int) -> list[tuple[str, str]]:
        """Id and answer (JSON text) of the newest requests since `since` (POSIX), oldest first."""
        with reader(self.path) as db:
            rows = db.execute(
                "SELECT id, answer FROM request WHERE at >= ? ORDER BY at DESC LIMIT ?",
                (since, limit),
            ).fetchall()
        return [(str(identifier), str(answer)) for identifier, answer in reversed(rows)]

    def events(
        self,
        *,
        since: float | None = None,
        until: float | None = None,
        kinds: Collection[str] | None = None,
        bench: str | None = None,
        batch: str | None = None,
        limit: int | None = 1000,
    ) -> list[StoredEvent]:
        """As `read_events`."""
        return read_events(
            self.path,
            since=since,
            until=until,
            kinds=kinds,
            bench=bench,
            batch=batch,
            limit=limit,
        )

    def readings(self, probe: str, since: float, until: float) -> list[ReadingRow]:
        """As `read_readings`."""
        return read_readings(self.path, probe, since, until)

    def unpublished(self, limit: int) -> list[StoredEvent]:
        """The oldest `limit` events that the broker has not yet acknowledged."""
        with self._wake:
            marks = set(self._marks)
        with reader(self.path) as db:
            rows = db.execute(
                f"SELECT {_EVENT} FROM outbox JOIN event USING (seq) ORDER BY seq LIMIT ?",
                (limit + len(marks),),
            ).fetchall()
            return [_stored(row) for row in rows if row[-1] not in marks][:limit]

    # the caller's side of the queue; `_wake` is held

    def _refuse_if_closed(self) -> None:
        if self._closing:
            raise JournalError(f"{self.path}: the journal is closed")

    def _wait_begins(self) -> None:
        if self._noted_at is None:
            self._noted_at = time.monotonic()

    def _rows(self) -> int:
        return sum(batch.rows for batch in self._queue if batch.done is None)

    def _trim(self) -> None:
        """Drop what is over the backlog: the oldest readings, and the oldest events only then."""
        over = self._rows() - self._backlog
        notes = [batch for batch in self._queue if batch.done is None]
        for batch in notes:
            while over > 0 and batch.ticks:
                tick = batch.ticks.popleft()
                self._lost += 1 + tick.lost
                self.dropped_readings += len(tick.readings)
                batch.rows -= tick.rows
                over -= tick.rows
            if batch.ticks:
                batch.ticks[0].lost += self._lost
                self._lost = 0
        for batch in notes:
            while over > 0 and batch.events:
                batch.events.popleft()
                self.dropped_events += 1
                batch.rows -= 1
                over -= 1

    def _in_trouble(self, error: Exception) -> None:
        self.trouble = f"{self.path}: the journal cannot be written: {reason(error, self.path)}"
        if not self._is_open and self.damage is not None:
            self.trouble += f"; and it is damaged: {self.damage}"
        self._retry_at = time.monotonic() + self._retry_pause
        self._retry_pause = min(2 * self._retry_pause, RETRY_MOST)

    # the writer's thread

    def _take_up(self, opened: Opened) -> None:
        self._db, self._head, self._is_open = opened.db, opened.head, True
        self._names.clear()
        if opened.aside is not None:
            self.damage, self.set_aside = opened.damage, opened.aside

    def _run(self) -> None:
        failure: Exception | None = None
        self._start_up()
        while True:
            with self._wake:
                while (pause := self._pause()) is None or pause > 0:
                    self._wake.wait(pause)
            if self._short:
                self._short = not self._ballast.take()
            with self._wake:
                batches = self._take()
                marks = list(self._marks)
                last = self._closing and not self._queue
            try:
                seqs = self._write_somehow(batches, marks)
            except Exception as error:  # whatever it is, this thread must live
                failure = error
                self._put_back(batches, error)
            else:
                failure = None
                self._written(batches, marks, seqs)
                self._tidy()
            if last and (failure is None or all(batch.done is None for batch in batches)):
                break  # else a commit failed: the notes before it are tried without it
        self._end(failure)

    def _start_up(self) -> None:
        """What a start need not wait for: the small file says what is there, and the ballast is made."""
        if not self._is_open:
            return
        try:
            self._head_file.write(self._head, sync=True)
        except OSError as error:
            log.warning("%s: %s", self._head_file.path, error.strerror)
        if not self._ballast.take():
            with self._wake:
                self._short, self.trouble = True, f"{self.path}: {_SHORT}"
                self._retry_at = time.monotonic() + RETRY_FIRST

    def _tidy(self) -> None:
        """Prune, when it is time; what keeps it from that is told by the next write."""
        now = time.monotonic()
        if self._closing or (self._pruned_at and now - self._pruned_at < PRUNE_EVERY):
            return
        self._pruned_at = now
        try:
            try:
                self._prune()
            except (sqlite3.Error, ValueError) as error:
                if not is_damage(error):
                    raise
                self._go_on_anew(in_words(error))
        except (sqlite3.Error, OSError, JournalError) as error:
            log.warning("%s: old readings are not dropped: %s", self.path, reason(error))

    def _pause(self) -> float | None:
        """How long to wait for the next write [s]; None: until something is asked."""
        if self._closing or any(batch.done for batch in self._queue):
            return 0.0
        if self._retry_at is not None:
            return self._retry_at - time.monotonic()
        if self._rows() >= self._flush_rows:
            return 0.0
        if self._noted_at is not None:
            return self._noted_at + self._flush_every - time.monotonic()
        return None

    def _take(self) -> list[_Batch]:
        """What goes into the next transaction: everything up to and with the first commit.

        Ticks stay behind while the disk is short of room, but for the last ones of all.
        """
        batches = []
        held = _Batch()
        while self._queue:
            batch = self._queue.popleft()
            if self._short and not self._closing:
                held.add(_Batch(batch.ticks))
                batch.ticks, batch.rows = deque(), len(batch.events)
            batches.append(batch)
            if batch.done is not None:
                break
        if held.ticks:
            if self._queue and self._queue[0].done is None:
                held.add(self._queue.popleft())
            self._queue.appendleft(held)
            self._trim()
        return batches

    def _write_somehow(self, batches: list[_Batch], marks: list[int]) -> list[int]:
        """One transaction: with the room that the ballast gives up where the disk has no other, in a
        fresh journal where this one is found to be damaged."""
        try:
            return self._write(batches, marks)
        except (sqlite3.Error, OSError, ValueError) as error:
            if is_damage(error):
                self._go_on_anew(in_words(error))
                marks = []  # they are numbers of the other's
            elif no_room(error) and self._ballast.give_up():
                self._short = True
            else:
                raise
        return self._write(batches, marks)

    def _go_on_anew(self, damage: str) -> None:
        log.error("%s: it is damaged: %s", self.path, damage)
        with suppress(sqlite3.Error):
            self._db.close()
        self._is_open = False
        self._take_up(open_file(self.path, time.time(), damage))

    def _write(self, batches: list[_Batch], marks: list[int]) -> list[int]:
        """One transaction; the numbers of the last batch's events."""
        if not self._is_open:
            self._take_up(open_file(self.path, time.time()))
        seqs, head = range(0), self._head
        nothing = not marks and all(batch.empty for batch in batches)
        if nothing and self.trouble is None:
            return []
        db = self._db
        db.execute("BEGIN IMMEDIATE")
        try:
            if nothing:  # is the trouble over? Only a page that is really written tells
                db.execute(f"PRAGMA user_version = {head.schema}")
            for batch in batches:
                seqs, head = self._insert(batch, head)
            db.executemany("DELETE FROM outbox WHERE seq = ?", ((seq,) for seq in marks))
            db.execute("COMMIT")
        except BaseException:
            self._names.clear()  # some may have been given in what is now rolled back
            if db.in_transaction:  # some errors have already ended it
                db.execute("ROLLBACK")
            raise
        self._come_to(head)
        self._short = not self._ballast.take()
        return list(seqs)

    def _come_to(self, head: Head) -> None:
        """Say in the small file how far the journal is on disk."""
        if head == self._head:
            return
        asked = head.requests != self._head.requests
        self._head = head
        try:
            self._head_file.write(head, sync=asked)
        except OSError as error:  # the facts themselves are safe
            log.warning("%s: %s", self._head_file.path, error.strerror)

    def _insert(self, batch: _Batch, head: Head) -> tuple[range, Head]:
        """The rows of a batch; the numbers of its events, and where the chains end with it."""
        db = self._db
        if batch.ticks:
            self._insert_ticks(batch.ticks)
        seqs = range(head.events + 1, head.events + 1 + len(batch.events))
        head = add_events(db, head, batch.events)
        if batch.request is not None:
            head = add_request(db, head, batch.request)
        put_state(db, batch.state)
        return seqs, head

    def _insert_ticks(self, ticks: Iterable[_Tick]) -> None:
        db = self._db
        (last,) = db.execute("SELECT coalesce(max(n), 0) FROM tick").fetchone()
        for n, tick in enumerate(ticks, last + 1):
            at, mono, trusted, told = tick.row
            db.execute(
                "INSERT INTO tick (n, at, mono, trusted, lost, told) VALUES (?, ?, ?, ?, ?, ?)",
                (n, at, mono, trusted, tick.lost, told),
            )
            db.executemany(
                "INSERT INTO reading VALUES (?, ?, ?, ?, ?)",
                [
                    (n, self._number(probe), value, self._number(quality), measured)
                    for probe, value, quality, measured in tick.readings
                ],
            )
            for part, (kind, body) in enumerate(tick.steps):
                text: str | None = body
                content: bytes | None = None
                if len(body) > _LONG:
                    packed = zlib.compress(body.encode())
                    text, content = None, content_digest(packed)
                    db.execute("INSERT OR IGNORE INTO content VALUES (?, ?)", (content, packed))
                db.execute(
                    "INSERT INTO step VALUES (?, ?, ?, ?, ?)",
                    (n, part, self._number(kind), text, content),
                )

    def _prune(self) -> None:
        """Drop ticks that are past keeping, some at a time."""
        db = self._db
        newest = db.execute("SELECT n, at FROM tick ORDER BY n DESC LIMIT 1").fetchone()
        if newest is None:
            return
        n, at = newest
        last = None
        for old, then in db.execute(
            "SELECT n, at FROM tick WHERE n <= ? ORDER BY n LIMIT ?",
            (n - max(1, self._keep_ticks), PRUNE_TICKS),
        ):
            if then >= at - self._keep_days * DAY:
                break
            last = old
        if last is None:
            return
        db.execute("BEGIN IMMEDIATE")
        try:
            used = db.execute(
                "SELECT DISTINCT content FROM step WHERE tick <= ? AND content IS NOT NULL", (last,)
            ).fetchall()
            for table, column in (("reading", "tick"), ("step", "tick"), ("tick", "n")):
                db.execute(f"DELETE FROM {table} WHERE {column} <= ?", (last,))
            db.executemany(
                "DELETE FROM content WHERE hash = ?1"
                " AND NOT EXISTS (SELECT 1 FROM step WHERE content = ?1)",
                used,
            )
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise

    def _number(self, name: str) -> int:
        if name not in self._names:
            self._db.execute("INSERT OR IGNORE INTO name (name) VALUES (?)", (name,))
            (self._names[name],) = self._db.execute(
                "SELECT n FROM name WHERE name = ?", (name,)
            ).fetchone()
        return self._names[name]

    def _written(self, batches: list[_Batch], marks: list[int], seqs: list[int]) -> None:
        with self._wake:
            self._marks.difference_update(marks)
            self._noted_at = time.monotonic() if self._queue or self._marks else None
            self.trouble, self._retry_at, self._retry_pause = None, None, RETRY_FIRST
            if self._short:
                self.trouble = f"{self.path}: {_SHORT}"
                self._retry_at = time.monotonic() + RETRY_MOST
        for batch in batches:
            if batch.done is not None:
                batch.done.set_result(seqs)

    def _put_back(self, batches: list[_Batch], error: Exception) -> None:
        """A write failed: its notes stay for the next try, its commit is told."""
        notes = _Batch()
        for batch in batches:
            if batch.done is None:
                notes.add(batch)
        duplicate = isinstance(error, DuplicateRequestError)
        with self._wake:
            if not notes.empty:
                if self._queue and self._queue[0].done is None:
                    notes.add(self._queue.popleft())
                self._queue.appendleft(notes)
                self._trim()
            if not duplicate:
                self._in_trouble(error)
        for batch in batches:
            if batch.done is not None:
                told = JournalError(f"cannot be written down: {reason(error, self.path)}")
                told.__cause__ = error
                batch.done.set_exception(error if duplicate else told)

    def _end(self, failure: Exception | None) -> None:
        lost = self._rows()
        if self._is_open:
            with suppress(sqlite3.Error):  # the next start folds it in just as well
                self._db.execute("PRAGMA busy_timeout = 500")  # a reader may be in the way
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            with suppress(sqlite3.Error):
                self._db.close()
        os.close(self._lock)
        if failure is None or not self._queue:
            self._ended.set_result(None)
        else:
            self._ended.set_exception(
                JournalError(
                    f"{self.path}: what was noted last ({lost} rows) is lost: "
                    f"{reason(failure, self.path)}"
                )
            )


# reading, from any process


def read_saved(path: Path) -> SavedState | None:
    """The newest state on disk. Raises JournalError as `read_events` does."""
    with reader(path) as db:
        return read_state(db)


def read_events(
    path: Path,
    *,
    since: float | None = None,
    until: float | None = None,
    kinds: Collection[str] | None = None,
    bench: str | None = None,
    batch: str | None = None,
    limit: int | None = 1000,
) -> list[StoredEvent]:
    """The newest `limit` events that fit (None: all), oldest first.

    since, until: POSIX seconds UTC; `until` itself is left out. Works whether or not a daemon runs.
    Raises JournalError when there is no journal at `path`, or not one of this version.
    """
    where = ["TRUE"]
    values: list[float | str] = []
    for term, value in (
        ("at >= ?", since),
        ("at < ?", until),
        ("bench = ?", plain_or_none(bench)),
        ("batch = ?", plain_or_none(batch)),
    ):
        if value is not None:
            where.append(term)
            values.append(value)
    if kinds is not None:
        where.append(f"kind IN ({', '.join('?' * len(kinds))})")
        values += map(plain, kinds)
    # "+" keeps SQLite from walking back by seq through all history when the index of times is there
    order = "seq" if since is None else "+seq"
    with reader(path) as db:
        rows = db.execute(
            f"SELECT {_EVENT} FROM event WHERE {' AND '.join(where)} ORDER BY {order} DESC LIMIT ?",
            (*values, -1 if limit is None else limit),
        ).fetchall()
        return [_stored(row) for row in reversed(rows)]


def read_readings(path: Path, probe: str, since: float, until: float) -> list[ReadingRow]:
    """One probe's readings in the order of the ticks, `since` up to but without `until`.

    since, until: POSIX seconds UTC. Raises JournalError as `read_events` does.
    """
    with reader(path) as db:
        return [
            ReadingRow(at, mono, probe, Reading(value, Quality(quality), measured))
            for at, mono, value, quality, measured in db.execute(
                _READINGS, (since, until, plain(probe))
            )
        ]


_EVENT = "at, kind, text, bench, batch, who, data, seq"
_READINGS = """
SELECT tick.at, tick.mono, value, quality.name, measured
FROM tick CROSS JOIN reading ON tick = tick.n JOIN name quality ON quality.n = reading.quality
WHERE tick.at >= ? AND tick.at < ? AND reading.probe = (SELECT n FROM name WHERE name = ?)
ORDER BY tick.n"""


def read_ticks(path: Path, first: int = 1, limit: int = 1000) -> list[StoredTick]:
    """The ticks from number `first` on, up to `limit` of them, in order.

    Raises JournalError as `read_events` does.
    """
    with reader(path) as db:
        rows = db.execute(
            "SELECT n, at, mono, trusted, lost, told FROM tick WHERE n >= ? ORDER BY n LIMIT ?",
            (first, limit),
        ).fetchall()
        if not rows:
            return []
        span = rows[0][0], rows[-1][0]
        names = dict(db.execute("SELECT n, name FROM name"))
        readings: dict[int, dict[str, Reading]] = {}
        for tick, probe, value, quality, measured in db.execute(
            "SELECT tick, probe, value, quality, measured FROM reading WHERE tick BETWEEN ? AND ?",
            span,
        ):
            readings.setdefault(tick, {})[names[probe]] = Reading(
                value, Quality(names[quality]), measured
            )
        steps: dict[int, list[tuple[str, str]]] = {}
        for tick, kind, body, content, packed in db.execute(
            "SELECT tick, kind, step.body, content, content.body"
            " FROM step LEFT JOIN content ON content = hash WHERE tick BETWEEN ? AND ?"
            " ORDER BY tick, part",
            span,
        ):
            if content is not None and (packed is None or content != content_digest(packed)):
                raise JournalError(f"{path}: what was noted at tick {tick} is damaged")
            body = _text(body, packed)
            steps.setdefault(tick, []).append((names[kind], body))
        return [
            StoredTick(
                at, mono, readings.get(n, {}), bool(trusted), tuple(steps.get(n, ())), told,
                n=n, lost=lost,
            )
            for n, at, mono, trusted, lost, told in rows
        ]  # fmt: skip


def _text(body: str | None, packed: bytes | None) -> str:
    """The text of a step, which is stored as it is or compressed."""
    return zlib.decompress(packed or b"").decode() if body is None else body


def last_step(path: Path, kind: str, before: float) -> int | None:
    """The number of the newest tick until `before` (POSIX) that has a step of that kind."""
    with reader(path) as db:
        row = db.execute(
            "SELECT tick FROM step WHERE kind = (SELECT n FROM name WHERE name = ?) AND tick <="
            " (SELECT n FROM tick WHERE at <= ? ORDER BY at DESC, n DESC LIMIT 1)"
            " ORDER BY tick DESC LIMIT 1",
            (kind, before),
        ).fetchone()
    return None if row is None else int(row[0])


def read_steps(path: Path, kinds: Collection[str], since: str, until: int) -> list[tuple[str, str]]:
    """The steps of these kinds, as pairs of kind and JSON text, in order: from the last tick that has a
    step of kind `since` to tick `until`.

    Raises JournalError as `read_events` does.
    """
    with reader(path) as db:
        rows = db.execute(
            f"""SELECT name, step.body, content.body
            FROM step JOIN name ON name.n = kind LEFT JOIN content ON content = hash
            WHERE name IN ({", ".join("?" * len(kinds))}) AND tick <= ? AND tick >=
            (SELECT tick FROM step JOIN name ON name.n = kind WHERE name = ? AND tick <= ?
             ORDER BY tick DESC LIMIT 1)
            ORDER BY tick, part""",
            (*kinds, until, since, until),
        ).fetchall()
        return [(kind, _text(body, packed)) for kind, body, packed in rows]


def tick_of(path: Path, at: float, mono: float) -> int | None:
    """The number of the newest tick of that time, POSIX and monotonic seconds. Raises JournalError."""
    with reader(path) as db:
        row = db.execute(
            "SELECT n FROM tick WHERE at = ? AND mono = ? ORDER BY n DESC LIMIT 1", (at, mono)
        ).fetchone()
    return None if row is None else int(row[0])


def read_request(path: Path, request_id: str) -> RequestRow | None:
    """A request by its id, None where the journal has none. Raises JournalError."""
    with reader(path) as db:
        row = db.execute(
            "SELECT id, at, kind, who, body, ok, answer FROM request WHERE id = ?",
            (plain(request_id),),
        ).fetchone()
    if row is None:
        return None
    identifier, at, kind, who, body, ok, answer = row
    return RequestRow(identifier, at, kind, who, body, bool(ok), answer)


def _stored(row: tuple[Any, ...]) -> StoredEvent:
    at, kind, text, bench, batch, who, data, seq = row
    return StoredEvent(at, kind, text, bench, batch, who, json.loads(data), seq=seq)


_SHORT = "the disk is full: what is asked and switched is still written, readings wait; make room"
#: Texts of steps longer than this are compressed, and kept once.
_LONG = 400


def _sure_future() -> Future[Any]:
    """A future whose waiter may be cancelled, and it not."""
    future: Future[Any] = Future()
    future.set_running_or_notify_cancel()
    return future


def _tick_rows(tick: TickRow) -> _Tick:
    check_times("tick", tick.at, tick.mono)
    readings = []
    for probe, reading in tick.readings.items():
        value = reading.value
        if math.isnan(reading.at):
            raise ValueError(f"reading of {probe}: {reading.at} is not a time")
        if value is not None and math.isnan(value):
            value = None  # as the column would have it
        readings.append((plain(probe), value, reading.quality.value, reading.at))
    return _Tick((tick.at, tick.mono, tick.trusted, tick.told), readings, tick.steps)
