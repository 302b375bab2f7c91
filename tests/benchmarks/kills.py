"""A daemon killed at random instants under a stream of requests, through mosquitto.

    python -m tests.benchmarks.kills [--kills 300] [--seed 1] [--json]

Needs mosquitto. Every request that was answered must be in the journal and in the memory that the next
life starts from, none twice; and each start tells the plug to be off within seconds. Every life counts:
one that was killed before it had told the plug anything must have been shorter than that.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import tempfile
import time
from collections import Counter
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path

from daemon.client import Client, NobodyAnswered
from daemon.config import Mqtt
from daemon.journal import Journal, read_events
from daemon.state import restore
from tests.processes import PLUG, SITE, Broker, Daemon

#: Seconds between start and kill, and between requests.
LIVES, PACE = (0.0, 3.0), 0.1
#: What a dead daemon still had on its way to the plug has arrived after this [s].
SETTLED = 0.05
#: Seconds within which each start is to have told the plug to be off.
BOUND = 2.0
#: How many ask: each has a limit a minute.
ASKERS = 16


@dataclass(slots=True)
class Seen:
    """What was seen. asked, answered, refused: requests. missing, doubled: of those answered.
    first_output: s from a start to its first OFF. silent: s that each life lasted which had none. late:
    of both together, those that are over the bound."""

    kills: int = 0
    asked: int = 0
    answered: int = 0
    refused: int = 0
    missing: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    first_output: list[float] = field(default_factory=list)
    silent: list[float] = field(default_factory=list)

    def late(self, bound: float) -> list[float]:
        """First outputs after `bound` s, and lives that lasted so long without one."""
        return [seconds for seconds in (*self.first_output, *self.silent) if seconds >= bound]

    def summary(self) -> dict[str, object]:
        """All of it, with the times in short."""
        times = sorted(self.first_output)
        return {
            **{key: n for key, n in asdict(self).items() if key not in ("first_output", "silent")},
            "lives_with_an_output": len(times),
            "lives_without": len(self.silent),
            "longest_without": max(self.silent, default=None),
            "late": len(self.late(BOUND)),
            "first_output_p50": times[len(times) // 2] if times else None,
            "first_output_p99": times[int(len(times) * 0.99)] if times else None,
            "first_output_worst": times[-1] if times else None,
        }


async def _ask(
    settings: Mqtt, who: str, seen: Seen, answered: set[str], stop: asyncio.Event
) -> None:
    """Log a note with a text that is this one's own, again and again."""
    number = 0
    while not stop.is_set():
        text = f"{who}-{number}"
        number += 1
        seen.asked += 1
        try:
            async with Client(settings, SITE) as client:
                record = {"batch": "site", "what": "note", "text": text}
                answer = await client.ask("log", record, by=who, valid_for=60, timeout=60)
        except NobodyAnswered:
            continue
        if answer.ok:
            seen.answered += 1
            answered.add(text)
        else:
            seen.refused += 1
        with suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), PACE)


async def _offs(settings: Mqtt, times: list[float]) -> None:
    """When the plug was told to be off, for each time it was."""
    import aiomqtt

    async with aiomqtt.Client(settings.broker, settings.port_or_default) as client:
        await client.subscribe("annex/plug/set", 1)
        async for message in client.messages:
            if bytes(message.payload).startswith(b"OFF"):
                times.append(time.monotonic())


async def written(daemon: Daemon, texts: set[str]) -> tuple[Counter[str], Counter[str]]:
    """How often each text was asked by the journal, and is in the memory it would resume."""
    path = daemon.state / "journal.db"
    asked = Counter(
        event.data["arguments"]["text"]
        for event in read_events(path, limit=None)
        if event.kind == "request" and event.data.get("kind") == "log"
    )
    journal = Journal.open(path, time.time())
    saved = journal.saved_state()
    await journal.close()
    assert saved is not None
    records = restore(saved.body).care.get("site")
    kept = Counter(one.text for one in records.entries) if records is not None else Counter()
    return (
        Counter({text: asked[text] for text in texts}),
        Counter({text: kept[text] for text in texts}),
    )


async def _judge(seen: Seen, offs: list[float], started: float, ended: float) -> None:
    """Enter when the life that has ended first told the plug to be off, or that it never did."""
    await asyncio.sleep(SETTLED)
    first = next((at - started for at in offs if at > started), None)
    if first is None:
        seen.silent.append(ended - started)
    else:
        seen.first_output.append(first)
    offs.clear()


async def measure(folder: Path, kills: int, seed: int) -> Seen:
    """Start, ask and kill so often."""
    chance, seen = random.Random(seed), Seen()
    answered: set[str] = set()
    offs: list[float] = []
    stop = asyncio.Event()
    with Broker(folder) as broker:
        settings = Mqtt(broker="127.0.0.1", port=broker.port)
        daemon = Daemon(folder, broker.port, mat=PLUG)
        listener = asyncio.create_task(_offs(settings, offs))
        askers = [
            asyncio.create_task(_ask(settings, f"asker-{n}", seen, answered, stop))
            for n in range(ASKERS)
        ]
        try:
            for _ in range(kills):
                started = time.monotonic()
                daemon.start()
                await asyncio.sleep(chance.uniform(*LIVES))
                daemon.kill()
                seen.kills += 1
                await _judge(seen, offs, started, time.monotonic())
            started = time.monotonic()
            daemon.start()  # a last life, in which what is still unanswered is
            stop.set()
            await asyncio.wait_for(asyncio.gather(*askers), 90)
            await _judge(seen, offs, started, time.monotonic())
            assert await asyncio.to_thread(daemon.stop) == 0
        finally:
            daemon.kill()
            for task in (listener, *askers):
                task.cancel()
            await asyncio.gather(listener, *askers, return_exceptions=True)
    for found in await written(daemon, answered):
        seen.missing += [text for text in answered if found[text] == 0]
        seen.doubled += [text for text in answered if found[text] > 1]
    return seen


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        seen = asyncio.run(measure(Path(folder), given.kills, given.seed)).summary()
    print(json.dumps(seen) if given.json else "\n".join(f"{k}: {v}" for k, v in seen.items()))


if __name__ == "__main__":
    main()
