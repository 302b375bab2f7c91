"""Choosing the soil temperature that seed germinates at: what each costs, and one that several share.

Warmer soil brings most seed up sooner, up to a point; past it fewer seedlings are normal, and each
degree over the room is paid for in kWh. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations
from math import ceil, floor

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
    check("number of trays", trays, 0.1, 1000)
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

    soil_c: to aim for [°C]; low_c, high_c: what all accept, low over high where they can't share, and
    then the aim is what harms nobody. low_of, high_of: whose ends those are.
    """

    crops: tuple[Crop, ...]
    soil_c: float
    low_c: float
    high_c: float
    low_of: Crop
    high_of: Crop

    @property
    def fits(self) -> bool:
        return self.low_c <= self.high_c

    @property
    def bound_by(self) -> Crop | None:
        """Whose limit keeps the aim from the middle of what all like best; None where none does."""
        wish = sum(map(best_c, self.crops)) / len(self.crops)
        if not self.fits or self.soil_c < wish:
            return self.high_of
        return self.low_of if self.soil_c > wish else None


def best_shared(crops: Sequence[Crop]) -> Shared:
    """The soil temperature at which several crops germinate best on one bench.

    Inside what all accept, the point nearest to what they like best on average: there the squares of
    their distances from it are least. Where they accept nothing in common, the warmest that harms
    none. A bench is steered by the same rule. Raises ValueError for no crop.
    """
    if not crops:
        raise ValueError("no crop is named; allowed: one or more")
    return Shared(
        tuple(crops),
        _aim(crops),
        _low(crops),
        _high(crops),
        max(crops, key=lambda crop: _accepted(crop).low),
        min(crops, key=_warmest),
    )


def _aim(crops: Sequence[Crop]) -> float:
    wish = sum(map(best_c, crops)) / len(crops)
    return min(max(wish, _low(crops)), _high(crops))


def _low(crops: Sequence[Crop]) -> float:
    return max(_accepted(crop).low for crop in crops)


def _high(crops: Sequence[Crop]) -> float:
    return min(map(_warmest, crops))


def _warmest(crop: Crop) -> float:
    """The warmest soil [°C] that it may be kept at."""
    ceiling = crop.stages[Stage.GERMINATION].soil_ceiling_c.value
    return min(_accepted(crop).high, ceiling - _MARGIN_C)


def benches_for(crops: Sequence[Crop]) -> tuple[tuple[Crop, ...], ...]:
    """The crops parted into as few groups as can each share a bench, the coolest first.

    Of as few groups, one in which no crop would do better in another.
    """
    groups: list[list[Crop]] = []
    ends: list[float] = []
    for crop in sorted(crops, key=lambda each: (_warmest(each), each.name)):
        # A point in every range: the least number of points is found from the lowest upper end on.
        if ends and _accepted(crop).low <= ends[-1]:
            groups[-1].append(crop)
        else:
            groups.append([crop])
            ends.append(_warmest(crop))
    while move := _better_move(groups):
        crop, old, new = move
        groups[old].remove(crop)
        groups[new].append(crop)
    return tuple(map(tuple, groups))


def _better_move(groups: Sequence[Sequence[Crop]]) -> tuple[Crop, int, int] | None:
    """The move of one crop to another group that brings all nearest to what they like, if any does."""
    most, best = 1e-9, None
    for old, new in permutations(range(len(groups)), 2):
        for crop in groups[old]:
            left = [each for each in groups[old] if each is not crop]
            joined = [*groups[new], crop]
            if not left or _low(joined) > _high(joined):
                continue
            gain = _unease(groups[old]) + _unease(groups[new]) - _unease(left) - _unease(joined)
            if gain > most:
                most, best = gain, (crop, old, new)
    return best


def _unease(crops: Sequence[Crop]) -> float:
    """Squares of how far [°C] the crops are from what they like, on one bench."""
    aim = _aim(crops)
    return sum((best_c(crop) - aim) ** 2 for crop in crops)
