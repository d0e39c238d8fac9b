"""Figures for people: an interval never looks narrower than it is, nor a bound lower."""

from __future__ import annotations

import math


def rounded_down(value: float, digits: int) -> float:
    """Return `value` with so many digits behind the point, never more than it is."""
    return math.copysign(math.floor(_shifted(value, digits)) / 10**digits, value)


def rounded_up(value: float, digits: int) -> float:
    """Return `value` with so many digits behind the point, never less than it is.

    What is below zero stays so: -0.0004 becomes -0.0.
    """
    return math.copysign(math.ceil(_shifted(value, digits)) / 10**digits, value)


def percent(share: float, digits: int) -> str:
    """Return a share as a percentage, the space before the sign not to be broken at."""
    return f"{share * 100:.{digits}f}\u00a0%"


def _shifted(value: float, digits: int) -> float:
    # Floats make 28.999999999999996 of 0.29 * 100.
    return round(value * 10.0**digits, 6)
