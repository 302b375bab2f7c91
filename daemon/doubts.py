"""What is odd about a record, so that a slip is seen at once: it is taken all the same. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from daemon.care import HOUR, Care, Records, What, said, worded_span
from daemon.forecasts import soonest_days
from daemon.state import DAY, Batch
from profiles.model import Crop
from profiles.units import Units

#: Plants that measure less than this part of what they did are odd: somebody measures a little
#: otherwise each time, and a shoot that bends is lower (our judgement).
SHRUNK = 0.8


def doubts(batch: Batch, crop: Crop, records: Records, care: Care, units: Units) -> Iterator[str]:
    """What does not go with the batch's other records, in sentences.

    records: with `care`, the newest of them, among them.
    """
    if care.what is What.FED:
        feed = crop.stages[batch.stage].feed
        if feed.strength is None:
            yield f"{crop.title.lower()} is not fed in {batch.stage.value}: {feed.text} ({feed.source})"
    if care.value is None:
        return
    mend = f"if that was a slip: hotbed log {batch.code} amend {care.n}"
    before = [
        one
        for one in records.standing(care.what)
        if one is not care and one.at <= care.at and one.value is not None
    ]
    if care.what is What.EMERGED:
        if care.value and care.at - batch.sown_at < soonest_days(crop) * DAY:
            yield (
                f"{worded_span(care.at - batch.sown_at)} after sowing is sooner than the table's "
                f"fastest ({worded_span(soonest_days(crop) * DAY)} for the first): no forecast learns "
                f"from this count; {mend} emerged N, or --at when it was"
            )
        most = max((one for one in before if one.of == care.of), key=_value, default=None)
        if most is not None and care.value < _value(most):
            yield (
                f"that is fewer than the {said(most, units)} of {_ago(most, care)} before; if some died, "
                f"a note says of what; {mend} emerged N"
            )
    elif care.what is What.HEIGHT and before:
        last = before[-1]
        if care.value < SHRUNK * _value(last):
            yield (
                f"that is much lower than the {said(last, units)} of {_ago(last, care)} before; "
                f"{mend} height N"
            )


def _value(care: Care) -> float:
    return care.value or 0.0


def _ago(then: Care, care: Care) -> str:
    return worded_span(max(HOUR, care.at - then.at))
