"""The chain read from its beginning, and what its entries claim about rows and files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Row

from .journal import FIRST, digest, walk


@dataclass
class Claims:
    """What the journal says must be found, and what is wrong with the journal itself."""

    faults: list[str] = field(default_factory=list)
    entries: int = 0
    batches: int = 0
    head: tuple[int, str] = FIRST
    last_seq: dict[str, int] = field(default_factory=dict)  # writer -> last number of its last batch
    ranges: dict[int, tuple[str, int, int]] = field(default_factory=dict)  # entry -> writer, first, last
    seals: dict[int, dict[str, Any]] = field(default_factory=dict)  # entry -> what was sealed
    setups: dict[int, str] = field(default_factory=dict)  # version -> digest
    imports: dict[str, str] = field(default_factory=dict)  # SHA-256 -> original
    founding: Mapping[str, Any] = field(default_factory=dict)


def read_chain(conn: Connection, heads: dict[int, str]) -> Claims:
    """Check that every entry follows the one before it, and collect what they claim.

    `heads`: number -> digest of heads that left the machine. After a fault the walk goes on from
    what is stored, so that one altered entry is named once and not with all that follow.
    """
    claims = Claims()
    number, previous = FIRST
    for row in walk(conn):
        _follows(row, number, previous, claims)
        if row.number in heads and heads[row.number] != row.sha256:
            claims.faults.append(
                f"journal entry {row.number}: is not the head that left this machine; another chain"
            )
        _claimed(row, claims)
        number, previous = row.number, row.sha256
        claims.entries += 1
    claims.head = (number, previous)
    _cut_off(claims, heads)
    return claims


def _follows(row: Row[Any], number: int, previous: str, claims: Claims) -> None:
    if row.number != number + 1:
        claims.faults.append(f"journal entry {number + 1}: missing; after {number} comes {row.number}")
    texts = {"kind": row.kind, "who": row.who, "what": row.what, "why": row.why}
    if digest(number=row.number, at_ns=row.at_ns, previous=previous, **texts) != row.sha256:
        missing = "" if row.number == number + 1 else ", or is the first after those that are missing"
        claims.faults.append(
            f"journal entry {row.number} ({row.kind}): was altered, or does not belong here{missing}"
        )


def _cut_off(claims: Claims, heads: Mapping[int, str]) -> None:
    if claims.entries == 0:
        claims.faults.append("journal entry 1: missing; the journal is empty")
    for number in sorted(heads):
        if number > claims.head[0]:
            claims.faults.append(
                f"journal entry {number}: missing, though it left this machine as head; the journal was cut "
                "off or an older one was put back"
            )


def _claimed(row: Row[Any], claims: Claims) -> None:
    try:
        what = json.loads(row.what)
        if row.kind == "batch":
            _claimed_batch(row.number, what, claims)
        elif row.kind == "seal":
            claims.seals[row.number] = {**what, "channels": dict(what["channels"]), "file": str(what["file"])}
        elif row.kind == "setup":
            claims.setups[what["version"]] = what["digest"]
        elif row.kind == "import":
            claims.imports[what["sha256"]] = what["original"]
        elif row.kind == "store" and not claims.founding:
            claims.founding = dict(what)
    except (ValueError, KeyError, TypeError) as error:
        claims.faults.append(f"journal entry {row.number} ({row.kind}): does not say what it must: {error!r}")


def _claimed_batch(number: int, what: Mapping[str, Any], claims: Claims) -> None:
    writer, expected = what["writer"], claims.last_seq.get(what["writer"], 0) + 1
    if what["first"] != expected:
        claims.faults.append(
            f"journal entry {number} (batch): {writer} goes on at reading {what['first']}, wanted {expected}"
        )
    claims.last_seq[writer] = what["last"]
    claims.ranges[number] = (writer, what["first"], what["last"])
    claims.batches += 1
