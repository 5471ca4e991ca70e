"""Gradient of the least-squares plane T = a + g·x through four or more probes: vertical, horizontal or whole.

    g = P·T,  P the pseudo-inverse of the centred positions X;  U²(g) = P·(U_T² + (2·|g|·u_x)²)·Pᵀ

in which an error δx of a position acts as an error g·δx of its temperature (JCGM 100, 5.1). The part of a
residual in it is left out: residuals test the linear model, they do not measure g. The condition number
of a component c is s_max·|c·P|, which is s_max/s_k along the k-th axis of X; above 100 the positions do
not determine it. Probes on one line give the component along it, and nothing else. A plane is a fit: without
the evidence of every probe, or of as many as the rule needs, it says nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ...model import Position, Rule
from ...model.reasons import Why
from ...series import Bool, Float, Int
from ...units import MICRO
from ..evidence.derived import coarse
from .finding import Candidates, demand
from .inputs import RuleInput
from .lines import direction_of

FEWEST = 4
WORST_CONDITION = 100.0


@dataclass(frozen=True)
class Fit:
    """What a set of positions determines. P: (c, m) for components c of g along `axes` (c, 3)."""

    P: Float
    axes: Float
    u_m: Float  # (m,) standard uncertainty of each coordinate
    determined: frozenset[str]

    @staticmethod
    def of(positions: Sequence[Position]) -> Fit:
        """The fit through positions, at least one."""
        x = np.array([p.xyz_m for p in positions])
        u_m = np.array([p.u_m for p in positions])
        _, s, axes = np.linalg.svd(x - x.mean(axis=0), full_matrices=False)
        if len(s) < 3 or s[0] == 0 or len(x) < FEWEST:
            return Fit(np.zeros((3, len(x))), np.eye(3), u_m, frozenset())
        if s[1] * WORST_CONDITION < s[0]:
            along = (x - x.mean(axis=0)) @ axes[0]
            return Fit((along / (along @ along))[None], axes[:1], u_m, _of_line(axes[0]))
        P = np.linalg.pinv(x - x.mean(axis=0), rcond=1e-9)
        return Fit(P, np.eye(3), u_m, _of_space(P, s, axes))

    def component(self, direction: str, T: Float, U: Float, half: Float) -> tuple[Float, Float]:
        """|g| in a direction and its expanded uncertainty, shape (n,); T, U, half-widths of T: (m, n)."""
        part = slice(None) if len(self.axes) == 1 else _PART[direction]
        g = np.stack([_sum(row, T) for row in self.P])
        widened = np.abs(g) + np.stack([_sum(np.abs(row), half) for row in self.P])
        squared = U**2 + (2 * self.u_m[:, None]) ** 2 * (g**2).sum(axis=0)
        value = np.sqrt((widened[part] ** 2).sum(axis=0))
        return value, _U(self.P[part], g[part], squared)


_PART = {"vertical": slice(2, 3), "horizontal": slice(0, 2), "": slice(0, 3)}


def _of_line(axis: Float) -> frozenset[str]:
    lean = np.degrees(np.arctan2(np.hypot(axis[0], axis[1]), np.abs(axis[2])))
    kind = direction_of(float(lean))
    return frozenset({"", *([] if kind == "along" else [kind])})


def _of_space(P: Float, s: Float, axes: Float) -> frozenset[str]:
    """Components that the positions determine: sure of being seen at all, and well enough."""
    none = axes[s < 1e-9 * s[0]]  # directions in which the probes do not extend
    determined = set()
    for name, part in _PART.items():
        condition = s[0] * np.sqrt(np.linalg.eigvalsh(P[part] @ P[part].T)[-1])
        if condition <= WORST_CONDITION and (np.abs(none[:, part]) < 1e-6).all():
            determined.add(name)
    return frozenset(determined)


def _sum(weights: Float, values: Float) -> Float:
    """Σ w·v in the order of the probes, which no machine's matrix product changes."""
    total = np.zeros(values.shape[1])
    for w, v in zip(weights.tolist(), values, strict=True):
        total += w * v
    return total


def _U(P: Float, g: Float, squared: Float) -> Float:
    """U of |g|: along g itself, and in the worst direction where there is no g."""
    length = np.sqrt((g**2).sum(axis=0))
    variance = np.zeros(g.shape[1])
    for i, row in enumerate(P):
        for j, other in enumerate(P):
            variance += _sum(row * other, squared) * g[i] * g[j]
    along = np.sqrt(np.maximum(variance, 0.0)) / np.where(length > 0, length, 1.0)
    anywhere = np.sqrt(sum(_sum(row**2, squared) for row in P))
    return np.where(length > 0, along, anywhere)


def candidates(rule: Rule, rule_input: RuleInput) -> Iterator[Candidates]:
    """One candidate: the plane through all probes of the rule."""
    keys = rule_input.setup.channels_of(rule)
    if not keys:
        return
    block = rule_input.block(keys)
    low, high = block.bounds()
    U, why, placed = block.of("U"), block.of("why"), block.of("placed")
    good = placed & (why == Why.EVIDENCE) & np.isfinite(low) & np.isfinite(U)
    short = _short(rule, good, placed, why)
    at = np.where(good & (short == Why.EVIDENCE), _positions(keys, rule_input), -1)
    value, own_U = (np.full(rule_input.grid.n, np.nan) for _ in range(2))
    for begin, end in _runs(at):
        rows, part = at[:, begin] >= 0, slice(begin, end)
        if not rows.any():
            continue
        fit = Fit.of([_places(rule_input)[number] for number in at[rows, begin]])
        if rule.direction not in fit.determined:
            short[part] = Why.ILL_CONDITIONED
            continue
        middle, half = (low + high)[rows, part] / 2, (high - low)[rows, part] / 2
        in_units = (array / MICRO for array in (middle, U[rows, part], half))
        value[part], own_U[part] = fit.component(rule.direction, *in_units)
    label = "–".join(dict.fromkeys(rule_input.labels(keys)))
    row, own_U, has_probe = coarse(value)[None], coarse(own_U)[None], np.asarray(placed.any(axis=0))[None]
    yield Candidates((label,), row, row, own_U, short[None], has_probe)


def _short(rule: Rule, good: Bool, placed: Bool, why: Int) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    """Why.EVIDENCE where enough probes have it, else the gravest reason of those that have none."""
    placed_count, evident = np.asarray(placed.sum(axis=0)), np.asarray(good.sum(axis=0))
    need = demand(rule) or placed_count
    gravest = np.where(placed & ~good, np.maximum(why, Why.NO_READING), 0).max(axis=0)
    few = np.where(gravest > 0, gravest, np.where(placed_count, Why.FEW_PROBES, Why.NO_PROBE))
    return np.where(evident < np.maximum(need, FEWEST), few, Why.EVIDENCE).astype(np.uint8)


def _places(rule_input: RuleInput) -> list[Position]:
    return list(rule_input.setup.positions.values())


def _positions(keys: Sequence[str], rule_input: RuleInput) -> Int:
    """Where the probe of each channel stood in each cell, as its place among the positions; −1: nowhere."""
    number = {position: place for place, position in enumerate(rule_input.setup.positions)}
    at = np.full((len(keys), rule_input.grid.n), -1)
    for row, key in enumerate(keys):
        for stay in rule_input.setup.placements_of(key):
            at[row, rule_input.grid.clip(stay.from_ns, stay.to_ns)] = number[stay.position]
    return at


def _runs(at: Int) -> list[tuple[int, int]]:
    """Ranges of cells in which the same probes stand at the same places."""
    edges = [0, *(np.flatnonzero((at[:, 1:] != at[:, :-1]).any(axis=0)) + 1).tolist(), at.shape[1]]
    return [(a, b) for a, b in pairwise(edges) if a < b]
