"""Requests that a program may send again under a key of its own, with what was answered.

No act stands here: what a request did is in the journal. Entries go after two days.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select, update

from ...instants import NS
from .home import Home
from .tables import request_key as t

KEPT_NS = 48 * 3600 * NS


@dataclass(frozen=True)
class StoredRequest:
    """A request: digest of path and body, the key of what it makes, and its answer once it was given."""

    at_ns: int
    sha256: str
    subject: str
    answer: Mapping[str, Any] | None


class RequestKeys:
    """The keys of one record."""

    def __init__(self, database: Home) -> None:
        self._database = database

    def claim(self, token: str, key: str, request: StoredRequest) -> StoredRequest | None:
        """Note a request before it is done; None, or the one that came before under this key and stays."""
        mine = (t.c.token == token) & (t.c.key == key)
        with self._database.begin() as conn:
            conn.execute(t.delete().where(t.c.at_ns < request.at_ns - KEPT_NS))
            row = conn.execute(select(t).where(mine)).first()
            if row is not None:
                return StoredRequest(row.at_ns, row.sha256, row.subject, row.answer)
            conn.execute(t.insert().values(token=token, key=key, **vars(request)))
        return None

    def answer(self, token: str, key: str, answer: Mapping[str, Any]) -> None:
        """Note what was answered."""
        mine = (t.c.token == token) & (t.c.key == key)
        with self._database.begin() as conn:
            conn.execute(update(t).where(mine).values(answer=dict(answer)))

    def release(self, token: str, key: str) -> None:
        """Forget a request that was refused: it may come again in another form."""
        with self._database.begin() as conn:
            conn.execute(t.delete().where((t.c.token == token) & (t.c.key == key)))
