"""What the relays draw, in energy and money, and whose it is. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from drivers.values import value

#: How far [°C] soil may be kept from its aim, inside what all accept, to warm it in the cheap hours:
#: above it before they end, under it before they begin, for so long [s]. A tray holds warmth for a few
#: hours, so that more would be lost before it is wanted.
BANKED, BANKED_FOR = 1.0, 3600.0


@dataclass(frozen=True, slots=True)
class OffPeak:
    """The cheap hours: local times of day from and to, which may cross midnight; price a kWh in them."""

    begins: timedelta
    ends: timedelta
    price: float

    def holds(self, local: datetime) -> bool:
        """Whether a local time lies in them, by the clock on the wall."""
        return _until(self.ends, local) <= (self.ends - self.begins) % DAY

    def banks(self, local: datetime) -> float:
        """How far from its aim [°C] soil had better be at a local time, for the sake of the price."""
        if self.holds(local):
            return BANKED if _until(self.ends, local).total_seconds() <= BANKED_FOR else 0.0
        return -BANKED if _until(self.begins, local).total_seconds() <= BANKED_FOR else 0.0


DAY = timedelta(days=1)


def _until(end: timedelta, local: datetime) -> timedelta:
    """From a local time to the next `end` by the clock on the wall: over 0, up to a day."""
    at = timedelta(hours=local.hour, minutes=local.minute, seconds=local.second)
    return DAY - (at - end) % DAY


def banked(target: float, by: float, accepted: tuple[float, float] | None) -> float:
    """The target [°C] moved by what is banked, inside what all on the bench accept; as it is where
    nobody says."""
    if accepted is None or not by:
        return target
    low, high = min(accepted[0], target), max(accepted[1], target)
    return min(max(target + by, low), high)


@dataclass(frozen=True, slots=True)
class Tariff:
    """What a kWh costs, in units of `currency`."""

    currency: str
    price: float
    off_peak: OffPeak | None = None

    def price_at(self, utc: float, zone: ZoneInfo) -> float:
        """The price of a kWh at a time (POSIX s)."""
        if self.off_peak is not None and self.off_peak.holds(datetime.fromtimestamp(utc, zone)):
            return self.off_peak.price
        return self.price


@value(frozen=True, slots=True)
class Energy:
    """Energy drawn [Wh] by lamp and mat, as their configured watts make it; and its cost, in the
    tariff's currency at the prices of the time."""

    lamp_wh: float = 0.0
    mat_wh: float = 0.0
    cost: float = 0.0

    @property
    def kwh(self) -> float:
        """Of both [kWh]."""
        return (self.lamp_wh + self.mat_wh) / 1000

    def __add__(self, other: Energy) -> Energy:
        if other is NO_ENERGY:
            return self
        return Energy(
            self.lamp_wh + other.lamp_wh, self.mat_wh + other.mat_wh, self.cost + other.cost
        )

    def part(self, share: float) -> Energy:
        """A share of it, 0 to 1."""
        if self is NO_ENERGY or share == 1.0:
            return self
        return Energy(self.lamp_wh * share, self.mat_wh * share, self.cost * share)


NO_ENERGY = Energy()


def said_energy(kwh: float, cost: float | None, currency: str | None) -> str:
    """In words: kWh, and what they cost where a tariff is set."""
    return f"{kwh:.2f} kWh" + (f" ({cost:.2f} {currency})" if cost is not None and currency else "")


def by_trays(
    drawn: Mapping[str, Energy], stands: Sequence[tuple[str, str, float]]
) -> dict[str, Energy]:
    """What each bench drew, shared out by trays among the batches on it.

    drawn: by bench. stands: batch code, bench or place, trays.
    """
    trays: dict[str, float] = {}
    for _, place, many in stands:
        trays[place] = trays.get(place, 0.0) + many
    return {
        code: drawn[place].part(many / trays[place])
        for code, place, many in stands
        if place in drawn and drawn[place] is not NO_ENERGY
    }
