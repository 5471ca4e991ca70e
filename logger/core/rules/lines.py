"""What the line through two probes, or through several, says of a gradient: the component along it alone.

A line within 10° of plumb counts as vertical, one within 10° of level as horizontal; any other is neither,
and what it says is said "along the pair". Common practice, no source.
"""

from __future__ import annotations

import math
from typing import Literal

from ...model import Position

LEAN_DEG = 10.0
LineDirection = Literal["vertical", "horizontal", "along"]


def lean_deg(a: Position, b: Position) -> float:
    """How far the line through two positions leans from plumb, 0 to 90°; of one place 90°."""
    dx, dy, dz = (p - q for p, q in zip(a.xyz_m, b.xyz_m, strict=True))
    return math.degrees(math.atan2(math.hypot(dx, dy), abs(dz))) if dx or dy or dz else 90.0


def direction_of(lean: float) -> LineDirection:
    """What a line that leans so many degrees from plumb counts as.

    >>> [direction_of(lean) for lean in (0.0, 9.9, 10.1, 60.0, 80.1, 90.0)]
    ['vertical', 'vertical', 'along', 'along', 'horizontal', 'horizontal']
    """
    if lean <= LEAN_DEG:
        return "vertical"
    return "horizontal" if lean >= 90.0 - LEAN_DEG else "along"


def counts_as(a: Position, b: Position) -> str:
    """In words: "leans 6° from plumb and counts as vertical".

    >>> up, down = (Position(z, "", "bay", "air", (0.0, x, 0.0)) for z, x in (("a", 0.0), ("b", 1.0)))
    >>> counts_as(up, down)
    'leans 90° from plumb and counts as horizontal'
    """
    lean = lean_deg(a, b)
    kind = direction_of(lean)
    what = "counts as neither vertical nor horizontal" if kind == "along" else f"counts as {kind}"
    return f"leans {lean:.0f}° from plumb and {what}"
