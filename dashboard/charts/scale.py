"""The scale: one rule as a line of graduations, as on an instrument. Inline SVG.

Limits are marks, the guard band is hatched, the value a pointer, its expanded uncertainty a
bracket above. One glance says how far from the limit, and whether the probes can tell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from logger.model import Conformity, RuleState

from ..data.deciding import near_limit
from ..data.words import figure, plain, to_read_unit

WIDTH, HEIGHT = 360.0, 62.0
LINE_Y = 38.0
WORD = {
    Conformity.NOT_APPLICABLE: "not applicable",
    Conformity.CONFORMING: "conforming",
    Conformity.GUARD_BAND: "guard band",
    Conformity.INDETERMINATE: "indeterminate",
    Conformity.NONCONFORMING: "nonconforming",
}


@dataclass(frozen=True)
class ScaleAxis:
    """A stretch of values drawn over the width."""

    low: float
    high: float

    def x(self, value: float) -> float:
        """Place of a value in px, held inside the drawing."""
        share = (value - self.low) / (self.high - self.low)
        return round(min(max(share, 0.0), 1.0) * WIDTH, 2)

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high


def axis_of(state: RuleState) -> ScaleAxis:
    """Three tenths of the band beyond each limit; from zero where there is only an upper one."""
    lower, upper = state.lower, state.upper
    if lower is not None and upper is not None:
        room = 0.3 * (upper - lower)
        return ScaleAxis(lower - room, upper + room)
    if upper is not None:
        return ScaleAxis(0.0, upper * 1.4) if upper > 0 else ScaleAxis(upper - 1.0, upper + 0.4)
    if lower is not None:
        return ScaleAxis(lower - 0.4 * max(abs(lower), 1.0), lower + max(abs(lower), 1.0))
    value = state.value or 0.0
    return ScaleAxis(value - 1.0, value + 1.0)


def step_of(axis: ScaleAxis, count: int = 20) -> float:
    """The distance of graduations: 1, 2 or 5 times a power of ten, about `wanted` of them.

    >>> step_of(ScaleAxis(19.2, 20.8))
    0.1
    """
    rough = (axis.high - axis.low) / count
    power = 10.0 ** math.floor(math.log10(rough))
    return float(next(round(m * power, 12) for m in (1, 2, 5, 10) if m * power >= rough * 0.999))


def label(state: RuleState) -> str:
    """The rule, its value and its result in words: what a screen reader says."""
    limits = [f"lower limit {plain(state.lower, state.unit)}"] if state.lower is not None else []
    limits += [f"upper limit {plain(state.upper, state.unit)}"] if state.upper is not None else []
    probe = f", {state.probe}" if state.probe else ""
    why = f", {state.why}" if state.why else ""
    value = figure(state.value, state.unit, state.U, near_limit(state))
    return f"{state.name}{probe}: {value}; {', '.join(limits) or 'no limit'}; {WORD[state.conformity]}{why}"


def side(state: RuleState) -> str:
    """On which side of a limit a value lies, as people say it; else the formal word of the result."""
    if state.conformity is not Conformity.NONCONFORMING or state.value is None:
        return WORD[state.conformity]
    if state.upper is not None and state.value > state.upper:
        return "above limit"
    return "below limit" if state.lower is not None and state.value < state.lower else "out of limits"


def worst_first(states: Sequence[RuleState]) -> list[RuleState]:
    """Rules without a value first, then those that have used up most of the room between their limits."""

    def room(state: RuleState) -> float:
        if state.margin is None or state.value is None:
            return -math.inf
        low = 0.0 if state.lower is None else state.lower
        width = abs((state.upper if state.upper is not None else low) - low)
        return state.margin / (width or 1.0)

    return sorted(states, key=room)


def scale(state: RuleState, r: float = 1.0) -> str:
    """The scale of one rule as SVG text. Every text in it is escaped."""
    axis = axis_of(state)
    parts = [_head(state), _band(axis, state, r), _graduations(axis), _limits(axis, state)]
    if state.value is not None:
        parts.append(_pointer(axis, state.value, state.U))
    return (
        f'<svg class="scale" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" role="img" '
        f'aria-label="{escape(label(state), quote=True)}">{"".join(parts)}</svg>'
    )


def bare_scale(state: RuleState, r: float = 1.0) -> str:
    """The scale without words, for a screen on the wall; what it shows is said beside it."""
    axis = axis_of(state)
    marks = "".join(
        f'<path class="scale-limit" d="M{axis.x(limit)} {LINE_Y - 15}v26"/>'
        for limit in (state.lower, state.upper)
        if limit is not None
    )
    parts = [_band(axis, state, r), _graduations(axis), marks]
    if state.value is not None:
        parts.append(_pointer(axis, state.value, state.U))
    return (
        f'<svg class="scale" viewBox="-2 18 {WIDTH + 4:.0f} 32" role="img" '
        f'aria-label="{escape(label(state), quote=True)}">{"".join(parts)}</svg>'
    )


def _head(state: RuleState) -> str:
    """Rule and probe, and a word where it does not conform; to the right the value, or why there is none."""
    name = state.name + (f", {state.probe}" if state.probe else "")
    plain_word = state.conformity in (Conformity.CONFORMING, Conformity.NOT_APPLICABLE)
    has_value = state.value is not None
    word = "" if plain_word or not has_value else side(state)
    warn = f'<tspan class="scale-word"> {escape(word)}</tspan>' if word else ""
    value = state.why or WORD[state.conformity]
    if has_value:
        value = figure(state.value, state.unit, state.U, near_limit(state))
    css = "scale-value" if has_value else "scale-value scale-word"
    return (
        f'<text x="0" y="12" class="scale-name">{escape(name)}{warn}</text>'
        f'<text x="{WIDTH:.0f}" y="12" class="{css}" text-anchor="end">{escape(value)}</text>'
    )


def _rect(axis: ScaleAxis, low: float, high: float, css: str) -> str:
    left, right = axis.x(low), axis.x(high)
    return f'<rect class="{css}" x="{left}" y="{LINE_Y - 8}" width="{max(right - left, 0):.2f}" height="8"/>'


def _band(axis: ScaleAxis, state: RuleState, r: float) -> str:
    """What is inside the limits, pale; within r·U of them, hatched."""
    if state.lower is None and state.upper is None:
        return ""
    low = axis.low if state.lower is None else state.lower
    high = axis.high if state.upper is None else state.upper
    parts = [_rect(axis, low, high, "scale-inside")]
    width = min(r * (state.U or 0.0), high - low)
    if width > 0 and state.upper is not None:
        parts.append(_rect(axis, high - width, high, "scale-guard"))
    if width > 0 and state.lower is not None:
        parts.append(_rect(axis, low, low + width, "scale-guard"))
    return "".join(parts)


def _graduations(axis: ScaleAxis) -> str:
    step = step_of(axis)
    first = math.ceil(axis.low / step - 1e-9)
    last = math.floor(axis.high / step + 1e-9)
    strokes = "".join(
        f"M{axis.x(i * step)} {LINE_Y}v{7 if i % 5 == 0 else 4}"
        for i in range(first, min(last, first + 60) + 1)
    )
    return f'<path class="scale-line" d="M0 {LINE_Y}H{WIDTH:.0f}{strokes}"/>'


def _limits(axis: ScaleAxis, state: RuleState) -> str:
    parts = []
    for limit in (state.lower, state.upper):
        if limit is None:
            continue
        x = axis.x(limit)
        number = f"{to_read_unit(limit, state.unit)[0]:.2f}".rstrip("0").rstrip(".")
        parts.append(
            f'<path class="scale-limit" d="M{x} {LINE_Y - 11}v18"/>'
            f'<text class="scale-limit-text" x="{x}" y="{LINE_Y + 20}" text-anchor="middle">{number}</text>'
        )
    return "".join(parts)


def _pointer(axis: ScaleAxis, value: float, U: float | None) -> str:
    x, top = axis.x(value), LINE_Y - 12
    parts = []
    if U:
        left, right = axis.x(value - U), axis.x(value + U)
        ends = "".join(
            f"M{e} {top - 3}v6" for e, inside in ((left, value - U), (right, value + U)) if axis.holds(inside)
        )
        parts.append(f'<path class="scale-bracket" d="M{left} {top}H{right}{ends}"/>')
    if axis.holds(value):
        parts.append(f'<path class="scale-pointer" d="M{x - 5} {top + 1}h10l-5 9z"/>')
    else:  # Beyond the drawing: an arrow at its end says on which side.
        side = 1 if value > axis.high else -1
        parts.append(f'<path class="scale-pointer" d="M{x - side * 10} {top - 4}v12l{side * 9} -6z"/>')
    return "".join(parts)
