"""From batches and their counts to what emergence still needs, and what earlier batches taught. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from daemon.care import DAY, Tally
from daemon.sharing import Aim
from daemon.state import Batch, BenchMemory, BenchSpec, Count, Memory
from profiles.emergence import early_fraction
from profiles.forecast import (
    Look,
    Record,
    Requirement,
    believe,
    record_of,
    record_of_date,
    requirement,
)
from profiles.model import Crop, Stage

#: The lamp comes on at this part of the early edge: light that waits for a seedling costs a little,
#: a seedling that waits for light is spoilt (common practice, no source).
EARLIER = 0.9


#: What the soil that counts towards emergence is known by; "aim" is nothing but what it should be.
Basis = Literal["soil", "air", "room", "aim"]
#: Soil this far [°C] from its aim for a day is not on the way there: the room is too warm, or the mat too
#: weak (our judgement).
_OFF_AIM_C = 1.0


def counted_soil(
    probed: bool, soil: float | None, air: float | None, room: float | None, aim: float | None
) -> tuple[float | None, Basis]:
    """The soil [°C] that counts towards emergence, and by what it is known.

    probed: whether the bench has a soil probe. Without one no mat warms it, so it is about as warm as
    the air there. Where nothing measures it is taken to be at the aim, for a lamp that waits spoils
    seedlings and one too early costs little.
    """
    if soil is not None:
        return soil, "soil"
    if not probed and air is not None:
        return air, "air"
    if not probed and room is not None:
        return room, "room"
    return aim, "aim"


def soil_ahead(
    spec: BenchSpec | None, bench: BenchMemory | None, aim: Aim, tally: Tally
) -> tuple[float | None, float | None]:
    """The soil [°C] that a batch is likely to have from now on, by day and, where it differs, by night.

    Where a mat keeps it, the aim; what it has had on average where there is none, or where a day showed
    that the aim is not kept. tally: of the batch since its stage began.
    """
    mean = tally.soil_c
    measured = None
    if bench is not None:
        measured, _ = counted_soil(
            bool(spec is not None and spec.soil_probes), bench.soil, bench.air, bench.room, None
        )
    known = mean if mean is not None else measured
    if spec is None or spec.mat is None or aim.soil is None:
        return (known if known is not None else aim.soil), None
    if mean is not None and mean > aim.soil + _OFF_AIM_C:
        return mean, None
    cold = aim.soil if aim.soil_night is None else min(aim.soil, aim.soil_night)
    if mean is not None and tally.soil_s >= DAY and mean < cold - _OFF_AIM_C:
        return mean, None
    return aim.soil, aim.soil_night


def lot_of(batch: Batch) -> str:
    """What names a seed lot among a crop's: variety, lot and year, as the packet has them.

    Empty where nobody said any of them: two such sowings may be of one packet or of two.
    """
    parts = [str(part).strip().lower() for part in (batch.variety, batch.lot, batch.year or "")]
    return "/".join(parts) if any(parts) else ""


def progress_at(batch: Batch, done: float, at: float, now: float) -> float:
    """The progress that a batch had at a time past (POSIX s), taken as even since it was sown."""
    age = now - batch.sown_at
    return done if age <= 0 else done * min(1.0, max(0.0, (at - batch.sown_at) / age))


def soonest_days(crop: Crop) -> float:
    """Days from sowing before which no seedling of the crop comes up, by the table's fastest cell.

    The first of a tray is up before the day that the table has for it, see `early_fraction`.
    """
    fastest = min(days for _, days in crop.emergence.points)
    return fastest * early_fraction(fastest)


def looks_of(batch: Batch, crop: Crop) -> list[Look]:
    """The batch's counts, but for those of seedlings sooner than can be: nothing is learnt of a slip."""
    soonest = batch.sown_at + soonest_days(crop) * DAY
    return [
        Look(count.progress, count.up, count.of)
        for count in batch.counts
        if not count.up or count.at >= soonest
    ]


def need_of(batch: Batch, crop: Crop, taught: Mapping[str, Record]) -> Requirement:
    """What the batch's emergence needs, after its counts and what the crop's other batches taught.

    taught: by batch code.
    """
    best = crop.stages[Stage.GERMINATION].soil_best
    soil = (best.low + best.high) / 2 if best is not None else 20.0
    records = [record for code, record in taught.items() if code != batch.code]
    return requirement(
        believe(records, lot_of(batch)),
        crop.emergence.doubt(soil),
        looks_of(batch, crop),
        batch.cells,
        crop.germination_percent.value / 100,
    )


def lesson_of(batch: Batch, crop: Crop, done: float, at: float, now: float) -> Record | None:
    """What a batch that leaves germination taught: by its counts, or by the day it was said to be up.

    None where its soil was not measured, so that nothing is known of its progress, or where it was said
    to be up sooner than can be.
    """
    if done <= 0:
        return None
    counted = record_of(looks_of(batch, crop), lot_of(batch), batch.cells)
    if counted is not None:
        return counted
    if at - batch.sown_at < soonest_days(crop) * DAY:
        return None
    then = progress_at(batch, done, at, now)
    return record_of_date(then, lot_of(batch)) if then > 0 else None


def learnt_of(batch: Batch, taught: Mapping[str, Record]) -> str:
    """What is expected of the next batch of its seed lot, after all that is taught, in words."""
    return believe(list(taught.values()), lot_of(batch)).told()


def with_progress(
    counts: tuple[Count, ...], old: tuple[Count, ...], batch: Batch, done: float, now: float
) -> tuple[Count, ...]:
    """The counts with the progress at each: kept where it was known, else worked out."""
    known = {(count.at, count.up): count.progress for count in old}
    return tuple(
        Count(
            count.at,
            count.up,
            count.of,
            count.by,
            known.get((count.at, count.up), progress_at(batch, done, count.at, now)),
        )
        for count in counts
    )


def needs_of(memory: Memory, crops: Mapping[str, Crop]) -> Mapping[str, Requirement]:
    """What every germinating batch needs, with those filled in that are not yet known."""
    missing = [
        code
        for code, batch in memory.batches.items()
        if code not in memory.needs and batch.stage is Stage.GERMINATION
    ]
    if not missing:
        return memory.needs
    fresh = {
        code: need_of(
            memory.batches[code],
            crops[memory.batches[code].crop],
            memory.lessons.get(memory.batches[code].crop, {}),
        )
        for code in missing
    }
    return {**memory.needs, **fresh}
