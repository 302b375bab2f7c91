"""What the relays draw, in energy and money, and whose it is. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class OffPeak:
    """The cheap hours: local times of day from and to, which may cross midnight; price a kWh in them."""

    begins: timedelta
    ends: timedelta
    price: float

    def holds(self, local: datetime) -> bool:
        """Whether a local time lies in them, by the clock on the wall."""
        at = timedelta(hours=local.hour, minutes=local.minute, seconds=local.second)
        if self.begins < self.ends:
            return self.begins <= at < self.ends
        return at >= self.begins or at < self.ends


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


@dataclass(frozen=True, slots=True)
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
        return Energy(
            self.lamp_wh + other.lamp_wh, self.mat_wh + other.mat_wh, self.cost + other.cost
        )

    def part(self, share: float) -> Energy:
        """A share of it, 0 to 1."""
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
        if place in drawn
    }
