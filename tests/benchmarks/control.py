"""How well a mat controller keeps the soil at seed depth: many drawn benches, controllers side by side.

Each bench stands in a room for eight days. Its duty: a day and a night aim, which change with the
lamp's hours and are known ahead, and twice an aim that rises unannounced. `benches` draws and runs
them, `references` holds what ours is measured against, `judging` says what is counted. Then come the
weak places: one thing goes wrong, and plain on/off at 0.25 °C is the yardstick.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import Pool
from statistics import median

import numpy as np

from daemon.control import MatView
from daemon.predictive import learning
from sim.devices import ProbeSpec
from sim.thermal import Array, ThermalNetwork, TrayFigures
from sim.weather import RoomTemperature
from tests.benchmarks.benches import (
    BAND,
    DAY,
    HOUR,
    START,
    TICK,
    Bench,
    Maker,
    Step,
    Truth,
    draw,
    draw_reachable,
    simulate,
)
from tests.benchmarks.judging import EARLIEST, LATEST, Marks, judge, parts_of
from tests.benchmarks.references import always, at_probe, informed, on_off, optimum, proportional
from tests.benchmarks.tables import Table

#: Benches by number: from where on they are drawn, and whether their trays vary (see `draw`).
SETS = {"listed": (1, False), "not listed": (105000, False), "other trays": (117000, True)}
COUNT = 21


def ours(_bench: Bench) -> Step:
    """The learning controller, from nothing known; its memory passes through text, as in the journal."""
    memory: tuple[float, ...] = ()

    def step(view: MatView, _truth: Truth) -> bool:
        nonlocal memory
        on, memory = learning(view, memory)
        if view.now % DAY == 0:
            memory = tuple(json.loads(json.dumps(memory)))
        return on

    return step


OURS, TRUE, PLAIN = "learning", "binary, true physics", "hysteresis 0.25"
CONTROLLERS: dict[str, Maker] = {
    "always on": always,
    "hysteresis 0.0625": on_off(0.0625),
    "hysteresis 0.1": on_off(0.1),
    PLAIN: on_off(0.25),
    "hysteresis 0.5": on_off(0.5),
    "hysteresis 1": on_off(1.0),
    "PI 300 s": proportional(300.0),
    "PI 600 s": proportional(600.0),
    "PI 1200 s": proportional(1200.0),
    TRUE: informed,
    OURS: ours,
}


def marks_of(names: Sequence[str], key: tuple[int, bool]) -> dict[str, Marks]:
    """The marks of some controllers on one bench; of the optimum, too, as "optimum"."""
    bench = draw(key[0], odd=key[1])
    best = optimum(bench)
    parts = parts_of(bench, best)
    return {
        name: judge(bench, simulate(bench, CONTROLLERS[name]), best, parts) for name in names
    } | {"optimum": _of_optimum(best, parts.settled)}


def _of_optimum(best: Array, settled: np.ndarray) -> Marks:
    nan = math.nan
    rms = float(np.sqrt(np.mean(best[settled] ** 2)))
    return Marks(rms, float(np.abs(best[settled]).max()), nan, nan, nan, nan, nan, nan, None)


def percentile(values: Iterable[float], share: float) -> float:
    """Of the values that are numbers; nan of none."""
    numbers = [value for value in values if not math.isnan(value)]
    return float(np.percentile(numbers, share)) if numbers else math.nan


def _row(name: str, of: list[Marks], true: list[Marks]) -> list[str | float | None]:
    over = [value for marks in of for value in marks.over]
    under = [value for marks in of for value in marks.under]
    reach = [value for marks in of for value in marks.reach.values()]
    entered = [value for marks in of for value in marks.entered]
    days = [marks.half_up for marks in of if marks.half_up is not None]
    return [
        name,
        percentile((marks.rms for marks in of), 50),
        percentile((marks.rms for marks in of), 90),
        max(marks.worst for marks in of),
        percentile((marks.first for marks in of), 90),
        percentile((marks.first for marks in of), 100),
        percentile(over, 95),
        percentile(under, 95),
        percentile(reach, 50),
        percentile(reach, 90),
        _share(entered, lambda value: value <= LATEST),
        _share(entered, lambda value: value >= -EARLIEST),
        percentile((marks.switchings for marks in of), 50),
        percentile((marks.switchings for marks in of), 90),
        percentile((a.kwh / b.kwh for a, b in zip(of, true, strict=True)), 50),
        median(days) if days else None,
    ]


def _share(values: Sequence[float], holds: Callable[[float], bool]) -> float:
    return 100 * sum(map(holds, values)) / len(values) if values else math.nan


COLUMNS = (
    "controller", "RMS", "RMS p90", "worst", "first over p90", "first over max", "later over p95",
    "under p95", "reach", "reach p90", "in time %", "not too early %", "switchings/day",
    "switchings p90", "kWh", "days to half up",
)  # fmt: skip
DIGITS = {
    **dict.fromkeys(COLUMNS[1:8], 2), "RMS": 3, "RMS p90": 3, "reach": 3, "reach p90": 3,
    **dict.fromkeys(("in time %", "not too early %", "switchings/day", "switchings p90"), 0),
    "kWh": 3, "days to half up": 1,
}  # fmt: skip


def side_by_side(title: str, found: list[dict[str, Marks]], names: Sequence[str]) -> Table:
    """One set of benches: a row a controller."""
    true = [marks[TRUE] for marks in found]
    rows = [_row(name, [marks[name] for marks in found], true) for name in (*names, "optimum")]
    reaches = sum(len(marks[OURS].reach) for marks in found)
    rises = sum(len(marks[OURS].entered) for marks in found)
    notes = (
        f"°C, at seed depth, over {len(found)} benches. reach: minutes to the band of {BAND:g} °C "
        f"over those of full power, {reaches} rises from cold or untold that no lamp carries on the "
        f"way. In time: there by {LATEST} min after a told rise; not "
        f"too early: no more than {EARLIEST} min before; {rises} rises. kWh: over the binary controller "
        "with the true physics, median.",
    )
    return Table(title, COLUMNS, rows, notes, DIGITS)


def left_out(found: list[dict[str, Marks]], names: Sequence[str]) -> Table:
    """What is not in the settled error, by itself."""
    rows = [
        [
            name,
            *(
                percentile((getattr(marks[name], part) for marks in found), 50)
                for part in ("preheat", "after", "carried")
            ),
        ]
        for name in names
    ]
    columns = ("controller", "preheat", "after a step", "lamp or room alone")
    notes = ("Median of the benches' RMS [°C].",)
    return Table(
        "Left out of the settled error", columns, rows, notes, dict.fromkeys(columns[1:], 2)
    )


def asked_and_found(sets: dict[str, list[dict[str, Marks]]]) -> Table:
    """What the learning controller has to hold, a column a set."""
    low = "hysteresis 0.1"

    def one(found: list[dict[str, Marks]]) -> list[float]:
        of = [marks[OURS] for marks in found]
        row = dict(zip(COLUMNS, _row(OURS, of, [marks[TRUE] for marks in found]), strict=True))
        over = [value for marks in of for value in marks.over]
        under = [value for marks in of for value in marks.under]
        reach = [value for marks in of for value in marks.reach.values()]
        landed = [marks.reach[k] for marks in of for k in marks.landed]
        beside = [
            value / m[TRUE].reach[k]
            for m in found
            for k, value in m[OURS].reach.items()
            if k in m[TRUE].reach
        ]
        kwh = [marks[OURS].kwh / marks[TRUE].kwh for marks in found]
        values = [
            row["RMS"], row["RMS p90"], row["switchings/day"], row["switchings p90"],
            _share([m[OURS].rms / m[low].rms for m in found], lambda ratio: ratio <= 0.6),
            percentile((m[OURS].rms / m[TRUE].rms for m in found), 50),
            percentile((m[OURS].rms / m[TRUE].rms for m in found), 90),
            _share([marks.first for marks in of], lambda peak: peak <= 0.3),
            row["first over max"],
            _share(over, lambda peak: peak <= 0.25), _share(under, lambda dip: dip <= 0.4),
            percentile(reach, 50), percentile(reach, 90), percentile(landed, 90),
            percentile(beside, 90),
            percentile(kwh, 50), min(kwh), max(kwh), row["in time %"], row["not too early %"],
        ]  # fmt: skip
        return [float(value) for value in values if isinstance(value, int | float)]

    asked = [
        ("settled RMS, median", "0.10 or less"),
        ("settled RMS, p90", "0.12 or less"),
        ("switchings a day, median", "80 or fewer"),
        ("switchings a day, p90", "120 or fewer"),
        ("% of benches at 0.6 times hysteresis 0.1 or less", "90 or more"),
        ("RMS over true physics, median", "1.4 or less"),
        ("RMS over true physics, p90", "1.4 or less"),
        ("% of first landings over by 0.3 or less", "90 or more"),
        ("first landing, most over", "0.5 or less"),
        ("% of later rises over by 0.25 or less", "95 or more"),
        ("% of falls under by 0.4 or less", "95 or more"),
        ("time to the band over full power, median", "1.02 or less"),
        ("time to the band over full power, p90", "1.02 or less"),
        ("the same, where it need not overshoot, p90", "1.02 or less"),
        ("time to the band over true physics, p90", "-"),
        ("kWh over true physics, median", "0.98 to 1.02"),
        ("kWh over true physics, least", "0.98 to 1.02"),
        ("kWh over true physics, most", "0.98 to 1.02"),
        ("% of told rises in the band by 10 min after", "95 or more"),
        ("% of told rises not over an hour early", "90 or more"),
    ]
    figures = [one(found) for found in sets.values()]
    rows = [
        [what, bound, *(column[i] for column in figures)] for i, (what, bound) in enumerate(asked)
    ]
    return Table("The learning controller: asked and found", ("", "asked", *sets), rows)


# Weak places

#: From when [s] on it is judged for how long [s]. What a controller is about at a moment is luck, so the
#: same befalls each bench at four.
GONE_WRONG = tuple(2 * DAY + 7 * HOUR + minutes * 60.0 for minutes in (0, 15, 30, 45))
AFTER = 3 * HOUR
AWAY = 2400.0


@dataclass(frozen=True)
class WeakPlace:
    """What goes wrong with a bench, and when it is judged: AFTER a moment, or all settled time.

    change: to the bench, None where it does not apply. befalls: at the moment, None where nothing does;
    where settled time is judged, at `since`, from AFTER which on it is. begins: how it was before that.
    away: whether the daemon was. dries: see `simulate`. best: what knows all that can be known.
    """

    change: Callable[[Bench], Bench | None] = lambda bench: bench
    begins: Callable[[Bench, ThermalNetwork], None] | None = None
    befalls: Callable[[Bench, ThermalNetwork], None] | None = None
    away: bool = False
    settled: bool = False
    since: float = 0.0
    dries: bool = False
    best: Maker = informed

    @property
    def days(self) -> int:
        return 3 + self.settled + round(self.since / DAY)

    def errors(self, bench: Bench, make: Maker, settled: np.ndarray) -> list[Array]:
        """What is judged of the runs [°C]."""
        found = []
        for moment in (self.since,) if self.settled else GONE_WRONG:

            def meddle(at: float, net: ThermalNetwork, moment: float = moment) -> None:
                if at == 0 and self.begins is not None:
                    self.begins(bench, net)
                if at == moment and self.befalls is not None:
                    self.befalls(bench, net)

            dark = (moment - AWAY, moment) if self.away else None
            run = simulate(bench, make, meddle=meddle, dries=self.dries, dark=dark)
            if self.settled:
                judged = settled.copy()
                if self.since:
                    judged[: round((self.since + AFTER) / TICK)] = False
                found.append(run.error[judged])
            else:
                found.append(run.error[round(moment / TICK) : round((moment + AFTER) / TICK)])
        return found


def _covered(bench: Bench) -> Bench | None:
    return bench if bench.covered else None


def _cover_off(_bench: Bench, net: ThermalNetwork) -> None:
    net.covered = False


def _cold_water(bench: Bench, net: ThermalNetwork) -> None:
    net.water(0.5 * bench.trays, 10.0)


def _several(bench: Bench) -> Bench | None:
    """An even number of trays, of which half are there at first."""
    return bench if bench.trays % 2 == 0 else None


def _half_of_them(bench: Bench, net: ThermalNetwork) -> None:
    net.put_trays(bench.trays / 2, 0.0)


def _all_of_them(bench: Bench, net: ThermalNetwork) -> None:
    net.put_trays(bench.trays, bench.room.at(START + 3 * DAY))


def _noisy(bench: Bench) -> Bench:
    """Doors and windows: the room jumps about by a few degrees, every 20 minutes."""
    rng = random.Random(bench.seed)
    calm, step = bench.room, HOUR / 3
    jumps = [rng.gauss(0, 2.0) for _ in range(round(bench.duty.days * DAY / step) + 200)]

    def segment(utc: float) -> tuple[float, float, float, float]:
        k = min(max(0, math.floor((utc - START) / step)), len(jumps) - 2)
        begin, end = START + k * step, START + (k + 1) * step
        return begin, calm.at(begin) + jumps[k], end, calm.at(end) + jumps[k + 1]

    return replace(bench, room=RoomTemperature(segment))


def _probe_at(depth_mm: float, bench: Bench) -> Bench:
    lag, offset = bench.probe.lag_s, bench.probe.offset_c
    return replace(bench, probe=ProbeSpec("soil", depth_mm=depth_mm, lag_s=lag, offset_c=offset))


def _open_and_wet(bench: Bench) -> Bench:
    """With a mat that can hold it then."""
    bench = replace(bench, covered=False, moisture=1.0)
    return replace(bench, mat_watts=max(bench.mat_watts, 1.2 * bench.watts_it_takes()))


def _slow(bench: Bench) -> Bench:
    """A deep tray that lies badly on its mat, with a mat that can hold it."""
    figures = TrayFigures(
        layers_mm=(45.0, 14.0, 6.0), medium_dry_j_k=6500.0, water_litres=2.2, contact_w_k=2.2
    )
    bench = replace(bench, figures=figures)
    return replace(bench, mat_watts=max(bench.mat_watts, 1.2 * bench.watts_it_takes()))


WEAK_PLACES = {
    "lag over 16 min": WeakPlace(change=_slow, settled=True),
    "cover off": WeakPlace(change=_covered, befalls=_cover_off),
    "cold water": WeakPlace(befalls=_cold_water),
    "restart after 40 min": WeakPlace(away=True),
    "noisy room": WeakPlace(change=_noisy, settled=True),
    "trays doubled": WeakPlace(
        change=_several, begins=_half_of_them, befalls=_all_of_them, settled=True, since=3 * DAY
    ),
    "probe too deep": WeakPlace(change=partial(_probe_at, 30.0), settled=True, best=at_probe),
    "probe at the surface": WeakPlace(change=partial(_probe_at, 2.0), settled=True, best=at_probe),
    "open, drying": WeakPlace(change=_open_and_wet, settled=True, dries=True),
}


def weak_marks(key: tuple[int, bool]) -> dict[str, list[float]]:
    """Root mean square error [°C] by weak place, on one bench: ours, plain on/off, the true physics."""
    found = {}
    for place, weak in WEAK_PLACES.items():
        bench = weak.change(draw(key[0], weak.days, odd=key[1]))
        if bench is None:
            continue
        settled = parts_of(bench, optimum(bench)).settled if weak.settled else np.zeros(0, bool)
        found[place] = [
            float(np.sqrt(np.mean(np.concatenate(weak.errors(bench, make, settled)) ** 2)))
            for make in (ours, CONTROLLERS[PLAIN], weak.best)
        ]
    return found


def weak_table(found: Sequence[dict[str, list[float]]]) -> Table:
    """A row a weak place: the error over all benches, and on how many plain on/off is the better."""
    rows: list[list[str | float | int]] = []
    for place in WEAK_PLACES:
        marks = [of[place] for of in found if place in of]
        if marks:
            means = [math.sqrt(sum(mark[i] ** 2 for mark in marks) / len(marks)) for i in range(3)]
            worse = [sum(mark[i] > mark[1] for mark in marks) for i in (0, 2)]
            most = [max(mark[i] / mark[1] for mark in marks) for i in (0, 2)]
            rows.append([place, len(marks), *means, worse[0], most[0], worse[1], most[1]])
    columns = (
        "", "benches", OURS, PLAIN, TRUE, "ours worse on", "at most x", "true worse on", "at most x ",
    )  # fmt: skip
    return Table(
        "Weak places",
        columns,
        rows,
        (
            "RMS error [°C] at seed depth: of the three hours after the cover comes off, half a litre a "
            "tray of water at 10 °C goes on, or the daemon comes back; of all settled time elsewhere "
            "(trays doubled: of three days from three hours after it on). Worse: than plain on/off, and "
            "by what factor. The true physics know of cover, trays and water at once; with a "
            "misplaced probe they go by what it can see.",
        ),
        dict.fromkeys((OURS, PLAIN, TRUE, "at most x", "at most x "), 2),
    )


def watts_table(others: Sequence[Bench]) -> Table:
    """The benches that full power does not carry to their aims."""
    rows = [
        [b.name, b.room_says, b.mat_watts, b.watts_it_takes(), b.needs(), b.coldest()]
        for b in others[:12]
    ]
    return Table(
        "Watts it would take",
        ("bench", "room", "has W", "takes W", "highest aim °C", "coldest room °C"),
        rows,
        (f"The first {len(rows)} of the {len(others)} drawn beside the listed ones.",),
        dict.fromkeys(("has W", "takes W", "highest aim °C", "coldest room °C"), 0),
    )


def benchmark(quick: bool, jobs: int) -> list[Table]:
    """All of it: the sets of benches, then the weak places. quick: three benches of each."""
    count = 3 if quick else COUNT
    tables: list[Table] = []
    sets: dict[str, list[dict[str, Marks]]] = {}
    weak: list[tuple[int, bool]] = []
    with Pool(jobs) as pool:
        for name, (first, odd) in SETS.items():
            reached, others = draw_reachable(first, count, odd=odd)
            keys = [(bench.seed, odd) for bench in reached]
            names = list(CONTROLLERS) if name == "listed" else ["hysteresis 0.1", TRUE, OURS]
            sets[name] = pool.map(partial(marks_of, names), keys, chunksize=1)
            tables.append(side_by_side(f"Benches: {name}", sets[name], names))
            if name == "listed":
                tables += [left_out(sets[name], names), watts_table(others)]
            weak += keys[: min(6, count)] if name != "not listed" else []
        tables.append(asked_and_found(sets))
        tables.append(weak_table(pool.map(weak_marks, weak, chunksize=1)))
    return tables
