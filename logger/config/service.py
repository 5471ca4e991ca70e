"""What service.toml says: backups, how long readings stay, reviews, records, the clock, heartbeat, files."""

from __future__ import annotations

from ..model import (
    ApiPlan,
    BackupPlan,
    CentrePlan,
    ConditionsPlan,
    Heartbeat,
    PublishPlan,
    SessionPlan,
    WatchPlan,
)
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


def watch_of(tables: Tables) -> WatchPlan | None:
    """The folder whose files the service imports; None where no file names one."""
    if tables.watch is None:
        return None
    table = tables.watch.value
    return WatchPlan(table.folder, table.profile or "", table.quiet_s)


def clock_synchronised_of(tables: Tables) -> bool:
    """Whether readings are unsure until the system has synchronised its clock."""
    return tables.clock.value.must_be_synchronised if tables.clock else False


def sessions_of(tables: Tables) -> SessionPlan:
    """How long a person stays signed in."""
    if tables.sign_in is None:
        return SessionPlan()
    table = tables.sign_in.value
    return SessionPlan(table.idle_min * 60, table.longest_h * 3600, table.reader_days * 86400)


def api_of(tables: Tables) -> ApiPlan:
    """How often a token may ask over HTTP."""
    return ApiPlan() if tables.api is None else ApiPlan(**tables.api.value.model_dump())


def publish_of(tables: Tables) -> PublishPlan | None:
    """The broker that verdicts are published to; None where no file names one."""
    return None if tables.publish is None else PublishPlan(**tables.publish.value.model_dump())


def heartbeat_of(tables: Tables) -> Heartbeat | None:
    """Where the service says that it runs; None where only its own folder is told."""
    if tables.heartbeat is None:
        return None
    table = tables.heartbeat.value
    return Heartbeat(table.url, table.file, table.every_s)


def centre_of(tables: Tables) -> CentrePlan | None:
    """Where the service sends its summary; None where no file names a centre."""
    return None if tables.centre is None else CentrePlan(**tables.centre.value.model_dump())


def reviews_of(tables: Tables) -> tuple[str, ...]:
    """How often the record is to be reviewed; all three where no file says otherwise."""
    every = ("daily", "weekly", "monthly")
    return every if tables.reviews is None else tuple(c for c in every if c in tables.reviews.value.every)


def monthly_records_of(tables: Tables) -> bool:
    """Whether the service issues the record of each zone when a month is over."""
    return tables.records is None or tables.records.value.monthly


def conditions_of(tables: Tables) -> ConditionsPlan | None:
    """Where the service leaves the conditions of each inspection; None where no file says so."""
    if tables.conditions is None:
        return None
    table = tables.conditions.value
    return ConditionsPlan(table.folder, tuple(table.forms), table.dcc_schema, table.kelvin)
