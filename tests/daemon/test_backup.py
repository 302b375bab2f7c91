"""A copy holds all that was on disk when it was made, goes back whole, and is refused when it is not."""

# A test may block its own event loop.
# ruff: noqa: ASYNC240

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import resource
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.app import JOURNAL
from daemon.backup import BackupError, back_up, restore
from daemon.cli import app
from daemon.events import Event
from daemon.journal import Journal, RequestRow, SavedState, TickRow, read_events
from daemon.journal_file import PAGE, verify
from drivers.protocols import Quality, Reading

NOW = 1_776_000_000.0  # 2026-04-12T13:20:00Z


def texts(path: Path) -> list[str]:
    return [one.text for one in read_events(path, limit=None)]


async def do(journal: Journal, n: int) -> None:
    journal.note(ticks=[TickRow(NOW + n, n, {"south/a": Reading(20.0, Quality.OK, n)})])
    await journal.commit(
        events=[Event(NOW + n, "request", f"asked {n}")],
        request=RequestRow(f"request-{n}", NOW + n, "keep", "Ines", "{}", True, str(n)),
        state=SavedState(str(n), NOW + n, n, "boot"),
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "state").mkdir()
    return tmp_path / "state"


@pytest.fixture
def copy(folder: Path, tmp_path: Path) -> Path:
    """A copy of a journal of five requests; the journal went on to six."""

    async def make() -> None:
        journal = Journal.open(folder / JOURNAL, NOW)
        for n in range(5):
            await do(journal, n)
        back_up(folder / JOURNAL, tmp_path / "copy.db")
        await do(journal, 5)
        await journal.close()

    asyncio.run(make())
    return tmp_path / "copy.db"


async def test_a_copy_made_under_a_stream_of_requests_holds_a_moment_whole(
    folder: Path, tmp_path: Path
) -> None:
    journal = Journal.open(folder / JOURNAL, NOW)
    done = 0

    async def stream() -> None:
        nonlocal done
        while True:
            await do(journal, done)
            done += 1

    asking = asyncio.create_task(stream())
    try:
        for n in range(8):
            before = done
            target = tmp_path / f"{n}.db"
            told = await asyncio.to_thread(back_up, folder / JOURNAL, target)
            assert before <= told.requests == told.events <= done + 1
            assert verify(target) is None
            assert texts(target) == [f"asked {n}" for n in range(told.events)]
            assert told.until == (NOW + told.events - 1 if told.events else None)
            assert told.sha256 == hashlib.sha256(target.read_bytes()).hexdigest()
            await asyncio.sleep(0.02)
    finally:
        asking.cancel()
    assert done > 8, "and nobody waited for it"
    await journal.close()
    assert {one.name for one in tmp_path.iterdir()} == {
        "state",
        *(f"{n}.db{end}" for n in range(8) for end in ("", ".sha256")),
    }


async def test_a_copy_put_back_goes_on_from_where_it_was_made(
    folder: Path, copy: Path, tmp_path: Path
) -> None:
    told = restore(copy, tmp_path / "new" / JOURNAL, NOW)
    assert (told.requests, told.replaced) == (5, None)
    journal = Journal.open(tmp_path / "new" / JOURNAL, NOW)
    assert journal.set_aside is None
    assert journal.saved_state() == SavedState("4", NOW + 4, 4.0, "boot")
    assert len(journal.readings("south/a", NOW, NOW + 99)) == 5
    await do(journal, 5)
    assert texts(journal.path) == [f"asked {n}" for n in range(6)]
    await journal.close()
    assert verify(journal.path) is None


async def test_what_stood_there_is_kept_and_a_newer_past_is_no_damage(
    folder: Path, copy: Path
) -> None:
    told = restore(copy, folder / JOURNAL, NOW)
    assert told.replaced == folder / f"{JOURNAL}.replaced-20260412T132000Z"
    assert texts(told.replaced) == [f"asked {n}" for n in range(6)]
    journal = Journal.open(folder / JOURNAL, NOW)
    assert journal.set_aside is None, "the small file of the one that stood there went with it"
    assert texts(folder / JOURNAL) == [f"asked {n}" for n in range(5)]
    await journal.close()


@pytest.fixture
def large(copy: Path, tmp_path: Path) -> Path:
    """The copy as a journal of an early hotbed leaves it, in larger pages."""
    larger = tmp_path / "large.db"
    with closing(sqlite3.connect(copy)) as db:
        db.execute("PRAGMA page_size = 4096")
        db.execute("VACUUM INTO ?", (str(larger),))
    return larger


def page_of(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        return int(db.execute("PRAGMA page_size").fetchone()[0])


async def test_large_pages_become_small_ones_where_a_copy_is_put_back(
    folder: Path, large: Path
) -> None:
    assert page_of(large) == 4096
    restore(large, folder / JOURNAL, NOW + 60)
    assert verify(folder / JOURNAL) is None
    assert page_of(folder / JOURNAL) == PAGE
    assert texts(folder / JOURNAL) == [f"asked {n}" for n in range(5)]
    journal = Journal.open(folder / JOURNAL, NOW + 60)
    assert journal.damage is None
    assert journal.answer_to("request-4") == "4"
    state = journal.saved_state()
    assert state is not None
    assert state.body == "4"
    await do(journal, 6)
    await journal.close()
    assert verify(folder / JOURNAL) is None


@pytest.mark.parametrize("room", [2_000, 20_000])
def test_without_room_for_small_pages_nothing_is_put_back(
    folder: Path, large: Path, room: int
) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, limits[1]))
    try:
        with pytest.raises(BackupError, match="cannot be written"):
            restore(large, folder / JOURNAL, NOW + 60)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    after = {path.name: path.read_bytes() for path in folder.iterdir()}
    del before[f"{JOURNAL}.lock"], after[f"{JOURNAL}.lock"]
    assert after == before
    assert page_of(restore(large, folder / JOURNAL, NOW + 61).path) == 4096
    assert page_of(folder / JOURNAL) == PAGE


async def test_nothing_is_put_back_under_a_running_daemon(folder: Path, copy: Path) -> None:
    journal = Journal.open(folder / JOURNAL, NOW)
    with pytest.raises(BackupError, match="another hotbed runs on this state folder"):
        restore(copy, folder / JOURNAL, NOW)
    assert texts(folder / JOURNAL) == [f"asked {n}" for n in range(6)]
    await do(journal, 6)
    await journal.close()
    assert [one.name for one in folder.iterdir() if "replaced" in one.name] == []


def flip(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 4
    path.write_bytes(content)


def alter(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE event SET text = 'other' WHERE seq = 2")
        db.commit()


def alter_unnoticed_by_the_sum(path: Path) -> None:
    alter(path)
    path.with_name("copy.db.sha256").unlink()


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5000])


def another(path: Path) -> None:
    path.write_bytes(b"a picture of a tray")


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        (flip, "check sum is not that of copy.db.sha256"),
        (alter, "check sum"),
        (alter_unnoticed_by_the_sum, "event 2 is not as it was written"),
        (cut, "check sum|damaged|malformed"),
        (another, "is not a hotbed journal"),
        (Path.unlink, "there is no"),
    ],
)
def test_a_copy_that_is_not_as_it_was_written_is_not_put_back(
    folder: Path, copy: Path, harm: Callable[[Path], None], said: str
) -> None:
    harm(copy)
    before = sorted(one.name for one in folder.iterdir())
    with pytest.raises(BackupError, match=said):
        restore(copy, folder / JOURNAL, NOW)
    assert sorted(one.name for one in folder.iterdir()) == before
    assert texts(folder / JOURNAL) == [f"asked {n}" for n in range(6)]


def test_no_copy_is_made_of_a_damaged_journal_and_the_old_copy_stays(
    folder: Path, copy: Path
) -> None:
    alter(folder / JOURNAL)
    before = copy.read_bytes()
    with pytest.raises(BackupError, match=r"is damaged \(event 2 is not as it was written\)"):
        back_up(folder / JOURNAL, copy)
    assert copy.read_bytes() == before
    assert not copy.with_name("copy.db.new").exists()


def test_only_an_older_copy_is_replaced(folder: Path, copy: Path, tmp_path: Path) -> None:
    assert back_up(folder / JOURNAL, copy).requests == 6
    letter = tmp_path / "letter.txt"
    letter.write_text("dear seedlings")
    for target, said in (
        (letter, "is not a hotbed journal"),
        (tmp_path, "is a folder"),
        (folder / JOURNAL, "belongs to the journal itself"),
        (tmp_path / "nowhere" / "copy.db", "cannot be written: "),
    ):
        with pytest.raises(BackupError, match=said):
            back_up(folder / JOURNAL, target)
    assert letter.read_text() == "dear seedlings"
    with pytest.raises(BackupError, match="no journal at"):
        back_up(tmp_path / "nowhere" / JOURNAL, tmp_path / "other.db")


def test_root_gives_what_it_puts_back_to_the_owner_of_the_folder(
    folder: Path, copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[tuple[str, int, int]] = []
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(os, "chown", lambda path, u, g: given.append((path.name, u, g)))
    restore(copy, folder / JOURNAL, NOW)
    owner = folder.stat()
    ids = owner.st_uid, owner.st_gid
    assert given == [(f"{JOURNAL}.new", *ids), (f"{JOURNAL}.lock", *ids)]


def test_the_command_copies_and_puts_back(folder: Path, tmp_path: Path, copy: Path) -> None:
    run = CliRunner().invoke
    target = tmp_path / "by-command.db"
    done = run(app, ["backup", str(target), "--state", str(folder), "--json"])
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["result"]["requests"] == 6
    done = run(app, ["backup", str(target), "--restore", "--state", str(folder)])
    assert done.exit_code == 0, done.output
    assert "Put back, and checked whole: 6 events and 6 requests" in done.output
    assert "What stood there is kept as journal.db.replaced-" in done.output
    assert run(app, ["backup", str(target), "--restore"]).exit_code == 2
    assert run(app, ["backup", str(tmp_path), "--state", str(folder)]).exit_code in (1, 2)
    flip(target)
    done = run(app, ["backup", str(target), "--restore", "--state", str(folder)])
    assert done.exit_code == 1
    assert "take an older copy" in done.output
