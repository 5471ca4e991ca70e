"""Probes that report and cannot be believed in one cell: stuck, in conflict, or apart from their neighbours.

The judge takes a probe out that departed for most of 15 min (`agreement.py`). Until then an alarm must not
call the room out because of it: a probe that departs alone is doubted here from its first minute on.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .agreement import departing, groups
from .calibration import WHY_TEXT, Why
from .judge import Judgement
from .model import RuleState, Setup
from .units import MICRO

DOUBTS = (Why.SUSPECT, Why.DISAGREES, Why.CONFLICT)


def doubts(judgement: Judgement, setup: Setup, cell: int) -> dict[str, str]:
    """Channels that are doubted in a cell, given as its place in the grid, and why in words."""
    found = {
        key: WHY_TEXT[Why(int(cells.why[cell]))]
        for key, cells in judgement.cells.items()
        if key in setup.channels and int(cells.why[cell]) in DOUBTS and cells.placed[cell]
    }
    agree_K = setup.zone(judgement.zone).agree_K
    for keys in groups(judgement.zone, setup) if agree_K is not None else ():
        known = [key for key in keys if key in judgement.cells]
        means = [
            np.where(c.placed[cell : cell + 1], c.mean[cell : cell + 1], np.nan)
            for c in (judgement.cells[key] for key in known)
        ]
        apart = departing(means, (agree_K or 0.0) * MICRO, 1)
        found |= {k: WHY_TEXT[Why.DISAGREES] for k, flag in zip(known, apart, strict=True) if flag[0]}
    return found


def by_doubted_alone(state: RuleState, doubted: Mapping[str, str], setup: Setup) -> bool:
    """Whether a rule is broken by nothing but probes that are doubted: no alarm of the room."""
    rule = next((r for r in setup.rules if r.key == state.rule), None)
    taken = {c for c in (setup.channels_of(rule) if rule else ()) if c in doubted and c in setup.channels}
    probes = {setup.channels[c].probe for c in taken}
    out = state.outside or ((state.probe,) if state.probe else ())
    # A label is a probe, or a pair of them; one doubted end makes a pair worthless.
    return bool(out) and all(not probes.isdisjoint(label.split("–")) for label in out)
