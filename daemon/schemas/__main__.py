"""Write the schemas anew, after a change of the models in `daemon.messages`."""

from __future__ import annotations

import json
from pathlib import Path

from daemon.messages import schemas

FOLDER = Path(__file__).parent


def texts() -> dict[str, str]:
    """What each file should hold, by its name."""
    return {
        f"{name}.json": json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
        for name, schema in schemas().items()
    }


if __name__ == "__main__":
    for name, text in texts().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
