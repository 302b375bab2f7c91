"""The journal: the durable record of all that was read, decided and asked, in one SQLite file.

What can wait is noted: kept in memory and written every few minutes, which is kind to an SD card.
What a person asked, and what a person must know, is committed: on disk when `commit` returns, together
with all that was noted before it. One thread of the journal's own writes, so a slow or failing disk
never delays a tick; readers use short-lived connections of their own, from any process.

Events and requests are numbered without gaps, and each carries a digest of itself and of the one
before it. SQLite ends its recovery at the first bad frame of the write-ahead log and says "ok", so
how far the journal had come also stands in a small file beside it, synced before a request is
answered: what was acknowledged and is gone is noticed at the next start. Not noticed are: a loss of
events (not of requests) within the seconds that the system keeps the small file in memory, if the
power goes too; readings altered in place; a journal and small file lost or set back together; and,
until a backup or a replay reads all of it, an old row altered in place.

A damaged journal is set aside whole, at a start or when a write meets the damage, and a fresh one goes
on with the state and the newest answers of it, and with an event that says so.
"""

from __future__ import annotations

import asyncio
import errno
import fcntl
import hashlib
import itertools
import json
import logging
import math
import os
import secrets
import shutil
import sqlite3
import struct
import threading
import time
import zlib
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from concurrent.futures import Future
from contextlib import closing, contextmanager, suppress
from dataclasses import astuple, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from daemon.events import Event, StoredEvent
from drivers.protocols import Quality, Reading

log = logging.getLogger(__name__)

#: Marks a file as a hotbed journal ("hotb"), in the field SQLite's file format keeps for that.
APPLICATION_ID = 0x686F7462
#: How long a lock that another program holds is waited for [s].
BUSY_SECONDS = 5.0
#: How long a start may spend on looking for damage [s]; years of history are not all looked at.
CHECK_SECONDS = 0.5
#: First and longest pause before a failed write is tried again [s].
RETRY_FIRST, RETRY_MOST = 1.0, 60.0
#: The write-ahead log is folded in at about this size [bytes], and cut back to it when a slow reader had
#: made it grow.
WAL_KEPT = 4 << 20
#: Pages of a fresh journal [bytes]. A commit touches some fifteen, a few rows in each: small ones halve
#: what a day has the disk write (`tests/benchmarks/disk.py`).
PAGE = 1024
#: The file, its write-ahead log and that log's index, and how far it had come: they belong together.
SIDES = ("", "-wal", "-shm", "-head")
#: How many of the newest events and requests a start goes through, digest by digest.
CHECK_ROWS = 5000
#: Answers to requests of so long ago [s] are taken over from a damaged journal: no older asker asks on.
SALVAGE_ANSWERS = 2 * 3600.0
#: Room kept on the disk for the last words when it is full [bytes], and how much must be free before it
#: is taken again.
BALLAST, ROOMY = 1 << 20, 4 << 20
#: Readings older than this are dropped [days], so many ticks at a time, and so often at most [s].
KEEP_DAYS, PRUNE_TICKS, PRUNE_EVERY = 400.0, 3000, 900.0
DAY = 86400.0


class JournalError(Exception):
    """A journal that cannot be used or written: the message says where, why and how to mend it."""


class DuplicateRequestError(JournalError):
    """A request whose id the journal already holds; `Journal.answer_to` has its answer."""


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One probe's reading as one tick used it.

    at, mono: the tick's time, POSIX seconds UTC and monotonic seconds.
    probe: the probe's name.
    reading: what it said; `reading.at` is on the same monotonic scale as `mono`.
    """

    at: float
    mono: float
    probe: str
    reading: Reading


@dataclass(frozen=True, slots=True)
class TickRow:
    """One tick: what it was given and what it decided, enough to do it again.

    at, mono: POSIX seconds UTC and monotonic seconds; trusted: whether `at` may be believed.
    readings: by probe; their `at` is on the same scale as `mono`.
    steps: what else it was given, and what it left, where that differs from the tick before: pairs of
        a kind and JSON text.
    told: a digest of what was decided.
    """

    at: float
    mono: float
    readings: Mapping[str, Reading] = field(default_factory=dict)
    trusted: bool = True
    steps: tuple[tuple[str, str], ...] = ()
    told: bytes = b""


@dataclass(frozen=True, slots=True)
class StoredTick(TickRow):
    """A tick as the journal keeps it.

    n: its number, from 1, without gaps. lost: how many before it the memory had no room for.
    """

    n: int = field(kw_only=True)
    lost: int = field(kw_only=True)


@dataclass(frozen=True, slots=True)
class RequestRow:
    """A request that was done or refused. `body` and `answer` are JSON text; `at` is POSIX, UTC."""

    id: str
    at: float
    kind: str
    by: str | None
    body: str
    ok: bool
    answer: str


@dataclass(frozen=True, slots=True)
class SavedState:
    """What the daemon resumes from.

    body: JSON text.
    at, mono: when it held, POSIX seconds UTC and monotonic seconds.
    boot: the boot of the machine that `mono` counts from.
    """

    body: str
    at: float
    mono: float
    boot: str


# Each step takes the schema one version further, inside one transaction with all the others: it
# must not commit. A step that was ever released is never edited; a change is a new one.


def _first_schema(db: sqlite3.Connection) -> None:
    """Schema 1. Readings are keyed by the tick's number, not its time: so they are only appended
    (few pages touched), keep their order over clock steps, and the time stands once per tick."""
    for statement in (
        "CREATE TABLE name (n INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
        "CREATE TABLE tick (n INTEGER PRIMARY KEY, at REAL NOT NULL, mono REAL NOT NULL) STRICT",
        "CREATE INDEX tick_at ON tick (at)",
        # probe and quality are numbers of names; measured is mono when the measurement ended
        """CREATE TABLE reading (tick INTEGER NOT NULL, probe INTEGER NOT NULL, value REAL,
           quality INTEGER NOT NULL, measured REAL NOT NULL,
           PRIMARY KEY (tick, probe)) STRICT, WITHOUT ROWID""",
        """CREATE TABLE event (seq INTEGER PRIMARY KEY, at REAL NOT NULL, kind TEXT NOT NULL,
           text TEXT NOT NULL, bench TEXT, batch TEXT, who TEXT, data TEXT NOT NULL) STRICT""",
        "CREATE INDEX event_at ON event (at)",
        "CREATE INDEX event_batch ON event (batch) WHERE batch IS NOT NULL",
        # events that no broker has acknowledged yet
        "CREATE TABLE outbox (seq INTEGER PRIMARY KEY) STRICT",
        """CREATE TABLE request (id TEXT PRIMARY KEY, at REAL NOT NULL, kind TEXT NOT NULL,
           who TEXT, body TEXT NOT NULL, ok INTEGER NOT NULL, answer TEXT NOT NULL) STRICT""",
        "CREATE INDEX request_at ON request (at)",
        """CREATE TABLE state (one INTEGER PRIMARY KEY CHECK (one = 1), body TEXT NOT NULL,
           at REAL NOT NULL, mono REAL NOT NULL, boot TEXT NOT NULL) STRICT""",
    ):
        db.execute(statement)


def _second_schema(db: sqlite3.Connection) -> None:
    """Schema 2. Digests of rows, requests in their order, and all that a tick was given."""
    for statement in (
        # where the chains of digests begin, so that no two journals' fit each other
        "CREATE TABLE origin (one INTEGER PRIMARY KEY CHECK (one = 1), id BLOB NOT NULL) STRICT",
        "ALTER TABLE event ADD COLUMN hash BLOB NOT NULL DEFAULT x''",
        # body is compressed
        """CREATE TABLE saved (one INTEGER PRIMARY KEY CHECK (one = 1), body BLOB NOT NULL,
           at REAL NOT NULL, mono REAL NOT NULL, boot TEXT NOT NULL, hash BLOB NOT NULL) STRICT""",
        """CREATE TABLE asked (seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, at REAL NOT NULL,
           kind TEXT NOT NULL, who TEXT, body TEXT NOT NULL, ok INTEGER NOT NULL,
           answer TEXT NOT NULL, hash BLOB NOT NULL DEFAULT x'') STRICT""",
        """INSERT INTO asked (id, at, kind, who, body, ok, answer)
           SELECT id, at, kind, who, body, ok, answer FROM request ORDER BY rowid""",
        "DROP TABLE request",
        "ALTER TABLE asked RENAME TO request",
        "CREATE INDEX request_at ON request (at)",
        "ALTER TABLE tick ADD COLUMN trusted INTEGER NOT NULL DEFAULT 1",
        "ALTER TABLE tick ADD COLUMN lost INTEGER NOT NULL DEFAULT 0",
        "ALTER TABLE tick ADD COLUMN told BLOB NOT NULL DEFAULT x''",
        # what a tick was given and left besides readings, where it differs from the one before
        """CREATE TABLE step (tick INTEGER NOT NULL, part INTEGER NOT NULL, kind INTEGER NOT NULL,
           body TEXT, content BLOB, PRIMARY KEY (tick, part)) STRICT, WITHOUT ROWID""",
        "CREATE INDEX step_content ON step (content) WHERE content IS NOT NULL",
        # the long ones, compressed, once each, by their digest
        "CREATE TABLE content (hash BLOB PRIMARY KEY, body BLOB NOT NULL) STRICT",
    ):
        db.execute(statement)
    origin = secrets.token_bytes(_DIGEST)
    db.execute("INSERT INTO origin VALUES (1, ?)", (origin,))
    for table, columns in _CHAINED.items():
        before = origin
        rows = db.execute(f"SELECT {columns} FROM {table} ORDER BY seq").fetchall()
        for row in rows:
            before = _digest(before, row)
            db.execute(f"UPDATE {table} SET hash = ? WHERE seq = ?", (before, row[0]))
    old = db.execute("SELECT body, at, mono, boot FROM state").fetchone()
    db.execute("DROP TABLE state")
    db.execute("ALTER TABLE saved RENAME TO state")
    _put_state(db, old)


MIGRATIONS: tuple[Callable[[sqlite3.Connection], None], ...] = (_first_schema, _second_schema)

#: What the digest of a row covers, its number first.
_CHAINED = {
    "event": "seq, at, kind, text, bench, batch, who, data",
    "request": "seq, id, at, kind, who, body, ok, answer",
}
_DIGEST = 16


def _digest(before: bytes, row: tuple[Any, ...]) -> bytes:
    """The digest of a row, and of all before it through the digest of the last one."""
    said = json.dumps(row, separators=(",", ":")).encode()
    return hashlib.blake2b(before + said, digest_size=_DIGEST).digest()


def _content_digest(packed: bytes) -> bytes:
    return hashlib.blake2b(packed, digest_size=_DIGEST).digest()


@dataclass(frozen=True, slots=True)
class _Head:
    """How far a journal has come: its schema, its origin, the numbers and digests of its newest rows."""

    schema: int
    origin: bytes
    events: int = 0
    event: bytes = b""
    requests: int = 0
    request: bytes = b""

    @classmethod
    def of(cls, db: sqlite3.Connection) -> _Head:
        """As the journal itself has it."""
        (origin,) = db.execute("SELECT id FROM origin").fetchone()
        ends = [
            db.execute(f"SELECT seq, hash FROM {table} ORDER BY seq DESC LIMIT 1").fetchone()
            or (0, origin)
            for table in _CHAINED
        ]
        return cls(_version(db), origin, *ends[0], *ends[1])


class _HeadFile:
    """The small file that says how far the journal had come.

    Two records at a page's distance, written in turn, each with a check sum: a write cut short by the
    power leaves the other. It is never ahead of what is on disk.
    """

    RECORD = struct.Struct(">4sQH16sQ16sQ16s")
    MARK = b"hbhd"
    APART = 4096

    def __init__(self, path: Path) -> None:
        self.path = path
        self._turn = 0

    def read(self) -> _Head | None:
        """The newer of the records that are whole, None where there is none."""
        try:
            content = self.path.read_bytes()
        except OSError:
            return None
        newest: tuple[int, _Head] | None = None
        for start in (0, self.APART):
            record = content[start : start + self.RECORD.size]
            check = content[start + self.RECORD.size :][:_DIGEST]
            if len(record) == self.RECORD.size and self._check(record) == check:
                mark, turn, *head = self.RECORD.unpack(record)
                if mark == self.MARK and (newest is None or turn > newest[0]):
                    newest = turn, _Head(*head)
        if newest is None:
            return None
        self._turn = newest[0]
        return newest[1]

    def write(self, head: _Head, *, sync: bool) -> None:
        """Say that the journal has come so far; on disk on return if `sync`. Raises OSError."""
        self._turn += 1
        record = self.RECORD.pack(self.MARK, self._turn, *astuple(head))
        handle = os.open(self.path, os.O_WRONLY | os.O_CREAT, 0o644)
        try:
            os.pwrite(handle, record + self._check(record), self._turn % 2 * self.APART)
            if sync:
                os.fdatasync(handle)
        finally:
            os.close(handle)

    @staticmethod
    def _check(record: bytes) -> bytes:
        return hashlib.blake2b(record, digest_size=_DIGEST).digest()


class _Ballast:
    """Room on the disk that is given up when it is full, so that the last words can be written."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def take(self) -> bool:
        """Whether the room is there, which it is made to be where the disk has plenty."""
        try:
            if self.path.exists():
                return True
            if shutil.disk_usage(self.path.parent).free < ROOMY:
                return False
            # Made under another name, and of what no file system can fold up.
            fresh = beside(self.path, ".new")
            try:
                with fresh.open("wb") as file:
                    file.write(secrets.token_bytes(BALLAST))
                    file.flush()
                    os.fsync(file.fileno())
                fresh.rename(self.path)
            except OSError:
                fresh.unlink(missing_ok=True)
                raise
        except OSError:
            return False
        return True

    def give_up(self) -> bool:
        """Give the room up; whether there was any."""
        try:
            self.path.unlink()
        except OSError:
            return False
        return True


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
        opened: _Opened | Exception,
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
        self._head: _Head
        self._is_open = False
        self._lock = lock
        self._flush_every = flush_every
        self._flush_rows = flush_rows
        self._backlog = backlog
        self._keep_days = keep_days
        self._keep_ticks = keep_ticks
        self._names: dict[str, int] = {}
        self._head_file = _HeadFile(beside(path, "-head"))
        self._head_file.read()  # it goes on counting its turns
        self._ballast = _Ballast(beside(path, ".ballast"))
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
        if isinstance(opened, _Opened):
            self._take_up(opened)
        else:
            with suppress(sqlite3.Error, OSError, JournalError):
                self.damage = _damage(path)
            self._in_trouble(opened)
        # A daemon thread: one that hangs on a dead disk must not keep the process from ending.
        threading.Thread(target=self._run, name="journal", daemon=True).start()

    @classmethod
    def open(
        cls,
        path: Path,
        now_utc: float,
        *,
        flush_every: float = 300.0,
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
        opened: _Opened | Exception
        try:
            with _telling(f"{path}: the journal cannot be opened"):
                try:
                    opened = _opened(path, now_utc)
                except (sqlite3.Error, OSError) as error:
                    if not (path.exists() and _refused(path, error)):
                        raise
                    opened = error
            if isinstance(opened, Exception):
                with reader(path) as db:  # what can't be gone on from must not be overwritten later
                    _state(db)
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
            deque(_event_row(e) for e in events),
            state=_state_row(state),
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
            events=deque(_event_row(e) for e in events),
            state=_state_row(state),
            request=_request_row(request),
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
        """The newest state on disk."""
        with reader(self.path) as db:
            return _state(db)

    def answer_to(self, request_id: str) -> str | None:
        """The answer (JSON text) to a request that was already done or refused."""
        with reader(self.path) as db:
            row = db.execute(
                "SELECT answer FROM request WHERE id = ?", (_plain(request_id),)
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
        self.trouble = f"{self.path}: the journal cannot be written: {_reason(error, self.path)}"
        if not self._is_open and self.damage is not None:
            self.trouble += f"; and it is damaged: {self.damage}"
        self._retry_at = time.monotonic() + self._retry_pause
        self._retry_pause = min(2 * self._retry_pause, RETRY_MOST)

    # the writer's thread

    def _take_up(self, opened: _Opened) -> None:
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
            self._prune()
        except sqlite3.Error as error:
            log.warning("%s: old readings are not dropped: %s", self.path, _reason(error))

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
            if _is_damage(error):
                self._go_on_anew(_said(error))
                marks = []  # they are numbers of the other's
            elif _no_room(error) and self._ballast.give_up():
                self._short = True
            else:
                raise
        return self._write(batches, marks)

    def _go_on_anew(self, damage: str) -> None:
        log.error("%s: it is damaged: %s", self.path, damage)
        with suppress(sqlite3.Error):
            self._db.close()
        self._is_open = False
        self._take_up(_opened(self.path, time.time(), damage))

    def _write(self, batches: list[_Batch], marks: list[int]) -> list[int]:
        """One transaction; the numbers of the last batch's events."""
        if not self._is_open:
            self._take_up(_opened(self.path, time.time()))
        seqs, head = range(0), self._head
        nothing = not marks and all(batch.empty for batch in batches)
        if nothing and self.trouble is None:
            return []
        db = self._db
        db.execute("BEGIN IMMEDIATE")
        try:
            if nothing:  # is the trouble over? Only a page that is really written tells
                db.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
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

    def _come_to(self, head: _Head) -> None:
        """Say in the small file how far the journal is on disk."""
        if head == self._head:
            return
        asked = head.requests != self._head.requests
        self._head = head
        try:
            self._head_file.write(head, sync=asked)
        except OSError as error:  # the facts themselves are safe
            log.warning("%s: %s", self._head_file.path, error.strerror)

    def _insert(self, batch: _Batch, head: _Head) -> tuple[range, _Head]:
        """The rows of a batch; the numbers of its events, and where the chains end with it."""
        db = self._db
        if batch.ticks:
            self._insert_ticks(batch.ticks)
        seqs = range(head.events + 1, head.events + 1 + len(batch.events))
        head = _add_events(db, head, batch.events)
        if batch.request is not None:
            head = _add_request(db, head, batch.request)
        _put_state(db, batch.state)
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
                    text, content = None, _content_digest(packed)
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
                told = JournalError(f"cannot be written down: {_reason(error, self.path)}")
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
                    f"{_reason(failure, self.path)}"
                )
            )


# reading, from any process


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
        ("bench = ?", _maybe(bench)),
        ("batch = ?", _maybe(batch)),
    ):
        if value is not None:
            where.append(term)
            values.append(value)
    if kinds is not None:
        where.append(f"kind IN ({', '.join('?' * len(kinds))})")
        values += map(_plain, kinds)
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
                _READINGS, (since, until, _plain(probe))
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
            if content is not None and (packed is None or content != _content_digest(packed)):
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
            (_plain(request_id),),
        ).fetchone()
    if row is None:
        return None
    identifier, at, kind, who, body, ok, answer = row
    return RequestRow(identifier, at, kind, who, body, bool(ok), answer)


def verify(path: Path) -> str | None:
    """What is wrong with a journal, all of it read and each digest worked out; None when all is well.

    Raises JournalError as `read_events` does.
    """
    with reader(path) as db:
        (found,) = db.execute("PRAGMA integrity_check(1)").fetchone()
        if found != "ok":
            return f"SQLite's check says: {found}"
        try:
            return _unchained(db, None)
        except (ValueError, TypeError) as error:
            return _said(error)


def _stored(row: tuple[Any, ...]) -> StoredEvent:
    at, kind, text, bench, batch, who, data, seq = row
    return StoredEvent(at, kind, text, bench, batch, who, json.loads(data), seq=seq)


@contextmanager
def reader(path: Path) -> Iterator[sqlite3.Connection]:
    """A read-only connection for one query. A reader left open would grow the log without bound.

    Raises JournalError as `read_events` does.
    """
    with _telling(f"{path}: the journal cannot be read", read=True):
        if not path.exists():
            raise JournalError(
                f"there is no journal at {path}: give the state folder of a hotbed that has run"
            )
        header = _header(path)
        if header is None or header.application != APPLICATION_ID:
            raise JournalError(f"{path} is not a hotbed journal")
        mode, log = "ro", beside(path, "-wal")
        if not (log.exists() and log.stat().st_size) and not _can_make_files(path.parent):
            # SQLite wants to make the log and its index. Without a log nobody has it open.
            mode = "ro&immutable=1"
        with closing(_plug(path, mode)) as db:
            _refuse_version(path, _version(db), oldest=len(MIGRATIONS))
            yield db


def _can_make_files(folder: Path) -> bool:
    return os.access(folder, os.W_OK) and not _is_full(folder)


def _is_read_only(folder: Path) -> bool:
    return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)


def _is_full(folder: Path) -> bool:
    with suppress(OSError):
        return shutil.disk_usage(folder).free < BALLAST
    return False


# opening


def _plug(path: Path, mode: str) -> sqlite3.Connection:
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}",
        uri=True,
        timeout=BUSY_SECONDS,
        isolation_level=None,  # transactions are begun and ended in so many words
        check_same_thread=False,  # opened by the caller, then used by the writer alone
    )


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    """A connection that writes, set up to lose nothing."""
    db = _plug(path, mode)
    try:
        db.execute("PRAGMA synchronous = FULL")
        db.execute(f"PRAGMA journal_size_limit = {WAL_KEPT}")
        if mode == "rwc":
            db.execute(f"PRAGMA page_size = {PAGE}")
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        (page,) = db.execute("PRAGMA page_size").fetchone()
        db.execute(f"PRAGMA wal_autocheckpoint = {WAL_KEPT // page}")
        (took,) = db.execute("PRAGMA journal_mode = WAL").fetchone()
        if took != "wal":
            raise JournalError(
                f"{path.parent} is on a disk that cannot hold a write-ahead log (a network share?);"
                " choose a folder on a local disk"
            )
    except BaseException:
        db.close()
        raise
    return db


@dataclass(frozen=True, slots=True)
class _Opened:
    """An open journal file. damage, aside: what was wrong with the one before, and where it is now."""

    db: sqlite3.Connection
    head: _Head
    damage: str | None = None
    aside: Path | None = None


def _opened(path: Path, now_utc: float, damage: str | None = None) -> _Opened:
    """Open the journal, make one, or set a damaged one aside and begin anew; on a full disk with the
    room of the ballast. damage: what is known to be wrong with it.

    Raises JournalError, and sqlite3.Error and OSError when it can't be.
    """
    try:
        if damage is None and (damage := _damage(path)) is None:
            try:
                if not path.exists():
                    _create(path)
                return _Opened(*_ready(path))
            except (sqlite3.Error, ValueError) as error:
                if not _is_damage(error):
                    raise
                damage = _said(error)
        aside = _begin_anew(path, now_utc, damage)
        return _Opened(*_ready(path), damage, aside)
    except (sqlite3.Error, OSError) as error:
        if _refused(path, error) and _Ballast(beside(path, ".ballast")).give_up():
            return _opened(path, now_utc, damage)
        raise


def _ready(path: Path) -> tuple[sqlite3.Connection, _Head]:
    """A connection to write by, at today's schema, and how far the journal has come."""
    db = _connect(path, "rw")
    try:
        _migrate(path, db)
        # On a file that can only be read the WAL pragma and BEGIN IMMEDIATE succeed all the same.
        db.execute("BEGIN IMMEDIATE")
        db.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        db.execute("ROLLBACK")
        return db, _Head.of(db)
    except BaseException:
        db.close()
        raise


def _create(path: Path) -> None:
    """Make an empty journal."""
    _make(beside(path, ".new"))
    beside(path, ".new").rename(path)
    sync_folder(path.parent)


def _make(fresh: Path, salvage: _Salvage | None = None, notice: Event | None = None) -> None:
    """Make a journal of a name that is not yet its own: a crash leaves no half-made one."""
    for side in SIDES:
        beside(fresh, side).unlink(missing_ok=True)
    with closing(_connect(fresh, "rwc")) as db:
        _migrate(fresh, db)
        db.execute("BEGIN IMMEDIATE")
        head = _Head.of(db)
        if salvage is not None:
            for row in salvage.requests:
                head = _add_request(db, head, row)
            _put_state(db, _state_row(salvage.state))
        if notice is not None:
            _add_events(db, head, [_event_row(notice)])
        db.execute("COMMIT")


def _begin_anew(path: Path, now_utc: float, damage: str) -> Path:
    """Set a damaged journal aside whole and put a fresh one in its place; where it was put.

    The fresh one is whole, and says what happened, before it has the name: a crash in between leaves
    either the damage to be found again or the journal that tells of it.
    """
    salvage, aside, fresh = _salvage(path), _aside(path, now_utc, "damaged"), beside(path, ".new")
    if salvage.state is None:
        then = "look over which batches stand, and sow anew what is missing"
    else:
        then = (
            f"it goes on as things were at {_iso(salvage.state.at)}; look over what was done since"
        )
    text = (
        f"the journal was damaged ({damage}); it was set aside as {aside.name} and a fresh one begun: "
        f"{then}"
    )
    _make(fresh, salvage, Event(now_utc, "daemon", _plain(text)))
    _move(path, aside, fresh)
    return aside


def _aside(path: Path, now_utc: float, why: str) -> Path:
    """A name that is free."""
    stamp = datetime.fromtimestamp(now_utc, UTC).strftime("%Y%m%dT%H%M%SZ")
    for n in itertools.count(1):
        aside = beside(path, f".{why}-{stamp}" + (f"-{n}" if n > 1 else ""))
        if not any(beside(aside, side).exists() for side in SIDES):
            break
    return aside


def _move(path: Path, aside: Path, fresh: Path) -> None:
    """Rename the file with all that belongs to it, so that they can be looked at together, and put
    `fresh` in its place.

    The log goes first, for a journal must never meet another's; the small file last, for by it the
    want of the log is noticed if the power goes in between.
    """
    for side in ("-wal", "-shm", "", "-head"):
        with suppress(FileNotFoundError):
            beside(path, side).rename(beside(aside, side))
        if side == "":
            fresh.rename(path)
    sync_folder(path.parent)


def _iso(utc: float) -> str:
    return datetime.fromtimestamp(utc, UTC).isoformat(timespec="seconds")


def _migrate(path: Path, db: sqlite3.Connection) -> None:
    version = _version(db)
    if version == len(MIGRATIONS):
        return
    db.execute("BEGIN IMMEDIATE")
    try:
        for step in MIGRATIONS[version:]:
            step(db)
        db.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        db.execute("COMMIT")
    except Exception as error:
        if db.in_transaction:
            db.execute("ROLLBACK")
        if _is_damage(error):
            raise
        raise JournalError(
            f"{path}: the journal could not be brought from schema {version} to"
            f" {len(MIGRATIONS)} and was left as it was: {_reason(error)}"
        ) from error


def _damage(path: Path) -> str | None:
    """What is wrong with the file so that it must be set aside, or None when it may be used.

    Raises JournalError for a file that is whole but not for us; that is not even touched.
    """
    if not path.exists():
        left = [side for side in SIDES[1:] if beside(path, side).exists()]
        return "the file was gone, its write-ahead log was not" if left else None
    if path.stat().st_size == 0:
        return "the file was empty"
    header = _header(path)
    if header is None:
        return "the file was no longer a database"
    head = _HeadFile(beside(path, "-head")).read()  # another's file has none
    if header.application != APPLICATION_ID:
        if head is not None:
            return "its first page is not as it was written"
        raise JournalError(
            f"{path} belongs to another program (application id {header.application:#010x}, not"
            f" {APPLICATION_ID:#010x}): move it away, or choose another state folder"
        )
    if header.formats not in (b"\1\1", b"\2\2"):  # else it would be opened to be read only
        return "its first page is not as it was written"
    try:
        _refuse_version(path, header.version, oldest=1, head=head)
        return _looked_through(path, head)
    except (sqlite3.Error, ValueError, TypeError) as error:
        if isinstance(error, sqlite3.Error) and _primary(error) in _ELSEWHERE:
            raise
        return _said(error)  # a table that is not there, a text that is none: it is our own schema


def _looked_through(path: Path, head: _Head | None) -> str | None:
    with closing(_plug(path, "ro")) as db:
        # as the write-ahead log has it: the header may be behind
        version = _version(db)
        _refuse_version(path, version, oldest=1, head=head)
        if version > 1 and (wrong := _unchained(db, CHECK_ROWS) or _behind(db, head)):
            return wrong
        with _time_limit(db, CHECK_SECONDS) as late:
            try:
                (found,) = db.execute("PRAGMA quick_check(1)").fetchone()
            except sqlite3.Error as error:
                if _primary(error) == sqlite3.SQLITE_INTERRUPT:
                    return None
                raise
    if found == "ok" or late.is_set():  # what a check says that was cut short means nothing
        return None
    return f"SQLite's check says: {found}"


def _unchained(db: sqlite3.Connection, newest: int | None) -> str | None:
    """What is wrong with the digests, of so many of the newest rows or of all."""
    for table, columns in _CHAINED.items():
        (last,) = db.execute(f"SELECT coalesce(max(seq), 0) FROM {table}").fetchone()
        first = 1 if newest is None else max(1, last - newest + 1)
        before, due = _digest_before(db, table, first), first
        for *row, digest in db.execute(
            f"SELECT {columns}, hash FROM {table} WHERE seq >= ? ORDER BY seq", (first,)
        ):
            if row[0] != due:
                return f"{table} {due} is missing"
            before = _digest(before, tuple(row))
            if digest != before:
                return f"{table} {due} is not as it was written"
            due += 1
    _state(db)
    return None


def _digest_before(db: sqlite3.Connection, table: str, seq: int) -> bytes:
    """The digest that row `seq` builds on. Raises ValueError where it is missing."""
    row = db.execute(
        f"SELECT hash FROM {table} WHERE seq = ?1 - 1 UNION ALL SELECT id FROM origin WHERE ?1 = 1",
        (seq,),
    ).fetchone()
    if row is None:
        raise ValueError(f"{table} {seq - 1} is missing")
    return bytes(row[0])


def _behind(db: sqlite3.Connection, head: _Head | None) -> str | None:
    """What is missing of what the small file says was written."""
    here = _Head.of(db)
    if head is None or head.origin != here.origin:
        return None  # a journal put here from elsewhere
    for table, due, digest, there in (
        ("event", head.events, head.event, here.events),
        ("request", head.requests, head.request, here.requests),
    ):
        if due > there:
            return f"{due - there} of {due} {table}s that were written are missing"
        row = db.execute(f"SELECT hash FROM {table} WHERE seq = ?", (due,)).fetchone()
        if due and row != (digest,):
            return f"{table} {due} is not the one that was written"
    return None


@dataclass(frozen=True, slots=True)
class _Salvage:
    """What a fresh journal takes over from a damaged one."""

    state: SavedState | None = None
    requests: tuple[tuple[Any, ...], ...] = ()


def _salvage(path: Path) -> _Salvage:
    """The state of a damaged journal, if it can be read and is as it was written, and the answers that
    those who ask again must get."""
    broken = sqlite3.Error, OSError, ValueError, TypeError
    try:
        if _header(path) is None:
            return _Salvage()
        with closing(_plug(path, "ro")) as db:
            if (state := _state(db)) is None:
                return _Salvage()
            requests: list[tuple[Any, ...]] = []
            with suppress(*broken):
                before = None
                for *one, digest in db.execute(
                    f"SELECT {_CHAINED['request']}, hash FROM request WHERE at >= ? ORDER BY seq",
                    (state.at - SALVAGE_ANSWERS,),
                ):
                    if before is None:
                        before = _digest_before(db, "request", one[0])
                    if digest == _digest(before, tuple(one)):
                        requests.append(tuple(one[1:]))
                    before = digest
            return _Salvage(state, tuple(requests))
    except broken:
        return _Salvage()


@contextmanager
def _time_limit(db: sqlite3.Connection, seconds: float) -> Iterator[threading.Event]:
    """Interrupt what `db` does after so long, and set the event.

    By a timer: the progress handler is not called inside a check of SQLite 3.40.
    """
    late = threading.Event()

    def stop() -> None:
        late.set()
        db.interrupt()

    timer = threading.Timer(seconds, stop)
    timer.daemon = True
    timer.start()
    try:
        yield late
    finally:
        timer.cancel()
        timer.join()  # it must not come to a closed connection


@dataclass(frozen=True, slots=True)
class _Header:
    """What the first bytes of the file say, which is read without SQLite's touching it."""

    application: int
    version: int
    formats: bytes


def _header(path: Path) -> _Header | None:
    """None where it is not a database at all.

    Offsets 0, 18, 60 and 68 of the file, big-endian: "Database File Format", section 1.3, sqlite.org.
    """
    with path.open("rb") as file:
        head = file.read(100)
    if len(head) < 100 or not head.startswith(b"SQLite format 3\0"):
        return None
    return _Header(
        int.from_bytes(head[68:72], "big"), int.from_bytes(head[60:64], "big"), head[18:20]
    )


def _version(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def _refuse_version(path: Path, version: int, *, oldest: int, head: _Head | None = None) -> None:
    """Raises JournalError for a version that is not for us, ValueError for one that the small file
    tells to be a damaged one."""
    if oldest <= version <= len(MIGRATIONS):
        return
    if head is not None and head.schema != version:
        raise ValueError("its first page is not as it was written")
    if version > len(MIGRATIONS):
        raise JournalError(
            f"{path} has schema {version}, this hotbed knows up to {len(MIGRATIONS)}: install the"
            " version of hotbed that wrote it, or a later one"
        )
    if version < 1:
        raise JournalError(
            f"{path} has schema {version}, which no hotbed wrote: move it away, or put a backup in"
            " its place"
        )
    if version < oldest:
        raise JournalError(
            f"{path} has schema {version}, this hotbed reads {oldest}: start the daemon once, which"
            " brings it up to date"
        )


def replace_by(path: Path, fresh: Path, now_utc: float) -> Path | None:
    """Put the journal `fresh` in the place of the one at `path`; where that was put, None where there
    was none. The lock must be held (`hold`)."""
    there = any(beside(path, side).exists() for side in SIDES)
    aside = _aside(path, now_utc, "replaced")
    _move(path, aside, fresh)
    return aside if there else None


def hold(path: Path) -> int:
    """Hold the lock of the folder of the journal at `path`, which ends with the process however it
    ends; a file handle, to close. Raises JournalError when a daemon has it."""
    try:
        try:
            lock = os.open(beside(path, ".lock"), os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            if error.errno != errno.EROFS:
                raise
            lock = os.open(beside(path, ".lock"), os.O_RDONLY)
    except OSError as error:
        raise JournalError(
            f"{path.parent}: the state folder cannot be written ({error.strerror}): it must exist"
            " and belong to the user that runs hotbed"
        ) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        pid = os.read(lock, 20).decode(errors="replace").strip() or "unknown"
        os.close(lock)
        raise JournalError(
            f"another hotbed runs on this state folder (pid {pid}): stop it first, or choose"
            f" another folder than {path.parent}"
        ) from error
    with suppress(OSError):  # only for the message above
        os.ftruncate(lock, 0)
        os.write(lock, str(os.getpid()).encode())
    return lock


def beside(path: Path, suffix: str) -> Path:
    """The file of that name with something added to it."""
    return path.with_name(path.name + suffix)


def sync_folder(folder: Path) -> None:
    """Make a rename durable: fsync(2), "NOTES": the directory needs one of its own."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


# errors


_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
#: What is no fault of the file's content.
_ELSEWHERE = frozenset(
    {
        sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL, sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_NOMEM,
    }
)  # fmt: skip
_REASONS = {
    sqlite3.SQLITE_FULL: "disk full; make room on it",
    sqlite3.SQLITE_READONLY: "it is read-only; check the disk, its mount and the file's owner",
    sqlite3.SQLITE_BUSY: "another program has it locked; close that program",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened; check the file's owner and permissions",
    sqlite3.SQLITE_IOERR: "the disk fails; check or replace it",
    **dict.fromkeys(_DAMAGED, "the file is damaged; restart hotbed, which sets it aside"),
}


_SHORT = "the disk is full: what is asked and switched is still written, readings wait; make room"
#: Texts of steps longer than this are compressed, and kept once.
_LONG = 400


def _refused(path: Path, error: Exception) -> bool:
    """Whether the disk refuses to be written, being full or read-only: SQLite has several words for it
    when it can't make a file."""
    if _no_room(error) or (isinstance(error, OSError) and error.errno == errno.EROFS):
        return True
    if _is_read_only(path.parent):
        return True
    return _no_files(error) and _is_full(path.parent)


def _no_files(error: Exception) -> bool:
    """What SQLite says when it can't make its log or the index of that."""
    return _primary(error) in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN)


def _no_room(error: Exception) -> bool:
    return _primary(error) == sqlite3.SQLITE_FULL or (
        isinstance(error, OSError) and error.errno == errno.ENOSPC
    )


def _is_damage(error: BaseException) -> bool:
    """Whether it tells of a damaged file. Python can't read SQLite's words on one whose schema is no
    UTF-8 any more, so that UnicodeDecodeError takes their place."""
    return _primary(error) in _DAMAGED or isinstance(error, UnicodeDecodeError)


def _said(error: Exception) -> str:
    if isinstance(error, UnicodeDecodeError):
        return "text in it is no UTF-8"
    return str(error) or type(error).__name__


def _primary(error: BaseException) -> int:
    """SQLite's primary result code: the low byte ("Result and Error Codes", sqlite.org)."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF


def _reason(error: Exception, path: Path | None = None) -> str:
    """In words. path: of the journal, by whose disk it is told what keeps SQLite from making files."""
    if path is not None and (_no_files(error) or isinstance(error, OSError)):
        if _is_read_only(path.parent):
            return _REASONS[sqlite3.SQLITE_READONLY]
        if _is_full(path.parent):
            return _REASONS[sqlite3.SQLITE_FULL]
    if isinstance(error, OSError):
        return error.strerror or str(error)
    known = _REASONS.get(_primary(error))
    return f"{known} ({error})" if known else _said(error)


@contextmanager
def _telling(what: str, *, read: bool = False) -> Iterator[None]:
    """read: what does not fit the schema tells of damage too."""
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        raise JournalError(f"{what}: {_reason(error)}") from error
    except (ValueError, TypeError, KeyError, zlib.error) as error:
        if not read:
            raise
        raise JournalError(f"{what}: the file is damaged ({_said(error)})") from error


def _sure_future() -> Future[Any]:
    """A future whose waiter may be cancelled, and it not."""
    future: Future[Any] = Future()
    future.set_running_or_notify_cancel()
    return future


# rows, made at the door: one that cannot be stored is refused there, and cannot block the rest


def _plain(text: str) -> str:
    """Text as UTF-8 can hold it: a lone surrogate becomes its escape, for no fact is worth less."""
    return text.encode("utf-8", "backslashreplace").decode()


def _maybe(text: str | None) -> str | None:
    return None if text is None else _plain(text)


def _finite(what: str, *times: float) -> None:
    for value in times:
        if not math.isfinite(value):
            raise ValueError(f"{what}: {value} is not a time")


def _event_row(event: Event) -> tuple[Any, ...]:
    _finite(f"event {event.kind!r}", event.at)
    try:
        data = json.dumps(dict(event.data), allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError, RecursionError) as error:
        raise ValueError(f"event {event.kind!r}: its data is not JSON: {error}") from error
    return (
        float(event.at),  # as the column would have it
        _plain(event.kind),
        _plain(event.text),
        _maybe(event.bench),
        _maybe(event.batch),
        _maybe(event.by),
        data,
    )


def _tick_rows(tick: TickRow) -> _Tick:
    _finite("tick", tick.at, tick.mono)
    readings = []
    for probe, reading in tick.readings.items():
        value = reading.value
        if math.isnan(reading.at):
            raise ValueError(f"reading of {probe}: {reading.at} is not a time")
        if value is not None and math.isnan(value):
            value = None  # as the column would have it
        readings.append((_plain(probe), value, reading.quality.value, reading.at))
    return _Tick((tick.at, tick.mono, tick.trusted, tick.told), readings, tick.steps)


def _request_row(request: RequestRow | None) -> tuple[Any, ...] | None:
    if request is None:
        return None
    _finite(f"request {request.id!r}", request.at)
    return (
        _plain(request.id),
        float(request.at),
        _plain(request.kind),
        _maybe(request.by),
        _plain(request.body),
        int(request.ok),
        _plain(request.answer),
    )


def _add_events(db: sqlite3.Connection, head: _Head, rows: Collection[tuple[Any, ...]]) -> _Head:
    """Write events' rows, to be told; where the chains end with them."""
    event, events = head.event, []
    for seq, row in enumerate(rows, head.events + 1):
        event = _digest(event, (seq, *row))
        events.append((seq, *row, event))
    db.executemany(
        f"INSERT INTO event ({_CHAINED['event']}, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", events
    )
    db.executemany("INSERT INTO outbox VALUES (?)", ((seq,) for seq, *_ in events))
    return replace(head, events=head.events + len(events), event=event)


def _add_request(db: sqlite3.Connection, head: _Head, row: tuple[Any, ...]) -> _Head:
    """Write a request's row; where the chains end with it. Raises DuplicateRequestError."""
    seq = head.requests + 1
    digest = _digest(head.request, (seq, *row))
    try:
        db.execute(
            f"INSERT INTO request ({_CHAINED['request']}, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (seq, *row, digest),
        )
    except sqlite3.IntegrityError as error:
        raise DuplicateRequestError(f"request {row[0]!r} was already answered") from error
    return replace(head, requests=seq, request=digest)


def _state_row(state: SavedState | None) -> tuple[Any, ...] | None:
    if state is None:
        return None
    _finite("state", state.at, state.mono)
    return _plain(state.body), float(state.at), float(state.mono), _plain(state.boot)


def _put_state(db: sqlite3.Connection, row: tuple[Any, ...] | None) -> None:
    if row is not None:
        body, *when = row
        db.execute(
            "REPLACE INTO state VALUES (1, ?, ?, ?, ?, ?)",
            (zlib.compress(body.encode()), *when, _digest(b"", row)),
        )


def _state(db: sqlite3.Connection) -> SavedState | None:
    """The saved state. Raises ValueError where it is not as it was written."""
    saved = db.execute("SELECT body, at, mono, boot, hash FROM state").fetchone()
    if saved is None:
        return None
    packed, *when, digest = saved
    with suppress(zlib.error, UnicodeDecodeError):
        body = zlib.decompress(packed).decode()
        if digest == _digest(b"", (body, *when)):
            return SavedState(body, *when)
    raise ValueError("the saved state is not as it was written")
