"""Numbers as devices store them, to the decimals that were meant. Pure."""

from __future__ import annotations

import math
import struct
from decimal import Decimal


def shortest(value: float) -> Decimal:
    """The decimal with the fewest digits that is the same float32; NaN and infinities as they are.

    >>> shortest(47.79999923706055)
    Decimal('47.8')
    """
    if not math.isfinite(value):
        return Decimal(value)
    decimals = (Decimal(f"{value:.{digits}g}") for digits in range(1, 10))
    same = struct.pack(">f", value)
    return next(decimal for decimal in decimals if struct.pack(">f", float(decimal)) == same)


def reading_of(value: float, *, single: bool) -> float | None:
    """A finite reading, of a float32 (`single`) the decimal that was meant; None for NaN and infinities."""
    if not math.isfinite(value):
        return None
    return float(shortest(value)) if single else float(value)
