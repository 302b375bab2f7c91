"""What the records say may be going wrong with a batch: risks, each with the figures it rests on.

No opinion without a measurement: where one is missing the finding says so. Each threshold has its
source, or is marked as common practice, from memory, or our judgement. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from daemon.care import DAY, HOUR, USUAL, Husbandry, Records, Tally, What, worded_span
from daemon.state import Batch
from profiles.emergence import late_fraction
from profiles.model import Crop, Figure, Limit, Stage
from profiles.units import Units, format_difference, format_length, format_temperature

Kind = Literal[
    "legginess",
    "damping-off",
    "stalled-germination",
    "bolting",
    "day-length",
    "seed-heat",
    "cold-wet",
]
Level = Literal["fine", "watch", "risk", "not-measured"]
#: A figure: what it is, its value, its unit.
Shown = tuple[str, float, str]

#: Light under the target's low end is watched; under this part of it, it is a risk (8 of 10
#: mol m-2 d-1: plugs below 8 are inferior, quality falls below 10).
SHORT_OF_LIGHT = Figure(value=0.8, source="runkle-2007")
#: A day in the dark spoils an emerged seedling [h] (common practice, no source).
DARK_RISK_H = Figure(value=24, source="common-practice")
#: Dark for so much longer [h] than the photoperiod leaves is watched (our judgement).
DARK_SLACK_H = 2.0
#: Taller is overgrown [mm] (common practice, no source: a good transplant is 6 to 8 inches tall).
TALL_MM = Figure(value=203, source="common-practice")
#: Wet without a break for so long [h] is watched, and for so long a risk (from memory).
WET_WATCH_H, WET_RISK_H = (
    Figure(value=48, source="from-memory"),
    Figure(value=96, source="from-memory"),
)
#: Soil out of its bounds for so much of the time is not by chance (our judgement).
OFTEN = 0.1
#: Hours over the ceiling after which seed is likely to be harmed, and not only delayed (from memory).
HOT_RISK_H = Figure(value=24, source="from-memory")
#: Half of a limit of chill is watched, and of a spell that harms seed (our judgement).
CHILL_WATCH = SPELL_WATCH = 0.5
#: So many long days are a risk, one is watched (from memory: bulbing begins after a week or two).
LONG_DAYS_RISK = Figure(value=7, source="from-memory")
#: Half of the seed not up when all should be is a poor stand (common practice, no source).
POOR_STAND = 0.5


@dataclass(frozen=True, slots=True)
class Finding:
    """One risk, and what it rests on.

    level: "not-measured" where nothing can be said. figures: (name, value, unit), °C whatever the
    grower reads, and K for a difference of temperature. checks: what to look at, in order. sources: keys
    of the bibliography.
    """

    kind: Kind
    level: Level
    sentence: str
    figures: tuple[Shown, ...] = ()
    checks: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


def findings(
    batch: Batch,
    crop: Crop,
    records: Records,
    tally: Tally,
    now: float,
    *,
    progress: float | None = None,
    late_edge: float | None = None,
    husbandry: Husbandry = USUAL,
    units: Units = "C",
) -> tuple[Finding, ...]:
    """What applies to the batch in its stage, the worst first.

    tally: since the stage began, see `Tally.anew`. progress: of emergence, the integral of the rate
    since sowing; None where not counted. late_edge: the progress by which half should be up; by the
    table alone if None.
    """
    case = _Case(batch, crop, records, tally, now, progress, late_edge, husbandry, units)
    order = ("risk", "watch", "not-measured", "fine")
    return tuple(sorted(case.all(), key=lambda found: order.index(found.level)))


class _Case:
    def __init__(
        self,
        batch: Batch,
        crop: Crop,
        records: Records,
        tally: Tally,
        now: float,
        progress: float | None,
        late_edge: float | None,
        husbandry: Husbandry,
        units: Units,
    ) -> None:
        self.batch, self.crop, self.records, self.tally, self.now = batch, crop, records, tally, now
        self.progress, self.husbandry, self.units = progress, husbandry, units
        self.late_edge = late_edge
        self.targets = crop.stages[batch.stage]

    def all(self) -> Iterator[Finding]:
        stage = self.batch.stage
        if stage is Stage.GERMINATION:
            yield self.stalled()
            yield self.seed_heat()
            if self.husbandry.cold_rot is not None:
                yield self.cold_wet(self.husbandry.cold_rot)
        elif stage is not Stage.HARDENING:
            yield self.legginess()
        if stage in (Stage.GERMINATION, Stage.SEEDLING):
            yield self.damping_off()
        if stage is not Stage.GERMINATION:
            if self.husbandry.chill is not None:
                yield self.bolting()
            if self.husbandry.long_day is not None and stage is not Stage.HARDENING:
                yield self.day_length()

    def deg(self, temperature_c: float) -> str:
        return format_temperature(temperature_c, self.units)

    # --- after emergence -------------------------------------------------------------------------

    def legginess(self) -> Finding:
        """Light against its target, day over night, a time in the dark, and height."""
        tally, targets = self.tally, self.targets
        figures: list[Shown] = []
        signs: list[tuple[Level, str, str]] = []  # how bad, in words, by whom
        unknown: list[str] = []
        sources: list[str] = []

        hours, photoperiod = tally.hours_a_day, targets.photoperiod_h
        if tally.dli is not None and targets.dli is not None:
            got, low = tally.dli, targets.dli.low
            figures += [("DLI received", got, "mol m-2 d-1"), ("DLI wanted", low, "mol m-2 d-1")]
            sources.append(targets.dli.source)
            if got < low:
                level: Level = "risk" if got < SHORT_OF_LIGHT.value * low else "watch"
                signs.append(
                    (
                        level,
                        f"light of {got:.1f} mol m-2 d-1 where {low:g} is the least wanted",
                        SHORT_OF_LIGHT.source,
                    )
                )
        else:
            unknown.append("the light at the leaves")
        if hours is None:
            unknown.append("hours of light (under a day counted)")
        elif photoperiod is not None:
            low = photoperiod.low
            figures += [("light received", hours, "h/d"), ("light wanted", low, "h/d")]
            sources.append(photoperiod.source)
            if hours < low - 0.5:
                level = "risk" if hours < SHORT_OF_LIGHT.value * low else "watch"
                signs.append(
                    (level, f"{hours:.1f} h of light a day where {low:g} is the least", "")
                )
        if photoperiod is not None and tally.light_s:
            dark = tally.dark_most_s / HOUR
            figures.append(("longest dark", dark, "h"))
            if dark >= DARK_RISK_H.value:
                signs.append(("risk", f"{dark:.0f} h on end in the dark", DARK_RISK_H.source))
            elif dark > 24 - photoperiod.low + DARK_SLACK_H:
                # What is too dark follows from the hours that the crop wants, and so from their source.
                signs.append(("watch", f"{dark:.0f} h on end in the dark", photoperiod.source))

        most = self._stocky_dif()
        if tally.dif_c is None or tally.air_day_c is None or tally.air_night_c is None:
            unknown.append("air by day and night")
        elif most is not None:
            limit, source = most
            figures += [
                ("air by day", tally.air_day_c, "°C"),
                ("air by night", tally.air_night_c, "°C"),
                ("day over night", tally.dif_c, "K"),
                ("day over night, at most", limit, "K"),
            ]
            sources.append(source)
            if tally.dif_c > limit:
                signs.append(
                    (
                        "watch",
                        f"days {format_difference(tally.dif_c, self.units)} over the nights, where "
                        f"{format_difference(limit, self.units)} is the most for stocky plants",
                        "",
                    )
                )
        night = targets.air_night
        if (
            tally.air_night_c is not None
            and night is not None
            and tally.air_night_c > night.high + 1
        ):
            signs.append(
                (
                    "watch",
                    f"nights of {self.deg(tally.air_night_c)}, wanted {self.deg(night.high)} at most",
                    night.source,
                )
            )
        tall = self.records.last(What.HEIGHT)
        if tall is not None and tall.value is not None:
            figures.append(("height", tall.value, "mm"))
            if tall.value > TALL_MM.value:
                signs.append(
                    (
                        "watch",
                        f"{format_length(tall.value, self.units)} tall already",
                        TALL_MM.source,
                    )
                )

        told = "; ".join(words for _, words, _ in signs)
        not_told = f"not measured: {', '.join(unknown)}" if unknown else ""
        if not signs and (hours is None or photoperiod is None) and tally.dli is None:
            return Finding(
                "legginess", "not-measured", f"nothing can be said of legginess; {not_told}",
                tuple(figures),
            )  # fmt: skip
        level = "fine"
        if signs:
            level = "risk" if any(level == "risk" for level, _, _ in signs) else "watch"
        sentence = f"likely to grow leggy: {told}" if signs else "no sign of legginess"
        return Finding(
            kind="legginess",
            level=level,
            sentence=f"{sentence} ({not_told})" if not_told else sentence,
            figures=tuple(figures),
            checks=_LEGGY_CHECKS if signs else (),
            sources=_unique(*sources, *(source for _, _, source in signs)),
        )

    def _stocky_dif(self) -> tuple[float, str] | None:
        """The most that the day may be over the night [°C], and by whom."""
        if self.husbandry.stocky_dif_c is not None:
            return self.husbandry.stocky_dif_c.value, self.husbandry.stocky_dif_c.source
        day, night = self.targets.air_day, self.targets.air_night
        if day is None or night is None:
            return None
        return day.high - night.low, day.source

    def damping_off(self) -> Finding:
        """Wet for long, and worse in soil that is too cold or too hot."""
        tally = self.tally
        figures: list[Shown] = []
        signs: list[str] = []
        sources = ["common-practice"]
        share = self._out_of_bounds(figures)
        soil_off = ""
        if share is not None:
            cold, hot = share
            if cold >= OFTEN or hot >= OFTEN:
                which = "cold" if cold >= hot else "hot"
                soil_off = f"soil too {which} for {max(cold, hot):.0%} of the time"
        if not tally.wet_known_s:
            level: Level = "watch" if soil_off else "not-measured"
            lead = f"{soil_off}; " if soil_off else ""
            return Finding(
                kind="damping-off",
                level=level,
                sentence=f"{lead}wetness is not known, as nobody recorded it: nothing is claimed about "
                "it, and damping-off needs it",
                figures=tuple(figures),
                checks=(f"hotbed log {self.batch.code} moist N (1 dry to 5 soaked)", *_WET_CHECKS),
                sources=_unique(*sources) if soil_off else (),
            )
        wet = tally.wet_most_s / HOUR
        figures += [
            ("longest wet", wet, "h"),
            ("wetness known", tally.wet_known_s / HOUR, "h"),
            ("cold and wet at once", tally.cold_wet_most_s / HOUR, "h"),
        ]
        level = "fine"
        if wet >= WET_WATCH_H.value:
            level = "risk" if wet >= WET_RISK_H.value or soil_off else "watch"
            signs.append(f"wet for {wet:.0f} h on end")
            sources.append(WET_WATCH_H.source)
        if soil_off:
            level = "watch" if level == "fine" else level
            signs.append(soil_off)
        if share is None:
            signs.append("the soil's temperature is not measured")
        if level == "fine":
            told = f"; {signs[0]}" if signs else ""
            sentence = f"no long wet spell, {wet:.0f} h at most{told}"
            return Finding("damping-off", "fine", sentence, tuple(figures), (), _unique(*sources))
        return Finding(
            kind="damping-off",
            level=level,
            sentence=f"damping-off may come: {'; '.join(signs)}",
            figures=tuple(figures),
            checks=_WET_CHECKS,
            sources=_unique(*sources),
        )

    def _out_of_bounds(self, figures: list[Shown]) -> tuple[float, float] | None:
        """Parts of the time in which the soil was too cold, and too hot; None where not measured."""
        tally = self.tally
        mean, low, high = tally.soil_c, tally.soil_low, tally.soil_high
        if mean is None or low is None or high is None:
            return None
        figures += [
            ("soil, mean", mean, "°C"),
            ("soil, lowest", low, "°C"),
            ("soil, highest", high, "°C"),
            ("soil too cold", tally.cold_s / HOUR, "h"),
            ("soil too hot", tally.hot_s / HOUR, "h"),
        ]
        return tally.cold_s / tally.soil_s, tally.hot_s / tally.soil_s

    def bolting(self) -> Finding:
        """Hours of air under the crop's chill limit, against those that make it bolt or button."""
        chill = self.husbandry.chill
        assert chill is not None
        tally = self.tally
        air_s = tally.air_s
        if not air_s:
            return Finding(
                "bolting", "not-measured",
                f"air is not measured: how much chill it had is not known; {chill.hours:g} h under "
                f"{self.deg(chill.below_c)} and it {chill.consequence}",
            )  # fmt: skip
        had = tally.chill_s / HOUR
        level: Level = "fine"
        if had >= chill.hours:
            level = "risk"
        elif had >= CHILL_WATCH * chill.hours:
            level = "watch"
        seen = air_s / max(air_s, self.now - self.batch.sown_at)
        gap = f"; the air was measured for {seen:.0%} of the time" if seen < 0.9 else ""
        return Finding(
            kind="bolting",
            level=level,
            sentence=f"{had:.0f} h of air under {self.deg(chill.below_c)}; at {chill.hours:g} h it "
            f"{chill.consequence}{gap}",
            figures=(
                ("chill", had, "h"),
                ("chill limit", chill.hours, "h"),
                ("chill is under", chill.below_c, "°C"),
                ("air measured", air_s / HOUR, "h"),
            ),
            checks=_CHILL_CHECKS if level != "fine" else (),
            sources=(chill.source,),
        )

    def day_length(self) -> Finding:
        """Days longer than the crop may have before it bulbs, counted by the lamp."""
        limit = self.husbandry.long_day
        assert limit is not None
        tally = self.tally
        if not tally.light_s and not tally.long_days:
            return Finding("day-length", "not-measured", "no lamp's light is counted")
        many, hours = tally.long_days, tally.hours_a_day
        figures: list[Shown] = [
            ("days too long", many, "d"),
            ("day length limit", limit.hours, "h/d"),
        ]
        if hours is not None:
            figures.append(("light received", hours, "h/d"))
        level: Level = "risk" if many >= LONG_DAYS_RISK.value else "watch" if many else "fine"
        days = f"{many} day{'' if many == 1 else 's'}"
        return Finding(
            kind="day-length",
            level=level,
            sentence=f"{days} of lamp light longer than {limit.hours:g} h, at which it "
            f"{limit.consequence}; daylight from a window is not counted",
            figures=tuple(figures),
            checks=_LONG_DAY_CHECKS if many else (),
            sources=_unique(limit.source, LONG_DAYS_RISK.source),
        )

    # --- before emergence ------------------------------------------------------------------------

    def stalled(self) -> Finding:
        """Whether it should be up by now, and if not so, what to check, in order."""
        crop, batch, tally = self.crop, self.batch, self.tally
        days = (self.now - batch.sown_at) / DAY
        if self.progress is None or days <= 0:
            return Finding(
                "stalled-germination", "not-measured",
                "the soil was not measured: when it should be up is not known",
                (("days since sowing", max(0.0, days), "d"),),
            )  # fmt: skip
        stand = self.records.stand()
        figures: list[Shown] = [
            ("days since sowing", days, "d"),
            ("part of the way", self.progress, ""),
        ]
        if tally.soil_c is not None:
            figures.append(("soil, mean", tally.soil_c, "°C"))
        sources = _unique(crop.emergence_source, "common-practice")
        edge = self.late_edge
        if edge is None and self.progress > 0:
            edge = late_fraction(days / self.progress)
        late = edge is not None and self.progress >= edge
        slow = self._at_best()
        if slow is not None:
            figures.append(("days to emergence at best", slow, "d"))
        up = stand.up if stand.up is not None else None
        counts = [count for count in batch.counts if count.up]
        if up is None and counts:
            up = counts[-1].up
        of = stand.of or (counts[-1].of if counts else None)
        if up:
            figures.append(("up", float(up), ""))
            if of:
                figures.append(("sown", float(of), ""))
            if not late or of is None or up >= POOR_STAND * of:
                share = f"{up}" + (f" of {of}" if of else "")
                return Finding(
                    "stalled-germination", "fine", f"{share} are up", tuple(figures), (), sources
                )
            return Finding(
                "stalled-germination", "watch",
                f"only {up} of {of} are up, and all that come should be by now",
                tuple(figures), self._seed_checks(), sources,
            )  # fmt: skip
        if late:
            return Finding(
                "stalled-germination", "risk",
                f"nothing is recorded as up after {days:.0f} days: by the soil's warmth that is past "
                "the range",
                tuple(figures), self._seed_checks(), sources,
            )  # fmt: skip
        if slow is not None and days > slow * late_fraction(slow) and tally.soil_c is not None:
            return Finding(
                "stalled-germination", "watch",
                f"{self.progress:.0%} of the way after {days:.0f} days: the soil, "
                f"{self.deg(tally.soil_c)} on average, is what holds it up; at its best it takes "
                f"{slow:.0f} days",
                tuple(figures), self._seed_checks(), sources,
            )  # fmt: skip
        return Finding(
            "stalled-germination", "fine",
            f"after {days:.0f} days it is due, and not yet late"
            if self.progress >= 1
            else f"{self.progress:.0%} of the way after {days:.0f} days: within its time",
            tuple(figures), (), sources,
        )  # fmt: skip

    def _at_best(self) -> float | None:
        """Days to emergence in the soil that it likes best."""
        best = self.crop.stages[Stage.GERMINATION].soil_best
        return None if best is None else self.crop.emergence.days((best.low + best.high) / 2)

    def _seed_checks(self) -> tuple[str, ...]:
        """What to check, likeliest and least disturbing first."""
        crop, tally, batch = self.crop, self.tally, self.batch
        best = crop.stages[Stage.GERMINATION].soil_best
        checks = ["that somebody looked: hotbed log " + batch.code + " emerged N"]
        if best is not None:
            had = f"it had {self.deg(tally.soil_c)}" if tally.soil_c is not None else "not measured"
            checks.append(
                f"the soil: {self.deg(best.low)} to {self.deg(best.high)} is best, {had}; and that the "
                "probe is in the mix at seed depth"
            )
        checks.append("the moisture: a dry crust, or soaked and sour")
        depth = crop.depth_mm
        if crop.light_to_germinate.value:
            checks.append(
                "the light: this seed needs it, so bare or hardly covered, and a lit lamp"
            )
        if self.units == "C":
            low, high = f"{depth.low:g}", f"{depth.high:g} mm"
        else:
            low, high = (format_length(each, "F") for each in (depth.low, depth.high))
        checks += [
            f"dig up two or three seeds: {low} to {high} deep? Firm: wait. Sprouted: "
            "soon. Soft or mouldy: it rotted, sow again warmer and drier",
            "the seed: "
            + (f"of {batch.year}; " if batch.year else "its year is not recorded; ")
            + "ten of them on damp paper, in the warm, tell in its days to emergence",
        ]
        return tuple(checks)

    def seed_heat(self) -> Finding:
        """Hours of soil so hot that seed is cooked, or goes dormant.

        Above the ceiling the clock does not only pause: then no later date of a forecast is to be
        trusted.
        """
        tally, ceiling, dormancy = self.tally, self.targets.soil_ceiling_c, self.husbandry.dormancy
        if tally.soil_high is None:
            return Finding("seed-heat", "not-measured", "the soil is not measured")
        hot = tally.hot_s / HOUR
        figures: list[Shown] = [
            ("over the ceiling", hot, "h"),
            ("ceiling", ceiling.value, "°C"),
            ("soil, highest", tally.soil_high, "°C"),
        ]
        sources = [ceiling.source]
        level: Level = "watch" if hot else "fine"
        told = []
        if hot:
            told.append(f"{worded_span(tally.hot_s)} over its ceiling of {self.deg(ceiling.value)}")
        if dormancy is not None:
            spell = tally.dormant_most_s / HOUR
            figures += [
                ("longest spell for dormancy", spell, "h"),
                ("does harm", dormancy.hours, "h"),
            ]
            sources.append(dormancy.source)
            if spell >= SPELL_WATCH * dormancy.hours:
                level = "risk" if spell >= dormancy.hours else "watch"
                told.append(
                    f"{spell:.0f} h on end over {self.deg(dormancy.bound)}; at {dormancy.hours:g} h: "
                    f"{dormancy.consequence.rstrip('.')}"
                )
        if hot >= HOT_RISK_H.value:
            level = "risk"
            sources.append(HOT_RISK_H.source)
            told.append("seed that is cooked does not come up")
        if not told:
            told.append(f"never over its ceiling of {self.deg(ceiling.value)}")
        else:
            told.append(f"up to {self.deg(tally.soil_high)}")
        return Finding(
            kind="seed-heat",
            level=level,
            sentence="; ".join(told),
            figures=tuple(figures),
            checks=_HEAT_CHECKS if level != "fine" else (),
            sources=_unique(*sources),
        )

    def cold_wet(self, limit: Limit) -> Finding:
        """A cold spell in wet mix, in which the seed of a warm crop rots."""
        tally = self.tally
        if not tally.wet_known_s or not tally.soil_s:
            missing = "the soil" if not tally.soil_s else "the wetness"
            return Finding(
                "cold-wet",
                "not-measured",
                f"{missing} is not known, so a cold wet spell is not either",
            )
        spell = tally.cold_wet_most_s / HOUR
        level: Level = "fine"
        if spell >= limit.hours:
            level = "risk"
        elif spell >= SPELL_WATCH * limit.hours:
            level = "watch"
        return Finding(
            kind="cold-wet",
            level=level,
            sentence=f"{spell:.0f} h on end wet and under {self.deg(limit.bound)}; at {limit.hours:g} h: "
            f"{limit.consequence.rstrip('.')}",
            figures=(
                ("cold and wet at once", spell, "h"),
                ("does harm", limit.hours, "h"),
                ("cold is under", limit.bound, "°C"),
            ),
            checks=_WET_CHECKS if level != "fine" else (),
            sources=_unique(limit.source),
        )


def _unique(*sources: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(source for source in sources if source))


# All common practice, no source.
_LEGGY_CHECKS = (
    "the lamp: 5 to 10 cm (2 to 4 in) over the leaves, or as its maker says, and clean",
    "its hours, and that it is lit in them",
    "nights cooler than days, but not by too much; a light brush by hand or a fan helps",
    "crowding: thin, or give more room",
)
_WET_CHECKS = (
    "a stem that narrows and rots at the soil line, or a web of mould: take those cells out at once",
    "let the surface dry between waterings; water from below, and tip out what stands after half an hour",
    "air: cover off, a fan on low",
    "the soil's temperature against its targets",
)
_CHILL_CHECKS = (
    "keep it warmer by night from now on: indoors, or fleece over a shut frame",
    "plant out later, or count on some that bolt",
)
_LONG_DAY_CHECKS = (
    "the lamp's hours on this bench, and who shares it",
    "that no lamp was kept on, and no room light reaches it by night",
)
_HEAT_CHECKS = (
    "the cover under a lit lamp, or in the sun",
    "the mat's setting, and that the probe is in the mix",
    "dig up two or three seeds: firm may only sleep, so cool it for some days; soft is lost",
)
