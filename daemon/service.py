"""The running daemon: the tick, the requests, and what is written and told of both.

The loop goes by the monotonic clock. Nothing in it waits for a probe, a broker or a disk: readings are
picked up, relays are told, facts are handed to the journal's own thread and messages to the wire's
own task. A request is answered only once the journal has it on disk.
"""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import replace

from daemon.clock import LiveClock
from daemon.control import iso
from daemon.decide import Decision, decide, next_change
from daemon.events import Event, StoredEvent
from daemon.hardware import Hardware
from daemon.journal import (
    DuplicateRequestError,
    Journal,
    JournalError,
    ReadingRow,
    RequestRow,
    SavedState,
)
from daemon.messages import (
    AnswerMessage,
    alarm_message,
    batch_message,
    bench_messages,
    event_message,
)
from daemon.notify import Notifier, watchdog_interval
from daemon.requests import RefusedError, Request, apply, arguments, check_time, envelope
from daemon.state import Inputs, Memory, Now, Site, dump, restore, shifted
from daemon.wire import Wire
from drivers.protocols import Quality

log = logging.getLogger(__name__)

#: A wall clock before this moment (2026-01-01) was never set.
FLOOR_UTC = 1_767_225_600.0
#: How long [s] the first tick waits for the first readings.
FIRST_READINGS = 1.0
FIRST_LOOKS = 50
#: How many answers are kept for those who ask again, and for how long [s].
ANSWERS_KEPT = 10_000
ANSWERS_FOR = 2 * 3600.0
#: How many refusals are written down in a minute; a flood of them is only counted.
REFUSALS_NOTED = 30
#: How many events of the outbox are offered to the wire at a time.
OUTBOX = 100


class Service:
    """One site, running."""

    def __init__(
        self,
        site: Site,
        hardware: Hardware,
        journal: Journal,
        wire: Wire,
        clock: LiveClock,
        *,
        boot: str,
        notifier: Notifier | None = None,
        simulated: bool = False,
        observe: Callable[[Memory], None] | None = None,
    ) -> None:
        """boot: tells whether the saved state's monotonic times still hold. simulated: the clock is
        not the machine's, which those who ask go by. observe: told of each new memory."""
        self.site = site
        self.hardware = hardware
        self.journal = journal
        self.wire = wire
        self.clock = clock
        self.boot = boot
        self.notifier = notifier or Notifier()
        self.simulated = simulated
        self.observe = observe
        self.memory = Memory()
        self.decision: Decision | None = None
        self._floor = FLOOR_UTC
        self._wake = asyncio.Event()
        self._stop = asyncio.Event()
        self._ticked = 0.0
        self._answers: OrderedDict[str, bytes] = OrderedDict()
        self._shown: dict[str, str] = {}
        self._refusals: list[float] = []
        self._offered: set[int] = set()
        self._behind = True  # events on disk that the broker may not have

    def stop(self) -> None:
        """End `run` in good order: everything off, everything written, `offline` said."""
        self._stop.set()
        self._wake.set()

    async def run(self) -> None:
        """Drive everything off, resume what the journal knows, and go on until `stop`.

        Raises DriverError when a device is not to be had; all relays are off then, as at every end.
        """
        self.wire.handler = self._asked
        try:
            await self.hardware.start()
            self._resume()
            wire = asyncio.create_task(self.wire.run())
            try:
                await self._first_readings()
                await self._loop()
            finally:
                self.notifier.stopping()
                await self.hardware.close()
                await self._leave()
                wire.cancel()
                with suppress(asyncio.CancelledError):
                    await wire
        finally:
            await self.hardware.close()

    # --- the tick ---------------------------------------------------------------------------------

    async def _loop(self) -> None:
        wakes = None
        if not self.simulated:
            from daemon.wakes import Wakes

            wakes = Wakes(self._wake.set)
            wakes.start()
        pulse = asyncio.create_task(self._pulse())
        self.notifier.ready("running")
        due = self.clock.mono()
        try:
            while not self._stop.is_set():
                self._wake.clear()
                self.tick()
                if wakes is not None:
                    wakes.plan(self._due_times())
                due = max(due + self.site.tick, self.clock.mono())
                pause = self.clock.real_seconds(due - self.clock.mono())
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._wake.wait(), pause)
                    due = self.clock.mono()
        finally:
            pulse.cancel()
            if wakes is not None:
                wakes.stop()

    def now(self) -> Now:
        """The present; a wall clock behind the journal's last entry is not believed."""
        utc = self.clock.utc()
        return Now(self.clock.mono(), utc, trusted=utc >= self._floor)

    def tick(self) -> Decision:
        """Decide once, switch, and hand over what is to be written and told."""
        now = self.now()
        inputs = Inputs(
            readings={name: probe.latest() for name, probe in self.hardware.probes.items()},
            relays={name: relay.state() for name, relay in self.hardware.relays.items()},
            troubles=({"journal-unwritable": self.journal.trouble} if self.journal.trouble else {}),
        )
        decision = decide(self.memory, self.site, inputs, now)
        self.memory, self.decision = decision.memory, decision
        lease = 2.5 * self.site.tick + 5.0
        for name, output in decision.outputs.items():
            for kind, on in (("lamp", output.lamp), ("mat", output.mat)):
                relay = self.hardware.relays.get(f"{name}/{kind}")
                if relay is not None:
                    relay.set(on, lease)
        self._ticked = now.mono
        rows = [
            ReadingRow(now.utc, now.mono, name, reading)
            for name, reading in inputs.readings.items()
        ]
        with suppress(JournalError):
            self.journal.note(readings=rows, state=None if decision.events else self._saved())
            if decision.events:
                self._write(decision.events)
        self._publish(now)
        if self.observe is not None:
            self.observe(self.memory)
        return decision

    def _due_times(self) -> list[float]:
        if self.decision is None:
            return []
        changes = (
            next_change(self.site, spec, self.decision.aims[name], self.clock.utc())
            for name, spec in self.site.benches.items()
        )
        return [change[1] for change in changes if change is not None]

    async def _first_readings(self) -> None:
        """Give probes a moment, so that the first tick doesn't take a slow start for a fault."""
        for _ in range(FIRST_LOOKS):
            readings = [probe.latest() for probe in self.hardware.probes.values()]
            if all(reading.quality is not Quality.MISSING for reading in readings):
                return
            await asyncio.sleep(FIRST_READINGS / FIRST_LOOKS)

    async def _pulse(self) -> None:
        """Tell the watchdog that the loop is alive and ticks are on time."""
        interval = watchdog_interval()
        if interval is None:
            return
        late = 2 * self.site.tick + 10
        while True:
            if self.clock.mono() - self._ticked < late:
                self.notifier.alive()
            await asyncio.sleep(interval / 3)

    # --- what outlives the process -----------------------------------------------------------------

    def _saved(self) -> SavedState:
        now = self.memory.at or self.now()
        return SavedState(body=dump(self.memory), at=now.utc, mono=now.mono, boot=self.boot)

    def _resume(self) -> None:
        """Go on from the journal: monotonic times hold within one boot, and are moved otherwise."""
        now = Now(self.clock.mono(), self.clock.utc())
        events = []
        if self.journal.set_aside is not None:
            events.append(
                self._daemon_event(
                    f"the journal was damaged ({self.journal.damage}); it was set aside as "
                    f"{self.journal.set_aside.name} and a fresh one begun: sow anew what stands"
                )
            )
        saved = self.journal.saved_state()
        text = "started"
        if saved is not None:
            try:
                self.memory = restore(saved.body)
            except ValueError as error:
                log.error("the saved state does not fit and is left out: %s", error)
                events.append(
                    self._daemon_event("the saved state could not be read; starting empty")
                )
            else:
                gone = max(0.0, now.utc - saved.at)
                if saved.boot != self.boot or saved.mono > now.mono:
                    self.memory = shifted(self.memory, now.mono - gone - saved.mono)
                self._floor = max(FLOOR_UTC, saved.at - 60)
                many = len(self.memory.batches)
                text = f"started again after {gone / 60:.0f} min, {many} batches go on"
        self._forget_the_unknown(events)
        self.memory = replace(
            self.memory,
            benches={
                name: replace(bench, begun=None) for name, bench in self.memory.benches.items()
            },
        )
        for request_id, answer in self.journal.recent_answers(now.utc - ANSWERS_FOR, ANSWERS_KEPT):
            self._answers[request_id] = answer.encode()
        events.append(self._daemon_event(text))
        self._write(events)

    def _forget_the_unknown(self, events: list[Event]) -> None:
        """Batches of a crop or on a bench that the configuration no longer has are kept, elsewhere."""
        batches = dict(self.memory.batches)
        for code, batch in self.memory.batches.items():
            if batch.crop not in self.site.crops:
                del batches[code]
                events.append(
                    self._daemon_event(
                        f"{code} is left out: no crop {batch.crop!r} is known any more"
                    )
                )
            elif batch.place not in self.site.benches and batch.place not in self.site.places:
                batches[code] = replace(batch, place="chamber", revision=batch.revision + 1)
                events.append(
                    self._daemon_event(
                        f"{code} stood on {batch.place}, which is gone: now in chamber"
                    )
                )
        self.memory = replace(self.memory, batches=batches)

    def _daemon_event(self, text: str) -> Event:
        return Event(at=self.clock.utc(), kind="daemon", text=text)

    def _write(self, events: Sequence[Event]) -> None:
        """Have these written at once, with the state, and then told; waits for nothing."""
        if not events:
            return
        loop = asyncio.get_running_loop()

        def written(future: Future[list[int]]) -> None:
            if future.exception() is None:
                loop.call_soon_threadsafe(self._tell, events, future.result())

        try:
            self.journal.submit(events=events, state=self._saved()).add_done_callback(written)
        except JournalError as error:
            log.error("not written down: %s", error)

    async def _leave(self) -> None:
        with suppress(JournalError):
            await self.journal.commit(events=[self._daemon_event("stopped")], state=self._saved())
        await self.wire.close()

    # --- what is told -----------------------------------------------------------------------------

    def _tell(self, events: Sequence[Event], numbers: Sequence[int]) -> None:
        stored = [
            StoredEvent(
                event.at, event.kind, event.text, event.bench, event.batch, event.by, event.data,
                seq=number,
            )
            for event, number in zip(events, numbers, strict=True)
        ]  # fmt: skip
        for event in stored:
            log.info("%s", event.text)
        if not self._behind:
            self._offer(stored)

    def _offer(self, events: Sequence[StoredEvent]) -> None:
        for event in events:
            if event.seq in self._offered:
                continue

            def done(seq: int = event.seq) -> None:
                self._offered.discard(seq)
                with suppress(JournalError):
                    self.journal.mark_published(seq)

            payload = event_message(event).payload()
            if not self.wire.publish_event(self.wire.topics.event, payload, done):
                self._behind = True
                return
            self._offered.add(event.seq)

    def _catch_up(self) -> None:
        """Offer events that the broker has not had, oldest first, while it is there."""
        if not self._behind or not self.wire.connected or self._offered:
            return
        waiting = self.journal.unpublished(OUTBOX)
        self._behind = len(waiting) == OUTBOX
        self._offer(waiting)

    def _publish(self, now: Now) -> None:
        """What stands, retained, one message a bench, batch and alarm; unchanged ones not again."""
        if self.decision is None:
            return
        topics, memory = self.wire.topics, self.memory
        confirmed = {name: relay.state().confirmed for name, relay in self.hardware.relays.items()}
        benches = bench_messages(memory, self.site, self.decision, confirmed, now.utc)
        for name, bench in benches.items():
            self.wire.publish_latest(topics.bench(name), bench.payload())
        current: dict[str, str] = {}
        for code, batch in memory.batches.items():
            told = batch_message(batch, memory, self.site, self.decision, now.utc)
            self._show(
                topics.batch(code), told.payload(), told.model_dump_json(exclude={"at"}), current
            )
        for key, alarm in memory.alarms.items():
            standing = alarm_message(alarm, now.utc)
            self._show(
                topics.alarm(key),
                standing.payload(),
                standing.model_dump_json(exclude={"at"}),
                current,
            )
        for topic in self._shown.keys() - current.keys():
            self.wire.publish_latest(topic, None)
        first = not self._shown and not self._offered
        self._shown = current
        if first:
            self.wire.sweep()
        self._catch_up()

    def _show(self, topic: str, payload: bytes, content: str, current: dict[str, str]) -> None:
        current[topic] = content
        if self._shown.get(topic) != content:
            self.wire.publish_latest(topic, payload)

    # --- what is asked ----------------------------------------------------------------------------

    async def _asked(self, payload: bytes) -> None:
        try:
            request = envelope(payload)
        except RefusedError as error:
            self._refuse_unread(payload, str(error))
            return
        if problem := self.wire.topics.reply_to_problem(request.reply_to):
            log.warning("a request by %s was refused: %s", request.by, problem)
            return
        known = self._answers.get(request.id)
        if known is None:
            known = await self._carry_out(request)
        self.wire.reply(request.reply_to, known)

    async def _carry_out(self, request: Request) -> bytes:
        """Do it and write it down, or refuse it and change nothing; the answer's payload."""
        now = self.now()
        before = self.memory
        try:
            check_time(request, replace(now, utc=time.time()) if self.simulated else now)
            done = apply(before, self.site, arguments(request), request.by, now)
        except RefusedError as error:
            return self._refuse(request, str(error))
        answer = AnswerMessage(
            at=iso(now.utc), id=request.id, ok=True, result=dict(done.result)
        ).payload()
        # Ticks go on while the disk writes. They must not save a memory without this request after
        # one with it, so it is in the memory from here on, and taken out again should it fail.
        self.memory = done.memory
        asked = Event(
            at=now.utc, kind="request", text=f"{request.by} asked: {request.kind}", by=request.by,
            data={"id": request.id, "kind": request.kind, "arguments": request.arguments},
        )  # fmt: skip
        events = [asked, *done.events]
        try:
            numbers = await self.journal.commit(
                events=events,
                request=RequestRow(
                    request.id, now.utc, request.kind, request.by,
                    json.dumps(request.arguments), True, answer.decode(),
                ),
                state=self._saved(),
            )  # fmt: skip
        except DuplicateRequestError:
            self._take_back(before)
            stored = self.journal.answer_to(request.id)
            return stored.encode() if stored else self._refuse(request, "asked twice")
        except (JournalError, ValueError) as error:
            self._take_back(before)
            return self._refuse(request, f"it can't be written down, so it is not done: {error}")
        self._answers[request.id] = answer
        while len(self._answers) > ANSWERS_KEPT:
            self._answers.popitem(last=False)
        self._tell(events, numbers)
        self._publish(now)
        self._wake.set()
        return answer

    def _take_back(self, before: Memory) -> None:
        self.memory = replace(
            self.memory,
            batches=before.batches,
            progress={
                code: self.memory.progress.get(code, part) for code, part in before.progress.items()
            },
            called=before.called,
            keeps=before.keeps,
            alarms=before.alarms,
            serials=before.serials,
        )

    def _refuse(self, request: Request, why: str) -> bytes:
        now = self.now()
        self._refusals = [at for at in self._refusals if now.mono - at < 60]
        if len(self._refusals) < REFUSALS_NOTED:
            self._refusals.append(now.mono)
            event = Event(
                at=now.utc, kind="request", text=f"refused, {request.kind} by {request.by}: {why}",
                by=request.by, data={"id": request.id, "kind": request.kind},
            )  # fmt: skip
            with suppress(JournalError, ValueError):
                self.journal.note(events=[event])
        return AnswerMessage(at=iso(now.utc), id=request.id, ok=False, error=why).payload()

    def _refuse_unread(self, payload: bytes, why: str) -> None:
        """Answer a request that could not be read, if it says at least where to."""
        log.warning("a request was refused: %s", why)
        with suppress(ValueError, RecursionError):
            data = json.loads(payload)
            if isinstance(data, dict) and not self.wire.topics.reply_to_problem(
                data.get("reply_to")
            ):
                identifier = str(data.get("id", ""))[:64]
                answer = AnswerMessage(at=iso(self.clock.utc()), id=identifier, ok=False, error=why)
                self.wire.reply(data["reply_to"], answer.payload())
