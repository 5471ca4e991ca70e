"""Spatial gradient: |Ti − Tj| / d for each pair of positions far enough apart, the worst pair named.
Spread: |Ti − Tj| of every pair, however near, which is max − min with the probes that make it.

A pair speaks of its own line alone: "vertical" and "horizontal" rest on pairs whose line counts as such
(`lines.py`), "pair" on every pair; d is their whole distance. The uncertainty follows from the probes' own
and from the positions' (JCGM 100, 5.1):

    u² = (u_i² + u_j²)/d² + (ΔT/d²)²·(u_xi² + u_xj²)

The probes' errors count as independent. Cell means are compared; a covered cell, which has no
reading of its own, enters with whichever of its bounds makes the difference larger.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...model import Position, Rule
from ...series import Bool, Float
from .finding import Candidates, pair_names
from .inputs import Sight
from .lines import direction_of, lean_deg


@dataclass(frozen=True)
class _Pair:
    """Two channels at two positions during [from_ns, to_ns), d_m apart with standard uncertainty u_d_m."""

    one: str
    other: str
    d_m: float
    u_d_m: float
    from_ns: int
    to_ns: int | None


def distance_m(rule: Rule, a: Position, b: Position) -> float | None:
    """Distance of two positions; None where they are too near, or their line has not the rule's direction."""
    if rule.kind == "spread":
        return 1.0
    if rule.direction not in ("pair", direction_of(lean_deg(a, b))):
        return None
    d = math.dist(a.xyz_m, b.xyz_m)
    return d if d >= rule.d_min_m and d > 0 else None


@dataclass(frozen=True)
class _Seen:
    """One channel as every pair of it sees it, shape (n,): bounds, U squared, why nothing, whether there.

    outside: a reading outside its certificate's range takes part.
    """

    low: Float
    high: Float
    U_squared: Float
    why: NDArray[np.uint8]
    placed: Bool
    outside: Bool | None

    @staticmethod
    def of(key: str, sight: Sight) -> _Seen:
        """Of the cells of a channel; low is high where each has readings of its own."""
        block = sight.block([key])
        low, high = (bound[0] for bound in block.bounds())
        outside = block.outside()
        why, placed = block.of("why")[0], block.of("placed")[0]
        return _Seen(low, high, block.of("U")[0] ** 2, why, placed, None if outside is None else outside[0])


def candidates(rule: Rule, sight: Sight) -> Iterator[Candidates]:
    """One candidate a pair of channels and the positions at which both stood."""
    seen = {key: _Seen.of(key, sight) for key in sight.setup.channels_of(rule)}
    for pairs in sight.several(list(_pairs(rule, sight))):
        yield _compared(pairs, seen, sight)


def _pairs(rule: Rule, sight: Sight) -> Iterator[_Pair]:
    setup = sight.setup
    for one, other in combinations(setup.channels_of(rule), 2):
        for a, b in product(setup.placements_of(one), setup.placements_of(other)):
            there = setup.positions[a.position], setup.positions[b.position]
            d = distance_m(rule, *there)
            if d is None or there[0].zone != there[1].zone:
                continue
            u_d = 0.0 if rule.kind == "spread" else float(np.hypot(there[0].u_m, there[1].u_m))
            yield _Pair(one, other, d, u_d, max(a.from_ns, b.from_ns), _earlier(a.to_ns, b.to_ns))


def _earlier(a: int | None, b: int | None) -> int | None:
    return b if a is None else a if b is None else min(a, b)


def _compared(pairs: Sequence[_Pair], seen: Mapping[str, _Seen], sight: Sight) -> Candidates:
    a, b = [seen[p.one] for p in pairs], [seen[p.other] for p in pairs]
    d_m, u_d_m = np.array([[p.d_m] for p in pairs]), np.array([[p.u_d_m] for p in pairs])
    difference = np.abs(_rows(s.high for s in a) - _rows(s.low for s in b))
    if any(s.low is not s.high for s in (*a, *b)):
        difference = np.maximum(difference, np.abs(_rows(s.high for s in b) - _rows(s.low for s in a)))
    value = np.rint(difference / d_m)
    own = _rows(s.U_squared for s in a) + _rows(s.U_squared for s in b)
    U_squared = own / d_m**2 + (difference * (2 * u_d_m / d_m**2)) ** 2
    there = np.stack([sight.during(p.from_ns, p.to_ns) for p in pairs])
    return Candidates(
        pair_names([sight.cells[p.one] for p in pairs], [sight.cells[p.other] for p in pairs]),
        value,
        value,
        np.rint(np.sqrt(U_squared)),
        np.maximum(_rows(s.why for s in a), _rows(s.why for s in b)),
        there & _rows(s.placed for s in a) & _rows(s.placed for s in b),
        _outside(a, b),
    )


def _outside(a: Sequence[_Seen], b: Sequence[_Seen]) -> Bool | None:
    """Where either of a pair has a reading outside its certificate's range; None: nowhere."""
    if all(s.outside is None for s in (*a, *b)):
        return None
    none = np.zeros(len(a[0].low), np.bool_)
    one, other = (_rows(none if s.outside is None else s.outside for s in side) for side in (a, b))
    return np.asarray(one | other)


def _rows(arrays: Iterable[NDArray[Any]]) -> NDArray[Any]:
    """Arrays of shape (n,) as rows; one alone is not copied."""
    each = list(arrays)
    return each[0][None] if len(each) == 1 else np.stack(each)
