"""Whatever happens in whatever order: no unlisted state, no lost alarm, no dependence on how it is cut."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.alarms.lifecycle import ACTIVE, ActKind, Alarm, AlarmAct, AlarmNotice, AlarmState, Cell, step
from logger.instants import NS
from logger.model import AlarmSpec, Conformity

MINUTE = 60 * NS
KINDS: tuple[ActKind, ...] = (
    "acknowledge", "reset", "shelve", "unshelve", "suppress", "release", "remove", "return"
)  # fmt: skip
CONDITIONS = tuple(AlarmState)[:6]

specs = st.builds(
    AlarmSpec,
    key=st.just("air"),
    rule=st.just("bay.temperature"),
    priority=st.just("high"),
    consequence=st.just("wrong lengths"),
    action=st.just("Stop measuring."),
    on_delay_s=st.sampled_from([0, 60, 180, 300]),
    off_delay_s=st.sampled_from([0, 60, 180]),
    deadband=st.sampled_from([0.0, 0.1]),
    latching=st.booleans(),
)
# Runs of one value make delays run out, which single random minutes hardly ever do.
runs = st.lists(
    st.tuples(st.sampled_from([20.0, 20.95, 21.05, 22.0, None]), st.integers(1, 8)), min_size=1, max_size=12
)


@st.composite
def stories(draw: st.DrawFn) -> list[Cell | AlarmAct]:
    """Cells minute by minute with acts between them, in order."""
    output: list[Cell | AlarmAct] = []
    minute = 0
    for value, length in draw(runs):
        for _ in range(length):
            output.append(_cell(minute, value))
            minute += 1
        if draw(st.booleans()):
            until = minute * MINUTE + draw(st.integers(1, 20)) * MINUTE
            output.append(
                AlarmAct(draw(st.sampled_from(KINDS)), "Greta Holm", minute * MINUTE + 1, "why", until)
            )
    return output


def _cell(minute: int, value: float | None) -> Cell:
    result = Conformity.INDETERMINATE
    if value is not None:
        result = Conformity.NONCONFORMING if value > 21.0 else Conformity.CONFORMING
    margin = None if value is None else 21.0 - value
    return Cell(minute * MINUTE, (minute + 1) * MINUTE, result, value, 0.06, margin, "degC", 21.0, "P1")


def _instant(event: Cell | AlarmAct) -> int:
    return event.at_ns if isinstance(event, AlarmAct) else event.to_ns


def _live(
    spec: AlarmSpec, story: list[Cell | AlarmAct], chunks: list[int], through_json: bool = False
) -> tuple[Alarm, list[AlarmNotice]]:
    """The story in parts of those lengths; `now` is the end of each part."""
    alarm, rest, index = Alarm("air"), list(story), 0
    notices: list[AlarmNotice] = []
    while rest:
        part, rest = rest[: chunks[index % len(chunks)]], rest[chunks[index % len(chunks)] :]
        index += 1
        cells = [e for e in part if isinstance(e, Cell)]
        acts = [e for e in part if isinstance(e, AlarmAct)]
        outcome = step(spec, alarm, cells, acts, _instant(part[-1]))
        alarm = (
            Alarm.from_dict(json.loads(json.dumps(outcome.alarm.to_dict())))
            if through_json
            else outcome.alarm
        )
        notices += outcome.notices
    return alarm, notices


@given(specs, stories())
@settings(max_examples=150)
def test_no_sequence_reaches_an_unlisted_state(spec: AlarmSpec, story: list[Cell | AlarmAct]) -> None:
    """The condition is always one of the first six, the state always one of the nine."""
    alarm = Alarm("air")
    for event in story:
        cells = [event] if isinstance(event, Cell) else []
        acts = [event] if isinstance(event, AlarmAct) else []
        alarm = step(spec, alarm, cells, acts, _instant(event)).alarm
        assert alarm.condition in CONDITIONS
        assert alarm.state in tuple(AlarmState)
        assert alarm.condition not in ACTIVE or alarm.since_ns is not None


@given(specs, stories(), st.lists(st.integers(1, 10), min_size=1, max_size=5))
@settings(max_examples=150)
def test_any_split_gives_the_same(spec: AlarmSpec, story: list[Cell | AlarmAct], chunks: list[int]) -> None:
    """Ten minutes at once or one by one: the same notices, the same alarm."""
    assert _live(spec, story, chunks) == _live(spec, story, [1])


@pytest.mark.slow
@given(specs, stories())
@settings(max_examples=100)
def test_a_restart_between_any_two_events_changes_nothing(
    spec: AlarmSpec, story: list[Cell | AlarmAct]
) -> None:
    """State through JSON text at every step."""
    assert _live(spec, story, [1], through_json=True) == _live(spec, story, [1])


@pytest.mark.slow
@given(specs, stories())
@settings(max_examples=150)
def test_no_occurrence_is_lost(spec: AlarmSpec, story: list[Cell | AlarmAct]) -> None:
    """Each occurrence is told once, or it is marked as withheld while it lasts; none is told twice."""
    alarm, output, withheld = Alarm("air"), [], set()
    for event in story:
        cells = [event] if isinstance(event, Cell) else []
        acts = [event] if isinstance(event, AlarmAct) else []
        outcome = step(spec, alarm, cells, acts, _instant(event))
        alarm = outcome.alarm
        output += [n.occurrence for n in outcome.notices if n.step == "annunciated"]
        if not alarm.told:
            withheld.add(alarm.occurrence)
    assert len(output) == len(set(output))
    assert set(output) | withheld == set(range(1, alarm.occurrence + 1))


@pytest.mark.slow
@given(specs, stories(), st.integers(1, 10**6))
@settings(max_examples=80)
def test_a_shifted_record_gives_a_shifted_result(
    spec: AlarmSpec, story: list[Cell | AlarmAct], minutes: int
) -> None:
    """Nothing depends on the date."""
    shift = minutes * MINUTE
    moved: list[Cell | AlarmAct] = [
        replace(e, at_ns=e.at_ns + shift, until_ns=(e.until_ns or 0) + shift)
        if isinstance(e, AlarmAct)
        else replace(e, cell_ns=e.cell_ns + shift, to_ns=e.to_ns + shift)
        for e in story
    ]

    here, there = _live(spec, story, [1])[1], _live(spec, moved, [1])[1]

    assert [(n.step, n.at_ns + shift, n.since_ns + shift) for n in here] == [
        (n.step, n.at_ns, n.since_ns) for n in there
    ]
