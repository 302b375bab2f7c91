"""`python -m tests.benchmarks [NAME ...]`: run benchmarks and print their tables.

A benchmark is a module here with a function `benchmark(quick, jobs)` that returns tables; enter it in
`BENCHMARKS`. It is imported only when it is asked for.
"""

from __future__ import annotations

import argparse
import importlib
import json
import platform
import sys

from tests.benchmarks.tables import Benchmark

BENCHMARKS = {
    "cost": "what the daemon costs to run: processor, memory, start, lateness, answers",
    "speed": "how fast a rehearsal and its simulator are",
    "control": "how well the mat controllers keep the soil at seed depth",
}


def main() -> None:
    """Parse the arguments, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of: {', '.join(BENCHMARKS)}")
    parser.add_argument("--json", action="store_true", help="JSON instead of tables")
    parser.add_argument("--quick", action="store_true", help="a fraction of the work, to try it")
    parser.add_argument("--jobs", type=int, default=1, help="processes to use, default 1")
    asked = parser.parse_args()
    unknown = sorted(set(asked.names) - set(BENCHMARKS))
    if unknown:
        parser.error(f"no benchmark {', '.join(unknown)}; there are: {', '.join(BENCHMARKS)}")
    if asked.jobs < 1:
        parser.error(f"--jobs is {asked.jobs}; allowed: 1 or more")
    results = {}
    for name in asked.names or BENCHMARKS:
        run: Benchmark = importlib.import_module(f"tests.benchmarks.{name}").benchmark
        print(f"{name}: {BENCHMARKS[name]}", file=sys.stderr)
        tables = run(asked.quick, asked.jobs)
        results[name] = [table.data() for table in tables]
        if not asked.json:
            print("\n\n".join(table.text() for table in tables), end="\n\n")
    if asked.json:
        print(json.dumps({"python": platform.python_version(), "benchmarks": results}, indent=1))


if __name__ == "__main__":
    main()
