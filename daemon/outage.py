"""What a time without current did: how far the soil cooled, and what that means for the batches. Pure.

A tray without heat comes to the room's temperature about exponentially; nobody measured it meanwhile, so
what is said of it is an estimate and says so, with its bounds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from math import exp, log

from daemon.control import HOUR
from daemon.state import DAY, NEVER, Batch, BenchMemory, Cut, Memory, shifted
from profiles.emergence import EmergenceModel
from profiles.model import Crop, Limit, Stage
from profiles.units import Units, format_temperature

#: A step between ticks longer than this [s] is a gap (a power cut, a stopped process).
GAP = 600.0
#: Time constants of a tray [s]: the quickest (open and dry), the usual, the slowest (covered and wet).
#: Those of the 10 x 20 inch tray of 50 mm in sim/thermal.py, 1.1 to 2.7 h, which a test holds to them.
FAST, USUAL, SLOW = 1.0 * HOUR, 2.0 * HOUR, 3.0 * HOUR
#: How far [°C] a room may have fallen below what it was seen at, and an open tray dry itself below
#: its room (the same tray: 1.7 °C).
ROOM_FALLS, BELOW_ROOM = 4.0, 2.0
#: A room that nobody measured: the coldest, the usual [°C] (common practice, no source).
UNKNOWN_ROOM = (8.0, 15.0)
#: Shorter spells [s] are not worth a word.
NOTED = 1800.0
#: Steps into which a course is cut to be counted on.
STEPS = 64


@dataclass(frozen=True, slots=True)
class Course:
    """The soil of a bench over an outage.

    seconds: how long. start, end: °C. room: what it tends to, °C. tau: its time constant [s].
    coldest: how cold it may have been at the most, °C.
    """

    seconds: float
    start: float
    end: float
    room: float
    tau: float
    coldest: float

    def at(self, seconds: float) -> float:
        """The soil [°C] so long after the current failed."""
        return self.room + (self.start - self.room) * exp(-seconds / self.tau)

    @property
    def lowest(self) -> float:
        """The lowest that is estimated, °C."""
        return min(self.start, self.end)

    def below(self, bound: float) -> float:
        """Seconds under `bound` °C."""
        if max(self.start, self.end) < bound:
            return self.seconds
        if self.lowest >= bound:
            return 0.0
        # Of the way to the room, the part left at the crossing; none where the room is the bound.
        left = (bound - self.room) / (self.start - self.room)
        crossing = self.seconds if left <= 0 else min(self.seconds, max(0.0, -self.tau * log(left)))
        return self.seconds - crossing if self.end < self.start else crossing

    def gain(self, emergence: EmergenceModel, days: float) -> float:
        """Progress towards emergence over the last `days` of it."""
        seconds = min(self.seconds, max(0.0, days * DAY))
        first = self.seconds - seconds
        step = seconds / STEPS
        points = [self.at(first + n * step) for n in range(STEPS + 1)]
        return sum(emergence.gain(before, after, step / DAY) for before, after in pairwise(points))


def course(
    start: float, seconds: float, *, room: float | None = None, measured: float | None = None
) -> Course:
    """How a soil that was `start` °C went on for so long without heat.

    room: °C as measured before or after; None where none is. measured: the soil now, None where no
    good reading says; then the course goes by the room, else it passes through both readings.
    """
    toward = min(start, UNKNOWN_ROOM[1]) if room is None else room
    cold = UNKNOWN_ROOM[0] if room is None else room - ROOM_FALLS
    tau = USUAL
    decay = exp(-seconds / tau)
    if measured is None:
        end = toward + (start - toward) * decay
    else:
        end = measured
        # The room that leads there: between the readings it does not matter whether it is right.
        toward = (measured - start * decay) / (1 - decay) if decay < 1 else start
    bound = cold - BELOW_ROOM
    coldest = bound + (start - bound) * exp(-seconds / FAST) if start > bound else start
    return Course(seconds, start, end, toward, tau, min(coldest, start, end))


def meaning(
    batch: Batch, crop: Crop, ran: Course, room: float | None, aim: float | None, units: Units
) -> str:
    """What the outage means for a batch, in a sentence that begins with its code; empty for nothing.

    Soil limits go by the course, air ones by the room where it is measured. aim: the soil [°C] that its
    emergence would have had.
    """
    said = []
    targets = crop.stages[batch.stage]
    wanted = targets.soil_acceptable if batch.stage is Stage.GERMINATION else None
    if wanted is not None and (spell := ran.below(wanted.low)):
        low = format_temperature(wanted.low, units)
        said.append(f"about {_hours(spell)} under the {low} that its seed accepts")
    if batch.stage is Stage.GERMINATION and not batch.emerged and aim is not None:
        rate, days = crop.emergence.rate(aim), ran.seconds / DAY
        lost = (days - ran.gain(crop.emergence, days) / rate) * DAY if rate > 0 else 0.0
        if lost >= NOTED:
            said.append(f"emergence put off by about {_hours(lost)}")
    for limit in crop.limits.values():
        if batch.stage not in limit.stages or limit.side != "below":
            continue
        if limit.quantity == "soil":
            spell = ran.below(limit.bound)
        elif limit.quantity == "air" and room is not None:
            spell = ran.seconds if room < limit.bound else 0.0
        else:
            continue
        if spell:
            said.append(_limit(limit, spell, units))
    return f"{batch.code}: " + "; ".join(said) if said else ""


def _limit(limit: Limit, spell: float, units: Units) -> str:
    bound = format_temperature(limit.bound, units)
    what = f"about {_hours(spell)} under {bound} ({limit.quantity})"
    if spell >= limit.hours * HOUR:
        return f"{what}, and {limit.hours:g} h {limit.counted} do harm: {limit.consequence}"
    return f"{what}; harm begins at {limit.hours:g} h {limit.counted}"


def _hours(seconds: float) -> str:
    hours = seconds / HOUR
    return f"{hours:.1f} h" if hours < 10 else f"{hours:.0f} h"


def summary(bench: str, ran: Course, dark: float, units: Units) -> str:
    """How long it was, how cold the bench's soil got, and how sure that is. dark: light missed [s]."""
    missed = f", {_hours(dark)} of them hours of light" if dark >= NOTED else ""
    return (
        f"{bench}: nothing heated or lit for {_hours(ran.seconds)}{missed}; the soil went from "
        f"{format_temperature(ran.start, units)} to an estimated "
        f"{format_temperature(ran.lowest, units)} at the lowest, "
        f"{format_temperature(ran.coldest, units)} at the worst"
    )


def resumed(memory: Memory, *, by: float, gone: float, booted: bool, dated: bool = True) -> Memory:
    """What a start makes of a saved memory: every batch goes on, and no rule is looser for it.

    by: what its mono times are behind the clock of now [s]. gone: seconds since it was saved.
    booted: whether the machine has started since, so that nobody knows for sure how long it was.
    dated: whether the wall clock tells at least about how long; if not, `gone` is taken for 0 until
    it does, and what was known is kept for then.
    """
    if booted:
        memory = shifted(memory, by)
        if not dated and memory.cut is None and memory.at is not None and memory.at.trusted:
            soils = {
                name: (one.soil, one.room)
                for name, one in memory.benches.items()
                if one.soil is not None
            }
            memory = replace(memory, cut=Cut(memory.at, soils))

    def bench(one: BenchMemory) -> BenchMemory:
        one = replace(one, begun=None)
        if booted:
            one = replace(one, soil_at=NEVER)  # heat waits for a reading of today's
        if gone > GAP or (booted and not dated):
            # Nor were they on, or their hours would count; heat is judged as after a gap (`decide`).
            one = replace(one, lamp=False, mat=False)
        return one

    return replace(memory, benches={name: bench(one) for name, one in memory.benches.items()})
