"""Heat in one bench: a small thermal network, stepped exactly.

The nodes, from below, for one tray (the trays of a bench are alike and share its mat and lamp
evenly, so one tray's temperatures are the bench's and every total is that of a tray times `trays`):

    mat -- lower -- upper -- surface -- headspace -- room
     |       |        |         |                     |
    room   room     room      room (open: radiation and evaporation)

`lower`, `upper` and `surface` are layers of the medium; the headspace is the air under the cover
with the cover itself, or the air just above the canopy when the tray is open. The mat's watts enter
at the mat; a part of the lamp's at the headspace, a part at the surface. Each probe follows the
place it is in as a first-order lag, and is a state of the same system.

While nothing is switched, covered or watered, that system is linear and time-invariant, so a step
is one product with the exponential of its matrix (C. F. Van Loan, *Computing integrals involving
the matrix exponential*, IEEE Trans. Automatic Control 23(3):395, 1978), however long the step.
Inputs are constant over a step but for the room, which is linear over it, so weather given by the
hour and joined by straight lines is followed exactly.

Evaporation makes it nonlinear in truth; here it is linear in (surface - room), taken at the room
and humidity of `evaporation_figures`, and its strength and the medium's heat capacity follow the
moisture in `MOISTURE_BANDS` steps. Moisture falls by the water evaporated, which is integrated
exactly too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NODES = ("mat", "lower", "upper", "surface", "headspace")
MAT, LOWER, UPPER, SURFACE, HEADSPACE = range(5)
_LAYERS = (LOWER, UPPER, SURFACE)
_EVAPORATED = 5  # state after the nodes: litres evaporated from one tray since last taken out
_ROOM, _RISE, _MAT_ON, _LAMP_ON, _ONE = range(5)  # inputs

#: Depth of sowing of the published emergence table, 1/2 inch.
SEED_DEPTH_MM = 12.7
#: A mat for one tray, common practice, no source: 17 to 20 W.
MAT_WATTS_PER_TRAY = 18.0
MOISTURE_BANDS = 16
#: The share of its water at which a medium's surface begins to dry and hold vapour back.
#: Common practice, no source.
DRY_SURFACE_BELOW = 0.6
WATER_J_LITRE_K = 4186.0
LATENT_J_LITRE = 2.45e6
_CACHED_STEPS = 2048


def saturation_density(celsius: float) -> float:
    """Water vapour in saturated air [kg m-3], by the Magnus formula (Alduchov and Eskridge 1996).

    Constants from memory; a test checks them against the ASHRAE values.
    """
    pascal = 610.94 * math.exp(17.625 * celsius / (celsius + 243.04))
    return pascal / (461.5 * (celsius + 273.15))


def evaporation_figures(
    area_m2: float,
    *,
    convection_w_m2k: float = 3.5,
    relative_wetness: float = 0.45,
    room_c: float = 20.0,
    surface_c: float = 24.0,
    humidity: float = 0.5,
) -> tuple[float, float]:
    """Evaporation from an open, moist surface, linearised: (W/K of surface over room, W at equal).

    Mass transfer follows heat transfer by Lewis' relation with Le^(-2/3) = 1.1 (textbook, from
    memory); `relative_wetness` says how far moist mix is from a sheet of water, and is chosen so
    that an open wet tray settles at about half the covered lift over the room (common practice).
    """
    metres_s = 1.1 * convection_w_m2k / (1.2 * 1005.0)
    strength = LATENT_J_LITRE * metres_s * area_m2 * relative_wetness
    rise = saturation_density(surface_c) - saturation_density(room_c)
    deficit = saturation_density(room_c) * (1.0 - humidity)
    return strength * rise / (surface_c - room_c), strength * deficit


_TRAY_M2 = 0.254 * 0.508
_EVAPORATION = evaporation_figures(_TRAY_M2)


@dataclass(frozen=True, slots=True)
class TrayFigures:
    """Physical figures of one tray, its share of the mat and the air over it.

    The defaults are a 10 x 20 inch tray filled 50 mm deep with moist mix, about 3.5 kg wet. They
    follow from areas, layer thicknesses and usual film coefficients, and were then set so that on a
    mat of 17 to 20 W it settles 8 to 11 °C over the room when covered (a propagation mat lifts 15
    to 20 °F; common practice, no source). Raises ValueError for a figure that cannot be.

    area_m2: of the tray.
    layers_mm: thickness of the lower, upper and surface layer of medium.
    medium_w_mk: conductivity of moist mix, water vapour moving in its pores included.
    medium_dry_j_k: heat capacity of the medium at moisture 0, which still holds the water that
        plants cannot draw.
    water_litres: what it holds between moisture 0 and 1.
    mat_j_k: heat capacity of the mat and the tray's plastic.
    contact_w_k: mat to the underside of the medium.
    down_w_k: mat to the room, through the shelf.
    sides_w_k: medium to the room, through the tray's walls.
    covered_headspace_j_k, open_headspace_j_k: air and cover; air and leaves.
    covered_surface_w_k: surface to headspace under a cover: convection, radiation to the cover, and
        vapour that condenses on it.
    covered_room_w_k: cover to room.
    open_surface_w_k: surface to the air above it, by convection.
    open_room_w_k: that air to the room.
    open_radiation_w_k: surface to the room's walls.
    evaporation_w_k, evaporation_w: see `evaporation_figures`; of an open, wet tray.
    covered_evaporation: share of that which leaves through the vents of a cover.
    lamp_air, lamp_surface: shares of the lamp's watts that end in the headspace and the surface.
    """

    area_m2: float = _TRAY_M2
    layers_mm: tuple[float, float, float] = (30.0, 14.0, 6.0)
    medium_w_mk: float = 0.6
    medium_dry_j_k: float = 5000.0
    water_litres: float = 1.7
    mat_j_k: float = 1000.0
    contact_w_k: float = 3.2
    down_w_k: float = 0.55
    sides_w_k: float = 0.25
    covered_headspace_j_k: float = 500.0
    open_headspace_j_k: float = 100.0
    covered_surface_w_k: float = 1.5
    covered_room_w_k: float = 1.15
    open_surface_w_k: float = 0.5
    open_room_w_k: float = 2.0
    open_radiation_w_k: float = 0.7
    evaporation_w_k: float = _EVAPORATION[0]
    evaporation_w: float = _EVAPORATION[1]
    covered_evaporation: float = 0.05
    lamp_air: float = 0.2
    lamp_surface: float = 0.25

    def __post_init__(self) -> None:
        may_be_zero = {"down_w_k", "sides_w_k", "open_radiation_w_k", "evaporation_w_k"}
        may_be_zero |= {"evaporation_w", "covered_evaporation", "lamp_air", "lamp_surface"}
        for field in fields(self):
            value = getattr(self, field.name)
            for number in value if isinstance(value, tuple) else (value,):
                low_enough = number >= 0 if field.name in may_be_zero else number > 0
                if not (math.isfinite(number) and low_enough):
                    bound = "0 or more" if field.name in may_be_zero else "over 0"
                    raise ValueError(f"{field.name} is {number!r}; allowed: {bound}, finite")
        if self.lamp_air + self.lamp_surface > 1:
            raise ValueError("lamp_air + lamp_surface is over 1; allowed: 0 to 1 in all")

    def centres_mm(self) -> tuple[float, float, float]:
        """Depth of the middle of the lower, upper and surface layer, from the surface down."""
        lower, upper, surface = self.layers_mm
        return surface + upper + lower / 2, surface + upper / 2, surface / 2


@dataclass(frozen=True, slots=True)
class Site:
    """Where a probe, or a seed, takes its temperature: weights of the five nodes and the room."""

    nodes: tuple[float, float, float, float, float]
    room: float = 0.0


#: In the headspace, and in the room.
AIR = Site((0.0, 0.0, 0.0, 0.0, 1.0))
ROOM = Site((0.0, 0.0, 0.0, 0.0, 0.0), 1.0)


def soil_mix(depth_mm: float, figures: TrayFigures) -> tuple[int, float]:
    """The place `depth_mm` under the surface as (node, share of the next node up).

    Straight lines between the middles of the layers, and level beyond the outer two.
    """
    lower, upper, surface = figures.centres_mm()
    if depth_mm >= upper:
        return LOWER, max(0.0, (lower - depth_mm) / (lower - upper))
    return UPPER, min(1.0, (upper - depth_mm) / (upper - surface))


def soil_site(depth_mm: float, figures: TrayFigures) -> Site:
    """The place `depth_mm` under the surface."""
    node, share = soil_mix(depth_mm, figures)
    nodes = [0.0] * len(NODES)
    nodes[node], nodes[node + 1] = 1.0 - share, share
    return Site((nodes[0], nodes[1], nodes[2], nodes[3], nodes[4]))


def expm(matrix: Array) -> Array:
    """The exponential of a square matrix, by scaling, a Taylor sum and squaring."""
    norm = float(np.abs(matrix).sum(axis=0).max())
    squarings = max(0, math.ceil(math.log2(norm / 0.5))) if norm > 0 else 0
    small = matrix / 2.0**squarings
    identity = np.eye(len(matrix))
    result = identity.copy()
    for order in range(16, 0, -1):  # 0.5**17 / 17! is below 1e-19
        result = identity + small @ result / order
    for _ in range(squarings):
        result = result @ result
    return result


class ThermalNetwork:
    """The temperatures of one bench and its probes [°C], and the step that moves them on.

    `temps` holds the five nodes in the order of `NODES`, read it freely; `moisture` is 0 (nothing
    left that a plant can draw) to 1 (just watered).
    """

    def __init__(
        self,
        figures: TrayFigures | None = None,
        *,
        trays: float = 1.0,
        mat_watts: float = 0.0,
        lamp_watts: float = 0.0,
        probes: Sequence[tuple[Site, float]] = (),
        room_c: float = 20.0,
        covered: bool = False,
        moisture: float = 1.0,
    ) -> None:
        """A bench in balance with a room at `room_c`, all switched off.

        trays: how many stand on the mat.
        mat_watts, lamp_watts: of the whole bench.
        probes: for each its place and its lag, the time constant [s].
        """
        self.figures = figures or TrayFigures()
        self._trays = trays
        self._mat_watts, self._lamp_watts = mat_watts, lamp_watts
        self._lags = [lag for _, lag in probes]
        self._sites = [site for site, _ in probes]
        self._states = _EVAPORATED + 1 + len(self._lags)
        self._z = np.zeros(self._states + 5)
        self._z[-1] = 1.0
        self._next = np.zeros(self._states)
        self._covered = covered
        self._moisture = moisture
        self._steps: dict[tuple[object, ...], dict[int, Array]] = {}
        self._cached = 0
        self._configure()
        self.temps: list[float] = []
        self.settle(room_c)

    # What the configuration is made of

    @property
    def covered(self) -> bool:
        """Whether the trays are under a cover."""
        return self._covered

    @covered.setter
    def covered(self, value: bool) -> None:
        self._covered = value
        self._configure()

    @property
    def moisture(self) -> float:
        """Water in the medium that plants can draw, 0 to 1."""
        return self._moisture

    @moisture.setter
    def moisture(self, value: float) -> None:
        self._moisture = min(1.0, max(0.0, value))
        if round(self._moisture * MOISTURE_BANDS) != self._band:
            self._configure()

    def place_probe(self, index: int, site: Site, lag: float | None = None) -> None:
        """Put a probe somewhere else; its reading follows by its lag there [s], None for the same."""
        lag = self._lags[index] if lag is None else lag
        if self._sites[index] != site or self._lags[index] != lag:
            self._sites[index], self._lags[index] = site, lag
            self._configure()

    @property
    def trays(self) -> float:
        """How many stand on the mat."""
        return self._trays

    def put_trays(self, trays: float, celsius: float) -> None:
        """Have so many trays on the mat; those that come are at `celsius`, like the others otherwise.

        One tray stands for all, so that what comes mixes in at once.
        """
        share = max(0.0, 1.0 - self._trays / trays)
        for node in (*_LAYERS, HEADSPACE):
            self._z[node] += share * (celsius - self._z[node])
        self.temps = self._z[: self._states].tolist()
        self._trays = trays
        self._configure()

    def _configure(self) -> None:
        self._band = round(self._moisture * MOISTURE_BANDS)
        key = (self._covered, self._band, self._trays, *self._sites, *self._lags)
        self._by_dt = self._steps.setdefault(key, {})

    @property
    def medium_j_k(self) -> float:
        """Heat capacity of one tray's medium at the present band of moisture."""
        water = self.figures.water_litres * self._band / MOISTURE_BANDS
        return self.figures.medium_dry_j_k + water * WATER_J_LITRE_K

    def capacities(self) -> tuple[float, ...]:
        """Heat capacity of the five nodes of one tray [J/K]."""
        f = self.figures
        depth, medium = sum(f.layers_mm), self.medium_j_k
        layers = (medium * thick / depth for thick in f.layers_mm)
        return (
            f.mat_j_k,
            *layers,
            f.covered_headspace_j_k if self._covered else f.open_headspace_j_k,
        )

    def evaporation(self) -> tuple[float, float]:
        """Of one tray as it is now: (W/K of surface over room, W at equal)."""
        share = min(1.0, self._band / MOISTURE_BANDS / DRY_SURFACE_BELOW)
        share *= self.figures.covered_evaporation if self._covered else 1.0
        return share * self.figures.evaporation_w_k, share * self.figures.evaporation_w

    def system(self) -> tuple[Array, Array]:
        """A and B of dx/dt = A x + B u for one tray as configured now, per second.

        x: the five nodes [°C], litres evaporated, the probes [°C].
        u: room [°C], its rise (unused here, 0), mat and lamp as 0 or 1, and the constant 1.
        """
        f, size = self.figures, self._states
        a, b = np.zeros((size, size)), np.zeros((size, 5))
        capacity = self.capacities()

        def join(one: int, other: int, w_k: float) -> None:
            for here, there in ((one, other), (other, one)):
                a[here, here] -= w_k / capacity[here]
                a[here, there] += w_k / capacity[here]

        def lose(node: int, w_k: float) -> None:
            a[node, node] -= w_k / capacity[node]
            b[node, _ROOM] += w_k / capacity[node]

        # A half layer on each side of every joint, in W/K.
        half = [2e3 * f.medium_w_mk * f.area_m2 / thick for thick in f.layers_mm]
        join(MAT, LOWER, _series(f.contact_w_k, half[0]))
        join(LOWER, UPPER, _series(half[0], half[1]))
        join(UPPER, SURFACE, _series(half[1], half[2]))
        lose(MAT, f.down_w_k)
        for node, thick in zip(_LAYERS, f.layers_mm, strict=True):
            lose(node, f.sides_w_k * thick / sum(f.layers_mm))
        if self._covered:
            join(SURFACE, HEADSPACE, f.covered_surface_w_k)
            lose(HEADSPACE, f.covered_room_w_k)
        else:
            join(SURFACE, HEADSPACE, f.open_surface_w_k)
            lose(HEADSPACE, f.open_room_w_k)
            lose(SURFACE, f.open_radiation_w_k)
        slope, level = self.evaporation()
        lose(SURFACE, slope)
        b[SURFACE, _ONE] -= level / capacity[SURFACE]
        a[_EVAPORATED, SURFACE] = slope / LATENT_J_LITRE
        b[_EVAPORATED, _ROOM] = -slope / LATENT_J_LITRE
        b[_EVAPORATED, _ONE] = level / LATENT_J_LITRE
        b[MAT, _MAT_ON] = self._mat_watts / self._trays / capacity[MAT]
        lamp_watts = self._lamp_watts / self._trays
        b[HEADSPACE, _LAMP_ON] = f.lamp_air * lamp_watts / capacity[HEADSPACE]
        b[SURFACE, _LAMP_ON] = f.lamp_surface * lamp_watts / capacity[SURFACE]
        for row, (site, lag) in enumerate(
            zip(self._sites, self._lags, strict=True), _EVAPORATED + 1
        ):
            a[row, row] = -1.0 / lag
            a[row, :_EVAPORATED] += np.array(site.nodes) / lag
            b[row, _ROOM] = site.room / lag
        return a, b

    # Moving on

    def step(
        self, dt_us: int, room_from: float, room_to: float, mat_on: float, lamp_on: float
    ) -> None:
        """Move on by `dt_us` microseconds, the room going straight from one value to the other."""
        matrix = self._by_dt.get(dt_us)
        if matrix is None:
            matrix = self._discretise(dt_us)
        z, states = self._z, self._states
        # One by one: numpy takes longer to make an array of them.
        z[states] = room_from
        z[states + 1] = room_to - room_from
        z[states + 2] = mat_on
        z[states + 3] = lamp_on
        np.dot(matrix, z, out=self._next)
        z[:states] = self._next
        self.temps = self._next.tolist()
        z[_EVAPORATED] = 0.0
        self.moisture = self._moisture - self.temps[_EVAPORATED] / self.figures.water_litres

    def _discretise(self, dt_us: int) -> Array:
        """The rows that take states and inputs at the start of a step to states at its end."""
        if self._cached >= _CACHED_STEPS:
            for steps in self._steps.values():
                steps.clear()
            self._cached = 0
        seconds, size = dt_us / 1e6, self._states
        a, b = self.system()
        whole = np.zeros((size + 5, size + 5))
        whole[:size, :size] = a * seconds
        whole[:size, size:] = b * seconds
        whole[size + _ROOM, size + _RISE] = 1.0  # the room gains its rise over the step
        matrix = np.ascontiguousarray(expm(whole)[:size])
        self._by_dt[dt_us] = matrix
        self._cached += 1
        return matrix

    def settle(self, room_c: float, *, mat_on: bool = False, lamp_on: bool = False) -> None:
        """Put all temperatures where they end in a constant room, moisture staying as it is."""
        a, b = self.system()
        held = np.array([room_c, 0.0, float(mat_on), float(lamp_on), 1.0])
        keep = [state for state in range(self._states) if state != _EVAPORATED]
        ends = np.linalg.solve(a[np.ix_(keep, keep)], -(b @ held)[keep])
        self._z[keep] = ends
        self.temps = self._z[: self._states].tolist()

    def water(self, litres: float, celsius: float) -> None:
        """Pour `litres` over the trays of the bench: it mixes into the medium at once.

        What the medium cannot hold drains at the temperature of the mixture.
        """
        poured = litres / self.trays
        capacity, depth = self.capacities(), sum(self.figures.layers_mm)
        for node, thick in zip(_LAYERS, self.figures.layers_mm, strict=True):
            added = poured * thick / depth * WATER_J_LITRE_K
            mixed = capacity[node] * self.temps[node] + added * celsius
            self._z[node] = mixed / (capacity[node] + added)
        self.temps = self._z[: self._states].tolist()
        self.moisture = self._moisture + poured / self.figures.water_litres

    # Looking

    def at(self, site: Site, room_c: float) -> float:
        """The temperature at a place, without any lag."""
        return sum(w * t for w, t in zip(site.nodes, self.temps, strict=False)) + site.room * room_c

    def probe(self, index: int) -> float:
        """What a probe's sensor is at, its lag behind the place it is in."""
        return self.temps[_EVAPORATED + 1 + index]

    def put(self, nodes: Sequence[float], probes: Sequence[float], moisture: float) -> None:
        """Take over saved temperatures."""
        self._z[: self._states] = [*nodes, 0.0, *probes]
        self.temps = self._z[: self._states].tolist()
        self.moisture = moisture


def _series(one: float, other: float) -> float:
    return one * other / (one + other)
