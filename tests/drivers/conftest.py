"""A folder of 1-Wire devices as the kernel shows it, for the tests of `drivers.onewire`."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest


class W1Folder:
    """Devices on a bus that is not there; every file is replaced whole, as the kernel serves it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._fifos: list[Path] = []

    def file(self, device_id: str) -> Path:
        folder = self.path / device_id
        folder.mkdir(parents=True, exist_ok=True)
        return folder / "w1_slave"

    def put(self, device_id: str, text: str | bytes) -> None:
        """What the device will answer from now on."""
        file = self.file(device_id)
        fresh = file.with_suffix(".new")
        fresh.write_bytes(text if isinstance(text, bytes) else text.encode())
        fresh.replace(file)

    def hang(self, device_id: str) -> Path:
        """Let reads of a device hang; returns the FIFO, to be written to even after a `put`."""
        fifo = self.path.parent / f"{device_id}.{len(self._fifos)}.fifo"
        os.mkfifo(fifo)
        self._fifos.append(fifo)
        fresh = self.file(device_id).with_suffix(".new")
        os.link(fifo, fresh)
        fresh.replace(self.file(device_id))
        return fifo

    def release(self) -> None:
        """End every hanging read with nothing, so that no thread outlives its test."""
        for fifo in self._fifos:
            os.close(os.open(fifo, os.O_RDWR | os.O_NONBLOCK))


@pytest.fixture
def w1(tmp_path: Path) -> Iterator[W1Folder]:
    path = tmp_path / "devices"
    path.mkdir()
    folder = W1Folder(path)
    yield folder
    folder.release()
