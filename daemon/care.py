"""What people did and saw at a batch, and what the batch has had: records, and a tally of the ticks.

Records are only ever added: a correction strikes the old record, which stays to be seen, and a
struck record counts for nothing. The tally is counted tick by tick from what was measured, and says
"not measured" (None) where nothing was. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf
from typing import NamedTuple

from profiles.bounds import check, check_whole
from profiles.model import Crop, Figure, Limit, Span, Stage
from profiles.problems import nearest
from profiles.units import Units, format_length, format_temperature

DAY = 86400.0
HOUR = 3600.0


#: The code by which records of the site, not of a batch, are kept.
SITE = "site"


class What(StrEnum):
    """What a record is about, and the unit of its value.

    moist: the score of a finger in the mix, 1 (dry) to 5 (soaked). weight: of one tray [g]. height:
    of the plants over the mix [mm]. emerged: how many are up, of how many sown. leaves: sets of true
    leaves that have opened. raised-lamp: the lamp's new height over the mix [mm]. lit: the lamp was
    seen to be lit. out, in: hardening plants put out, or a frame opened, and back. Of the site:
    checked, one of `profiles.season.CHECKS`, and what was found; low, of the night that comes,
    outdoors [°C].
    """

    WATERED = "watered"
    FED = "fed"
    MOIST = "moist"
    WEIGHT = "weight"
    HEIGHT = "height"
    EMERGED = "emerged"
    LEAVES = "leaves"
    COVER = "cover"
    THINNED = "thinned"
    PRICKED_OUT = "pricked-out"
    POTTED_ON = "potted-on"
    RAISED_LAMP = "raised-lamp"
    LIT = "lit"
    OUT = "out"
    IN = "in"
    CHECKED = "checked"
    LOW = "low"
    NOTE = "note"


#: What is done to a batch, so that doing it again by mistake is a harm or a waste.
DEEDS = frozenset(
    {What.WATERED, What.FED, What.COVER, What.THINNED, What.PRICKED_OUT, What.POTTED_ON}
    | {What.RAISED_LAMP, What.OUT, What.IN, What.CHECKED}
)
#: The range of the value that a record must have: low, high, unit.
_WHOLE: Mapping[What, tuple[int, int]] = {
    What.MOIST: (1, 5),
    What.EMERGED: (0, 100_000),
    What.LEAVES: (0, 30),
}
_MEASURED: Mapping[What, tuple[float, float, str]] = {
    What.WEIGHT: (10.0, 30_000.0, "g"),
    What.HEIGHT: (0.0, 2000.0, "mm"),
    What.RAISED_LAMP: (20.0, 3000.0, "mm"),
    What.LOW: (-60.0, 40.0, "°C"),
}
#: The moisture scores that call for water, and those that are wet.
DRY, WET = 2, 4
#: How old a moisture probe's reading may be [s]: some report by the hour.
MOISTURE_FRESH = 3 * HOUR
#: A tray is dry at, and wet from, these parts of the heaviest weight it had (from memory: a peat or
#: coir mix holds some three quarters of its drained weight as water, and wants more at half of that).
DRY_WEIGHT, WET_WEIGHT = 0.65, 0.90
#: How long a look at the moisture tells what it is [s] (common practice, no source).
MOISTURE_HOLDS = 2 * DAY
#: Counts this far apart [s] and alike are the final stand (common practice, no source).
_SETTLED = 2 * DAY


@dataclass(frozen=True, slots=True)
class Care:
    """One record: what somebody did or saw.

    n: its number within the batch, from 1. at: when it was so (POSIX s, UTC). value: in the unit of
    `What`. of: how many were sown, of a count of those up. amends: the number of the record that this one
    corrects. struck_by: who struck it; empty while it stands.
    """

    n: int
    at: float
    what: What
    by: str
    value: float | None = None
    of: int | None = None
    text: str = ""
    amends: int | None = None
    struck_by: str = ""

    @property
    def stands(self) -> bool:
        return not self.struck_by


@dataclass(frozen=True, slots=True)
class Stand:
    """What the counts say of a batch's emergence.

    first_up: the first look that found a seedling (POSIX s), not_before the last look before it that
    found none. half_up: when half of the stand was up, on a straight line between two counts; None
    until a count is past it. up, of: the newest count. final: whether it has stopped rising.
    """

    first_up: float | None = None
    not_before: float | None = None
    half_up: float | None = None
    up: int | None = None
    of: int | None = None
    final: bool = False


@dataclass(frozen=True, slots=True)
class Records:
    """All records of a batch, in the order in which they were written down."""

    entries: tuple[Care, ...] = ()

    def add(
        self,
        what: What,
        *,
        at: float,
        by: str,
        value: float | None = None,
        of: int | None = None,
        text: str = "",
    ) -> Records:
        """With one more record. Raises ValueError for a value that it can't have."""
        return self._with(Care(self._next, at, what, by, value, of, text.strip()))

    def amend(
        self,
        n: int,
        *,
        by: str,
        at: float | None = None,
        value: float | None = None,
        of: int | None = None,
        text: str | None = None,
    ) -> Records:
        """With record `n` struck and one in its place, that differs in what is given.

        Raises ValueError for a record that isn't there or is struck, or a value that it can't have.
        """
        old = self._standing(n)
        new = replace(
            old,
            n=self._next,
            by=by,
            at=old.at if at is None else at,
            value=old.value if value is None else value,
            of=old.of if of is None else of,
            text=old.text if text is None else text.strip(),
            amends=n,
        )
        return self.strike(n, by=by)._with(new)

    def strike(self, n: int, *, by: str) -> Records:
        """With record `n` struck: it stays to be seen and counts for nothing.

        Raises ValueError for a record that isn't there or is struck already.
        """
        old = self._standing(n)
        struck = replace(old, struck_by=by or "somebody")
        return Records(tuple(struck if care is old else care for care in self.entries))

    def standing(self, *whats: What) -> list[Care]:
        """The records that count, of these kinds or of all, by the time at which they were so."""
        found = [c for c in self.entries if not c.struck_by and (not whats or c.what in whats)]
        return sorted(found, key=lambda care: (care.at, care.n))

    def last(self, *whats: What, text: str | None = None) -> Care | None:
        """The newest record of these kinds (with that text), by the time at which it was so."""
        found = [care for care in self.standing(*whats) if text is None or care.text == text]
        return found[-1] if found else None

    def since(self, at: float, *whats: What) -> list[Care]:
        """The records of these kinds from `at` on."""
        return [care for care in self.standing(*whats) if care.at >= at]

    def recent_same(
        self,
        what: What,
        by: str,
        at: float,
        within: float = 12 * HOUR,
        text: str = "",
        units: Units = "C",
    ) -> str:
        """A sentence if somebody else did the same within so many seconds of `at`; else empty.

        text: goes with the deed where it says which it is: cover on or off, what was checked.
        """
        if what not in DEEDS:
            return ""
        others = [
            care
            for care in self.standing(what)
            if care.by != by
            and abs(at - care.at) <= within
            and (what not in (What.COVER, What.CHECKED) or _which(care.text) == _which(text))
        ]
        if not others:
            return ""
        near = min(others, key=lambda care: abs(at - care.at))
        ago = f"{worded_span(abs(at - near.at))} {'before' if near.at <= at else 'after'}"
        return f"{near.by} recorded {said(near, units)} {ago} (record {near.n})"

    def stand(self) -> Stand:
        """First up, half up and the final stand, from the counts."""
        counts = [
            (c.at, int(c.value), c.of) for c in self.standing(What.EMERGED) if c.value is not None
        ]
        if not counts:
            return Stand()
        at, up, of = counts[-1]
        of = of or next((o for _, _, o in reversed(counts) if o), None)
        most = max(up for _, up, _ in counts)
        final = up > 0 and any(u == up and at - a >= _SETTLED for a, u, _ in counts[:-1])
        first = next((n for n, (_, up, _) in enumerate(counts) if up), None)
        if first is None:
            return Stand(not_before=at, up=0, of=of)
        half = most / 2 if final else of / 2 if of else None
        return Stand(
            first_up=counts[first][0],
            not_before=counts[first - 1][0] if first else None,
            half_up=None if half is None else _passed(counts, half),
            up=up,
            of=of,
            final=final,
        )

    def moisture(self, at: float) -> tuple[bool, bool, float] | None:
        """Whether the mix was dry, and wet, and when that was seen, by the newest look before `at`.

        From a score, or from a tray's weight against the heaviest since it was filled. None without
        either: nothing is claimed about wetness.
        """
        potted = self.last(What.POTTED_ON, What.PRICKED_OUT)
        filled = potted.at if potted is not None and potted.at <= at else -inf
        looks = [
            care
            for care in self.standing(What.MOIST, What.WEIGHT)
            if filled <= care.at <= at and care.value is not None
        ]
        weights = [care.value for care in looks if care.what is What.WEIGHT and care.value]
        for care in reversed(looks):
            value = care.value or 0.0
            if care.what is What.MOIST:
                return value <= DRY, value >= WET, care.at
            if len(weights) > 1:  # one weight alone tells nothing
                part = value / max(weights)
                return part <= DRY_WEIGHT, part >= WET_WEIGHT, care.at
        return None

    def wet(self, at: float) -> bool | None:
        """Whether the mix is wet at `at`; None where that is not known, or was seen too long ago."""
        seen = self.moisture(at)
        if seen is None or at - seen[2] > MOISTURE_HOLDS:
            return None
        watered = [c for c in self.standing(What.WATERED) if seen[2] < c.at <= at]
        if watered and not seen[1]:
            return None  # how wet the water made it, nobody has seen
        return seen[1]

    @property
    def _next(self) -> int:
        return max((care.n for care in self.entries), default=0) + 1

    def _standing(self, n: int) -> Care:
        for care in self.entries:
            if care.n == n:
                if care.struck_by:
                    raise ValueError(f"record {n} is struck already, by {care.struck_by}")
                return care
        known = ", ".join(str(care.n) for care in self.entries if care.stands) or "none"
        raise ValueError(f"no record {n}; allowed: {known}")

    def _with(self, care: Care) -> Records:
        _check(care)
        return Records((*self.entries, care))


def moisture_score(value: float, dry: float, wet: float) -> float:
    """A moisture probe's reading as the score of a finger in the mix, 1 (dry) to 5 (soaked).

    dry, wet: what it reads where the mix calls for water and where it is wet, the scores `DRY` and
    `WET`; in between, and a little beyond, along a straight line.
    """
    return min(5.0, max(1.0, DRY + (value - dry) / (wet - dry) * (WET - DRY)))


def _check(care: Care) -> None:
    """Raises ValueError unless the record has the value and the words that its kind must have."""
    what, value = care.what, care.value
    if what in _WHOLE:
        low, high = _WHOLE[what]
        if value is None or value != value // 1:
            raise ValueError(f"{what} needs a whole number; allowed: {low} to {high}")
        check_whole(what, int(value), low, high)
        if what is What.EMERGED and care.of is not None:
            check_whole("seeds sown", care.of, 1, 100_000)
            check_whole("emerged", int(value), 0, care.of)
    elif what in _MEASURED:
        lowest, highest, unit = _MEASURED[what]
        if value is None and what is not What.RAISED_LAMP:
            raise ValueError(f"{what} needs a value; allowed: {lowest:g} to {highest:g} {unit}")
        if value is not None:
            check(what, value, lowest, highest, unit)
    elif value is not None:
        raise ValueError(f"{what} takes no value")
    if what is What.COVER and care.text not in ("on", "off"):
        raise ValueError(f"cover is {care.text!r}; allowed: on, off")
    if what is What.CHECKED:
        _known_check(care.text)
    if what is What.NOTE and not care.text:
        raise ValueError(f"{what} needs words")


def _known_check(text: str) -> None:
    # Imported only here, for the daemon has no other use for the plan of a season.
    from profiles.season import CHECKS

    kinds = [one.kind for one in CHECKS]
    if _which(text) not in kinds:
        first = text.split(" ")[0]
        raise ValueError(
            f"checked {first!r}{nearest(first, kinds)}; allowed: {', '.join(kinds)}, with any words "
            f'behind it; all else is a note: hotbed log {SITE} note "..."'
        )


def _which(text: str) -> str:
    """Which cover or check a record is of: its first word."""
    return text.partition(" ")[0].casefold()


def _passed(counts: list[tuple[float, int, int | None]], half: float) -> float | None:
    """When the counts first passed `half`, on a straight line from the one before."""
    before: tuple[float, int] | None = None
    for at, up, _ in counts:
        if up >= half:
            if before is None or up == before[1]:
                return at
            return before[0] + (at - before[0]) * (half - before[1]) / (up - before[1])
        before = at, up
    return None


def said(care: Care, units: Units = "C") -> str:
    """What a record says, in the words and units of the grower's screen."""
    match care.what:
        case What.MOIST:
            words = f"moisture {care.value:g} of 5"
        case What.WEIGHT:
            words = f"a tray of {care.value:g} g"
        case What.HEIGHT:
            words = f"{format_length(care.value or 0, units)} tall"
        case What.EMERGED:
            words = f"{care.value:g}" + (f" of {care.of}" if care.of else "") + " up"
        case What.LEAVES:
            words = f"{care.value:g} sets of true leaves"
        case What.COVER:
            return f"cover {care.text}"
        case What.NOTE:
            return care.text
        case What.LOW:
            words = f"a low of {format_temperature(care.value or 0, units)}"
        case What.LIT:
            words = "lamp seen lit"
        case What.RAISED_LAMP if care.value is not None:
            words = f"lamp {format_length(care.value, units)} over the mix"
        case _:
            words = care.what.replace("-", " ")
    return f"{words} ({care.text})" if care.text else words


def worded_span(seconds: float) -> str:
    """A length of time as a person says it: "20 minutes", "3 hours", "2 days"."""
    for size, name in ((DAY, "day"), (HOUR, "hour"), (60.0, "minute")):
        if seconds >= (2 * size if size == DAY else size):
            many = round(seconds / size)
            return f"{many} {name}{'s' if many != 1 else ''}"
    return "less than a minute"


# --- what a crop's care goes by ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Chill:
    """Cold that makes a crop bolt or button: air below `below_c` [°C] for `hours` in all."""

    below_c: float
    hours: float
    consequence: str
    source: str


@dataclass(frozen=True, slots=True)
class LongDay:
    """Days longer than `hours` that set a crop to bulbing or bolting."""

    hours: float
    consequence: str
    source: str


_FEED_DAYS = Span(low=7, high=14, source="common-practice")
_TRUE_LEAVES_DAYS = Figure(value=7, source="common-practice")
_THIN_DAYS = Span(low=7, high=14, source="common-practice", note="from emergence")
_POT_ON_DAYS = Span(
    low=14, high=21, source="common-practice", note="from emergence; the second set of leaves opens"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Husbandry:
    """What tasks and findings need to know of a crop beside its stage targets; all with a source.

    The defaults are those of most crops, common practice without a source. true_leaves_days: from
    emergence to the first true leaves. pot_on_days: None where the crop is not potted on, thin_days
    where it grows on in a clump. cold_rot: of a warm crop's seed, in a wet mix; dormancy: of seed in hot
    soil. stocky_dif_c: the most that the day may be over the night [°C]; what its day and night
    targets leave if None.
    """

    feed_days: Span = _FEED_DAYS
    feed_strength: str = "half the label rate"
    true_leaves_days: Figure = _TRUE_LEAVES_DAYS
    thin_days: Span | None = _THIN_DAYS
    pot_on_days: Span | None = _POT_ON_DAYS
    chill: Chill | None = None
    long_day: LongDay | None = None
    cold_rot: Limit | None = None
    dormancy: Limit | None = None
    stocky_dif_c: Figure | None = None


USUAL = Husbandry()


# --- what a batch has had ------------------------------------------------------------------------


class TallyLimits(NamedTuple):
    """What a tally counts against; never stored. An infinite bound counts nothing.

    soil_cold_c, soil_hot_c: soil below, above [°C]. chill_c: air below [°C]. cold_wet_c: soil below,
    while wet [°C]. long_day_h: light without a break beyond this is a long day [h]. dormant_c: soil
    above, for seed [°C].
    """

    soil_cold_c: float = -inf
    soil_hot_c: float = inf
    chill_c: float = -inf
    cold_wet_c: float = -inf
    long_day_h: float = inf
    dormant_c: float = inf


NO_LIMITS = TallyLimits()
#: A bench steered to the end of what is accepted sways about it by so much [°C], which is no fault.
_SWAYS_C = 0.5


def limits_of(crop: Crop, stage: Stage, husbandry: Husbandry) -> TallyLimits:
    """What a batch of this crop is counted against in this stage."""
    targets = crop.stages[stage]
    if targets.soil_acceptable is not None:
        cold = targets.soil_acceptable.low
    elif targets.root_zone_floor_c is not None:
        cold = targets.root_zone_floor_c.value
    else:
        cold = -inf
    leafy = stage is not Stage.GERMINATION  # seed feels neither chill nor day length here
    rot, dormancy = husbandry.cold_rot, husbandry.dormancy
    return TallyLimits(
        soil_cold_c=cold - _SWAYS_C,
        soil_hot_c=targets.soil_ceiling_c.value,
        chill_c=husbandry.chill.below_c if husbandry.chill is not None and leafy else -inf,
        cold_wet_c=cold if rot is None else rot.bound,
        long_day_h=husbandry.long_day.hours if husbandry.long_day is not None and leafy else inf,
        dormant_c=inf if dormancy is None or leafy else dormancy.bound,
    )


#: A long day is noticed so long [s] after its hours are over: a tick and a switching late are no fault.
_LONG_DAY_SLACK = 900.0


class Tally(NamedTuple):
    """What a batch has had since its counting began (a stage's beginning); see `after`.

    A tuple by name, not a dataclass: it is made anew for each batch at each tick, and so takes a
    fifth of the time.

    s: seconds counted, light_s those with a lamp over it. lit_s: under a lit lamp; lit_run_s without a
    break until now. dark_run_s: in the dark without a break until now, dark_most_s the longest.
    long_days: runs of light longer than the limit. mol: light [mol m-2], over the ppfd_s seconds of
    light whose strength is known. day_air, night_air: the sum of °C times seconds while the lamp was
    lit, or not, over day_air_s, night_air_s. soil: likewise over soil_s, from soil_low to soil_high.
    cold_s, hot_s: soil out of bounds. chill_s: air below the chill limit, of air_s measured.
    wet_known_s: seconds in which the wetness was known; wet_run_s, cold_wet_run_s: so without a break
    until now, the others the longest. dormant_run_s, dormant_most_s: likewise of soil over the limit
    of seed's dormancy.
    """

    s: float = 0.0
    light_s: float = 0.0
    lit_s: float = 0.0
    lit_run_s: float = 0.0
    dark_run_s: float = 0.0
    dark_most_s: float = 0.0
    long_days: int = 0
    mol: float = 0.0
    ppfd_s: float = 0.0
    day_air: float = 0.0
    day_air_s: float = 0.0
    night_air: float = 0.0
    night_air_s: float = 0.0
    air_s: float = 0.0
    soil: float = 0.0
    soil_s: float = 0.0
    soil_low: float | None = None
    soil_high: float | None = None
    cold_s: float = 0.0
    hot_s: float = 0.0
    chill_s: float = 0.0
    wet_known_s: float = 0.0
    wet_run_s: float = 0.0
    wet_most_s: float = 0.0
    cold_wet_run_s: float = 0.0
    cold_wet_most_s: float = 0.0
    dormant_run_s: float = 0.0
    dormant_most_s: float = 0.0

    def after(
        self,
        dt: float,
        *,
        lit: bool | None,
        soil: float | None = None,
        air: float | None = None,
        ppfd: float | None = None,
        wet: bool | None = None,
        limits: TallyLimits = NO_LIMITS,
    ) -> Tally:
        """With `dt` more seconds [s] of this.

        lit: whether the lamp was lit; None where there is no lamp, and nobody counts daylight.
        soil, air: as measured [°C], None where not measured. ppfd: at the leaves with the lamp lit
        [µmol m-2 s-1]. wet: see `Records.wet`.
        """
        # Unpacked once and in plain branches: this runs for every batch at every tick.
        (
            s, light_s, lit_s, lit_run, dark_run, dark_most, long_days, mol, ppfd_s,
            day_air, day_air_s, night_air, night_air_s, air_s, soil_sum, soil_s, low, high,
            cold_s, hot_s, chill_s, wet_known, wet_run, wet_most, cold_wet_run, cold_wet_most,
            dormant_run, dormant_most,
        ) = self  # fmt: skip
        soil_cold, soil_hot, chill, cold_wet, long_day, dormant = limits
        if lit is not None:
            light_s += dt
        if lit:
            lit_s += dt
            dark_run = 0.0
            limit = long_day * 3600.0 + _LONG_DAY_SLACK
            if lit_run <= limit < lit_run + dt:
                long_days += 1
            lit_run += dt
            if ppfd is not None:
                mol += ppfd * dt * 1e-6
                ppfd_s += dt
        elif lit is None:
            lit_run = dark_run = 0.0
        else:
            lit_run = 0.0
            dark_run += dt
            if dark_run > dark_most:
                dark_most = dark_run
        if air is not None:
            air_s += dt
            if lit:
                day_air += air * dt
                day_air_s += dt
            elif lit is not None:
                night_air += air * dt
                night_air_s += dt
            if air < chill:
                chill_s += dt
        if soil is not None:
            soil_sum += soil * dt
            soil_s += dt
            if low is None or soil < low:
                low = soil
            if high is None or soil > high:
                high = soil
            if soil < soil_cold:
                cold_s += dt
            elif soil > soil_hot:
                hot_s += dt
            if soil > dormant:
                dormant_run += dt
                if dormant_run > dormant_most:
                    dormant_most = dormant_run
            else:
                dormant_run = 0.0
        if wet is not None:
            wet_known += dt
        if wet:
            wet_run += dt
            if wet_run > wet_most:
                wet_most = wet_run
            if soil is not None and soil < cold_wet:
                cold_wet_run += dt
                if cold_wet_run > cold_wet_most:
                    cold_wet_most = cold_wet_run
            else:
                cold_wet_run = 0.0
        else:
            wet_run = cold_wet_run = 0.0
        return Tally(
            s + dt, light_s, lit_s, lit_run, dark_run, dark_most, long_days, mol, ppfd_s,
            day_air, day_air_s, night_air, night_air_s, air_s, soil_sum, soil_s, low, high,
            cold_s, hot_s, chill_s, wet_known, wet_run, wet_most, cold_wet_run, cold_wet_most,
            dormant_run, dormant_most,
        )  # fmt: skip

    def anew(self) -> Tally:
        """Where counting goes on from in the next stage: chill and long days add up over a life."""
        return Tally(air_s=self.air_s, chill_s=self.chill_s, long_days=self.long_days)

    @property
    def hours_a_day(self) -> float | None:
        """Hours of lamp light in 24, on average; None before a whole day."""
        return self.lit_s / self.light_s * 24 if self.light_s >= DAY else None

    @property
    def dli(self) -> float | None:
        """Mean DLI from the lamp [mol m-2 d-1]; None before a whole day, or unless the PPFD was known
        for nearly all of the light."""
        if self.light_s < DAY or self.ppfd_s < 0.9 * self.lit_s or not self.lit_s:
            return None
        return self.mol / self.ppfd_s * self.lit_s / (self.light_s / DAY)

    @property
    def air_day_c(self) -> float | None:
        """Mean air temperature while the lamp was lit [°C]; None under six hours of it."""
        return _mean(self.day_air, self.day_air_s)

    @property
    def air_night_c(self) -> float | None:
        """Mean air temperature in the dark [°C]; None under six hours of it."""
        return _mean(self.night_air, self.night_air_s)

    @property
    def dif_c(self) -> float | None:
        """DIF, the mean day over the mean night temperature of the air [°C]."""
        day, night = self.air_day_c, self.air_night_c
        return None if day is None or night is None else day - night

    @property
    def soil_c(self) -> float | None:
        """Mean soil temperature [°C]; None under six hours of it."""
        return _mean(self.soil, self.soil_s)


def _mean(total: float, seconds: float) -> float | None:
    return total / seconds if seconds >= 6 * HOUR else None
