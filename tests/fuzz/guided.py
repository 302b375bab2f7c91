"""The same readers as in test_inputs.py, fuzzed with coverage as the guide. By hand: it needs atheris.

    pip install atheris
    python -m tests.fuzz.guided request|config|probe [-max_total_time=600] [a folder of examples]

What follows the reader's name is libFuzzer's. A reader may refuse what it is given, in its own words; any
other exception ends the run, with the bytes that led there in a file.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["daemon", "drivers", "profiles"]):
    from daemon.config import ConfigError, load
    from daemon.requests import RefusedError, apply, arguments, envelope
    from daemon.state import Now
    from drivers.onewire import ProbeReadError, read_device
    from tests.daemon.builders import START, batch, holding, site

DEVICE = "28-00000a1b2c3d"


def request(data: bytes) -> None:
    """A request as it comes off the wire, then done to a memory with a batch."""
    there, memory = site(), holding(batch("TOM1"))
    try:
        asked = envelope(data)
        done = apply(memory, there, arguments(asked), asked.by, Now(1000.0, START + 3600))
    except RefusedError:
        return
    json.dumps(dict(done.result))


def config(data: bytes) -> None:
    """A configuration file."""
    path = _FOLDER / "hotbed.toml"
    path.write_bytes(data)
    try:
        load(path)
    except ConfigError:
        return


def probe(data: bytes) -> None:
    """What a probe's file says."""
    (_FOLDER / DEVICE).mkdir(exist_ok=True)
    (_FOLDER / DEVICE / "w1_slave").write_bytes(data)
    try:
        celsius = read_device(_FOLDER, DEVICE)
    except ProbeReadError:
        return
    assert -55 <= celsius <= 125  # the data sheet's range of the sensor


READERS: dict[str, Callable[[bytes], None]] = {"request": request, "config": config, "probe": probe}

if __name__ == "__main__":
    if len(sys.argv) < 2 or sys.argv[1] not in READERS:
        sys.exit(f"name one of {', '.join(READERS)}")
    reader = READERS[sys.argv.pop(1)]
    with tempfile.TemporaryDirectory() as folder:
        _FOLDER = Path(folder)
        atheris.Setup(sys.argv, reader)
        atheris.Fuzz()
