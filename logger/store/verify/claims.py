"""The chain read from its beginning, and what its entries claim about rows and files."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, select

from ..archive.month_file import CHANNEL_FACTS, SEAL_FACTS
from ..hot.journal import FIRST, digest
from ..hot.journal_files import JournalLine, walk
from ..hot.tables import batch
from .accounts import AccountClaims, read_person
from .acts import Acts, read_act


@dataclass
class Claims:
    """What the journal says must be found."""

    entries: int = 0
    batches: int = 0
    head: tuple[int, str] = FIRST
    last_seq: dict[str, int] = field(default_factory=dict)  # writer -> last number of its last batch
    ranges: dict[int, tuple[str, int, int, int]] = field(default_factory=dict)  # entry -> as in `batch`
    indexed: frozenset[int] = frozenset()  # entries of batches that have a row in `batch`
    seals: dict[int, dict[str, Any]] = field(default_factory=dict)  # entry -> what was sealed
    journal_seals: dict[int, dict[str, Any]] = field(default_factory=dict)  # entry -> which entries moved
    setups: dict[int, dict[str, Any]] = field(default_factory=dict)  # version -> as in `setup`
    proposals: dict[int, dict[str, Any]] = field(default_factory=dict)  # version -> as in `setup_proposal`
    refusals: dict[int, dict[str, Any]] = field(default_factory=dict)  # version -> as in `setup_refusal`
    imports: dict[str, dict[str, Any]] = field(default_factory=dict)  # SHA-256 -> as in `import_file`
    records: dict[int, dict[str, Any]] = field(default_factory=dict)  # number -> files, and as in `issue`
    reports: dict[int, dict[str, str]] = field(default_factory=dict)  # study report -> file -> SHA-256
    disposals: dict[int, dict[str, Any]] = field(default_factory=dict)  # seal -> what was let go
    clocks: dict[int, dict[str, Any]] = field(default_factory=dict)  # entry -> what it says of a clock
    acts: Acts = field(default_factory=Acts)
    people: AccountClaims = field(default_factory=AccountClaims)  # accounts and tokens
    founding: Mapping[str, Any] = field(default_factory=dict)


def read_chain(conn: Connection, folder: Path, heads: Mapping[int, str], claims: Claims) -> Iterator[str]:
    """Check that every entry follows the one before it, and collect what they claim.

    `heads`: number -> digest of heads that left the machine. After a fault the walk goes on from
    what is stored, so that one altered entry is named once and not with all that follow.
    """
    number, previous = FIRST
    claims.indexed = frozenset(conn.execute(select(batch.c.number)).scalars())
    for row in walk(conn, folder):
        yield from _follows(row, number, previous)
        if row.number in heads and heads[row.number] != row.sha256:
            yield f"journal entry {row.number}: is not the head that left this machine; another chain"
        yield from _read_entry(row, claims)
        number, previous = row.number, row.sha256
        claims.entries += 1
    claims.head = (number, previous)
    yield from _cut_off(claims, heads)


def _follows(row: JournalLine, number: int, previous: str) -> Iterator[str]:
    if row.number != number + 1:
        yield f"journal entry {number + 1}: missing; after {number} comes {row.number}"
    if _digest(row, previous) != row.sha256:
        missing = "" if row.number == number + 1 else ", or is the first after those that are missing"
        yield f"journal entry {row.number} ({row.kind}): was altered, or does not belong here{missing}"


def _digest(row: JournalLine, previous: str) -> str:
    texts = {"kind": row.kind, "who": row.who, "what": row.what, "why": row.why}
    try:
        return digest(number=row.number, at_ns=row.at_ns, previous=previous, **texts)
    except TypeError:  # bytes in the place of text
        return ""


def _cut_off(claims: Claims, heads: Mapping[int, str]) -> Iterator[str]:
    if claims.entries == 0:
        yield "journal entry 1: missing; the journal is empty"
    for number in sorted(heads):
        if number > claims.head[0]:
            yield (
                f"journal entry {number}: missing, though it left this machine as head; the journal was cut "
                "off or an older one was restored"
            )


def _read_entry(row: Any, claims: Claims) -> Iterator[str]:
    try:
        what = json.loads(row.what)
        what.pop("through", None)  # by which way an act came is no part of what it did
        if row.kind == "batch":
            yield from _read_batch(row, what, claims)
        elif row.kind in _READERS:
            _READERS[row.kind](row, what, claims)
        else:
            read_act(row, what, claims.acts)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        yield f"journal entry {row.number} ({row.kind}): does not say what it must: {error!r}"


def _read_seal(row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    claims.seals[row.number] = _seal(what)


def _read_journal_seal(row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    names = ("file", "first_number", "last_number", "entries", "size_bytes", "sha256")
    claims.journal_seals[row.number] = {name: what[name] for name in names}


def _read_setup(row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    facts = {name: what[name] for name in ("version", "at_ns", "approver", "digest")}
    claims.setups[what["version"]] = {**facts, "who": row.who, "why": row.why}


def _read_approval(row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    facts = {name: what[name] for name in ("version", "at_ns", "digest")}
    facts |= {"approver": row.who, "who": what["author"], "why": what["reason"]}
    claims.setups[what["version"]] = facts


def _read_proposal(row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    names = ("version", "at_ns", "base", "correction", "digest")
    facts = {name: what[name] for name in names} | {"who": row.who, "why": row.why}
    claims.proposals[what["version"]] = facts


def _read_import(_row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    names = ("sha256", "name", "at_ns", "original", "summary")
    claims.imports[what["sha256"]] = {name: what[name] for name in names}


def _read_refusal(row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    facts = {"version": what["version"], "at_ns": what["at_ns"], "who": row.who, "why": row.why}
    claims.refusals[what["version"]] = facts


def _read_record(row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    number, files = what["record"], dict(what["files"])
    facts = {"zone": what["zone"], "replaces": what["replaces"], "who": row.who, "why": row.why}
    facts["folder"] = f"records/{number:06d}"
    facts["sha256"] = next(sha256 for name, sha256 in files.items() if name.endswith(".pdf"))
    if "body" in what:  # an entry of an older program leaves these open
        facts |= {name: what[name] for name in ("from_ns", "to_ns", "at_ns")}
        facts["body"] = {"files": files} | what["body"]
    claims.records[number] = {"files": files, "row": facts}


def _read_report(_row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    claims.reports[what["report"]] = dict(what["files"])


def _read_disposal(row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    act = {"who": row.who, "approver": what["approver"], "number": row.number}
    names = ("file", "rows", "from", "to", "numbers")
    for file in what["files"]:
        claims.disposals[file["seal"]] = {name: file[name] for name in names} | act


def _read_founding(_row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    claims.founding = claims.founding or dict(what)


def _read_clock(row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    names = ("probe", "clock_ns", "offset_ns") if row.kind == "clock-comparison" else ("boot", "base_ns")
    facts = {name: what[name] for name in (*names, *({"arrival"} & what.keys()))}
    claims.clocks[row.number] = {"kind": row.kind} | facts


def _read_person(row: Row[Any], what: Mapping[str, Any], claims: Claims) -> None:
    read_person(row, what, claims.people)


_READERS: dict[str, Callable[[Row[Any], Mapping[str, Any], Claims], None]] = {
    "seal": _read_seal,
    "journal-seal": _read_journal_seal,
    "setup": _read_setup,
    "setup-approved": _read_approval,
    "setup-proposed": _read_proposal,
    "setup-refused": _read_refusal,
    "import": _read_import,
    "record": _read_record,
    "study-report": _read_report,
    "disposal": _read_disposal,
    "store": _read_founding,
    "clock-comparison": _read_clock,
    "clock-correction": _read_clock,
    "account": _read_person,
    "token": _read_person,
}


def _seal(what: Mapping[str, Any]) -> dict[str, Any]:
    """What a seal says; KeyError where an altered entry lacks something."""
    claim: dict[str, Any] = {name: what[name] for name in SEAL_FACTS} | {"channels": {}}
    for key, channel in what["channels"].items():
        facts = {name: channel[name] for name in CHANNEL_FACTS}
        claim["channels"][str(key)] = {**facts, "days": dict(channel["days"])}
    return claim


def _read_batch(row: JournalLine, what: Mapping[str, Any], claims: Claims) -> Iterator[str]:
    number = row.number
    writer, expected = what["writer"], claims.last_seq.get(what["writer"], 0) + 1
    if what["first"] != expected:
        yield f"journal entry {number} (batch): {writer} goes on at {what['first']}, expected {expected}"
    claims.last_seq[writer] = what["last"]
    if not row.filed or number in claims.indexed:  # of what is in a file most rows are gone, rightly
        claims.ranges[number] = (writer, what["first"], what["last"], what["arrival"])
    claims.batches += 1
