"""Refusing figures that are out of range, in one wording: what, its value, and what is allowed."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import isfinite


def check(what: str, value: float, low: float, high: float, unit: str = "") -> None:
    """Raises ValueError unless `value` is a finite number from `low` to `high`."""
    if not (isfinite(value) and low <= value <= high):
        shown = f"{value:g} {unit}".rstrip()
        raise ValueError(f"{what} is {shown}; allowed: {low:g} to {high:g}")


def check_over_0(what: str, value: float, unit: str = "") -> None:
    """Raises ValueError unless `value` is a finite number over 0."""
    if not (isfinite(value) and value > 0):
        shown = f"{value:g} {unit}".rstrip()
        raise ValueError(f"{what} is {shown}; allowed: over 0")


def check_whole(what: str, value: int, low: int, high: int) -> None:
    """Raises ValueError unless `value` is a whole number from `low` to `high`."""
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise ValueError(f"{what} is {value}; allowed: whole, {low} to {high}")


def check_rising(what: str, values: Sequence[float], low: float, high: float) -> None:
    """Raises ValueError unless all are finite, from `low` to `high`, and none is below the one before."""
    for value in values:
        check(what, value, low, high)
    if any(after < before for before, after in pairwise(values)):
        shown = " to ".join(f"{value:g}" for value in values)
        raise ValueError(f"{what} is {shown}; allowed: rising")
