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
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...model import Position, Rule
from ...series import Bool, Float, Int
from .finding import Candidates, LateU, pair_names, pick
from .inputs import RuleInput
from .lines import direction_of, lean_deg

_Take = Callable[[Iterable[NDArray[Any]]], NDArray[Any]]


@dataclass(frozen=True)
class _Pair:
    """Two channels at two positions during [from_ns, to_ns), d_m apart with standard uncertainty u_d_m."""

    first: str
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
class _PairSide:
    """One channel as every pair of it sees it, shape (n,): bounds, U squared, why nothing, whether there.

    outside: a reading outside its certificate's range takes part.
    """

    low: Float
    high: Float
    U_squared: Float
    why: NDArray[np.uint8]
    placed: Bool
    outside: Bool | None
    most_U_squared: float

    @staticmethod
    def of(key: str, rule_input: RuleInput) -> _PairSide:
        """Of the cells of a channel; low is high where each has readings of its own."""
        block = rule_input.block([key])
        lows, highs = block.bounds()
        low = lows[0]
        high = low if highs is lows else highs[0]
        outside = block.outside()
        why, placed, U_squared = block.of("why")[0], block.of("placed")[0], block.of("U")[0] ** 2
        most = float(U_squared.max(initial=0.0))
        return _PairSide(low, high, U_squared, why, placed, None if outside is None else outside[0], most)


def candidates(rule: Rule, rule_input: RuleInput) -> Iterator[Candidates]:
    """One candidate a pair of channels and the positions at which both stood."""
    by_channel = {key: _PairSide.of(key, rule_input) for key in rule_input.setup.channels_of(rule)}
    for pairs in rule_input.in_blocks(list(_pairs(rule, rule_input))):
        yield _compare_pairs(pairs, by_channel, rule_input)


def _pairs(rule: Rule, rule_input: RuleInput) -> Iterator[_Pair]:
    setup = rule_input.setup
    for first, other in combinations(setup.channels_of(rule), 2):
        for a, b in product(setup.placements_of(first), setup.placements_of(other)):
            positions = setup.positions[a.position], setup.positions[b.position]
            d = distance_m(rule, *positions)
            if d is None or positions[0].zone != positions[1].zone:
                continue
            u_d = 0.0 if rule.kind == "spread" else float(np.hypot(positions[0].u_m, positions[1].u_m))
            yield _Pair(first, other, d, u_d, max(a.from_ns, b.from_ns), _earlier(a.to_ns, b.to_ns))


def _earlier(a: int | None, b: int | None) -> int | None:
    return b if a is None else a if b is None else min(a, b)


def _compare_pairs(
    pairs: Sequence[_Pair], by_channel: Mapping[str, _PairSide], rule_input: RuleInput
) -> Candidates:
    a, b = [by_channel[p.first] for p in pairs], [by_channel[p.other] for p in pairs]
    d_m, u_d_m = np.array([[p.d_m] for p in pairs]), np.array([[p.u_d_m] for p in pairs])
    difference = _difference(a, b, _rows)
    value = difference / d_m
    np.rint(value, out=value)
    during = _rows(rule_input.during(p.from_ns, p.to_ns) for p in pairs)
    return Candidates(
        pair_names([rule_input.cells[p.first] for p in pairs], [rule_input.cells[p.other] for p in pairs]),
        value,
        value,
        _U(a, b, float(difference.max(initial=0.0)), d_m**2, 2 * u_d_m / d_m**2),
        np.maximum(_rows(s.why for s in a), _rows(s.why for s in b)),
        during & _rows(s.placed for s in a) & _rows(s.placed for s in b),
        _outside_range(a, b),
    )


def _difference(a: Sequence[_PairSide], b: Sequence[_PairSide], take: _Take) -> Float:
    """|Ti − Tj| of the pairs where `take` looks; of a covered cell the larger that its bounds allow."""
    difference: Float = take(s.high for s in a) - take(s.low for s in b)
    np.abs(difference, out=difference)
    if any(s.low is not s.high for s in (*a, *b)):
        np.maximum(difference, np.abs(take(s.high for s in b) - take(s.low for s in a)), out=difference)
    return difference


def _U(a: Sequence[_PairSide], b: Sequence[_PairSide], farthest: float, d2: Float, per_K: Float) -> LateU:
    """U of the pairs, of which only that of the worst is asked for.

    farthest: the largest difference; d2: distances squared, (k, 1); per_K: U by the positions for each unit
    of difference, (k, 1).
    """

    def at(row: Any, cells: Int) -> Float:
        def take(arrays: Iterable[NDArray[Any]]) -> NDArray[Any]:
            return pick(_rows(arrays), row, cells)

        squared = take(s.U_squared for s in a) + take(s.U_squared for s in b)
        return _from_squared(squared, _difference(a, b, take), pick(d2, row, none), pick(per_K, row, none))

    none = np.zeros(1, np.int64)
    # Every step of the formula rises with what it is given, rounded or not.
    most_squared = sum(float(np.max([s.most_U_squared for s in side])) for side in (a, b))
    return LateU(at, float(_from_squared(most_squared, farthest, d2, per_K).max(initial=0.0)))


def _from_squared(U_squared: Float | float, difference: Float | float, d2: Float, per_K: Float) -> Float:
    return np.asarray(np.rint(np.sqrt(U_squared / d2 + (difference * per_K) ** 2)))


def _outside_range(a: Sequence[_PairSide], b: Sequence[_PairSide]) -> Bool | None:
    """Where either of a pair has a reading outside its certificate's range; None: nowhere."""
    if all(s.outside is None for s in (*a, *b)):
        return None
    none = np.zeros(len(a[0].low), np.bool_)
    first, other = (_rows(none if s.outside is None else s.outside for s in side) for side in (a, b))
    return np.asarray(first | other)


def _rows(arrays: Iterable[NDArray[Any]]) -> NDArray[Any]:
    """Arrays of shape (n,) as rows; one alone is not copied."""
    listed = list(arrays)
    return listed[0][None] if len(listed) == 1 else np.stack(listed)
