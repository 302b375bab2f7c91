"""How fast a crop comes up at a soil temperature: a rate that is integrated over what was measured.

placeholder, replaced in the next commit
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class EmergenceModel:
    """Rate of emergence over soil temperature, from a row of the published days-to-emergence table.

    points: (soil temperature [°C], days to emergence), the tested cells in order of temperature.
    never: soil temperatures [°C] tested at which nothing came up.
    """

    points: tuple[tuple[float, float], ...]
    never: tuple[float, ...] = ()

    def rate(self, soil_c: float) -> float:
        """Part of the way to emergence that one day at `soil_c` goes, in 1/day; 0 where it does not."""
        raise NotImplementedError

    def days(self, soil_c: float) -> float | None:
        """Days to emergence at a constant `soil_c`; None where it never comes up."""
        rate = self.rate(soil_c)
        return 1 / rate if rate > 0 else None
