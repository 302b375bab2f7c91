"""`light`: what a lamp gives, how high to hang it, when to raise it."""

from __future__ import annotations

import re
from dataclasses import asdict
from datetime import UTC, date, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.cli.asking import find_config, load_config, state_folder
from daemon.cli.lookup import read_library
from daemon.cli.options import AsJson, ConfigFile, StateFolder, among, crop_names
from daemon.cli.program import PLANNING, Failed, document, group, wrong
from daemon.cli.words import day_of, length_m, one_of

if TYPE_CHECKING:
    from profiles.light import Bed, Fixture, Lamp, LightKind, PpfdReading
    from profiles.model import Crop, Stage, StageTargets
    from profiles.units import Units

command = group(
    PLANNING,
    "light",
    """Light: what a reading means, what a day of it comes to, how high a lamp hangs and when to raise it.

    $ hotbed light reading 9000lux --lamp cool-white-fluorescent --hours 16

    $ hotbed light hang tomato --tubes 4 --length 120cm --spacing 8cm --reading 180 --at 20cm

    A lamp is known by its shape and one reading below its middle, at a distance that you measure.
    """,
)

KINDS = (
    "sun",
    "cool-white-fluorescent",
    "metal-halide",
    "high-pressure-sodium",
    "incandescent",
    "white-led",
    "red-blue-led",
)
_LIT_STAGES = ("germination", "seedling", "growing-on", "holding")

Kind = Annotated[
    str | None,
    typer.Option(
        "--lamp",
        metavar="KIND",
        help=f"For a reading in lux or foot-candles, what gave the light: {', '.join(KINDS)}.",
        autocompletion=among(*KINDS),
    ),
]
Hours = Annotated[float | None, typer.Option(metavar="H", help="Hours of light a day.")]
StageOption = Annotated[
    str,
    typer.Option(
        metavar="STAGE",
        help=f"Of the crop: {', '.join(_LIT_STAGES)}.",
        autocompletion=among(*_LIT_STAGES),
    ),
]


@command("dli")
def dli(
    ppfd: Annotated[
        float, typer.Option(metavar="PPFD", help="Light on the leaves [µmol m-2 s-1].")
    ],
    hours: Annotated[float, typer.Option(metavar="H", help="Hours of light a day.")],
    crop: Annotated[
        str | None,
        typer.Option(metavar="CROP", help="What it is judged against.", autocompletion=crop_names),
    ] = None,
    stage: StageOption = "seedling",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """The light of a day (DLI) from PPFD and hours: PPFD x hours x 3600 / 1,000,000.

    $ hotbed light dli --ppfd 200 --hours 16

    $ hotbed light dli --ppfd 120 --hours 14 --crop tomato --stage growing-on
    """
    from profiles.light import dli as day_of_light
    from profiles.model import Stage

    try:
        found = day_of_light(ppfd, hours)
    except ValueError as error:
        raise wrong(str(error)) from None
    result: dict[str, Any] = {"ppfd": ppfd, "hours": hours, "dli": found}
    lines = [f"{ppfd:g} µmol m-2 s-1 for {hours:g} h is {found:.1f} mol m-2 d-1."]
    if crop is not None:
        one, chosen, targets = _targets(crop, stage, config)
        if targets.dli is None:
            lines.append(f"{one.title} asks for no light as {chosen}.")
        else:
            low, high = targets.dli.low, targets.dli.high
            result["wanted"] = {"low": low, "high": high, "source": targets.dli.source}
            verdict = (
                "enough"
                if low <= found <= high
                else "too little"
                if found < low
                else "more than it"
            )
            lines.append(f"{one.title}, {chosen}: wants {low:g} to {high:g}, so that is {verdict}.")
            lines += _hours_that_do(targets, ppfd, found, result)
        lines += _day_length(one, Stage(chosen), hours, result)
    _tell(lines, result, as_json)


def _hours_that_do(
    targets: StageTargets, ppfd: float, found: float, result: dict[str, Any]
) -> list[str]:
    """How many hours of this light would be right, of those that the stage accepts; or what else."""
    from profiles.light import hours_for_dli, ppfd_for_dli

    wanted, span = targets.dli, targets.photoperiod_h
    if wanted is None or ppfd <= 0 or wanted.low <= found <= wanted.high:
        return []
    few = found < wanted.low
    need = hours_for_dli(wanted.low if few else wanted.high, ppfd)
    result["hours_for_low" if few else "hours_for_high"] = need
    said = f"At this light {wanted.low if few else wanted.high:g} takes {need:.1f} h"
    if span is None or span.low <= need <= span.high:
        return [f"{said}{'.' if few else ' at most.'}"]
    if few and need > span.high:
        least = ppfd_for_dli(wanted.low, span.high)
        return [
            f"{said}{': more than a day has' if need > 24 else ''}, and {span.low:g} to {span.high:g} h "
            f"is what it accepts: hang the lamp lower, for {least:.0f} µmol m-2 s-1 in {span.high:g} h."
        ]
    if few:  # less than its shortest day: it is only lit for too short
        return [f"{said}; it accepts {span.low:g} to {span.high:g} h."]
    most = ppfd_for_dli(wanted.high, span.low)
    return [
        f"{said} at most, and {span.low:g} to {span.high:g} h is what it accepts: hang the lamp higher, "
        f"or dim it, to {most:.0f} µmol m-2 s-1 in {span.low:g} h."
    ]


def _day_length(
    crop: Crop, stage: Stage, hours: float, result: dict[str, Any] | None = None
) -> list[str]:
    """What so long a day does to the crop, and whether the stage accepts it."""
    lines = []
    span = crop.stages[stage].photoperiod_h
    if span is not None:
        if result is not None:
            result["hours_accepted"] = {"low": span.low, "high": span.high, "source": span.source}
        if not span.low <= hours <= span.high:
            lines.append(
                f"{hours:g} h is outside of the {span.low:g} to {span.high:g} h that "
                f"{crop.title.lower()} accepts as {stage.value} ({span.source})."
            )
    for limit in crop.limits.values():
        if limit.quantity == "photoperiod" and stage in limit.stages and limit.exceeded(hours):
            lines.append(
                f"Days of over {limit.bound:g} h, {limit.hours / 24:g} of them {limit.counted}: "
                f"{limit.consequence} ({limit.source})"
            )
            if result is not None:
                harm = {"over_h": limit.bound, "days": limit.hours / 24, "source": limit.source}
                result["harm"] = {**harm, "consequence": limit.consequence}
    return lines


@command("reading")
def reading(
    value: Annotated[
        str,
        typer.Argument(
            metavar="READING", help="9000lux, 840fc (foot-candles), or 180 (µmol m-2 s-1)."
        ),
    ],
    lamp: Kind = None,
    hours: Hours = None,
    as_json: AsJson = False,
) -> None:
    """PPFD, what a plant uses, from a meter that reads in lux or foot-candles.

    A lux meter sees as an eye does, so it must be known what gave the light. Of red and blue lamps it
    hardly sees anything: there it says nothing, and only a PPFD will do.

    $ hotbed light reading 9000lux --lamp cool-white-fluorescent

    $ hotbed light reading 840fc --lamp white-led --hours 16
    """
    from profiles.light import dli as day_of_light

    ppfd, basis = _ppfd(value, lamp)
    result: dict[str, Any] = {"ppfd": ppfd}
    lines = []
    if basis is not None:
        span = f" ({basis.low:.0f} to {basis.high:.0f} as such lamps differ)" * (
            basis.low < basis.high
        )
        figure = basis.basis
        note = f": {figure.note}" if figure.note else ""
        lines += [
            f"{value} is {ppfd:.0f} µmol m-2 s-1{span}.",
            f"{figure.value:g} lux to 1 µmol m-2 s-1 ({figure.source}{note}). A hand-held meter's own "
            "error, 5 to 10 %, comes on top.",
        ]
        result |= {
            "low": basis.low,
            "high": basis.high,
            "lux_per_ppfd": figure.value,
            "source": figure.source,
        }
    else:
        lines.append(f"{ppfd:g} µmol m-2 s-1 is a PPFD already.")
    if hours is not None:
        try:
            day = day_of_light(ppfd, hours)
        except ValueError as error:
            raise wrong(f"--hours: {error}") from None
        result["dli"] = day
        lines.append(f"For {hours:g} h a day that is {day:.1f} mol m-2 d-1.")
    _tell(lines, result, as_json)


@command("hang")
def hang(
    crop: Annotated[
        str,
        typer.Argument(
            metavar="CROP",
            help="What it hangs over.",
            autocompletion=crop_names,
            show_default=False,
        ),
    ],
    tubes: Annotated[
        int | None, typer.Option(metavar="N", help="The lamp: so many tubes side by side,")
    ] = None,
    length: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="each so long: 120cm, 48in,")
    ] = None,
    spacing: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="from one's middle to the next;")
    ] = None,
    strips: Annotated[
        bool, typer.Option("--strips", help="flat ones that face down (LED), not round.")
    ] = False,
    panel: Annotated[
        str | None, typer.Option(metavar="LxW", help="Or a panel: 60x40cm, 24x16in.")
    ] = None,
    reading: Annotated[
        str | None,
        typer.Option(
            metavar="READING", help="What a meter reads below its middle: 180, 9000lux, 840fc;"
        ),
    ] = None,
    at: Annotated[
        str | None, typer.Option("--at", metavar="LENGTH", help="so far below the lamp.")
    ] = None,
    lamp: Kind = None,
    stage: StageOption = "seedling",
    height: Annotated[
        str | None,
        typer.Option(
            metavar="LENGTH",
            help="If it hangs so high over the leaves: the hours are asked for then.",
        ),
    ] = None,
    hours: Hours = None,
    bed: Annotated[
        str | None,
        typer.Option(metavar="LxW", help="What stands below: 54x56cm; one tray otherwise."),
    ] = None,
    closest: Annotated[
        str | None,
        typer.Option(
            metavar="LENGTH", help="How near the leaves may come, where the lamp's maker says so."
        ),
    ] = None,
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """How high to hang a lamp for a crop, or with --height how many hours it must be lit.

    Follows from the lamp's shape, not from inverse square, which is a law of points: a bench lamp is
    as wide as it is near. Walls that reflect make it brighter than told.

    $ hotbed light hang tomato --tubes 4 --length 120cm --spacing 8cm --reading 180 --at 20cm

    $ hotbed light hang lettuce --panel 60x40cm --reading 9000lux --lamp white-led --at 30cm --height 25cm
    """
    from profiles.light import Bed, calibrate, height_for_dli, lamp_hours
    from profiles.model import Stage

    if reading is None or at is None:
        raise wrong(
            "how bright is it? Give a --reading and --at, how far below the lamp it was taken"
        )
    one, chosen, targets = _targets(crop, stage, config)
    if targets.dli is None or targets.photoperiod_h is None:
        raise wrong(f"{one.title} asks for no light as {chosen}; allowed: a stage with a lamp")
    low, high = targets.dli.low, targets.dli.high
    span = targets.photoperiod_h
    day = span.best if hours is None else hours
    ppfd, _ = _ppfd(reading, lamp)
    try:
        fixture = _fixture(tubes, length, spacing, strips, panel, closest)
        below = Bed(*_sides("--bed", bed)) if bed is not None else Bed()
        known = calibrate(fixture, ppfd, length_m("--at", at))
        if height is not None:
            hung = length_m("--height", height)
            found = lamp_hours(
                known, below, (low + high) / 2, hung, shortest_h=span.low, longest_h=span.high
            )
        else:
            found = height_for_dli(known, below, (low + high) / 2, day)
    except ValueError as error:
        raise wrong(str(error)) from None
    units = _units(at, height, length, spacing, panel, bed, closest)
    lines = [
        f"{one.title}, {chosen}: wants {low:g} to {high:g} mol m-2 d-1 ({targets.dli.source}); "
        f"{span.best:g} h of light, {span.low:g} to {span.high:g} accepted.",
    ]
    if height is not None:
        lines.append(
            f"With the lamp {_long(found.height_m, units)} over the leaves: {found.hours:.1f} h a day."
        )
    else:
        lines.append(
            f"Hang the lamp {_long(found.height_m, units)} over the leaves, for {day:g} h a day."
        )
    if hours is not None and height is None:
        lines += _day_length(one, Stage(chosen), hours)
    lines.append(
        f"That gives {found.light.mean:.0f} µmol m-2 s-1 on average and {found.dli:.1f} mol m-2 d-1; "
        f"{found.least_dli:.1f} at the least lit place, {found.light.uniformity:.0%} of the average."
    )
    if found.problem:
        lines.append(f"{found.problem[0].upper()}{found.problem[1:]}.")
    elif found.dli > high and height is not None:
        higher = height_for_dli(known, below, (low + high) / 2, span.best)
        lines.append(
            f"That is more than it wants even in the shortest day it accepts: hang it higher, "
            f"{_long(higher.height_m, units)} for {span.best:g} h a day, or dim it."
        )
    elif found.dli > high:
        lines.append(
            "That is more than it wants even from so high: dim the lamp"
            + (f", or light {span.low:g} h." if day > span.low else ".")
        )
    if height is None:
        lines += _heights(known, below, (low, high), day, units)
    result = {
        "wanted": {"low": low, "high": high, "source": targets.dli.source},
        "height_m": found.height_m,
        "hours": found.hours,
        "ppfd": asdict(found.light),
        "dli": found.dli,
        "least_dli": found.least_dli,
        "reached": found.reached,
        "problem": found.problem,
    }
    _tell(lines, result, as_json, moves=True)


def _heights(
    lamp: Lamp, bed: Bed, wanted: tuple[float, float], hours: float, units: Units
) -> list[str]:
    """Between which heights it is right, where it can be."""
    from profiles.light import height_for_dli

    low, high = (height_for_dli(lamp, bed, each, hours) for each in wanted)
    if not low.reached:
        return []
    nearest = _long(high.height_m, units) if high.reached else "its nearest"
    return [f"Between {nearest} and {_long(low.height_m, units)} it gives what is wanted."]


@command("raise")
def raise_lamp(
    lamp_at: Annotated[
        str, typer.Option("--lamp-at", metavar="LENGTH", help="The lamp's height over the mix.")
    ],
    gap: Annotated[
        str, typer.Option(metavar="LENGTH", help="How far over the leaves it is to hang.")
    ],
    plant: Annotated[
        list[str] | None,
        typer.Option(
            metavar="DATE=LENGTH",
            help="A plant's height over the mix; two or more tell its growth.",
        ),
    ] = None,
    batch: Annotated[
        str | None,
        typer.Option(metavar="BATCH", help="Or the heights that were logged of a batch."),
    ] = None,
    least: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="How near leaves may come; 3/4 of the gap otherwise."),
    ] = None,
    today: Annotated[
        str | None,
        typer.Option(
            metavar="DATE",
            help="The day it is asked for; today otherwise, by the journal with --batch.",
        ),
    ] = None,
    state: StateFolder = None,
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """When to raise a lamp, and to where, as plants grow towards it.

    $ hotbed light raise --lamp-at 15cm --gap 8cm --plant 2026-03-14=4cm --plant 2026-03-21=6cm

    $ hotbed light raise --lamp-at 15cm --gap 8cm --batch TOM1 --state sim-state
    """
    from profiles.light import next_raise

    path = find_config(config)
    zone = load_config(path).site.tz if path is not None else None
    on = datetime.now(UTC).astimezone(zone).date()
    heights = []
    for word in plant or ():
        day, _, long = word.partition("=")
        heights.append((day_of("--plant", day), length_m("--plant", long)))
    if batch is not None:
        logged, on = _logged(batch, state, zone)
        heights += logged
    if today is not None:
        on = day_of("--today", today)
    if not heights:
        raise wrong("how high are the plants? Give --plant 2027-03-14=4cm, or a --batch")
    try:
        found = next_raise(
            heights,
            length_m("--lamp-at", lamp_at),
            length_m("--gap", gap),
            on=on,
            least_gap_m=None if least is None else length_m("--least", least),
        )
    except ValueError as error:
        raise wrong(str(error)) from None
    units = _units(lamp_at, gap, least, *(plant or ()))
    if found.gap_m < 0:
        lines = [f"On {on} the leaves are {_long(-found.gap_m, units)} above the lamp."]
    else:
        lines = [f"On {on} the leaves are {_long(found.gap_m, units)} below the lamp."]
    growth = found.growth_m_per_day
    if growth is None:
        lines.append("How fast they grow is not known: measure again in a few days.")
    elif growth:
        lines.append(
            f"They grow {1000 * growth:.1f} mm a day."
            if units == "C"
            else f"They grow {growth / 0.0254:.2f} in a day."
        )
    else:
        lines.append("By what was measured they don't grow: measure again, the same typical plant.")
    if found.due is None:
        lines.append("It need not be raised yet.")
    else:
        when = "now" if found.due <= on else f"by {found.due}"
        lines.append(f"Raise it {when}, to {_long(found.lamp_m, units)} over the mix.")
    _tell(lines, asdict(found), as_json, moves=True)


def _logged(
    batch: str, state: Path | None, zone: tzinfo | None
) -> tuple[list[tuple[date, float]], date]:
    """The heights that stand in the journal for a batch; and its newest day, which is the daemon's
    today: the simulator's may be months from this machine's."""
    from daemon.app import JOURNAL
    from daemon.care import What
    from daemon.journal import JournalError, read_events
    from daemon.story import records_of

    code = batch.strip().upper()
    journal = state_folder(state) / JOURNAL
    try:
        events = read_events(journal, kinds=["record"], batch=code, limit=None)
        newest = read_events(journal, limit=1)
    except JournalError as error:
        raise Failed(str(error)) from None

    def day(at: float) -> date:
        return datetime.fromtimestamp(at, zone).date()

    found = [
        (day(care.at), care.value / 1000)
        for care in records_of(events).standing(What.HEIGHT)
        if care.value is not None
    ]
    if not found:
        raise Failed(f"no height is logged of {code}: hotbed log {code} height 6cm")
    return found, day(newest[-1].at)


_READING = re.compile(r"(\d+(?:[.,]\d+)?)\s*(lux|lx|fc|)", re.ASCII)


def _ppfd(value: str, kind: str | None) -> tuple[float, PpfdReading | None]:
    """PPFD of a reading, with what it rests on if it was not one."""
    from profiles.light import LightKind, ppfd_from_footcandles, ppfd_from_lux

    found = _READING.fullmatch(value.strip().lower())
    if found is None:
        raise wrong(f"{value!r} is no reading; allowed: 180 (µmol m-2 s-1), 9000lux, 840fc")
    figure = float(found[1].replace(",", "."))
    if not found[2]:
        return figure, None
    if kind is None:
        raise wrong(f"what gave the light? --lamp, one of {', '.join(KINDS)}")
    chosen: LightKind = LightKind(one_of("kind of lamp", kind, KINDS))
    read = ppfd_from_footcandles if found[2] == "fc" else ppfd_from_lux
    try:
        basis = read(figure, chosen)
    except ValueError as error:
        raise wrong(str(error)) from None
    return basis.value, basis


def _fixture(
    tubes: int | None,
    length: str | None,
    spacing: str | None,
    strips: bool,
    panel: str | None,
    closest: str | None,
) -> Fixture:
    """Raises ValueError."""
    from profiles.light import Panel, Tubes

    near = {} if closest is None else {"closest_m": length_m("--closest", closest)}
    if (tubes is None) == (panel is None):
        raise wrong("what lamp is it? Either --tubes N with --length and --spacing, or --panel LxW")
    if panel is not None:
        return Panel(*_sides("--panel", panel), **near)
    assert tubes is not None
    if length is None or (tubes > 1 and spacing is None):
        raise wrong("--tubes goes with --length, and more than one with --spacing")
    return Tubes(
        tubes,
        length_m("--length", length),
        length_m("--spacing", spacing) if spacing is not None else 0.0,
        strips,
        **near,
    )


def _sides(option: str, text: str) -> tuple[float, float]:
    """Length and width [m], the unit behind both or each."""
    first, cross, second = text.lower().partition("x")
    if not cross:
        raise wrong(f"{option}: {text!r}; allowed: length x width, 60x40cm")
    if re.fullmatch(r"[\d.,]+\s*", first):
        unit = re.sub(r"[\d.,\s]", "", second)
        first = f"{first}{unit}"
    return length_m(option, first), length_m(option, second)


def _targets(crop: str, stage: str, config: Path | None) -> tuple[Crop, str, StageTargets]:
    from profiles.library import UnknownCrop
    from profiles.model import Stage

    path = find_config(config)
    library = read_library(load_config(path).site.crops if path is not None else None)
    chosen = one_of("stage", stage, [one.value for one in Stage])
    try:
        one = library.crop(crop)
    except UnknownCrop as error:
        raise Failed(str(error)) from None
    return one, chosen, one.stages[Stage(chosen)]


def _units(*lengths: str | None) -> Units:
    """What lengths are told in: inches where those that were given are."""
    return "F" if any(re.search(r"in|ft|\"", one.lower()) for one in lengths if one) else "C"


def _long(metres: float, units: Units) -> str:
    return f"{100 * metres:.0f} cm" if units == "C" else f"{metres / 0.0254:.1f} in"


def _tell(lines: list[str], result: dict[str, Any], as_json: bool, *, moves: bool = False) -> None:
    """moves: whether somebody moves a lamp for it, and is to be cautioned."""
    from profiles.light import LAMP_CAUTION

    if as_json:
        caution = {"caution": LAMP_CAUTION} if moves else {}
        document({"ok": True, "result": {**result, **caution}})
        return
    from rich.text import Text

    from daemon.screens import console

    for line in lines:
        console().print(Text(line))
    if moves:
        console().print(Text(f"\n{LAMP_CAUTION}", "yellow"))
