"""The state of a site: alarms, benches, batches."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from rich.console import Group, RenderableType
from rich.text import Text

from daemon.alarms import PRIORITIES
from daemon.energy import said_energy
from daemon.messages import (
    AlarmMessage,
    BatchMessage,
    BenchMessage,
    Dates,
    EnergyReport,
    RelayReport,
    TaskReport,
)
from daemon.screens.base import View, labelled, plain, styled
from drivers.protocols import WORDED, Quality
from profiles.model import Stage
from profiles.problems import explain

#: A picture this old [s] is no longer the present; a daemon ticks at least every minute.
STALE = 300.0
#: How many of a batch's next tasks are shown.
TASKS_SHOWN = 4

_ALARM_STYLES = {"critical": "bold red", "high": "red", "medium": "yellow", "low": ""}
_Message = TypeVar("_Message", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Picture:
    """What the broker keeps of a site, read.

    online: what the daemon, or the broker for it, last said; None when it never said anything.
    unreadable: a sentence for each message that this version does not understand.
    """

    online: bool | None
    benches: Sequence[BenchMessage]
    batches: Sequence[BatchMessage]
    alarms: Sequence[AlarmMessage]
    unreadable: Sequence[str]

    @classmethod
    def of(cls, kept: Mapping[str, Mapping[str, Any]]) -> Picture:
        """From the messages, by topic less its `hotbed/<site>/`."""
        unreadable: list[str] = []

        def read(kind: str, model: type[_Message]) -> list[_Message]:
            found = []
            for topic in sorted(kept):
                if topic.partition("/")[0] != kind:
                    continue
                try:
                    found.append(model.model_validate(kept[topic]))
                except ValidationError as error:
                    unreadable.append(
                        f"{topic} can't be read by this version of hotbed "
                        f"({explain(error, model)[0]}): update the older of the two"
                    )
            return found

        return cls(
            online={"online": True, "offline": False}.get(
                str(kept.get("availability", {}).get("state"))
            ),
            benches=read("bench", BenchMessage),
            batches=read("batch", BatchMessage),
            alarms=read("alarm", AlarmMessage),
            unreadable=unreadable,
        )

    @property
    def at(self) -> str | None:
        """When the daemon last said how its benches are, RFC 3339; None when it never did."""
        return max((bench.at for bench in self.benches), default=None)


def status(site: str, picture: Picture, view: View, now: float) -> RenderableType:
    """The whole site: alarms on top, then bench by bench, then what stands elsewhere.

    now: POSIX seconds by this machine.
    """
    # The daemon's own time, where it runs: the simulator's may be days ahead.
    here = view.local(picture.at if picture.at is not None else now)
    parts: list[RenderableType] = [header(site, picture, view, now)]
    if len(picture.benches) > 1 and any(bench.energy_from for bench in picture.benches):
        parts.append(_site_power(picture.benches))
    parts += [styled(sentence, "yellow") for sentence in picture.unreadable]
    if picture.alarms:
        parts += [Text(), *alarm_parts(picture.alarms, view, here)]
    known = {bench.bench for bench in picture.benches}
    for bench in picture.benches:
        parts += [Text(), bench_part(bench, view, here)]
        parts += [
            batch_part(one, view, here) for one in picture.batches if one.place == bench.bench
        ]
    elsewhere = sorted({one.place for one in picture.batches} - known)
    for place in elsewhere:
        parts += [Text(), styled(f"{place}, without heat or lamps", "bold")]
        parts += [batch_part(one, view, here) for one in picture.batches if one.place == place]
    if picture.benches and not picture.batches:
        name = picture.benches[0].bench
        parts += [
            Text(),
            Text(f"Nothing is sown yet; for example: hotbed sow lettuce --bench {name}"),
        ]
    parts += cautions([one.tasks[:TASKS_SHOWN] for one in picture.batches])
    return Group(*parts)


def cautions(tasks: Iterable[Sequence[TaskReport]]) -> Iterator[RenderableType]:
    """What could hurt somebody who does what is shown, each once."""
    told = dict.fromkeys(one.caution for each in tasks for one in each if one.caution)
    yield from (Text(f"\n{plain(caution)}", "yellow") for caution in told)


def age(seconds: float) -> str:
    """A span of time in the largest unit that fits."""
    for unit, name in ((86400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= unit:
            many = int(seconds // unit)
            return f"{many} {name}{'s' if many > 1 else ''}"
    return "under a minute"


def _site_power(benches: Sequence[BenchMessage]) -> Text:
    today = [bench.energy_today for bench in benches]
    kwh, cost = sum(one.kwh for one in today), sum(one.cost or 0.0 for one in today)
    return styled(
        f"{sum(bench.watts for bench in benches):g} W on now; "
        f"{said_energy(kwh, cost, today[0].currency)} today"
    )


def behind(picture: Picture, now: float) -> float | None:
    """How old the picture is [s]; None when it holds no bench. Negative for a clock that is ahead."""
    return None if picture.at is None else now - datetime.fromisoformat(picture.at).timestamp()


def header(site: str, picture: Picture, view: View, now: float) -> Text:
    old = behind(picture, now)
    head = styled(site, "bold")
    if picture.at is not None:
        at = view.local(picture.at)
        head.append(f"  {at:%A} {at.day} {at:%B}, {at:%H:%M}")
    aged = f", {age(old)} old" if old is not None and old >= 0 else ""
    if picture.online is not True:
        head.append(f"\nThe daemon is not running. Its last known state{aged}:", "bold red")
    elif old is not None and old > STALE:
        head.append(f"\nNo news from the daemon. Its last known state{aged}:", "bold red")
    return head


def alarms(standing: Sequence[AlarmMessage], view: View, now: float) -> RenderableType:
    """All alarms, the most urgent first."""
    if not standing:
        return Text("No alarms.")
    return Group(*alarm_parts(standing, view, view.local(now)))


def alarm_parts(
    standing: Sequence[AlarmMessage], view: View, now: datetime
) -> Iterator[RenderableType]:
    urgent = sorted(
        standing,
        key=lambda one: (one.state == "shelved", PRIORITIES.index(one.priority), one.raised_at),
    )
    for alarm in urgent:
        said = {
            "active": "",
            "acknowledged": f", seen by {alarm.acknowledged_by or 'somebody'}",
            "returned": ", returned to normal",
            "shelved": f", snoozed until {view.when(alarm.snoozed_until, now)}"
            if alarm.snoozed_until
            else "",
        }[alarm.state]
        head = styled(f"{alarm.priority.upper()} {alarm.title}", _ALARM_STYLES[alarm.priority])
        head.append(plain(f"  since {view.when(alarm.raised_at, now)}{said}"), "not bold default")
        yield head
        if alarm.state == "shelved":
            continue
        rows = [("what", alarm.cause), ("if not", alarm.consequence), ("do", alarm.action)]
        followed = sum(one.first_out == alarm.alarm for one in standing) - 1
        if alarm.first_out == alarm.alarm and followed > 0:
            more = "another" if followed == 1 else f"{followed} others"
            rows.append(("first", f"this came first, and {more} after it: look here first"))
        elif alarm.first_out not in (None, alarm.alarm):
            rows.append(("first", f"{alarm.first_out} came first: look there first"))
        if alarm.called:
            rows.append(("called", ", ".join(alarm.called)))
        if alarm.needs_reset:
            rows.append(("then", f"hotbed alarms reset {alarm.alarm}"))
        elif alarm.state in ("active", "returned"):
            rows.append(("seen?", f"hotbed alarms ack {alarm.alarm}"))
        if alarm.state == "returned":
            rows = [row for row in rows if row[0] not in ("if not", "do")]
        yield labelled(rows)


def bench_part(bench: BenchMessage, view: View, now: datetime) -> RenderableType:
    title = f"  {bench.title}" if bench.title and bench.title != bench.bench else ""
    head = styled(bench.bench, "bold")
    head.append(plain(f"{title}  ({bench.trays_taken:g} of {bench.trays:g} trays taken)"))
    rows: list[tuple[str, str | Text]] = [("soil", _soil(bench, view)), ("air", _air(bench, view))]
    if bench.room is not None:
        rows.append(("room", view.deg(bench.room)))
    elif bench.room_estimate is not None:
        about = f"about {view.shown(bench.room_estimate):.0f} °{view.units}"
        rows.append(("room", f"{about} (estimated)"))
    if bench.moisture is not None:
        rows.append(("moisture", f"{bench.moisture:.1f} of 5, by its probe"))
    bad = [
        f"{one.probe} {WORDED[Quality(one.quality)] if one.quality in list(Quality) else one.quality}"
        for one in bench.readings
        if one.quality != "ok"
    ]
    if bad:
        rows.append(("probes", Text(plain("; ".join(bad)), "yellow")))
    if bench.mat is not None:
        rows.append(("mat", _relay(bench.mat, "h on today", view, now)))
    if bench.lamp is not None:
        rows.append(("lamp", _relay(bench.lamp, "h of light so far today", view, now)))
    if bench.energy_from is not None:
        since = view.day(bench.energy_from, now)
        today, whole = _energy(bench.energy_today), _energy(bench.energy)
        rows.append(("power", f"{bench.watts:g} W now; {today} today, {whole} since {since}"))
    if bench.covered:
        rows.append(("cover", "on"))
    rows += [("stop", styled(f"safety stop: {one}", "red")) for one in bench.safety_stops]
    rows += [("conflict", styled(one, "yellow")) for one in bench.conflicts]
    return Group(head, labelled(rows))


def _soil(bench: BenchMessage, view: View) -> str:
    measured = any(one.measures == "soil" for one in bench.readings)
    if bench.soil is not None:
        said = view.deg(bench.soil)
    else:
        said = "no good reading" if measured else "not measured"
    aim = bench.aim
    if aim.soil is None:
        return f"{said}, not to be heated" if bench.mat is not None else said
    accepts = (
        f" (accepted: {view.degs(aim.soil_range.low, aim.soil_range.high)})"
        if aim.soil_range is not None
        else ""
    )
    return f"{said}, aiming for {view.deg(aim.soil)}{accepts}"


def _air(bench: BenchMessage, view: View) -> str:
    if bench.air is not None:
        said = view.deg(bench.air)
    else:
        measured = any(one.measures == "air" for one in bench.readings)
        said = "no good reading" if measured else "not measured"
    day = bench.lamp is not None and bench.lamp.on
    span = bench.aim.air_day if day else bench.aim.air_night
    if span is None:
        return said
    return f"{said}, wanted {'by day' if day else 'by night'} {view.degs(span.low, span.high)}"


def _relay(relay: RelayReport, hours: str, view: View, now: datetime) -> Text:
    said = Text("on" if relay.on else "off", "bold")
    # What a person wants outranks the program, not a safety stop, and then only the stop is the why.
    keep = (
        f" ({relay.kept_by or 'somebody'} keeps it {relay.kept})"
        if relay.kept is not None and f"kept {relay.kept}" not in relay.why
        else ""
    )
    said.append(plain(f": {relay.why}{keep}; {relay.hours_today:.1f} {hours}"), "not bold")
    if relay.next is not None:
        turn = "on" if relay.next.on else "off"
        said.append(f"; next {turn} {view.when(relay.next.at, now)}", "not bold")
    if relay.confirmed is not None and relay.confirmed != relay.on:
        said.append(f"; it reports {'on' if relay.confirmed else 'off'} itself", "red")
    if relay.lit is not None and relay.lit != relay.on:
        said.append(f"; its meter shows it {'lit' if relay.lit else 'dark'}", "red")
    return said


def _energy(energy: EnergyReport) -> str:
    return said_energy(energy.kwh, energy.cost, energy.currency)


def batch_part(batch: BatchMessage, view: View, now: datetime) -> RenderableType:
    """A batch in short: where it is at, what may go wrong, and what is next."""
    rows = batch_rows(batch, view, now)
    rows += [(one.level, one.sentence) for one in batch.findings if one.level in ("risk", "watch")]
    rows += [
        ("next" if i == 0 else "", task_text(one, view, now))
        for i, one in enumerate(batch.tasks[:TASKS_SHOWN])
    ]
    return Group(batch_head(batch), labelled(rows, indent=4))


def batch_head(batch: BatchMessage) -> Text:
    name = f"{batch.title} '{batch.variety}'" if batch.variety else batch.title
    head = styled(f"  {batch.batch}", "bold")
    cells = f", {batch.cells} cells" if batch.cells else ""
    trays = f"{batch.trays:g} tray" + ("s" if batch.trays > 1 else "")
    return head.append(plain(f"  {name}: {trays}{cells}"), "not bold")


def batch_rows(batch: BatchMessage, view: View, now: datetime) -> list[tuple[str, str]]:
    """Its stage, when it will be up and what that was learnt from, its last count, its energy."""
    days = int(batch.days)
    rows = [
        (
            "stage",
            f"{batch.stage.value} since {view.day(batch.since, now)}, "
            f"{days} day{'' if days == 1 else 's'} after sowing"
            + (", covered" if batch.covered else ""),
        )
    ]
    if batch.stage is Stage.GERMINATION and not any(one.up for one in batch.counts):
        rows.append(("emerges", _emergence(batch, view, now)))
        if batch.expected is not None and batch.taught:
            rows.append(("learnt", batch.expected.learnt))
    if batch.counts:
        last = batch.counts[-1]
        of = f" of {last.of}" if last.of else ""
        rows.append(("counted", f"{last.up}{of} up, {view.day(last.at, now)}, by {last.by}"))
    if batch.energy.kwh:
        rows.append(("energy", f"{_energy(batch.energy)}, its part by trays"))
    return rows


def task_text(task: TaskReport, view: View, now: datetime) -> str:
    due = ""
    if task.overdue:
        due = "overdue: "
    elif task.due is not None:
        due = f"{view.day(task.due, now)}: "
    return f"{due}{task.text} [{task.command}]" if task.command else f"{due}{task.text}"


#: What a count towards emergence rests on, where it is not the soil.
_COUNTED_BY = {
    "air": " (by the air: no probe is in the soil)",
    "room": " (by the room: no probe is on this bench)",
    "aim": " (a guess: its soil is not measured, and taken to be at the aim)",
}


def _emergence(batch: BatchMessage, view: View, now: datetime) -> str:
    done = ""
    if batch.emergence_percent is not None:
        known = _COUNTED_BY.get(batch.counted_by or "soil", "")
        done = f"{batch.emergence_percent:.0f} % of the warmth it needs{known}; "
    expected = batch.expected
    if expected is not None and expected.overdue:
        return f"{done}overdue: half should have been up before now"
    if expected is None or expected.half is None:
        return f"{done}no date: the soil there is not measured, or too cold or hot to come up"

    said = done
    if expected.first is not None:
        said += f"first up {span(expected.first, view, now)}, "
    said += f"half up {span(expected.half, view, now)}, most likely {view.day(expected.half.likely, now)}"
    return said + (f"; by the table {view.day(expected.table, now)}" if expected.table else "")


def span(dates: Dates, view: View, now: datetime) -> str:
    """From the early to the late date; one where they are the same."""
    early, late = view.day(dates.early, now), view.day(dates.late, now)
    return early if early == late else f"{early} to {late}"
