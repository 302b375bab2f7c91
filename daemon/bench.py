"""One bench during one tick: what is known of it, what it wants, and what may not be.

The order is the guarantee: wants, then people's keeps, then the safety stops, which only take away. Pure,
like `decide`, which fills it in for each bench and turns it into outputs and the next memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import partial
from math import isnan

from daemon import alarms, interlocks, predictive
from daemon.alarms import Condition
from daemon.control import (
    HOUR,
    MatView,
    hysteresis,
    local_day,
    next_edge,
)
from daemon.energy import NO_ENERGY, Energy, banked
from daemon.events import Event
from daemon.forecasts import counted_soil
from daemon.outage import GAP, Course, course
from daemon.power import KEPT, WARM, Load, lamp_rank, mat_rank
from daemon.room import observe
from daemon.sharing import Aim
from daemon.state import (
    NEVER,
    BenchMemory,
    BenchSpec,
    Cut,
    Inputs,
    Keep,
    Now,
    RelaySpec,
    Site,
)
from drivers.protocols import WORDED, Quality, Reading
from drivers.values import value
from drivers.vetting import Vetting
from profiles.units import Units, format_difference, format_temperature

#: How old [s] a reading of air may be; many a thermometer reports only what has changed.
AIR_FRESH = HOUR
#: Two soil probes this far apart [°C] can't both be in the tray; the warmer is steered by.
DISAGREE = 4.0
#: What shows that a lamp is lit is asked from so long [s] after a switching on: plugs report slowly.
PROOF_SETTLES = 60.0
#: Readings whose number may not steer, but may switch off.
DOUBTFUL = (Quality.OK, Quality.JUMP, Quality.FROZEN, Quality.OUT_OF_RANGE)
#: A probe that rides out a jump is reported as lost only after this long [s].
JUMP_PATIENCE = 900.0
#: So much [s] of a day's light shed for the heat under a cover is too much: a person must help.
SHED_TOO_LONG = 2 * HOUR
#: Out of reach: how long [s] something must be off target before it is said, once.
OFF_TARGET = 6 * HOUR
#: Short of power: soil that is this far [°C] under its target while its mat waits for others.
SHORT_OF_POWER = 1.0
#: Full power settles when the soil rises less than this [°C] in OFF_TARGET.
SETTLED = 0.5


@value(frozen=True, slots=True)
class MatReason:
    """Why a mat controller did what it did, put into words only where somebody asks.

    view, mind: what it saw, and the memory it left. banks: what the cheap hours add.
    """

    view: MatView
    mind: tuple[float, ...]
    learns: bool
    units: Units
    banks: str

    def __str__(self) -> str:
        if self.learns:
            deg = partial(format_temperature, units=self.units)
            return predictive.why(self.view, self.mind, deg) + self.banks
        soil = format_temperature(self.view.soil, self.units)
        return (
            f"soil {soil}, aiming for {format_temperature(self.view.aim, self.units)}{self.banks}"
        )


@value(frozen=True, slots=True)
class Output:
    """What one bench's relays are told, and why in a sentence; `stops` names the safety stops at work.

    target: the soil temperature steered to now [°C], None when the mat has nothing to do.
    """

    lamp: bool
    mat: bool
    lamp_why: str
    mat_reason: str | MatReason
    stops: tuple[str, ...]
    target: float | None = None

    @property
    def mat_why(self) -> str:
        """Why the mat is on or off."""
        return str(self.mat_reason)


def mean_reading(
    readings: Mapping[str, Reading], names: tuple[str, ...], now: Now, fresh: float
) -> float | None:
    """Mean of the good readings of these probes that are no older than `fresh` [s]; None without any."""
    total, many = 0.0, 0
    for name in names:
        reading = readings[name]
        value = reading.value
        if (
            value is not None
            and reading.quality is Quality.OK
            and 0 <= now.mono - reading.at < fresh
        ):
            total += value
            many += 1
    return total / many if many else None


_NONE_HELD: frozenset[str] = frozenset()


class BenchTick:
    """One bench during one tick: filled in step by step, then turned into output and memory."""

    __slots__ = (
        "aim", "air", "course", "edge", "hottest", "jumped", "lamp", "lamp_why", "latched", "light",
        "mat", "mat_why", "mind", "old", "room", "room_then", "site", "soil", "soil_at", "spec",
        "shed", "stops", "target", "uncovered_at", "day", "watch", "said", "off_target", "full_since",
        "full_soil", "held", "banks", "lit", "proven_at", "lamp_kept", "mat_kept", "mat_waits",
    )  # fmt: skip

    def __init__(self, spec: BenchSpec, site: Site, old: BenchMemory, aim: Aim) -> None:
        self.spec = spec
        self.site = site
        self.old = old
        self.aim = aim
        self.target: float | None = None
        self.edge: tuple[bool, float] | None = None
        self.day = False
        self.banks = ""
        self.soil = old.soil
        self.soil_at = old.soil_at
        self.uncovered_at = old.uncovered_at
        self.air: float | None = None
        self.room: float | None = None
        self.course: Course | None = None
        self.room_then: float | None = None
        self.hottest: float | None = None
        self.jumped = False
        self.lamp = self.mat = False
        self.lamp_why = "no lamp here" if spec.lamp is None else ""
        self.mat_why: str | MatReason = "no mat here" if spec.mat is None else ""
        self.light = old.light
        self.watch = old.watch
        self.mind = old.controller
        self.lit: bool | None = None
        self.proven_at = old.proven_at
        self.lamp_kept = self.mat_kept = False
        self.mat_waits = False
        self.stops: list[str] = []
        self.held = _NONE_HELD
        self.shed = False
        self.latched = old.latched
        self.said = old.said
        self.off_target = old.off_target_since
        self.full_since = old.full_since
        self.full_soil = old.full_soil

    def deg(self, celsius: float) -> str:
        return format_temperature(celsius, self.site.units)

    # --- what is known ---------------------------------------------------------------------------

    def read(
        self,
        readings: Mapping[str, Reading],
        vettings: Mapping[str, Vetting],
        room: float | None,
        now: Now,
        standing: frozenset[str],
        conditions: dict[str, Condition],
    ) -> None:
        """Take in the readings of this bench; doubtful ones only for what may switch off.

        vettings: of the probes as they were before these readings. standing: keys of active alarms.
        """
        name = self.spec.name
        if self.old.covered and not self.aim.covered:
            self.uncovered_at = now.mono
        good: list[float] = []
        bad: list[tuple[str, Reading]] = []
        for probe in self.spec.soil_probes:
            reading = readings[probe]
            fresh = 0 <= now.mono - reading.at < self.site.probe_grace
            if reading.quality is Quality.OK and reading.value is not None and fresh:
                good.append(reading.value)
                self.soil_at = max(self.soil_at, reading.at)
            else:
                bad.append((probe, reading))
            value = reading.value
            # What a probe said before it fell silent is no reading, here no more than for the mat.
            if value is not None and not isnan(value) and reading.quality in DOUBTFUL and fresh:
                self.hottest = value if self.hottest is None else max(value, self.hottest)
            before = vettings.get(probe)
            if reading.quality is Quality.JUMP or (before is not None and before.count):
                self.jumped = True
        self.air = mean_reading(readings, self.spec.air_probes, now, AIR_FRESH)
        self.room = room
        if good:
            warmest = max(good)
            self.soil = warmest if warmest - min(good) > DISAGREE else sum(good) / len(good)
        if len(good) > 1 and (spread := max(good) - min(good)) > DISAGREE - alarms.AGREE_AGAIN:
            key = f"probes-disagree.{name}"
            if spread > DISAGREE or key in standing:
                conditions[key] = Condition(
                    "probes-disagree",
                    f"{name}: from {self.deg(min(good))} to {self.deg(max(good))}",
                    name,
                )
        begun = now.mono if self.old.begun is None else self.old.begun
        age = now.mono - max(self.soil_at, begun)
        riding = bool(bad) and all(r.quality is Quality.JUMP for _, r in bad)
        patience = JUMP_PATIENCE if riding else 0.0
        if self.spec.soil_probes and not good and age >= max(self.site.probe_grace, patience):
            how = ", ".join(f"{probe.split('/')[1]} {_worded(r)}" for probe, r in bad)
            conditions[f"no-soil-reading.{name}"] = Condition(
                "no-soil-reading", f"{name}: {how}", name
            )
        elif good and bad:
            for probe, reading in bad:
                if reading.quality is not Quality.JUMP:
                    short = probe.split("/")[1]
                    conditions[f"probe-lost.{name}.{short}"] = Condition(
                        "probe-lost", f"{name}: {short} {_worded(reading)}", name
                    )

    def bridge(self, dt: float, cut: Cut | None, now: Now) -> None:
        """After a gap: the course that the soil took meanwhile, from the last reading to the first."""
        before, room = self.old.soil, self.old.room
        fresh = 0 <= now.mono - self.soil_at < self.site.probe_grace
        found = self.soil if fresh else None
        seconds = dt
        if cut is not None:
            # Known only since the clock is; the machine has run since, and that was counted.
            before, room = cut.soils.get(self.spec.name, (None, None))
            found = cut.found.get(self.spec.name, found)
            seconds = (now.utc - cut.at.utc) - (now.mono - cut.at.mono) if now.trusted else 0.0
        if seconds <= GAP or before is None:
            return
        rooms = [value for value in (room, self.room) if value is not None]
        self.room_then = min(rooms) if rooms else None
        self.course = course(before, seconds, room=self.room_then, measured=found)

    def judge_lamp(self, inputs: Inputs, now: Now) -> None:
        """Find whether the lamp is lit, by what measures its power or light since it was switched."""
        proof = self.spec.lamp.proof if self.spec.lamp is not None else None
        reading = inputs.readings.get(proof.meter) if proof is not None else None
        if proof is None or reading is None or reading.value is None or isnan(reading.value):
            return
        settled = reading.at >= self.old.lamp_at + PROOF_SETTLES
        if reading.quality is Quality.OK and settled and 0 <= now.mono - reading.at < AIR_FRESH:
            self.lit = reading.value >= proof.least
            if self.old.lamp:
                self.proven_at = now.mono

    def soil_for_count(self) -> float | None:
        """The soil temperature [°C] that counts towards emergence, see `forecasts.counted_soil`."""
        probed = bool(self.spec.soil_probes)
        return counted_soil(probed, self.soil, self.air, self.room, self.aim.soil)[0]

    # --- what is done ----------------------------------------------------------------------------

    def steer(
        self,
        now: Now,
        today: date,
        dt: float,
        keeps: Mapping[str, Keep],
        watered: bool,
        bank: float,
    ) -> None:
        """Wants, then overrides, then the safety stops.

        today: the local date. bank: see `OffPeak.banks`.
        """
        aim, self.day = self.aim, self._scheduled(now, today)
        by_night = aim.soil_night is not None and aim.hours > 0 and not self.day
        self.target = aim.soil_night if by_night else aim.soil
        if self.target is not None and bank:
            before, self.target = self.target, banked(self.target, bank, aim.soil_range)
            if self.target > before:
                self.banks = ", a little more before the cheap hours end"
            elif self.target < before:
                self.banks = ", a little less until the cheap hours begin"
        self._feel_heat()
        self._steer_lamp(now, dt, keeps.get(f"{self.spec.name}/lamp"))
        self._steer_mat(now, dt, keeps.get(f"{self.spec.name}/mat"), watered)

    def _feel_heat(self) -> None:
        """Find which stops for heat hold, mat or no mat: a lamp or the sun can cook a tray too."""
        ceiling = self.aim.ceiling
        limits = [("soil-over-limit", self.site.soil_limit, interlocks.LIMIT_RELEASE)]
        if ceiling is not None:
            limits.append(("crop-too-hot", ceiling, interlocks.CEILING_RELEASE))
            if self.aim.covered and self.spec.lamp is not None:
                limit = ceiling - interlocks.COVER_SHED
                release = interlocks.COVER_RELEASE - interlocks.COVER_SHED
                limits.append(("lamp-over-cover", limit, release))
        under_cover = self.hottest
        if not self.spec.soil_probes and self.air is not None:
            under_cover = self.air + interlocks.COVER_OVER_AIR
        before = self.old.stops
        held = [
            stop
            for stop, limit, release in limits
            if interlocks.over_limit(
                under_cover if stop == "lamp-over-cover" else self.hottest,
                limit,
                stop in before,
                release,
            )
        ]
        self.held = frozenset(held) if held else _NONE_HELD

    def _steer_lamp(self, now: Now, dt: float, keep: Keep | None) -> None:
        spec, aim, old = self.spec.lamp, self.aim, self.old
        if spec is None:
            return
        scheduled = self.day
        self.light, dark = interlocks.keep_dark(
            old.light, scheduled, aim.hours, now.mono, self.site.tick, dt
        )
        self.lamp = scheduled
        if aim.hours <= 0:
            self.lamp_why = (
                "dark until the first seedlings may be up" if aim.seed else "nothing to light"
            )
        elif scheduled:
            cheap = ", from the first cheap hour on" if self.spec.lit_cheaply else ""
            self.lamp_why = f"in its {aim.hours:g} h of light{cheap}, for {aim.lit_for}"
        else:
            self.lamp_why = f"night, after {aim.hours:g} h of light"
        if scheduled or aim.hours <= 0:  # the night is a safety stop, and waits for no least time
            self.lamp = _at_least(spec, old.lamp, old.lamp_at, self.lamp, now.mono)
        # What was lit since the last tick counts though its keep has lapsed by now; what was lit before
        # the night began was the day's.
        night = aim.hours > 0 and not (scheduled and dark is None)
        used_up = None
        if night:
            lit = old.lamp and self.light.night_from == old.light.night_from
            self.light, used_up = interlocks.work_light(self.light, min(dt, GAP) if lit else 0.0)
        if keep is not None and keep.on:
            self.lamp, self.lamp_why = True, f"kept on by {keep.by}"
            self.lamp_kept = not scheduled
            if night:
                dark = used_up
        if self.lamp and dark is not None:
            self.stop_lamp(dark)
        if self.lamp and keep is not None and not keep.on:
            self.lamp, self.lamp_why = False, f"kept off by {keep.by}"
        if self.lamp and "lamp-over-cover" in self.held:
            self.shed = True
            self.stop_lamp(f"it would cook what is under the cover ({aim.ceiling_of})")

    def _scheduled(self, now: Now, today: date) -> bool:
        """Whether the schedule asks for light; without a trusted clock, the rhythm goes on as it was."""
        hours = self.aim.hours
        if hours <= 0 or hours >= 24:
            return hours > 0
        if now.trusted:
            self.edge = next_edge(self.spec.lights_on, hours, self.site.zone, now.utc, today)
            return self.edge is not None and not self.edge[0]
        light = self.old.light
        if light.day_from is not None and light.night_from is None:
            return now.mono - light.day_from < hours * HOUR
        return light.night_from is not None and now.mono - light.night_from >= (24 - hours) * HOUR

    def _steer_mat(
        self,
        now: Now,
        dt: float,
        keep: Keep | None,
        watered: bool,
    ) -> None:
        spec, aim, old = self.spec.mat, self.aim, self.old
        if spec is None:
            return
        stale = interlocks.no_good_reading(now.mono, self.soil_at, self.site.probe_grace)
        if self.target is None:
            self.mat_why = "nothing here asks for a warm mat"
        elif stale is None and self.soil is not None:
            learns = self.spec.control == "learning"
            ahead, lamp_ahead = self._foreseen(self.target, now) if learns else ((), None)
            view = MatView(
                now.mono, self.soil, self.target, self.spec.hysteresis, old.mat, old.lamp, self.room,
                ahead, lamp_ahead, spec.min_on, spec.min_off,
            )  # fmt: skip
            steer = predictive.learning if learns else hysteresis
            self.mat, self.mind = steer(view, old.controller if learns else ())
            self.mat_why = MatReason(view, self.mind, learns, self.site.units, self.banks)
        self.mat = _at_least(spec, old.mat, old.mat_at, self.mat, now.mono)
        if keep is not None and keep.on:
            self.mat, self.mat_why, self.mat_kept = True, f"kept on by {keep.by}", True

        reached = (
            self.target is not None
            and self.soil is not None
            and self.soil >= self.target - self.spec.hysteresis
        )
        # A board without a clock of its own can't tell after a power cut how long that was.
        away = dt > GAP or old.soil_at == NEVER
        self.watch, fault = interlocks.watch_heat(
            interlocks.over_gap(old.watch, self.soil, self.room) if away else old.watch,
            soil=self.soil if stale is None else None,
            room=self.room,
            heated=old.mat,
            off_for=now.mono - old.mat_last,
            lamp_off_for=0.0 if old.lamp else now.mono - old.lamp_last,
            reached=reached,
            jumped=self.jumped,
            disturbed=watered,
            uncovered_for=now.mono - self.uncovered_at,
            room_swing=self.site.room_swing,
            dt=0.0 if away else dt,
        )
        if fault is not None and fault not in self.latched:
            self.latched = self.latched | {fault}
        for kind in sorted(self.latched) if self.latched else ():
            self.stop_mat(f"{alarms.CATALOGUE[kind].title}; `hotbed alarms reset` after a look")
        if stale is not None:
            self.stop_mat(stale)
        if "soil-over-limit" in self.held:
            self.stop_mat(f"soil over the limit of {self.deg(self.site.soil_limit)}")
        if "crop-too-hot" in self.held and aim.ceiling is not None:
            self.stop_mat(f"over the ceiling of {self.deg(aim.ceiling)} for {aim.ceiling_of}")
        if self.shed:  # or it would keep the soil too warm for the lamp ever to come back
            self.stop_mat("the lamp is off for the heat under the cover, and comes first")
        if self.mat and keep is not None and not keep.on:
            self.mat, self.mat_why = False, f"kept off by {keep.by}"

    def load(self, kind: str, spec: RelaySpec, reports: bool, now: Now) -> Load:
        """The lamp or the mat as a load among others; both are to be on."""
        old, lamp = self.old, kind == "lamp"
        on, since = (old.lamp, old.lamp_at) if lamp else (old.mat, old.mat_at)
        rank: tuple[float, ...]
        if self.lamp_kept if lamp else self.mat_kept:
            rank = (KEPT, now.mono - since if on else 0.0)
        elif lamp:
            same_day = local_day(self.site.zone, now.utc) == old.day
            rank = lamp_rank(old.lit_s if same_day else 0.0, on)
        elif self.soil is None or self.target is None:  # on for its least time only
            rank = (WARM, 0.0)
        else:
            low = self.aim.soil_range[0] if self.aim.soil_range is not None else None
            rank = mat_rank(self.soil, self.target, low, on)
        held = on and now.mono - since < spec.min_on
        return Load(f"{self.spec.name}/{kind}", spec.watts, rank, on, held, reports)

    def _foreseen(
        self, target: float, now: Now
    ) -> tuple[tuple[tuple[float, float], ...], tuple[float, bool] | None]:
        """What the lamp's hours bring, as `MatView` has it: the aim's next change, and the lamp's."""
        edge = self.edge
        ahead: tuple[tuple[float, float], ...] = ()
        lamp_ahead = (0.0, self.lamp) if self.lamp != self.old.lamp else None
        if edge is not None:
            lit, at = edge
            coming = self.aim.soil if lit else self.aim.soil_night
            if coming is not None and coming != target:
                ahead = ((at - now.utc, coming),)
            if lamp_ahead is None and self.spec.lamp is not None and self.lamp == self.day:
                lamp_ahead = (at - now.utc, lit)
        return ahead, lamp_ahead

    def stop_lamp(self, why: str) -> None:
        if self.lamp:
            self.lamp, self.lamp_why = False, f"safety stop: {why}"
        self.stops.append(f"lamp: {why}")

    def stop_mat(self, why: str) -> None:
        if self.mat or not any(stop.startswith("mat: ") for stop in self.stops):
            self.mat_why = f"safety stop: {why}"
        self.mat = False
        self.stops.append(f"mat: {why}")

    # --- what is remembered and told -------------------------------------------------------------

    def _feel_room(self, now: Now, dt: float) -> tuple[float, ...]:
        """What this bench gathers about a room that no probe measures; for people, not for guards."""
        spec, old = self.spec, self.old
        fresh = 0 <= now.mono - self.soil_at < self.site.probe_grace
        return observe(
            old.room_mind,
            dt=dt,
            soil=self.soil if fresh else None,
            air=self.air,
            mat=old.mat,
            lamp=old.lamp,
            covered=self.aim.covered,
            mat_watts=spec.mat.watts / spec.trays if spec.mat is not None else 0.0,
            lamp_watts=spec.lamp.watts / spec.trays if spec.lamp is not None else 0.0,
        )

    def drew(self, dt: float, price: float) -> Energy:
        """What the relays drew since the last tick; in a gap nobody knows. price: of a kWh."""
        if dt > GAP:
            return NO_ENERGY
        spec, old = self.spec, self.old
        if not (old.lamp or old.mat):
            return NO_ENERGY
        lamp = spec.lamp.watts * dt / HOUR if spec.lamp is not None and old.lamp else 0.0
        mat = spec.mat.watts * dt / HOUR if spec.mat is not None and old.mat else 0.0
        return Energy(lamp, mat, (lamp + mat) / 1000 * price)

    def finish(
        self,
        now: Now,
        dt: float,
        today: int,
        drawn: Energy,
        inputs: Inputs,
        leafy: bool,
        events: list[Event],
        conditions: dict[str, Condition],
    ) -> tuple[Output, BenchMemory]:
        """The output and the next memory, with events and alarm conditions on the way.

        today: the local date as an ordinal. leafy: whether there are, or may be, seedlings up here.
        """
        old = self.old
        held = self.held
        if held != old.stops:
            for stop in sorted(held - old.stops):
                events.append(self._event(now, "interlock", f"safety stop begins: {stop}"))
            for stop in sorted(old.stops - held):
                events.append(self._event(now, "interlock", f"safety stop ends: {stop}"))
        same_day = today == old.day
        ran = dt if dt <= GAP else 0.0
        shed_s = (old.shed_s if same_day else 0.0) + (ran if self.shed else 0.0)
        self._conditions(inputs, held, shed_s, conditions)
        if self.lamp != old.lamp:
            events.append(self._switched(now, "lamp", self.lamp, self.lamp_why))
        if self.mat != old.mat:
            events.append(self._switched(now, "mat", self.mat, self.mat_why))
        if (said := predictive.fell_back(old.controller, self.mind)) is not None:
            events.append(self._event(now, "advisory", said))
        self._tell_unreachable(now, dt, events)
        output = Output(
            self.lamp, self.mat, self.lamp_why, self.mat_why, tuple(self.stops), self.target
        )
        # In the order of the fields: by name it takes a fiftieth of a tick longer.
        return output, BenchMemory(
            now.mono if old.begun is None else old.begun,  # begun
            self.soil,  # soil
            self.soil_at,  # soil_at
            self.air,  # air
            self.room,  # room
            self.aim.covered,  # covered
            self.uncovered_at,  # uncovered_at
            self.lamp,  # lamp
            now.mono if self.lamp != old.lamp else old.lamp_at,  # lamp_at
            now.mono if self.lamp else old.lamp_last,  # lamp_last
            self.mat,  # mat
            now.mono if self.mat != old.mat else old.mat_at,  # mat_at
            now.mono if self.mat else old.mat_last,  # mat_last
            self.light,  # light
            self.watch,  # watch
            self.mind,  # controller
            self._feel_room(now, dt) if self.room is None else (),  # room_mind
            self.full_since,  # full_since
            self.full_soil,  # full_soil
            self.off_target,  # off_target_since
            held,  # stops
            self.latched,  # latched
            self.said,  # said
            self._leafy_since(leafy, now),  # leafy_since
            self.lit,  # lit
            self.proven_at,  # proven_at
            (old.lit_s if same_day else 0.0) + (ran if old.lamp else 0.0),  # lit_s
            (old.heated_s if same_day else 0.0) + (ran if old.mat else 0.0),  # heated_s
            old.energy + drawn,  # energy
            (old.energy_today if same_day else NO_ENERGY) + drawn,  # energy_today
            now.utc if old.energy_from is None else old.energy_from,  # energy_from
            shed_s,  # shed_s
            today,  # day
        )

    def _leafy_since(self, leafy: bool, now: Now) -> float | None:
        if not leafy or self.spec.lamp is None or self.aim.hours <= 0:
            return None
        return now.mono if self.old.leafy_since is None else self.old.leafy_since

    def _event(self, now: Now, kind: str, text: str) -> Event:
        return Event(at=now.utc, kind=kind, text=f"{self.spec.name}: {text}", bench=self.spec.name)

    def _switched(self, now: Now, relay: str, on: bool, why: str | MatReason) -> Event:
        return Event(
            at=now.utc,
            kind="switching",
            text=f"{self.spec.name}: {relay} {'on' if on else 'off'} ({why})",
            bench=self.spec.name,
            data={"relay": relay, "on": on},
        )

    def _conditions(
        self,
        inputs: Inputs,
        held: frozenset[str],
        shed_s: float,
        conditions: dict[str, Condition],
    ) -> None:
        name, hottest = self.spec.name, self.hottest
        for stop in ("soil-over-limit", "crop-too-hot"):
            if stop in held:
                said = (
                    f"{name}: a soil probe reads {self.deg(hottest)}"
                    if hottest is not None
                    else name
                )
                limit = self.site.soil_limit if stop == "soil-over-limit" else self.aim.ceiling
                what = f", the limit is {self.deg(limit)}" if limit is not None else ""
                who = f" for {self.aim.ceiling_of}" if stop == "crop-too-hot" else ""
                conditions[f"{stop}.{name}"] = Condition(stop, said + what + who, name)
        if shed_s >= SHED_TOO_LONG:  # in all: off and on by turns is as dark
            conditions[f"lamp-shed.{name}"] = Condition(
                "lamp-shed",
                f"{name}: {shed_s / HOUR:.1f} h of today's light were too warm under the cover",
                name,
            )
        for kind in self.latched:
            cause = _FAULTS[kind]
            conditions[f"{kind}.{name}"] = Condition(kind, f"{name}: {cause}", name)
        self._doubt_lamp(conditions)
        for relay in ("lamp", "mat"):
            state = inputs.relays.get(f"{name}/{relay}")
            if state is None:
                continue
            contrary = state.confirmed is not None and state.confirmed != state.commanded
            if state.fault or contrary:
                cause = state.fault or (
                    f"it reports {'on' if state.confirmed else 'off'} against orders"
                )
                conditions[f"relay-unconfirmed.{name}.{relay}"] = Condition(
                    "relay-unconfirmed", f"{name}, {relay}: {cause}", name
                )

    def _doubt_lamp(self, conditions: dict[str, Condition]) -> None:
        """A lamp that is dark though it is on, or draws power though it is off."""
        name, lamp = self.spec.name, self.spec.lamp
        if lamp is None or lamp.proof is None or self.lit is None or self.lamp != self.old.lamp:
            return
        unit = "W" if lamp.proof.measures == "power" else "lx"
        if self.lamp and not self.lit:
            conditions[f"lamp-dark.{name}"] = Condition(
                "lamp-dark",
                f"{name}: the relay is on, and its {lamp.proof.measures} is under "
                f"{lamp.proof.least:g} {unit}",
                name,
            )
        elif self.lit and not self.lamp and lamp.proof.measures == "power":
            conditions[f"relay-unconfirmed.{name}.lamp"] = Condition(
                "relay-unconfirmed",
                f"{name}, lamp: it draws {lamp.proof.least:g} W or more, and should be off",
                name,
            )

    def _tell_unreachable(self, now: Now, dt: float, events: list[Event]) -> None:
        """Say once what no relay here can reach, with what would help."""
        aim, target, soil = self.aim, self.target, self.soil
        found: dict[str, str] = {}
        if self.mat and target is not None and soil is not None:
            if self.full_since is None or dt > GAP or soil > self.full_soil + SETTLED:
                self.full_since, self.full_soil = now.mono, soil
            elif now.mono - self.full_since >= OFF_TARGET and soil < target - 1.0:
                found["mat-weak"] = (
                    f"the mat is on without a break and the soil settles at {self.deg(soil)}, "
                    f"{format_difference(target - soil, self.site.units)} under the aim of "
                    f"{self.deg(target)}; {self._watts_needed(target)}"
                )
        else:
            self.full_since = None
        missed = self._off_target()
        if missed or self.off_target:
            off: dict[str, float] = {}
            for key, text in missed:
                since = off[key] = now.mono if dt > GAP else self.off_target.get(key, now.mono)
                if now.mono - since >= OFF_TARGET:
                    found[key] = text
            self.off_target = off
        for key, text in found.items():
            mark = f"{key}@{aim.soil}/{aim.air_day}/{aim.air_night}"
            if mark not in self.said:
                self.said = self.said | {mark}
                events.append(self._event(now, "advisory", f"out of reach here: {text}"))

    def _watts_needed(self, target: float) -> str:
        spec, watts = self.spec.mat, None
        if spec is not None:
            watts = predictive.watts_needed(self.mind, spec.watts, target)
        if spec is None or watts is None or watts <= spec.watts:
            return "a cover, a warmer room or more watts would help"
        return f"it would take about {watts:.0f} W, or a cover, or a warmer room"

    def _off_target(self) -> list[tuple[str, str]]:
        aim, soil = self.aim, self.soil
        out: list[tuple[str, str]] = []
        if (
            aim.soil_range is not None
            and soil is not None
            and aim.seed
            and not self.mat
            and soil > aim.soil_range[1] + 0.5
        ):
            out.append(
                (
                    "soil-warm",
                    f"the soil stays at {self.deg(soil)} with the mat off, over the "
                    f"{self.deg(aim.soil_range[1])} that the seed here accepts; a cooler room or "
                    "place would help, no relay here can cool",
                )
            )
        short = soil is not None and self.target is not None and soil < self.target - SHORT_OF_POWER
        if short and (self.mat_waits or (self.mat and "power-short" in self.off_target)):
            assert soil is not None
            assert self.target is not None
            out.append(
                (
                    "power-short",
                    f"the site's watts don't suffice for all mats, and the soil here stays at "
                    f"{self.deg(soil)}, under the aim of {self.deg(self.target)}; a cover, a warmer "
                    "room, or a larger power_budget if the circuit bears it would help",
                )
            )
        span = aim.air_day if self.lamp else aim.air_night
        if span is not None and self.air is not None:
            when = "day" if self.lamp else "night"
            if self.air > span[1] + 2.0:
                out.append(
                    (
                        f"air-warm-{when}",
                        f"by {when} the air is {self.deg(self.air)}, wanted {self.deg(span[0])} to "
                        f"{self.deg(span[1])}; a cooler room, a vent or a fan would help, no relay "
                        "here can cool",
                    )
                )
            elif self.air < span[0] - 2.0:
                out.append(
                    (
                        f"air-cold-{when}",
                        f"by {when} the air is {self.deg(self.air)}, wanted {self.deg(span[0])} to "
                        f"{self.deg(span[1])}; no relay here heats air",
                    )
                )
        return out


#: What is said of a latched fault.
_FAULTS = {
    "mat-without-effect": "the mat was on, the soil did not answer",
    "probe-out-of-tray": "the reading fell suddenly, and heating did not bring it back",
    "warms-unheated": "the soil warmed although the mat was off",
}


def _at_least(spec: RelaySpec, on: bool, since: float, wanted: bool, now: float) -> bool:
    """Hold a relay for its least time on or off; safety stops come after and don't wait for this."""
    if on and not wanted and now - since < spec.min_on:
        return True
    if not on and wanted and now - since < spec.min_off:
        return False
    return wanted


def _worded(reading: Reading) -> str:
    # A good reading among the bad ones is one that has grown old.
    return "has fallen silent" if reading.quality is Quality.OK else WORDED[reading.quality]
