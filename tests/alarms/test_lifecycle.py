"""The life of an alarm: its figures, the states of IEC 62682, and what may never happen."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import pytest

from logger.core.alarms.condition import cell_of, evidence_cell
from logger.core.alarms.lifecycle import (
    LIVE_NS,
    Alarm,
    AlarmAct,
    AlarmNotice,
    AlarmState,
    Cell,
    apply_act,
    step,
)
from logger.errors import Refused
from logger.instants import NS
from logger.model import AlarmSpec, Conformity, RuleState

MINUTE = 60 * NS
SPEC = AlarmSpec("air", "bay.temperature", "high", "wrong lengths", "Stop measuring.", 300, 300, 0.1)


def cell(minute: int, value: float | None, limit: float = 21.0) -> Cell:
    """One minute of air temperature in degC against an upper limit; None is a minute without evidence."""
    if value is None:
        return Cell(minute * MINUTE, (minute + 1) * MINUTE, Conformity.INDETERMINATE)
    result = Conformity.NONCONFORMING if value > limit else Conformity.CONFORMING
    margin = limit - value
    return Cell(
        minute * MINUTE, (minute + 1) * MINUTE, result, value, 0.06, margin, "degC", limit, "P1.temperature"
    )


def run(
    values: Sequence[float | None],
    acts: tuple[AlarmAct, ...] = (),
    spec: AlarmSpec = SPEC,
    alarm: Alarm | None = None,
    start: int = 0,
) -> tuple[Alarm, list[AlarmNotice]]:
    """Minute after minute as the service lives it."""
    alarm = alarm or Alarm(spec.key)
    notices: list[AlarmNotice] = []
    for index, value in enumerate(values, start):
        now = (index + 1) * MINUTE
        here = [a for a in acts if index * MINUTE < a.at_ns <= now]
        outcome = step(spec, alarm, [cell(index, value)], here, now)
        alarm = outcome.alarm
        notices += outcome.notices
    return alarm, notices


def test_four_minutes_out_tell_nobody() -> None:
    """Limit 21.0, on-delay 5 min, 4 min out -> none."""
    alarm, notices = run([20.5] * 3 + [21.5] * 4 + [20.5] * 10)

    assert notices == []
    assert alarm.state is AlarmState.NORMAL


def test_six_minutes_out_tell_once_at_five() -> None:
    """6 min out -> one, at 5 min, with the time since which it is out."""
    alarm, notices = run([20.5] * 3 + [21.5] * 6 + [20.5] * 3)

    assert [(n.step, n.at_ns // MINUTE, n.since_ns // MINUTE) for n in notices] == [("annunciated", 8, 3)]
    assert alarm.state is AlarmState.UNACKNOWLEDGED


@pytest.mark.parametrize("period", [1, 2, 5, 6, 10, 15, 30])
def test_dither_about_the_limit_tells_at_most_once(period: int) -> None:
    """20.95 to 21.05 for an hour with a deadband of 0.1 K -> at most one."""
    values = [21.05 if (minute // period) % 2 == 0 else 20.95 for minute in range(60)]

    _, notices = run(values)

    assert len(notices) <= 1


def test_returns_only_when_inside_by_the_deadband() -> None:
    """20.92 is inside, but not by 0.1 K; 20.90 is, to the last bit."""
    outside = [21.5] * 6

    still, _ = run([*outside, *[20.92] * 60])
    back, notices = run([*outside, *[20.9] * 5])

    assert still.state is AlarmState.UNACKNOWLEDGED
    assert back.state is AlarmState.RETURNED_UNACKNOWLEDGED
    assert [n.step for n in notices] == ["annunciated", "returned"]


def test_the_whole_round() -> None:
    """normal, unacknowledged, acknowledged, normal; the notice of the return names the worst."""
    act = AlarmAct("acknowledge", "Greta Holm", 7 * MINUTE, "air handling restarted")

    acknowledged, _ = run([21.5, 21.7, *[21.5] * 5], (act,))
    alarm, notices = run([20.5] * 5, alarm=acknowledged, start=7)

    assert acknowledged.state is AlarmState.ACKNOWLEDGED
    assert acknowledged.comment == "air handling restarted"
    assert alarm.state is AlarmState.NORMAL
    assert [(n.step, n.worst.value) for n in notices] == [("returned", 21.7)]


def test_acknowledging_what_has_returned_ends_it() -> None:
    """returned unacknowledged waits for a person, and goes to normal by the acknowledgement."""
    alarm, _ = run([21.5] * 6 + [20.0] * 6)
    act = AlarmAct("acknowledge", "Radek Sova", 12 * MINUTE)

    assert alarm.state is AlarmState.RETURNED_UNACKNOWLEDGED
    assert step(SPEC, alarm, [], [act], 13 * MINUTE).alarm.state is AlarmState.NORMAL


def test_a_latching_alarm_waits_for_its_reset() -> None:
    """latched unacknowledged, latched acknowledged, normal."""
    spec = replace(SPEC, latching=True)
    alarm, _ = run([21.5] * 6 + [20.0] * 6, spec=spec)
    acknowledge = AlarmAct("acknowledge", "Greta Holm", 12 * MINUTE)
    reset = AlarmAct("reset", "Greta Holm", 13 * MINUTE)

    states = [alarm.state]
    for act in (reset, acknowledge, reset):
        alarm = step(spec, alarm, [], [act], 14 * MINUTE).alarm
        states.append(alarm.state)

    assert states == [
        AlarmState.LATCHED_UNACKNOWLEDGED,
        AlarmState.LATCHED_UNACKNOWLEDGED,
        AlarmState.LATCHED_ACKNOWLEDGED,
        AlarmState.NORMAL,
    ]


def test_shelved_is_evaluated_silent_and_comes_back_by_itself() -> None:
    """Shelved for 30 min, out meanwhile; at its end it tells what was withheld."""
    shelve = AlarmAct("shelve", "Ines Faber", 1, "filter change", until_ns=30 * MINUTE)

    shelved, silent = run([21.5] * 20, (shelve,))
    alarm, notices = run([21.5] * 11, alarm=shelved, start=20)

    assert shelved.state is AlarmState.SHELVED
    assert silent == []
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    assert [(n.step, n.at_ns // MINUTE, n.since_ns) for n in notices] == [("annunciated", 30, 0)]


@pytest.mark.parametrize(
    "act",
    [
        AlarmAct("shelve", "Ines Faber", MINUTE, "", until_ns=30 * MINUTE),
        AlarmAct("shelve", "Ines Faber", MINUTE, "no end"),
        AlarmAct("shelve", "Ines Faber", MINUTE, "an end before its start", until_ns=1),
    ],
    ids=["no reason", "no end", "ends before it starts"],
)
def test_shelving_wants_a_reason_and_an_end(act: AlarmAct) -> None:
    """Muted for ever is what shelving must never become."""
    outcome = step(SPEC, Alarm("air"), [], [act], MINUTE)

    assert outcome.alarm.state is AlarmState.NORMAL
    assert "a reason and an end" in outcome.reasons[0]


def test_covers_lie_over_each_other() -> None:
    """Out of service before suppressed before shelved; taking one off shows the next."""
    acts = [
        AlarmAct("shelve", "a", 1, "why", until_ns=MINUTE * 99),
        AlarmAct("suppress", "bay-silent", 2),
        AlarmAct("remove", "b", 3),
        AlarmAct("return", "b", 4),
        AlarmAct("release", "bay-silent", 5),
        AlarmAct("unshelve", "a", 6),
    ]
    alarm, states = Alarm("air"), []
    for act in acts:
        alarm = step(SPEC, alarm, [], [act], MINUTE).alarm
        states.append(alarm.state.value)

    assert states == [
        "shelved", "suppressed by design", "out of service", "suppressed by design", "shelved", "normal"
    ]  # fmt: skip


def test_no_evidence_never_annunciates() -> None:
    """A day without evidence raises no alarm of a limit, and returns none."""
    quiet, none = run([None] * 1440)
    active, item = run([21.5] * 6 + [None] * 1440)

    assert (quiet.state, none) == (AlarmState.NORMAL, [])
    assert (active.state, len(item)) == (AlarmState.UNACKNOWLEDGED, 1)


def test_a_short_gap_does_not_start_the_delay_anew() -> None:
    """Out, one minute without evidence, out: five minutes seen out are five minutes."""
    _, notices = run([21.5, 21.5, 21.5, None, 21.5, 21.5])

    assert [n.at_ns // MINUTE for n in notices] == [6]


def test_a_long_gap_starts_the_delay_anew() -> None:
    """Four minutes out today and one tomorrow are no alarm."""
    _, notices = run([21.5] * 4 + [None] * 60 + [21.5])

    assert notices == []


def test_late_data_never_raise_an_alarm() -> None:
    """Cells of this morning that come in the evening, all out, tell nobody."""
    now = 600 * MINUTE
    late = [cell(minute, 22.0) for minute in range(100)]

    outcome = step(SPEC, Alarm("air", cell_ns=0), late, [], now)

    assert outcome.notices == ()
    assert outcome.alarm.state is AlarmState.NORMAL
    assert "late data" in outcome.reasons[0]


def test_out_before_a_stop_of_the_service_and_still_out_is_told_with_its_true_begin() -> None:
    """Cells of the time when nobody judged count; a cell of the present tells."""
    cells = [cell(minute, 22.0) for minute in range(60)]

    outcome = step(SPEC, Alarm("air"), cells, [], 60 * MINUTE)

    assert [(n.since_ns, n.at_ns >= 60 * MINUTE - LIVE_NS) for n in outcome.notices] == [(0, True)]


def test_cells_that_were_evaluated_are_not_evaluated_again() -> None:
    """A changed past is for the periods, not for the alarm."""
    alarm, _ = run([20.0] * 10)

    outcome = step(SPEC, alarm, [cell(minute, 22.0) for minute in range(10)], [], 10 * MINUTE)

    assert (outcome.alarm, outcome.notices) == (alarm, ())


def test_a_clock_that_goes_back_does_not_blind() -> None:
    """After a step of one hour back, an excursion is told within its delay."""
    alarm, _ = run([20.0] * 120)

    _, notices = run([21.5] * 6, alarm=alarm, start=60)

    assert [n.at_ns // MINUTE for n in notices] == [65]


def test_an_alarm_without_action_is_refused() -> None:
    """No alarm without something to do (IEC 62682)."""
    with pytest.raises(Refused, match="no action text"):
        step(replace(SPEC, action=" "), Alarm("air"), [], [], 0)


def test_the_limit_of_a_band_is_the_nearer_one() -> None:
    """19.4 in 19.5 to 20.5 is beyond 19.5."""
    low = RuleState(
        "bay.temperature", "temperature", 0, 19.4, 0.06, -0.1, "degC", 19.5, 20.5,
        Conformity.NONCONFORMING, "P1.temperature",
    )  # fmt: skip

    assert cell_of(low, MINUTE).limit == 19.5
    assert cell_of(replace(low, value=20.6), MINUTE).limit == 20.5
    assert cell_of(replace(low, lower=None), MINUTE).limit == 20.5


def test_a_source_that_stops_is_an_alarm_of_its_own() -> None:
    """Two of three silent: both are named, the value is the age of the worst in s."""
    ages = {"P1": 600 * NS, "P2": 100 * NS, "P3": None}

    result = evidence_cell(600 * NS, 660 * NS, ages, dict.fromkeys(ages, 180 * NS))

    assert result.conformity is Conformity.NONCONFORMING
    assert (result.probes, result.probe, result.value) == (("P2", "P3"), "P3", None)


def test_all_sources_reporting() -> None:
    """Within their age nothing is silent; a zone without sources has no requirement."""
    good = evidence_cell(600 * NS, 660 * NS, {"P1": 600 * NS}, {"P1": 180 * NS})
    none = evidence_cell(600 * NS, 660 * NS, {}, {})

    assert (good.conformity, good.margin, good.value) == (Conformity.CONFORMING, 120.0, 60.0)
    assert none.conformity is Conformity.NOT_APPLICABLE


def test_a_restart_at_any_moment_continues_where_it_was() -> None:
    """The state goes through JSON text between all cells and nothing changes."""
    values = [21.5] * 4 + [None] + [21.6] * 4 + [20.0] * 3 + [20.95] + [20.0] * 6
    alarm = Alarm("air")
    notices: list[AlarmNotice] = []
    for index, value in enumerate(values):
        alarm = Alarm.from_dict(json.loads(json.dumps(alarm.to_dict())))
        outcome = step(SPEC, alarm, [cell(index, value)], [], (index + 1) * MINUTE)
        alarm = outcome.alarm
        notices += outcome.notices

    assert (alarm, notices) == run(values)


def test_a_clock_that_went_back_shelves_nothing_for_years() -> None:
    """Shelved for 8 h while the clock stood ten years ahead: 8 h after it was set right the shelf ends."""
    ahead, hour = 10 * 365 * 24 * 60 * MINUTE, 60 * MINUTE
    shelved = apply_act(
        Alarm("air"), AlarmAct("shelve", "Greta", ahead, "humidifier", ahead + 8 * hour)
    ).alarm

    right = step(SPEC, shelved, [], [], hour).alarm

    assert right.shelved_until_ns == 9 * hour
    assert step(SPEC, right, [], [], 9 * hour).alarm.state is AlarmState.NORMAL


def test_a_clock_that_went_back_delays_no_escalation() -> None:
    """Announced by a clock ten years ahead: what counts from that counts from the correction on."""
    ahead = 10 * 365 * 24 * 60 * MINUTE
    raised = Alarm("air", AlarmState.UNACKNOWLEDGED, annunciated_ns=ahead, told_ns=ahead, since_ns=ahead)

    right = step(SPEC, raised, [], [], MINUTE).alarm

    assert (right.annunciated_ns, right.told_ns, right.since_ns) == (MINUTE, MINUTE, MINUTE)
