"""Probes that report and cannot be believed in one cell: stuck, in conflict, or apart from their neighbours.

The judge takes a probe out that departs alone (`agreement.py`), from its first reading on while nothing later
contradicts that: an alarm must not call the room out because of it.
"""

from __future__ import annotations

from collections.abc import Mapping

from ...model import RuleState, Setup
from ...model.reasons import WHY_TEXT, Why
from ..judge.judgement import Judgement

DOUBTS = (Why.SUSPECT, Why.DISAGREES, Why.CONFLICT)


def doubts(judgement: Judgement, setup: Setup, cell: int) -> dict[str, str]:
    """Channels that are doubted in a cell, given as its place in the grid, and why in words."""
    return {
        key: WHY_TEXT[Why(int(cells.why[cell]))]
        for key, cells in judgement.cells.items()
        if key in setup.channels and int(cells.why[cell]) in DOUBTS and cells.placed[cell]
    }


def by_doubted_alone(state: RuleState, doubted: Mapping[str, str], setup: Setup) -> bool:
    """Whether a rule is broken by nothing but probes that are doubted: no alarm of the room."""
    rule = next((r for r in setup.rules if r.key == state.rule), None)
    taken = {c for c in (setup.channels_of(rule) if rule else ()) if c in doubted and c in setup.channels}
    probes = {setup.channels[c].probe for c in taken}
    out = state.outside or ((state.probe,) if state.probe else ())
    # A label is a probe, or a pair of them; one doubted end makes a pair worthless.
    return bool(out) and all(not probes.isdisjoint(label.split("–")) for label in out)
