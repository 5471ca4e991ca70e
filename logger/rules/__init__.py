"""One file per kind of rule: evidence in, candidates out; `finding.py` judges them all the same way."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from ..errors import Refused
from ..evidence import Cells, Grid
from ..model import Rule, RuleKind, Setup
from . import condensation, difference, gradient, limit, plane, slope, span
from .finding import Candidates, Finding, worst_of
from .sight import Sight

_KINDS: Mapping[RuleKind, Callable[[Rule, Sight], Iterator[Candidates]]] = {
    "limit": limit.candidates,
    "span": span.candidates,
    "slope": slope.candidates,
    "gradient": gradient.candidates,
    "plane": plane.candidates,
    "spread": gradient.candidates,
    "difference": difference.candidates,
    "condensation": condensation.candidates,
}


WINDOWED = ("span", "slope")


def evaluate(rule: Rule, cells: Mapping[str, Cells], setup: Setup, grid: Grid) -> Finding:
    """What one rule says of each cell of the grid; `cells` reach back from it by the rule's window."""
    if rule.kind not in _KINDS:
        raise Refused(f"Rule {rule.key!r} is of kind {rule.kind!r}; wanted one of {', '.join(_KINDS)}.")
    if rule.lower is not None and rule.upper is not None and rule.lower > rule.upper:
        raise Refused(f"Rule {rule.key!r} has its limits the wrong way round: {rule.lower} to {rule.upper}.")
    if rule.kind in WINDOWED and (rule.window_s <= 0 or rule.window_s % grid.step_s):
        raise Refused(
            f"Rule {rule.key!r} has a window of {rule.window_s} s; wanted whole cells of {grid.step_s} s."
        )
    return worst_of(rule, grid, _KINDS[rule.kind](rule, Sight(cells, setup, grid)))


def kinds() -> tuple[RuleKind, ...]:
    """The kinds of rule that can be judged."""
    return tuple(_KINDS)
