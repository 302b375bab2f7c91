"""From a crop's profile to what tasks, tallies and findings go by. Pure."""

from __future__ import annotations

from daemon.care import USUAL, Chill, Husbandry, LongDay
from profiles.model import Crop, Figure, Limit, LimitKind, Span, Stage

_CHILL = (LimitKind.BUTTONING, LimitKind.BOLTING_AFTER_COLD)
_LONG = (LimitKind.BULBING, LimitKind.BOLTING_IN_LONG_DAYS)


def husbandry_of(crop: Crop, stage: Stage) -> Husbandry:
    """What the crop's care goes by at that stage; the usual practice where its profile is silent."""
    targets = crop.stages[stage]
    feed = targets.feed
    chill = _first(crop, *_CHILL)
    long_day = _first(crop, *_LONG)
    pot_on = crop.pot_on_weeks_from_emergence
    return Husbandry(
        feed_days=(
            USUAL.feed_days
            if feed.interval_days is None
            else Span(low=feed.interval_days.low, high=feed.interval_days.high, source=feed.source)
        ),
        feed_strength=(
            USUAL.feed_strength
            if feed.strength is None
            else "half the label rate"
            if feed.strength == 0.5
            else f"{feed.strength * 100:.0f} % of the label rate"
        ),
        thin_days=crop.thin_days_from_emergence,
        pot_on_days=(
            None
            if pot_on is None
            else Span(low=7 * pot_on.low, high=7 * pot_on.high, source=pot_on.source)
        ),
        chill=None
        if chill is None
        else Chill(chill.bound, chill.hours, chill.consequence, chill.source),
        long_day=None
        if long_day is None
        else LongDay(long_day.bound, long_day.consequence, long_day.source),
        cold_rot=crop.limits.get(LimitKind.COLD_ROT),
        dormancy=crop.limits.get(LimitKind.THERMODORMANCY),
        stocky_dif_c=(
            None
            if targets.dif_c is None
            else Figure(value=targets.dif_c.high, source=targets.dif_c.source)
        ),
    )


def _first(crop: Crop, *kinds: LimitKind) -> Limit | None:
    return next((crop.limits[kind] for kind in kinds if kind in crop.limits), None)
