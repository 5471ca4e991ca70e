"""Versions of the setup: proposed by one person, approved or refused by another, each act in the journal.

Proposals and versions share one count: a refused proposal keeps its number for ever.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Row, func, inspect, select

from ...errors import Refused, StoreDamaged, UnknownName
from ..types import JSON, SetupProposal, SetupVersion
from .home import Home
from .journal import Journal
from .tables import RESTORE, setup, setup_proposal, setup_refusal


def text_digest(texts: Mapping[str, str]) -> str:
    """SHA-256 over names and texts in sorted order, each after its length: the identity of a setup.

    The same as `logger.config.digest`, whose texts have LF line ends; a test holds both together.
    """
    sha = hashlib.sha256()
    for file in sorted(texts):
        for part in (file, texts[file]):
            data = part.encode("utf-8")
            sha.update(f"{len(data)}:".encode() + data)
    return sha.hexdigest()


class Setups:
    """Versions of the setup, each with its journal entries."""

    def __init__(self, database: Home, journal: Journal) -> None:
        self._database = database
        self._journal = journal

    def put(
        self,
        texts: Mapping[str, str],
        who: str,
        why: str,
        approver: str,
        at_ns: int,
        *,
        conn: Connection | None = None,
    ) -> int:
        """Store the files of config/ as the next version, in force at once; gives its number."""
        if conn is None:
            with self._database.begin() as transaction:
                return self.put(texts, who, why, approver, at_ns, conn=transaction)
        version, digest = _next(conn), text_digest(texts)
        what: dict[str, JSON] = {"version": version, "at_ns": at_ns, "approver": approver, "digest": digest}
        self._journal.append("setup", who, what, why, conn)
        columns = {"texts": dict(texts), "who": who, "why": why, "approver": approver, "at_ns": at_ns}
        conn.execute(setup.insert().values(version=version, digest=digest, **columns))
        return version

    def propose(
        self, texts: Mapping[str, str], who: str, why: str, at_ns: int, *, correction: bool, conn: Connection
    ) -> int:
        """Store the files of config/ as a proposal against the newest version; gives its number."""
        version, digest = _next(conn), text_digest(texts)
        facts: dict[str, Any] = {
            "version": version,
            "at_ns": at_ns,
            "base": _newest(conn),
            "correction": correction,
            "digest": digest,
        }
        self._journal.append("setup-proposed", who, facts, why, conn)
        conn.execute(setup_proposal.insert().values(**facts, who=who, why=why, texts=dict(texts)))
        return version

    def approve(self, proposal: SetupProposal, approver: str, why: str, at_ns: int, conn: Connection) -> None:
        """Put a proposal in force; Refused where it is decided, or another version came between."""
        self._require_waiting(proposal, conn)
        newest = _newest(conn)
        if proposal.base != newest:
            raise Refused(
                f"Version {proposal.version} was proposed against version {proposal.base}, but version "
                f"{newest} was approved since. Propose the change again: stillroom config apply."
            )
        facts: dict[str, Any] = {"version": proposal.version, "at_ns": at_ns, "digest": proposal.digest}
        what = {**facts, "author": proposal.who, "reason": proposal.why, "correction": proposal.correction}
        self._journal.append("setup-approved", approver, what, why, conn)
        people = {"who": proposal.who, "why": proposal.why, "approver": approver}
        conn.execute(setup.insert().values(**facts, **people, texts=dict(proposal.texts)))

    def refuse(self, proposal: SetupProposal, who: str, why: str, at_ns: int, conn: Connection) -> None:
        """Close a proposal for ever; Refused where it is decided already."""
        self._require_waiting(proposal, conn)
        self._journal.append("setup-refused", who, {"version": proposal.version, "at_ns": at_ns}, why, conn)
        facts = {"version": proposal.version, "at_ns": at_ns, "who": who, "why": why}
        conn.execute(setup_refusal.insert().values(**facts))

    def newest(self) -> int:
        """Number of the newest version that was approved; 0 while there is none."""
        with self._database.read() as conn:
            return _newest(conn)

    def versions(self) -> list[SetupVersion]:
        """Every version that was approved, oldest first."""
        with self._database.read() as conn:
            proposed = {row.version: row for row in proposal_rows(conn)}
            rows = conn.execute(select(setup).order_by(setup.c.version)).all()
            return [_version(row, proposed.get(row.version)) for row in rows]

    def proposals(self, conn: Connection | None = None) -> list[SetupProposal]:
        """Every proposal with its outcome, oldest first."""
        if conn is None:
            with self._database.read() as transaction:
                return self.proposals(transaction)
        rows = proposal_rows(conn)
        refused = set(conn.execute(select(setup_refusal.c.version)).scalars()) if rows else set()
        approved = set(conn.execute(select(setup.c.version)).scalars())
        return [_proposal(row, _state(row.version, approved, refused)) for row in rows]

    def room_key(self) -> str:
        """Key of the room in the newest version: under it the archive stores its months."""
        versions = self.versions()
        text = versions[-1].texts.get("room.toml", "") if versions else ""
        key = tomllib.loads(text).get("room", {}).get("key", "")
        return str(key) or "unnamed"

    def _require_waiting(self, proposal: SetupProposal, conn: Connection) -> None:
        now = {p.version: p.state for p in self.proposals(conn)}
        if proposal.version not in now:
            raise UnknownName("proposal", str(proposal.version), [str(n) for n in now])
        if now[proposal.version] != "waiting":
            raise Refused(f"Version {proposal.version} was {now[proposal.version]} already.")


def proposal_rows(conn: Connection) -> list[Row[Any]]:
    """Rows of the proposals, oldest first; none in an older folder without the table, opened for reading."""
    if not inspect(conn).has_table(setup_proposal.name):
        return []
    return list(conn.execute(select(setup_proposal).order_by(setup_proposal.c.version)))


def _newest(conn: Connection) -> int:
    return int(conn.execute(select(func.max(setup.c.version))).scalar() or 0)


def _next(conn: Connection) -> int:
    proposed = conn.execute(select(func.max(setup_proposal.c.version))).scalar() or 0
    return 1 + max(_newest(conn), int(proposed))


def _state(version: int, approved: set[int], refused: set[int]) -> str:
    return "approved" if version in approved else "refused" if version in refused else "waiting"


def _version(row: Row[Any], proposal: Row[Any] | None) -> SetupVersion:
    fields = (row.version, row.at_ns, row.who, row.approver, row.why, _texts(row), row.digest)
    if proposal is None:
        return SetupVersion(*fields, proposed_ns=row.at_ns)
    return SetupVersion(*fields, proposed_ns=proposal.at_ns, correction=bool(proposal.correction))


def _texts(row: Row[Any]) -> dict[str, str]:
    """Name -> text of the files of a version; StoreDamaged where the stored bytes are something else."""
    if isinstance(row.texts, dict) and all(isinstance(text, str) for text in row.texts.values()):
        return row.texts
    raise StoreDamaged(
        f"Version {row.version} of the setup was damaged in the database. `stillroom verify` says what is "
        f"proven. {RESTORE}"
    )


def _proposal(row: Row[Any], state: str) -> SetupProposal:
    fields = (row.version, row.at_ns, row.who, row.why, row.base, bool(row.correction), row.texts, row.digest)
    return SetupProposal(*fields, state=state)
