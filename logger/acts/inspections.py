"""Every act of a person: done and journalled in one transaction, or not done at all.

The journal kinds are `alarm`, `mark` and `inspection`, and those of `approval.py`; `what` says what was,
what is, and what it is about. Refusals come before anything is written and name what is wanted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

from sqlalchemy import insert, or_, select, update

from ..errors import Refused, StoreDamaged, UnknownName
from ..instants import rfc3339
from ..model import Inspection, Setup
from ..store import Store
from ..store.hot import tables
from .required import check_interval, required_person, required_text
from .setup import apply_setup

__all__ = [
    "add_inspection",
    "add_inspections",
    "apply_setup",
    "inspections",
    "start_inspection",
    "stop_inspection",
]  # fmt: skip

_COLUMNS = ("key", "zone", "from_ns", "to_ns")  # of an inspection; its other fields are in the body


def add_inspection(store: Store, setup: Setup, inspection: Inspection, who: str) -> Inspection:
    """Register a job, over or still running (`to_ns` None)."""
    inspection, who = _validate(setup, inspection), required_person(who)
    t = tables.inspection
    with store.begin() as conn:
        if conn.execute(select(t.c.key).where(t.c.key == inspection.key)).first():
            raise Refused(f"There is already an inspection {inspection.key!r}; give this one another key.")
        conn.execute(insert(t).values(**_inspection_columns(inspection)))
        what = {"inspection": inspection.key, "act": "add", **asdict(inspection)}
        store.journal.append("inspection", who, what, conn=conn)
    return inspection


def add_inspections(store: Store, setup: Setup, jobs: Sequence[Inspection], who: str) -> None:
    """Register several jobs: all of them, or none."""
    valid, who = [_validate(setup, job) for job in jobs], required_person(who)
    registered = {job.key for job in inspections(store)}
    twice = [job.key for job in valid if job.key in registered]
    if twice:
        more = f" and {len(twice) - 5} more" if len(twice) > 5 else ""
        raise Refused(f"Nothing was registered: there are already {', '.join(twice[:5])}{more}.")
    with store.begin() as conn:
        for job in valid:
            conn.execute(insert(tables.inspection).values(**_inspection_columns(job)))
            what = {"inspection": job.key, "act": "add", **asdict(job)}
            store.journal.append("inspection", who, what, conn=conn)


def start_inspection(store: Store, setup: Setup, inspection: Inspection, who: str, now_ns: int) -> Inspection:
    """Register a job that begins now."""
    return add_inspection(store, setup, replace(inspection, from_ns=now_ns, to_ns=None), who)


def stop_inspection(store: Store, key: str, who: str, now_ns: int) -> Inspection:
    """End a running job; gives it as it is now."""
    running = {job.key: job for job in inspections(store)}
    if key not in running:
        raise UnknownName("inspection", key, running)
    job = running[key]
    if job.to_ns is not None:
        raise Refused(f"Inspection {key!r} had already ended at {rfc3339(job.to_ns)}; nothing was changed.")
    check_interval(job.from_ns, now_ns)
    t = tables.inspection
    with store.begin() as conn:
        updated = conn.execute(update(t).where(t.c.key == key, t.c.to_ns.is_(None)).values(to_ns=now_ns))
        if updated.rowcount != 1:
            raise Refused(f"Inspection {key!r} was ended by somebody else just now.")
        what = {"inspection": key, "act": "stop", "to": rfc3339(now_ns)}
        store.journal.append("inspection", required_person(who), what, conn=conn)
    return replace(job, to_ns=now_ns)


def inspections(
    store: Store, zone: str | None = None, between: tuple[int, int] | None = None
) -> list[Inspection]:
    """Registered jobs in order of their begin; of `between`, in ns, those that ran in it or still run."""
    t = tables.inspection
    query = select(t).order_by(t.c.from_ns, t.c.key)
    if between is not None:
        begin_ns, end_ns = between
        query = query.where(t.c.from_ns < end_ns, or_(t.c.to_ns.is_(None), t.c.to_ns > begin_ns))
    with store.read() as conn:
        rows = conn.execute(query if zone is None else query.where(t.c.zone == zone)).mappings()
        return [_inspection(row) for row in rows]


def _inspection(row: Mapping[Any, Any]) -> Inspection:
    try:
        return Inspection(**{name: row[name] for name in _COLUMNS}, **row["body"])
    except TypeError as error:
        raise StoreDamaged(
            f"Inspection {row['key']!r} was damaged in the database: {error}. "
            f"`stillroom verify` says what is proven. {tables.RESTORE}"
        ) from error


def _validate(setup: Setup, job: Inspection) -> Inspection:
    setup.zone(job.zone)
    if job.to_ns is not None:
        check_interval(job.from_ns, job.to_ns)
    key, title = (
        required_text(job.key, "key of the inspection"),
        required_text(job.title, "title of the inspection"),
    )
    for name in ("length_mm", "tolerance_um"):
        value = getattr(job, name)
        if value is not None and not 0 < value < 1e6:
            raise Refused(f"{name} of inspection {key!r}: expected a length above 0, found {value}.")
    return replace(job, key=key, title=title)


def _inspection_columns(job: Inspection) -> dict[str, Any]:
    fields = asdict(job)
    columns = {name: fields.pop(name) for name in _COLUMNS}
    return {**columns, "body": fields}
