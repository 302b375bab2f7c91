"""On a disk that is really full, or really read-only, from the start or on the way.

Each test runs in a child that has a small disk of its own, a tmpfs in a name space of its own
(unshare(1)), where the machine lets it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

COMMON = """
import asyncio, os, subprocess, sys
from pathlib import Path
from daemon import journal as module
from daemon.events import Event
from daemon.journal import *
from daemon.journal_file import beside, verify
from drivers.protocols import Quality, Reading

DISK = Path(sys.argv[1])
PATH = DISK / "journal.db"
NOW = 1_776_000_000.0
module.RETRY_FIRST = module.RETRY_MOST = 0.02

def mount(*options):
    subprocess.run(["mount", *options, DISK], check=True)

def fill():
    with (DISK / "filling").open("ab", buffering=0) as file:
        for size in (65536, 4096, 1):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                pass

def state(n):
    return SavedState(f'{{"n":{n}}}', NOW + n, n, "boot")

async def ask(journal, n):
    await journal.commit(
        events=[Event(NOW + n, "request", f"asked {n}")],
        request=RequestRow(str(n), NOW + n, "keep", "Ines", "{}", True, str(n)),
        state=state(n),
    )

def note(journal, n):
    reading = Reading(20.0, Quality.OK, n)
    journal.note(ticks=[TickRow(NOW + n, n, {"a": reading})], events=[Event(NOW + n, "x", f"noted {n}")])

async def until(holds):
    async with asyncio.timeout(10):
        while not holds():
            await asyncio.sleep(0.005)

async def refused(journal, n):
    try:
        await ask(journal, n)
    except JournalError as error:
        return str(error)
    raise AssertionError("it was answered")

def texts():
    return [one.text for one in read_events(PATH, limit=None)]

def leave_as_killed():
    if os.fork() == 0:
        async def run():
            journal = Journal.open(PATH, NOW)
            for n in range(5):
                await ask(journal, n)
            os._exit(0)
        asyncio.run(run())
    assert os.wait()[1] == 0
    assert (DISK / "journal.db-wal").stat().st_size
"""

BEGIN = """
mount("-t", "tmpfs", "-o", "size=5m", "none")
asyncio.run(main())
"""

READ_ONLY_START = """
async def main():
    leave_as_killed()
    mount("-o", "remount,ro")
    journal = Journal.open(PATH, NOW)
    assert "read-only" in journal.trouble, journal.trouble
    assert journal.saved_state() == state(4)
    assert journal.answer_to("3") == "3"
    note(journal, 5)
    assert "read-only" in await refused(journal, 6)
    assert journal.set_aside is None
    mount("-o", "remount,rw")
    await until(lambda: journal.trouble is None)
    await ask(journal, 7)
    await journal.close()
    assert texts() == [*(f"asked {n}" for n in range(5)), "noted 5", "asked 7"]
    assert verify(PATH) is None
"""

READ_ONLY_AT_REST = """
async def main():
    journal = Journal.open(PATH, NOW)
    await ask(journal, 1)
    await journal.close()
    mount("-o", "remount,ro")
    journal = Journal.open(PATH, NOW)
    assert journal.saved_state() == state(1)
    assert "read-only" in await refused(journal, 2)
    try:
        await journal.close()
    except JournalError as error:
        assert "read-only" in str(error)
"""

READ_ONLY_DAMAGED = """
async def main():
    leave_as_killed()
    log = bytearray((DISK / "journal.db-wal").read_bytes())
    log[len(log) // 2] ^= 4
    (DISK / "journal.db-wal").write_bytes(log)
    content = PATH.read_bytes()
    mount("-o", "remount,ro")
    journal = Journal.open(PATH, NOW)
    assert "read-only" in journal.trouble
    assert "and it is damaged: " in journal.trouble
    assert journal.saved_state() in map(state, range(4)), journal.saved_state()
    assert PATH.read_bytes() == content
    assert (DISK / "journal.db-wal").read_bytes() == log
    note(journal, 5)
    mount("-o", "remount,rw")
    await until(lambda: journal.trouble is None)
    await journal.close()
    assert journal.set_aside.read_bytes() == content
    assert beside(journal.set_aside, "-wal").read_bytes() == log
    notice, noted = texts()
    assert notice.startswith("the journal was damaged (")
    assert noted == "noted 5"
"""

FULL_ON_THE_WAY = """
async def main():
    journal = Journal.open(PATH, NOW)
    await ask(journal, 0)
    assert (DISK / "journal.db.ballast").exists()
    fill()
    n = 1
    while journal.trouble is None:
        note(journal, n)
        await ask(journal, n)
        n += 1
        assert n < 2000
    assert "the disk is full" in journal.trouble
    assert not (DISK / "journal.db.ballast").exists()
    for _ in range(20):
        note(journal, n)
        await ask(journal, n)
        n += 1
    (DISK / "filling").unlink()
    await until(lambda: journal.trouble is None)
    await journal.close()
    assert texts() == ["asked 0", *(f"{w} {k}" for k in range(1, n) for w in ("noted", "asked"))]
    kept = read_ticks(PATH, 1, 9999)
    assert [one.mono for one in kept] == list(range(1, n))
    assert not any(one.lost for one in kept)
    assert (DISK / "journal.db.ballast").exists()
"""

FULL_START = """
async def main():
    leave_as_killed()
    fill()
    assert (DISK / "journal.db.ballast").exists()
    journal = Journal.open(PATH, NOW)
    await ask(journal, 5)
    note(journal, 6)
    await ask(journal, 7)
    (DISK / "filling").unlink()
    await until(lambda: journal.trouble is None)
    await journal.close()
    assert texts() == [*(f"asked {n}" for n in range(6)), "noted 6", "asked 7"]
"""

FULL_START_WITHOUT_BALLAST = """
async def main():
    journal = Journal.open(PATH, NOW)
    await ask(journal, 1)
    await journal.close()
    (DISK / "journal.db.ballast").unlink()
    fill()
    journal = Journal.open(PATH, NOW)
    assert "disk full" in journal.trouble or "opened" in journal.trouble, journal.trouble
    assert journal.saved_state() == state(1)
    note(journal, 2)
    await refused(journal, 3)
    (DISK / "filling").unlink()
    await until(lambda: journal.trouble is None)
    await ask(journal, 4)
    await journal.close()
    assert texts() == ["asked 1", "noted 2", "asked 4"]
"""

SCENES = {
    name.lower(): text
    for name, text in list(globals().items())
    if name.isupper() and name.startswith(("READ", "FULL"))
}


@pytest.fixture(scope="module")
def alone() -> list[str]:
    """How to run with disks of one's own."""
    for how in (["unshare", "-m"], ["unshare", "-rm"]):
        if (
            shutil.which("unshare")
            and not subprocess.run(
                [*how, "sh", "-c", "mount -t tmpfs none /mnt"], capture_output=True, check=False
            ).returncode
        ):
            return how
    pytest.skip("this machine lets nobody mount a disk of their own")


@pytest.mark.parametrize("scene", SCENES)
def test_a_disk_that_refuses(alone: list[str], tmp_path: Path, scene: str) -> None:
    done = subprocess.run(
        [*alone, sys.executable, "-c", COMMON + SCENES[scene] + BEGIN, tmp_path],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
