"""A mat controller that learns its bench and plans its switchings. Pure.

The bench is taken for one store of heat behind a chain of equal lags:

    dS/dt = r h - c (S - reference) + l g + b        T = S + a l g

S is the store, T the soil at the probe, which a lamp, from above, keeps ahead of the rest; h the mat's
0 or 1 after two equal lags, g the lamp's after one, the reference the room where it is measured. r, c,
l, b and the lag are learned once a minute by an extended Kalman filter with T (B. D. O. Anderson and
J. B. Moore, *Optimal Filtering*, 1979, chapter 8); b wanders, and so takes up the room, a drying tray
and all that the rest leaves out. The derivative by the lag is followed along with the chain, so that
the lag is learned like the others (L. Ljung, *System Identification*, 2nd ed. 1999, chapter 11:
gradients of the predictor). Books cited from memory.

The plan is two questions asked of that model each minute. While the mat is on: how high does the
soil still go if it goes off now? While it is off: how low does the soil fall if it waits one more
minute? Heat that is under way in mat and tray lands in the first, the lag is paid in the second. A
rise to come is begun when full power from now on would only just be in time. What the lamp alone will
carry over the aim is left to it only if it does so before long. The room is taken to stay as it is:
with a perfect forecast of it the benchmark's error was no smaller.

When the readings stop following the model, the plain on/off controller has the mat until they do.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from operator import attrgetter, itemgetter, le

from daemon.control import MatView, hysteresis

#: Equal lags between the relay and the soil.
LAGS = 2
#: One update of the model [s]; readings in between are averaged.
UPDATE = 60.0
#: Without a tick for this long [s], the mat is taken to have been off and the soil to be anywhere.
GAP = 600.0
#: How far from the aim [°C] a peak or a trough may lie: at 0.1 the relay changes about 70 times a day.
SWING = 0.1

# From how many switchings a day on the relay is spared; by how much more swing where it were twice as
# many; and the hours they are counted over.
_BUSY, _SPARE, _COUNTED = 105.0, 1.5, 12.0

_HOUR = 3600.0
_STEP = UPDATE / _HOUR
# Of the lamp [h], neither learned, for it changes twice a day: its lag to the seed, and a above, how many
# hours of its heat the seed is ahead (0.2 to 0.75 in the simulated trays, no other source). Without a,
# the loss is learned up to twice too large.
_LAMP_LAG, _LAMP_AHEAD = 10 / 60, 0.4
_LONGEST_LOOK = 90  # [min] for a peak or a trough
_LOOK_LAGS = 7  # of one lag: by then what the mat has under way is there, the rest is lamp and room
_SOON_LAGS = 3
_LONGEST_WARMUP = 8.0  # [h]
# When the readings lean to one side of the model, b wanders faster: a cover came off, a door opened.
_RESTLESS, _CALM = 300.0, 0.5
_LATE_BY = 0.1  # [°C] short of a coming aim at its time before the mat begins
_TOO_EARLY = 0.3  # [°C] over it at which a warm-up is put off again
# [h] sooner where the lamp comes on within [s] of it, so that the mat is done before the lamp begins.
_LAMP_LEAD, _BESIDE = 15 / 60, 900.0
_WARMUP_STEP = 5 / 60

# The parameters, in the order of the filter's state.
_T, _R, _C, _B, _L, _LAG = range(6)
_SIZE = 6
# Where they begin, how sure that is, what they may be, and how far they wander in an hour (standard
# deviations): r [°C/h], c [1/h], b [°C/h], l [°C/h], logarithm of one lag in hours.
_BEGIN = (0.0, 5.0, 0.5, 0.0, 2.0, math.log(8 / 60))
_UNSURE = (0.2, 2.5, 0.25, 1.5, 1.5, 0.25)
_LEAST = (-60.0, 0.3, 0.03, -40.0, -2.0, math.log(1.5 / 60))
_MOST = (120.0, 60.0, 4.0, 40.0, 20.0, math.log(40 / 60))
_WANDER = (0.05, 0.03, 0.004, 0.1, 0.02, 0.01)
# Squared, for the time of one hour.
_Q = tuple(wander * wander for wander in _WANDER)
#: Of a reading [°C]: rounding to sixteenths, a little noise, and that both last for minutes.
_READING = 0.045


@dataclass(slots=True)
class _Mind:
    """What is remembered, all of it numbers, so that a tuple of floats holds it.

    at: of the last update; ticked: of the last tick (mono). reference: °C, what c pulls to: the room
    as last measured, or where never, the soil at the start. felt: whether the room was measured.
    h1, h2, s1, s2: the chain and its derivatives by the lag's logarithm; g: the lamp's. misfit: mean
    square of the normalised innovations; lean: their mean. was_on: the mat, at the last tick. busy: its
    switchings a day, of late. plain: the on/off controller has the mat.
    early: the aim to come is the aim already. reason, figure, minutes: what the last plan was made
    on. soil_sum .. lit: of the ticks since the update. soil .. lag: the filter's state.
    p: the upper triangle of its covariance, by rows.
    """

    p: tuple[float, ...]
    at: float
    ticked: float
    reference: float
    felt: float
    h1: float
    h2: float
    s1: float
    s2: float
    g: float
    misfit: float
    lean: float
    was_on: float
    busy: float
    plain: float
    early: float
    reason: float
    figure: float
    minutes: float
    soil_sum: float
    room_sum: float
    count: float
    heated: float
    lit: float
    soil: float
    rise: float
    loss: float
    drift: float
    lamp: float
    lag: float

    # Learning

    def update(self, soil: float, room: float | None, heated: float, lit: float, dt: float) -> None:
        """Live through dt hours in which the mat was on for the share `heated`, then see `soil`."""
        tau = math.exp(self.lag)
        fade = math.exp(-dt / tau)
        part, slope = 1.0 - fade, -dt / tau * fade
        self.busy *= 1.0 - dt / _COUNTED
        self.s1 += slope * (heated - self.h1) - part * self.s1
        self.h1 += part * (heated - self.h1)
        self.s2 += slope * (self.h1 - self.h2) + part * (self.s1 - self.s2)
        self.h2 += part * (self.h1 - self.h2)
        lead = self.g * _LAMP_AHEAD
        self.g += (1.0 - math.exp(-dt / _LAMP_LAG)) * (lit - self.g)
        lamp = self.g + (self.g * _LAMP_AHEAD - lead) / dt
        if room is not None:
            if not self.felt:  # what it pulls to has a name now; the pull stays
                self.drift = _within(_B, self.drift + self.loss * (self.reference - room))
            self.reference = room
        self.felt = float(room is not None)
        over = self.soil - self.lamp * lead - self.reference
        rate = self.rise * self.h2 - self.loss * over + self.drift + self.lamp * lamp
        error = soil - self.soil - dt * rate
        # Only the first row of the transition differs from the identity. Written out, for this is
        # most of what a tick costs; v is the transition's column of the covariance.
        ft, fr, fc, fb, fl, fg = (
            1.0 - dt * self.loss,
            dt * self.h2,
            -dt * over,
            dt,
            dt * (lamp + self.loss * lead),
            dt * self.rise * self.s2,
        )
        tt, tr, tc, tb, tl, tg, rr, rc, rb, rl, rg, cc, cb, cl, cg, bb, bl, bg, ll, lg, gg = self.p
        vt = tt * ft + tr * fr + tc * fc + tb * fb + tl * fl + tg * fg
        vr = tr * ft + rr * fr + rc * fc + rb * fb + rl * fl + rg * fg
        vc = tc * ft + rc * fr + cc * fc + cb * fb + cl * fl + cg * fg
        vb = tb * ft + rb * fr + cb * fc + bb * fb + bl * fl + bg * fg
        vl = tl * ft + rl * fr + cl * fc + bl * fb + ll * fl + lg * fg
        vg = tg * ft + rg * fr + cg * fc + bg * fb + lg * fl + gg * fg
        qt, qr, qc, qb, ql, qg = _Q
        vt = vt * ft + vr * fr + vc * fc + vb * fb + vl * fl + vg * fg + qt * dt
        restless = 1.0 + _RESTLESS * max(0.0, self.lean * self.lean - _CALM)
        spread = max(vt, 0.0) + _READING**2  # rounding, or a memory that lies
        surprise = error * error / spread
        self.misfit += 0.05 * (min(surprise, 25.0) - self.misfit)
        if surprise > 20.0:  # poured water, a lifted tray: T moved, the bench did not
            vt += error * error
            spread += error * error
        self.lean += 0.15 * (error / math.sqrt(spread) - self.lean)
        kt, kr, kc = vt / spread, vr / spread, vc / spread
        kb, kl, kg = vb / spread, vl / spread, vg / spread
        self.p = (
            vt - kt * vt, vr - kt * vr, vc - kt * vc, vb - kt * vb, vl - kt * vl, vg - kt * vg,
            rr - kr * vr + qr * dt, rc - kr * vc, rb - kr * vb, rl - kr * vl, rg - kr * vg,
            cc - kc * vc + qc * dt, cb - kc * vb, cl - kc * vl, cg - kc * vg,
            bb - kb * vb + qb * dt * restless, bl - kb * vl, bg - kb * vg,
            ll - kl * vl + ql * dt, lg - kl * vg,
            gg - kg * vg + qg * dt,
        )  # fmt: skip
        self.soil += dt * rate + kt * error
        self.rise = _within(_R, self.rise + kr * error)
        self.loss = _within(_C, self.loss + kc * error)
        self.drift = _within(_B, self.drift + kb * error)
        self.lamp = _within(_L, self.lamp + kl * error)
        self.lag = _within(_LAG, self.lag + kg * error)

    def away(self, gone: float, soil: float) -> None:
        """Nothing was seen for `gone` seconds (inf: nobody knows how long); now `soil` is read."""
        lags = min(gone / _HOUR / math.exp(self.lag), 50.0)
        fade = math.exp(-lags)
        self.h2 = fade * (self.h2 + lags * self.h1)
        self.h1 *= fade
        self.s1 = self.s2 = self.g = 0.0
        self.forget_ticks()
        self.soil = soil
        p = list(self.p)
        p[:_SIZE] = 0.25, 0.0, 0.0, 0.0, 0.0, 0.0
        p[_DRIFT] += 0.25
        self.p = tuple(p)

    def forget_ticks(self) -> None:
        """Begin a new minute."""
        self.soil_sum = self.room_sum = self.count = self.heated = self.lit = 0.0

    # Looking ahead

    def pull(self) -> float:
        """What heats or cools apart from mat, lamp and the soil's own warmth [°C/h]."""
        return self.drift + self.loss * self.reference

    def most(self) -> float:
        """The soil [°C] that full power without the lamp ends at."""
        return (self.rise + self.pull()) / self.loss

    def swing(self, view: MatView) -> float:
        """How far from the aim [°C] peaks and troughs may lie: SWING, more for a relay that switches too
        often, or as far as its least times must carry it."""
        lamp = self.lamp * self.g * (1.0 + self.loss * _LAMP_AHEAD)
        down = self.loss * self.soil - self.pull() - lamp
        up = self.rise - down
        least = max(up * view.min_on, down * view.min_off) / _HOUR / 2
        spared = SWING * _SPARE * min(max(0.0, self.busy / _BUSY - 1.0), 1.0)
        return max(SWING + spared, min(least, 1.0))

    def trough(self, view: MatView, aim: float) -> tuple[float, int]:
        """How far over its aim [°C] the soil comes at the lowest, and when [min], if the mat goes on in
        a minute. Aims to come count from their time on."""
        t, h1, h2, g = self.soil, self.h1, self.h2, self.g
        part, lamp_part, r, keep, lamp_heat, lead, pull = self._steps()
        lit, lamp_in, lamp_to = _lamp_of(view)
        change_in, change_to = _LONGEST_LOOK + 1, aim
        if view.ahead and not self.early:
            change_in, change_to = math.ceil(view.ahead[0][0] / UPDATE), view.ahead[0][1]
        store = t - lead * g
        heat, lowest, when = 0.0, t - aim, 0
        for k in range(1, self._look() + 1):
            if k > lamp_in:
                lit = lamp_to
            if k > change_in:
                aim = change_to
            h1 += part * (heat - h1)
            h2 += part * (h1 - h2)
            g += lamp_part * (lit - g)
            before = t
            store = keep * store + r * h2 + pull + lamp_heat * g
            t = store + lead * g
            if t - aim < lowest:
                lowest, when = t - aim, k
            if t > before and heat:
                break
            heat = 1.0
        return lowest, when

    def peak(self, view: MatView, aim: float) -> tuple[float, int, float, float, bool]:
        """How far over its aim [°C] the soil comes at the highest, and when [min], if the mat goes off
        now; where it is when the next aim's time has come; where it is `soon`, nan where it has begun
        to fall by then; and whether it falls at first."""
        t, h1, h2, g = self.soil, self.h1, self.h2, self.g
        part, lamp_part, r, keep, lamp_heat, lead, pull = self._steps()
        lit, lamp_in, lamp_to = _lamp_of(view)
        change_in = math.ceil(view.ahead[0][0] / UPDATE) if view.ahead else _LONGEST_LOOK + 1
        last, soon_at, soon = self._look(), self.soon(), math.nan
        late = min(change_in + 30, _LONGEST_LOOK)
        last = max(last, late) if self.early else min(last, change_in)
        store = t - lead * g
        highest, when, then, falls = t, 0, t, False
        for k in range(1, last + 1):
            if k > lamp_in:
                lit = lamp_to
            h1 -= part * h1
            h2 += part * (h1 - h2)
            g += lamp_part * (lit - g)
            before = t
            store = keep * store + r * h2 + pull + lamp_heat * g
            t = store + lead * g
            if t > highest:
                highest, when = t, k
            if k == 1:
                falls = t < before
            if k == soon_at:
                soon = t
            if k <= change_in:
                then = t
            elif t < before:
                break
            if t < before and lamp_in > 30 and not self.early:
                break
        return highest - aim, when, then - aim, soon - aim, falls

    def decided(self, reason: int, on: bool, figure: float, minutes: int) -> bool:
        """What is decided; the rest is remembered for `why`."""
        self.reason, self.figure, self.minutes = reason, figure, float(minutes)
        return on

    def soon(self) -> int:
        """Minutes until most of the heat that is under way in mat and tray has come."""
        return max(3, round(_SOON_LAGS * math.exp(self.lag) * 60))

    def warmed(self, view: MatView, hours: float) -> float:
        """The soil [°C] after hours at full power from now on."""
        h1, h2, g = self.h1, self.h2, self.g
        lead = self.lamp * _LAMP_AHEAD
        store = self.soil - lead * g
        steps = max(1, round(hours / _WARMUP_STEP))
        dt = hours / steps
        part = 1.0 - math.exp(-dt / math.exp(self.lag))
        lamp_part = 1.0 - math.exp(-dt / _LAMP_LAG)
        pull = self.pull()
        lit, lamp_in, lamp_to = _lamp_of(view)
        for k in range(steps):
            before = h2
            h1 += part * (1.0 - h1)
            h2 += part * (h1 - h2)
            g += lamp_part * ((lamp_to if k * dt * 60 >= lamp_in else lit) - g)
            store += dt * (self.rise * (before + h2) / 2 - self.loss * store + pull + self.lamp * g)
        return store + lead * g

    def _look(self) -> int:
        return min(_LONGEST_LOOK, max(15, round(_LOOK_LAGS * math.exp(self.lag) * 60)))

    def _steps(self) -> tuple[float, float, float, float, float, float, float]:
        """Of a minute: the lags' shares, mat, what is kept, lamp, how far it has the seed ahead, and
        all else."""
        return (
            1.0 - math.exp(-_STEP / math.exp(self.lag)),
            1.0 - math.exp(-_STEP / _LAMP_LAG),
            self.rise * _STEP,
            1.0 - self.loss * _STEP,
            self.lamp * _STEP,
            self.lamp * _LAMP_AHEAD,
            self.pull() * _STEP,
        )


#: What a memory holds before `p`, in order.
_NAMES = _Mind.__slots__[1:]
_NUMBERS = len(_NAMES)
_STATE = _NUMBERS - _SIZE  # where the filter's state begins
_LENGTH = _NUMBERS + _SIZE * (_SIZE + 1) // 2
#: Where the variances lie in the triangle, and that of b.
_DIAGONAL = tuple(i * _SIZE - i * (i - 1) // 2 for i in range(_SIZE))
_DRIFT = _DIAGONAL[_B]
_COUNT = _NAMES.index("count")
#: The root of the sum of the squares of all numbers in a memory is less than this.
_ABSURD = 1e10
_variances = itemgetter(*(_NUMBERS + place for place in _DIAGONAL))

# Why the mat is as it is; `figure` is a temperature, with _PLAIN a misfit.
_SHORT, _ENOUGH, _DIPS, _WAITS, _PLAIN, _SLOW = range(1, 7)
# Misfit at which the model is given up, and at which it is trusted again; 1 is a perfect model.
_LOST, _FOUND = 8.0, 3.0


def _within(what: int, value: float) -> float:
    return min(max(value, _LEAST[what]), _MOST[what])


def _lamp_of(view: MatView) -> tuple[float, int, float]:
    """The lamp now, the minutes to its next change, and what it changes to."""
    lit = float(view.lamp)
    if view.lamp_ahead is None:
        return lit, 10**6, lit
    return lit, math.ceil(view.lamp_ahead[0] / UPDATE), float(view.lamp_ahead[1])


def _begin(view: MatView) -> _Mind:
    p = [0.0] * (_LENGTH - _NUMBERS)
    for place, unsure in zip(_DIAGONAL, _UNSURE, strict=True):
        p[place] = unsure * unsure
    numbers = [*[0.0] * _STATE, *_BEGIN]
    mind = _Mind(tuple(p), *numbers)
    mind.at = mind.ticked = view.now
    mind.soil = view.soil
    mind.reference = view.soil if view.room is None else view.room
    mind.felt = float(view.room is not None)
    mind.misfit = 1.0
    return mind


def _recall(memory: tuple[float, ...]) -> _Mind | None:
    """From what `_kept` gave; None when it is not that."""
    if len(memory) != _LENGTH or not math.hypot(*memory) < _ABSURD:
        return None
    state, variances = memory[_STATE:_NUMBERS], _variances(memory)
    within = all(map(le, _LEAST, state)) and all(map(le, state, _MOST))
    if not within or min(variances) < 0.0 or memory[_COUNT] < 0.0:
        return None
    return _Mind(memory[_NUMBERS:], *memory[:_NUMBERS])


def _kept(mind: _Mind) -> tuple[float, ...]:
    return (*_numbers(mind), *mind.p)


_numbers = attrgetter(*_NAMES)


def learning(view: MatView, memory: tuple[float, ...]) -> tuple[bool, tuple[float, ...]]:
    """Heat or not, by what the bench was learned to be. A `control.MatController`.

    memory: empty to begin with; else what the last call gave. Anything else begins anew.
    """
    known = _recall(memory)
    mind = known or _begin(view)
    gone = view.now - mind.ticked
    plan = known is None
    if not 0 <= gone <= GAP:
        mind.away(gone if gone > 0 else math.inf, view.soil)
        mind.at = mind.ticked = view.now
        gone, plan = 0.0, True
    if view.on != mind.was_on:
        mind.was_on, mind.busy = float(view.on), mind.busy + 24.0 / _COUNTED
    mind.heated += gone * view.on
    mind.lit += gone * view.lamp
    mind.soil_sum += view.soil
    mind.room_sum += view.room or 0.0
    mind.count += 1
    mind.ticked = view.now
    passed = view.now - mind.at
    if passed >= UPDATE - 0.5:
        room = None if view.room is None else mind.room_sum / mind.count
        soil = mind.soil_sum / mind.count
        mind.update(soil, room, mind.heated / passed, mind.lit / passed, passed / _HOUR)
        mind.at, plan = view.now, True
    on = view.on
    if plan:
        on = _plan(mind, view)
        mind.forget_ticks()
    # Whatever the model says, none into soil that is warm enough for plain on/off twice over.
    aim = view.ahead[0][1] if mind.early and view.ahead else view.aim
    return on and view.soil < aim + 2 * view.half_band, _kept(mind)


def _plan(mind: _Mind, view: MatView) -> bool:
    if mind.misfit > _LOST:
        mind.plain = 1.0
    elif mind.misfit < _FOUND:
        mind.plain = 0.0
    if mind.plain:
        mind.reason, mind.figure = _PLAIN, math.sqrt(mind.misfit)
        return hysteresis(view, ())[0]
    aim = view.aim
    mind.early = float(_begin_early(mind, view))
    if mind.early:
        aim = view.ahead[0][1]
    swing = mind.swing(view)
    if not (view.on or mind.early):
        trough, minutes = mind.trough(view, aim)
        if minutes or trough >= -swing:  # else it is low and rises already: is that enough?
            if trough > -swing:
                return mind.decided(_WAITS, False, aim + trough, minutes)
            peak, later, *_ = mind.peak(view, aim)
            if later and peak > 0 and trough > -view.half_band:  # a lamp to come makes up for it
                return mind.decided(_ENOUGH, False, aim + peak, later)
            return mind.decided(_DIPS, True, aim + trough, minutes)
    peak, minutes, then, soon, falls = mind.peak(view, aim)
    # A minute more is the least there is to choose: off where that lands closer.
    more = mind.rise * _STEP / 2
    if mind.early:  # to be there in time comes before what the lamp adds afterwards
        on = then < -swing * (1.5 if view.on else 2.0) or peak < 0
    elif soon < -view.half_band and peak > -swing:  # not cold until the lamp has warmed it at last
        return mind.decided(_SLOW, True, aim + soon, mind.soon())
    elif view.on and falls:  # the heat is still to come: would it, off again, be too low?
        trough, minutes = mind.trough(view, aim)
        return mind.decided(_DIPS if trough < 0 else _WAITS, trough < 0, aim + trough, minutes)
    elif view.on:
        on = peak + more < swing
    else:
        on = minutes == 0 or peak < -swing / 2
    return mind.decided(_SHORT if on else _ENOUGH, on, aim + peak, minutes)


def _begin_early(mind: _Mind, view: MatView) -> bool:
    """Whether the rise to come is steered to already."""
    if not view.ahead:
        return False
    seconds, aim = view.ahead[0]
    hours = seconds / _HOUR
    if aim <= view.aim or hours > _LONGEST_WARMUP:
        return False
    aim = min(aim, mind.most() - 0.3)
    slowest = mind.rise - mind.loss * aim + mind.pull()
    if not mind.early and (hours - 1.0) * slowest > aim - mind.soil:
        return False  # far too early, without a closer look
    if view.lamp_ahead is not None and abs(view.lamp_ahead[0] - seconds) < _BESIDE:
        hours = max(0.0, hours - _LAMP_LEAD)
    return aim - mind.warmed(view, hours) > (-_TOO_EARLY if mind.early else _LATE_BY)


@dataclass(frozen=True, slots=True)
class Bench:
    """What has been learned: rise [°C/h at full power], loss [1/h], lag [min] from relay to soil, lamp
    [°C/h], room [°C] as far as the soil tells, most [°C] that full power reaches without the lamp,
    misfit (1: the readings scatter as they should)."""

    rise: float
    loss: float
    lag: float
    lamp: float
    room: float
    most: float
    misfit: float


def learned(memory: tuple[float, ...]) -> Bench | None:
    """What a memory of `learning` holds; None while it holds nothing."""
    mind = _recall(memory)
    if mind is None:
        return None
    return Bench(
        rise=mind.rise,
        loss=mind.loss,
        lag=LAGS * math.exp(mind.lag) * 60,
        lamp=mind.lamp,
        room=mind.pull() / mind.loss,
        most=mind.most(),
        misfit=mind.misfit,
    )


def watts_needed(memory: tuple[float, ...], watts: float, aim: float) -> float | None:
    """Watts that would hold an aim [°C] without the lamp, from the mat's; None while that is unknown."""
    bench = learned(memory)
    if bench is None:
        return None
    return max(0.0, watts * (aim - bench.room) * bench.loss / bench.rise)


def shifted(memory: tuple[float, ...], by: float) -> tuple[float, ...]:
    """The memory with its mono times moved by `by` seconds: the machine has booted since."""
    return tuple(value + by for value in memory[:_TIMES]) + memory[_TIMES:]


def fell_back(before: tuple[float, ...], after: tuple[float, ...]) -> str | None:
    """What to say when the mat has just gone from the model to plain on/off, or back; else None."""
    if len(before) != _LENGTH or len(after) != _LENGTH or before[_IS_PLAIN] == after[_IS_PLAIN]:
        return None
    if after[_IS_PLAIN]:
        return (
            "the soil no longer does what the model of this bench foresees (a probe moved, a tray "
            "lifted?): its mat goes by plain on/off until it does"
        )
    return "the model of this bench foresees its soil again, and has the mat"


def why(
    view: MatView, memory: tuple[float, ...], deg: Callable[[float], str] = "{:.2f} °C".format
) -> str:
    """Why the mat was left on or off by the call that gave this memory, in one sentence.

    deg: how to write a temperature.
    """
    goal = f"soil {deg(view.soil)}, aiming for {deg(view.aim)}"
    if len(memory) != _LENGTH:
        return goal
    early, reason, figure, minutes, rise, lag = _told(memory)
    if early and view.ahead:
        seconds, aim = view.ahead[0]
        goal = f"soil {deg(view.soil)}, warming early for {deg(aim)} in {seconds / UPDATE:.0f} min"
    if reason == _PLAIN:
        return (
            f"{goal}, by plain on/off: readings miss the model {figure:.1f} times as far as usual"
        )
    then = deg(figure) + (f" in {minutes:.0f} min" if minutes else "")
    said = {
        _SHORT: f"off now, it would rise to no more than {then}",
        _ENOUGH: f"the heat under way takes it to {then}",
        _SLOW: f"off now, it would be at no more than {then}",
        _DIPS: f"on a minute later, it would dip to {then}",
        _WAITS: f"on a minute later, it would still keep over {deg(figure)}",
    }.get(int(reason), "nothing planned yet")
    return (
        f"{goal}: {said}; the mat gives {rise:.1f} °C/h after {LAGS * math.exp(lag) * 60:.0f} min"
    )


_TIMES = 2  # at, ticked
_IS_PLAIN = _NAMES.index("plain")
_told = itemgetter(*map(_NAMES.index, ("early", "reason", "figure", "minutes", "rise", "lag")))
