"""°C and °F, mm and inches: SI everywhere inside, the others only where a person reads or writes."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

Units = Literal["C", "F"]
"""What a person reads and writes: °C and centimetres, or °F and inches."""

MM_PER_INCH = 25.4
#: A tray of "10 x 20 inch" measures about 11 x 21 inch at its rim [mm] (common practice, no source).
TRAY_MM = (540, 275)


def celsius_from_f(temperature_f: float) -> float:
    """The temperature `temperature_f` [°F] in °C."""
    return (temperature_f - 32) / 1.8


def f_from_celsius(temperature_c: float) -> float:
    """The temperature `temperature_c` [°C] in °F."""
    return temperature_c * 1.8 + 32


def celsius_difference_from_f(difference_f: float) -> float:
    """A difference or step of temperature, °F to °C: no offset of 32."""
    return difference_f / 1.8


def f_difference_from_celsius(difference_c: float) -> float:
    """A difference or step of temperature, °C to °F: no offset of 32."""
    return difference_c * 1.8


@lru_cache(maxsize=4096)  # a bench says the same few temperatures all day
def format_temperature(temperature_c: float, units: Units, digits: int = 1) -> str:
    """`temperature_c` [°C] as a person reads it: "21.5 °C" or "70.7 °F"."""
    shown = temperature_c if units == "C" else f_from_celsius(temperature_c)
    # Adding zero to what was rounded turns "-0.0" into "0.0".
    return f"{round(shown, digits) + 0.0:.{digits}f} °{units}"


def format_difference(difference_c: float, units: Units, digits: int = 1) -> str:
    """A difference of temperature, given in °C, as a person reads it: "2.0 °C" or "3.6 °F"."""
    shown = difference_c if units == "C" else f_difference_from_celsius(difference_c)
    return f"{round(shown, digits) + 0.0:.{digits}f} °{units}"


def format_length(length_mm: float, units: Units) -> str:
    """`length_mm` [mm] as a person reads it: "6.4 cm" or "2.5 in"."""
    if units == "C":
        return f"{round(length_mm / 10, 1) + 0.0:g} cm"
    return f"{round(length_mm / MM_PER_INCH, 1) + 0.0:g} in"
