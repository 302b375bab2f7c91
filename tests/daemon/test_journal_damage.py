"""Whatever happens to a journal's bytes, it is opened with all that was acknowledged, or set aside whole.

Bits flipped, files cut short, bytes written over or slid: in the file, in the write-ahead log, or in
both. For longer: `HOTBED_FUZZ=2000 pytest tests/daemon/test_journal_damage.py`.
"""

# A test may block its own event loop.
# ruff: noqa: ASYNC240, PT017

from __future__ import annotations

import asyncio
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon import journal as module
from daemon import journal_file as files
from daemon.events import Event
from daemon.journal import (
    Journal,
    JournalError,
    RequestRow,
    SavedState,
    TickRow,
    read_events,
    read_ticks,
)
from drivers.protocols import Quality, Reading

NOW = 1_776_000_000.0
MORE = int(os.environ.get("HOTBED_FUZZ", "0"))
ASKED = 30
#: The files that damage comes to.
FILES = ("", "-wal")


def fuzzed(examples: int) -> Callable[[Callable[..., None]], Callable[..., None]]:
    return settings(
        max_examples=MORE or examples,
        deadline=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    )


async def fill(journal: Journal, first: int, last: int) -> None:
    for n in range(first, last):
        reading = Reading(20 + n / 16, Quality.OK, n)
        journal.note(
            ticks=[TickRow(NOW + n, n, {"a": reading}, steps=(("memory", f"m{n} " * 200),))],
            events=[Event(NOW + n, "advisory", f"noted {n}", "bänk", data={"n": n})],
        )
        await journal.commit(
            events=[Event(NOW + n, "request", f"asked {n} " + "." * (97 * n % 800))],
            request=RequestRow(str(n), NOW + n, "keep", "Ines", "{}", True, f'{{"n":{n}}}'),
            state=SavedState(f'{{"n":{n}}}', NOW + n, n, "boot"),
        )


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal as the power leaves it: half of it folded into the file, half in the log."""
    folder = tmp_path_factory.mktemp("sound")

    async def make() -> None:
        journal = Journal.open(folder / "live.db", NOW)
        await fill(journal, 0, ASKED // 2)
        journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        await fill(journal, ASKED // 2, ASKED)
        for side in ("", "-wal", "-head"):
            shutil.copy(
                files.beside(folder / "live.db", side), files.beside(folder / "journal.db", side)
            )
        await journal.close()

    asyncio.run(make())
    return folder / "journal.db"


@dataclass(frozen=True)
class Harm:
    """what: flip a bit, cut the file there, write over it, or slide what follows. Where: a part of
    the file."""

    file: str
    what: str
    where: float
    data: bytes

    def do(self, content: bytes) -> bytes:
        at = int(self.where * len(content))
        changed = bytearray(content)
        if self.what == "flip":
            changed[at] ^= 1 << self.data[0] % 8
        elif self.what == "cut":
            del changed[at:]
        elif self.what == "over":
            changed[at : at + len(self.data)] = self.data
        elif self.what == "slide":
            changed[at:at] = self.data
        else:  # a part of the file from elsewhere in it, whole sectors
            there = int(self.where * 7919) % max(1, len(content) // 512) * 512
            at = at // 512 * 512
            changed[at : at + 512] = content[there : there + 512]
        return bytes(changed)


# Much of what matters is in the first bytes of the file and of each page.
places = st.floats(0, 1, exclude_max=True) | st.integers(0, 99).map(lambda n: n / 100_000)
harms = st.builds(
    Harm,
    st.sampled_from(FILES),
    st.sampled_from(("flip", "cut", "over", "slide", "swap")),
    places,
    st.binary(min_size=1, max_size=200),
)


async def check(sound: Path, folder: Path, harmed: list[Harm], *, head: bool = True) -> str:
    """Do this harm to a copy, open it; what came of it."""
    path = folder / "journal.db"
    content = {side: files.beside(sound, side).read_bytes() for side in FILES}
    for one in harmed:
        if content[one.file]:
            content[one.file] = one.do(content[one.file])
    for side in FILES:
        files.beside(path, side).write_bytes(content[side])
    if head:
        shutil.copy(files.beside(sound, "-head"), files.beside(path, "-head"))
    try:
        journal = Journal.open(path, NOW)
    except JournalError as error:
        assert not head, error  # with it, ours is always known for ours
        assert "another program" in str(error) or "schema" in str(error), error
        assert path.read_bytes() == content[""]
        return "refused"
    try:
        await journal.commit(events=[Event(NOW, "daemon", "started")])
        assert journal.trouble is None
        requests = {str(n): journal.answer_to(str(n)) for n in range(ASKED)}
        saved = journal.saved_state()
        told = [one.text for one in read_events(path, limit=None)]
        aside = journal.set_aside
        if aside is None:
            assert told == [*(one.text for one in read_events(sound, limit=None)), "started"]
            assert requests == {str(n): f'{{"n":{n}}}' for n in range(ASKED)}
            assert saved == SavedState(f'{{"n":{ASKED - 1}}}', NOW + ASKED - 1, ASKED - 1, "boot")
            return "kept"
        assert journal.damage
        assert told[0].startswith("the journal was damaged (")
        for side in FILES:
            assert files.beside(aside, side).read_bytes() == content[side], side
        # What was taken over is as it was written, and goes together.
        if saved is not None:
            assert saved.body in {f'{{"n":{n}}}' for n in range(ASKED)}
        assert all(one in (None, f'{{"n":{n}}}') for n, one in requests.items())
        assert files.verify(path) is None
        return "set aside"
    finally:
        await journal.close()


def fuzz(sound: Path, harmed: list[Harm], **more: Any) -> str:
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(check(sound, Path(folder), harmed, **more))


@given(harmed=st.lists(harms, min_size=1, max_size=4))
@fuzzed(25)
def test_no_damage_loses_what_was_acknowledged_without_a_word(
    sound: Path, harmed: list[Harm]
) -> None:
    fuzz(sound, harmed)


@given(harmed=st.lists(harms, min_size=1, max_size=2))
@fuzzed(10)
def test_without_the_small_file_it_is_still_opened_set_aside_or_refused_in_words(
    sound: Path, harmed: list[Harm]
) -> None:
    """What is lost at the end of the log can't be noticed then; all else is."""
    with pytest.MonkeyPatch.context() as patch:
        if any(one.file == "-wal" for one in harmed):
            patch.setattr(Harm, "do", lambda self, content: content)
        fuzz(sound, harmed, head=False)


# --- what the fuzzing found --------------------------------------------------------------------------


def written_over(path: Path, find: bytes, put: bytes) -> None:
    content = path.read_bytes()
    assert find in content
    path.write_bytes(content.replace(find, put, 1))


def spoil_schema(path: Path) -> None:
    """SQLite's own words on it are no UTF-8 then, and Python's are another error."""
    written_over(path, b"CREATE TABLE tick", b"CREATE T\xff\xfeLE tick")


def spoil_write_version(path: Path) -> None:
    """SQLite opens such a file, to be read only ("Database File Format", section 1.3.3)."""
    content = bytearray(path.read_bytes())
    content[18] = 7
    path.write_bytes(content)


def spoil_application(path: Path) -> None:
    written_over(path, b"hotb", b"cold")


def spoil_version(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[60:64] = b"\0\0\0\x63"
    path.write_bytes(content)


@pytest.mark.parametrize(
    "spoil", [spoil_schema, spoil_write_version, spoil_application, spoil_version]
)
async def test_a_spoilt_first_page_is_noticed_and_not_taken_for_another_s(
    sound: Path, tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    path = tmp_path / "journal.db"
    for side in ("", "-head"):
        shutil.copy(files.beside(sound, side), files.beside(path, side))
    spoil(path)
    with suppress(JournalError):  # a watcher reads what can be read of it, or is told
        read_ticks(path)
    journal = Journal.open(path, NOW)
    await journal.close()
    assert journal.damage
    assert journal.set_aside


async def test_a_start_that_dies_while_it_sets_a_journal_aside_is_made_good_by_the_next(
    sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At whichever renaming: the damage, or the journal that tells of it, is there afterwards."""
    renamed = Path.rename
    for last in range(5):
        path = tmp_path / str(last) / "journal.db"
        path.parent.mkdir()
        for side in ("", "-wal", "-head"):
            shutil.copy(files.beside(sound, side), files.beside(path, side))
        written_over(files.beside(path, "-wal"), b"asked 20", b"asked zz")
        left = [last]

        def dying(self: Path, target: Path, left: list[int] = left) -> Path:
            if not left[0]:
                raise KeyboardInterrupt
            left[0] -= 1
            return renamed(self, target)

        with monkeypatch.context() as patch:
            patch.setattr(Path, "rename", dying)
            with pytest.raises(KeyboardInterrupt):
                Journal.open(path, NOW)
        journal = Journal.open(path, NOW + 60)
        told = journal.events()
        await journal.close()
        assert told[0].text.startswith("the journal was damaged (")
        # nothing of it is gone
        asides = [one for one in path.parent.iterdir() if ".damaged-" in one.name]
        assert any(b"asked zz" in one.read_bytes() for one in asides)
        assert any(one.read_bytes() == sound.read_bytes() for one in asides)


async def test_damage_that_a_write_meets_is_set_aside_then_and_the_notes_go_into_the_fresh_one(
    tmp_path: Path,
) -> None:
    path = tmp_path / "journal.db"
    journal = Journal.open(path, NOW)
    await fill(journal, 0, ASKED)
    journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    whole = path.read_bytes()
    path.write_bytes(whole[:4096] + b"\xa5" * (len(whole) - 4096))
    with closing(sqlite3.connect(path)) as other:  # so that nothing is taken from memory
        other.execute(f"PRAGMA user_version = {len(files.MIGRATIONS)}")
    harmed = path.read_bytes()
    journal.note(events=[Event(NOW, "advisory", "noted")])
    assert await journal.commit(
        events=[Event(NOW, "request", "asked")], state=SavedState("{}", NOW, 1, "boot")
    ) == [3]
    assert journal.trouble is None
    assert journal.set_aside
    assert journal.set_aside.read_bytes()[4096:] == harmed[4096:]
    notice, *rest = [one.text for one in journal.events()]
    assert rest == ["noted", "asked"]
    assert f"it was set aside as {journal.set_aside.name}" in notice
    await fill(journal, 0, 5)
    await journal.close()
    again = Journal.open(path, NOW)
    assert again.set_aside is None
    await again.close()
    assert files.verify(path) is None


async def test_damage_that_pruning_meets_is_set_aside_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "PRUNE_EVERY", 0.0)
    path = tmp_path / "journal.db"
    journal = Journal.open(path, NOW)
    await fill(journal, 0, 5)
    (root,) = journal._db.execute(
        "SELECT rootpage FROM sqlite_master WHERE name = 'tick'"
    ).fetchone()
    journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with path.open("r+b") as file:
        file.seek((root - 1) * files.PAGE)
        file.write(b"\xa5" * files.PAGE)
    with closing(sqlite3.connect(path)) as other:  # so that nothing is taken from memory
        other.execute(f"PRAGMA user_version = {len(files.MIGRATIONS)}")
    # An event alone goes into tables that are whole.
    await journal.commit(events=[Event(NOW, "request", "asked")])
    await journal.commit(events=[Event(NOW, "request", "and again")])
    assert journal.set_aside
    told = [one.text for one in journal.events()]
    assert told[0].startswith("the journal was damaged (")
    assert "and again" in told
    await journal.close()
    assert files.verify(path) is None
