"""One file per kind of rule: evidence in, candidates out; `finding.py` judges them all the same way."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from ...errors import Refused
from ...model import Conformity, Rule, RuleKind, Setup
from ...model.reasons import Why
from ...series import Bool
from ..evidence.cells import Cells
from ..evidence.grid import Grid
from . import bending, condensation, difference, gradient, limit, plane, slope, span
from .finding import Candidates, Finding, demand, flags_in_force, worst_of
from .inputs import RuleInput

_KINDS: Mapping[RuleKind, Callable[[Rule, RuleInput], Iterator[Candidates]]] = {
    "limit": limit.candidates,
    "span": span.candidates,
    "slope": slope.candidates,
    "gradient": gradient.candidates,
    "plane": plane.candidates,
    "spread": gradient.candidates,
    "difference": difference.candidates,
    "condensation": condensation.candidates,
    "bending": bending.candidates,
}


_SIDES: Mapping[RuleKind, Callable[[Rule, Setup], tuple[tuple[str, ...], tuple[str, ...]]]] = {
    "difference": difference.sides,
    "condensation": condensation.sides,
    "bending": difference.sides,
}
WINDOWED = ("span", "slope")
PAIRED = ("gradient", "spread", "difference", "condensation", "bending")
# These look at one medium against another.
OWN_MEDIA = ("difference", "bending")


def evaluate(rule: Rule, cells: Mapping[str, Cells], setup: Setup, grid: Grid) -> Finding:
    """What one rule says of each cell of the grid; `cells` reach back from it by the rule's window."""
    if rule.kind not in _KINDS:
        raise Refused(f"Rule {rule.key!r} is of kind {rule.kind!r}; expected one of {', '.join(_KINDS)}.")
    if rule.lower is not None and rule.upper is not None and rule.lower > rule.upper:
        raise Refused(f"Rule {rule.key!r} has its limits the wrong way round: {rule.lower} to {rule.upper}.")
    if rule.kind in WINDOWED and (rule.window_s <= 0 or rule.window_s % grid.step_s):
        raise Refused(
            f"Rule {rule.key!r} has a window of {rule.window_s} s; expected whole cells of {grid.step_s} s."
        )
    rule_input = _in_its_media(rule, RuleInput(cells, setup, grid))
    finding = _judge_rule(rule, rule_input)
    if rule.kind == "gradient":
        _say_that_no_pair_speaks(finding, rule_input)
    return replace(
        finding, evident=_evident_cells(finding, rule_input), troubled=_troubled_cells(finding, rule_input)
    )


def channels(rule: Rule, setup: Setup) -> tuple[str, ...]:
    """Channels that a rule looks at, both sides of those that compare two."""
    if rule.kind in _SIDES:
        return tuple(dict.fromkeys(key for side in _SIDES[rule.kind](rule, setup) for key in side))
    return setup.channels_of(rule)


def _in_its_media(rule: Rule, rule_input: RuleInput) -> RuleInput:
    """The evidence with each channel that is not named only while it stands where the rule looks for it."""
    if rule.kind == "condensation":
        surfaces, dew_points = condensation.sides(rule, rule_input.setup)
        for keys, media in ((surfaces, rule.media), (dew_points, ("air",))):
            if not set(keys) & set(rule.channels):
                rule_input = rule_input.in_media(keys, media)
        return rule_input
    if rule.channels or rule.kind in OWN_MEDIA:
        return rule_input
    return rule_input.in_media(channels(rule, rule_input.setup), rule.media)


def _judge_rule(rule: Rule, rule_input: RuleInput) -> Finding:
    candidates, least = _KINDS[rule.kind](rule, rule_input), demand(rule)
    if rule.kind not in PAIRED or least is None:
        return worst_of(rule, rule_input.grid, candidates, None if rule.kind == "plane" else least)
    # A rule on pairs demands channels; of those that it names, some may be too near for a pair.
    keys = channels(rule, rule_input.setup) if rule.need else rule.channels
    few = rule_input.reporting(keys) < least
    return worst_of(rule, rule_input.grid, candidates, 1 if rule.need else None, few)


def _say_that_no_pair_speaks(finding: Finding, rule_input: RuleInput) -> None:
    """Two probes whose line has another direction are no missing probe: their places say nothing of it."""
    unsaid = (finding.why == Why.NO_PROBE) & (rule_input.placed(channels(finding.rule, rule_input.setup)) > 1)
    finding.why[unsaid] = Why.ILL_CONDITIONED


def _evident_cells(finding: Finding, rule_input: RuleInput) -> Bool:
    """Where enough channels have a valid or covered value: a window that still fills is no lack of it."""
    rule = finding.rule
    if rule.kind not in WINDOWED:
        return finding.evident
    keys = channels(rule, rule_input.setup)
    reporting, least = rule_input.reporting(keys), demand(rule)
    enough = reporting >= (least or np.maximum(rule_input.placed(keys), 1))
    return flags_in_force(finding, enough | (finding.conformity == Conformity.NONCONFORMING))


def _troubled_cells(finding: Finding, rule_input: RuleInput) -> Bool:
    """Where a rule that disturbs cannot be judged, and what was read would be nonconforming as it stands."""
    short = finding.conformity == Conformity.INDETERMINATE
    if not finding.rule.disturbs or not short.any():
        return finding.troubled
    doubted = rule_input.as_read(channels(finding.rule, rule_input.setup))
    if doubted is None:
        return finding.troubled
    return np.asarray(short & (_judge_rule(finding.rule, doubted).conformity == Conformity.NONCONFORMING))


def kinds() -> tuple[RuleKind, ...]:
    """The kinds of rule that can be judged."""
    return tuple(_KINDS)
