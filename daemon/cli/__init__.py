"""The command line `hotbed`.

Commands that ask a running daemon do so over MQTT. Exit status: 0 done, 1 refused or failed, 2 wrong
usage, 3 nobody answered. With --json, standard output is one JSON document, {"ok": true, "result":
...} or {"ok": false, "error": ...}; else a problem is told on standard error, with its mend.

What a command needs is imported when it runs: `hotbed status` is quick on a small board.
"""

import sys

from daemon.cli import running
from daemon.cli.program import app, main

# The daemon itself lives for months and needs one command: the others stay on the disk.
if sys.argv[1:2] != ["run"]:
    from daemon.cli import (
        batches,
        keeping,
        lighting,
        lookup,
        notebook,
        planning,
        printing,
        tending,
        vigil,
        watching,
    )

# The modules of the commands are imported for their commands alone.
__all__ = [
    "app", "batches", "keeping", "lighting", "lookup", "main", "notebook", "planning", "printing",
    "running", "tending", "vigil", "watching",
]  # fmt: skip
