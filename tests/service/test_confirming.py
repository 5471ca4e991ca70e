"""Due days are told once, by journal and mail, whatever the service was doing meanwhile."""

from __future__ import annotations

from datetime import UTC, datetime

from logger.acts import alarms as attending
from logger.core.calibration.status import OVERDUE
from logger.instants import NS
from logger.model import Config
from logger.service.calibration_notices import notify_due, wording
from logger.store import Store


def at(month: int, day: int) -> int:
    return int(datetime(2026, month, day, 9, tzinfo=UTC).timestamp()) * NS


def letters(store: Store) -> list[str]:
    return [letter.body["subject"] for letter in attending.outbox(store).waiting(2**62)]


def test_each_step_is_told_once(store: Store, example: Config) -> None:
    """P6.temperature of the example is due on 2026-10-21; looked at every day of October."""
    steps = {}
    for day in range(2, 32):
        for notice in notify_due(store, example, at(10, day)):
            if notice.key[0] == "P6.temperature":
                steps[day] = notice.step
    assert steps == {2: 30, 14: 7, 22: OVERDUE}
    entries = store.journal.entries(kind="confirmation")
    assert entries[-1].what["notices"][0]["due"] == "2026-10-21"
    again = notify_due(store, example, at(10, 31))
    assert again == []
    assert len(store.journal.entries(kind="confirmation")) == len(entries)


def test_one_letter_lists_all_to_each_recipient(store: Store, example: Config) -> None:
    result = notify_due(store, example, at(10, 23))
    recipients = [r for route in example.mail for r in route.recipients]
    subjects = letters(store)
    assert len(subjects) == len(recipients) > 0
    assert all(s.startswith("SIMULATED: Measuring room East: calibration of") for s in subjects)
    text = wording(result, example.setup)
    body = text.body
    late = [notice for notice in result if notice.step == OVERDUE]
    assert wording(late, example.setup).subject.endswith(f"calibration of {len(late)} channels overdue")
    assert "P6.temperature, certificate AG-0416-T: overdue (2026-10-21)" in body


def test_the_last_days_are_in_words(store: Store, example: Config) -> None:
    """It said "due in 1 days"."""
    (on_20,) = [n for n in notify_due(store, example, at(10, 20)) if n.key[0] == "P6.temperature"]
    assert wording([on_20], example.setup).subject.endswith("P6.temperature due tomorrow")


def test_nothing_due_leaves_no_trace(store: Store, example: Config) -> None:
    head = store.journal.head()
    assert notify_due(store, example, at(2, 1)) == []
    assert store.journal.head() == head
    assert letters(store) == []
