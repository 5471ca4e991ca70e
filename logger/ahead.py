"""Until when a zone stays within its limits at its present rate: for the sentence, never for a verdict.

A limit is followed on the means of each of its channels, any other rule on the value that it judged, over
the last hour. Where one of them cannot be followed, nothing is said.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from .forecast import HORIZON_MIN, WINDOW_MIN, Crossing, Line, crossing, line
from .inspection import rfc3339
from .judge import Judgement
from .model import NS, Conformity, Rule, Setup
from .rules.finding import Finding
from .series import Float
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
        lines = list(_lines(setup, judgement, finding))
        if state in (Conformity.NONCONFORMING, Conformity.INDETERMINATE) or not lines:
            return None
        for probe, found in lines:
            if found is None:
                return None
            there = crossing(found, finding.rule.lower, finding.rule.upper)
            reached += [(there, finding.rule, probe)] if there else []
    now_ns = (judgement.grid.first + judgement.grid.n) * judgement.grid.step_ns
    if not reached:
        return {"until": _at(now_ns, HORIZON_MIN)}
    return _told(now_ns, *min(reached, key=lambda one: one[0].minutes))


def _lines(setup: Setup, judgement: Judgement, finding: Finding) -> Iterator[tuple[str, Line | None]]:
    """The line through the last hour of each value that a rule looks at, with the probe's name."""
    if finding.rule.kind != "limit":
        label = finding.labels[finding.label[-1]] if finding.label[-1] >= 0 else ""
        yield label, _line(finding.value, judgement)
        return
    for key in setup.channels_of(finding.rule):
        cells = judgement.cells.get(key)
        if cells is not None and len(cells.placed) and cells.placed[-1]:
            yield key.partition(".")[0], _line(cells.mean, judgement)


def _line(micro: Float, judgement: Judgement) -> Line | None:
    last = micro[-WINDOW_MIN * 60 // judgement.grid.step_s :] / MICRO
    minute = (np.arange(len(last)) - len(last) + 1) * judgement.grid.step_s / 60
    return line(minute, last)


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
