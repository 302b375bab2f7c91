"""What was acknowledged survives the loss of power at any instant.

kill -9 can't show this, for the system keeps what a dead process wrote. So a library laid over libc's own
writes (unsynced.c) tells every write and sync of a process; from that the test makes what the disk
would hold at any moment: all that was synced, and of the rest whatever it likes, for a disk may write in
any order until it is told to sync (fsync(2)).
"""

# A test may block its own event loop.

from __future__ import annotations

import asyncio
import os
import random
import shutil
import signal
import struct
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.journal import Journal, read_events
from daemon.journal_file import verify

ROOT = Path(__file__).parents[2]
WRITE, TRUNCATE, SYNC = 1, 2, 3
RECORD = struct.Struct("=IIQQ")
#: Writes are torn at this size, which a disk writes whole.
SECTOR = 512
COMMITS = 40

STREAM = """
import asyncio, os, sys
from pathlib import Path
from daemon.events import Event
from daemon.journal import Journal, RequestRow, SavedState, TickRow
from drivers.protocols import Quality, Reading

async def main(path, synchronous):
    acks = os.open(path.with_name("acks"), os.O_WRONLY | os.O_CREAT)
    journal = Journal.open(path, 0.0)
    journal._db.execute(f"PRAGMA synchronous = {synchronous}")
    journal._db.execute("PRAGMA wal_autocheckpoint = 60")
    for n in range(10**9):
        journal.note(
            events=[Event(n, "advisory", f"noted {n}")],
            ticks=[TickRow(n, n, {"a": Reading(20.0, Quality.OK, n)}, steps=(("x", "y" * n),))],
        )
        await journal.commit(
            events=[Event(n, "request", f"done {n}" + "." * (n * 37 % 3000))],
            request=RequestRow(str(n), n, "keep", None, "{}", True, str(n)),
            state=SavedState(str(n), n, n, "b"),
        )
        os.write(acks, b"%8d" % n)
        print(n, flush=True)

asyncio.run(main(Path(sys.argv[1]), sys.argv[2]))
"""


@dataclass(frozen=True)
class Operation:
    kind: int
    name: str
    offset: int
    data: bytes


def operations(log: Path) -> list[Operation]:
    """What the library told, in order."""
    content, at, found = log.read_bytes(), 0, []
    while at + RECORD.size <= len(content):
        kind, name, offset, size = RECORD.unpack_from(content, at)
        at += RECORD.size
        if at + name + size > len(content):
            break
        path = Path(os.fsdecode(content[at : at + name]))
        found.append(Operation(kind, path.name, offset, content[at + name : at + name + size]))
        at += name + size
    return found


def on_disk(before: Path, done: list[Operation], to: Path, chance: random.Random | None) -> None:
    """The folder as a disk may hold it when the power goes after these operations.

    chance: of what was not synced, which sectors got there all the same; None: none did.
    """
    files = {one.name: bytearray(one.read_bytes()) for one in before.iterdir()}
    synced = {one.name: n for n, one in enumerate(done) if one.kind == SYNC}
    for n, one in enumerate(done):
        file = files.setdefault(one.name, bytearray())
        sure = n < synced.get(one.name, -1)
        if one.kind == TRUNCATE and (sure or (chance is not None and chance.random() < 0.5)):
            del file[one.offset :]
        elif one.kind == WRITE:
            at = 0
            while at < len(one.data):
                end = min(len(one.data), (one.offset + at) // SECTOR * SECTOR + SECTOR - one.offset)
                if sure or (chance is not None and chance.random() < 0.5):
                    start = one.offset + at
                    file.extend(bytes(max(0, start + end - at - len(file))))
                    file[start : start + end - at] = one.data[at:end]
                at = end
    to.mkdir()
    for name, content in files.items():
        # the index of the log is shared memory, and is made anew
        if not name.endswith("-shm"):
            (to / name).write_bytes(content)


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None or not sys.platform.startswith("linux"):
        pytest.skip("needs a C compiler, and Linux")
    made = tmp_path_factory.mktemp("unsynced") / "unsynced.so"
    source = Path(__file__).with_name("unsynced.c")
    subprocess.run(
        [compiler, "-shared", "-fPIC", "-O1", "-o", made, source, "-ldl", "-lpthread"], check=True
    )
    return made


def stream(library: Path, folder: Path, synchronous: str) -> tuple[Path, list[Operation]]:
    """Commits in a process that is killed; the folder as it was before, and what was done to it."""
    state = folder / "state"
    state.mkdir()

    async def begin() -> None:
        await Journal.open(state / "journal.db", 0.0).close()

    asyncio.run(begin())
    before = Path(shutil.copytree(state, folder / "before"))
    child = subprocess.Popen(
        [sys.executable, "-c", STREAM, state / "journal.db", synchronous],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ
        | {
            "PYTHONPATH": str(ROOT),
            "LD_PRELOAD": str(library),
            "UNSYNCED_FOLDER": str(state),
            "UNSYNCED_LOG": str(folder / "log"),
        },
    )
    assert child.stdout
    with child.stdout:
        for _ in range(COMMITS):
            assert child.stdout.readline()
        child.send_signal(signal.SIGKILL)
        child.stdout.read()
    assert child.wait() == -signal.SIGKILL
    return before, operations(folder / "log")


def acknowledged(done: list[Operation]) -> list[int]:
    return [int(one.data) for one in done if one.name == "acks"]


async def there(path: Path) -> tuple[int, str | None]:
    """How many requests a start finds, from the first without a gap, and what damage it tells."""
    journal = Journal.open(path, 0.0)
    try:
        n = 0
        while journal.answer_to(str(n)) == str(n):
            n += 1
        saved = journal.saved_state()
        assert (saved and int(saved.body)) == (n - 1 if n else None)
        assert verify(path) is None
        assert len(read_events(path, kinds=["request"], limit=None)) == (
            n if journal.set_aside is None else 0
        )
        return n, journal.damage
    finally:
        await journal.close()


def test_what_was_acknowledged_survives_the_loss_of_power_at_any_instant(
    library: Path, tmp_path: Path
) -> None:
    before, done = stream(library, tmp_path, "FULL")
    acks = acknowledged(done)
    assert acks == list(range(len(acks)))
    assert len(acks) >= COMMITS
    assert any(one.name == "journal.db" and one.kind == WRITE for one in done), "no checkpoint"
    chance = random.Random(5)
    for n in range(60):
        until = done[: chance.randrange(1, len(done) + 1)]
        to = tmp_path / f"lost-{n}"
        on_disk(before, until, to, chance if n % 3 else None)
        found, damage = asyncio.run(there(to / "journal.db"))
        assert damage is None
        assert len(acknowledged(until)) <= found <= len(acknowledged(until)) + 1
        shutil.rmtree(to)


def test_without_syncs_the_same_test_finds_losses_and_the_journal_notices_them(
    library: Path, tmp_path: Path
) -> None:
    """synchronous = OFF: so it is known to be able to fail."""
    before, done = stream(library, tmp_path, "OFF")
    acks = len(acknowledged(done))
    on_disk(before, done, tmp_path / "lost", None)
    found, damage = asyncio.run(there(tmp_path / "lost" / "journal.db"))
    assert found < acks
    assert damage is not None
    assert "missing" in damage
