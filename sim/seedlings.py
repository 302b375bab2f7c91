"""Seedlings that come up by accumulated temperature, and what light does to them after.

Each seed of a batch has its own thermal requirement, as a multiple of the published days to
emergence: the integral of the crop's rate [1/day] over the soil temperature at the seed reaches it
on the day the seedling is up. Multiples are log-normal around `LATENESS`, with a factor shared by
the whole seed lot and one for each seed. So of a tray the first is up at about 0.8 of the table's
days and the last at about 1.7: real trays run later than the table, which is for even warmth, even
depth and good seed (spread and lateness: common practice, no source).

What follows emergence is kept simple: a record of light and of hours in the dark, and a height that
tells stocky from leggy. It is no crop model.
"""

from __future__ import annotations

import math
import zlib
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

#: Median multiple of the table's days, and the log-normal spread of seed lots and of single seeds.
LATENESS = 1.15
LOT_SPREAD = 0.05
SEED_SPREAD = 0.14
#: A dark spell of this many hours stretches a seedling for good: more than any night under lamps.
#: Common practice, no source.
LEGGY_AFTER_DARK_H = 20.0
# Growth in height, mm/day at 20 °C, in the light and in a dark spell longer than a night, which what
# the seed holds carries to `_STRETCHED_MM` and no further. Invented, so that a seedling is 150 to
# 200 mm tall after 6 to 8 weeks.
_GROWTH_MM_DAY = 3.5
_STRETCH_MM_DAY = 14.0
_STRETCHED_MM = 120.0
_NIGHT_H = 12.0
_START_MM = 10.0
DAY_S = 86400.0


class RateModel(Protocol):
    """How fast a crop comes up; `profiles.emergence.EmergenceModel` is one."""

    def rate(self, soil_c: float) -> float:
        """Part of the way to emergence that a day at `soil_c` goes, 1/day."""
        ...


@dataclass(frozen=True, slots=True)
class SeedlingCounts:
    """A batch as someone who looks would find it, and when its milestones passed.

    cells: sown, one seed each. viable: of which will ever come up, which only the simulator knows.
    up: by now. first_up_utc, half_up_utc, last_up_utc: when the first, half and all of the viable
        were up (POSIX seconds), or None.
    light_h, light_mol: hours and mol m-2 since its first was up. dark_h: hours in the dark since
        then, nights included. longest_dark_h: the longest spell. leggy: spoilt by such a spell.
    height_mm: of the tallest part of the batch.
    """

    cells: int
    viable: int
    up: int
    first_up_utc: float | None
    half_up_utc: float | None
    last_up_utc: float | None
    light_h: float
    light_mol: float
    dark_h: float
    longest_dark_h: float
    leggy: bool
    height_mm: float


def draw_requirements(cells: int, germination: float, name: str, seed: int) -> list[float]:
    """Multiples of the table's days for each cell in order; infinity where nothing comes up.

    The draw depends on `name` and `seed` alone.
    """
    rng = np.random.default_rng([seed, zlib.crc32(f"batch {name}".encode())])
    lot = rng.normal(0.0, LOT_SPREAD)
    multiples = LATENESS * np.exp(lot + rng.normal(0.0, SEED_SPREAD, cells))
    viable = rng.random(cells) < germination
    drawn: list[float] = np.where(viable, multiples, math.inf).tolist()
    return drawn


@dataclass(slots=True)
class Lot:
    """The cells of a batch that stand in one place and have been through the same.

    requirements: of its cells, in cell order. progress: the integral of the rate so far.
    emerged: when each that is up came up, in order of time (POSIX seconds).
    """

    model: RateModel
    requirements: list[float]
    progress: float = 0.0
    emerged: list[float] = field(default_factory=list)
    light_h: float = 0.0
    light_mol: float = 0.0
    dark_h: float = 0.0
    spell_h: float = 0.0
    longest_dark_h: float = 0.0
    height_mm: float = 0.0
    _waiting: list[float] = field(init=False)
    _rate: float = field(init=False, default=-1.0)

    def __post_init__(self) -> None:
        self._waiting = sorted(one for one in self.requirements if one < math.inf)
        del self._waiting[: len(self.emerged)]

    @property
    def waiting(self) -> bool:
        """Whether any seedling is still to come."""
        return bool(self._waiting)

    def jolt(self) -> None:
        """The soil has changed at once (watered, moved): the last rate no longer holds."""
        self._rate = -1.0

    def germinate(self, seconds: float, soil_from: float, soil_to: float, utc: float) -> None:
        """Go on by `seconds` that began at `utc`, at a soil temperature between two ends [°C]."""
        rate = self.model.rate(soil_to)
        before = self._rate if self._rate >= 0 else self.model.rate(soil_from)
        self._rate = rate
        gained = (before + rate) * 0.5 * seconds / DAY_S
        if gained <= 0:
            return
        reached = self.progress + gained
        if self._waiting and self._waiting[0] <= reached:
            count = bisect_right(self._waiting, reached)
            for need in self._waiting[:count]:
                share = max(0.0, (need - self.progress) / gained)
                self.emerged.append(utc + share * seconds)
            del self._waiting[:count]
        self.progress = reached

    def grow(self, seconds: float, air_c: float, ppfd: float) -> None:
        """Pass `seconds` above the soil at `air_c`, under `ppfd` umol m-2 s-1 (0 is dark)."""
        hours = seconds / 3600
        warmth = min(1.5, max(0.0, (air_c - 4.0) / 16.0)) * seconds / DAY_S
        if self.height_mm == 0.0:
            self.height_mm = _START_MM
        if ppfd > 0:
            self.light_h += hours
            self.light_mol += ppfd * seconds / 1e6
            self.spell_h = 0.0
            self.height_mm += _GROWTH_MM_DAY * warmth
        else:
            self.dark_h += hours
            self.spell_h += hours
            self.longest_dark_h = max(self.longest_dark_h, self.spell_h)
            if self.spell_h <= _NIGHT_H:
                self.height_mm += _GROWTH_MM_DAY * warmth
            elif self.height_mm < _STRETCHED_MM:
                self.height_mm += _STRETCH_MM_DAY * warmth

    def split(self, cells: int) -> Lot:
        """Take the first `cells` away as a lot of their own, with what has happened to them."""
        order = sorted(range(len(self.requirements)), key=self.requirements.__getitem__)
        when = dict(zip(order, self.emerged, strict=False))  # the easiest came up first
        taken = sorted(when[cell] for cell in when if cell < cells)
        kept = sorted(when[cell] for cell in when if cell >= cells)
        other = Lot(
            self.model,
            self.requirements[:cells],
            self.progress,
            taken,
            self.light_h,
            self.light_mol,
            self.dark_h,
            self.spell_h,
            self.longest_dark_h,
            self.height_mm,
        )
        self.requirements = self.requirements[cells:]
        self.emerged = kept
        self.__post_init__()
        return other


def count(lots: Sequence[Lot]) -> SeedlingCounts:
    """The counts of a batch from its lots."""
    emerged = sorted(when for lot in lots for when in lot.emerged)
    cells = sum(len(lot.requirements) for lot in lots)
    viable = sum(one < math.inf for lot in lots for one in lot.requirements)
    half = math.ceil(viable / 2)
    longest = max((lot.longest_dark_h for lot in lots), default=0.0)
    weight = [len(lot.requirements) / cells for lot in lots] if cells else []

    def mean(values: Sequence[float]) -> float:
        return sum(w * value for w, value in zip(weight, values, strict=True))

    return SeedlingCounts(
        cells=cells,
        viable=viable,
        up=len(emerged),
        first_up_utc=emerged[0] if emerged else None,
        half_up_utc=emerged[half - 1] if 0 < half <= len(emerged) else None,
        last_up_utc=emerged[-1] if emerged and len(emerged) == viable else None,
        light_h=mean([lot.light_h for lot in lots]),
        light_mol=mean([lot.light_mol for lot in lots]),
        dark_h=mean([lot.dark_h for lot in lots]),
        longest_dark_h=longest,
        leggy=longest >= LEGGY_AFTER_DARK_H,
        height_mm=max((lot.height_mm for lot in lots), default=0.0),
    )
