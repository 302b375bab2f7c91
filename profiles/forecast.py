"""When a batch will be up: from its progress, the grower's counts and what earlier batches did.

Progress is in days of the table (`profiles.emergence`): 1 is the day an ideal, fresh lot comes up,
12.7 mm deep in evenly warm soil. A tray on a bench needs more, so each batch has a lateness, the
progress at which half of the seedlings that will come are up. Its logarithm is normal:

    the crop as this grower raises it ~ Normal(log LATE, CROP_SD)
    a seed lot of it                  ~ Normal(the crop, LOT_SD)
    a batch of the lot                ~ Normal(the lot, BATCH_SD)
    a seed of the batch               ~ Normal(the batch, SEED_SD)

What finished batches did updates the first two (`believe`: conjugate, so exact, and the table is
never forgotten), what is counted in a batch updates its own (`requirement`: by Bayes' rule on a
grid). Depth and the seed's age have no factor of their own: no source gives one, and a grower who
always sows deeper, or a lot that has aged, is learnt as any other lateness.

All functions are pure; the records and looks that they are given are what is worth keeping.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, erf, exp, hypot, log, sqrt
from statistics import NormalDist, fmean

from profiles.emergence import LONGEST_DAYS, EmergenceModel

#: Median lateness of a real tray, and how far crops as somebody raises them, seed lots and batches
#: differ in its logarithm (common practice, no source: up to twice the table's days is usual in a
#: house, less than the table's is rare).
LATE = 1.25
CROP_SD = 0.15
LOT_SD = 0.10
BATCH_SD = 0.12
#: How far the seeds of one batch differ in theirs (common practice, no source: the last of a tray
#: take not quite twice the days of its first).
SEED_SD = 0.16
#: Share of seed that comes up if nobody says, and how sure that is (common practice, no source).
GERMINATION = 0.85
GERMINATION_SD = 0.12
#: Chance that nothing of a batch comes up at all (common practice, no source).
LOST = 0.02
#: Seeds of a tray share its warm middle and dry corner: a count weighs as so many that do not.
INDEPENDENT_SEEDS = 20
#: Cells of a batch whose number nobody gave.
USUAL_CELLS = 50
#: Part of the seedlings that will come at which the stand is called final.
FINAL = 0.95
#: What every range holds: 8 of 10.
COVERAGE = 0.8
#: Standard deviation of the logarithm of progress, of a date on which somebody says "it is up".
DATED_SD = 0.15
#: The same of one's best count: the probe is not where each seed is.
COUNTED_SD = 0.05

_NORMAL = NormalDist()
_HALF_WIDTH = _NORMAL.inv_cdf((1 + COVERAGE) / 2)
_FINAL_Z = _NORMAL.inv_cdf(FINAL)
#: The grid of Bayes' rule: steps of the logarithm of lateness, and shares of seed that come up.
_STEP = 0.02
_REACH_SD = 4.5
_SHARES = [share / 20 for share in range(2, 21)]
_LOG_SHARES = tuple(map(log, _SHARES))
#: No chance is taken as less: a count that cannot be must not stop the arithmetic.
_LEAST = 1e-9


@dataclass(frozen=True, slots=True)
class Range:
    """Low, middle (median) and high of something unsure; `COVERAGE` of it lies between the ends."""

    low: float
    mid: float
    high: float


# --- what earlier batches teach -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Record:
    """What a finished batch of a crop did.

    lot: names the seed lot among the crop's; empty where nobody said, and then it is like no other.
    log_ratio: natural logarithm of the progress at which
    half of it was up. sd: standard deviation of that, for how it was seen.
    """

    lot: str
    log_ratio: float
    sd: float


@dataclass(frozen=True, slots=True)
class Belief:
    """The lateness to expect of a seed lot's next batch: the prior, and what records made of it.

    crop, lot: mean and standard deviation of the logarithm, of the crop as this grower raises it
    and of this lot. batches: recorded of the crop; of_lot: of this lot, None where it is not
    known. mean, sd: of the
    logarithm of the next batch's.
    """

    crop: tuple[float, float]
    lot: tuple[float, float]
    batches: int
    of_lot: int | None

    @property
    def mean(self) -> float:
        return self.lot[0]

    @property
    def sd(self) -> float:
        return hypot(self.lot[1], BATCH_SD)

    @property
    def lateness(self) -> Range:
        """Of the next batch, in multiples of the table's days."""
        return _log_range(self.mean, self.sd)

    def told(self) -> str:
        """The update in words: what is expected now, by how many records, and what was before any."""
        before = _log_range(log(LATE), hypot(CROP_SD, LOT_SD, BATCH_SD))
        if not self.batches:
            return f"nothing yet: without a record it is {_times(before)}"
        many = "one batch" if self.batches == 1 else f"{self.batches} batches"
        own = "its seed lot not named"
        if self.of_lot is not None:
            own = f"{self.of_lot or 'none'} of this seed lot"
        return (
            f"{_times(self.lateness)}; a Bayesian update by {many} of this crop, {own}; before it "
            f"{before.mid:.2f} ({before.low:.2f} to {before.high:.2f})"
        )


def believe(records: Sequence[Record], lot: str) -> Belief:
    """What to expect of `lot`'s next batch after the records of its crop's batches, in any order.

    lot: empty where it is not known; then none of the records is taken to be of it.

    The normal update of two levels, in closed form (A. Gelman and others, Bayesian Data Analysis,
    3rd edition, 2013, section 5.4). Without records it is the prior.
    """
    by_lot: dict[str | int, tuple[float, float]] = {}  # precision, and precision times mean
    for n, record in enumerate(records):
        precision = 1 / (BATCH_SD**2 + record.sd**2)
        weight, total = by_lot.get(record.lot or n, (0.0, 0.0))
        by_lot[record.lot or n] = weight + precision, total + precision * record.log_ratio
    own = by_lot.pop(lot, None) if lot else None
    weight, total = 1 / CROP_SD**2, log(LATE) / CROP_SD**2
    for lot_weight, lot_total in by_lot.values():
        precision = 1 / (LOT_SD**2 + 1 / lot_weight)
        weight += precision
        total += precision * lot_total / lot_weight
    # The crop without this lot, then the lot from it, then the crop with it.
    lot_prior = 1 / (LOT_SD**2 + 1 / weight)
    lot_weight, lot_total = lot_prior, lot_prior * total / weight
    if own is not None:
        lot_weight += own[0]
        lot_total += own[1]
        precision = 1 / (LOT_SD**2 + 1 / own[0])
        weight += precision
        total += precision * own[1] / own[0]
    return Belief(
        crop=(total / weight, weight**-0.5),
        lot=(lot_total / lot_weight, lot_weight**-0.5),
        batches=len(records),
        of_lot=sum(record.lot == lot for record in records) if lot else None,
    )


# --- what this batch still needs ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Look:
    """What somebody saw: `up` seedlings at the progress the batch then had, of `of` seeds or cells.

    up: 0 is worth recording; "some" is 1. of: None where nobody said.
    """

    progress: float
    up: int
    of: int | None = None


@dataclass(frozen=True, slots=True)
class Requirement:
    """The progress at which a batch's first is up, half of those that come are, and all but a few.

    first: None once seedlings have been seen. log_half: mean and standard deviation of the
    logarithm of `half`. early_edge: where the first is up with a chance of one in ten: the lamp
    should be on. late_edge: by when half should be up, but for one batch in twenty: something is
    wrong. germination: the share of the seed expected to come up. lost: the chance that none of it
    will; all else is for the case that some does.
    """

    first: Range | None
    half: Range
    final: Range
    log_half: tuple[float, float]
    early_edge: float
    late_edge: float
    germination: float
    lost: float


def requirement(
    belief: Belief,
    doubt: float,
    looks: Sequence[Look] = (),
    sown: int | None = None,
    germination: float | None = None,
) -> Requirement:
    """What a batch needs, after the looks so far.

    doubt: `EmergenceModel.doubt` at its soil temperature. sown: seeds or cells. germination: the
    packet's or one's own test's share, 0 to 1.
    """
    return _requirement(
        belief.mean, hypot(belief.sd, doubt), _seen(looks, sown), sown or USUAL_CELLS, germination
    )


def record_of(looks: Sequence[Look], lot: str, sown: int | None = None) -> Record | None:
    """What a batch's looks teach, by themselves: for `believe` once it is past emergence.

    None where nobody saw a seedling.
    """
    if not any(look.up for look in looks):
        return None
    # So wide a prior that the looks alone speak.
    needed = _requirement(log(LATE), 1.0, _seen(looks, sown), sown or USUAL_CELLS, None)
    mean, sd = needed.log_half
    return Record(lot, mean, hypot(sd, COUNTED_SD))


def record_of_date(progress: float, lot: str) -> Record:
    """What a bare "it is up" teaches, taken as half of it; raises ValueError for a progress of 0."""
    if not progress > 0:
        raise ValueError(f"up at a progress of {progress:g}; allowed: over 0")
    return Record(lot, log(progress), DATED_SD)


@dataclass(frozen=True, slots=True)
class _Seen:
    """Looks in order: logarithm of progress (None at 0) and the share then up, never falling."""

    shares: tuple[tuple[float | None, float], ...]
    weight: float
    none_up_to: float

    @property
    def any_up(self) -> bool:
        return bool(self.shares) and self.shares[-1][1] > 0


def _times(lateness: Range) -> str:
    return (
        f"{lateness.mid:.2f} times the table's days ({lateness.low:.2f} to {lateness.high:.2f}, "
        "eight in ten)"
    )


def _seen(looks: Sequence[Look], sown: int | None) -> _Seen:
    shares: list[tuple[float | None, float]] = []
    most, seeds, none_up_to = 0.0, 0, 0.0
    for look in sorted(looks, key=lambda look: (look.progress, look.up)):
        of = max(look.of or sown or USUAL_CELLS, look.up)
        seeds = max(seeds, of)
        most = max(most, look.up / of)
        shares.append((log(look.progress) if look.progress > 0 else None, most))
        if not most:
            none_up_to = look.progress
    return _Seen(tuple(shares), min(seeds, INDEPENDENT_SEEDS), none_up_to)


def _requirement(
    mean: float, sd: float, seen: _Seen, cells: int, germination: float | None
) -> Requirement:
    expected = GERMINATION if germination is None else germination
    prior = _normalised([-0.5 * ((share - expected) / GERMINATION_SD) ** 2 for share in _SHARES])
    reach = ceil(_REACH_SD * sd / _STEP)
    grid = [mean + _STEP * step for step in range(-reach, reach + 1)]
    # Away from what was seen one place is as likely as the next, and is worked out once.
    known: dict[tuple[float, float], tuple[float, float]] = {}
    likelihoods = []
    for x in grid:
        at = _up_between(x, seen)
        if at not in known:
            known[at] = _likelihood(*at, seen, prior)
        likelihoods.append(known[at])
    before = _normalised([-0.5 * ((x - mean) / sd) ** 2 for x in grid])
    seen_at_all = _mean(before, [exp(likelihood) for likelihood, _ in likelihoods])
    weights = _normalised(
        [log(w) + likelihood for w, (likelihood, _) in zip(before, likelihoods, strict=True)]
    )
    middle = _mean(weights, grid)
    spread = sqrt(_mean(weights, [(x - middle) ** 2 for x in grid]))
    come = _mean(weights, [share for _, share in likelihoods])
    tail = (1 - COVERAGE) / 2
    low, mid, high, late = (_quantile(grid, weights, q) for q in (tail, 0.5, 1 - tail, 0.95))
    floor = seen.none_up_to
    first = Range(*(max(floor, x) for x in _ends(_first(middle, spread, cells * come))))
    return Requirement(
        first=None if seen.any_up else first,
        half=Range(exp(low), exp(mid), exp(high)),
        final=Range(*(exp(x + SEED_SD * _FINAL_Z) for x in (low, mid, high))),
        log_half=(middle, spread),
        early_edge=first.low,
        late_edge=exp(late),
        germination=come,
        lost=0.0 if seen.any_up else LOST / (LOST + (1 - LOST) * seen_at_all),
    )


def _up_between(x: float, seen: _Seen) -> tuple[float, float]:
    """For a batch half up at exp(x): what a seed's coming up between the looks has for a logarithm of
    likelihood, all together; and the part of those that come which is up at the last look."""
    up = share = between = 0.0
    for log_progress, share_then in seen.shares:
        up_then = _up(log_progress, x)
        if share_then > share:
            between += (share_then - share) * log(max(up_then - up, _LEAST))
        up, share = up_then, share_then
    return between, up


def _likelihood(
    between: float, up: float, seen: _Seen, prior: Sequence[float]
) -> tuple[float, float]:
    """The logarithm of the likelihood of what was seen, and the share of the seed that then comes up.
    Each seed shows between two looks, after the last, or never. between, up: see `_up_between`."""
    share = seen.shares[-1][1] if seen.shares else 0.0
    never = 1 - share
    logs = [
        seen.weight * (between + share * log_come + never * log(max(1 - come * up, _LEAST)))
        for come, log_come in zip(_SHARES, _LOG_SHARES, strict=True)
    ]
    best = max(logs)
    weights = [p * exp(one - best) for p, one in zip(prior, logs, strict=True)]
    total = sum(weights)
    return best + log(total), _mean(weights, _SHARES) / total


def _up(log_progress: float | None, x: float) -> float:
    """Part of those that come which is up, in a batch half up at exp(x)."""
    if log_progress is None:
        return 0.0
    return 0.5 * (1 + erf((log_progress - x) / (SEED_SD * sqrt(2))))


def _first(log_half: float, sd: float, seedlings: float) -> Range:
    """The progress at which the first of so many is up: the least of a normal sample, itself taken
    as normal."""
    count = max(1.0, seedlings)
    low, mid, high = (
        _NORMAL.inv_cdf(1 - (1 - q) ** (1 / count))
        for q in ((1 - COVERAGE) / 2, 0.5, (1 + COVERAGE) / 2)
    )
    return _log_range(
        log_half + SEED_SD * mid, hypot(sd, SEED_SD * (high - low) / (2 * _HALF_WIDTH))
    )


def _normalised(logs: Sequence[float]) -> list[float]:
    top = max(logs)
    weights = [exp(one - top) for one in logs]
    total = sum(weights)
    return [one / total for one in weights]


def _mean(weights: Sequence[float], values: Sequence[float]) -> float:
    return sum(w * value for w, value in zip(weights, values, strict=True))


def _quantile(grid: Sequence[float], weights: Sequence[float], part: float) -> float:
    """Where that part of the weight is passed; each weight lies evenly about its place."""
    passed = 0.0
    for x, weight in zip(grid, weights, strict=True):
        if passed + weight >= part:
            return x + _STEP * ((part - passed) / weight - 0.5)
        passed += weight
    return grid[-1]


def _log_range(mean: float, sd: float) -> Range:
    return Range(*(exp(mean + sd * z) for z in (-_HALF_WIDTH, 0.0, _HALF_WIDTH)))


def _ends(one: Range) -> tuple[float, float, float]:
    return one.low, one.mid, one.high


# --- dates ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a batch will be up, at the soil temperature given for the time to come.

    percent: of the way to half up, up to 100. table_percent: of the table's days. first, half,
    final: days from now, 0 where that is due; None where the soil is too cold or hot to come up at
    all, and for `first` once seedlings have been seen. lateness: the batch's, in multiples of the
    table's days. The ranges hold the seed's ways, not what the soil may yet do.
    """

    percent: float
    table_percent: float
    first: Range | None
    half: Range | None
    final: Range | None
    lateness: Range


def forecast(
    model: EmergenceModel, needed: Requirement, progress: float, soil_ahead_c: Sequence[float]
) -> Forecast:
    """The forecast of a batch that has come so far.

    soil_ahead_c: soil temperatures [°C] of equal parts of the days to come: one if they are steady,
        `(21, 21, 15)` for eight cooler hours a night. Give another setpoint's for what that would make.
    """
    rate = fmean(model.rate(soil) for soil in soil_ahead_c)

    def ahead(at: Range | None) -> Range | None:
        if at is None or rate * LONGEST_DAYS < 1:
            return None
        return Range(*(max(0.0, x - progress) / rate for x in _ends(at)))

    return Forecast(
        percent=min(100.0, 100 * progress / needed.half.mid),
        table_percent=100 * progress,
        first=ahead(needed.first),
        half=ahead(needed.half),
        final=ahead(needed.final),
        lateness=needed.half,
    )
