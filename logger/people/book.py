"""The accounts of a record. Every act on one is journalled (kind `account`); nothing is ever removed."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update

from ..errors import Refused, UnknownName
from ..model.lookalikes import foreign_letters
from ..model.roles import (
    Act,
    Role,
    alike,
    may,
    normalise_name,
    only_reads,
    refuse_unless,
    required_roles,
    roles_of,
)
from ..store import Store
from ..store.hot.tables import account as t
from ..store.hot.tables import session
from ..store.verify.accounts import secret_mark
from .passwords import checked_password, digest, fits, needs_renewal

_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,63}")


@dataclass(frozen=True)
class Account:
    """A person with a name to sign in by; `person` is what the record prints."""

    name: str
    person: str
    roles: frozenset[Role]
    active: bool
    made_ns: int
    changed_ns: int

    def may(self, act: Act) -> bool:
        """Whether the roles of this account allow an act."""
        return self.active and may(self.roles, act)

    @property
    def only_reads(self) -> bool:
        """Whether this account can change nothing."""
        return only_reads(self.roles)


class People:
    """The accounts of one record."""

    def __init__(self, store: Store, clock: Callable[[], int] = time.time_ns) -> None:
        self.store = store
        self._clock = clock

    def all(self) -> list[Account]:
        """Every account, by name; those that were disabled stay."""
        with self.store.read() as conn:
            return [_account(row) for row in conn.execute(select(t).order_by(t.c.name))]

    def find(self, name: str) -> Account | None:
        """The account of that name, in use or disabled."""
        with self.store.read() as conn:
            row = conn.execute(select(t).where(t.c.name == name.strip().casefold())).first()
            return None if row is None else _account(row)

    def account(self, name: str) -> Account:
        """The account of that name, or UnknownName."""
        account = self.find(name)
        if account is None:
            raise UnknownName("account", name, [a.name for a in self.all()])
        return account

    def add(self, name: str, person: str, roles: Collection[Role], password: str, by: str) -> Account:
        """A new account. Names and persons are given once, whatever their capitals."""
        new = _new_account(name, person, roles, self._clock())
        return self._insert(new, digest(checked_password(password, new.name, new.person)), by)

    def adopt(self, account: Account, password_digest: str, roles: Collection[Role], by: str) -> Account:
        """An account of a group as one of this record too: its names and password, with own roles."""
        new = _new_account(account.name, account.person, roles, self._clock())
        return self._insert(new, password_digest, by)

    def password_digest(self, name: str) -> str:
        """The stored digest of an account's password; UnknownName where there is no such account."""
        account = self.account(name)
        with self.store.read() as conn:
            return str(conn.execute(select(t.c.password).where(t.c.name == account.name)).scalar_one())

    def _insert(self, new: Account, password_digest: str, by: str) -> Account:
        with self.store.begin() as conn:
            for other in conn.execute(select(t.c.name, t.c.person)):
                if new.name == other.name or normalise_name(new.person) == normalise_name(other.person):
                    raise Refused(f"There is an account {other.name!r} of {other.person} already.")
                _refuse_lookalike(new, other.name, other.person)
            values = {
                "person": new.person,
                "roles": _role_values(new.roles),
                "password": password_digest,
                "active": True,
            }
            at = {"made_ns": new.made_ns, "changed_ns": new.changed_ns}
            conn.execute(insert(t).values(name=new.name, **values, **at))
            facts = {
                "person": new.person,
                "roles": _role_values(new.roles),
                "password": secret_mark(password_digest),
            }
            self._journal(conn, "add", new.name, by, new.made_ns, **facts)
        return new

    def set_roles(self, name: str, roles: Collection[Role], by: str) -> Account:
        """Other roles; whoever is signed in by this account has them from the next request on."""
        before, new_roles = self.account(name), roles_of(roles)
        after = replace(before, roles=new_roles)
        with self.store.begin() as conn:
            self._keep_administrator(conn, after)
            at_ns = self._update(conn, name, roles=_role_values(new_roles))
            facts = {"was": _role_values(before.roles), "roles": _role_values(new_roles)}
            self._journal(conn, "roles", before.name, by, at_ns, **facts)
        return after

    def set_active(self, name: str, active: bool, by: str) -> Account:
        """Disable an account, which ends its sessions, or take it into use again."""
        after = replace(self.account(name), active=active)
        with self.store.begin() as conn:
            self._keep_administrator(conn, after)
            at_ns = self._update(conn, name, active=active)
            conn.execute(delete(session).where(session.c.account == after.name))
            self._journal(conn, "enable" if active else "disable", after.name, by, at_ns)
        return after

    def set_password(self, name: str, password: str, by: str) -> None:
        """Another password; ends every session of the account."""
        account = self.account(name)
        self.set_password_digest(name, digest(checked_password(password, account.name, account.person)), by)

    def set_password_digest(self, name: str, password_digest: str, by: str) -> None:
        """Another password by its digest, as a group's account has it; ends every session of the account."""
        account = self.account(name)
        with self.store.begin() as conn:
            at_ns = self._update(conn, name, password=password_digest)
            conn.execute(delete(session).where(session.c.account == account.name))
            self._journal(conn, "password", account.name, by, at_ns, password=secret_mark(password_digest))

    def acting(self, who: str, act: Act) -> str:
        """The name to act under: that of an account in use whose roles allow the act.

        A record without accounts knows no roles: there the name is taken as it was given. Refused otherwise,
        and the attempt is in the journal.
        """
        return self.authority(who, act).person if self.in_use() else who.strip()

    def authority(self, who: str, act: Act) -> Account:
        """The account that a name means, where its roles allow the act; Refused and journalled otherwise."""
        account = self.find_by_any_name(who)
        try:
            if account is None or not account.active:
                raise Refused(self._no_account(who, account, act))
            refuse_unless(account.person, account.roles, act)
        except Refused as refused:
            what = {"attempt": act.value, "account": account.name if account else ""}
            why = "its roles do not allow it" if account and account.active else "no account in use"
            self.store.journal.append("refused", account.person if account else who.strip()[:120], what, why)
            raise refused from None
        return account

    def others_who_may(self, act: Act, person: str) -> list[Account]:
        """Accounts in use, beside those of a person, whose roles allow an act; by name."""
        return [
            a for a in self.all() if a.active and a.may(act) and not self.is_same_person(a.person, person)
        ]

    def in_use(self) -> bool:
        """Whether there is an account in use, so that who acts is known."""
        return any(account.active for account in self.all())

    def _no_account(self, who: str, account: Account | None, act: Act) -> str:
        if account is not None:
            return f"Nothing was changed: the account of {account.person} is disabled."
        sentence = (
            f"Nothing was changed: {who.strip() or 'nobody'} has no account here, and so may not "
            f"{act.value}; that needs the role {required_roles(act)}."
        )
        for name in [name for account_ in self.all() for name in (account_.person, account_.name)]:
            if alike(who, name) and (letters := foreign_letters(who, name)):
                return f"{sentence} The name looks like {name}, but has {letters}."
        return sentence

    def is_same_person(self, name: str, other_name: str) -> bool:
        """Whether two names mean one person: names of one account, or such as a reader cannot tell apart."""
        first, second = self.find_by_any_name(name), self.find_by_any_name(other_name)
        if first is not None and second is not None:
            return first == second
        names = [{n} | ({a.name, a.person} if a else set()) for n, a in ((name, first), (other_name, second))]
        return any(alike(a, b) for a in names[0] for b in names[1])

    def find_by_any_name(self, who: str) -> Account | None:
        """The account that a name means: its own name, or the person's."""
        name = normalise_name(who)
        return next((a for a in self.all() if name in (a.name, normalise_name(a.person))), None)

    def authenticate(self, name: str, password: str, *, renew: bool = True) -> Account | None:
        """The account in use that has this name and password; takes equally long for any other.

        `renew`: a digest by older parameters is replaced, which takes a transaction of its own.
        """
        with self.store.read() as conn:
            row = conn.execute(select(t).where(t.c.name == name.strip().casefold())).first()
        if not fits(password, row.password if row is not None and row.active else None) or row is None:
            return None
        if renew and needs_renewal(row.password):
            newer = digest(password)
            with self.store.begin() as conn:
                at_ns = self._update(conn, row.name, password=newer)
                facts = {"password": secret_mark(newer), "why": "stronger parameters"}
                self._journal(conn, "password", row.name, "stillroom", at_ns, **facts)
        return _account(row)

    def _update(self, conn: Connection, name: str, **values: Any) -> int:
        """Change a row; gives the instant that it now bears, which its entry has to tell."""
        at_ns = self._clock()
        statement = update(t).where(t.c.name == name.strip().casefold())
        conn.execute(statement.values(changed_ns=at_ns, **values))
        return at_ns

    def _journal(self, conn: Connection, act: str, name: str, by: str, at_ns: int, **more: Any) -> None:
        what = {"act": act, "account": name, "at_ns": at_ns, **more}
        self.store.journal.append("account", by, what, conn=conn)

    def _keep_administrator(self, conn: Connection, after: Account) -> None:
        """The last administrator in use stays one, or nobody could make another."""
        others = [_account(row) for row in conn.execute(select(t).where(t.c.name != after.name))]
        before = conn.execute(select(t).where(t.c.name == after.name)).one()
        was = _account(before).may(Act.ADMINISTER)
        if was and not any(a.may(Act.ADMINISTER) for a in [*others, after]):
            raise Refused(f"{after.name} is the last administrator in use; name another one first.")


def _refuse_lookalike(new: Account, name: str, person: str) -> None:
    """Refused where a reader would take the new account for one that there is."""
    for mine, other in ((new.person, person), (new.name, name)):
        if alike(mine, other):
            letters = foreign_letters(mine, other) or "letters that look the same"
            raise Refused(
                f"{mine!r} looks like {other!r}, account {name!r}, but has {letters}. Enter a name that "
                "cannot be confused with it."
            )


def _new_account(name: str, person: str, roles: Collection[Role], now_ns: int) -> Account:
    short, full = name.strip().casefold(), " ".join(person.split())
    if not _NAME.fullmatch(short):
        raise Refused(f"name: expected up to 64 letters a to z, digits, dots or hyphens, found {name!r}.")
    if not 1 <= len(full) <= 120 or not full.isprintable():
        raise Refused(f"person: expected the full name as records print it, found {person!r}.")
    return Account(short, full, roles_of(roles), True, now_ns, now_ns)


def _account(row: Row[Any]) -> Account:
    roles = frozenset(Role(role) for role in row.roles)
    return Account(row.name, row.person, roles, bool(row.active), row.made_ns, row.changed_ns)


def _role_values(roles: Collection[Role]) -> list[Any]:
    return [role.value for role in Role if role in roles]
