"""What of a run is judged, and the marks it gets.

Everything is judged at seed depth, the truth, the probe's offset taken out. Left out of the settled
error, after the words of the duty and by what the clairvoyant optimum does:

- the first 24 hours;
- the preheat before a told rise: from when the optimum is PRECISE over the aim that still holds;
- the time after a step: as long again after a told rise, for those who begin only then; else until
  the optimum is there, which is coasting after a fall;
- ticks where lamp, room or what coasts overshoot alone: where the optimum does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from sim.thermal import Array
from tests.benchmarks.benches import BAND, PER_DAY, TICK, Bench, Run

#: "There": the optimum this near to the aim [°C].
PRECISE = 0.1
#: How long [ticks] after reaching an aim an overshoot or undershoot is looked for.
LANDING = 180
#: Minutes after a told rise by which it has to be there, and before it that it may be early.
LATEST, EARLIEST = 10, 60


@dataclass(frozen=True)
class Parts:
    """Which ticks are what, for all controllers on a bench alike."""

    settled: np.ndarray
    preheat: np.ndarray
    after_step: np.ndarray
    carried: np.ndarray


def parts_of(bench: Bench, best: Array) -> Parts:
    """best: the error of the optimum [°C] by tick."""
    ticks = len(best)
    preheat, after = np.zeros(ticks, bool), np.zeros(ticks, bool)
    marks = [round(c.at / TICK) for c in bench.duty.changes] + [ticks]
    for i, change in enumerate(bench.duty.changes):
        k, following = marks[i], marks[i + 1]
        if not k:
            continue
        begin, there = k, k
        if change.told and change.aim > bench.duty.changes[i - 1].aim:
            while begin > marks[i - 1] and best[begin - 1] > PRECISE:
                begin -= 1
            preheat[begin:k] = True
            there = min(following, k + k - begin)
        while there < following and abs(best[there]) > PRECISE:
            there += 1
        after[k:there] = True
    carried = (best > PRECISE) & ~preheat & ~after
    settled = ~(preheat | after | carried)
    settled[:PER_DAY] = False
    return Parts(settled, preheat, after, carried)


@dataclass
class Marks:
    """What one controller did on one bench; errors in °C, times in minutes.

    rms, worst: settled. preheat, after, carried: root mean square in what is left out. first: the
    overshoot of the first landing. over, under: of later rises, and after falls. reach: time to the
    band over that of full power, from cold and on rises nobody told that no lamp carries on the way, by
    the tick of the rise; landed: those where one may be so soon and stay in the band, by the optimum.
    entered: of told rises, when the band was entered, before the rise negative. half_up: days.
    """

    rms: float
    worst: float
    switchings: float
    kwh: float
    preheat: float
    after: float
    carried: float
    first: float
    half_up: float | None
    over: list[float] = field(default_factory=list)
    under: list[float] = field(default_factory=list)
    reach: dict[int, float] = field(default_factory=dict)
    landed: set[int] = field(default_factory=set)
    entered: list[float] = field(default_factory=list)


def judge(bench: Bench, run: Run, best: Array, parts: Parts) -> Marks:
    """The marks of a run beside the optimum's error."""
    e, ticks = run.error, len(run.error)
    heated_alone = best > PRECISE  # whoever has the mat

    def root(mask: np.ndarray) -> float:
        return float(np.sqrt(np.mean(e[mask] ** 2))) if mask.any() else math.nan

    flips = int(np.count_nonzero(np.diff(run.on[PER_DAY:].astype(int))))
    marks = Marks(
        rms=root(parts.settled),
        worst=float(np.abs(e[parts.settled]).max()) if parts.settled.any() else math.nan,
        switchings=flips / (ticks / PER_DAY - 1),
        kwh=float(run.kwh[-1] - run.kwh[PER_DAY]),
        preheat=root(parts.preheat),
        after=root(parts.after_step),
        carried=root(parts.carried),
        first=0.0,
        half_up=run.half_up_days,
    )
    at = [round(c.at / TICK) for c in bench.duty.changes] + [ticks]
    for i, change in enumerate(bench.duty.changes):
        k, following = at[i], at[i + 1]
        before = bench.duty.changes[i - 1].aim if i else -math.inf
        if change.aim > before:
            arrived = _first(e >= -BAND, k, following)
            window = slice(arrived, min(following, arrived + LANDING))
            free = e[window][~heated_alone[window]]
            peak = max(0.0, float(free.max())) if len(free) else 0.0
            if i:
                marks.over.append(peak)
            else:
                marks.first = peak
            if change.told and i:
                if best[min(ticks - 1, k + LATEST)] >= -BAND:
                    ahead = e + run.aim - change.aim
                    in_band = _first(e >= -BAND, k, following)
                    while in_band <= k and in_band > 0 and ahead[in_band - 1] >= -BAND:
                        in_band -= 1
                    marks.entered.append(float(in_band - k))
            elif 0 < (minutes := run.full_power[k]) < following - k:
                soonest = k + math.ceil(minutes)
                if not heated_alone[k:soonest].any():
                    marks.reach[k] = _minutes(e, k, arrived) / minutes
                    if best[soonest : soonest + LANDING].max() <= BAND:
                        marks.landed.add(k)
        elif change.aim < before:
            there = _first(e <= PRECISE, k, following)
            if there < following:
                end = min(following, there + LANDING)
                marks.under.append(max(0.0, float(-e[there:end].min())))
    return marks


def _minutes(e: np.ndarray, begin: int, arrived: int) -> float:
    """From begin until the error passes the band's lower end, between two ticks."""
    if not begin < arrived < len(e) or e[arrived] < -BAND:  # already there, or never
        return float(arrived - begin)
    low, high = e[arrived - 1], e[arrived]
    return float(arrived - begin - 1 + (-BAND - low) / (high - low))


def _first(holds: np.ndarray, begin: int, end: int) -> int:
    """The first tick from begin on where it holds, or end."""
    found = int(np.argmax(holds[begin:end])) if end > begin else 0
    return begin + found if end > begin and holds[begin + found] else end
