"""Notices that a calibration comes due: each once, kept in the journal, and sent by every way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..acts import alarms as attending
from ..core.alarms.recipients import addresses, default_routes
from ..core.calibration.status import OVERDUE, DueNotice, notices
from ..instants import rfc3339
from ..model import Config, Setup
from ..notify.text import Wording
from ..store import Store

KIND = "confirmation"


def notify_due(store: Store, config: Config, now_ns: int) -> list[DueNotice]:
    """Journal and queue what was reached at 60, 30 and 7 days or is overdue, unless notified already."""
    sent = {
        (n["channel"], n["certificate"], n["step"])
        for entry in store.journal.entries(kind=KIND)
        for n in _entries(entry.what)
    }
    due = notices(config.setup, now_ns, sent)
    if not due:
        return []
    with store.begin() as conn:
        what: dict[str, Any] = {"at": rfc3339(now_ns), "notices": [_fact(n) for n in due]}
        entry = store.journal.append(KIND, "stillroom", what, conn=conn)
        words = wording(due, config.setup, simulated=store.simulated)
        key = f"{KIND}.{entry.number}"
        letters = [(to, words) for to in addresses(default_routes(config), config, now_ns)]
        attending.outbox(store).post(conn, key, letters, now_ns)
    return due


def _entries(what: Any) -> list[dict[str, Any]]:
    return list(what["notices"])


def _fact(notice: DueNotice) -> dict[str, Any]:
    channel, number, step = notice.key
    due = notice.confirmation.due
    return {"channel": channel, "certificate": number, "step": step, "due": str(due) if due else None}


def wording(due: Sequence[DueNotice], setup: Setup, *, simulated: bool = False) -> Wording:
    """One letter that lists all, the most urgent first."""
    ordered = sorted(due, key=lambda n: (n.confirmation.days_left or 0, n.key))
    overdue = sum(n.step == OVERDUE for n in ordered)
    mark = "SIMULATED: " if simulated else ""
    what = f"due within {max(n.step for n in ordered)} days" if overdue < len(ordered) else "overdue"
    some = f", {overdue} of them overdue" if 0 < overdue < len(ordered) else ""
    subject = f"{mark}{setup.room.name}: calibration of {len(ordered)} channels {what}{some}"
    if len(ordered) == 1:
        subject = f"{mark}{setup.room.name}: calibration of {ordered[0].key[0]} {_due_phrase(ordered[0])}"
    lines = [f"{n.key[0]}, certificate {n.key[1]}: {_due_phrase(n)} ({n.confirmation.due})" for n in ordered]
    after = "Readings of an overdue probe are stored, but its zone is “not shown”."
    return Wording(subject, "\n".join([*lines, "", after, ""]))


def _due_phrase(notice: DueNotice) -> str:
    left = notice.confirmation.days_left or 0
    if notice.step == OVERDUE:
        return "overdue"
    return f"due in {left} days" if left > 1 else "due tomorrow" if left else "due today"
