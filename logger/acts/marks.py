"""Marks: intervals of a zone that a person declares as not to be trusted."""

from __future__ import annotations

from dataclasses import asdict, replace

from sqlalchemy import insert, select

from ..instants import rfc3339
from ..model import Mark, Setup
from ..model.entry_forms import MarkEntry
from ..store import Store
from ..store.hot import tables
from .required import check_interval, required_person, required_text


def mark(store: Store, setup: Setup, mark: Mark) -> int:
    """Declare an interval of a zone as not to be trusted; gives the number of the mark.

    A mark is never removed; a wrong one is answered by a note in the journal.
    """
    setup.zone(mark.zone)
    check_interval(mark.from_ns, mark.to_ns)
    mark = replace(
        mark, who=required_person(mark.who), reason=required_text(mark.reason, "reason of the mark")
    )
    with store.begin() as conn:
        statement = insert(tables.mark).values(**asdict(mark)).returning(tables.mark.c.id)
        number = int(conn.execute(statement).scalar_one())
        what: MarkEntry = {
            "mark": number,
            "zone": mark.zone,
            "from": rfc3339(mark.from_ns),
            "to": rfc3339(mark.to_ns),
        }
        store.journal.append("mark", mark.who, what, mark.reason, conn)
    return number


def marks(store: Store, zone: str | None = None) -> list[Mark]:
    """Marks in order of their begin."""
    t = tables.mark
    query = select(t.c.zone, t.c.from_ns, t.c.to_ns, t.c.reason, t.c.who).order_by(t.c.from_ns, t.c.id)
    with store.read() as conn:
        rows = conn.execute(query if zone is None else query.where(t.c.zone == zone))
        return [Mark(*row) for row in rows]
