"""The daily light integral (DLI): the light a plant gets in a day, and the lamp hours that give it.

DLI [mol m-2 d-1] = PPFD [µmol m-2 s-1] x hours x 3600 / 1e6, so 1 µmol m-2 s-1 for 24 h is 0.0864
(A. P. Torres and R. G. Lopez, Measuring Daily Light Integral in a Greenhouse, Purdue Extension
HO-238-W).
"""

from __future__ import annotations

_MOL_PER_UMOL_HOUR = 3600 / 1e6


def dli(ppfd: float, hours: float) -> float:
    """DLI [mol m-2 d-1] of `hours` a day at a steady `ppfd` [µmol m-2 s-1].

    Raises ValueError for a negative PPFD or hours outside 0 to 24.
    """
    if not ppfd >= 0:
        raise ValueError(f"PPFD is {ppfd:g} µmol m-2 s-1; allowed: 0 or more")
    if not 0 <= hours <= 24:
        raise ValueError(f"hours of light are {hours:g}; allowed: 0 to 24")
    return ppfd * hours * _MOL_PER_UMOL_HOUR


def ppfd_for_dli(dli: float, hours: float) -> float:
    """The steady PPFD [µmol m-2 s-1] that gives `dli` [mol m-2 d-1] in `hours` a day.

    Raises ValueError for a negative DLI or hours not over 0 and up to 24.
    """
    if not dli >= 0:
        raise ValueError(f"DLI is {dli:g} mol m-2 d-1; allowed: 0 or more")
    if not 0 < hours <= 24:
        raise ValueError(f"hours of light are {hours:g}; allowed: over 0, up to 24")
    return dli / (hours * _MOL_PER_UMOL_HOUR)


def hours_for_dli(dli: float, ppfd: float) -> float:
    """The hours a day that a steady `ppfd` [µmol m-2 s-1] takes to give `dli` [mol m-2 d-1].

    Over 24 where so weak a light cannot give it in a day. Raises ValueError for a negative DLI or a
    PPFD not over 0.
    """
    if not dli >= 0:
        raise ValueError(f"DLI is {dli:g} mol m-2 d-1; allowed: 0 or more")
    if not ppfd > 0:
        raise ValueError(f"PPFD is {ppfd:g} µmol m-2 s-1; allowed: over 0")
    return dli / (ppfd * _MOL_PER_UMOL_HOUR)
