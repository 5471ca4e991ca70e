"""A plate that bends where its faces are not equally warm."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Plate:
    """Of a rule on bending: free length and thickness in mm, thermal expansion and its u in 1/K."""

    length_mm: float
    thickness_mm: float
    alpha_per_K: float
    u_alpha_per_K: float
