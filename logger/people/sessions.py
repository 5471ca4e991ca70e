"""Sessions: who is signed in, until when. Only a digest of what the browser holds is stored."""

from __future__ import annotations

import hashlib
import secrets
import time
from collections.abc import Callable

from sqlalchemy import delete, insert, select, update

from ..instants import NS
from ..model import SessionPlan
from ..store.hot.tables import session as t
from .book import Account, People

_NOTED_NS = 60 * NS  # how exactly the last use is known: not every request is a write


class Sessions:
    """The sessions of one record."""

    def __init__(
        self, people: People, plan: SessionPlan | None = None, clock: Callable[[], int] = time.time_ns
    ) -> None:
        self._people = people
        self._store = people.store
        self._plan = plan or SessionPlan()
        self._clock = clock

    def begin(self, name: str) -> str:
        """A fresh session of an account; what the browser is to hold."""
        key, now = secrets.token_urlsafe(32), self._clock()
        with self._store.begin() as conn:
            conn.execute(delete(t).where(t.c.began_ns < now - round(self._plan.reader_s * NS)))
            conn.execute(insert(t).values(sha256=_digest(key), account=name, began_ns=now, used_ns=now))
        return key

    def account(self, key: str, *, used: bool) -> Account | None:
        """Who holds this session; None when it is over. `used`: by a person, not by a page by itself."""
        now = self._clock()
        with self._store.read() as conn:
            row = conn.execute(select(t).where(t.c.sha256 == _digest(key))).first()
        account = None if row is None else self._people.find(row.account)
        if (
            row is None
            or account is None
            or not account.active
            or self._over(account, row.began_ns, row.used_ns, now)
        ):
            return None
        if used and now - row.used_ns > _NOTED_NS:
            with self._store.begin() as conn:
                conn.execute(update(t).where(t.c.sha256 == row.sha256).values(used_ns=now))
        return account

    def end(self, key: str) -> None:
        """Sign out: what the browser holds opens nothing any more."""
        with self._store.begin() as conn:
            conn.execute(delete(t).where(t.c.sha256 == _digest(key)))

    def _over(self, account: Account, began_ns: int, used_ns: int, now: int) -> bool:
        plan, in_all_s, unused_s = self._plan, (now - began_ns) / NS, (now - used_ns) / NS
        if account.only_reads:
            return in_all_s >= plan.reader_s
        return in_all_s >= plan.longest_s or unused_s >= plan.idle_s


def _digest(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()
