"""Until when a zone stays within its limits at its present rate: for the sentence, never for a verdict.

A limit is followed on the means of each of its channels, any other rule on the value that it judged, over
the last hour. Where one of them cannot be followed, nothing is said.
"""

from __future__ import annotations

import numpy as np

from .forecast import HORIZON_MIN, WINDOW_MIN, Crossing, Line, crossing, lines
from .instants import rfc3339
from .judge import Judgement
from .model import NS, Conformity, Rule, Setup
from .rules.finding import Finding
from .units import MICRO


def ahead(setup: Setup, judgement: Judgement) -> dict[str, object] | None:
    """When the first limit is reached, by which rule and probe; else until when none is, at least.

    None: some rule is broken, or cannot be followed.
    """
    reached: list[tuple[Crossing, Rule, str]] = []
    for finding in judgement.findings:
        state = finding.conformity[-1]
        if state == Conformity.NOT_APPLICABLE:
            continue
        followed = _lines(setup, judgement, finding)
        if state in (Conformity.NONCONFORMING, Conformity.INDETERMINATE) or not followed:
            return None
        for probe, found in followed:
            if found is None:
                return None
            there = crossing(found, finding.rule.lower, finding.rule.upper)
            reached += [(there, finding.rule, probe)] if there else []
    now_ns = (judgement.grid.first + judgement.grid.n) * judgement.grid.step_ns
    if not reached:
        return {"until": _at(now_ns, HORIZON_MIN)}
    return _told(now_ns, *min(reached, key=lambda one: one[0].minutes))


def _lines(setup: Setup, judgement: Judgement, finding: Finding) -> list[tuple[str, Line | None]]:
    """The line through the last hour of each value that a rule looks at, with the probe's name."""
    if finding.rule.kind != "limit":
        label = finding.labels[finding.label[-1]] if finding.label[-1] >= 0 else ""
        followed = [(label, finding.value)]
    else:
        each = ((key, judgement.cells.get(key)) for key in setup.channels_of(finding.rule))
        followed = [
            (key.partition(".")[0], cells.mean)
            for key, cells in each
            if cells is not None and len(cells.placed) and cells.placed[-1]
        ]
    if not followed:
        return []
    step_s = judgement.grid.step_s
    last = np.stack([micro[-WINDOW_MIN * 60 // step_s :] for _, micro in followed]) / MICRO
    n = last.shape[1]
    found = lines((np.arange(n) - n + 1) * step_s / 60, last)
    return [(probe, one) for (probe, _), one in zip(followed, found, strict=True)]


def _told(now_ns: int, there: Crossing, rule: Rule, probe: str) -> dict[str, object]:
    latest = None if there.latest is None else _at(now_ns, there.latest)
    return {
        "until": _at(now_ns, there.minutes),
        "earliest": _at(now_ns, there.earliest),
        "latest": latest,
        "rule": rule.key,
        "name": rule.name,
        "probe": probe,
        "limit": there.limit,
        "unit": rule.unit,
    }


def _at(now_ns: int, minutes: float) -> str:
    return rfc3339(now_ns + round(minutes * 60) * NS)
