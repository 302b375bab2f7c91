"""From batches and their counts to what emergence still needs, and what earlier batches taught. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from daemon.state import DAY, Batch, Count, Memory
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
    waiting = [code for code, batch in memory.batches.items() if batch.stage is Stage.GERMINATION]
    missing = [code for code in waiting if code not in memory.needs]
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
