"""Accounts and tokens against the journal: a role or a password that was changed in the file is named."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Row

from ..hot.tables import account, token
from .raw_rows import differs, read_rows

KINDS = ("account", "token")
_ACTIVE = {"enable": True, "disable": False}


@dataclass
class AccountClaims:
    """What the rows must say, by the acts in the journal: name or id -> field -> value."""

    accounts: dict[str, dict[str, Any]] = field(default_factory=dict)
    tokens: dict[str, dict[str, Any]] = field(default_factory=dict)


def secret_mark(secret_digest: str) -> str:
    """What the journal keeps of a stored secret: enough to see that it was exchanged, and of no other use.

    It is a digest of a digest: of a salted Argon2 one for a password, of 256 random bits for a token.
    """
    return hashlib.sha256(secret_digest.encode()).hexdigest()


def read_person(row: Row[Any], what: Mapping[str, Any], claims: AccountClaims) -> None:
    """Learn what one entry of kind account or token says; KeyError where it lacks something.

    What entries of an earlier version do not hold yet (`secret`, instants) stays open.
    """
    if row.kind == "account":
        _account(what, claims.accounts)
    elif what["act"] == "add":
        named = {name: what[name] for name in ("name", "scopes", "probes", "until_ns")}
        later = {name: what[name] for name in ("secret", "made_ns") if name in what}
        claims.tokens[what["token"]] = {**named, **later, "revoked": False}
    else:
        instants = {name: what[name] for name in ("revoked_ns",) if name in what}
        claims.tokens[what["token"]] |= {"revoked": True} | instants


def _account(what: Mapping[str, Any], accounts: dict[str, dict[str, Any]]) -> None:
    name, act = what["account"], what["act"]
    at_ns = {"changed_ns": what["at_ns"]} if "at_ns" in what else {}
    if act == "add":
        fields = {key: what[key] for key in ("person", "roles", "password")}
        made_ns = {"made_ns": what["at_ns"]} if at_ns else {}
        accounts[name] = {**fields, **made_ns, "active": True}
    elif act in {"roles", "password"}:
        accounts[name][act] = what[act]
    elif act in _ACTIVE:
        accounts[name]["active"] = _ACTIVE[act]
    accounts[name].pop("changed_ns", None)
    accounts[name] |= at_ns


def check_people(conn: Connection, claims: AccountClaims) -> Iterator[str]:
    """A sentence for every row that does not say what its acts say, is missing, or has none."""
    accounts = {row["name"]: _account_fields(row) for row in read_rows(conn, account)}
    for name in sorted(accounts.keys() | claims.accounts.keys()):
        if differs(accounts.get(name), claims.accounts.get(name)):
            yield f"account {name}: its row is missing, altered, or without its journal entry"
    tokens = {row["id"]: _token_fields(row) for row in read_rows(conn, token)}
    for ident in sorted(tokens.keys() | claims.tokens.keys()):
        if differs(tokens.get(ident), claims.tokens.get(ident)):
            yield f"token {ident}: its row is missing, altered, or without its journal entry"


def _account_fields(row: Mapping[str, Any]) -> dict[str, Any]:
    return {**row, "password": secret_mark(row["password"])}


def _token_fields(row: Mapping[str, Any]) -> dict[str, Any]:
    return {**row, "secret": secret_mark(row["sha256"]), "revoked": row["revoked_ns"] is not None}
