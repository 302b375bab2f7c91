"""What must be so at every tick, whatever goes wrong, by the simulator's truth.

The judge knows the scenario, the contacts of every relay, what each probe's device delivered, and
the soil, lamps and seedlings as they are. Of the daemon it takes what it put out (alarms, requests
answered), and the aims and targets that follow from the batches, never what it believes of the benches.

Where a rule cannot be judged (contacts that are welded do not obey, a lone probe that drifts can be
told from the truth by nothing on the bench), that is said where it is excused.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time

from daemon.bench import DISAGREE
from daemon.campaign.play import Play
from daemon.campaign.scenario import (
    CLOCK,
    GARBAGE,
    JOURNAL,
    KEEP_OFF,
    KEEP_ON,
    KILL,
    LATE,
    LOST,
    NO_TIME,
    PLUG_AWAY,
    STALL,
    Trouble,
)
from daemon.control import lit_window
from daemon.decide import Decision
from daemon.events import Event
from daemon.state import DAY, HOUR, BenchSpec
from drivers.protocols import Quality
from profiles.model import Stage
from sim.faults import FaultKind as Kind
from sim.world import BenchTruth

MINUTE = 60.0

FAILING = frozenset({Kind.PROBE_LOST, Kind.PROBE_CRC, Kind.PROBE_POWER_ON, Kind.PROBE_SLOW})
#: A probe that answers, and not what the tray is at.
LYING = frozenset(
    {
        Kind.PROBE_FROZEN, Kind.PROBE_DRIFT, Kind.PROBE_SWAPPED, Kind.PROBE_OUT_OF_SOIL,
        Kind.PROBE_IN_WATER,
    }
)  # fmt: skip
#: A relay or plug that may do other than it is told.
UNRULY = frozenset(
    {Kind.RELAY_STUCK_ON, Kind.RELAY_STUCK_OFF, Kind.RELAY_CHATTER, PLUG_AWAY, Kind.BROKER_GONE}
)
#: Heat that comes otherwise than meant, or not at all.
ODD_HEAT = frozenset({Kind.MAT_DEAD, Kind.MAT_STRONG, Kind.COLD_WATERING})
AWAY = frozenset({KILL, STALL, Kind.POWER_CUT, NO_TIME})


class ViolationError(Exception):
    """An invariant broken: which, when [s from the start], and what was seen."""

    def __init__(self, invariant: str, mono: float, seen: str) -> None:
        self.invariant = invariant
        self.mono = mono
        self.seen = seen
        super().__init__(invariant, mono, seen)

    def __str__(self) -> str:
        day = self.mono / DAY
        return f"{self.invariant} at {self.mono:.0f} s (day {day:.3f}): {self.seen}"


@dataclass(frozen=True, slots=True)
class Due:
    """An alarm that a fault must raise: any of `alarms`, within `within` s of `what` being so."""

    name: str
    what: str
    alarms: frozenset[str]
    within: float
    reason: str


def _due(name: str, what: str, alarms: str, within: float, reason: str) -> Due:
    return Due(name, what, frozenset(alarms.split()), within, reason)


#: Fault, alarm, and the time it may take. A tick is a minute, and each time has two of them in it.
NO_READING = _due(
    "no-soil-reading", "no soil probe of the bench delivers a good reading", "no-soil-reading",
    4 * MINUTE, "the grace of two minutes",
)  # fmt: skip
ONE_LOST = _due(
    "probe-lost", "one soil probe of several delivers none", "probe-lost no-soil-reading",
    10 * MINUTE, "a medium alarm stands five minutes first; a silent one has its grace before",
)  # fmt: skip
FROZEN = _due(
    "frozen", "a soil probe delivers the same number", "no-soil-reading probe-lost",
    12.5 * HOUR, "a still tray shows one number for half a day at most (see `drivers.vetting`)",
)  # fmt: skip
APART = _due(
    "probes-disagree", "two soil probes differ by more than can be in one tray",
    "probes-disagree probe-lost no-soil-reading", 55 * MINUTE,
    "a jump is ridden out, then half an hour of waiting for an uneven watering to even out",
)  # fmt: skip
OUT_MEASURED = _due(
    "probe-out", "a lone probe is out of the soil and the mat heats, by a measured room",
    "mat-without-effect probe-out-of-tray no-soil-reading warms-unheated", 6 * HOUR,
    "three hours of heating without a sign, or 4.5 to make good a fall, and logged water excuses one",
)  # fmt: skip
OUT = _due(
    "probe-out-unmeasured", "the same, where no probe measures the room",
    "mat-without-effect probe-out-of-tray no-soil-reading warms-unheated", 30 * HOUR,
    "a room that warms by day looks like an answer, but no day is followed by another at once",
)  # fmt: skip
COLD_MAT = _due(
    "mat-dead", "a mat is told to heat and gives nothing, by a measured room",
    "mat-without-effect probe-out-of-tray relay-unconfirmed no-soil-reading", 30 * HOUR,
    "a lit lamp keeps the soil warm too, up to 16 h; then it cools, and three hours go without a sign",
)  # fmt: skip
WELDED = _due(
    "relay-welded", "a mat heats against orders, by a measured room",
    "warms-unheated soil-over-limit crop-too-hot relay-unconfirmed", 24 * HOUR,
    "a lit lamp hides it, up to 16 h, and for six after; then the soil is 2.5 °C over what explains it",
)  # fmt: skip
WELDED_FAR = _due(
    "relay-welded-warm", "soil under a welded mat has warmed by more than room and lamp explain",
    "warms-unheated relay-unconfirmed", 1 * HOUR,
    "a probe lags behind the soil by minutes",
)  # fmt: skip
DARK = _due(
    "lamp-dark", "a lamp that is told to be on is dark, by its power or light",
    "lamp-dark relay-unconfirmed", 15 * MINUTE,
    "a minute to settle, and ten against a lamp that starts slowly",
)  # fmt: skip
ALIGHT = _due(
    "lamp-draws", "a lamp that is told to be off draws power, by its meter", "relay-unconfirmed",
    6 * MINUTE, "a minute to settle and half a minute against chatter",
)  # fmt: skip
AGAINST = _due(
    "relay-unconfirmed", "a plug that reports is against orders", "relay-unconfirmed", 5 * MINUTE,
    "ten seconds to confirm and half a minute against chatter",
)  # fmt: skip
BEYOND_REACH = _due(
    "out-of-reach", "the broker is gone for a plug", "relay-unconfirmed", 4 * MINUTE,
    "half a minute against chatter",
)  # fmt: skip
TOO_HOT = _due(
    "crop-too-hot", "an honest probe is over the ceiling of a crop on the bench", "crop-too-hot",
    14 * MINUTE, "ten minutes, for warm water and a hand on the tray",
)  # fmt: skip
OVER = _due(
    "soil-over-limit", "an honest probe is over the limit", "soil-over-limit", 2 * MINUTE, "at once"
)
UNWRITTEN = _due(
    "journal", "the journal can't be written", "journal-unwritable", 3 * MINUTE, "30 s"
)
UNTRUSTED = _due(
    "clock-unset", "the clock is behind the journal", "clock-unset", 8 * MINUTE,
    "five minutes, in which most boards get their time",
)  # fmt: skip
DUES = (
    NO_READING, ONE_LOST, FROZEN, APART, OUT_MEASURED, OUT, COLD_MAT, WELDED, WELDED_FAR, DARK, ALIGHT,
    AGAINST, BEYOND_REACH, TOO_HOT, OVER, UNWRITTEN, UNTRUSTED,
)  # fmt: skip

#: What may be behind each alarm, at its bench or at the site, and how long ago [s].
CAUSES: Mapping[str, tuple[frozenset[str], float]] = {
    "no-soil-reading": (FAILING | LYING | AWAY | {Kind.BROKER_GONE, GARBAGE, Kind.COLD_WATERING}, HOUR),
    "probe-lost": (FAILING | LYING | AWAY | {Kind.BROKER_GONE, GARBAGE}, HOUR),
    "probes-disagree": (LYING | FAILING | {Kind.BROKER_GONE}, 2 * HOUR),
    # A stop for heat stays as it was while no probe reads.
    "soil-over-limit": (LYING | FAILING | {Kind.BROKER_GONE, GARBAGE}, 2 * HOUR),
    "crop-too-hot": (LYING | FAILING | {Kind.BROKER_GONE, GARBAGE}, 2 * HOUR),
    "lamp-shed": (LYING | FAILING | {Kind.BROKER_GONE, GARBAGE}, 4 * HOUR),
    "warms-unheated": (LYING | UNRULY | ODD_HEAT | AWAY | FAILING, 12 * HOUR),
    "mat-without-effect": (LYING | UNRULY | ODD_HEAT | FAILING, 12 * HOUR),
    "probe-out-of-tray": (LYING | UNRULY | ODD_HEAT | FAILING, 12 * HOUR),
    # Where ticks come so late that a lease ends, what should be on is off.
    "lamp-dark": (UNRULY | AWAY | {Kind.LAMP_DEAD, LATE}, HOUR),
    "relay-unconfirmed": (UNRULY | AWAY | {GARBAGE, LATE}, HOUR),
    # What a welded relay draws is missing to the others.
    "lamps-short-of-power": (UNRULY | {KEEP_ON, GARBAGE}, HOUR),
    "clock-unset": (frozenset({CLOCK, NO_TIME}), 30 * HOUR),
    "journal-unwritable": (frozenset({JOURNAL}), 10 * MINUTE),
    "journal-damaged": (frozenset({JOURNAL}), 10 * MINUTE),
    # Seed that lay colder than the probe said, or whose seedlings nobody could report, comes late.
    "emergence-overdue": (
        LYING | FAILING | UNRULY | ODD_HEAT | AWAY
        | {Kind.LAMP_DEAD, LOST, CLOCK, JOURNAL, GARBAGE, LATE, KEEP_OFF},
        14 * DAY,
    ),
}  # fmt: skip
#: A room probe that fails or lies misleads the guards that go by it.
_BY_ROOM = frozenset({"warms-unheated", "mat-without-effect", "probe-out-of-tray"})
#: Raised by what was written down, or was not, whatever the devices do.
BY_RECORDS = frozenset({"left-out", "dry-cells", "lamp-unseen", "call-failed", "up-in-the-dark"})
#: Raised by the state of a batch or of the room, so that they may stand though nothing is broken.
_OF_NATURE = BY_RECORDS | {"emergence-overdue", "crop-too-hot", "lamp-shed", "soil-over-limit"}

#: Seconds after which a relay that reports itself on against orders has been reckoned with, though others
#: had their least times to go (our judgement).
KNOWN = 15 * MINUTE
#: Seconds without any trouble after which all must be as if there had been none: a grower looks in
#: twice a day and resets what was latched, and a night that began wrongly is over by then.
SETTLED = 40 * HOUR
#: The same alarm no more often than this in a day, or nobody heeds it (our judgement).
CHATTER = 12
#: No relay is told to switch more often than this within an hour, on or off: contacts good for 100,000
#: cycles then last for a year of nothing else (our judgement).
WEAR = 24
#: What a lamp may burn beyond its hours within 24: a tick at each end, and a lease when the loop stops.
LIGHT_SLACK = 400.0
WORK_LIGHT = 1800.0


class _Held:
    """For how long conditions have been so without a break."""

    def __init__(self) -> None:
        self._since: dict[tuple[str, str], float] = {}

    def span(self, what: str, where: str, so: bool, now: float) -> float:
        """Seconds that it has been so by `now`; 0 when it just began, -1 when it isn't."""
        key = (what, where)
        if not so:
            self._since.pop(key, None)
            return -1.0
        return now - self._since.setdefault(key, now)

    def end(self, what: str, where: str) -> None:
        """It isn't so any more, or never was."""
        if self._since:
            self._since.pop((what, where), None)

    def begin(self, what: str, where: str, now: float) -> None:
        """Count from now."""
        self._since[what, where] = now


class _Bench:
    """What the judge keeps of one bench."""

    def __init__(self, spec: BenchSpec) -> None:
        self.spec = spec
        self.read_at = 0.0
        self.lamp_s: deque[tuple[float, float]] = deque()  # when, s of light by then
        self.hours: deque[tuple[float, float]] = deque()  # since when, h of light
        self.day: tuple[float, float] = (0.0, -1.0)  # lights-on now in force, and the next
        # Worked out anew when troubles come or go:
        self.obeys = {"lamp": True, "mat": True}
        self.honest: tuple[str, ...] = spec.soil_probes
        self.lying: frozenset[str] = frozenset()
        self.kinds: frozenset[str] = frozenset()
        self.quiet_since = 0.0
        self.light_since = 0.0
        self.frozen: dict[str, float | None] = {}
        self.ordered: dict[str, tuple[bool, float]] = {}  # by relay: on, and since when
        self.switched: dict[str, deque[float]] = {}
        # Since when a mat is welded, and the lowest then.
        self.weld: tuple[float, float] | None = None
        self.room: float | None = None  # as soil feels it, some hours late
        self.lit_at = self.covered_at = -1e9
        self.clean = True  # no change of the clocks near

    def read(self, play: Play) -> None:
        """Note when a soil probe last delivered a good reading."""
        for probe in self.spec.soil_probes:
            reading = play.readings[probe]
            if reading.quality is Quality.OK:
                self.read_at = max(self.read_at, reading.at)


class Judge:
    """Holds the invariants; `__call__` after every tick raises ViolationError."""

    def __init__(self, play: Play) -> None:
        self.play = play
        self.benches = {name: _Bench(spec) for name, spec in play.site.benches.items()}
        self.held = _Held()
        self._told = 0
        self._active: tuple[Trouble, ...] = ()
        self._first = True
        self._down_since: float | None = None
        self._raised: dict[str, deque[float]] = {}
        self._tick = play.site.tick
        self._measured = bool(play.site.room_probes)
        self._restarts = 0
        self._gone_at = -1e9
        budget, zone = play.site.power_budget, play.site.zone
        self._zone = zone
        loads = [
            (key, spec.watts)
            for name, bench in play.site.benches.items()
            for key, spec in ((f"{name}/lamp", bench.lamp), (f"{name}/mat", bench.mat))
            if spec is not None
        ]
        self._loads = dict(loads)
        self._ample = sum(watts for _, watts in loads) <= budget
        self._batches: object = None
        self._ceilings: dict[str, float] = {}
        self._covered: frozenset[str] = frozenset()
        self._unruly_at: dict[str, float] = {}
        self._last: Decision | None = None
        self._broker_gone = False

    # --- each tick ----------------------------------------------------------------------------------

    def __call__(self, play: Play) -> None:
        now = play.mono
        if self._first or play.active is not self._active:
            self._turn(now)
        if not play.running:
            self._while_down(now)
            return
        if self._down_since is not None:
            self._down_since = None
            self._gone_at = now
        if len(play.restarts) != self._restarts:
            self._restarts = len(play.restarts)
            self._gone_at = now
            self._ledger(now)
        self._orders(now)
        if play.decision is None:  # something was asked for since the core decided
            return
        self._last = play.decision
        if play.memory.batches is not self._batches:
            self._stand()
        watts = 0.0
        for name, one in self.benches.items():
            watts += self._bench(name, one, now)
        if watts > play.site.power_budget + 1e-6:
            raise ViolationError(
                "power-budget", now, f"{watts:g} W of {play.site.power_budget:g} are on"
            )
        self._site(now)
        if len(play.events) != self._told:
            self._alarms(now)

    def _orders(self, now: float) -> None:
        """What is looked at in every decision: the readings, and how often a relay is told to switch."""
        decided = self.play.decided
        assert decided is not None
        for name, one in self.benches.items():
            one.read(self.play)
            output = decided.outputs[name]
            for kind, spec in (("lamp", one.spec.lamp), ("mat", one.spec.mat)):
                if spec is None:
                    continue
                on = getattr(output, kind)
                was, since = one.ordered.get(kind, (False, -1e9))
                if now == self._gone_at:  # everything was driven off, and nothing is told to switch
                    one.ordered[kind] = on, -1e9
                    continue
                if on is was:
                    continue
                one.ordered[kind] = on, now
                stopped = was and any(stop.startswith(f"{kind}: ") for stop in output.stops)
                if kind == "lamp" and was:  # its night is a safety stop too, and waits for nothing
                    hours, told = decided.aims[name].hours, self.play.now
                    window = lit_window(one.spec.lights_on, hours, self._zone, told.utc)
                    stopped |= hours > 0 and (window is None or not told.trusted)
                if stopped or self._kept(f"{name}/{kind}", now):
                    continue
                least = spec.min_on if was else spec.min_off
                if now - since < least - 1e-6:
                    raise ViolationError(
                        "least-times", now,
                        f"{name}/{kind} was {'on' if was else 'off'} for {now - since:.0f} s, "
                        f"the least is {least:g}",
                    )  # fmt: skip
                switched = one.switched.setdefault(kind, deque(maxlen=WEAR + 1))
                switched.append(now)
                if len(switched) > WEAR and now - switched[0] < HOUR:
                    raise ViolationError(
                        "relay-wear",
                        now,
                        f"{name}/{kind} was switched {WEAR + 1} times within an hour",
                    )

    def _kept(self, key: str, now: float) -> bool:
        """Whether a person has, or had of late, their own way with a relay: that does not wait."""
        return any(
            t.kind in (KEEP_ON, KEEP_OFF) and t.target == key and t.at <= now < t.end + DAY
            for t in self.play.scenario.troubles
        )

    def _turn(self, now: float) -> None:
        """Troubles have come or gone: what of each bench can be relied on."""
        play = self.play
        gone = [one for one in self._active if one not in play.active]
        self._first, self._active = False, play.active
        broker = self._broker_gone = play.is_on(Kind.BROKER_GONE)
        for name, one in self.benches.items():
            mine = [
                t for t in play.active
                if t.bench in (name, "", "room") or t.other.startswith(f"{name}/")
            ]  # fmt: skip
            one.kinds = frozenset(t.kind for t in mine)
            for kind in ("lamp", "mat"):
                key = f"{name}/{kind}"
                unruly = any(t.kind in UNRULY and t.target == key for t in mine)
                plug = play.plugs.get(key)
                one.obeys[kind] = not unruly and not (plug is not None and broker)
            afflicted = {t.target for t in mine if t.kind in FAILING | LYING} | {
                t.other for t in mine if t.kind == Kind.PROBE_SWAPPED
            }
            wired = broker or play.is_on(GARBAGE)
            one.honest = tuple(
                probe
                for probe in one.spec.soil_probes
                if probe not in afflicted and not (wired and play.by_wire(probe))
            )
            one.lying = frozenset(t.target for t in mine if t.kind in LYING)
            over = [t for t in gone if t.bench in (name, "", "room") or t.other.startswith(name)]
            if mine or over:
                one.quiet_since = now if not mine else 1e18
            if mine or over:
                one.light_since = one.quiet_since

    def _stand(self) -> None:
        """Batches have come, gone or changed: what the soil of each bench must stay under."""
        play = self.play
        self._batches = play.memory.batches
        ceilings: dict[str, float] = {}
        covered = set()
        for batch in play.memory.batches.values():
            ceiling = play.site.crops[batch.crop].stages[batch.stage].soil_ceiling_c.value
            ceilings[batch.place] = min(ceiling, ceilings.get(batch.place, 99.0))
            if batch.covered:
                covered.add(batch.place)
        self._ceilings, self._covered = ceilings, frozenset(covered)

    def _ledger(self, now: float) -> None:
        """What was acknowledged is there after a start."""
        kept, asked = self.play.memory.batches, self.play.ledger
        if set(kept) != set(asked) or any(
            (kept[code].stage, kept[code].place) != (asked[code].stage, asked[code].place)
            for code in kept
        ):
            raise ViolationError(
                "acknowledged-kept",
                now,
                f"{sorted(asked)} were asked for, {sorted(kept)} are there",
            )
        for key, (on, until) in self.play.keeps.items():
            if until > now + self._tick and key not in self.play.memory.keeps:
                how = "on" if on else "off"
                raise ViolationError("acknowledged-kept", now, f"{key} was to be kept {how}")

    def _while_down(self, now: float) -> None:
        """Nobody renews a lease: what is on goes off by itself."""
        if self._down_since is None:
            self._down_since = now
        lease = 2.5 * self._tick + 5
        if now - self._down_since <= lease + self._tick:
            return
        for name, one in self.benches.items():
            for kind in ("lamp", "mat"):
                key = f"{name}/{kind}"
                relay = self.play.bare.get(key)
                if relay is None or not relay.closed or not one.obeys[kind]:
                    continue
                if not self.play.timed(key):
                    # A plug without a timer stays as it was told, past its hours too: `check` warns.
                    if kind == "lamp":
                        self._unruly_at[name] = now
                    continue
                raise ViolationError(
                    "lease", now, f"{key} is on {now - self._down_since:.0f} s after the loop"
                )

    def _bench(self, name: str, one: _Bench, now: float) -> float:
        """One bench; the watts that are on by order."""
        play, spec = self.play, one.spec
        truth = play.world.truth(name)
        bare, decision = play.bare, self._last
        assert decision is not None
        output, hours = decision.outputs[name], decision.aims[name].hours
        watts = 0.0
        up = now > self._gone_at
        closed = {"lamp": False, "mat": False}
        for kind in ("lamp", "mat"):
            key = f"{name}/{kind}"
            relay = bare.get(key)
            if relay is None:
                continue
            on = closed[kind] = relay.closed
            obeys = one.obeys[kind]
            plug = play.plugs.get(key)
            # What stays on against orders takes its watts from the others, once that is known.
            ordered = output.lamp if kind == "lamp" else output.mat
            told = plug is not None and plug.device.state_topic is not None
            welded = on and not ordered and told and up and GARBAGE not in one.kinds
            welded = welded and one.kinds & UNRULY == {Kind.RELAY_STUCK_ON}
            if self.held.span("welded", key, welded, now) > KNOWN or (on and obeys):
                watts += self._loads[key]
            keep = play.keeps.get(key)
            if on and obeys and keep is not None and not keep[0] and now > self._gone_at:
                if self.held.span("kept off", key, True, now) > self._tick:
                    raise ViolationError(
                        "kept-off", now, f"{key} is on though a person keeps it off"
                    )
            else:
                self.held.end("kept off", key)
            if told:
                against = relay.closed is not ordered
                reach = one.obeys[kind] or not self._broker_gone
                steady = Kind.RELAY_CHATTER not in one.kinds and GARBAGE not in one.kinds
                self._must(AGAINST, key, name, up and against and reach and steady, now)
            if plug is not None:
                self._must(BEYOND_REACH, key, name, up and self._broker_gone, now)
        mat, lamp = closed["mat"], closed["lamp"]
        if truth.lamp_lit:
            one.lit_at = now
        if spec.lamp is not None and spec.lamp.proof is not None:
            lit = bool(truth.lamp_lit)
            self._must(DARK, name, name, up and output.lamp and not lit, now)
            draws = spec.lamp.proof.measures == "power" and lit and not output.lamp
            self._must(ALIGHT, name, name, up and draws, now)
        self._readings(name, one, mat, now)
        self._light(name, one, truth.lamp_s, hours, now)
        if spec.mat is not None:
            self._warmth(name, one, mat, truth.seed_depth_c, output.target, now)
            self._heat_guard(name, one, mat, truth, output.target, now)
        if lamp and one.obeys["lamp"] and name in self._covered and hours:
            hot = self._ceilings.get(name, 99.0) - 0.5
            shown = self._hottest(one.honest, now)
            self._hot_and_on("lamp-over-cover", name, shown, hot, "lamp", now)
        self._schedule(name, one, bool(truth.lamp_lit), hours, now)
        return watts

    # --- readings and heat ----------------------------------------------------------------------------

    def _readings(self, name: str, one: _Bench, mat: bool, now: float) -> None:
        play, site = self.play, self.play.site
        good, silent = [], []
        for probe in one.spec.soil_probes:
            reading = play.readings[probe]
            fresh = reading.quality is Quality.OK and now - reading.at < self._tick
            if fresh and reading.value is not None:
                good.append(reading.value)
            else:
                silent.append(probe)
            if Kind.PROBE_FROZEN in one.kinds:
                same = fresh and one.frozen.get(probe) == reading.value
                stuck = same and play.is_on(Kind.PROBE_FROZEN, probe) and now > self._gone_at
                self._must(FROZEN, probe, name, stuck, now)
                one.frozen[probe] = reading.value
        if not one.spec.soil_probes:
            return
        if mat and one.obeys["mat"] and now - one.read_at >= site.probe_grace:
            raise ViolationError(
                "mat-without-reading", now,
                f"{name}: the mat is on, the last good soil reading is {now - one.read_at:.0f} s old",
            )  # fmt: skip
        # After a start the program has its grace anew.
        up = now > self._gone_at
        self._must(NO_READING, name, name, up and not good, now)
        if len(one.spec.soil_probes) > 1:
            # Each by itself: rubbish on the wire has them silent by turns.
            for probe in one.spec.soil_probes:
                self._must(ONE_LOST, probe, name, up and bool(good) and probe in silent, now)
        apart = len(good) > 1 and max(good) - min(good) > DISAGREE + 0.3
        steady = GARBAGE not in one.kinds and LATE not in one.kinds
        self._must(APART, name, name, up and apart and steady, now)
        ceiling, limit = self._ceilings.get(name), site.soil_limit
        if mat and one.obeys["mat"]:  # whatever a probe reads that is too hot, true or not
            shown = self._hottest(one.spec.soil_probes, now)
            if ceiling is not None:
                self._hot_and_on("crop-too-hot", name, shown, ceiling, "mat", now)
            self._hot_and_on("soil-over-limit", name, shown, limit, "mat", now)
        if not one.honest:
            return
        hottest = self._hottest(one.honest, now)
        if ceiling is not None:
            self._must(TOO_HOT, name, name, up and hottest > ceiling, now)
        self._must(OVER, name, name, up and hottest > limit, now)

    def _hottest(self, probes: tuple[str, ...], now: float) -> float:
        hottest, readings = -99.0, self.play.readings
        for probe in probes:
            reading = readings[probe]
            value = reading.value
            if value is None or value <= hottest or reading.quality is not Quality.OK:
                continue
            if now - reading.at < self._tick:
                hottest = value
        return hottest

    def _hot_and_on(
        self, rule: str, name: str, hottest: float, limit: float, relay: str, now: float
    ) -> None:
        if hottest >= limit:
            raise ViolationError(
                rule, now, f"{name}: the {relay} is on at {hottest:.1f} °C, the limit is {limit:g}"
            )

    def _warmth(
        self, name: str, one: _Bench, mat: bool, soil: float, target: float | None, now: float
    ) -> None:
        """Soil over the limit under a mat that heats on a lie; and cold soil under a mat that doesn't."""
        play = self.play
        # Nothing on the bench can tell that a lone probe reads colder day by day, or another's soil
        # that is as warm as it should be: for that there is the cut-out of the mat itself. A second
        # probe that reads the truth stops the mat at once.
        told = bool(one.honest) or not one.kinds & {Kind.PROBE_DRIFT, Kind.PROBE_SWAPPED}
        cooked = mat and one.obeys["mat"] and soil >= play.site.soil_limit and told
        if self.held.span("cooked", name, cooked, now) > 6 * HOUR:
            raise ViolationError(
                "medium-over-limit", now, f"{name}: {soil:.1f} °C for six hours and the mat heats"
            )
        if target is None or now - one.quiet_since < SETTLED or not self._ample:
            self.held.span("cold", name, False, now)
            return
        if name in self._covered and one.spec.lamp is not None:
            target = min(target, self._ceilings.get(name, 99.0) - 3.0)  # the lamp comes first
        cold = soil < target - one.spec.hysteresis - 1.0 and not mat
        if self.held.span("cold", name, cold, now) > 30 * MINUTE:
            raise ViolationError(
                "cold-without-heating", now,
                f"{name}: {soil:.1f} °C, wanted {target:.1f}, nothing has been wrong for "
                f"{(now - one.quiet_since) / HOUR:.0f} h, and the mat is off",
            )  # fmt: skip

    def _heat_guard(
        self, name: str, one: _Bench, mat: bool, truth: BenchTruth, target: float | None, now: float
    ) -> None:
        """The alarms of rule 3, each where its fault is alone: two at once can hide each other.

        A mat that dies in an unmeasured room is not asked for: with the lamp that comes on each day, or
        with soil that was little warmer than such a room may be, its soil goes as a sound one's does on
        a cold night. Nor a lone probe that reads another bench's soil: what it reads is warmed, too.
        """
        kinds = one.kinds - {Kind.LAMP_DEAD, LOST, KEEP_ON, CLOCK, JOURNAL, KILL}
        commanded = self.play.states.get(f"{name}/mat")
        heats = commanded is not None and commanded.commanded
        up = now > self._gone_at + 2 * MINUTE
        lone = len(one.spec.soil_probes) == 1
        out = lone and bool(kinds) and kinds <= {Kind.PROBE_OUT_OF_SOIL, Kind.PROBE_IN_WATER}
        read = self.play.readings[one.spec.soil_probes[0]].value
        wanting = read is not None and target is not None and read < target - one.spec.hysteresis
        out = out and up and wanting and mat and self._lifts(name)
        self._must(OUT_MEASURED, name, name, out and self._measured, now)
        self._must(OUT, name, name, out and not self._measured, now)
        dead = bool(kinds) and kinds <= {Kind.MAT_DEAD, Kind.RELAY_STUCK_OFF}
        dead = dead and self._afflicts_mat(name) and up and heats and wanting
        self._must(COLD_MAT, name, name, dead and self._measured, now)
        welded = kinds == {Kind.RELAY_STUCK_ON} and self._afflicts_mat(name)
        welded = welded and up and mat and not heats
        self._must(WELDED, name, name, welded and self._measured and self._lifts(name), now)
        # What lamp and room may have to do with it is left, so it is asked only what they can't do. Where
        # no probe is in the room, all its swing may be the weather's.
        lagged = truth.room_c if one.room is None else one.room
        one.room = lagged + (truth.room_c - lagged) * self._tick / (3 * HOUR)
        shown = welded and now > self._gone_at + HOUR and not self._wet(name)
        if self.held.span("welded mat", name, shown, now) < HOUR:
            one.weld = None
            self._must(WELDED_FAR, name, name, False, now)
            return
        over = truth.seed_depth_c - (max(truth.room_c, one.room) if self._measured else 0.0)
        begun, low = one.weld or (now, over)
        one.weld = begun, min(low, over)
        explained = 2.5 if self._measured else self.play.site.room_swing
        explained += (now - begun) / HOUR * 0.25 + (8.0 if now - one.lit_at < 6 * HOUR else 0.0)
        self._must(WELDED_FAR, name, name, over - one.weld[1] > explained + 0.5, now)

    def _lifts(self, name: str) -> bool:
        """Whether the mat can lift the soil enough to be told from none."""
        spec = self.benches[name].spec
        assert spec.mat is not None
        stands = sum(b.trays for b in self.play.memory.batches.values() if b.place == name)
        return stands > 0 and spec.mat.watts / spec.trays >= 15

    def _wet(self, name: str) -> bool:
        """Whether water was logged there of late: it may have been warm."""
        utc = self.play.now.utc
        return any(
            b.place == name and b.watered_at is not None and abs(utc - b.watered_at) < 3 * HOUR
            for b in self.play.memory.batches.values()
        )

    def _afflicts_mat(self, name: str) -> bool:
        return any(
            one.target == f"{name}/mat" or one.kind == Kind.MAT_DEAD
            for one in self._active
            if one.bench == name
        )

    # --- light -----------------------------------------------------------------------------------------

    def _light(self, name: str, one: _Bench, lamp_s: float, hours: float, now: float) -> None:
        """Darkness kept: within any 24 hours of true time, no more light than was wanted in them."""
        if one.spec.lamp is None:
            return
        one.lamp_s.append((now, lamp_s))
        if not one.hours or one.hours[-1][1] != hours:
            if hours and one.hours and not one.hours[-1][1]:  # others than had the light before
                one.hours.clear()
                one.lamp_s = deque([(now, lamp_s)])
            one.hours.append((now, hours))
            one.light_since = max(one.light_since, now)
        # A lamp that had just come on as its batch was moved away has its least time.
        while len(one.hours) > 1 and one.hours[1][0] <= now - DAY - one.spec.lamp.min_on:
            one.hours.popleft()
        if not one.obeys["lamp"] or Kind.BROKER_GONE in one.kinds:
            self._unruly_at[name] = now
        while len(one.lamp_s) > 1 and one.lamp_s[1][0] <= now - DAY:
            one.lamp_s.popleft()
        begun, before = one.lamp_s[0]
        if now - self._unruly_at.get(name, -1e9) <= DAY + self._tick:
            return
        # Nobody looks during a stall: then the window began before the day, by so much at the most.
        early = max(0.0, now - DAY - begun)
        lit = lamp_s - before
        most = max(h for _, h in one.hours)
        over = lit - early
        if over > most * HOUR + LIGHT_SLACK and over > self._allowed(name, one, most, now):
            raise ViolationError(
                "darkness",
                now,
                f"{name}: {over / HOUR:.2f} h of light within 24 h, wanted {most:g}",
            )
        quiet = min(now - max(one.light_since, one.quiet_since), now - begun + SETTLED - DAY)
        short = hours > 0 and lit < hours * HOUR - LIGHT_SLACK and quiet > SETTLED
        if name in self._covered:  # what is shed over a cover counts for a day after that is off
            one.covered_at = now
        if short and now - one.covered_at > DAY and not self._summer(now):
            raise ViolationError(
                "light", now, f"{name}: {lit / HOUR:.2f} h of light in 24 h, wanted {hours:g}"
            )

    def _allowed(self, name: str, one: _Bench, most: float, now: float) -> float:
        """Seconds of light within 24 h where a person kept the lamp on: half an hour more a night, and
        without end where there is no night to keep, for seed in the dark is not harmed by light."""
        kept = any(
            t.kind == KEEP_ON and t.target == f"{name}/lamp" and now - 2 * DAY < t.at <= now
            for t in self.play.scenario.troubles
        )
        if not kept:
            return 0.0
        if min(h for _, h in one.hours) <= 0:
            return DAY
        return most * HOUR + LIGHT_SLACK + 2 * WORK_LIGHT

    def _summer(self, now: float) -> bool:
        """Whether the clocks changed within two days: the night keeps its length, not its hours."""
        here = self.play.start + now
        zone = self._zone
        offsets = {
            datetime.fromtimestamp(here - back, zone).utcoffset() for back in (0.0, DAY, 2 * DAY)
        }
        return len(offsets) > 1

    def _schedule(self, name: str, one: _Bench, lit: bool, hours: float, now: float) -> None:
        """Once all has been well for long enough, the lamp is lit in its hours and in no other."""
        if one.spec.lamp is None or not 0 < hours < 24 or name in self._covered:
            return
        if now - max(one.light_since, one.quiet_since) < SETTLED:
            return
        utc = self.play.start + now
        begin, following = one.day
        if not begin <= utc < following:
            today = datetime.fromtimestamp(utc, self._zone).date()
            starts = [
                (datetime.combine(today, time(), self._zone) + one.spec.lights_on).timestamp()
                + n * DAY
                for n in (-2, -1, 0, 1, 2)  # a day is 23 to 25 hours where the clocks change
            ]
            begin = max(s for s in starts if s <= utc)
            following = min(s for s in starts if s > utc)
            one.day = (begin, following)
            one.clean = not self._summer(now) and not self._summer(now + DAY)
        if not one.clean:
            return
        edge = 3 * self._tick
        into = utc - begin
        if edge < into < hours * HOUR - edge and not lit:
            raise ViolationError(
                "schedule", now, f"{name}: dark {into / HOUR:.2f} h after lights-on"
            )
        if hours * HOUR + edge < into and utc < following - edge and lit:
            raise ViolationError(
                "schedule", now, f"{name}: lit {into / HOUR:.2f} h after lights-on"
            )

    # --- alarms ----------------------------------------------------------------------------------------

    def _site(self, now: float) -> None:
        up = now > self._gone_at
        self._must(UNWRITTEN, "", None, up and self.play.is_on(JOURNAL), now)
        self._must(UNTRUSTED, "", None, up and not self.play.now.trusted, now)
        quiet = max(one.quiet_since for one in self.benches.values())
        if now - quiet > SETTLED and (now - quiet) % HOUR < self._tick:
            for key, alarm in self.play.memory.alarms.items():
                if alarm.active and alarm.kind not in _OF_NATURE:
                    raise ViolationError(
                        "recovery", now,
                        f"{key} stands, and nothing has been wrong for {(now - quiet) / HOUR:.0f} h",
                    )  # fmt: skip

    def _must(self, due: Due, where: str, bench: str | None, so: bool, now: float) -> None:
        """Hold `due` to its time: `so` without a break for longer, and none of its alarms stands.

        One that stood until a person reset it has its time anew.
        """
        if not so:
            self.held.end(due.name, where)
            return
        span = self.held.span(due.name, where, so, now)
        for alarm in self.play.memory.alarms.values():
            if (
                alarm.kind in due.alarms
                and alarm.bench == bench
                and (alarm.active or alarm.latched)
            ):
                self.held.begin(due.name, where, now)
                return
        if span <= due.within:
            return
        raise ViolationError(
            f"alarm-in-time:{due.name}", now,
            f"{where or 'site'}: {due.what}, for {span / MINUTE:.0f} min, and none of "
            f"{', '.join(sorted(due.alarms))} stands (allowed: {due.within / MINUTE:.0f} min: "
            f"{due.reason})",
        )  # fmt: skip

    def _alarms(self, now: float) -> None:
        """Each alarm that is raised has a cause, and none comes too often."""
        events, self._told = self.play.events[self._told :], len(self.play.events)
        for event in events:
            if event.kind != "alarm" or event.data.get("state") != "active":
                continue
            key, kind = str(event.data["alarm"]), str(event.data["kind"])
            if not self._has_cause(kind, event, now):
                raise ViolationError("alarm-without-cause", now, f"{key}: {event.text}")
            raised = self._raised.setdefault(key, deque(maxlen=CHATTER + 1))
            raised.append(now)
            if len(raised) > CHATTER and now - raised[0] < DAY:
                raise ViolationError(
                    "alarm-chatter", now, f"{key} was raised {len(raised)} times within a day"
                )

    def _has_cause(self, kind: str, event: Event, now: float) -> bool:
        if kind in BY_RECORDS:
            return True
        if kind not in CAUSES:
            raise ViolationError(
                "alarm-unknown", now, f"no cause is known for an alarm of kind {kind}"
            )
        kinds, back = CAUSES[kind]
        bench = event.bench or ""
        for one in self.play.scenario.troubles:
            if not (one.at <= now and one.end >= now - back and one.kind in kinds):
                continue
            near = not bench or one.bench in (bench, "") or one.other.startswith(f"{bench}/")
            if near or (kind in _BY_ROOM and one.bench == "room"):
                return True
        if kind in ("soil-over-limit", "crop-too-hot", "lamp-shed") and bench:
            limit = self._ceilings.get(bench, 99.0) - (3.0 if kind == "lamp-shed" else 1.2)
            if kind == "soil-over-limit":
                limit = self.play.site.soil_limit - 0.2
            return self.play.world.truth(bench).seed_depth_c >= limit
        if kind == "emergence-overdue":
            return self._overdue(event)
        return False

    def _overdue(self, event: Event) -> bool:
        """True where fewer are up than half of those that can come, or none was looked for yet."""
        batch = self.play.memory.batches.get(event.batch or "")
        if batch is None or batch.stage is not Stage.GERMINATION:
            return False
        return self.play.world.seedlings(batch.code).up == 0
