"""Acts of people: each with its journal entry, or not at all."""

from __future__ import annotations

import pytest

from logger.acts import alarms as attending
from logger.acts import inspections as actions
from logger.acts import marks
from logger.core.alarms.lifecycle import Alarm, AlarmState, step
from logger.core.alarms.lifecycle import Cell as AlarmCell
from logger.errors import IntervalError, Refused, UnknownName
from logger.instants import NS
from logger.model import AlarmSpec, Conformity, Inspection, Mark, Room, Setup, Zone
from logger.store import Store

HOUR = 3600 * NS
SPEC = AlarmSpec("air", "bay.temperature", "high", "", "Stop measuring.", on_delay_s=0)
SETUP = Setup(
    1, "", Room("east", "Measuring room East", "Almtal Gearworks", "Europe/Vienna", (9.0, 6.0, 3.0),
                "Greta Holm", simulated=True),
    {"bay": Zone("bay", "Machine bay", (0.8, 0.8, 5.2, 5.2))}, {}, {}, {}, (), (), (), (),
)  # fmt: skip
JOB = Inspection("J-17", "bay", HOUR, None, "Gear housing", tolerance_um=12.0, person="Radek Sova")


def acts(store: Store, kind: str) -> list[tuple[str, str, object]]:
    """Who did what, by the journal."""
    return [(e.who, e.why, e.what.get("act")) for e in store.journal.entries(kind=kind)]


def raised(store: Store) -> Alarm:
    """An alarm that waits for a person."""
    cell = AlarmCell(0, 60 * NS, Conformity.NONCONFORMING, 20.9, 0.06, -0.4, "degC", 20.5, "P1.temperature")
    alarm = step(SPEC, Alarm("air"), [cell], [], 60 * NS).alarm
    with store.begin() as conn:
        attending.put_alarm(conn, alarm, 60 * NS)
    return alarm


def test_acknowledging_is_stored_and_journalled(store: Store) -> None:
    """State, person and comment; the journal says what was and what is."""
    raised(store)

    after = attending.acknowledge(store, "air", "Greta Holm", "air handling restarted", HOUR)

    assert after.state is AlarmState.ACKNOWLEDGED
    assert attending.alarm_list(store) == [after]
    assert acts(store, "alarm") == [("Greta Holm", "air handling restarted", "acknowledge")]
    assert store.journal.entries(kind="alarm")[0].what["was"] == "unacknowledged"


def test_nothing_to_acknowledge_is_refused_and_not_journalled(store: Store) -> None:
    """Twice is once."""
    raised(store)
    attending.acknowledge(store, "air", "Greta Holm", "seen", HOUR)

    with pytest.raises(Refused, match="nothing to acknowledge"):
        attending.acknowledge(store, "air", "Radek Sova", "seen", HOUR)
    assert len(acts(store, "alarm")) == 1


def test_an_unknown_alarm_is_named_with_those_that_there_are(store: Store) -> None:
    """A typing error gets the list."""
    raised(store)

    with pytest.raises(UnknownName, match=r"no alarm 'aire'.*air"):
        attending.acknowledge(store, "aire", "Greta Holm", "seen", HOUR)


def test_an_act_without_a_name_changes_nothing(store: Store) -> None:
    """Nobody acknowledges anonymously."""
    before = raised(store)

    with pytest.raises(Refused, match="Enter the name of the person who does this"):
        attending.acknowledge(store, "air", "  ", "seen", HOUR)
    assert attending.alarm_list(store) == [before]


@pytest.mark.parametrize("comment", ["", "  \n", "\u200b", "\u00a0\u2060"])
def test_an_acknowledgement_without_a_comment_changes_nothing(store: Store, comment: str) -> None:
    """Signs that nobody sees are no comment; the sentence says what to enter."""
    before = raised(store)

    with pytest.raises(Refused, match=r"Enter a comment: what you saw or did\. Nothing was changed\."):
        attending.acknowledge(store, "air", "Greta Holm", comment, HOUR)
    assert attending.alarm_list(store) == [before]
    assert acts(store, "alarm") == []


def test_a_mark_is_kept_and_journalled(store: Store) -> None:
    """A person does not trust two hours."""
    mark = Mark("bay", HOUR, 3 * HOUR, "filter change", "Ines Faber")

    number = marks.mark(store, SETUP, mark)

    assert number == 1
    assert marks.marks(store, "bay") == [mark]
    assert marks.marks(store, "bench") == []
    assert acts(store, "mark") == [("Ines Faber", "filter change", None)]


@pytest.mark.parametrize(
    ("mark", "error"),
    [
        (Mark("bay", HOUR, HOUR, "why", "Ines Faber"), IntervalError),
        (Mark("bay", 0, HOUR, " ", "Ines Faber"), Refused),
        (Mark("attic", 0, HOUR, "why", "Ines Faber"), UnknownName),
    ],
    ids=["empty interval", "no reason", "no such zone"],
)
def test_a_faulty_mark_changes_nothing(store: Store, mark: Mark, error: type[Refused]) -> None:
    """Refused before anything is written."""
    head = store.journal.head()

    with pytest.raises(error):
        marks.mark(store, SETUP, mark)
    assert store.journal.head() == head


def test_a_job_is_started_and_stopped(store: Store) -> None:
    """It comes back as it was given, with begin and end of the acts."""
    started = actions.start_inspection(store, SETUP, JOB, "Radek Sova", 2 * HOUR)
    stopped = actions.stop_inspection(store, "J-17", "Radek Sova", 4 * HOUR)

    assert (started.from_ns, started.to_ns) == (2 * HOUR, None)
    assert actions.inspections(store) == [stopped]
    assert (stopped.from_ns, stopped.to_ns, stopped.tolerance_um) == (2 * HOUR, 4 * HOUR, 12.0)
    assert [act for _, _, act in acts(store, "inspection")] == ["add", "stop"]


def test_a_job_is_registered_once_and_ended_once(store: Store) -> None:
    """A second one of the same key, a second end, and an unknown one are refused."""
    actions.add_inspection(store, SETUP, JOB, "Radek Sova")

    with pytest.raises(Refused, match="already an inspection 'J-17'"):
        actions.add_inspection(store, SETUP, JOB, "Radek Sova")
    actions.stop_inspection(store, "J-17", "Radek Sova", 2 * HOUR)
    with pytest.raises(Refused, match="had already ended"):
        actions.stop_inspection(store, "J-17", "Radek Sova", 3 * HOUR)
    with pytest.raises(UnknownName):
        actions.stop_inspection(store, "J-18", "Radek Sova", 3 * HOUR)
    assert len(acts(store, "inspection")) == 2
