"""Potting mix: how many litres a season's cells and pots take, and of what.

From the containers' geometry to bags in three steps: what the containers hold, filled as high as
they are filled; the loose mix that settles to this when it is firmed and first watered; and the
parts it is made of, which come to more than the mix, for fine parts go between coarse ones.

The shapes and shares here are common practice, no source: a container of one's own is measured with
water, and goes before them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, isfinite, pi, sqrt
from typing import Literal

from profiles.bounds import check, check_whole
from profiles.units import TRAY_MM

#: To show wherever a person is told to make a mix.
MIX_CAUTION = (
    "Wet perlite and vermiculite before you pour them, and wear a dust mask: their dust harms the "
    "lungs. Compost can carry Legionella and tetanus: open bags away from your face, wear gloves, "
    "wash your hands."
)


@dataclass(frozen=True, slots=True)
class Container:
    """What one plant or one sowing stands in: a cell of a tray, a pot, an open tray.

    name: as a person types it; title: as a person reads it, of the tray for cells.
    kind: in an open tray seed is broadcast or sown in rows.
    per_tray: how many take the room of one tray of 10 x 20 inch.
    volume_l: of one, to the brim.
    """

    name: str
    title: str
    kind: Literal["cell", "pot", "open tray"]
    per_tray: int
    volume_l: float

    def __post_init__(self) -> None:
        check_whole(f"number of {self.name} per tray", self.per_tray, 1, 1000)
        check(f"volume of a {self.name}", self.volume_l, 0.001, 50, "l")


def cells(count: int, top_mm: float, bottom_mm: float, depth_mm: float) -> Container:
    """A tray of `count` square cells that taper from top to bottom (inside measures)."""
    return Container(
        f"cells-{count}",
        f"{count}-cell tray",
        "cell",
        count,
        _tapered_l(top_mm, bottom_mm, depth_mm, top_mm, bottom_mm),
    )


def pot(
    name: str,
    title: str,
    across_mm: int,
    depth_mm: float,
    *,
    taper: float = 0.7,
    round_: bool = False,
) -> Container:
    """A pot, as many to a tray as stand in it side by side.

    across_mm: at the rim, outside. depth_mm: inside. taper: width at the bottom over that at the top.
    """
    check(f"width of a {name}", across_mm, 20, min(TRAY_MM), "mm")
    check(f"taper of a {name}", taper, 0.3, 1, "of the top")
    inside = across_mm - 4.0  # two walls of 2 mm
    volume = _tapered_l(inside, taper * inside, depth_mm, inside, taper * inside)
    length, width = TRAY_MM
    return Container(
        name,
        title,
        "pot",
        int(length // across_mm) * int(width // across_mm),
        volume * (pi / 4 if round_ else 1.0),
    )


def open_tray(depth_mm: float = 60) -> Container:
    """A tray without cells, whose walls lean in a little."""
    length, width = (side - 15.0 for side in TRAY_MM)
    return Container(
        "open-tray",
        "open tray",
        "open tray",
        1,
        _tapered_l(length, length - 20, depth_mm, width, width - 20),
    )


def _tapered_l(
    top_mm: float, bottom_mm: float, depth_mm: float, top_2_mm: float, bottom_2_mm: float
) -> float:
    """Litres of a frustum: depth / 3 x (A + B + the root of A B)."""
    check("depth", depth_mm, 10, 300, "mm")
    if not 0 < bottom_mm <= top_mm:
        raise ValueError(
            f"width at the bottom is {bottom_mm:g} mm; allowed: over 0, up to {top_mm:g}"
        )
    top, bottom = top_mm * top_2_mm, bottom_mm * bottom_2_mm
    return depth_mm / 3 * (top + bottom + sqrt(top * bottom)) / 1e6


#: By name. Inside measures are common practice, no source.
CONTAINERS: Mapping[str, Container] = {
    container.name: container
    for container in (
        cells(50, 46, 26, 57),
        cells(72, 38, 22, 57),
        cells(128, 28, 16, 50),
        cells(200, 20, 12, 45),
        cells(288, 18, 11, 38),
        pot("pot-7cm", "7 cm pot", 68, 65),
        pot("pot-9cm", "9 cm pot", 90, 85),
        pot("pot-11cm", "11 cm pot", 108, 100),
        open_tray(),
    )
}


@dataclass(frozen=True, slots=True)
class Filling:
    """So many of one container to fill.

    plug: what the plant is potted on from, whose root ball takes its own room.
    """

    container: Container
    count: int
    plug: Container | None = None

    def __post_init__(self) -> None:
        check_whole(f"number of {self.container.name}", self.count, 0, 1_000_000)
        if self.plug is not None and self.plug.volume_l >= self.container.volume_l:
            raise ValueError(
                f"a plug of {self.plug.name} ({self.plug.volume_l:.3g} l) does not fit "
                f"{self.container.name} ({self.container.volume_l:.3g} l)"
            )

    def litres(self, fill: float) -> float:
        """Settled mix it takes, filled to `fill` of the brim and the plug as full as that."""
        plug = 0.0 if self.plug is None else self.plug.volume_l
        return self.count * fill * (self.container.volume_l - plug)


@dataclass(frozen=True, slots=True)
class Recipe:
    """A mix by parts of volume: (ingredient, parts), each once.

    shrinkage: what the mix loses against the sum of its parts as fines fill the gaps, 0 to 0.5;
        10 to 20 % is usual.
    settling: what loose mix loses when it is firmed and watered, 0 to 0.5; about a tenth is usual.
    Both common practice, no source.
    """

    parts: tuple[tuple[str, float], ...]
    shrinkage: float = 0.15
    settling: float = 0.10

    def __post_init__(self) -> None:
        if not self.parts:
            raise ValueError("the recipe has no parts; allowed: one ingredient or more")
        for name, share in self.parts:
            if not (isfinite(share) and 0 < share <= 1000):
                raise ValueError(f"parts of {name} are {share:g}; allowed: over 0, up to 1000")
        names = [name for name, _ in self.parts]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"{name} is in the recipe twice; allowed: once")
        check("shrinkage", self.shrinkage, 0, 0.5, "of the parts")
        check("settling", self.settling, 0, 0.5, "of the loose mix")


#: Common practice, no source.
COMPOST_MIX = Recipe((("compost", 4), ("coir", 2), ("perlite", 1), ("vermiculite", 1)))
#: How full cells and pots are filled (common practice, no source).
USUAL_FILL = 0.75


@dataclass(frozen=True, slots=True)
class Ingredient:
    """One part of a mix: the litres it takes, and the bags to buy.

    bags: (litres of a bag, how many), the largest first; empty where no sizes are given.
    """

    name: str
    litres: float
    bags: tuple[tuple[float, int], ...] = ()

    @property
    def bought_l(self) -> float:
        return sum(size * count for size, count in self.bags)


@dataclass(frozen=True, slots=True)
class MixOrder:
    """What a list of containers takes.

    filled_l: settled in the containers; loose_l: of loose mix; parts_l: the sum of its parts.
    """

    filled_l: float
    loose_l: float
    parts_l: float
    ingredients: tuple[Ingredient, ...]


def mix_for(
    fillings: Iterable[Filling],
    recipe: Recipe = COMPOST_MIX,
    *,
    fill: float = USUAL_FILL,
    bag_sizes: Mapping[str, Sequence[float]] | None = None,
) -> MixOrder:
    """Litres of mix, of each ingredient, and bags to buy, for the containers to fill.

    fill: how full they are filled, 0.3 to 1 of the brim.
    bag_sizes: for an ingredient, the litres that the shop's bags give, one to four sizes (for a
        pressed brick of coir, the litres when soaked). As many of the largest as are used up; the
        rest in smaller ones, or in one more of the large where those would come to as much.

    Raises ValueError for a fill or bag sizes that are out of range, or sizes of something that is
    not in the recipe.
    """
    check("fill", fill, 0.3, 1, "of the brim")
    sizes = dict(bag_sizes or {})
    known = [name for name, _ in recipe.parts]
    for name in sizes:
        if name not in known:
            raise ValueError(f"{name} is not in the recipe; allowed: {', '.join(known)}")
    filled = sum(filling.litres(fill) for filling in fillings)
    loose = filled / (1 - recipe.settling)
    parts = loose / (1 - recipe.shrinkage)
    whole = sum(share for _, share in recipe.parts)
    ingredients = []
    for name, share in recipe.parts:
        litres = parts * share / whole
        bags = _bags(name, litres, sizes[name]) if name in sizes else ()
        ingredients.append(Ingredient(name, litres, bags))
    return MixOrder(filled, loose, parts, tuple(ingredients))


def _bags(name: str, litres: float, sizes: Sequence[float]) -> tuple[tuple[float, int], ...]:
    if not 1 <= len(sizes) <= 4:
        raise ValueError(f"{name} has {len(sizes)} bag sizes; allowed: 1 to 4")
    for size in sizes:
        check(f"bag of {name}", size, 1, 2000, "l")
    # A hair of rounding is no reason for another bag.
    return tuple(
        (size, count) for size, count in _filled(litres * (1 - 1e-9), sorted(set(sizes))) if count
    )


def _filled(litres: float, sizes: Sequence[float]) -> list[tuple[float, int]]:
    """Bags of the sizes (rising), the largest first, as `mix_for` says."""
    *smaller, size = sizes
    full = int(litres // size)
    if not smaller:
        return [(size, ceil(litres / size))]
    rest = _filled(litres - full * size, smaller)
    if sum(each * count for each, count in rest) >= size:
        return [(size, full + 1)]
    return [(size, full), *rest]
