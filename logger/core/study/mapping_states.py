"""States of a campaign: each mapped, then compared in pairs by the largest difference at one instant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from ...series import Float
from .figure import Answer, Figure, effect
from .mapping import Campaign, mapping
from .noise import in_blocks, regress

SHORT_H = 12.0  # of a state: four cycles of 3 h, the longest that are looked for
METHOD = "largest difference at one instant, state against state; white noise and a memory, averaged"


def map_states(states: Sequence[tuple[str, Campaign]]) -> Answer:
    """The mapping of each state (name, records), joined; with two or more, what differs between them."""
    answers = [(name, mapping(campaign)) for name, campaign in states]
    (first, answer), several = answers[0], len(answers) > 1
    figures = [
        replace(item, name=f"{name}: {item.name}" if several else item.name)
        for name, answer in answers
        for item in answer.figures
    ]
    remarks = [f"{name}: {line}" if several else line for name, answer in answers for line in answer.remarks]
    tables = {
        table if name == first else f"{table}, {name}": columns
        for name, answer in answers
        for table, columns in answer.tables.items()
    }
    remarks += [line for name, campaign in states for line in _too_short(name, campaign)]
    figures += _compared(states, answers)
    headline = f"{first}: {answer.headline}" if several else answer.headline
    return Answer("map", headline, tuple(figures), tuple(remarks), tables)


def _too_short(name: str, campaign: Campaign) -> list[str]:
    hours = max(record.span_s for record in campaign.state.values()) / 3600
    if hours >= SHORT_H:
        return []
    return [
        f"{name} lasted {hours:.1f} h: a cycle of the air handling may be as long as 3 h, and four of them "
        "are needed, so that this shows that time alone. Log 24 h."
    ]


def _compared(states: Sequence[tuple[str, Campaign]], answers: Sequence[tuple[str, Answer]]) -> list[Figure]:
    figures = []
    series: list[tuple[str, Float, Float]] = []
    for (name, campaign), (_, answer) in zip(states, answers, strict=True):
        table = answer.tables.get("uniformity")
        if table is not None and len(table["hour"]) >= 8:
            # As read: the noise of the probes is that of both states, and the error model needs it.
            start = next(iter(campaign.state.values())).start_s / 3600
            t, y = start + np.array(table["hour"]), np.array(table["difference as read"])
            blocks = in_blocks(t, y, most=100)
            series.append((name, blocks[0], blocks[1]))
    unit = next(iter(states[0][1].state.values())).difference_unit
    for (a, ta, ya), (b, tb, yb) in combinations(series, 2):
        t, y = np.concatenate((ta, tb)), np.concatenate((ya, yb))
        step = np.concatenate((np.zeros(len(ta)), np.ones(len(tb))))
        shorter = min(np.ptp(ta), np.ptp(tb))
        fit = regress(np.column_stack((np.ones(len(y)), step)), y, t, longest=shorter / 2)
        value, low, high = fit.interval(np.array([0.0, 1.0]))
        name = f"{b} against {a}, mean difference at one instant"
        figures.append(effect(name, value, low, high, unit, n=fit.degrees, method=METHOD))
    return figures
