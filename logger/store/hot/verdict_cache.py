"""The cache of verdicts: judged days and the newest statement of each zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table, select

from .home import Home
from .tables import live, piece


class VerdictTable:
    """Judged days and statements: a cache that may be replaced or dropped at will."""

    def __init__(self, database: Home) -> None:
        self._database = database

    def put_days(
        self, zone: str, pieces: Mapping[int, tuple[str, str]], statement: str | None = None
    ) -> None:
        """Store day -> (input digest, body) of a zone and its newest statement, all in one transaction."""
        with self._database.begin() as conn:
            if statement is not None:
                _replace(conn, live, {"zone": zone}, {"body": statement})
            if pieces:  # all of a part of years at once: a statement for each day took a tenth of the judging
                conn.execute(piece.delete().where(piece.c.zone == zone, piece.c.day.in_(list(pieces))))
                bodies = [{"zone": zone, "day": d, "key": k, "body": b} for d, (k, b) in pieces.items()]
                conn.execute(piece.insert(), bodies)

    def day(self, zone: str, day: int) -> tuple[str, str] | None:
        """(input digest, body) of what was judged for that day; None when nothing is stored."""
        return self.days(zone, day, day + 1).get(day)

    def days(self, zone: str, first_day: int, end_day: int) -> dict[int, tuple[str, str]]:
        """Day -> (input digest, body) of those stored in [first_day, end_day)."""
        query = select(piece).where(piece.c.zone == zone, piece.c.day >= first_day, piece.c.day < end_day)
        with self._database.read() as conn:
            return {row.day: (row.key, row.body) for row in conn.execute(query.order_by(piece.c.day))}

    def drop_days(self, zone: str, days: Sequence[int]) -> None:
        """Drop what is stored of these days of a zone."""
        if days:
            with self._database.begin() as conn:
                conn.execute(piece.delete().where(piece.c.zone == zone, piece.c.day.in_(days)))

    def put_live(self, zone: str, body: str) -> None:
        """Store the newest statement about a zone."""
        with self._database.begin() as conn:
            _replace(conn, live, {"zone": zone}, {"body": body})

    def live(self) -> dict[str, str]:
        """The newest statement about each zone."""
        with self._database.read() as conn:
            return {row.zone: row.body for row in conn.execute(select(live).order_by(live.c.zone))}


def _replace(conn: Connection, table: Table, key: Mapping[str, Any], values: Mapping[str, Any]) -> None:
    match = [table.c[name] == value for name, value in key.items()]
    if conn.execute(table.update().where(*match).values(**values)).rowcount == 0:
        conn.execute(table.insert().values(**key, **values))
