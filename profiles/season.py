"""The season's plan: when to sow, pot on, harden and plant out, how many trays that is, and where.

Everything counts back from a planting-out date, that follows from the last frost, the first frost
or a hand-over date. Dates are calendar dates without a time of day, so daylight saving cannot move
them; weeks are those of ISO 8601, Monday to Sunday. Every step is a range with one date chosen in
it; shares and days that are no crop's own are common practice, no source, as marked.
"""

from __future__ import annotations

from calendar import monthrange
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from enum import StrEnum
from itertools import pairwise
from math import ceil, floor
from statistics import NormalDist
from typing import Literal

from profiles.bounds import check, check_rising, check_whole
from profiles.emergence import early_fraction, late_fraction
from profiles.mix import CONTAINERS, Container, Filling
from profiles.model import Crop, Stage
from profiles.seeds import Germination, places_for
from profiles.units import Units, format_temperature

#: From emergence to potting on [days], of a crop whose profile keeps it in its cell but that is asked to
#: be (common practice, no source).
USUAL_POT_ON_DAYS = (14.0, 21.0)
#: Plants are potted on no sooner [days] after a pricking out, that they must get over (common
#: practice, no source).
_AFTER_PRICKING = 7
#: Hardening takes no more than this part of that way: cucurbits are hardly up a fortnight in all.
_HARDEN_SHARE = 1 / 3
#: Autumn's short days add so much to the days to maturity (common practice, no source).
_AUTUMN_DAYS = 14
#: How long [days] soil that is too cold is waited for.
_SOIL_WAIT_DAYS = 183
#: How long [days] after a last frost something may still be sown for it, and how far ahead a season is
#: planned: a date beyond these is a slip of the pen.
_LATE_DAYS, _AHEAD_DAYS = 183, 548
#: How far [weeks] remedies are looked for.
_REMEDY_WEEKS = 8


# What everything is counted back from


@dataclass(frozen=True, slots=True)
class LastFrost:
    """The last frost of spring; `margin_days` later is when a crop's planting-out offset counts from."""

    day: date
    margin_days: int = 0

    def __post_init__(self) -> None:
        check("margin after the last frost", self.margin_days, 0, 60, "days")

    @classmethod
    def from_record(cls, mean: date, sd_days: float, risk: float) -> LastFrost:
        """The date after which frost still comes with the chance `risk`, 0.01 to 0.5.

        mean, sd_days: of the last frosts on record, taken as normally distributed.
        """
        return cls(mean + timedelta(_frost_margin(sd_days, risk)))


@dataclass(frozen=True, slots=True)
class FirstFrost:
    """The first frost of autumn; crops are to be ready `margin_days` before it."""

    day: date
    margin_days: int = 0

    def __post_init__(self) -> None:
        check("margin before the first frost", self.margin_days, 0, 60, "days")

    @classmethod
    def from_record(cls, mean: date, sd_days: float, risk: float) -> FirstFrost:
        """The date before which frost has come already with the chance `risk`; see `LastFrost`."""
        return cls(mean - timedelta(_frost_margin(sd_days, risk)))


@dataclass(frozen=True, slots=True)
class HandOver:
    """The day that hardened plants go to whoever plants them."""

    day: date


Anchor = LastFrost | FirstFrost | HandOver


def _frost_margin(sd_days: float, risk: float) -> int:
    check("standard deviation of the frost date", sd_days, 0, 60, "days")
    check("risk of frost", risk, 0.01, 0.5, "")
    # The last bit of a quantile of 0.5 is not worth a day.
    return ceil(round(NormalDist().inv_cdf(1 - risk) * sd_days, 9))


@dataclass(frozen=True, slots=True)
class SoilNormals:
    """Outdoor soil temperature [°C] through an average year: 12 monthly or 52 weekly means.

    Each stands for the middle of its part of the year; straight lines lead from one to the next.
    """

    means_c: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.means_c) not in (12, 52):
            raise ValueError(f"soil normals are {len(self.means_c)}; allowed: 12 (months) or 52")
        for mean in self.means_c:
            check("a soil normal", mean, -30, 50, "°C")

    def at(self, day: date) -> float:
        """Soil temperature [°C] to be expected on that day."""
        if len(self.means_c) == 12:
            _, days = monthrange(day.year, day.month)
            place = day.month - 1 + (day.day - 0.5) / days
        else:
            place = (day.timetuple().tm_yday - 0.5) / 365.25 * 52
        before = floor(place - 0.5)
        share = place - 0.5 - before
        first, second = (self.means_c[n % len(self.means_c)] for n in (before, before + 1))
        return (1 - share) * first + share * second

    def warm_from(self, day: date, least_c: float) -> date | None:
        """The first day from `day` on that is as warm, or None within half a year."""
        days = (day + timedelta(n) for n in range(_SOIL_WAIT_DAYS + 1))
        return next((each for each in days if self.at(each) >= least_c), None)


# What is wanted


@dataclass(frozen=True, slots=True, kw_only=True)
class CropTiming:
    """What a plan needs to know of a crop; `crop_timing` takes it from a profile.

    weeks_to_transplant: from sowing to planting out, low and high.
    plant_out_weeks_from_last_frost: low and high, negative before it.
    outdoor_soil_min_c: the least outdoor soil temperature [°C] to plant into.
    germination_soil_c: the soil temperature [°C] it is to germinate at.
    emergence_days: early, expected and late days to emergence at that temperature.
    thin_days: low and high from emergence, to thin cells of several, or to prick out of an open tray.
    pot_on_days: likewise, to pot on, where that is asked for.
    harden_days: low and high (a week by Utah State University Extension, Transplant Production; a
        fortnight is common practice, no source). The plan takes the high.
    days_to_maturity: from planting out to harvest, for plans from the first frost.
    plant_out_weeks_before_first_frost: low and high, and goes before the days to maturity.
    """

    name: str
    title: str
    weeks_to_transplant: tuple[float, float]
    plant_out_weeks_from_last_frost: tuple[float, float]
    outdoor_soil_min_c: float
    germination_soil_c: float
    emergence_days: tuple[float, float, float]
    thin_days: tuple[float, float] = (7, 14)
    pot_on_days: tuple[float, float] = USUAL_POT_ON_DAYS
    harden_days: tuple[int, int] = (7, 14)
    days_to_maturity: int | None = None
    plant_out_weeks_before_first_frost: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        name = self.name
        check_rising(f"weeks to transplant of {name}", self.weeks_to_transplant, 1, 52)
        check_rising(f"planting-out weeks of {name}", self.plant_out_weeks_from_last_frost, -30, 30)
        check_rising(f"days to emergence of {name}", self.emergence_days, 0, 365)
        check_rising(f"days to thinning of {name}", self.thin_days, 0, 90)
        check_rising(f"days to potting on of {name}", self.pot_on_days, 0, 210)
        check_rising(f"days of hardening of {name}", self.harden_days, 0, 42)
        if self.days_to_maturity is not None:
            check(f"days to maturity of {name}", self.days_to_maturity, 14, 300, "days")
        if self.plant_out_weeks_before_first_frost is not None:
            check_rising(
                f"weeks before the first frost of {name}",
                self.plant_out_weeks_before_first_frost,
                0,
                40,
            )
        # Weeks to transplant are those of seed that comes up as it should.
        if self.emergence_days[1] > self.weeks_to_transplant[0] * 7 / 2:
            raise ValueError(
                f"{name} comes up in {self.emergence_days[1]:.0f} days at "
                f"{self.germination_soil_c:g} °C, more than half of the "
                f"{self.weeks_to_transplant[0]:g} weeks it is to be planted out in; "
                f"germinate it warmer, or give it more weeks"
            )


def crop_timing(
    crop: Crop,
    germination_soil_c: float | None = None,
    *,
    days_to_maturity: int | None = None,
    plant_out_weeks_before_first_frost: tuple[float, float] | None = None,
) -> CropTiming:
    """The timing of a profile, germinated at that soil temperature [°C]; the middle of its best if None.

    days_to_maturity: a variety's own, from planting out; the middle of the crop's if None.
    Raises ValueError where nothing comes up there.
    """
    if germination_soil_c is None:
        best = crop.stages[Stage.GERMINATION].soil_best
        assert best is not None  # the model has it so
        germination_soil_c = (best.low + best.high) / 2
    days = crop.emergence.days(germination_soil_c)
    if days is None:
        raise ValueError(f"{crop.name} does not come up at a soil of {germination_soil_c:g} °C")
    weeks, offset = crop.weeks_to_transplant, crop.plant_out_weeks_from_last_frost
    thin, pot_on = crop.thin_days_from_emergence, crop.pot_on_weeks_from_emergence
    if days_to_maturity is None:
        days_to_maturity = round(7 * (crop.weeks_to_harvest.low + crop.weeks_to_harvest.high) / 2)
    return CropTiming(
        name=crop.name,
        title=crop.title,
        weeks_to_transplant=(weeks.low, weeks.high),
        plant_out_weeks_from_last_frost=(offset.low, offset.high),
        outdoor_soil_min_c=crop.outdoor_soil_min_c.value,
        germination_soil_c=germination_soil_c,
        emergence_days=(days * early_fraction(days), days, days * late_fraction(days)),
        thin_days=(thin.low, thin.high),
        pot_on_days=USUAL_POT_ON_DAYS if pot_on is None else (7 * pot_on.low, 7 * pot_on.high),
        harden_days=(round(crop.harden_days.low), round(crop.harden_days.high)),
        days_to_maturity=days_to_maturity,
        plant_out_weeks_before_first_frost=plant_out_weeks_before_first_frost,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """So many plants of one crop, and how they are raised.

    plants: to be planted out, at each sowing. label: a variety, to tell two orders of a crop apart.
    anchor: this order's own; the plan's if None.
    sow_in, prick_out_into, pot_on_into: containers, the latter two None where it is not done.
        Only what is sown in an open tray is pricked out.
    seeds_per_cell: and whether the cell is thinned to one or grows on as a clump.
    seeds_per_open_tray: room for them until they are pricked out (common practice, no source).
    spare: the part over `plants` that is raised for losses on the way (common practice, no source);
        assurance: the chance that as many come up.
    times, every_weeks: succession sowings.
    germinate_on, grow_on: a bench by name; the plan finds one if empty.
    """

    crop: CropTiming
    plants: int
    germination: Germination
    label: str = ""
    anchor: Anchor | None = None
    sow_in: Container = CONTAINERS["cells-72"]
    prick_out_into: Container | None = None
    pot_on_into: Container | None = None
    seeds_per_cell: int = 2
    thin: bool = True
    seeds_per_open_tray: int = 300
    spare: float = 0.1
    assurance: float = 0.9
    times: int = 1
    every_weeks: int = 0
    germinate_on: str = ""
    grow_on: str = ""

    def __post_init__(self) -> None:
        name = self.title
        check_whole(f"plants of {name}", self.plants, 1, 5000)
        check_whole(f"seeds per cell of {name}", self.seeds_per_cell, 1, 12)
        check_whole(f"seeds in an open tray of {name}", self.seeds_per_open_tray, 10, 5000)
        check(f"spare of {name}", self.spare, 0, 1, "of the plants")
        check(f"assurance of {name}", self.assurance, 0.5, 0.999, "")
        check_whole(f"sowings of {name}", self.times, 1, 30)
        if self.times > 1:
            check_whole(f"weeks between sowings of {name}", self.every_weeks, 1, 26)
        if self.prick_out_into is not None:
            if self.sow_in.kind != "open tray":
                raise ValueError(
                    f"{name} is pricked out of {self.sow_in.name}; allowed: only out of an open tray"
                )
            if self.prick_out_into.kind == "open tray":
                raise ValueError(f"{name} is pricked out into an open tray; allowed: cells or pots")
        if self.pot_on_into is not None and self.pot_on_into.kind == "open tray":
            raise ValueError(f"{name} is potted on into an open tray; allowed: cells or pots")

    @property
    def title(self) -> str:
        return f"{self.crop.title} {self.label}".rstrip()


class Phase(StrEnum):
    """What a batch needs a place for."""

    GERMINATION = "germination"
    GROWING = "growing"
    HARDENING = "hardening"


@dataclass(frozen=True, slots=True)
class Bench:
    """A bench, or a cold frame, with room for so many trays of 10 x 20 inch, and what it serves for."""

    name: str
    trays: int
    phases: frozenset[Phase] = frozenset({Phase.GERMINATION, Phase.GROWING})

    def __post_init__(self) -> None:
        check_whole(f"trays of bench {self.name}", self.trays, 1, 1000)
        if not self.phases:
            raise ValueError(f"bench {self.name} serves for nothing; allowed: {', '.join(Phase)}")


# What the plan says


@dataclass(frozen=True, slots=True)
class DateRange:
    """From `early` to `late`, with the date that the plan goes by."""

    early: date
    chosen: date
    late: date


@dataclass(frozen=True, slots=True)
class SowingDates:
    """The steps of one sowing in time; prick_out, thin and pot_on are None where it is not done."""

    sow: DateRange
    emerge: DateRange
    prick_out: DateRange | None
    thin: DateRange | None
    pot_on: DateRange | None
    harden: DateRange
    plant_out: DateRange


@dataclass(frozen=True, slots=True)
class Step:
    """Containers that a sowing stands in from a day on: sown in, pricked out or potted on into.

    count: of containers (cells, pots, open trays). plug: what a root ball comes out of.
    """

    start: date
    container: Container
    count: int
    plug: Container | None = None

    @property
    def trays(self) -> int:
        """Whole trays of 10 x 20 inch, or their room."""
        return ceil(self.count / self.container.per_tray)


@dataclass(frozen=True, slots=True)
class Stay:
    """Trays of one sowing in one place, from `start` up to but not on `end`.

    bench: by name; empty where none is given, and in hardening where no bench serves for that.
    """

    bench: str
    phase: Phase
    start: date
    end: date
    trays: int

    @property
    def place(self) -> str:
        """The bench, or else the phase."""
        return self.bench or self.phase.value

    def days(self) -> Iterator[date]:
        for n in range((self.end - self.start).days):
            yield self.start + timedelta(n)


@dataclass(frozen=True, slots=True)
class Sowing:
    """One sowing of an order: how much is sown, when each step is, and where it stands.

    key: unlike any other of the plan, and the same when the plan is made again.
    number: 1 up to the order's `times`.
    stand: seedlings wanted, with the spare. seeds: to sow for them. sown: containers sown.
    moved: containers for what is pricked out or potted on.
    notes: what the grower must know.
    """

    key: str
    order: Order
    number: int
    anchor: Anchor
    stand: int
    seeds: int
    sown: int
    moved: int
    dates: SowingDates
    notes: tuple[str, ...] = ()
    stays: tuple[Stay, ...] = ()

    @property
    def title(self) -> str:
        times = f" ({self.number} of {self.order.times})" if self.order.times > 1 else ""
        return self.order.title + times

    @property
    def steps(self) -> tuple[Step, ...]:
        """The containers it goes through, in order."""
        order, dates = self.order, self.dates
        steps = [Step(dates.sow.chosen, order.sow_in, self.sown)]
        for when, into in (
            (dates.prick_out, order.prick_out_into),
            (dates.pot_on, order.pot_on_into),
        ):
            if when is not None and into is not None:
                last = steps[-1].container
                steps.append(
                    Step(when.chosen, into, self.moved, None if last.kind == "open tray" else last)
                )
        return tuple(steps)

    @property
    def fillings(self) -> tuple[Filling, ...]:
        """The potting mix it takes, see `profiles.mix`."""
        return tuple(Filling(step.container, step.count, step.plug) for step in self.steps)


@dataclass(frozen=True, slots=True)
class BenchWeek:
    """The most trays in a place on any day of the ISO week that begins on `monday`.

    place: a bench, or a phase that no bench is given for; then there is no `capacity`.
    """

    monday: date
    place: str
    trays: int
    capacity: int | None

    @property
    def over(self) -> int:
        """Trays too many."""
        return 0 if self.capacity is None else max(0, self.trays - self.capacity)


@dataclass(frozen=True, slots=True)
class Remedy:
    """One change that helps where trays do not fit, and makes no other week worse.

    kind: "bench" (stands on `bench` instead), "sow-later" or "out-earlier" by so many weeks.
    eases: trays that are then no longer too many, summed over the weeks.
    clears: whether none is too many then.
    """

    kind: Literal["bench", "sow-later", "out-earlier"]
    sowing: str
    weeks: int
    bench: str
    text: str
    eases: int = 0
    clears: bool = False


@dataclass(frozen=True, slots=True)
class Overflow:
    """Weeks on end in which a bench is too full, whose trays they are, and what helps.

    remedies: where one change does it, the nearest of each kind, to choose from; where none does,
        changes to make `together`, the last of which clears the weeks if any can.
    """

    weeks: tuple[BenchWeek, ...]
    sowings: tuple[str, ...]
    remedies: tuple[Remedy, ...]
    together: bool

    @property
    def place(self) -> str:
        return self.weeks[0].place


@dataclass(frozen=True, slots=True)
class Task:
    """Something to do on a day; `uid` stays the same when the plan is made again with other dates."""

    uid: str
    day: date
    summary: str
    description: str


@dataclass(frozen=True, slots=True)
class Check:
    """One thing to see to at the site before the first sowing, so many days before it.

    kind: by which it is recorded as done, with `hotbed log site checked KIND`.
    """

    kind: str
    days_before: int
    summary: str
    text: str


#: All common practice, no source.
CHECKS = (
    Check(
        "wash-trays",
        14,
        "Wash trays",
        "Also pots, covers and labels of last year; then soak them in a disinfectant as its label says, "
        "and rinse: damping-off winters in old mix. Gloves and air; never mix bleach with anything but "
        "water.",
    ),
    Check(
        "ice-bath",
        10,
        "Check the soil probes in ice",
        "Each in a stirred slush of crushed ice and water: after five minutes it must read 0 °C (32 °F), "
        "give or take 0.5 °C; note the difference, or change the probe.",
    ),
    Check(
        "cut-out",
        7,
        "Test the thermal cut-outs",
        "The mechanical cut-out of each mat, as its maker says: warmed over its setting it must switch "
        "the mat off by itself. Never bridge it.",
    ),
    Check(
        "breaker",
        7,
        "Test the residual-current device",
        "Press the test button of the residual-current device (GFCI): the benches must go dead. If they "
        "don't, leave them unplugged and call a licensed electrician; local codes go before this list.",
    ),
    Check(
        "pre-warm",
        1,
        "Warm the filled trays",
        "Set them out, moistened, on the mats a day before sowing: cold wet mix takes a day to warm, and "
        "seed in it rots.",
    ),
)


@dataclass(frozen=True, slots=True)
class SeasonPlan:
    """Sowings in order of sowing date, bench weeks in order of time, and what does not fit."""

    sowings: tuple[Sowing, ...]
    weeks: tuple[BenchWeek, ...]
    overflows: tuple[Overflow, ...]
    tasks: tuple[Task, ...] = field(repr=False)

    @property
    def fillings(self) -> tuple[Filling, ...]:
        return tuple(filling for sowing in self.sowings for filling in sowing.fillings)


def iso_week(day: date) -> str:
    """The ISO 8601 week of a day, as in "2027-W14"."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


# Planning


def plan_season(
    orders: Sequence[Order],
    anchor: Anchor,
    *,
    benches: Sequence[Bench] = (),
    soil: SoilNormals | None = None,
    today: date | None = None,
    units: Units = "C",
) -> SeasonPlan:
    """The plan for a list of orders.

    benches: in order of preference; without any, trays are counted by phase and always fit.
    soil: without it, the least outdoor soil temperature is told as a condition.
    today: nothing is sown before it; the plan says what that costs.
    units: for the temperatures in notes and tasks.

    Succession sowings follow the first planting out, and from a first frost go before the last.

    Raises ValueError for orders that cannot be told apart, an unknown bench, a phase that no bench
    serves for, a crop that the anchor gives no date, or an anchor that is out of reach from today.
    """
    if today is not None:
        for each in {anchor, *(order.anchor for order in orders if order.anchor is not None)}:
            _check_reach(each, today)
    _check_benches(orders, benches)
    keys = [_slug(f"{order.crop.name} {order.label}") for order in orders]
    for key, count in Counter(keys).items():
        if count > 1:
            raise ValueError(f"{key} is ordered {count} times; allowed: once, or labelled apart")
    unplaced = [
        sowing
        for order, key in zip(orders, keys, strict=True)
        for sowing in _sowings(order, key, order.anchor or anchor, soil, today, units)
    ]
    load = _Load(benches)
    sowings = []
    for sowing in sorted(unplaced, key=lambda each: (each.dates.sow.chosen, each.key)):
        stays = _placed(sowing, benches, load)
        load.add(stays)
        sowings.append(replace(sowing, stays=stays))
    weeks = load.weeks()
    tasks = [task for sowing in sowings for task in _tasks(sowing, units)]
    tasks += _checks(sowings, today)
    return SeasonPlan(
        tuple(sowings),
        weeks,
        _overflows(sowings, weeks, load, benches),
        tuple(sorted(tasks, key=lambda task: (task.day, task.uid))),
    )


_EVENT = {LastFrost: "last frost", FirstFrost: "first frost", HandOver: "hand-over"}


def _check_reach(anchor: Anchor, today: date) -> None:
    late = _LATE_DAYS if isinstance(anchor, LastFrost) else 0
    earliest, latest = today - timedelta(late), today + timedelta(_AHEAD_DAYS)
    if not earliest <= anchor.day <= latest:
        why = "past: nothing can be sown for it" if anchor.day < today else "too far ahead"
        raise ValueError(
            f"the {_EVENT[type(anchor)]} of {anchor.day} is {why} on {today}; allowed: "
            f"{earliest} to {latest}"
        )


def _check_benches(orders: Sequence[Order], benches: Sequence[Bench]) -> None:
    names = [bench.name for bench in benches]
    for name, count in Counter(names).items():
        if count > 1:
            raise ValueError(f"bench {name} is given {count} times; allowed: once")
    for order in orders:
        for phase, wanted in (
            (Phase.GERMINATION, order.germinate_on),
            (Phase.GROWING, order.grow_on),
        ):
            serving = [bench.name for bench in benches if phase in bench.phases]
            if benches and not serving:
                raise ValueError(f"no bench serves for {phase}; allowed: at least one that does")
            if wanted and wanted not in serving:
                known = ", ".join(serving) or "none, for no bench is given"
                raise ValueError(
                    f"{order.title} is for {phase} on bench {wanted}; allowed: {known}"
                )


def _sowings(
    order: Order,
    key: str,
    anchor: Anchor,
    soil: SoilNormals | None,
    today: date | None,
    units: Units,
) -> Iterator[Sowing]:
    out, notes = _plant_out(order.crop, anchor, soil, units)
    stand = ceil(round(order.plants * (1 + order.spare), 6))
    seeds, sown, moved = _amounts(order, stand)
    low, high = _raising_days(order.crop)
    for number in range(1, order.times + 1):
        turn = number - order.times if isinstance(anchor, FirstFrost) else number - 1
        plant_out = _shifted(out, timedelta(weeks=turn * order.every_weeks))
        sow = plant_out.chosen - timedelta(round((low + high) / 2))
        late = []
        if today is not None and sow < today:
            sow = today
            ready = sow + timedelta(low)
            if ready > plant_out.chosen:
                days = (ready - plant_out.chosen).days
                late = [
                    f"sown today it is ready on {ready}, {_many(days, 'day')} after "
                    f"{plant_out.chosen}, when it was to be {_OUT_DONE[type(anchor)]}"
                ]
                plant_out = DateRange(ready, ready, max(ready, plant_out.late))
        yield Sowing(
            f"{key}-{number}",
            order,
            number,
            anchor,
            stand,
            seeds,
            sown,
            moved,
            _dates(order, sow, plant_out),
            (*notes, *late),
        )


def _amounts(order: Order, stand: int) -> tuple[int, int, int]:
    """Seeds, containers to sow, and containers for what is moved on, for a stand of seedlings."""
    each = order.seeds_per_cell
    if order.sow_in.kind == "open tray":
        seeds = places_for(stand, order.germination, assurance=order.assurance)
        return seeds, ceil(seeds / order.seeds_per_open_tray), stand
    if order.thin:
        cells = places_for(
            stand, order.germination, seeds_per_place=each, assurance=order.assurance
        )
        return cells * each, cells, stand
    cells = ceil(places_for(stand, order.germination, assurance=order.assurance) / each)
    # A clump moves as it is, blanks and all.
    return cells * each, cells, cells


_OUT_VERB = {LastFrost: "plant out", FirstFrost: "plant out", HandOver: "hand over"}
_OUT_DONE = {LastFrost: "planted out", FirstFrost: "planted out", HandOver: "handed over"}


def _raising_days(crop: CropTiming) -> tuple[int, int]:
    low, high = crop.weeks_to_transplant
    return ceil(7 * low), ceil(7 * high)


def _shifted(dates: DateRange, shift: timedelta) -> DateRange:
    return DateRange(dates.early + shift, dates.chosen + shift, dates.late + shift)


def _between(early: date, late: date) -> DateRange:
    return DateRange(early, early + (late - early) // 2, late)


def _plant_out(
    crop: CropTiming, anchor: Anchor, soil: SoilNormals | None, units: Units
) -> tuple[DateRange, list[str]]:
    """When to plant out (the first of a succession; from a first frost the last), and notes."""
    least = format_temperature(crop.outdoor_soil_min_c, units, 0)
    condition = f"plant out only into soil of {least} or more"
    if isinstance(anchor, HandOver):
        return DateRange(anchor.day, anchor.day, anchor.day), [condition]
    if isinstance(anchor, LastFrost):
        safe = anchor.day + timedelta(anchor.margin_days)
        low, high = crop.plant_out_weeks_from_last_frost
        out = _between(safe + _weeks(low), safe + _weeks(high))
    else:
        safe = anchor.day - timedelta(anchor.margin_days)
        if crop.plant_out_weeks_before_first_frost is not None:
            low, high = crop.plant_out_weeks_before_first_frost
            out = _between(safe - _weeks(high), safe - _weeks(low))
        elif crop.days_to_maturity is not None:
            late = safe - timedelta(crop.days_to_maturity + _AUTUMN_DAYS)
            out = _between(late - timedelta(weeks=2), late)
        else:
            raise ValueError(
                f"{crop.name} has no date from the first frost; give its days to maturity, or the "
                f"weeks before the frost that it is planted out"
            )
    if soil is None:
        return out, [condition]
    warm = soil.warm_from(out.early, crop.outdoor_soil_min_c)
    if warm is None:
        return out, [f"the soil is on average not {least} within half a year of {out.early}"]
    notes = []
    if warm > out.chosen:
        days = _many((warm - out.chosen).days, "day")
        notes = [f"planted out {days} later, for the soil is on average not {least} before {warm}"]
    return DateRange(warm, max(out.chosen, warm), max(out.late, warm)), notes


def _weeks(weeks: float) -> timedelta:
    return timedelta(round(7 * weeks))


def _dates(order: Order, sow: date, plant_out: DateRange) -> SowingDates:
    """Every step of a sowing, from the day it is sown to the day it is planted out."""
    crop, out = order.crop, plant_out.chosen
    low, high = _raising_days(crop)
    early, expected, late = crop.emergence_days
    up = DateRange(
        sow + timedelta(floor(early)), sow + timedelta(ceil(expected)), sow + timedelta(ceil(late))
    )
    growing = (out - up.chosen).days
    longest = min(crop.harden_days[1], floor(_HARDEN_SHARE * growing))
    shortest = min(crop.harden_days[0], longest)
    begin = out - timedelta(longest)

    def after_emergence(days: tuple[float, float], least: DateRange | None = None) -> DateRange:
        """Those days on, before hardening begins, and no sooner than may be after a pricking out."""
        steps = [up.chosen + timedelta(round(each)) for each in (days[0], sum(days) / 2, days[1])]
        if least is not None:
            soonest = (least.early, least.chosen, least.late)
            steps = [
                max(step, each + timedelta(_AFTER_PRICKING))
                for step, each in zip(steps, soonest, strict=True)
            ]
        return DateRange(*(min(step, begin) for step in steps))

    prick_out = pot_on = thin = None
    if order.prick_out_into is not None:
        prick_out = after_emergence(crop.thin_days)
    if order.thin and order.seeds_per_cell > 1 and order.sow_in.kind == "cell":
        thin = after_emergence(crop.thin_days)
    if order.pot_on_into is not None:
        pot_on = after_emergence(crop.pot_on_days, prick_out)
    return SowingDates(
        DateRange(min(sow, out - timedelta(high)), sow, max(sow, out - timedelta(low))),
        up,
        prick_out,
        thin,
        pot_on,
        DateRange(begin, begin, out - timedelta(shortest)),
        plant_out,
    )


# Where it all stands


class _Load:
    """Trays in each place on each day."""

    def __init__(self, benches: Sequence[Bench]) -> None:
        self.capacity: dict[str, int] = {bench.name: bench.trays for bench in benches}
        self._days: dict[str, Counter[date]] = {bench.name: Counter() for bench in benches}

    def add(self, stays: Iterable[Stay], sign: Literal[1, -1] = 1) -> None:
        for stay in stays:
            trays = self._days.setdefault(stay.place, Counter())
            for day in stay.days():
                trays[day] += sign * stay.trays

    def change(self, old: Iterable[Stay], new: Iterable[Stay]) -> None:
        self.add(old, -1)
        self.add(new)

    def room(self, stay: Stay) -> int:
        """Trays free in its place, over all of its days, once it stands there; negative if too few."""
        trays = self._days[stay.bench]
        most = max((trays[day] for day in stay.days()), default=0)
        return self.capacity[stay.bench] - most - stay.trays

    def week(self, place: str, monday: date) -> BenchWeek:
        trays = self._days[place]
        most = max(trays[monday + timedelta(n)] for n in range(7))
        return BenchWeek(monday, place, most, self.capacity.get(place))

    def weeks(self) -> tuple[BenchWeek, ...]:
        """All weeks with trays, in order of time, then of the places as they were given."""
        mondays = sorted({_monday(day) for trays in self._days.values() for day in trays})
        found = (self.week(place, monday) for monday in mondays for place in self._days)
        return tuple(week for week in found if week.trays)


def _monday(day: date) -> date:
    return day - timedelta(day.weekday())


def _stays(sowing: Sowing) -> list[Stay]:
    """The stays of a sowing, with no bench yet, as many for every date it could have."""
    dates, steps = sowing.dates, sowing.steps
    up, harden = dates.emerge.chosen, dates.harden.chosen
    stays = [Stay("", Phase.GERMINATION, steps[0].start, up, steps[0].trays)]
    starts = [up, *(step.start for step in steps[1:]), harden]
    for step, (start, end) in zip(steps, pairwise(starts), strict=True):
        stays.append(Stay("", Phase.GROWING, start, end, step.trays))
    stays.append(Stay("", Phase.HARDENING, harden, dates.plant_out.chosen, steps[-1].trays))
    return stays


def _placed(sowing: Sowing, benches: Sequence[Bench], load: _Load) -> tuple[Stay, ...]:
    """The stays of a sowing on the benches asked for, or else the first that have the room.

    A batch stays where it is while there is room; where no bench has it, it goes where least lacks.
    """
    wanted = {
        Phase.GERMINATION: sowing.order.germinate_on,
        Phase.GROWING: sowing.order.grow_on,
    }
    placed: list[Stay] = []
    for stay in _stays(sowing):
        serving = [
            bench.name
            for bench in benches
            if stay.phase in bench.phases and wanted.get(stay.phase, "") in ("", bench.name)
        ]
        if placed and placed[-1].bench in serving:
            serving.insert(0, placed[-1].bench)
        options = [replace(stay, bench=name) for name in serving]
        roomy = (option for option in options if load.room(option) >= 0)
        placed.append(next(roomy, max(options, key=load.room, default=stay)))
    return tuple(placed)


# What does not fit

_WeekKey = tuple[str, date]


def _overflows(
    sowings: Sequence[Sowing],
    weeks: Iterable[BenchWeek],
    load: _Load,
    benches: Sequence[Bench],
) -> tuple[Overflow, ...]:
    full = {(week.place, week.monday): week for week in weeks if week.over}
    spells: list[list[_WeekKey]] = []
    for place, monday in sorted(full):
        if spells and spells[-1][-1] == (place, monday - timedelta(weeks=1)):
            spells[-1].append((place, monday))
        else:
            spells.append([(place, monday)])
    found = [
        Overflow(
            tuple(full[key] for key in spell),
            tuple(s.key for s in sowings if not set(spell).isdisjoint(_week_keys(s.stays))),
            *_remedies(spell, sowings, load, benches),
        )
        for spell in spells
    ]
    # In time; benches in the order they were given in.
    return tuple(
        sorted(
            found, key=lambda each: (each.weeks[0].monday, list(load.capacity).index(each.place))
        )
    )


def _remedies(
    spell: Sequence[_WeekKey], sowings: Sequence[Sowing], load: _Load, benches: Sequence[Bench]
) -> tuple[tuple[Remedy, ...], bool]:
    """What clears a spell, and whether it takes them all together; see `Overflow`."""
    options = _options(spell, sowings, load, benches)
    clearing: dict[str, Remedy] = {}
    for remedy, *_ in options:
        if remedy.clears:
            clearing.setdefault(remedy.kind, remedy)
    if clearing:
        return tuple(clearing.values()), False
    made: list[tuple[Remedy, Sowing, tuple[Stay, ...]]] = []
    while options:
        remedy, sowing, stays = max(options, key=lambda option: option[0].eases)
        load.change(sowing.stays, stays)
        made.append((remedy, sowing, stays))
        if remedy.clears:
            break
        changed = {each.key for _, each, _ in made}
        options = _options(spell, [s for s in sowings if s.key not in changed], load, benches)
    for _, sowing, stays in reversed(made):
        load.change(stays, sowing.stays)
    return tuple(remedy for remedy, *_ in made), len(made) > 1


def _options(
    spell: Sequence[_WeekKey], sowings: Sequence[Sowing], load: _Load, benches: Sequence[Bench]
) -> list[tuple[Remedy, Sowing, tuple[Stay, ...]]]:
    """Single changes that ease a spell and make nothing else worse, the nearest first."""
    found = []
    for sowing in sowings:
        if set(spell).isdisjoint(_week_keys(sowing.stays)):
            continue
        for remedy, stays in _changes(sowing, spell, benches):
            keys = {*spell, *_week_keys(sowing.stays), *_week_keys(stays)}
            before = {key: load.week(*key).over for key in keys}
            load.change(sowing.stays, stays)
            after = {key: load.week(*key).over for key in keys}
            load.change(stays, sowing.stays)
            eases = sum(before[key] - after[key] for key in spell)
            if eases > 0 and all(after[key] <= before[key] for key in keys):
                clears = not any(after[key] for key in spell)
                found.append((replace(remedy, eases=eases, clears=clears), sowing, stays))
    return sorted(found, key=lambda option: option[0].weeks)


def _week_keys(stays: Iterable[Stay]) -> list[_WeekKey]:
    """The place and week of every day of the stays, each once, in order."""
    return list(dict.fromkeys((stay.place, _monday(day)) for stay in stays for day in stay.days()))


def _changes(
    sowing: Sowing, spell: Sequence[_WeekKey], benches: Sequence[Bench]
) -> Iterator[tuple[Remedy, tuple[Stay, ...]]]:
    """Each single change of a sowing that stands in a spell, and its stays then."""
    for bench in benches:
        moved = tuple(
            replace(stay, bench=bench.name)
            if stay.phase in bench.phases and not set(spell).isdisjoint(_week_keys([stay]))
            else stay
            for stay in sowing.stays
        )
        if moved != sowing.stays:
            text = f"{sowing.title} on bench {bench.name}"
            yield Remedy("bench", sowing.key, 0, bench.name, text), moved
    order, dates = sowing.order, sowing.dates
    low, _ = _raising_days(order.crop)
    out = dates.plant_out
    verb = _OUT_VERB[type(sowing.anchor)]
    for weeks in range(1, _REMEDY_WEEKS + 1):
        shift = timedelta(weeks=weeks)
        later = f"sow {sowing.title} {_many(weeks, 'week')} later"
        sow = dates.sow.chosen + shift
        if isinstance(sowing.anchor, LastFrost):
            then = _dates(order, sow, _shifted(out, shift))
            text = f"{later}, on {sow}, and {verb} on {then.plant_out.chosen}"
            yield Remedy("sow-later", sowing.key, weeks, "", text), _moved(sowing, then)
        elif sow + timedelta(low) <= out.chosen:
            then = _dates(order, sow, out)
            text = f"{later}, on {sow}, and {verb} as planned"
            yield Remedy("sow-later", sowing.key, weeks, "", text), _moved(sowing, then)
        earlier = out.chosen - shift
        if dates.sow.chosen + timedelta(low) <= earlier and (
            isinstance(sowing.anchor, HandOver) or out.early <= earlier
        ):
            then = _dates(
                order, dates.sow.chosen, DateRange(min(out.early, earlier), earlier, out.late)
            )
            text = f"{verb} {sowing.title} {_many(weeks, 'week')} earlier, on {earlier}"
            yield Remedy("out-earlier", sowing.key, weeks, "", text), _moved(sowing, then)


def _moved(sowing: Sowing, dates: SowingDates) -> tuple[Stay, ...]:
    """The stays at other dates, each on the bench it had."""
    stays = _stays(replace(sowing, dates=dates))
    return tuple(
        replace(stay, bench=old.bench) for stay, old in zip(stays, sowing.stays, strict=True)
    )


# What to do when


def _checks(sowings: Sequence[Sowing], today: date | None) -> Iterator[Task]:
    """What is seen to before the first sowing; today where its day is past already."""
    if not sowings:
        return
    first = min(sowings, key=lambda sowing: sowing.dates.sow.chosen)
    for one in CHECKS:
        day = first.dates.sow.chosen - timedelta(one.days_before)
        yield Task(
            f"{first.anchor.day.year}-site-{one.kind}",
            day if today is None else max(day, today),
            one.summary,
            f"{one.text} When it is done: hotbed log site checked {one.kind}",
        )


def _tasks(sowing: Sowing, units: Units) -> Iterator[Task]:
    order, dates, title = sowing.order, sowing.dates, sowing.title

    def task(kind: str, when: DateRange, summary: str, *description: str) -> Task:
        span = f"From {when.early} to {when.late}." if when.early < when.late else ""
        # The year of the anchor, so that a season of the next year has its own.
        uid = f"{sowing.anchor.day.year}-{sowing.key}-{kind}"
        return Task(uid, when.chosen, summary, " ".join(filter(None, (*description, span))))

    first, *later = sowing.steps
    soil = format_temperature(order.crop.germination_soil_c, units, 0)
    each = (
        ""
        if first.container.kind == "open tray" or order.seeds_per_cell == 1
        else f", {order.seeds_per_cell} to a cell"
    )
    yield task(
        "sow",
        dates.sow,
        f"Sow {title}",
        f"{_many(sowing.seeds, 'seed')}{each}, for {_many(sowing.stand, 'seedling')} "
        f"({order.germination.basis}).",
        f"{_in_trays(first)}. Soil at {soil}.",
    )
    up = dates.emerge
    yield task(
        "emerge",
        DateRange(up.early, up.early, up.early),
        f"Look for {title}: first seedlings",
        f"Expected on {up.chosen}, by {up.late} at the latest. When they are up: cover off, lamp on.",
    )
    if dates.thin is not None:
        yield task("thin", dates.thin, f"Thin {title} to one a cell", "Cut, don't pull.")
    for kind, when, verb in (
        ("prick-out", dates.prick_out, "Prick out"),
        ("pot-on", dates.pot_on, "Pot on"),
    ):
        if when is not None:
            step = later.pop(0)
            yield task(kind, when, f"{verb} {title}", f"{_in_trays(step)}.")
    yield task("harden", dates.harden, f"Begin to harden {title}")
    verb = _OUT_VERB[type(sowing.anchor)]
    yield task(
        verb.replace(" ", "-"),
        dates.plant_out,
        f"{verb.capitalize()} {title}",
        f"{_many(order.plants, 'plant')}.",
        *(f"{note[0].upper()}{note[1:]}." for note in sowing.notes),
    )


def _in_trays(step: Step) -> str:
    trays, container = _many(step.trays, "tray"), step.container
    if container.kind == "open tray":
        return _many(step.count, "open tray")
    if container.kind == "cell":
        return f"{_many(step.count, 'cell')} in {trays} of {container.per_tray}"
    return f"{step.count} x {container.title}, the room of {trays}"


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _slug(words: str) -> str:
    plain = "".join(c if c.isalnum() else " " for c in words.casefold())
    return "-".join(plain.split())
