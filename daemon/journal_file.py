"""The journal's file: its schema, opening it whatever state it is in, and what may be wrong with it.

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

import errno
import fcntl
import hashlib
import itertools
import json
import math
import os
import secrets
import shutil
import sqlite3
import struct
import threading
import zlib
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import astuple, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from daemon.events import Event
from drivers.protocols import Reading

#: Marks a file as a hotbed journal ("hotb"), in the field SQLite's file format keeps for that.
APPLICATION_ID = 0x686F7462
#: How long a lock that another program holds is waited for [s].
BUSY_SECONDS = 5.0
#: How long a start may spend on looking for damage [s]; years of history are not all looked at.
CHECK_SECONDS = 0.5
#: The write-ahead log is folded in at about this size [bytes], and cut back to it when a slow reader had
#: made it grow.
WAL_KEPT = 4 << 20
#: Pages of a fresh journal [bytes]. A commit touches some fifteen, a few rows in each: small ones halve
#: what a day has the disk write (`tests/benchmarks/disk.py`).
PAGE = 1024
#: How many pages a connection keeps at hand [bytes]; left alone SQLite takes 2 MB, bit by bit over hours.
CACHE = 256 << 10
#: The file, its write-ahead log and that log's index, and how far it had come: they belong together.
SIDES = ("", "-wal", "-shm", "-head")
#: How many of the newest events and requests a start goes through, digest by digest.
CHECK_ROWS = 5000
#: Answers to requests of so long ago [s] are taken over from a damaged journal: no older asker asks on.
SALVAGE_ANSWERS = 2 * 3600.0
#: Room kept on the disk for the last words when it is full [bytes], and how much must be free before it
#: is taken again.
BALLAST, ROOMY = 1 << 20, 4 << 20


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
    put_state(db, old)


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


def content_digest(packed: bytes) -> bytes:
    return hashlib.blake2b(packed, digest_size=_DIGEST).digest()


@dataclass(frozen=True, slots=True)
class Head:
    """How far a journal has come: its schema, its origin, the numbers and digests of its newest rows."""

    schema: int
    origin: bytes
    events: int = 0
    event: bytes = b""
    requests: int = 0
    request: bytes = b""

    @classmethod
    def of(cls, db: sqlite3.Connection) -> Head:
        """As the journal itself has it."""
        (origin,) = db.execute("SELECT id FROM origin").fetchone()
        ends = [
            db.execute(f"SELECT seq, hash FROM {table} ORDER BY seq DESC LIMIT 1").fetchone()
            or (0, origin)
            for table in _CHAINED
        ]
        return cls(_version(db), origin, *ends[0], *ends[1])


class HeadFile:
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

    def read(self) -> Head | None:
        """The newer of the records that are whole, None where there is none."""
        try:
            content = self.path.read_bytes()
        except OSError:
            return None
        newest: tuple[int, Head] | None = None
        for start in (0, self.APART):
            record = content[start : start + self.RECORD.size]
            check = content[start + self.RECORD.size :][:_DIGEST]
            if len(record) == self.RECORD.size and self._check(record) == check:
                mark, turn, *head = self.RECORD.unpack(record)
                if mark == self.MARK and (newest is None or turn > newest[0]):
                    newest = turn, Head(*head)
        if newest is None:
            return None
        self._turn = newest[0]
        return newest[1]

    def write(self, head: Head, *, sync: bool) -> None:
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


class Ballast:
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
            return in_words(error)


@contextmanager
def reader(path: Path) -> Iterator[sqlite3.Connection]:
    """A read-only connection for one query. A reader left open would grow the log without bound.

    Raises JournalError as `read_events` does.
    """
    with telling(f"{path}: the journal cannot be read", read=True):
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
    db = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}",
        uri=True,
        timeout=BUSY_SECONDS,
        isolation_level=None,  # transactions are begun and ended in so many words
        check_same_thread=False,  # opened by the caller, then used by the writer alone
    )
    try:
        db.execute(f"PRAGMA cache_size = -{CACHE // 1024}")
    except BaseException:  # it reads the file's schema, which may be damaged
        db.close()
        raise
    return db


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
class Opened:
    """An open journal file. damage, aside: what was wrong with the one before, and where it is now."""

    db: sqlite3.Connection
    head: Head
    damage: str | None = None
    aside: Path | None = None


def open_file(path: Path, now_utc: float, damage: str | None = None) -> Opened:
    """Open the journal, make one, or set a damaged one aside and begin anew; on a full disk with the
    room of the ballast. damage: what is known to be wrong with it.

    Raises JournalError, and sqlite3.Error and OSError when it can't be.
    """
    try:
        if damage is None and (damage := find_damage(path)) is None:
            try:
                if not path.exists():
                    _create(path)
                return Opened(*_ready(path))
            except (sqlite3.Error, ValueError) as error:
                if not is_damage(error):
                    raise
                damage = in_words(error)
        aside = _begin_anew(path, now_utc, damage)
        return Opened(*_ready(path), damage, aside)
    except (sqlite3.Error, OSError) as error:
        if refused(path, error) and Ballast(beside(path, ".ballast")).give_up():
            return open_file(path, now_utc, damage)
        raise


def _ready(path: Path) -> tuple[sqlite3.Connection, Head]:
    """A connection to write by, at today's schema, and how far the journal has come."""
    db = _connect(path, "rw")
    try:
        _migrate(path, db)
        # On a file that can only be read the WAL pragma and BEGIN IMMEDIATE succeed all the same.
        db.execute("BEGIN IMMEDIATE")
        db.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        db.execute("ROLLBACK")
        return db, Head.of(db)
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
        head = Head.of(db)
        if salvage is not None:
            for row in salvage.requests:
                head = add_request(db, head, row)
            put_state(db, state_row(salvage.state))
        if notice is not None:
            add_events(db, head, [event_row(notice)])
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
    _make(fresh, salvage, Event(now_utc, "daemon", plain(text)))
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
        if is_damage(error):
            raise
        raise JournalError(
            f"{path}: the journal could not be brought from schema {version} to"
            f" {len(MIGRATIONS)} and was left as it was: {reason(error)}"
        ) from error


def find_damage(path: Path) -> str | None:
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
    head = HeadFile(beside(path, "-head")).read()  # another's file has none
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
        return in_words(
            error
        )  # a table that is not there, a text that is none: it is our own schema


def _looked_through(path: Path, head: Head | None) -> str | None:
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
    read_state(db)
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


def _behind(db: sqlite3.Connection, head: Head | None) -> str | None:
    """What is missing of what the small file says was written."""
    here = Head.of(db)
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
            if (state := read_state(db)) is None:
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


def _refuse_version(path: Path, version: int, *, oldest: int, head: Head | None = None) -> None:
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


def refused(path: Path, error: Exception) -> bool:
    """Whether the disk refuses to be written, being full or read-only: SQLite has several words for it
    when it can't make a file."""
    if no_room(error) or (isinstance(error, OSError) and error.errno == errno.EROFS):
        return True
    if _is_read_only(path.parent):
        return True
    return _no_files(error) and _is_full(path.parent)


def _no_files(error: Exception) -> bool:
    """What SQLite says when it can't make its log or the index of that."""
    return _primary(error) in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN)


def no_room(error: Exception) -> bool:
    return _primary(error) == sqlite3.SQLITE_FULL or (
        isinstance(error, OSError) and error.errno == errno.ENOSPC
    )


def is_damage(error: BaseException) -> bool:
    """Whether it tells of a damaged file. Python can't read SQLite's words on one whose schema is no
    UTF-8 any more, so that UnicodeDecodeError takes their place."""
    return _primary(error) in _DAMAGED or isinstance(error, UnicodeDecodeError)


def in_words(error: Exception) -> str:
    if isinstance(error, UnicodeDecodeError):
        return "text in it is no UTF-8"
    return str(error) or type(error).__name__


def _primary(error: BaseException) -> int:
    """SQLite's primary result code: the low byte ("Result and Error Codes", sqlite.org)."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF


def reason(error: Exception, path: Path | None = None) -> str:
    """In words. path: of the journal, by whose disk it is told what keeps SQLite from making files."""
    if path is not None and (_no_files(error) or isinstance(error, OSError)):
        if _is_read_only(path.parent):
            return _REASONS[sqlite3.SQLITE_READONLY]
        if _is_full(path.parent):
            return _REASONS[sqlite3.SQLITE_FULL]
    if isinstance(error, OSError):
        return error.strerror or str(error)
    known = _REASONS.get(_primary(error))
    return f"{known} ({error})" if known else in_words(error)


@contextmanager
def telling(what: str, *, read: bool = False) -> Iterator[None]:
    """read: what does not fit the schema tells of damage too."""
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        raise JournalError(f"{what}: {reason(error)}") from error
    except (ValueError, TypeError, KeyError, zlib.error) as error:
        if not read:
            raise
        raise JournalError(f"{what}: the file is damaged ({in_words(error)})") from error


# rows, made at the door: one that cannot be stored is refused there, and cannot block the rest


def plain(text: str) -> str:
    """Text as UTF-8 can hold it: a lone surrogate becomes its escape, for no fact is worth less."""
    return text.encode("utf-8", "backslashreplace").decode()


def plain_or_none(text: str | None) -> str | None:
    return None if text is None else plain(text)


def check_times(what: str, *times: float) -> None:
    for value in times:
        if not math.isfinite(value):
            raise ValueError(f"{what}: {value} is not a time")


def event_row(event: Event) -> tuple[Any, ...]:
    check_times(f"event {event.kind!r}", event.at)
    try:
        data = json.dumps(dict(event.data), allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError, RecursionError) as error:
        raise ValueError(f"event {event.kind!r}: its data is not JSON: {error}") from error
    return (
        float(event.at),  # as the column would have it
        plain(event.kind),
        plain(event.text),
        plain_or_none(event.bench),
        plain_or_none(event.batch),
        plain_or_none(event.by),
        data,
    )


def request_row(request: RequestRow | None) -> tuple[Any, ...] | None:
    if request is None:
        return None
    check_times(f"request {request.id!r}", request.at)
    return (
        plain(request.id),
        float(request.at),
        plain(request.kind),
        plain_or_none(request.by),
        plain(request.body),
        int(request.ok),
        plain(request.answer),
    )


def add_events(db: sqlite3.Connection, head: Head, rows: Collection[tuple[Any, ...]]) -> Head:
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


def add_request(db: sqlite3.Connection, head: Head, row: tuple[Any, ...]) -> Head:
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


def state_row(state: SavedState | None) -> tuple[Any, ...] | None:
    if state is None:
        return None
    check_times("state", state.at, state.mono)
    return plain(state.body), float(state.at), float(state.mono), plain(state.boot)


def put_state(db: sqlite3.Connection, row: tuple[Any, ...] | None) -> None:
    if row is not None:
        body, *when = row
        db.execute(
            "REPLACE INTO state VALUES (1, ?, ?, ?, ?, ?)",
            (zlib.compress(body.encode()), *when, _digest(b"", row)),
        )


def read_state(db: sqlite3.Connection) -> SavedState | None:
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
