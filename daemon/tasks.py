"""What a person is to do next: each batch's tasks, from its stage and its records. Pure.

A task goes when the record that it asks for is made, or its stage is left. Nothing is claimed about
wetness without somebody's look at it: then the task is to look.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from daemon import hardening
from daemon.care import DAY, DRY, HOUR, SITE, USUAL, Husbandry, Records, What, worded_span
from daemon.control import instant
from daemon.state import Batch
from profiles.light import LAMP_CAUTION, next_raise
from profiles.model import Crop, Stage
from profiles.units import Units, format_length, format_temperature

Kind = Literal[
    "look", "cover-off", "lamp-down", "lamp-up", "measure-height", "stage", "count",
    "water", "check-moisture", "feed", "thin", "pot-on",
    "harden", "put-out", "bring-in", "tonights-low", "wait", "plant-out", "hand-over",
]  # fmt: skip
#: In which stages a task may come up at all.
STAGES: Mapping[Kind, frozenset[Stage]] = {
    "look": frozenset({Stage.GERMINATION}),
    "cover-off": frozenset(Stage) - {Stage.HARDENING},
    "lamp-down": frozenset({Stage.GERMINATION, Stage.SEEDLING}),
    "lamp-up": frozenset({Stage.SEEDLING, Stage.GROWING_ON, Stage.HOLDING}),
    "measure-height": frozenset({Stage.SEEDLING, Stage.GROWING_ON, Stage.HOLDING}),
    "stage": frozenset(Stage),
    "count": frozenset({Stage.GERMINATION, Stage.SEEDLING}),
    "water": frozenset(Stage),
    "check-moisture": frozenset(Stage),
    "feed": frozenset({Stage.SEEDLING, Stage.GROWING_ON}),
    "thin": frozenset({Stage.SEEDLING}),
    "pot-on": frozenset({Stage.SEEDLING}),
    "harden": frozenset({Stage.SEEDLING, Stage.GROWING_ON, Stage.HOLDING}),
    "put-out": frozenset({Stage.HARDENING}),
    "bring-in": frozenset({Stage.HARDENING}),
    "tonights-low": frozenset({Stage.HARDENING}),
    "wait": frozenset({Stage.HARDENING}),
    "plant-out": frozenset({Stage.HARDENING}),
    "hand-over": frozenset({Stage.HARDENING}),
}

#: Looks at the moisture are asked for so often [days], by cells to a tray: small cells dry in a day
#: (common practice, no source). The last is for an open tray, of which no cells are known.
_LOOK_DAYS = ((150, 1.0), (50, 1.5), (1, 2.0))
_LOOK_DAYS_OPEN = 2.0
#: Under a cover a tray keeps its water so many times as long (common practice, no source).
_COVER_KEEPS = 3.0
#: After a look that found it neither dry nor wet, and after one that found it wet, look again in so
#: many of those intervals (common practice, no source).
_MOIST_AGAIN, _WET_AGAIN = 0.5, 1.0
#: A task that is to be done at once is overdue after this long [s].
AT_ONCE = 12 * HOUR
#: Counts are asked for until so long [s] after emergence (common practice, no source).
_COUNTED_BY = 21 * DAY
#: Plant heights are asked for so often [days] (common practice, no source).
_MEASURE_DAYS = 7.0


@dataclass(frozen=True, slots=True)
class Task:
    """One thing to do.

    batch: its code. due: by when (POSIX s), None where no time is known;
    overdue: whether that is past. command: the hotbed command that records it as done. source: a key of
    the bibliography, for what the task goes by. caution: what could hurt somebody who does it.
    """

    kind: Kind
    batch: str
    text: str
    due: float | None
    overdue: bool
    command: str
    source: str = "common-practice"
    caution: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What tasks depend on beside the batch and its records.

    lamp: whether its place has one. called: whether its first seedling may be up. expected: early,
    expected and late emergence (POSIX s), None where not forecast. clearance_mm: the least and the wanted
    gap from leaves to lamp [mm] (common practice, no source: 5 to 10 cm, or about 4 inches). lamp_mm:
    the lamp's height over the mix [mm], where its place knows better than the batch's own records.
    seeds_per_cell: as sown, None where not known. style, harden_days: of hardening. lows: see
    `hardening.progress`. dusk: local time by which plants must be in, where latitude and longitude don't
    tell. outdoor_soil_c: as measured. last_frost: the date that planting-out offsets count from.
    hand_over: the day that plants go to whoever plants them. moisture: the score by a probe, 1 to 5,
    None without one.
    """

    zone: ZoneInfo
    units: Units = "C"
    lamp: bool = True
    called: bool = False
    expected: tuple[float, float, float] | None = None
    clearance_mm: tuple[float, float] = (50.0, 100.0)
    lamp_mm: float | None = None
    seeds_per_cell: int | None = None
    style: hardening.Style = "home"
    harden_days: int = hardening.USUAL_DAYS
    lows: Mapping[int, float] = field(default_factory=dict)
    dusk: timedelta = timedelta(hours=18)
    latitude: float | None = None
    longitude: float | None = None
    outdoor_soil_c: float | None = None
    last_frost: date | None = None
    hand_over: date | None = None
    moisture: float | None = None


def tasks_of(
    batch: Batch,
    crop: Crop,
    records: Records,
    facts: Facts,
    now: float,
    husbandry: Husbandry = USUAL,
) -> tuple[Task, ...]:
    """The batch's next tasks, the most pressing first; those without a date come last."""
    batch_tasks = _Batch(batch, crop, records, facts, now, husbandry)
    return _sorted(batch_tasks.all())


def look_every(batch: Batch) -> float:
    """How often the moisture of a batch is to be looked at [s]: what its cells hold."""
    days = _LOOK_DAYS_OPEN
    if batch.cells:
        per_tray = batch.cells / batch.trays
        days = next((d for least, d in _LOOK_DAYS if per_tray >= least), _LOOK_DAYS[-1][1])
    if batch.covered:
        days *= _COVER_KEEPS
    if batch.stage is Stage.HARDENING:
        days = min(days, 1.0)  # sun and wind
    return days * DAY


def _sorted(tasks: Iterator[Task]) -> tuple[Task, ...]:
    return tuple(sorted(tasks, key=lambda task: (task.due is None, task.due or 0.0, task.kind)))


class _Batch:
    """One batch at one moment, and the tasks that follow, subject by subject."""

    def __init__(
        self,
        batch: Batch,
        crop: Crop,
        records: Records,
        facts: Facts,
        now: float,
        husbandry: Husbandry,
    ) -> None:
        self.batch, self.crop, self.facts = batch, crop, facts
        self.records, self.husbandry, self.now = records, husbandry, now
        self.stage = batch.stage
        self.targets = crop.stages[batch.stage]
        self.stand = records.stand()
        self.up_at = self._up_at()

    def all(self) -> Iterator[Task]:
        for tasks in (
            self.emergence,
            self.lamp,
            self.water,
            self.feed,
            self.room,
            self.harden,
            self.leaving,
        ):
            for task in tasks():
                if self.stage in STAGES[task.kind]:
                    yield task

    def _up_at(self) -> float | None:
        """When the batch came up, as near as is known; None while nothing is known to be up."""
        if self.stand.first_up is not None:
            return self.stand.first_up
        seen = [count.at for count in self.batch.counts if count.up]
        if seen:
            return min(seen)
        if self.stage is Stage.GERMINATION:
            return None
        if self.stage is Stage.SEEDLING:
            return self.batch.since
        best = self.crop.stages[Stage.GERMINATION].soil_best
        days = self.crop.emergence.days((best.low + best.high) / 2) if best is not None else None
        return min(self.batch.since, self.batch.sown_at + (days or 0.0) * DAY)

    def task(
        self,
        kind: Kind,
        text: str,
        due: float | None,
        command: str,
        source: str = "",
        caution: str = "",
    ) -> Task:
        return Task(
            kind=kind,
            batch=self.batch.code,
            text=text,
            due=due,
            overdue=due is not None and due < self.now,
            command=f"hotbed {command}",
            source=source or "common-practice",
            caution=caution,
        )

    def log(self, what: str) -> str:
        return f"log {self.batch.code} {what}"

    # --- emergence -------------------------------------------------------------------------------

    def emergence(self) -> Iterator[Task]:
        batch, stand = self.batch, self.stand
        of = stand.of or batch.cells or "N"
        up = self.up_at is not None
        if up and batch.covered:
            yield self.task(
                "cover-off",
                "take the cover off: seedlings are up, and rot or cook below it",
                (self.up_at or self.now) + AT_ONCE,
                self.log("cover off"),
            )
        if self.stage is Stage.GERMINATION and not up:
            if self.facts.called or self.facts.expected is not None:
                early = self.now if self.facts.expected is None else self.facts.expected[0]
                seen = self.records.last(What.EMERGED)
                due = max(early, seen.at + DAY / 2) if seen is not None else early + DAY / 2
                yield self.task(
                    "look",
                    "look for the first seedlings, morning and evening",
                    due,
                    self.log(f"emerged 0/{of}"),
                    self.crop.emergence_source,
                )
        elif self.stage is Stage.GERMINATION and (stand.half_up is not None or stand.final):
            yield self.task(
                "stage",
                f"{stand.up} are up: take the batch to the seedling stage, with its air and feed",
                (stand.half_up or stand.first_up or self.now) + DAY,
                f"stage {batch.code} seedling",
            )
        if not stand.final and self.up_at is not None and self.now - self.up_at < _COUNTED_BY:
            seen = self.records.last(What.EMERGED)
            yield self.task(
                "count",
                "count the seedlings, until two counts are the same",
                (seen.at if seen is not None else self.up_at) + 2 * DAY,
                self.log(f"emerged N/{of}"),
            )

    # --- the lamp --------------------------------------------------------------------------------

    def lamp(self) -> Iterator[Task]:
        if not self.facts.lamp or self.up_at is None:
            return
        least, wanted = self.facts.clearance_mm
        heights = [care for care in self.records.standing(What.HEIGHT) if care.at <= self.now]
        hung = self.records.last(What.RAISED_LAMP)
        lamp_mm = self.facts.lamp_mm
        if lamp_mm is None and hung is not None:
            lamp_mm = hung.value
        tall = (heights[-1].value or 0.0) if heights else 0.0
        if hung is None if lamp_mm is None else lamp_mm - tall > 2 * wanted:
            yield self.task(
                "lamp-down",
                f"hang the lamp {self.length(least).split()[0]} to {self.length(wanted)} over the "
                "leaves, or as its maker says, and record its height over the mix",
                self.up_at + AT_ONCE,
                self.log(f"raised-lamp {self.typed(wanted + tall)}"),
                caution=LAMP_CAUTION,
            )
        measure_from = heights[-1].at if heights else self.up_at
        yield self.task(
            "measure-height",
            "measure a typical plant, from the mix to its tip",
            measure_from + _MEASURE_DAYS * DAY,
            self.log("height Ncm" if self.facts.units == "C" else "height Nin"),
        )
        if lamp_mm is None or not heights:
            return
        zone = self.facts.zone
        raising = next_raise(
            [(_date(care.at, zone), (care.value or 0.0) / 1000) for care in heights],
            lamp_mm / 1000,
            wanted / 1000,
            on=_date(self.now, zone),
            least_gap_m=least / 1000,
        )
        if raising.due is not None:
            today = raising.due <= _date(self.now, zone)
            yield self.task(
                "lamp-up",
                f"raise the lamp to {self.length(1000 * raising.lamp_m)} over the mix: the leaves "
                f"{'are' if today else 'will be'} within {self.length(least)} of it",
                # Seen at the last measuring already, or to come by the growth since.
                heights[-1].at + AT_ONCE if today else _noon(raising.due, zone),
                self.log(f"raised-lamp {self.typed(1000 * raising.lamp_m)}"),
                caution=LAMP_CAUTION,
            )

    # --- water and feed --------------------------------------------------------------------------

    def water(self) -> Iterator[Task]:
        records, every = self.records, look_every(self.batch)
        seen = records.moisture(self.now)
        watered = records.last(What.WATERED)
        watered_at = watered.at if watered is not None else None
        how, source = self.targets.water.text, self.targets.water.source
        score = self.facts.moisture
        if score is not None:  # a probe tells it now, and nobody need look
            if score <= DRY:
                yield self.task(
                    "water",
                    f"water: the moisture probe reads {score:.1f} of 5. {how}",
                    self.now,
                    self.log("watered"),
                    source,
                )
            return
        if seen is not None and (watered_at is None or watered_at < seen[2]):
            dry, wet, at = seen
            if dry:
                yield self.task(
                    "water",
                    f"water: it was dry {worded_span(self.now - at)} ago. {how}",
                    at + AT_ONCE,
                    self.log("watered"),
                    source,
                )
                return
            again = at + every * (_WET_AGAIN if wet else _MOIST_AGAIN)
            found = "wet: let it dry" if wet else "moist enough"
            text = f"look at the moisture; {worded_span(self.now - at)} ago it was {found}"
        elif watered_at is not None:
            again = watered_at + every
            text = (
                f"look at the moisture; watered {worded_span(self.now - watered_at)} ago, how wet it is "
                "since then is not known"
            )
        else:
            again = max(self.batch.sown_at, self.batch.since) + every
            text = "look at the moisture: nothing is recorded, so how wet it is is not known"
        yield self.task(
            "check-moisture",
            f"{text}. Score 1 (dry) to 5 (soaked), or weigh a tray. {how}",
            again,
            self.log("moist N"),
            source,
        )

    def feed(self) -> Iterator[Task]:
        if self.up_at is None:
            return
        husbandry, feed = self.husbandry, self.targets.feed
        leaves = self._leaves(1)
        from_leaves = (
            leaves if leaves is not None else self.up_at + husbandry.true_leaves_days.value * DAY
        )
        fed = self.records.last(What.FED)
        interval = husbandry.feed_days
        if fed is not None:
            due, source = fed.at + interval.high * DAY, interval.source
            again = f"; fed {worded_span(self.now - fed.at)} ago"
        else:
            due, source, again = from_leaves + 2 * DAY, feed.source, ""
        seen = (
            "" if leaves is not None or fed is not None else ", once the first true leaves are open"
        )
        yield self.task(
            "feed",
            f"feed at {husbandry.feed_strength}{seen}{again}. {feed.text}",
            due,
            self.log("fed"),
            source,
        )

    def _leaves(self, sets: int) -> float | None:
        """When that many sets of true leaves were first seen open."""
        for care in self.records.standing(What.LEAVES):
            if (care.value or 0) >= sets:
                return care.at
        return None

    # --- room to grow ----------------------------------------------------------------------------

    def room(self) -> Iterator[Task]:
        if self.up_at is None:
            return
        records, husbandry = self.records, self.husbandry
        parted = records.last(What.THINNED, What.PRICKED_OUT, What.POTTED_ON)
        span = husbandry.thin_days
        if parted is None and span is not None and self.facts.seeds_per_cell != 1:
            if self.batch.cells is None:
                text = "prick out into cells by the seed leaves, or thin, before they crowd"
                command = self.log("pricked-out")
            else:
                crowd = "" if self.facts.seeds_per_cell else " where there are several"
                text = f"thin to the best one in each cell{crowd}; cut, don't pull"
                command = self.log("thinned")
            yield self.task("thin", text, self.up_at + span.high * DAY, command, span.source)
        potted = records.last(What.POTTED_ON)
        if potted is not None:
            if self.stage is Stage.SEEDLING:
                yield self.task(
                    "stage",
                    "potted on: take the batch to growing-on; if it takes more room now, "
                    f"`hotbed move {self.batch.code} PLACE --takes N`",
                    potted.at + DAY,
                    f"stage {self.batch.code} growing-on",
                )
        elif husbandry.pot_on_days is not None:
            leaves = self._leaves(2)
            text = "pot on, now that the second set of true leaves is open"
            due = leaves + 3 * DAY if leaves is not None else None
            if due is None:
                due = self.up_at + husbandry.pot_on_days.high * DAY
                text = (
                    "pot on when the second set of true leaves opens; by its age that is about now"
                )
                if due > self.now + 3 * DAY:
                    text = "pot on when the second set of true leaves opens"
            yield self.task(
                "pot-on", text, due, self.log("potted-on"), husbandry.pot_on_days.source
            )

    # --- hardening and leaving -------------------------------------------------------------------

    def ready_at(self) -> float:
        """When the batch is to leave: by the dates given, else by its age."""
        zone, facts = self.facts.zone, self.facts
        if facts.hand_over is not None:
            return _noon(facts.hand_over, zone)
        if facts.last_frost is not None:
            weeks = self.crop.plant_out_weeks_from_last_frost
            return _noon(facts.last_frost + timedelta(weeks=weeks.low), zone)
        weeks = self.crop.weeks_to_transplant
        return self.batch.sown_at + (weeks.low + weeks.high) / 2 * 7 * DAY

    def ready_source(self) -> str:
        """What that goes by."""
        if self.facts.hand_over is not None:
            return "own"
        if self.facts.last_frost is not None:
            return self.crop.plant_out_weeks_from_last_frost.source
        return self.crop.weeks_to_transplant.source

    def harden(self) -> Iterator[Task]:
        facts = self.facts
        if self.stage is not Stage.HARDENING:
            if self.up_at is not None:
                yield self.task(
                    "harden",
                    f"begin to harden off: {facts.harden_days} days, so that it is ready by "
                    f"{_date(self.ready_at(), facts.zone):%d %B}",
                    self.ready_at() - facts.harden_days * DAY,
                    f"stage {self.batch.code} hardening",
                    self.ready_source(),
                )
            return
        done = self.progress()
        today = _date(self.now, facts.zone)
        dusk = hardening.dusk(
            today,
            facts.zone,
            local=facts.dusk,
            latitude=facts.latitude,
            longitude=facts.longitude,
        )
        limit = self.crop.harden_min_night_c
        if done.step is not None:
            step = done.step
            if not done.today:
                held = f"; {done.held} did not count, the nights were too cold" if done.held else ""
                yield self.task(
                    "put-out",
                    f"hardening, day {step.day} of {step.of}: {step.text}{held}",
                    dusk,
                    self.log("out"),
                )
            if not done.low_known:
                yield self.task(
                    "tonights-low",
                    "give tonight's low, as foretold: "
                    f"{self.crop.title.lower()} takes {self.deg(step.least_night_c)} by now",
                    dusk,
                    f"log {SITE} low N",
                    limit.source,
                )
        if done.out is not None:
            # Those whose nights are in are late since the dusk of the day they went out.
            due = dusk
            if done.step is not None and done.step.night != "outdoors":
                due += (_date(done.out, facts.zone) - today).days * DAY
            if done.must_come_in:
                # In the records of a frame, "in" is a shut lid, unless it says more.
                yield self.task(
                    "bring-in",
                    f"in by dusk: {done.must_come_in}",
                    due,
                    self.log("in indoors" if facts.style == "cold-frame" else "in"),
                    limit.source,
                )
            elif done.step is not None and done.step.night == "shut frame":
                yield self.task("bring-in", "shut the frame by dusk", due, self.log("in"))

    def progress(self) -> hardening.Progress:
        facts = self.facts
        return hardening.progress(
            self.records,
            facts.style,
            self.crop.harden_min_night_c.value,
            zone=facts.zone,
            now=self.now,
            since=self.batch.since,
            days=facts.harden_days,
            lows=facts.lows,
            units=facts.units,
        )

    def leaving(self) -> Iterator[Task]:
        if self.stage is not Stage.HARDENING or not self.progress().done:
            return
        facts, crop, code = self.facts, self.crop, self.batch.code
        if facts.hand_over is not None:
            yield self.task(
                "hand-over",
                "hardened: ready to be handed over; count them",
                _noon(facts.hand_over, facts.zone),
                f"stage {code} handed-over --count N",
            )
            return
        weeks, least = crop.plant_out_weeks_from_last_frost, crop.outdoor_soil_min_c
        soil = facts.outdoor_soil_c
        if soil is not None and soil < least.value:
            yield self.task(
                "wait",
                f"hardened, but not yet: the soil outdoors is at {self.deg(soil)}, and "
                f"{crop.title.lower()} wants {self.deg(least.value)}. Keep it cool and lean meanwhile",
                None,
                f"stage {code} holding",
                least.source,
            )
            return
        first = None
        if facts.last_frost is not None:
            first = facts.last_frost + timedelta(weeks=weeks.low)
            if _date(self.now, facts.zone) < first:
                yield self.task(
                    "wait",
                    f"hardened, but not before {first:%d %B}: {_from_frost(weeks.low)} the last frost",
                    None,
                    f"stage {code} holding",
                    weeks.source,
                )
                return
        ifs = [] if first else [f"{_from_frost(weeks.low)} the last frost"]
        if soil is None:
            ifs.append(f"once the soil outdoors is at {self.deg(least.value)}")
        last = None if first is None else first + timedelta(weeks=max(1.0, weeks.high - weeks.low))
        yield self.task(
            "plant-out",
            f"plant out{', ' if ifs else ''}{' and '.join(ifs)}: on a cloudy day, or give shade; water "
            "well before",
            None if last is None else _noon(last, facts.zone),
            f"stage {code} planted-out --count N",
            least.source if soil is None else weeks.source,
        )

    def deg(self, temperature_c: float) -> str:
        return format_temperature(temperature_c, self.facts.units)

    def length(self, length_mm: float) -> str:
        return format_length(length_mm, self.facts.units)

    def typed(self, length_mm: float) -> str:
        """A length as it is written on the command line."""
        return f"{length_mm / 10:.0f}cm" if self.facts.units == "C" else f"{length_mm / 25.4:.1f}in"


def _from_frost(weeks: float) -> str:
    many = f"{abs(weeks):g} week{'' if abs(weeks) == 1 else 's'}"
    return f"{many} {'after' if weeks >= 0 else 'before'}" if weeks else "after"


def _date(at: float, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(at, zone).date()


def _noon(day: date, zone: ZoneInfo) -> float:
    return instant(day, timedelta(hours=12), zone)
