"""Choosing the soil temperature that seed germinates at: what each costs, and one that several share.

Warmer soil brings most seed up sooner, up to a point; past it fewer seedlings are normal, and each
degree over the room is paid for in kWh. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log

from profiles.bounds import check, check_over_0
from profiles.forecast import Belief, Range, believe, forecast, requirement
from profiles.model import Crop, Stage, Temperature

#: Watts that hold one covered, moist tray of 10 x 20 inch a degree over its room: 18 W lift it by 9.8 °C
#: (the simulated tray's own balance, set by common practice: no source; tests hold it to that).
WATTS_PER_C = 18 / 9.8
#: Steps of the table of temperatures [°C].
STEP_C = 2.5
#: The aim stays this far [°C] under what harms seed or roots.
_MARGIN_C = 1.0
#: Steps of a shared temperature [°C].
_STEP_SHARED = 0.5
#: Seed that takes so many times its days, or has less than this part of its normal seedlings, does not do
#: well (our judgement).
_SLOWER, _POORER = 1.5, 0.8


@dataclass(frozen=True, slots=True)
class Trade:
    """What germinating at one soil temperature comes to.

    table_days: to emergence by the published table, None where nothing comes up. half_up: days until
    half of the seedlings that will come are up in a real tray, eight in ten of them in the range.
    normal_percent: of the seedlings, 100 at the crop's best; None where nobody tested.
    mat_w: of the mat on average; 0 where the room is as warm. mat_kwh: until half are up.
    """

    soil_c: float
    table_days: float | None
    half_up: Range | None
    normal_percent: float | None
    mat_w: float
    mat_kwh: float | None


def trade(
    crop: Crop,
    soil_c: float,
    room_c: float,
    *,
    trays: float = 1.0,
    watts_per_c: float = WATTS_PER_C,
    belief: Belief | None = None,
) -> Trade:
    """What germinating at a soil of `soil_c` [°C] comes to in a room of `room_c` [°C].

    trays: under covers. watts_per_c: of one tray, see `WATTS_PER_C`. belief: of how late this grower's
    seed is, the prior otherwise. Raises ValueError for figures out of range.
    """
    check("soil temperature", soil_c, 0, 40, "°C")
    check("room temperature", room_c, -10, 40, "°C")
    check_over_0("number of trays", trays)
    check_over_0("watts per °C", watts_per_c, "W/°C")
    model = crop.emergence
    needed = requirement(
        believe((), "") if belief is None else belief,
        model.doubt(soil_c),
        germination=crop.germination_percent.value / 100,
    )
    half = forecast(model, needed, 0.0, (soil_c,)).half
    watts = max(0.0, soil_c - room_c) * watts_per_c * trays
    return Trade(
        soil_c,
        model.days(soil_c),
        half,
        crop.normal_percent(soil_c),
        watts,
        None if half is None else watts * half.mid * 24 / 1000,
    )


def trade_off(
    crop: Crop, room_c: float, *, trays: float = 1.0, watts_per_c: float = WATTS_PER_C
) -> tuple[Trade, ...]:
    """What each of the crop's `temperatures` comes to. Raises as `trade` does."""
    return tuple(
        trade(crop, soil_c, room_c, trays=trays, watts_per_c=watts_per_c)
        for soil_c in temperatures(crop)
    )


def temperatures(crop: Crop) -> list[float]:
    """Soil temperatures [°C] by `STEP_C` over what the crop accepts, its ends and its aim; rising."""
    span = _accepted(crop)
    steps = {STEP_C * n for n in range(ceil(span.low / STEP_C), floor(span.high / STEP_C) + 1)}
    return sorted(steps | {span.low, span.high, best_c(crop)})


def best_c(crop: Crop) -> float:
    """The soil temperature [°C] that a crop by itself germinates at: the middle of what it likes."""
    best = crop.stages[Stage.GERMINATION].soil_best
    assert best is not None  # the model has it so
    return (best.low + best.high) / 2


def _accepted(crop: Crop) -> Temperature:
    span = crop.stages[Stage.GERMINATION].soil_acceptable
    assert span is not None  # the model has it so
    return span


@dataclass(frozen=True, slots=True)
class Shared:
    """One soil temperature for several crops.

    soil_c: to aim for [°C]; low_c, high_c: what all accept, low over high where there is no such, and
    then the aim is the warmest that all stand. low_of, high_of: whose ends those are. hardships: what
    the aim costs whom, empty where all do well.
    """

    crops: tuple[Crop, ...]
    soil_c: float
    low_c: float
    high_c: float
    low_of: Crop
    high_of: Crop
    hardships: tuple[Hardship, ...]

    @property
    def fits(self) -> bool:
        """Whether they can share a bench well."""
        return self.low_c <= self.high_c and not self.hardships


@dataclass(frozen=True, slots=True)
class Hardship:
    """What a soil temperature costs a crop, beside what it likes: days, and percent normal seedlings.

    days: None where nothing comes up. normal_percent: None where nobody tested.
    """

    crop: Crop
    days: float | None
    days_alone: float | None
    normal_percent: float | None
    normal_alone: float | None


def hardship(crop: Crop, soil_c: float) -> Hardship | None:
    """What germinating at `soil_c` [°C], and not at what it likes, costs a crop; None if it does well."""
    own = best_c(crop)
    days, alone = crop.emergence.days(soil_c), crop.emergence.days(own)
    normal, normal_alone = crop.normal_percent(soil_c), crop.normal_percent(own)
    slow = days is None or (alone is not None and days > _SLOWER * alone and days - alone >= 2.0)
    poor = normal is not None and normal_alone is not None and normal < _POORER * normal_alone
    return Hardship(crop, days, alone, normal, normal_alone) if slow or poor else None


def best_shared(crops: Sequence[Crop]) -> Shared:
    """The soil temperature at which several crops germinate best on one bench, see `kindest`.

    Where they accept nothing in common, the warmest that all stand. A bench is steered by the same
    rule. Raises ValueError for no crop.
    """
    if not crops:
        raise ValueError("no crop is named; allowed: one or more")
    low_of = max(crops, key=lambda crop: _accepted(crop).low)
    high_of = min(crops, key=warmest)
    low, high = _accepted(low_of).low, warmest(high_of)
    soil_c = kindest(crops, low, high)
    costs = (hardship(crop, soil_c) for crop in crops)
    return Shared(
        tuple(crops),
        soil_c,
        low,
        high,
        low_of,
        high_of,
        tuple(cost for cost in costs if cost is not None),
    )


def kindest(crops: Sequence[Crop], low_c: float, high_c: float) -> float:
    """The soil temperature [°C] from `low_c` to `high_c` that is kindest to all these crops' seed.

    Of one crop alone, the nearest to what it likes. Of several, by half degrees, where the product of
    their speeds and of the squares of their parts of normal seedlings is greatest: so none is made to
    pay for the rest, and a lost seedling weighs more than a late one (our judgement). `high_c` if
    `low_c` is over it.
    """
    if low_c >= high_c:
        return high_c
    wish = sum(map(best_c, crops)) / len(crops)
    if len({crop.name for crop in crops}) == 1:
        return min(max(wish, low_c), high_c)
    first, last = ceil(low_c / _STEP_SHARED), floor(high_c / _STEP_SHARED)
    steps = [low_c, *(_STEP_SHARED * n for n in range(first, last + 1)), high_c]
    return max(
        steps,
        key=lambda soil_c: (
            round(sum(_ease(crop, soil_c) for crop in crops), 3),
            -abs(soil_c - wish),
        ),
    )


def _ease(crop: Crop, soil_c: float) -> float:
    """The logarithm of a crop's speed and of the square of its part of normal seedlings."""
    rate, normal = crop.emergence.rate(soil_c), crop.normal_percent(soil_c)
    return log(max(rate, 1e-6)) + (0.0 if normal is None else 2 * log(max(normal / 100, 1e-3)))


def warmest(crop: Crop) -> float:
    """The warmest soil [°C] that its seed may be kept at."""
    ceiling = crop.stages[Stage.GERMINATION].soil_ceiling_c.value
    return min(_accepted(crop).high, ceiling - _MARGIN_C)


def benches_for(crops: Sequence[Crop]) -> tuple[tuple[Crop, ...], ...]:
    """The crops parted into as few groups as can each share a bench well, the coolest first.

    Each group has neighbours in what they like best; of as few groups, those with the greatest ease.
    """
    order = sorted(crops, key=lambda each: (best_c(each), each.name))
    # By the number of crops parted: how many groups, less their ease, and where the last begins.
    parted: list[tuple[int, float, int]] = [(0, 0.0, 0)]
    for end in range(1, len(order) + 1):
        ways = []
        for start in range(end):
            shared = best_shared(order[start:end])
            if shared.fits or end - start == 1:
                many, unease, _ = parted[start]
                ease = sum(_ease(crop, shared.soil_c) for crop in order[start:end])
                ways.append((many + 1, unease - ease, start))
        parted.append(min(ways))
    groups = []
    end = len(order)
    while end:
        start = parted[end][2]
        groups.append(tuple(order[start:end]))
        end = start
    return tuple(reversed(groups))
