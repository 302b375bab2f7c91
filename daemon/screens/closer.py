"""One batch or one bench whole: what `status` leaves out for brevity, with the figures it rests on."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from rich.console import Group, RenderableType
from rich.text import Text

from daemon.messages import (
    RECORDS_SHOWN,
    AlarmMessage,
    BatchMessage,
    BenchMessage,
    FindingReport,
    Shown,
)
from daemon.screens.base import View, labelled, styled
from daemon.screens.site import (
    TASKS_SHOWN,
    Picture,
    alarm_parts,
    batch_head,
    batch_part,
    batch_rows,
    bench_part,
    cautions,
    header,
    span,
    task_text,
)
from profiles.problems import nearest
from profiles.units import format_difference, format_length

_LEVELS = {"risk": "red", "watch": "yellow", "not-measured": "", "fine": ""}


def subject(picture: Picture, name: str) -> str:
    """The batch, bench or other place of that name, in any case of letters.

    Raises ValueError with the nearest there is.
    """
    batches = {one.batch.casefold(): one.batch for one in picture.batches}
    places = [one.bench for one in picture.benches] + [one.place for one in picture.batches]
    known = {place.casefold(): place for place in places} | batches
    wanted = name.strip().casefold()
    if wanted not in known:
        hint = nearest(wanted, list(known))
        for key, one in known.items():
            hint = hint.replace(f"{key!r}", f"{one!r}")
        raise ValueError(
            f"no batch, bench or place {name!r}{hint}; there are: "
            f"{', '.join(dict.fromkeys([*batches.values(), *known.values()])) or 'none'}"
        )
    return known[wanted]


def about(picture: Picture, name: str) -> Picture:
    """What of the picture is of that batch, bench or place."""
    batches = [one for one in picture.batches if name in (one.batch, one.place)]
    return Picture(
        online=picture.online,
        benches=[one for one in picture.benches if one.bench == name],
        batches=batches,
        alarms=[
            one for one in picture.alarms if name in (one.bench, one.batch, *_codes(one, batches))
        ],
        unreadable=picture.unreadable,
    )


def _codes(alarm: AlarmMessage, batches: list[BatchMessage]) -> Iterator[str]:
    """The place of the alarm's batch."""
    yield from (one.place for one in batches if one.batch == alarm.batch)


def reasons(picture: Picture, view: View) -> RenderableType:
    """Why each lamp and mat of these benches is on or off now, and what it is steered to."""
    parts: list[RenderableType] = []
    for bench in picture.benches:
        rows: list[tuple[str, str | Text]] = []
        for label, one in (("mat", bench.mat), ("lamp", bench.lamp)):
            if one is not None:
                rows.append((label, styled(f"{'on' if one.on else 'off'}: {one.why}")))
        aim = bench.aim
        if aim.soil is not None:
            accepts = ""
            if aim.soil_range is not None:
                low, high = aim.soil_range.low, aim.soil_range.high
                accepts = f", of the {view.degs(low, high)} that all here accept"
            rows.append(("aim", f"soil at {view.deg(aim.soil)}{accepts}"))
        if bench.batches:
            rows.append(("for", styled(", ".join(bench.batches))))
        rows += [("stop", styled(f"safety stop: {one}", "red")) for one in bench.safety_stops]
        rows += [("conflict", styled(one, "yellow")) for one in bench.conflicts]
        parts += [styled(bench.bench, "bold"), labelled(rows)]
    return Group(*parts)


def closer(site: str, picture: Picture, name: str, view: View, now: float) -> RenderableType:
    """That batch, bench or place by itself. now: POSIX seconds by this machine."""
    here = view.local(picture.at if picture.at is not None else now)
    own = about(picture, name)
    parts: list[RenderableType] = [header(site, picture, view, now)]
    parts += [styled(sentence, "yellow") for sentence in own.unreadable]
    if own.alarms:
        parts += [Text(), *alarm_parts(own.alarms, view, here)]
    parts.append(Text())
    batch = next((one for one in own.batches if one.batch == name), None)
    if batch is not None:
        return Group(*parts, *_batch(batch, view, here), *cautions([batch.tasks]))
    for bench in own.benches:
        parts += [bench_part(bench, view, here), labelled(_bench(bench, view))]
    if not own.benches:
        parts.append(styled(f"{name}, without heat or lamps", "bold"))
    parts += [batch_part(one, view, here) for one in own.batches]
    parts += cautions([one.tasks[:TASKS_SHOWN] for one in own.batches])
    return Group(*parts)


def _bench(bench: BenchMessage, view: View) -> Iterator[tuple[str, str | Text]]:
    """What else it goes by, and each probe."""
    aim = bench.aim
    if aim.ceiling is not None:
        yield "ceiling", f"soil of {view.deg(aim.ceiling)}: over it the mat is stopped"
    if bench.lamp is not None:
        yield "light", f"{aim.light_hours:g} h a day"
    for label, wanted in (("by day", aim.air_day), ("by night", aim.air_night)):
        if wanted is not None:
            yield label, f"air of {view.degs(wanted.low, wanted.high)} wanted"
    if aim.dli is not None:
        yield "DLI", f"{aim.dli.low:g} to {aim.dli.high:g} mol m-2 d-1 wanted"
    for one in bench.readings:
        value = "" if one.celsius is None else f", {view.deg(one.celsius)}"
        yield "probe", f"{one.probe}, of the {one.measures}: {one.quality}{value}"


def _batch(one: BatchMessage, view: View, now: datetime) -> Iterator[RenderableType]:
    yield batch_head(one)
    seed = [
        f"lot {one.lot}" if one.lot else "",
        f"of {one.year}" if one.year else "",
        one.treatment,
    ]
    rows = [("place", one.place), *batch_rows(one, view, now)]
    if seed := [part for part in seed if part]:
        rows.insert(1, ("seed", ", ".join(seed)))
    expected = one.expected
    if expected is not None:
        if expected.final is not None:
            rows.append(("all up", span(expected.final, view, now)))
        rows.append(("reckoned", f"with the soil at {view.deg(expected.soil)} from now on"))
        if not one.taught:
            rows.append(("learnt", expected.learnt))
    yield labelled(rows, indent=4)
    if len(one.counts) > 1:
        yield _heading("Counts")
        yield labelled(
            (
                (
                    view.when(count.at, now),
                    f"{count.up}" + (f" of {count.of}" if count.of else "") + f", by {count.by}",
                )
                for count in one.counts
            ),
            indent=4,
            width=13,
        )
    yield _heading("From the records")
    for found in one.findings:
        said = f"    {found.kind.replace('-', ' ')}: {found.level.replace('-', ' ')}"
        yield styled(said, _LEVELS[found.level])
        yield labelled(_finding(found, view), indent=6)
    if not one.findings:
        yield Text("    nothing is judged of it")
    yield _heading("To do")
    yield labelled((("-", task_text(task, view, now)) for task in one.tasks), indent=4, width=1)
    if not one.tasks:
        yield Text("    nothing now")
    yield _heading("Records")
    yield labelled(
        (
            (
                f"{care.n}",
                f"{view.when(care.at, now)}  {care.text}, by {care.by}"
                + (f" (struck by {care.struck_by})" if care.struck_by else ""),
            )
            for care in one.records
        ),
        indent=4,
        width=4,
    )
    if not one.records:
        yield Text("    none yet")
    if len(one.records) >= RECORDS_SHOWN:
        yield Text(f"    the newest; all of them: hotbed log {one.batch}", "dim")


def _heading(text: str) -> Text:
    return Text(f"\n  {text}", "bold")


def _finding(found: FindingReport, view: View) -> Iterator[tuple[str, str]]:
    yield "", found.sentence
    if found.figures:
        yield "figures", "; ".join(f"{one.name} {_figure(one, view)}" for one in found.figures)
    yield from (("check" if not n else "", f"- {one}") for n, one in enumerate(found.checks))
    if found.sources:
        yield "by", ", ".join(found.sources)


def _figure(shown: Shown, view: View) -> str:
    """A figure in the units that are read."""
    match shown.unit:
        case "°C":
            return view.deg(shown.value)
        case "K":
            return format_difference(shown.value, view.units)
        case "mm":
            return format_length(shown.value, view.units)
        case "":
            return f"{round(shown.value, 2):g}"
        case unit:
            return f"{shown.value:.1f} {unit}"
