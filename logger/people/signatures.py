"""A signature: the person again, by password, with what it means. In the journal as kind `signature`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import Connection

from ..errors import Refused
from ..model.roles import SIGNED_BY, Meaning, refuse_unless
from ..store.types import JSON
from .book import People


@dataclass(frozen=True)
class Signature:
    """Who signed what, as journal entry `number` holds it; `at_ns` is the journal's own instant."""

    number: int
    at_ns: int
    account: str
    person: str
    meaning: Meaning
    about: Mapping[str, JSON]


def sign(
    people: People,
    name: str,
    password: str,
    meaning: Meaning,
    *,
    about: Mapping[str, JSON],
    why: str = "",
    conn: Connection | None = None,
) -> Signature:
    """Sign as the account `name`; Refused without its password, and without a role that may sign so.

    `about` says what is signed, best with its digest. With `conn` the entry is part of the caller's
    transaction, so that what is signed and its signature come together or not at all.
    """
    account = people.authenticate(name, password, renew=conn is None) if password else None
    if account is None:
        raise Refused("Nothing was signed: enter the password of the person who signs.")
    refuse_unless(account.person, account.roles, SIGNED_BY[meaning])
    what = {"account": account.name, "meaning": meaning.value, "about": dict(about)}
    entry = people.store.journal.append("signature", account.person, what, why.strip(), conn)
    return Signature(entry.number, entry.at_ns, account.name, account.person, meaning, dict(about))
