"""What goes over the wire, as models; `schemas` gives the JSON Schema of each.

Times are RFC 3339 in UTC, temperatures °C, durations in the unit of the key's name. The models are
filled from the memory and the last decision by the functions below, which are pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from daemon.alarms import CATALOGUE, first_out
from daemon.bench import AIR_FRESH, mean_reading
from daemon.care import Records, Tally, What, said
from daemon.control import iso
from daemon.decide import Decision, moisture_of, next_change
from daemon.diagnosis import Finding, findings
from daemon.energy import NO_ENERGY, Energy
from daemon.events import StoredEvent
from daemon.forecasts import Basis, counted_soil, lot_of, need_of, soil_ahead
from daemon.hardening import lows_of
from daemon.requests import Request
from daemon.room import Estimate, estimate, together
from daemon.sharing import Aim
from daemon.state import DAY, HOUR, Alarm, Batch, BenchMemory, Call, Memory, Now, RelaySpec, Site
from daemon.tasks import Facts, Task, look_every, tasks_of
from profiles.forecast import Range, believe, forecast
from profiles.model import Stage

#: How many records of a batch go over the wire.
RECORDS_SHOWN = 12


class _Message(BaseModel):
    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        populate_by_name=True,
        json_schema_serialization_defaults_required=True,
    )

    schema_: Annotated[Literal[1], Field(alias="schema")] = 1
    at: str

    def payload(self) -> bytes:
        """The message as it is published."""
        return self.model_dump_json(by_alias=True).encode()


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Span(_Part):
    """A range, low to high."""

    low: float
    high: float


class ProbeReading(_Part):
    """The newest reading of one probe. quality "ok" steers, every other says how the probe failed."""

    probe: str
    measures: Literal["soil", "air"]
    celsius: float | None
    quality: str


class Change(_Part):
    """The next change by schedule."""

    on: bool
    at: str


class RelayReport(_Part):
    """A lamp or a mat: whether it is told to be on, whether it says it is, and why.

    lit: of a lamp, whether what measures its power or light shows it lit; None where nothing does.
    """

    on: bool
    confirmed: bool | None
    why: str
    kept: Literal["on", "off"] | None
    kept_by: str | None
    hours_today: float
    next: Change | None
    lit: bool | None = None


class BenchAim(_Part):
    """What the bench is steered to after all batches on it have had their say."""

    soil: float | None
    soil_range: Span | None
    ceiling: float | None
    light_hours: float
    air_day: Span | None
    air_night: Span | None
    dli: Span | None


class EnergyReport(_Part):
    """Energy drawn [kWh], as the configured watts make it, and its cost; None without a tariff."""

    kwh: float = 0.0
    lamp_kwh: float = 0.0
    mat_kwh: float = 0.0
    cost: float | None = None
    currency: str | None = None


class BenchMessage(_Message):
    """`bench/<bench>`: readings, aim, outputs and why, safety stops, light so far today.

    moisture: by a probe, as the score of a finger in the mix, 1 to 5. room: measured. room_estimate:
    where it is not, with its standard deviation, both in °C.
    watts: drawn now. energy: since `energy_from`; energy_today: since midnight or that.
    """

    bench: str
    title: str
    trays: float
    trays_taken: float
    soil: float | None
    air: float | None
    room: float | None
    readings: list[ProbeReading]
    aim: BenchAim
    lamp: RelayReport | None
    mat: RelayReport | None
    safety_stops: list[str]
    conflicts: list[str]
    batches: list[str]
    covered: bool
    moisture: float | None = None
    room_estimate: float | None = None
    room_estimate_sd: float | None = None
    watts: float = 0.0
    energy_today: EnergyReport = EnergyReport()
    energy: EnergyReport = EnergyReport()
    energy_from: str | None = None


class Dates(_Part):
    """A date that is not sure: eight in ten lie from early to late."""

    early: str
    likely: str
    late: str


class Expected(_Part):
    """When emergence is expected at the soil temperature `soil` [°C]: first and half of those that will
    come, and the last but a few; and the date by the published table. `learnt`: what earlier batches
    made of the table, in words. `overdue`: half should have been up before now, and no date is likely."""

    soil: float
    first: Dates | None
    half: Dates | None
    final: Dates | None
    table: str | None
    learnt: str
    overdue: bool = False


class CountReport(_Part):
    """Seedlings up at one look."""

    at: str
    up: int
    of: int | None
    by: str


class TaskReport(_Part):
    """One thing to do; `command` is the hotbed command that records it as done, `caution` what could hurt
    somebody who does it."""

    kind: str
    text: str
    due: str | None
    overdue: bool
    command: str
    source: str
    caution: str = ""


class Shown(_Part):
    """A figure that a finding rests on."""

    name: str
    value: float
    unit: str


class FindingReport(_Part):
    """A risk found in the records, with the figures it rests on and what to check."""

    kind: str
    level: Literal["risk", "watch", "not-measured", "fine"]
    sentence: str
    figures: list[Shown]
    checks: list[str]
    sources: list[str]


class CareReport(_Part):
    """A record: what somebody did or saw; `n` is its number, for corrections."""

    n: int
    at: str
    text: str
    by: str
    struck_by: str | None


class BatchMessage(_Message):
    """`batch/<batch>`: crop, stage, since, emergence forecast, next tasks; cleared at the end.

    records: the newest RECORDS_SHOWN, oldest first; the journal has all. energy: the batch's part, by
    trays, of what its benches drew. taught: finished batches of the crop that its forecast learnt from.
    look_every_h: how often its moisture is to be looked at.
    """

    batch: str
    crop: str
    title: str
    variety: str
    lot: str
    year: int | None
    treatment: str
    place: str
    stage: Stage
    since: str
    sown_at: str
    days: float
    trays: float
    cells: int | None
    covered: bool
    parent: str | None
    revision: int
    emergence_percent: float | None
    counted_by: Basis | None = None
    expected: Expected | None
    counts: list[CountReport]
    tasks: list[TaskReport]
    findings: list[FindingReport]
    records: list[CareReport]
    energy: EnergyReport = EnergyReport()
    look_every_h: float | None = None
    taught: int = 0


class AlarmMessage(_Message):
    """`alarm/<alarm>`: state, priority, cause, what to do; cleared when nobody is needed any more.

    first_out: where several of a bench may be of one fault, the alarm that came first (perhaps this
    one). called: who was called about it.
    """

    alarm: str
    kind: str
    priority: Literal["critical", "high", "medium", "low"]
    title: str
    state: Literal["active", "acknowledged", "returned", "shelved"]
    cause: str
    consequence: str
    action: str
    bench: str | None
    batch: str | None
    raised_at: str
    acknowledged_by: str | None
    snoozed_until: str | None
    needs_reset: bool
    first_out: str | None = None
    called: list[str] = []


class EventMessage(_Message):
    """`event`: what happened, as journalled; `seq` is its number in the journal."""

    seq: int
    kind: str
    text: str
    bench: str | None
    batch: str | None
    by: str | None
    data: dict[str, Any]


class AnswerMessage(_Message):
    """The answer to a request, on its `reply_to`, sent once the journal has it on disk."""

    id: str
    ok: bool
    result: dict[str, Any] | None = None
    error: str | None = None


def _span(pair: tuple[float, float] | None) -> Span | None:
    return None if pair is None else Span(low=pair[0], high=pair[1])


def bench_messages(
    memory: Memory, site: Site, decision: Decision, confirmed: Mapping[str, bool | None], utc: float
) -> dict[str, BenchMessage]:
    """The state of each bench after a decision."""
    minds = (bench.room_mind for bench in decision.memory.benches.values())
    room = together(map(estimate, minds))
    return {
        name: _bench(name, memory, site, decision, confirmed, room, utc) for name in site.benches
    }


def _bench(
    name: str,
    memory: Memory,
    site: Site,
    decision: Decision,
    confirmed: Mapping[str, bool | None],
    about: Estimate | None,
    utc: float,
) -> BenchMessage:
    spec, aim = site.benches[name], decision.aims[name]
    bench, output = decision.memory.benches[name], decision.outputs[name]
    on_it = [batch for batch in memory.batches.values() if batch.place == name]

    def relay(kind: str, on: bool, why: str, seconds: float, change: Change | None) -> RelayReport:
        keep = memory.keeps.get(f"{name}/{kind}")
        return RelayReport(
            on=on,
            confirmed=confirmed.get(f"{name}/{kind}"),
            why=why,
            kept=None if keep is None else ("on" if keep.on else "off"),
            kept_by=None if keep is None else keep.by,
            hours_today=round(seconds / HOUR, 3),
            next=change,
            lit=bench.lit if kind == "lamp" else None,
        )

    change = next_change(site, spec, aim, utc)
    kinds: tuple[tuple[tuple[str, ...], Literal["soil", "air"]], ...] = (
        (spec.soil_probes, "soil"),
        (spec.air_probes, "air"),
    )
    return BenchMessage(
        at=iso(utc),
        bench=name,
        title=spec.title,
        trays=spec.trays,
        trays_taken=sum(batch.trays for batch in on_it),
        soil=_fresh_soil(decision, name),
        air=bench.air,
        room=bench.room,
        readings=[
            ProbeReading(
                probe=probe.split("/")[1],
                measures=measures,
                celsius=decision.readings[probe].value,
                quality=decision.readings[probe].quality.value,
            )
            for probes, measures in kinds
            for probe in probes
        ],
        aim=BenchAim(
            soil=output.target,
            soil_range=_span(aim.soil_range),
            ceiling=aim.ceiling,
            light_hours=aim.hours,
            air_day=_span(aim.air_day),
            air_night=_span(aim.air_night),
            dli=_span(aim.dli),
        ),
        lamp=spec.lamp
        and relay(
            "lamp",
            output.lamp,
            output.lamp_why,
            bench.lit_s,
            change and Change(on=change[0], at=iso(change[1])),
        ),
        mat=spec.mat and relay("mat", output.mat, output.mat_why, bench.heated_s, None),
        room_estimate=None if about is None else round(about.celsius, 1),
        room_estimate_sd=None if about is None else round(about.sd, 1),
        watts=_watts(spec.lamp, output.lamp) + _watts(spec.mat, output.mat),
        energy_today=_energy(bench.energy_today, site),
        energy=_energy(bench.energy, site),
        energy_from=iso(utc if bench.energy_from is None else bench.energy_from),
        safety_stops=list(output.stops),
        conflicts=list(aim.conflicts),
        batches=[batch.code for batch in on_it],
        covered=aim.covered,
        moisture=_score(decision, site, name),
    )


def _score(decision: Decision, site: Site, place: str) -> float | None:
    now = decision.memory.at
    if now is None:
        return None
    score = moisture_of(site, place, decision.readings, now)
    return None if score is None else round(score, 1)


def _watts(relay: RelaySpec | None, on: bool) -> float:
    return relay.watts if relay is not None and on else 0.0


def _energy(energy: Energy, site: Site) -> EnergyReport:
    tariff = site.tariff
    return EnergyReport(
        kwh=round(energy.kwh, 2),
        lamp_kwh=round(energy.lamp_wh / 1000, 2),
        mat_kwh=round(energy.mat_wh / 1000, 2),
        cost=None if tariff is None else round(energy.cost, 2),
        currency=None if tariff is None else tariff.currency,
    )


def _fresh_soil(decision: Decision, name: str) -> float | None:
    bench, at = decision.memory.benches[name], decision.memory.at
    assert at is not None
    return None if bench.soil is None or at.mono - bench.soil_at > 600 else bench.soil


def batch_message(
    batch: Batch, memory: Memory, site: Site, decision: Decision | None, utc: float
) -> BatchMessage:
    """The state of one batch."""
    germinating = batch.stage is Stage.GERMINATION
    done = memory.progress.get(batch.code)
    crop, records = site.crops[batch.crop], memory.care.get(batch.code, Records())
    husbandry = site.husbandry[batch.crop, batch.stage]
    expected = _expected(batch, memory, site, decision, utc) if germinating else None
    facts = facts_of(batch, memory, site, decision, expected)
    found = findings(
        batch,
        crop,
        records,
        memory.tallies.get(batch.code, Tally()),
        utc,
        progress=done if germinating else None,
        late_edge=memory.needs[batch.code].late_edge if batch.code in memory.needs else None,
        husbandry=husbandry,
        units=site.units,
    )
    return BatchMessage(
        at=iso(utc),
        batch=batch.code,
        crop=batch.crop,
        title=site.crops[batch.crop].title,
        variety=batch.variety,
        lot=batch.lot,
        year=batch.year,
        treatment=batch.treatment,
        place=batch.place,
        stage=batch.stage,
        since=iso(batch.since),
        sown_at=iso(batch.sown_at),
        days=round((utc - batch.sown_at) / DAY, 2),
        trays=batch.trays,
        cells=batch.cells,
        covered=batch.covered,
        parent=batch.parent,
        revision=batch.revision,
        energy=_energy(memory.energy.get(batch.code, NO_ENERGY), site),
        taught=sum(code != batch.code for code in memory.lessons.get(batch.crop, {})),
        emergence_percent=round(done * 100, 1) if germinating and done is not None else None,
        counted_by=_counted_by(batch, memory, site, decision) if germinating else None,
        expected=expected,
        counts=[
            CountReport(at=iso(count.at), up=count.up, of=count.of, by=count.by)
            for count in batch.counts
        ],
        tasks=[_task(task) for task in tasks_of(batch, crop, records, facts, utc, husbandry)],
        findings=[_finding(finding) for finding in found],
        records=[
            CareReport(
                n=care.n,
                at=iso(care.at),
                text=said(care, site.units),
                by=care.by,
                struck_by=care.struck_by or None,
            )
            for care in records.entries[-RECORDS_SHOWN:]
        ],
        look_every_h=round(look_every(batch) / HOUR, 2),
    )


def _counted_by(
    batch: Batch, memory: Memory, site: Site, decision: Decision | None
) -> Basis | None:
    """By what the soil is known that counts towards its emergence; None where nothing counts it."""
    spec = site.benches.get(batch.place)
    aim = decision.aims.get(batch.place) if decision is not None else None
    if spec is None or aim is None:
        return None
    bench = memory.benches.get(batch.place) or BenchMemory()
    probed = bool(spec.soil_probes)
    soil, by = counted_soil(probed, bench.soil, bench.air, bench.room, aim.soil)
    return by if soil is not None else None


def _expected(
    batch: Batch, memory: Memory, site: Site, decision: Decision | None, utc: float
) -> Expected | None:
    bench = decision.memory.benches.get(batch.place) if decision is not None else None
    aim = decision.aims.get(batch.place) if decision is not None else None
    spec = site.benches.get(batch.place)
    tally = memory.tallies.get(batch.code) or Tally()
    soil, night = soil_ahead(spec, bench, aim or Aim(), tally)
    if soil is None:
        return None
    model = site.crops[batch.crop].emergence
    course = (soil,) if night is None else (soil, soil, night)  # eight hours of the night
    rate = sum(map(model.rate, course)) / len(course)
    if rate * 365 < 1:
        return None
    done = memory.progress.get(batch.code, 0.0)
    taught = memory.lessons.get(batch.crop, {})
    needed = memory.needs.get(batch.code) or need_of(batch, site.crops[batch.crop], taught)
    ahead = forecast(model, needed, done, course)

    def dates(span: Range | None) -> Dates | None:
        if span is None:
            return None
        early, likely, late = (iso(utc + days * DAY) for days in (span.low, span.mid, span.high))
        return Dates(early=early, likely=likely, late=late)

    return Expected(
        soil=soil,
        first=dates(ahead.first),
        half=dates(ahead.half),
        final=dates(ahead.final),
        table=iso(utc + max(0.0, 1 - done) / rate * DAY) if done < 1 else None,
        learnt=believe(
            [record for code, record in taught.items() if code != batch.code], lot_of(batch)
        ).told(),
        overdue=done >= needed.late_edge,
    )


def facts_of(
    batch: Batch, memory: Memory, site: Site, decision: Decision | None, expected: Expected | None
) -> Facts:
    """What the batch's tasks depend on beside itself."""
    spec = site.benches.get(batch.place)
    hung = [
        care
        for code, records in memory.care.items()
        if code in memory.batches and memory.batches[code].place == batch.place
        for care in records.standing(What.RAISED_LAMP)
        if care.value is not None
    ]
    outdoor_soil = None
    if decision is not None and decision.memory.at is not None:
        outdoor_soil = mean_reading(
            decision.readings, site.outdoor_soil, decision.memory.at, AIR_FRESH
        )
    return Facts(
        zone=site.zone,
        units=site.units,
        lamp=spec is not None and spec.lamp is not None,
        called=batch.code in memory.called,
        expected=None
        if expected is None or expected.half is None
        else (
            _utc((expected.first or expected.half).early),
            _utc(expected.half.likely),
            _utc(expected.half.late),
        ),
        lamp_mm=max(hung, key=lambda care: care.at).value if hung else None,
        style=site.hardening,
        harden_days=round(site.crops[batch.crop].harden_days.high),
        lows=lows_of(memory.care.get("site", Records()), site.zone),
        dusk=site.dusk,
        latitude=site.latitude,
        longitude=site.longitude,
        outdoor_soil_c=outdoor_soil,
        last_frost=site.last_frost,
        moisture=None if decision is None else _score(decision, site, batch.place),
    )


def _utc(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def _task(task: Task) -> TaskReport:
    return TaskReport(
        kind=task.kind,
        text=task.text,
        due=None if task.due is None else iso(task.due),
        overdue=task.overdue,
        command=task.command,
        source=task.source,
        caution=task.caution,
    )


def _finding(finding: Finding) -> FindingReport:
    return FindingReport(
        kind=finding.kind,
        level=finding.level,
        sentence=finding.sentence,
        figures=[Shown(name=name, value=value, unit=unit) for name, value, unit in finding.figures],
        checks=list(finding.checks),
        sources=list(finding.sources),
    )


def alarm_messages(memory: Memory, now: Now) -> dict[str, AlarmMessage]:
    """The state of each alarm by its key, with what it means and what to do."""
    first = first_out(memory.alarms)
    return {
        key: _alarm(alarm, first.get(key), memory.calls.get(key), now)
        for key, alarm in memory.alarms.items()
    }


def _alarm(alarm: Alarm, first: str | None, call: Call | None, now: Now) -> AlarmMessage:
    kind = CATALOGUE[alarm.kind]
    return AlarmMessage(
        at=iso(now.utc),
        alarm=alarm.key,
        kind=alarm.kind,
        priority=kind.priority,
        title=kind.title,
        state=alarm.state,
        cause=alarm.cause,
        consequence=kind.consequence,
        action=kind.action,
        bench=alarm.bench,
        batch=alarm.batch,
        raised_at=iso(alarm.raised_at),
        acknowledged_by=alarm.acknowledged_by or None,
        snoozed_until=(
            None
            if alarm.shelved_until is None
            else iso(now.utc + max(0.0, alarm.shelved_until - now.mono))
        ),
        needs_reset=alarm.latched,
        first_out=first,
        called=list(call.told) if call is not None else [],
    )


def event_message(event: StoredEvent) -> EventMessage:
    """One event, as journalled."""
    return EventMessage(
        at=iso(event.at),
        seq=event.seq,
        kind=event.kind,
        text=event.text,
        bench=event.bench,
        batch=event.batch,
        by=event.by,
        data=dict(event.data),
    )


MODELS: Mapping[str, type[BaseModel]] = {
    "bench": BenchMessage,
    "batch": BatchMessage,
    "alarm": AlarmMessage,
    "event": EventMessage,
    "request": Request,
    "answer": AnswerMessage,
}


def schemas() -> dict[str, dict[str, Any]]:
    """The JSON Schema of each payload, by the topic's word."""
    return {
        name: model.model_json_schema(
            by_alias=True, mode="validation" if name == "request" else "serialization"
        )
        for name, model in MODELS.items()
    }
