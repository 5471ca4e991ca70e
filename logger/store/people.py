"""Accounts and tokens against the journal: a role or a password that was changed in the file is named."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Row, select

from .tables import account, token

KINDS = ("account", "token")
_ACTIVE = {"enable": True, "disable": False}


@dataclass
class Known:
    """What the rows must say, by the acts in the journal."""

    accounts: dict[str, dict[str, Any]] = field(default_factory=dict)  # name -> person, roles, active, digest
    tokens: dict[str, dict[str, Any]] = field(
        default_factory=dict
    )  # id -> name, scopes, probes, end, revoked


def password_digest(stored: str) -> str:
    """What the journal keeps of a stored password: enough to see that it was exchanged, and of no use else.

    It is a digest of a salted Argon2 digest.
    """
    return hashlib.sha256(stored.encode()).hexdigest()


def read_person(row: Row[Any], what: Mapping[str, Any], known: Known) -> None:
    """Learn what one entry of kind account or token says; KeyError where it lacks something."""
    if row.kind == "account":
        _account(what, known.accounts)
    elif what["act"] == "add":
        named = {name: what[name] for name in ("name", "scopes", "probes", "until_ns")}
        known.tokens[what["token"]] = {**named, "revoked": False}
    else:
        known.tokens[what["token"]]["revoked"] = True


def _account(what: Mapping[str, Any], accounts: dict[str, dict[str, Any]]) -> None:
    name, act = what["account"], what["act"]
    if act == "add":
        told = {key: what[key] for key in ("person", "roles", "password")}
        accounts[name] = {**told, "active": True}
    elif act == "roles":
        accounts[name]["roles"] = what["roles"]
    elif act == "password":
        accounts[name]["password"] = what["password"]
    elif act in _ACTIVE:
        accounts[name]["active"] = _ACTIVE[act]


def check_people(conn: Connection, known: Known) -> Iterator[str]:
    """A sentence for every row that does not say what its acts say, is missing, or has none."""
    accounts = {row.name: _told(row) for row in conn.execute(select(account))}
    for name in sorted(accounts.keys() | known.accounts.keys()):
        if accounts.get(name) != known.accounts.get(name):
            yield f"account {name}: its row is missing, altered, or without its journal entry"
    tokens = {row.id: _token(row) for row in conn.execute(select(token))}
    for ident in sorted(tokens.keys() | known.tokens.keys()):
        if tokens.get(ident) != known.tokens.get(ident):
            yield f"token {ident}: its row is missing, altered, or without its journal entry"


def _told(row: Row[Any]) -> dict[str, Any]:
    digest = password_digest(row.password)
    return {"person": row.person, "roles": row.roles, "active": bool(row.active), "password": digest}


def _token(row: Row[Any]) -> dict[str, Any]:
    revoked = row.revoked_ns is not None
    told = {"name": row.name, "scopes": row.scopes, "probes": row.probes, "until_ns": row.until_ns}
    return {**told, "revoked": revoked}
