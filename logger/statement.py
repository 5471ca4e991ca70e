"""What a person would say of a zone right now: one sentence, why, and what to do next."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from .ahead import ahead
from .calibration import WHY_TEXT, Why, told
from .inspection import rfc3339
from .judge import Judgement
from .model import NS, REASONS, VERDICT_OF, Conformity, Period, Reason, RuleState, Setup
from .periods import label
from .rules.finding import Finding
from .units import MICRO

SHOWN_UNIT = {"degC": "°C", "%RH": "% RH"}


def rule_states(judgement: Judgement, cell: int) -> list[RuleState]:
    """Every rule in one cell, given as its place in the grid; rules not in force there are left out."""
    states = []
    for finding in judgement.findings:
        if finding.conformity[cell] != Conformity.NOT_APPLICABLE:
            states.append(_rule_state(finding, cell))
    return states


def _rule_state(finding: Finding, cell: int) -> RuleState:
    def number(array: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float | None:
        return float(array[cell]) / MICRO if np.isfinite(array[cell]) else None

    rule = finding.rule
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
        why=told(Why(int(finding.why[cell])), rule),
        outside=tuple(x for i, x in enumerate(finding.labels[:63]) if int(finding.beyond[cell]) >> i & 1),
    )


def statement(
    setup: Setup, judgement: Judgement, current: Period, oldest_s: float | None
) -> dict[str, object]:
    """The newest complete cell of a zone as plain data, with the sentence that opens a page."""
    cell = judgement.grid.n - 1
    states = rule_states(judgement, cell)
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
        "ahead": ahead(setup, judgement),
        "provisional": True,
        "rules": [_plain(state) for state in states],
        "oldest_reading_s": oldest_s,
    }


def _plain(state: RuleState) -> dict[str, object]:
    body = dict(vars(state))
    body["conformity"] = state.conformity.name.lower().replace("_", " ")
    body["at"] = rfc3339(body.pop("cell_ns"))
    return body


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
        return f"{_beyond(worst)}. Hold measurements in this zone." if worst else ""
    if reason == "marked":
        return "A person marked this time as not to be trusted."
    if reason == "settling":
        return f"The rules are met again; settled at {_settled_at(setup, judgement)} if they stay so."
    if reason == "indeterminate":
        return _missing(states, setup, judgement)
    if reason == "guard band":
        near = _nearest([s for s in states if s.conformity == Conformity.GUARD_BAND])
        return f"The room may conform, the probes cannot prove it: {_value(near)}." if near else ""
    near = _nearest(states)
    return f"Closest to its limit: {_value(near)}." if near else ""


def _nearest(states: list[RuleState]) -> RuleState | None:
    """The rule that has used up most of the room between its limits."""
    known = [s for s in states if s.margin is not None]
    return min(known, key=lambda s: (s.margin or 0.0) / _width(s), default=None)


def _width(state: RuleState) -> float:
    if state.lower is not None and state.upper is not None:
        return max((state.upper - state.lower) / 2, 1e-9)
    return max(abs(state.upper if state.upper is not None else state.lower or 0.0), 1e-9)


def _limit(state: RuleState) -> float | None:
    if state.value is None or state.upper is None:
        return state.lower
    return state.upper if state.lower is None or state.value * 2 > state.lower + state.upper else state.lower


def _value(state: RuleState) -> str:
    unit = SHOWN_UNIT.get(state.unit, state.unit)
    places = 1 if state.U is not None and state.U >= 0.95 else 2  # two figures of U
    uncertainty = "" if state.U is None else f" ± {state.U:.{places}f}"
    value = f"{state.value:.{places}f}{uncertainty} {unit}"
    return f"{state.name}, {state.probe} {value}, limit {_limit(state):g}"


def _beyond(state: RuleState) -> str:
    unit = SHOWN_UNIT.get(state.unit, state.unit)
    difference = "K" if state.unit == "degC" else unit
    return (
        f"{state.name} at {state.probe} is {state.value:.2f} {unit}, "
        f"{-(state.margin or 0.0):.2f} {difference} beyond {_limit(state):g}"
    )


def _settled_at(setup: Setup, judgement: Judgement) -> str:
    left_s = judgement.memory.states[judgement.grid.n].settling_s
    end_ns = (judgement.grid.first + judgement.grid.n) * judgement.grid.step_ns + left_s * NS
    return local(end_ns, setup.room.timezone).strftime("%H:%M")


def _missing(states: list[RuleState], setup: Setup, judgement: Judgement) -> str:
    for state in states:
        if state.conformity == Conformity.INDETERMINATE:
            return f"{state.name}: {state.probe or 'no probe'}, {state.why}."
    left_s = judgement.memory.states[judgement.grid.n].unknown_s
    end_ns = (judgement.grid.first + judgement.grid.n) * judgement.grid.step_ns + left_s * NS
    until = local(end_ns, setup.room.timezone).strftime("%H:%M")
    return f"{WHY_TEXT[Why.BODIES_UNKNOWN].capitalize()}; known at {until} if the rules stay met."


def local(instant_ns: int, timezone: str) -> datetime:
    """An instant in the room's time zone."""
    return datetime.fromtimestamp(instant_ns / NS, ZoneInfo(timezone))
