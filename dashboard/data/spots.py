"""Probes as points of the plan, with their newest corrected value."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Spot:
    """A probe in the plan. value, U: degC and K (k = 2), None when there is no value; age in s."""

    probe: str
    name: str
    medium: str
    x_m: float
    y_m: float
    z_m: float
    value: float | None
    U: float | None
    age_s: float
    trusted: bool
    why: str = ""  # why it is not trusted, where that is not its age
