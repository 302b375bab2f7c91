"""What the learning controller is measured against: on/off, a tuned PI, and two that know the truth.

`informed` is binary and predictive like ours but is given the true physics, the true state, and the
room and lamp to come. `optimum` is the clairvoyant relaxed linear program: any share of the mat's
power, all disturbances known. Nothing real can do better than the second.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.optimize import linprog

from daemon.control import MatView, hysteresis
from sim.thermal import MOISTURE_BANDS, SEED_DEPTH_MM, Array, ThermalNetwork, expm, soil_mix
from tests.benchmarks.benches import DAY, START, TICK, Bench, Duty, Maker, Step, Truth

#: A peak or a trough that the informed controller lets come [°C from the aim].
SWING = 0.1
#: Minutes that it looks ahead for one, and for a rise to come.
LOOK, PREHEAT = 60, 480


def always(_bench: Bench) -> Step:
    """The mat always on."""
    return lambda view, truth: True


def on_off(half_band: float) -> Maker:
    """The plain on/off controller at a half band [°C]."""

    def step(view: MatView, _truth: Truth) -> bool:
        plain = MatView(view.now, view.soil, view.aim, half_band, view.on, view.lamp, view.room)
        return hysteresis(plain, ())[0]

    return lambda _bench: step


def proportional(window: float) -> Maker:
    """PI whose output is a share of each window [s].

    Tuned by SIMC on the true step response, an integrating process with dead time, closed-loop time
    = dead time (S. Skogestad, Simple analytic rules for model reduction and PID controller tuning,
    J. Process Control 13:291, 2003; from memory), with the output's own delay of half a window.
    """

    def make(bench: Bench) -> Step:
        net = bench.network()
        room = bench.room.at(START)
        rises = []
        before = net.probe(0)
        for _ in range(180):
            net.step(round(TICK * 1e6), room, room, 1.0, 0.0)
            net.moisture = bench.moisture
            rises.append(net.probe(0) - before)
            before = net.probe(0)
        at = int(np.argmax(rises))
        slope = rises[at] / TICK
        dead = (at + 1) * TICK - sum(rises[: at + 1]) / slope + window / 2
        gain = 1.0 / (slope * 2 * dead)
        reset = 8 * dead
        total = 0.0
        begun, share, owed = -math.inf, 0.0, 0.0

        def step(view: MatView, _truth: Truth) -> bool:
            nonlocal total, begun, share, owed
            error = view.aim - view.soil
            raw = gain * error + total
            if 0 < raw < 1 or (raw >= 1 and error < 0) or (raw <= 0 and error > 0):
                total += gain * error * TICK / reset
            if view.now - begun >= window:
                begun = view.now
                wanted = min(1.0, max(0.0, gain * error + total)) * window + owed
                share = min(window, max(0.0, round(wanted / TICK) * TICK))
                owed = wanted - share if 0 < wanted < window else 0.0
            return view.now - begun < share

        return step

    return make


def _discrete(bench: Bench, seconds: float) -> tuple[Array, Array, Array]:
    """A, B and the row that reads seed depth, of the exact step: x' = A x + B u.

    x: the five nodes. u: room, mat, lamp, 1.
    """
    a, b = bench.network().system()
    a, b = a[:5, :5], b[:5][:, [0, 2, 3, 4]]
    whole = np.zeros((9, 9))
    whole[:5, :5], whole[:5, 5:] = a * seconds, b * seconds
    m = expm(whole)[:5]
    node, share = soil_mix(SEED_DEPTH_MM, bench.figures)
    read = np.zeros(5)
    read[node], read[node + 1] = 1 - share, share
    return m[:, :5], m[:, 5:], read


@dataclass(frozen=True)
class _Answers:
    """How seed depth, or another, answers: by the minute, to the state and to each input."""

    read: Array
    free: Array
    pulses: Array
    shifted: Array

    @classmethod
    def of(cls, bench: Bench, depth_mm: float) -> _Answers:
        a, b, _ = _discrete(bench, TICK)
        node, share = soil_mix(depth_mm, bench.figures)
        read = np.zeros(5)
        read[node], read[node + 1] = 1 - share, share
        rows, powers = [read @ a], [read @ b]
        for _ in range(PREHEAT - 1):
            powers.append(rows[-1] @ b)
            rows.append(rows[-1] @ a)
        # Depth after k + 1 minutes from the state, and from each input for one minute, k minutes later.
        free, pulses = np.array(rows), np.array(powers)
        toeplitz = np.subtract.outer(np.arange(LOOK), np.arange(LOOK))
        shifted = np.where(toeplitz[..., None] >= 0, pulses[np.maximum(toeplitz, 0)], 0.0)
        return cls(read, free, pulses, shifted)


def at_probe(bench: Bench) -> Step:
    """`informed`, but of the place where the probe is: the best that goes by what the probe can see."""
    return informed(bench, depth_mm=bench.probe.depth_mm)


def informed(bench: Bench, swing: float = SWING, depth_mm: float = SEED_DEPTH_MM) -> Step:
    """Binary and predictive, told the truth: it asks the same questions as ours, of the exact system,
    and is told when a cover, trays or their water change."""
    known: dict[tuple[bool, int, float], _Answers] = {}

    def answers_of(net: ThermalNetwork) -> _Answers:
        key = net.covered, round(net.moisture * MOISTURE_BANDS), net.trays
        if key not in known:
            now = replace(bench, covered=key[0], moisture=key[1] / MOISTURE_BANDS, trays=key[2])
            known[key] = _Answers.of(now, depth_mm)
        return known[key]

    has_lamp = bench.lamp_watts > 0
    ticks = round(bench.duty.days * DAY / TICK) + PREHEAT + 1
    rooms = np.array([bench.room.at(START + (k + 0.5) * TICK) for k in range(ticks)])
    lit = np.array([float(has_lamp and bench.duty.lit(k * TICK)) for k in range(ticks)])
    never, always_on = np.zeros(LOOK), np.ones(LOOK)
    late = np.array([0.0] + [1.0] * (LOOK - 1))
    one_more = 1 - late
    early = False

    def path(truth: Truth, heat: Array) -> Array:
        k, answers = round(truth.at / TICK), answers_of(truth.net)
        by = answers.shifted
        others = by[:, :, 0] @ rooms[k : k + LOOK] + by[:, :, 2] @ lit[k : k + LOOK]
        others += by[:, :, 3] @ always_on + by[:, :, 1] @ heat
        return answers.free[:LOOK] @ np.array(truth.net.temps[:5]) + others

    def at_full(truth: Truth, minutes: int) -> float:
        k, answers = round(truth.at / TICK), answers_of(truth.net)
        free, pulses = answers.free, answers.pulses
        back = pulses[minutes - 1 :: -1] if minutes < len(pulses) else pulses[::-1]
        n = len(back)
        u = np.stack([rooms[k : k + n], np.ones(n), lit[k : k + n], np.ones(n)], axis=1)
        return float(free[n - 1] @ np.array(truth.net.temps[:5]) + np.sum(back * u))

    def step(view: MatView, truth: Truth) -> bool:
        nonlocal early
        goal, change = view.aim - truth.offset, math.inf
        if view.ahead:
            change = view.ahead[0][0]
            coming = view.ahead[0][1] - truth.offset
            minutes = round(change / TICK)
            if coming > goal and 0 < minutes <= PREHEAT:
                if not early:
                    early = at_full(truth, minutes) < coming + 0.05
                if early:
                    goal, change = coming, math.inf
            else:
                early = False
        now = float(answers_of(truth.net).read @ np.array(truth.net.temps[:5]))
        none = path(truth, never)
        if early and (rise := round(view.ahead[0][0] / TICK)) <= LOOK:
            # Being there in time comes before the lamp's overshoot afterwards.
            at_rise = now if rise < 1 else none[rise - 1]
            return bool(at_rise < goal - SWING or none.max() < goal)
        steps = LOOK if math.isinf(change) else min(LOOK, max(1, round(change / TICK)))
        if view.on and none[:steps].max() > now:
            more = path(truth, one_more)[:steps].max()
            return bool((none[:steps].max() + max(now, more)) / 2 < goal + swing)
        course = path(truth, late)
        if not view.on and course[0] > now:  # heat is under way: enough of it?
            return bool(none.max() < goal - swing / 2)
        turn = change / TICK
        goals = np.full(LOOK, goal)
        if view.ahead:
            goals[np.arange(LOOK) >= turn] = view.ahead[0][1] - truth.offset
        # What was just put on stays on while the soil falls, or it would go by the minute.
        return bool((course - goals).min() <= (0.0 if view.on else -swing))

    return step


#: Of the optimum [s]; how much more a shortfall weighs than an excess; and how far [s] it plans
#: beyond the next change that nobody tells.
OPTIMUM_STEP = 300.0
SHORT_WEIGHS = 300.0
BEYOND = 12 * 3600.0


def optimum(bench: Bench) -> Array:
    """The error [°C] at each tick of the least sum of absolute errors, by scipy's HiGHS.

    The mat may have any share of its power in each five minutes. A shortfall weighs more than an
    excess: it warms before a told rise, as late as it can, and coasts after a fall, not before. It knows
    room and lamp to the end, but a change of the aim that nobody tells only when it is there.
    """
    matrices = _discrete(bench, OPTIMUM_STEP)
    net = bench.network()
    state, read = np.array(net.temps[:5]), matrices[2]
    last = bench.duty.days * DAY
    begins = [change.at for change in bench.duty.changes if not change.told]
    depths = [float(read @ state)]
    for begin, end in zip(begins, [*begins[1:], last], strict=True):
        changes = tuple(c for c in bench.duty.changes if c.told or c.at <= begin)
        known = replace(bench.duty, changes=changes)
        states = _least_error(bench, known, matrices, state, begin, min(last, end + BEYOND))
        states = states[: round((end - begin) / OPTIMUM_STEP)]
        depths += [float(depth) for depth in states @ read]
        state = states[-1]
    ticks = np.arange(round(last / TICK)) * TICK
    truth = np.interp(ticks, np.arange(len(depths)) * OPTIMUM_STEP, depths)
    return truth - np.array([bench.duty.aim(t) for t in ticks]) + bench.probe.offset_c


def _least_error(
    bench: Bench,
    duty: Duty,
    matrices: tuple[Array, Array, Array],
    start: Array,
    begin: float,
    end: float,
) -> Array:
    """The optimum's states after each step from begin to end [s]."""
    a, b, read = matrices
    steps = round((end - begin) / OPTIMUM_STEP)
    times = begin + np.arange(steps) * OPTIMUM_STEP
    rooms = np.array([bench.room.at(START + t + OPTIMUM_STEP / 2) for t in times])
    lit = np.array([float(bench.lamp_watts > 0 and duty.lit(t)) for t in times])
    aims = np.array([duty.aim(t + OPTIMUM_STEP) for t in times]) - bench.probe.offset_c
    eye = sparse.identity(steps, format="csc")
    dynamics = sparse.kron(eye, np.eye(5)) - sparse.kron(sparse.eye(steps, k=-1), a)
    heat = sparse.kron(eye, -b[:, 1:2])
    none = sparse.csc_matrix((5 * steps, steps))
    given = (np.outer(rooms, b[:, 0]) + np.outer(lit, b[:, 2]) + b[:, 3]).ravel()
    given[:5] += a @ start
    seen = sparse.kron(eye, read[None, :])
    # Variables: the states, the heat, and the error above and below.
    blank = sparse.csc_matrix((steps, steps))
    equal = sparse.bmat([[dynamics, heat, none, none], [seen, blank, -eye, eye]], format="csc")
    cost = np.repeat([0.0, 1e-4, 1.0, SHORT_WEIGHS], [5 * steps, steps, steps, steps])
    low = np.repeat([-np.inf, 0.0], [5 * steps, 3 * steps])
    high = np.repeat([np.inf, 1.0, np.inf], [5 * steps, steps, 2 * steps])
    found = linprog(
        cost,
        A_eq=equal,
        b_eq=np.concatenate([given, aims]),
        bounds=np.stack([low, high], axis=1),
        method="highs-ipm",
    )
    if found.status != 0:
        raise RuntimeError(f"{bench.name}: no optimum: {found.message}")
    return found.x[: 5 * steps].reshape(steps, 5)
