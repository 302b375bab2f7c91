"""How many seeds to sow, so that enough come up: germination, what is known of it, and the binomial.

Every seed comes up or not by itself, so of n seeds a binomial number does; an average is not enough,
for half of all sowings fall short of it. Where the share comes from a test of a few seeds, the share
is itself uncertain, and a small test asks for more seeds than a large one of the same result.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, exp, fsum, lgamma, log, log1p, pi, sin
from statistics import NormalDist

from profiles.bounds import check, check_whole

_NORMAL = NormalDist()
#: The share of a good new lot that comes up, from which years of storage are counted.
_GOOD_LOT = 0.9
#: Nodes over the share that a test leaves uncertain.
_NODES = 96
#: No grower sows more than this for one plant; seed that needs it is not worth the tray.
_MOST_PER_PLANT = 50


@dataclass(frozen=True, slots=True)
class Germination:
    """The share of seeds that come up, and how well it is known.

    share: expected, 0 to 1.
    interval: what it lies between, with 95 % confidence; None where only the packet says.
    tested: (sprouted, sown) of a test of one's own, None without.
    basis: where it comes from, in words.
    """

    share: float
    interval: tuple[float, float] | None
    tested: tuple[int, int] | None
    basis: str

    def __post_init__(self) -> None:
        check("germination", self.share, 0, 1)


def germination_by_packet(
    percent: float, age_years: float = 0.0, longevity_years: float | None = None
) -> Germination:
    """Germination by the packet's `percent`, less what the seed's age has cost.

    age_years: since it was tested or packed. longevity_years: after which half of a good lot (90 %)
        still comes up, kept cool and dry; needed for seed with an age.

    In probits a lot loses the same every year (R. H. Ellis and E. H. Roberts, Improved Equations for
    the Prediction of Seed Longevity, Annals of Botany 45:13-30, 1980; cited from memory). Reading
    handbooks' years of longevity as the half-life of a good lot is common practice, no source, and
    leans to more seed; a test of one's own goes before it.

    Raises ValueError for a percentage not over 0 and up to 100, or years that are out of range.
    """
    if not 0 < percent <= 100:
        raise ValueError(f"germination is {percent:g} %; allowed: over 0, up to 100")
    check("age of the seed", age_years, 0, 50, "years")
    share = percent / 100
    if age_years == 0:
        return Germination(share, None, None, f"packet: {percent:g} %")
    if longevity_years is None:
        raise ValueError(
            f"the seed is {age_years:g} years old, and how long it keeps is not known; "
            f"give its longevity or a germination test"
        )
    check("longevity of the seed", longevity_years, 0.5, 50, "years")
    # A packet's "100 %" is rounded: no lot is without a dead seed.
    probit = _NORMAL.inv_cdf(min(share, 0.995))
    lost = _NORMAL.inv_cdf(_GOOD_LOT) * age_years / longevity_years
    return Germination(
        min(share, _NORMAL.cdf(probit - lost)),
        None,
        None,
        f"packet: {percent:g} %, less {age_years:g} years of age at a longevity of "
        f"{longevity_years:g}",
    )


def germination_by_test(sprouted: int, sown: int) -> Germination:
    """Germination by a test of one's own, with the Clopper-Pearson interval of 95 %.

    The share is the mean of what the test leaves probable, that of a beta distribution with half a
    seed added to each count (Jeffreys' prior). Raises ValueError for counts that cannot be.
    """
    check_whole("number of seeds tested", sown, 1, 10_000)
    check_whole("number of seeds sprouted", sprouted, 0, sown)
    return Germination(
        (sprouted + 0.5) / (sown + 1),
        clopper_pearson(sprouted, sown),
        (sprouted, sown),
        f"own test: {sprouted} of {sown}",
    )


def clopper_pearson(sprouted: int, sown: int, confidence: float = 0.95) -> tuple[float, float]:
    """The exact interval of a share (C. J. Clopper and E. S. Pearson, The Use of Confidence or
    Fiducial Limits Illustrated in the Case of the Binomial, Biometrika 26(4):404-413, 1934)."""
    tail = (1 - confidence) / 2
    low = 0.0 if sprouted == 0 else _crossing(lambda share: at_least(sprouted, sown, share) >= tail)
    high = (
        1.0
        if sprouted == sown
        else _crossing(lambda share: 1 - at_least(sprouted + 1, sown, share) < tail)
    )
    return low, high


def at_least(stand: int, seeds: int, share: float) -> float:
    """The chance that of `seeds`, each coming up with the chance `share`, `stand` or more do."""
    if stand <= 0:
        return 1.0
    if stand > seeds or share <= 0:
        return 0.0
    if share >= 1:
        return 1.0
    # The shorter of the two sums; in logarithms, for a term may be too small for a float.
    if stand > seeds - stand:
        return min(1.0, _terms(stand, seeds, seeds, share))
    return max(0.0, 1 - _terms(0, stand - 1, seeds, share))


def _terms(first: int, last: int, seeds: int, share: float) -> float:
    odds = log(share) - log1p(-share)
    term = (
        lgamma(seeds + 1)
        - lgamma(first + 1)
        - lgamma(seeds - first + 1)
        + first * log(share)
        + (seeds - first) * log1p(-share)
    )
    terms = [term]
    for count in range(first, last):
        term += log(seeds - count) - log(count + 1) + odds
        terms.append(term)
    return fsum(map(exp, terms))


def chance_of_stand(
    stand: int, places: int, germination: Germination, seeds_per_place: int = 1
) -> float:
    """The chance that at least `stand` of `places` have a seedling, with so many seeds in each.

    After a test, averaged over what it leaves probable.
    """

    def filled(share: float) -> float:
        return at_least(stand, places, 1 - (1 - share) ** seeds_per_place)

    if germination.tested is None:
        return filled(germination.share)
    return fsum(weight * filled(share) for share, weight in _posterior(*germination.tested))


def places_for(
    stand: int, germination: Germination, *, seeds_per_place: int = 1, assurance: float = 0.9
) -> int:
    """The least number of places (seeds, or cells of several seeds) for a stand to be as good as sure.

    stand: seedlings wanted, 1 to 10 000, one to a place. assurance: the chance of having at least
        that many, 0.5 to 0.999.

    Raises ValueError for arguments that are out of range, or seed too poor to be sown at all.
    """
    check_whole("number of seedlings wanted", stand, 1, 10_000)
    check_whole("number of seeds per cell", seeds_per_place, 1, 12)
    check("assurance", assurance, 0.5, 0.999)

    def enough(places: int) -> bool:
        return chance_of_stand(stand, places, germination, seeds_per_place) >= assurance

    low, high = stand - 1, stand
    while not enough(high):
        if high * seeds_per_place >= _MOST_PER_PLANT * (stand + 5):
            raise ValueError(
                f"seed that germinates so badly ({germination.basis}) cannot be counted on for "
                f"{stand} plants; buy fresh seed, or test more of it"
            )
        low, high = high, high + max(1, high - stand) + stand // 4
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _posterior(sprouted: int, sown: int) -> list[tuple[float, float]]:
    """(share, weight) over the beta distribution with half a seed more in each count.

    In the angle whose sine squared is the share it is smooth and even at both ends, where the
    midpoint rule is as good as exact.
    """
    angles = [(n + 0.5) * pi / (2 * _NODES) for n in range(_NODES)]
    logs = [
        2 * sprouted * log(sin(angle)) + 2 * (sown - sprouted) * log(cos(angle)) for angle in angles
    ]
    peak = max(logs)
    weights = [exp(each - peak) for each in logs]
    whole = fsum(weights)
    return [
        (sin(angle) ** 2, weight / whole)
        for angle, weight in zip(angles, weights, strict=True)
        if weight > 1e-12 * whole
    ]


def _crossing(passed: Callable[[float], bool]) -> float:
    """Where between 0 and 1 a condition that holds from some share on begins to."""
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if passed(middle) else (middle, high)
    return (low + high) / 2
