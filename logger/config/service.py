"""What service.toml says: backups, and how long readings stay at least."""

from __future__ import annotations

from ..model import BackupPlan
from .tables import Tables


def backup_of(tables: Tables) -> BackupPlan | None:
    """Where the service backs up to; None where no file says so."""
    if tables.backup is None:
        return None
    table = tables.backup.value
    hour, minute = table.at_utc.split(":")
    return BackupPlan(table.folder, (int(hour), int(minute)), table.keep)


def keep_years_of(tables: Tables) -> int | None:
    """For how many years readings stay at least; None: nothing may ever be disposed of."""
    return tables.retention.value.years if tables.retention else None
