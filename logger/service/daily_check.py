"""Whether the record reads back as it was written, looked at once a day."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from ..model import BackupPlan
from ..record.proof import verify_record
from ..store import Store
from . import backups

SHOWN = 20

Event = Callable[[str, Mapping[str, object]], None]


def daily_check(store: Store, plan: BackupPlan | None, event: Event, now_ns: int) -> None:
    """Look after the backups, verify the record, and journal what is not as it was or could not be read."""
    backups.watch(store, plan, event, now_ns)
    verification = verify_record(store)
    if verification.unread:
        event("check-incomplete", {"unread": list(verification.unread)})
    if verification.faults:
        faults = {"faults": list(verification.faults[:SHOWN]), "count": len(verification.faults)}
        event("check-failed", faults)
