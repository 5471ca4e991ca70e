"""Suspect probes in one cell: stuck, in conflict, or different from their neighbours.

The judge excludes a probe that departs alone (`neighbours.py`), from its first reading on while nothing later
contradicts that: an alarm must not report the room out of limits because of it.
"""

from __future__ import annotations

from collections.abc import Mapping

from ...model import RuleState, Setup
from ...model.reasons import WHY_TEXT, Why
from ..judge.judgement import Judgement

SUSPECT_REASONS = (Why.SUSPECT, Why.DISAGREES, Why.CONFLICT)


def suspect_probes(judgement: Judgement, setup: Setup, cell: int) -> dict[str, str]:
    """Suspect channel -> reason in words, in the cell at a place of the grid."""
    return {
        key: WHY_TEXT[Why(int(cells.why[cell]))]
        for key, cells in judgement.cells.items()
        if key in setup.channels and int(cells.why[cell]) in SUSPECT_REASONS and cells.placed[cell]
    }


def caused_by_suspects_only(state: RuleState, suspect: Mapping[str, str], setup: Setup) -> bool:
    """Whether only suspect probes are out of limits of a rule: then the room raises no alarm."""
    rule = next((r for r in setup.rules if r.key == state.rule), None)
    channels = {c for c in (setup.channels_of(rule) if rule else ()) if c in suspect and c in setup.channels}
    probes = {setup.channels[c].probe for c in channels}
    out = state.outside or ((state.probe,) if state.probe else ())
    # A label is a probe, or a pair of them; one suspect end makes a pair useless.
    return bool(out) and all(not probes.isdisjoint(label.split("–")) for label in out)
