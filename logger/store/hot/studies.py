"""Answers of room studies: each under the digest of its question and of everything that it rests on.

Like judged days they can be made again at will, so no journal entry stands behind them.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Row, select

from .home import Home
from .tables import study


@dataclass(frozen=True)
class StoredStudy:
    """One stored answer; `body` is its JSON text, `at_ns` when it was asked for last."""

    digest: str
    at_ns: int
    question: str
    zone: str
    channel: str
    from_ns: int
    to_ns: int
    body: str


class StudyTable:
    """Stored answers, found by digest or by what was asked."""

    def __init__(self, database: Home) -> None:
        self._database = database

    def put(self, item: StoredStudy) -> None:
        """Store an answer; one with the same digest is replaced."""
        with self._database.begin() as conn:
            conn.execute(study.delete().where(study.c.digest == item.digest))
            conn.execute(study.insert().values(**vars(item)))

    def get(self, digest: str) -> StoredStudy | None:
        """The answer with that digest, or with the only one that begins so; None where there is none."""
        query = select(study).where(study.c.digest.startswith(digest, autoescape=True)).limit(2)
        with self._database.read() as conn:
            rows = conn.execute(query).all()
        return _stored(rows[0]) if len(rows) == 1 else None

    def newest(self, zone: str | None = None, limit: int = 200) -> list[StoredStudy]:
        """The newest answers, newest first, of one zone or all."""
        query = select(study).order_by(study.c.at_ns.desc(), study.c.digest).limit(limit)
        if zone is not None:
            query = query.where(study.c.zone == zone)
        with self._database.read() as conn:
            return [_stored(row) for row in conn.execute(query)]


def _stored(row: Row[tuple[object, ...]]) -> StoredStudy:
    return StoredStudy(**row._asdict())
