"""The least-squares plane through probes, written out plainly (JCGM 100:2008 5.1).

T = a + g·x through the centred positions: g = M⁻¹·Σ x·T with M = Σ x·xᵀ, over the directions in which the
probes extend. A component is determined when they extend along all of it, and its condition number
s_max·|row| is 100 at most. Probes on one line give the component along it.
"""

from __future__ import annotations

import math

import numpy as np

WORST, FEWEST, LEAN_DEG = 100.0, 4, 10.0
PARTS = {"vertical": [2], "horizontal": [0, 1], "": [0, 1, 2]}


def line_direction(lean_deg: float) -> str:
    """What a line counts as that leans so much from plumb."""
    if lean_deg <= LEAN_DEG:
        return "vertical"
    return "horizontal" if lean_deg >= 90 - LEAN_DEG else "along"


def lean_deg(d: list[float]) -> float:
    """Of a difference of two positions; 90 where there is none."""
    return 90.0 if not any(d) else math.degrees(math.atan2(math.hypot(d[0], d[1]), abs(d[2])))


def gradient(
    places: list[list[float]], u_m: float, direction: str,
    T: list[float], half: list[float], U: list[float],
) -> tuple[float, float] | None:  # fmt: skip
    """|g| in a direction and its U, in the unit of T by m; None where the positions do not determine it."""
    if len(places) < FEWEST:
        return None
    rows = _rows(places, direction)
    if rows is None:
        return None
    weights, part = rows
    g = [sum(w * t for w, t in zip(row, T, strict=True)) for row in weights]
    wide = [sum(abs(w) * h for w, h in zip(row, half, strict=True)) for row in weights]
    value = math.sqrt(sum((abs(g[k]) + wide[k]) ** 2 for k in part))
    each = [u**2 + (2 * u_m) ** 2 * sum(c * c for c in g) for u in U]
    length = math.sqrt(sum(g[k] ** 2 for k in part))
    if length > 0:
        along = [sum(g[k] / length * weights[k][i] for k in part) for i in range(len(T))]
        return value, math.sqrt(sum(a * a * s for a, s in zip(along, each, strict=True)))
    return value, math.sqrt(sum(weights[k][i] ** 2 * each[i] for k in part for i in range(len(T))))


def _rows(places: list[list[float]], direction: str) -> tuple[list[list[float]], list[int]] | None:
    """What each probe contributes to each component, and the components of the direction."""
    x = np.array(places) - np.mean(places, axis=0)
    extents, axes = np.linalg.eigh(x.T @ x)
    s = np.sqrt(np.maximum(extents, 0))[::-1]
    axes = axes[:, ::-1]
    if s[0] == 0:
        return None
    if s[1] * WORST < s[0]:
        along = x @ axes[:, 0]
        return ([(along / (along @ along)).tolist()], [0]) if _is_along(axes[:, 0], direction) else None
    extends = [k for k in range(3) if s[k] > 1e-6 * s[0]]
    weights = sum(np.outer(axes[:, k], x @ axes[:, k]) / s[k] ** 2 for k in extends)
    part = PARTS[direction]
    missing = [abs(axes[c, k]) for k in range(3) if k not in extends for c in part]
    condition = s[0] * np.linalg.norm(weights[part], 2)
    if condition > WORST or max(missing, default=0.0) > 1e-6:
        return None
    return weights.tolist(), part


def _is_along(axis: np.ndarray, direction: str) -> bool:
    return direction in ("", line_direction(lean_deg([float(c) for c in axis])))


def lean_of(a: list[float], b: list[float]) -> float:
    """Of the line through two positions."""
    return lean_deg([p - q for p, q in zip(a, b, strict=True)])
