"""What a person would say of a zone right now: one sentence, why, and what to do next."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import cast
from zoneinfo import ZoneInfo

import numpy as np

from ...instants import NS, rfc3339
from ...model import REASONS, VERDICT_OF, Conformity, Period, Reason, RuleState, Setup
from ...model.figures import limit_text
from ...model.plain_forms import LiveRule, LiveStatement
from ...model.reasons import WHY_TEXT, RecordStart, Why, reason_text
from ...units import MICRO
from ..rules.finding import Finding
from .judgement import Judgement
from .leading_reason import WorstValue, beyond, in_guard_band, width
from .outlook import Gains, expected_bands, expected_crossing, leavings, skill_text
from .periods import label


def read_statements(texts: Mapping[str, str]) -> dict[str, LiveStatement]:
    """Zone -> statement, of those stored as JSON that are whole: a damaged one is none.

    >>> read_statements({"bay": '{"zone": "bay"}', "bench": "{"})
    {}
    """
    statements: dict[str, LiveStatement] = {}
    for zone, text in texts.items():
        try:
            body = json.loads(text)
        except ValueError:
            continue
        if isinstance(body, dict) and LiveStatement.__required_keys__ <= body.keys():
            statements[zone] = cast(LiveStatement, body)
    return statements


def rule_states(judgement: Judgement, cell: int, start: RecordStart | None = None) -> list[RuleState]:
    """Every rule in one cell, given as its place in the grid; rules not in force there are left out.

    start: of the record, where it may have begun within a window.
    """
    states = []
    for finding in judgement.findings:
        if finding.conformity[cell] != Conformity.NOT_APPLICABLE:
            states.append(_rule_state(finding, cell, start))
    return states


def _rule_state(finding: Finding, cell: int, start: RecordStart | None) -> RuleState:
    def number(array: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float | None:
        return float(array[cell]) / MICRO if np.isfinite(array[cell]) else None

    rule, until_ns = finding.rule, (finding.grid.first + cell + 1) * finding.grid.step_ns
    return RuleState(
        rule=rule.key,
        name=rule.name,
        cell_ns=(finding.grid.first + cell) * finding.grid.step_ns,
        value=number(finding.value),
        U=number(finding.U),
        margin=number(finding.margin),
        unit=rule.unit,
        lower=rule.lower,
        upper=rule.upper,
        conformity=Conformity(int(finding.conformity[cell])),
        probe=label(finding, cell),
        why=reason_text(Why(int(finding.why[cell])), rule, start, until_ns),
        outside=tuple(x for i, x in enumerate(finding.labels[:63]) if int(finding.beyond[cell]) >> i & 1),
    )


def statement(
    setup: Setup,
    judgement: Judgement,
    current: Period,
    oldest_s: float | None,
    gains: Gains | None,
    *,
    start: RecordStart | None = None,
) -> LiveStatement:
    """The newest complete cell of a zone as plain data, with the sentence that opens a page.

    oldest_s: age of the newest value of the channel that is silent longest; gains: of forecasts of the zone,
    None where they were not measured yet; start: of the record, where it may have begun within a window.
    """
    cell = judgement.grid.n - 1
    states = rule_states(judgement, cell, start)
    expected = leavings(setup, judgement, gains or {})
    zone, reason = setup.zone(judgement.zone), REASONS[int(judgement.reason[cell])]
    return {
        "zone": zone.key,
        "name": zone.name,
        "at": rfc3339((judgement.grid.first + cell + 1) * judgement.grid.step_ns),
        "verdict": VERDICT_OF[reason],
        "reason": reason,
        "since": rfc3339(current.from_ns),
        "sentence": sentence(zone.name, reason),
        "next_step": next_step(setup, judgement, states, reason),
        "ahead": expected_crossing(setup, judgement, gains or {}, expected),
        "bands": expected_bands(setup, expected),
        "forecast": skill_text(gains),
        "provisional": True,
        "rules": [_rule_dict(state) for state in states],
        "oldest_reading_s": oldest_s,
    }


def _rule_dict(state: RuleState) -> LiveRule:
    return {
        "rule": state.rule,
        "name": state.name,
        "value": state.value,
        "U": state.U,
        "margin": state.margin,
        "unit": state.unit,
        "lower": state.lower,
        "upper": state.upper,
        "conformity": state.conformity.name.lower().replace("_", " "),
        "probe": state.probe,
        "why": state.why,
        "outside": state.outside,
        "at": rfc3339(state.cell_ns),
    }


def sentence(name: str, reason: Reason) -> str:
    """The verdict in words.

    >>> sentence("Machine bay", "settling"), sentence("Plate bench", "guard band")
    ('Machine bay is not stable.', 'Plate bench: not shown.')
    """
    verdict = VERDICT_OF[reason]
    return f"{name}: not shown." if verdict == "not shown" else f"{name} is {verdict}."


def next_step(setup: Setup, judgement: Judgement, states: list[RuleState], reason: Reason) -> str:
    """Why, and what to do, in one line."""
    if reason == "nonconforming":
        worst = _nearest([s for s in states if s.conformity == Conformity.NONCONFORMING])
        return f"{_capital(_beyond(judgement, worst))}. Stop measuring in this zone." if worst else ""
    if reason == "marked":
        return "This time is marked as not to be used."
    if reason == "settling":
        return f"Within limits again. Ready at {_settled_at(setup, judgement)} if it stays so."
    if reason == "indeterminate":
        return _missing(states, setup, judgement)
    if reason == "guard band":
        near = _nearest([s for s in states if s.conformity == Conformity.GUARD_BAND])
        return f"{_capital(_guarded(near))}." if near else ""
    near = _nearest(states)
    return f"Closest to its limit: {_value(near)}." if near else ""


def _nearest(states: list[RuleState]) -> RuleState | None:
    """The rule that has used up most of the room between its limits."""
    with_margin = [s for s in states if s.margin is not None]
    return min(with_margin, key=lambda s: (s.margin or 0.0) / width(s.lower, s.upper), default=None)


def _limit(state: RuleState) -> float | None:
    if state.value is None or state.upper is None:
        return state.lower
    return state.upper if state.lower is None or state.value * 2 > state.lower + state.upper else state.lower


def _worst(state: RuleState) -> WorstValue | None:
    limit = _limit(state)
    if state.value is None or limit is None:
        return None
    return WorstValue(state.name, state.probe, state.value, state.U, limit, state.unit)


def _value(state: RuleState) -> str:
    worst = _worst(state)
    return f"{worst.text}, limit {limit_text(worst.limit, worst.unit)}" if worst else state.name


def _beyond(judgement: Judgement, state: RuleState) -> str:
    worst = _worst(state)
    proven = any(bool(f.proven[-1]) for f in judgement.findings if f.rule.key == state.rule)
    return beyond(worst, proven=proven) if worst else state.name


def _guarded(state: RuleState) -> str:
    worst = _worst(state)
    return in_guard_band(worst) if worst else state.name


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _settled_at(setup: Setup, judgement: Judgement) -> str:
    left_s = judgement.memory.states[judgement.grid.n].settling_s
    end_ns = (judgement.grid.first + judgement.grid.n) * judgement.grid.step_ns + left_s * NS
    return local(end_ns, setup.room.timezone).strftime("%H:%M")


def _missing(states: list[RuleState], setup: Setup, judgement: Judgement) -> str:
    for state in states:
        if state.conformity == Conformity.INDETERMINATE:
            return f"{_capital(state.name)}: {state.probe or 'no probe'}, {state.why}."
    left_s = judgement.memory.states[judgement.grid.n].unknown_s
    end_ns = (judgement.grid.first + judgement.grid.n) * judgement.grid.step_ns + left_s * NS
    until = local(end_ns, setup.room.timezone).strftime("%H:%M")
    return f"{_capital(WHY_TEXT[Why.BODIES_UNKNOWN])}; known at {until} if the limits are kept."


def local(instant_ns: int, timezone: str) -> datetime:
    """An instant in the room's time zone."""
    return datetime.fromtimestamp(instant_ns / NS, ZoneInfo(timezone))
