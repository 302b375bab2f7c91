"""The running daemon: the tick, the requests, and what is written and told of both.

The loop goes by the monotonic clock. Nothing in it waits for a probe, a broker or a disk: readings are
picked up, relays are told, facts are handed to the journal's own thread and messages to the wire's
own task. A request is answered only once the journal has it on disk.
"""

from __future__ import annotations

import asyncio
import json
import logging
import math
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from daemon.caller import Caller
from daemon.clock import LiveClock, synchronised
from daemon.control import iso
from daemon.decide import Decision, decide, next_change
from daemon.events import Event
from daemon.hardware import Hardware
from daemon.journal import (
    DuplicateRequestError,
    Journal,
    JournalError,
    RequestRow,
    SavedState,
)
from daemon.limits import Bucket, Limits
from daemon.messages import (
    AnswerMessage,
    alarm_messages,
    batch_message,
    bench_messages,
    event_message,
)
from daemon.notify import Notifier, watchdog_interval
from daemon.outage import resumed
from daemon.replay import Recorder, rolled_forward
from daemon.requests import RefusedError, Request, apply, arguments, check_time, envelope
from daemon.state import (
    Batch,
    Inputs,
    Memory,
    Now,
    Site,
    done_reading,
    dump,
    fitted,
    restore,
)
from daemon.wire import RateLimit, Wire
from drivers.protocols import Quality

log = logging.getLogger(__name__)
#: What is refused may come by the thousand.
refusals = logging.getLogger(f"{__name__}.refusals")
refusals.addFilter(RateLimit())
T = TypeVar("T")

#: A wall clock before this moment (2026-01-01) was never set.
FLOOR_UTC = 1_767_225_600.0
#: A step [s] of the wall clock by which somebody has set it; what a board remembers of the time is only
#: what it last wrote down.
CLOCK_SET, REMEMBERED = 5.0, 60.0
#: How long [s] the first tick waits for the first readings, and for how many seconds after it those that
#: come later are looked out for: probes on one 1-Wire bus are read one after the other.
FIRST_READINGS = 0.4
FIRST_LOOKS = 20
LATER_LOOKS = 60
#: How many answers are kept for those who ask again, and for how long [s].
ANSWERS_KEPT = 10_000
ANSWERS_FOR = 2 * 3600.0
#: How many refusals are written down in a minute; a flood of them is only counted.
REFUSALS_NOTED = 30
#: How many refusals are kept for those who ask the very same again.
REFUSALS_KEPT = 100
#: How many requests a minute one person may make; how many are done, for all together, whatever names
#: they give; how many refusals are answered. Real seconds: those who ask live by them.
REQUESTS_EACH, REQUESTS_ALL, REFUSED_ALOUD, MINUTE = 240, 600, 300, 60.0
#: How often the state is written down when there is nothing else that can't wait [s].
SAVE_EVERY = 900.0
#: Requests that need no date, and so no clock.
TIMELESS = frozenset({"keep", "acknowledge", "reset", "snooze"})
#: How many events of the outbox are offered to the wire at a time, how often [s] it is looked through
#: though nothing is known to be new, and how often the broker is looked for.
OUTBOX, OUTBOX_EVERY, BROKER_EVERY = 100, 60.0, 0.5
#: A disk that has not answered for so long [s] hangs.
DISK_PATIENCE = 30.0
#: What the last words to the journal may take [s].
LEAVE_LIMIT = 5.0


def _too_many(by: str, wait: float) -> str:
    return (
        f"too many requests; allowed: {REQUESTS_EACH} a minute by one person and {REQUESTS_ALL} by "
        f"all: ask again in {max(1.0, wait):.0f} s, {by}"
    )


def _routine(events: Sequence[Event]) -> bool:
    """Whether all of a tick's come by the thousand and can wait a few minutes to be written: a mat's
    switching, a stop that does its daily work, such as having the lamp off and on over a cover. A stop
    for what a person must know of raises an alarm."""
    stops = {event.bench for event in events if event.kind == "interlock"}
    return all(
        event.kind == "interlock"
        or (
            event.kind == "switching" and (event.data.get("relay") == "mat" or event.bench in stops)
        )
        for event in events
    )


async def _aside(look: Callable[[], T]) -> T:
    """Have a thread of its own wait for the disk; one that hangs holds up no tick and no exit."""
    done: Future[T] = Future()
    done.set_running_or_notify_cancel()

    def work() -> None:
        try:
            done.set_result(look())
        except Exception as error:
            done.set_exception(error)

    threading.Thread(target=work, name="journal-reader", daemon=True).start()
    return await asyncio.wrap_future(done)


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
        caller: Caller | None = None,
    ) -> None:
        """boot: tells whether the saved state's monotonic times still hold. simulated: the clock is
        not the machine's, which those who ask go by. observe: told of each new memory. caller: calls
        people about alarms."""
        self.site = site
        self.hardware = hardware
        self.journal = journal
        self.wire = wire
        self.clock = clock
        self.boot = boot
        self.notifier = notifier or Notifier()
        self.simulated = simulated
        self.observe = observe
        self.caller = caller or Caller({})
        self.memory = Memory()
        self.decision: Decision | None = None
        self._recorder = Recorder(site)
        self._saved_at = -math.inf  # mono of the newest state that was handed to the journal
        self._floor = FLOOR_UTC
        self._offset: float | None = None  # of the wall clock from the other, when last seen
        self._wake = asyncio.Event()
        self._stop = asyncio.Event()
        self._ticked = 0.0
        self._answers: OrderedDict[str, bytes] = OrderedDict()
        self._refused: OrderedDict[bytes, bytes] = OrderedDict()
        self._asking = False  # a request is on its way to the disk, and not in the memory yet
        self._left_out: dict[str, Batch] = {}
        self._shown: dict[str, str] = {}
        self._swept = False
        self._refusals: list[float] = []
        self._each = Limits(REQUESTS_EACH, MINUTE)
        self._all = Bucket(REQUESTS_ALL, MINUTE)
        self._aloud = Bucket(REFUSED_ALOUD, MINUTE)
        self._unwritten: deque[tuple[float, Future[list[int]]]] = deque()
        self._news = asyncio.Event()  # events on disk that the broker may not have
        self._news.set()
        self._status: str | None = None
        self._set_aside: Path | None = None  # the damaged journal that an alarm was raised for

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
            done_reading()
            wire = asyncio.create_task(self.wire.run())
            outbox = asyncio.create_task(self._empty_outbox())
            try:
                await self._first_readings()
                await self._loop()
            finally:
                self.notifier.stopping()
                await self.hardware.close()
                await self.caller.close()
                await self._leave()
                for task in (outbox, wire):
                    task.cancel()
                for end in await asyncio.gather(outbox, wire, return_exceptions=True):
                    if isinstance(end, Exception):
                        log.error("what tells events, or the wire, had ended", exc_info=end)
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
        later = asyncio.create_task(self._later_readings())
        due = self.clock.mono()
        try:
            while not self._stop.is_set():
                self._wake.clear()
                self.tick()
                self._notify()
                if wakes is not None:
                    wakes.plan(self._due_times())
                due = max(due + self.site.tick, self.clock.mono())
                pause = self.clock.real_seconds(due - self.clock.mono())
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._wake.wait(), pause)
                    due = self.clock.mono()
        finally:
            pulse.cancel()
            later.cancel()
            if wakes is not None:
                wakes.stop()

    def now(self) -> Now:
        """The present. After a boot, a wall clock behind the journal's last entry is not believed until
        somebody sets it: it steps, or the network is known to have set it."""
        mono, utc = self.clock.mono(), self.clock.utc()
        offset, self._offset = self._offset, utc - mono
        if self._floor > FLOOR_UTC and (
            (offset is not None and abs(self._offset - offset) > CLOCK_SET)
            or (utc < self._floor and not self.simulated and synchronised())
        ):
            self._floor = FLOOR_UTC
        return Now(mono, utc, trusted=utc >= self._floor)

    def tick(self) -> Decision:
        """Decide once, switch, and hand over what is to be written and told."""
        inputs = Inputs(
            readings={name: probe.latest() for name, probe in self.hardware.probes.items()},
            relays={name: relay.state() for name, relay in self.hardware.relays.items()},
            troubles=self._troubles(),
        )
        now = self.now()  # after the readings, so that none is from the future
        before = self.memory
        decision = decide(before, self.site, inputs, now)
        self.memory, self.decision = decision.memory, decision
        lease = 2.5 * self.site.tick + 5.0
        told = [
            (on, relay)
            for name, output in decision.outputs.items()
            for kind, on in (("lamp", output.lamp), ("mat", output.mat))
            if (relay := self.hardware.relays.get(f"{name}/{kind}")) is not None
        ]
        # Off first: what comes on may only fit into the budget where something else goes.
        for on, relay in sorted(told, key=lambda one: one[0]):
            relay.set(on, lease)
        self._ticked = now.mono
        urgent = not _routine(decision.events)
        due = now.mono - self._saved_at >= SAVE_EVERY
        try:
            self.journal.note(
                ticks=[self._recorder.row(before, inputs, now, decision)],
                events=() if urgent else decision.events,
                state=self._saved() if due and not urgent else None,
            )
        except JournalError:
            pass  # closed already
        except ValueError:
            log.exception("a tick can't be written down")
        if urgent:
            self._write(decision.events)
        else:
            self._log(decision.events)
        self.caller.hear(decision.events)
        self._publish(now)
        if self.observe is not None:
            self.observe(self.memory)
        return decision

    def _troubles(self) -> dict[str, str]:
        """What is wrong with the journal, or with calling people, for an alarm."""
        unwritten = self._unwritten
        while unwritten and unwritten[0][1].done():
            unwritten.popleft()
        trouble = self.journal.trouble
        if trouble is None and unwritten and time.monotonic() - unwritten[0][0] > DISK_PATIENCE:
            trouble = f"{self.journal.path}: its disk does not answer: check or replace it"
        found = {"journal-unwritable": trouble, "call-failed": self.caller.trouble}
        troubles = {kind: cause for kind, cause in found.items() if cause}
        if self.journal.set_aside != self._set_aside:  # once: it stays in sight until acknowledged
            self._set_aside = self.journal.set_aside
            troubles["journal-damaged"] = (
                f"{self.journal.damage}; it was set aside as {self._set_aside and self._set_aside.name}"
            )
        return troubles

    def _notify(self) -> None:
        """Tell the service manager that the first tick is done, and how things are when it changes."""
        standing = sum(1 for one in self.memory.alarms.values() if one.active or one.latched)
        many = [
            f"{count or 'no'} {word}" + plural * (count != 1)
            for count, word, plural in (
                (len(self.site.benches), "bench", "es"),
                (len(self.memory.batches), "batch", "es"),
                (standing, "alarm", "s"),
            )
        ]
        status = ", ".join(many) + ("" if self.wire.connected else "; the broker is away")
        if self._status is None:
            self.notifier.ready(status)
        elif status != self._status:
            self.notifier.status(status)
        self._status = status

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
            if self._probes_read() == len(self.hardware.probes):
                return
            await asyncio.sleep(FIRST_READINGS / FIRST_LOOKS)

    async def _later_readings(self) -> None:
        """Decide again as soon as a probe has been read that the first tick did not wait for."""
        known = self._probes_read()
        for _ in range(LATER_LOOKS):
            if known == len(self.hardware.probes):
                return
            await asyncio.sleep(1.0)
            if (read := self._probes_read()) > known:
                known = read
                self._wake.set()

    def _probes_read(self) -> int:
        readings = (probe.latest() for probe in self.hardware.probes.values())
        return sum(reading.quality is not Quality.MISSING for reading in readings)

    async def _pulse(self) -> None:
        """Tell the watchdog that the loop is alive and ticks are on time."""
        interval = watchdog_interval()
        if interval is None:
            return
        late = self.clock.real_seconds(2 * self.site.tick) + 10
        while True:
            if self.clock.real_seconds(self.clock.mono() - self._ticked) < late:
                self.notifier.alive()
            await asyncio.sleep(interval / 3)

    # --- what outlives the process -----------------------------------------------------------------

    def _saved(self, memory: Memory | None = None) -> SavedState | None:
        """What to write down; nothing while a request is being written that the memory has not yet.

        memory: instead of the service's own.
        """
        if memory is None:
            if self._asking:
                return None
            memory = self.memory
        now = memory.at or self.now()
        self._saved_at = now.mono
        whole = replace(memory, batches={**self._left_out, **memory.batches})
        return SavedState(body=dump(whole), at=now.utc, mono=now.mono, boot=self.boot)

    def _resume(self) -> None:
        """Go on from the journal: monotonic times hold within one boot, and are moved otherwise."""
        now = self.now()
        events = []
        saved = self.journal.saved_state()
        text = "started"
        if saved is not None:
            try:
                memory = restore(saved.body)
            except ValueError as error:
                log.error("the saved state does not fit: %s", error)
                events.append(self._daemon_event(self._keep_unread(saved, now)))
                self._floor = max(FLOOR_UTC, saved.at - REMEMBERED)
            else:
                memory, last = rolled_forward(self.journal.path, memory, self.site)
                if last is not None:
                    saved = replace(saved, at=last.utc, mono=last.mono)
                booted = saved.boot != self.boot or saved.mono > now.mono
                # What was last believed. A clock that goes on in the same boot has been set since.
                sure = memory.cut.at if memory.cut is not None else memory.at
                if sure is not None and (booted or memory.cut is not None):
                    self._floor = max(FLOOR_UTC, sure.utc - REMEMBERED)
                    now = self.now()
                dated = now.trusted and memory.cut is None and (sure is None or sure.trusted)
                if booted:
                    gone = max(0.0, now.utc - saved.at) if dated else 0.0
                else:
                    gone = now.mono - saved.mono
                by = now.mono - gone - saved.mono
                self.memory = resumed(memory, by=by, gone=gone, booted=booted, dated=dated)
                many = len(self.memory.batches)
                after = f"{gone / 60:.0f} min" if dated or not booted else "nobody knows how long"
                text = f"started again after {after}, {many} " + (
                    "batch goes on" if many == 1 else "batches go on"
                )
        self._place_the_unknown(events)
        for request_id, answer in self.journal.recent_answers(now.utc - ANSWERS_FOR, ANSWERS_KEPT):
            self._answers[request_id] = answer.encode()
        events.append(self._daemon_event(text))
        self._write(events)
        self._saved_at = -math.inf  # the first tick is one to go on from

    def _keep_unread(self, saved: SavedState, now: Now) -> str:
        """Put a state that can't be read where the next one doesn't overwrite it; what to tell."""
        aside = self.journal.path.with_name(f"unread-state-{now.utc:.0f}.json")
        try:
            aside.write_text(saved.body, encoding="utf-8")
        except OSError as error:
            raise JournalError(
                f"the saved state can't be read, nor copied to {aside} ({error.strerror}), and is "
                "not to be overwritten: make room there"
            ) from error
        return (
            f"the saved state could not be read: it is kept as {aside.name}; sow anew what stands"
        )

    def _place_the_unknown(self, events: list[Event]) -> None:
        """Batches of a crop or on a bench that the configuration no longer has: none is lost."""
        self.memory, self._left_out, said = fitted(self.memory, self.site)
        events += map(self._daemon_event, said)

    def _daemon_event(self, text: str) -> Event:
        return Event(at=self.clock.utc(), kind="daemon", text=text)

    def _write(self, events: Sequence[Event]) -> None:
        """Have these written at once, with the state, and then told; waits for nothing.

        What the disk refuses is kept with what is noted, and written when it takes that.
        """
        if not events:
            return
        self._log(events)
        loop = asyncio.get_running_loop()

        def written(future: Future[list[int]]) -> None:
            if future.exception() is not None:
                with suppress(JournalError):
                    self.journal.note(events=events)
            with suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(self._news.set)

        with suppress(JournalError):
            self._submit(events, self._saved()).add_done_callback(written)

    @staticmethod
    def _log(events: Iterable[Event]) -> None:
        for event in events:
            log.info("%s", event.text)

    def _submit(
        self,
        events: Iterable[Event],
        state: SavedState | None,
        request: RequestRow | None = None,
    ) -> Future[list[int]]:
        future = self.journal.submit(events=events, state=state, request=request)
        self._unwritten.append((time.monotonic(), future))
        return future

    async def _leave(self) -> None:
        with suppress(JournalError, TimeoutError):
            async with asyncio.timeout(LEAVE_LIMIT):
                await self.journal.commit(
                    events=[self._daemon_event("stopped")], state=self._saved()
                )
        await self.wire.close()

    # --- what is told -----------------------------------------------------------------------------

    async def _empty_outbox(self) -> None:
        """Give the broker every event on disk, in order, each until it is acknowledged."""
        acknowledged: asyncio.Queue[int] = asyncio.Queue()
        while True:
            with suppress(TimeoutError):
                async with asyncio.timeout(OUTBOX_EVERY):
                    await self._news.wait()
            if not self.wire.connected:
                await asyncio.sleep(BROKER_EVERY)
                continue
            self._news.clear()
            try:
                waiting = await _aside(lambda: self.journal.unpublished(OUTBOX))
            except JournalError as error:
                log.warning("events are not told for now: %s", error)
                continue
            offered = 0
            for event in waiting:
                payload = event_message(event).payload()
                done = partial(acknowledged.put_nowait, event.seq)
                offered += self.wire.publish_event(self.wire.topics.event, payload, done)
            for _ in range(offered):
                self.journal.mark_published(await acknowledged.get())
            if offered:
                self._news.set()  # there may be more

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
        for key, standing in alarm_messages(memory, now).items():
            self._show(
                topics.alarm(key),
                standing.payload(),
                standing.model_dump_json(exclude={"at"}),
                current,
            )
        for topic in self._shown.keys() - current.keys():
            self.wire.publish_latest(topic, None)
        self._shown = current
        if not self._swept:
            self._swept = True
            self.wire.sweep()

    def _show(self, topic: str, payload: bytes, content: str, current: dict[str, str]) -> None:
        current[topic] = content
        if self._shown.get(topic) != content:
            self.wire.publish_latest(topic, payload)

    # --- what is asked ----------------------------------------------------------------------------

    async def _asked(self, payload: bytes) -> None:
        await asyncio.sleep(0)  # a queue full of them holds up no tick
        try:
            request = envelope(payload)
        except RefusedError as error:
            self._refuse_unread(payload, str(error))
            return
        if problem := self.wire.topics.reply_to_problem(request.reply_to):
            refusals.warning("a request by %s was refused: %s", request.by, problem)
            return
        # Who asks the very same again, for want of an answer, must not be refused and then obeyed.
        known = self._answers.get(request.id) or self._refused.get(payload)
        done = False
        if known is None:
            if wait := self._each.wait(request.by, time.monotonic()):
                done, known = False, self._refusal(request.id, _too_many(request.by, wait))
            else:
                done, known = await self._carry_out(request)
            if not done and not self._may_answer_refusal():
                return
            if done:
                self._answers[request.id] = known
            else:
                self._refused[payload] = known
            for kept, most in ((self._answers, ANSWERS_KEPT), (self._refused, REFUSALS_KEPT)):
                while len(kept) > most:
                    kept.popitem(last=False)
        self.wire.reply(request.reply_to, known)
        if done:
            self._wake.set()  # what it changes is decided and told at once, after the answer

    async def _carry_out(self, request: Request) -> tuple[bool, bytes]:
        """Do it and write it down, or refuse it and change nothing; the answer's payload."""
        now = self.now()
        try:
            self._check_time(request, now)
            asked = arguments(request)
            done = apply(self.memory, self.site, asked, request.by, now)
            if not self._all.take(time.monotonic()):
                raise RefusedError(_too_many(request.by, self._all.wait(time.monotonic())))
        except RefusedError as error:
            return False, self._refuse(request, str(error))
        answer = AnswerMessage(
            at=iso(now.utc), id=request.id, ok=True, result=dict(done.result)
        ).payload()
        heading = Event(
            at=now.utc, kind="request", text=f"{request.by} asked: {request.kind}", by=request.by,
            data={"id": request.id, "kind": request.kind, "arguments": request.arguments},
        )  # fmt: skip
        events = [heading, *done.events]
        row = RequestRow(
            request.id, now.utc, request.kind, request.by,
            json.dumps(request.arguments), True, answer.decode(),
        )  # fmt: skip
        # Ticks go on while the disk writes. They know nothing of the request until it is written,
        # and write no state meanwhile: one without it must not follow the one with it.
        self._asking = True
        try:
            await asyncio.wrap_future(self._submit(events, self._saved(done.memory), row))
        except DuplicateRequestError:
            stored = await _aside(lambda: self.journal.answer_to(request.id))
            if stored is not None:
                return True, stored.encode()
            return False, self._refuse(request, "it was asked before")
        except (JournalError, ValueError) as error:
            return False, self._refuse(
                request, f"it can't be written down, so it is not done: {error}"
            )
        finally:
            self._asking = False
        # The same to what the ticks have left, which may be beyond what was asked (an alarm gone).
        with suppress(RefusedError):
            self.memory = apply(self.memory, self.site, asked, request.by, now).memory
            self._recorder.asked(request.id, now)
        self._log(events)
        self._news.set()
        return True, answer

    def _check_time(self, request: Request, now: Now) -> None:
        """Refuse what is not of now. A clock of ours that is not set does not keep anybody from a
        switch or an alarm."""
        if self.simulated:
            now = Now(now.mono, time.time())
        try:
            check_time(request, now)
        except RefusedError:
            if now.trusted:
                raise
            if request.kind not in TIMELESS:
                raise RefusedError(
                    f"the clock of the machine that runs the benches is not set (it says "
                    f"{iso(now.utc)}), so nothing can be dated: connect it to the network, or set it"
                ) from None

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
        return self._refusal(request.id, why)

    def _refusal(self, request_id: str, why: str) -> bytes:
        return AnswerMessage(at=iso(self.clock.utc()), id=request_id, ok=False, error=why).payload()

    def _may_answer_refusal(self) -> bool:
        """Count one; not where there were too many of late, whose answers would crowd out others'."""
        answered = self._aloud.take(time.monotonic())
        if not answered:
            refusals.warning("a refused request is not answered: over %d a minute", REFUSED_ALOUD)
        return answered

    def _refuse_unread(self, payload: bytes, why: str) -> None:
        """Answer a request that could not be read, if it says at least where to."""
        refusals.warning("a request was refused: %s", why)
        if not self._may_answer_refusal():
            return
        with suppress(ValueError, RecursionError):
            data = json.loads(payload)
            if isinstance(data, dict) and not self.wire.topics.reply_to_problem(
                data.get("reply_to")
            ):
                identifier = str(data.get("id", ""))[:64]
                self.wire.reply(data["reply_to"], self._refusal(identifier, why))
