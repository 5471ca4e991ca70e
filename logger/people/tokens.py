"""Tokens of machines: shown once, kept as a digest, each for few things and revocable."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row, insert, select, update

from ..errors import Refused, UnknownName
from ..model.roles import Scope, scopes_of
from ..store import Store
from ..store.hot.tables import token as t
from ..store.verify.accounts import secret_mark

_FORM = re.compile(r"stillroom_([0-9a-f]{8})_([A-Za-z0-9_-]{43})")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


@dataclass(frozen=True)
class Token:
    """What a machine may: `name` is that of the machine, `probes` those it may speak for (none: any)."""

    id: str
    name: str
    scopes: frozenset[Scope]
    probes: tuple[str, ...]
    made_ns: int
    until_ns: int | None
    revoked_ns: int | None

    def holds(self, now_ns: int) -> bool:
        """Whether it is neither revoked nor past its day."""
        return self.revoked_ns is None and (self.until_ns is None or now_ns < self.until_ns)


class Tokens:
    """The tokens of one record."""

    def __init__(self, store: Store, clock: Callable[[], int] = time.time_ns) -> None:
        self._store = store
        self._clock = clock

    def all(self) -> list[Token]:
        """Every token, oldest first; revoked ones stay listed."""
        with self._store.read() as conn:
            return [_token_of(row) for row in conn.execute(select(t).order_by(t.c.made_ns, t.c.id))]

    def add(
        self,
        name: str,
        scopes: Collection[Scope],
        by: str,
        *,
        probes: Collection[str] = (),
        until_ns: int | None = None,
    ) -> tuple[Token, str]:
        """A new token, and its text, which is nowhere kept."""
        if not _NAME.fullmatch(name):
            raise Refused(f"token: expected a name of letters, digits, dots or hyphens, found {name!r}.")
        new = Token(
            secrets.token_hex(4),
            name,
            scopes_of(scopes),
            tuple(sorted(probes)),
            self._clock(),
            until_ns,
            None,
        )
        if not new.holds(new.made_ns):
            raise Refused("token: expected an end in the future; nothing was changed.")
        secret = secrets.token_urlsafe(32)
        fields = {"name": name, "scopes": sorted(new.scopes), "probes": list(new.probes)}
        with self._store.begin() as conn:
            at = {"made_ns": new.made_ns, "until_ns": until_ns}
            conn.execute(insert(t).values(id=new.id, sha256=_digest(secret), **fields, **at))
            mark = secret_mark(_digest(secret))
            facts: dict[str, Any] = {"act": "add", "token": new.id, "secret": mark, **fields, **at}
            self._store.journal.append("token", by, facts, conn=conn)
        return new, f"stillroom_{new.id}_{secret}"

    def find(self, text: str) -> Token | None:
        """The token in use of this text."""
        parts = _FORM.fullmatch(text)
        if parts is None:
            return None
        with self._store.read() as conn:
            row = conn.execute(select(t).where(t.c.id == parts[1])).first()
        if row is None or not hmac.compare_digest(row.sha256, _digest(parts[2])):
            return None
        token = _token_of(row)
        return token if token.holds(self._clock()) else None

    def revoke(self, ident: str, by: str) -> Token:
        """Make a token worthless from now on."""
        tokens = {token.id: token for token in self.all()}
        if ident not in tokens:
            raise UnknownName("token", ident, tokens)
        if tokens[ident].revoked_ns is not None:
            raise Refused(f"Token {ident} was already revoked.")
        with self._store.begin() as conn:
            at = {"revoked_ns": self._clock()}
            conn.execute(update(t).where(t.c.id == ident).values(**at))
            facts: dict[str, Any] = {"act": "revoke", "token": ident, "name": tokens[ident].name, **at}
            self._store.journal.append("token", by, facts, conn=conn)
        return tokens[ident]


def _token_of(row: Row[Any]) -> Token:
    scopes = frozenset(Scope(scope) for scope in row.scopes)
    return Token(row.id, row.name, scopes, tuple(row.probes), row.made_ns, row.until_ns, row.revoked_ns)


def _digest(secret: str) -> str:
    """Of 256 random bits; a slow digest would only slow down every request."""
    return hashlib.sha256(secret.encode()).hexdigest()
