"""A copy of the journal in one file, made while the daemon runs, and putting it back.

The copy is made by SQLite's online backup ("SQLite Backup API", sqlite.org/backup.html) as one reading
transaction, which delays no writer. It is gone through whole before it takes its name, and a check
sum in the format of sha256sum(1) is put beside it, so that what a card or a stick has changed since is
noticed before it is put back.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from daemon.journal_file import (
    PAGE,
    JournalError,
    beside,
    hold,
    reader,
    replace_by,
    sync_folder,
    verify,
)

_CHUNK = 1 << 20


class BackupError(Exception):
    """A copy that cannot be made or put back: the message says why and how to mend it."""


@dataclass(frozen=True, slots=True)
class Copy:
    """What a copy holds.

    until: when its newest state held, POSIX seconds; None where there is none.
    replaced: where what stood in its place was put.
    """

    path: Path
    size: int
    sha256: str
    events: int
    requests: int
    until: float | None
    replaced: Path | None = None


def back_up(journal: Path, target: Path) -> Copy:
    """Copy the journal to `target`, whether or not a daemon runs on it, and check the copy.

    An older copy of that name is replaced, once the new one is whole; no other file is.

    Raises BackupError, and leaves `target` as it was.
    """
    if target.exists():
        if target.is_dir():
            raise BackupError(f"{target} is a folder: name the file that the copy goes to")
        if target.resolve().parent == journal.resolve().parent and target.name.startswith(
            journal.name
        ):
            raise BackupError(f"{target} belongs to the journal itself: name another file")
        with closing(_opened(target)):
            pass
    fresh = beside(target, ".new")
    try:
        fresh.unlink(missing_ok=True)
        with closing(sqlite3.connect(fresh)) as copy, reader(journal) as source:
            try:
                source.backup(copy)
                # one file, which needs no other beside it
                copy.execute("PRAGMA journal_mode = DELETE")
            except sqlite3.Error as error:
                raise BackupError(f"{target} cannot be written: {error}") from error
        _sync(fresh)
        if wrong := verify(fresh):
            raise BackupError(
                f"{journal} is damaged ({wrong}), so no copy is made of it; restart the daemon, which "
                "sets it aside"
            )
        digest = _sha256(fresh)
        fresh.replace(target)
        _sum_of(target).write_text(f"{digest}  {target.name}\n", encoding="utf-8")
        _sync(_sum_of(target))
        sync_folder(target.parent)
    except JournalError as error:
        raise BackupError(str(error)) from error
    except (OSError, sqlite3.Error) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise BackupError(f"{target} cannot be written: {why}") from error
    finally:
        with suppress(OSError):
            fresh.unlink(missing_ok=True)
    return _told(target, digest)


def restore(target: Path, journal: Path, now_utc: float) -> Copy:
    """Put a copy in the journal's place; what stood there is set aside under a name of its own.

    now_utc: POSIX seconds, for that name. Raises BackupError, and changes nothing, when the copy is
    damaged or none, or when a daemon runs on the journal.
    """
    if not target.exists():
        raise BackupError(f"there is no {target}")
    with closing(_opened(target)):
        pass
    try:
        digest = _sha256(target)
        noted = _sum_of(target)
        if noted.exists() and noted.read_text(encoding="utf-8").split()[:1] != [digest]:
            raise BackupError(
                f"{target} is not as it was written (its check sum is not that of {noted.name}): take "
                "an older copy"
            )
        if wrong := verify(target):
            raise BackupError(f"{target} is damaged ({wrong}): take an older copy")
        journal.parent.mkdir(parents=True, exist_ok=True)
        lock = hold(journal)
        fresh = beside(journal, ".new")
        try:
            _lay_out(target, fresh)
            _give(fresh, journal.parent)
            _give(beside(journal, ".lock"), journal.parent)
            _sync(fresh)
            replaced = replace_by(journal, fresh, now_utc)
        finally:
            with suppress(OSError):  # what came of it where the disk is full
                fresh.unlink(missing_ok=True)
            os.close(lock)
    except JournalError as error:
        raise BackupError(str(error)) from error
    except UnicodeDecodeError:
        raise BackupError(f"{_sum_of(target)} is no check sum: remove it, or the copy") from None
    except (OSError, sqlite3.Error) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise BackupError(f"{journal} cannot be written: {why}") from error
    return _told(target, digest, replaced)


def _lay_out(target: Path, fresh: Path) -> None:
    """Copy a copy, in pages of today's size: the larger ones of a journal that an early hotbed began have
    the disk write twice as much."""
    fresh.unlink(missing_ok=True)
    with closing(_opened(target)) as db:
        if db.execute("PRAGMA page_size").fetchone() == (PAGE,):
            shutil.copyfile(target, fresh)
            return
        db.execute(f"PRAGMA page_size = {PAGE}")
        db.execute("VACUUM INTO ?", (str(fresh),))
    if wrong := verify(fresh):
        raise BackupError(f"{fresh} is not as it was written ({wrong}): check the disk")


def _opened(path: Path) -> sqlite3.Connection:
    """A connection to what must be a copy. Raises BackupError."""
    try:
        with reader(path):
            return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    except JournalError as error:
        raise BackupError(str(error)) from error


def _told(path: Path, digest: str, replaced: Path | None = None) -> Copy:
    with closing(_opened(path)) as db:
        (events,) = db.execute("SELECT count(*) FROM event").fetchone()
        (requests,) = db.execute("SELECT count(*) FROM request").fetchone()
        saved = db.execute("SELECT at FROM state").fetchone()
    return Copy(path, path.stat().st_size, digest, events, requests, saved and saved[0], replaced)


def _sum_of(path: Path) -> Path:
    return beside(path, ".sha256")


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while part := file.read(_CHUNK):
            digest.update(part)
    return digest.hexdigest()


def _give(path: Path, like: Path) -> None:
    """Have a file belong to the owner of the folder, whom root puts it there for."""
    if os.geteuid() == 0:
        owner = like.stat()
        os.chown(path, owner.st_uid, owner.st_gid)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
