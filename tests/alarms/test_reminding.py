"""What is told again: escalation, re-alarm, and suppression by design. Times: 15 min, 4 h."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.alarms.condition import Cell
from logger.core.alarms.lifecycle import Alarm, AlarmAct, AlarmState, Step, apply_act, step
from logger.core.alarms.reminders import due_reminders, suppress_by_design
from logger.instants import NS
from logger.model import AlarmSpec, Conformity

MINUTE = 60 * NS
SPEC = AlarmSpec(
    "air", "bay.temperature", "high", "Wrong lengths.", "Stop.", on_delay_s=0, off_delay_s=0,
    escalate_after_s=900, escalate_to=("second",), repeat_after_s=4 * 3600,
)  # fmt: skip


def cell(minute: int, value: float | None = 22.0) -> Cell:
    """A minute, out by default."""
    if value is None:
        return Cell(minute * MINUTE, (minute + 1) * MINUTE, Conformity.INDETERMINATE)
    result = Conformity.NONCONFORMING if value > 21.0 else Conformity.CONFORMING
    return Cell(minute * MINUTE, (minute + 1) * MINUTE, result, value, 0.06, 21.0 - value, "degC", 21.0, "P1")


def out() -> Alarm:
    """Annunciated at the end of minute 0."""
    return step(SPEC, Alarm("air"), [cell(0)], [], MINUTE).alarm


def remind(spec: AlarmSpec, alarm: Alarm, now_ns: int) -> Step:
    """One alarm by itself, with its notice where one is due."""
    groups = due_reminders([alarm], {alarm.key: spec}, now_ns)
    return groups[0][0] if groups else Step(alarm)


def test_nobody_acknowledges_for_fifteen_minutes() -> None:
    """At 14:59 nothing, at 15:00 the second person, once."""
    alarm = out()

    assert remind(SPEC, alarm, 16 * MINUTE - 1).notices == ()
    outcome = remind(SPEC, alarm, 16 * MINUTE)
    assert [n.step for n in outcome.notices] == ["escalated"]
    assert remind(SPEC, outcome.alarm, 60 * MINUTE).notices == ()


def test_an_acknowledged_alarm_is_not_escalated_but_told_again_after_four_hours() -> None:
    """Still out: unacknowledged once more, under a step of its own, and again four hours later."""
    alarm = apply_act(out(), AlarmAct("acknowledge", "Greta Holm", 2 * MINUTE, "door")).alarm

    assert remind(SPEC, alarm, 16 * MINUTE).notices == ()
    first = remind(SPEC, alarm, 241 * MINUTE)
    second = remind(SPEC, first.alarm, 481 * MINUTE)
    assert [n.step for n in (*first.notices, *second.notices)] == ["repeated 1", "repeated 2"]
    assert first.alarm.state is AlarmState.UNACKNOWLEDGED
    assert first.alarm.acknowledged_by == ""
    escalated = remind(SPEC, first.alarm, 256 * MINUTE)
    assert [n.step for n in escalated.notices] == ["escalated 1"]


def test_alarms_of_one_cause_are_told_again_together() -> None:
    """Raised 10 min apart: one escalation with both at 15:00, none 10 min later; another cause by itself."""
    specs = {key: replace(SPEC, key=key) for key in ("air", "span", "disk")}
    raised = {"air": (0, "air"), "span": (10, "air"), "disk": (9, "disk")}
    alarms = {
        key: replace(step(specs[key], Alarm(key), [cell(at)], [], (at + 1) * MINUTE).alarm, cause=cause)
        for key, (at, cause) in raised.items()
    }

    first = due_reminders(alarms.values(), specs, 16 * MINUTE)
    alarms |= {outcome.alarm.key: outcome.alarm for group in first for outcome in group}
    second = due_reminders(alarms.values(), specs, 26 * MINUTE)
    alarms |= {outcome.alarm.key: outcome.alarm for group in second for outcome in group}

    assert [[outcome.alarm.key for outcome in group] for group in first] == [["air", "span"]]
    assert [[outcome.alarm.key for outcome in group] for group in second] == [["disk"]]
    received = apply_act(alarms["air"], AlarmAct("acknowledge", "Greta Holm", 30 * MINUTE, "door")).alarm
    assert due_reminders([received, alarms["span"]], specs, 200 * MINUTE) == []
    again = due_reminders([received, alarms["span"]], specs, 241 * MINUTE)
    assert [[n.step for outcome in group for n in outcome.notices] for group in again] == [["repeated 1"] * 2]


def test_times_count_from_what_a_person_was_told() -> None:
    """Kept back by quiet hours until minute 400: escalated 15 min after that, repeated 4 h after."""
    late = replace(out(), told_ns=400 * MINUTE)

    assert remind(SPEC, late, 415 * MINUTE - 1).notices == ()
    assert [n.step for n in remind(SPEC, late, 415 * MINUTE).notices] == ["escalated"]
    assert [n.step for n in remind(SPEC, late, 640 * MINUTE).notices] == ["repeated 1"]


def test_what_is_shelved_or_suppressed_reminds_nobody() -> None:
    """It is evaluated and stays silent; released, it goes on."""
    shelved = apply_act(out(), AlarmAct("shelve", "Greta Holm", MINUTE, "service", 600 * MINUTE)).alarm
    quiet = suppress_by_design(out(), "bay.evidence (P1)", MINUTE).alarm

    assert remind(SPEC, shelved, 300 * MINUTE).notices == ()
    assert remind(SPEC, quiet, 300 * MINUTE).notices == ()
    assert quiet.state is AlarmState.SUPPRESSED
    assert suppress_by_design(quiet, "bay.evidence (P1)", 2 * MINUTE).alarm == quiet
    assert suppress_by_design(quiet, "", 2 * MINUTE).alarm.state is AlarmState.UNACKNOWLEDGED


def test_what_comes_while_suppressed_is_told_at_its_release() -> None:
    """Withheld, not lost."""
    quiet = suppress_by_design(Alarm("air"), "its own calendar", 0).alarm
    outcome = step(SPEC, quiet, [cell(0)], [], MINUTE)

    assert outcome.notices == ()
    assert [n.step for n in suppress_by_design(outcome.alarm, "", 2 * MINUTE).notices] == ["annunciated"]


events = st.lists(
    st.tuples(
        st.sampled_from(["out", "in", "unknown", "acknowledge", "suppress", "release"]), st.integers(1, 90)
    ),
    min_size=1, max_size=25,
)  # fmt: skip


@pytest.mark.slow
@given(events, st.booleans())
@settings(max_examples=120)
def test_each_step_is_told_once_and_a_restart_changes_nothing(
    story: list[tuple[str, int]], cut: bool
) -> None:
    """No (occurrence, step) comes twice, in whatever order; through JSON text between any two events."""
    alarm, minute, output = Alarm("air"), 0, []
    spec = replace(SPEC, repeat_after_s=3600)
    for kind, length in story:
        cells = []
        if kind in ("out", "in", "unknown"):
            value = {"out": 22.0, "in": 20.0, "unknown": None}[kind]
            cells = [cell(minute + n, value) for n in range(length)]
        minute += length
        now = minute * MINUTE
        acts = [AlarmAct("acknowledge", "Greta Holm", now, "seen")] if kind == "acknowledge" else []
        steps = [step(spec, alarm, cells, acts, now)]
        if kind in ("suppress", "release"):
            steps.append(suppress_by_design(steps[-1].alarm, "calendar" if kind == "suppress" else "", now))
        steps.append(remind(spec, steps[-1].alarm, now))
        output += [(n.occurrence, n.step) for s in steps for n in s.notices]
        alarm = steps[-1].alarm
        if cut:
            alarm = Alarm.from_dict(json.loads(json.dumps(alarm.to_dict())))
            assert alarm == steps[-1].alarm
    assert len(output) == len(set(output))
