"""Every act and event in one chain of SHA-256: a change anywhere breaks it from there on.

Digest of entry n, over UTF-8 without white space, keys in order:

    {"at_ns":…,"kind":…,"number":n,"previous":"<digest of n − 1>","what":{…},"who":…,"why":…}

Canonical JSON: keys sorted by code point, no white space, text not escaped beyond what JSON
asks for, numbers as Python writes them (shortest that reads back the same), no NaN. The text
of `what` is kept as it was digested, so that a verifier needs no canonical encoder of its own.
The chain proves change only against a head that has left the machine.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Collection, Mapping
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from string import ascii_lowercase, ascii_uppercase
from typing import Any

from sqlalchemy import Connection, Row, or_, select

from ...errors import StoreDamaged, StoreError
from ...model.entry_forms import EntryForm
from ..origin import ORIGIN
from ..types import JSON, JournalEntry
from .home import Home
from .journal_files import JournalLine, newest_moved, walk
from .tables import journal

_LITERAL = str.maketrans({"%": "!%", "_": "!_", "!": "!!"})  # what a person writes is no pattern
_SMALL = {ord(large): small for large, small in zip(ascii_uppercase, ascii_lowercase, strict=True)}
CHAIN_END = "chain_end"  # option of a writing connection whose home says the head with the turn
FIRST = (0, "0" * 64)  # what entry 1 follows
_NO_ACTS = ("batch", "seal", "journal-seal", "store")  # the proof of readings, and the record's own beginning


def canonical(value: object) -> str:
    """One text per value.

    >>> canonical({"b": 1.0, "a": ["K", None]})
    '{"a":["K",null],"b":1.0}'
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def digest(*, number: int, at_ns: int, kind: str, who: str, what: str, why: str, previous: str) -> str:
    """SHA-256 of one entry; `what` is its canonical text."""
    text = (
        f'{{"at_ns":{at_ns},"kind":{canonical(kind)},"number":{number},"previous":{canonical(previous)},'
        f'"what":{what},"who":{canonical(who)},"why":{canonical(why)}}}'
    )
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


@dataclass
class ChainEnd:
    """The newest entry as one writing transaction sees it, with those that it has added itself.

    By it a home can ask later whether the transaction stands.
    """

    head: tuple[int, str]


class Journal:
    """The journal of one store. Entries are appended, never changed."""

    def __init__(self, database: Home, clock: Callable[[], int] = time.time_ns) -> None:
        self._database = database
        self._clock = clock

    def append(
        self,
        kind: str,
        who: str,
        what: Mapping[str, JSON] | EntryForm,
        why: str = "",
        conn: Connection | None = None,
    ) -> JournalEntry:
        """Chain one entry on, inside the caller's `Store.begin()` or durably by itself."""
        if conn is None:
            with self._database.begin() as transaction:
                return self.append(kind, who, what, why, transaction)
        end: ChainEnd | None = conn.get_execution_options().get(CHAIN_END)
        number, previous = head(conn) if end is None else end.head
        text, at_ns = _text(kind, _with_origin(kind, what)), self._clock()
        fields: dict[str, Any] = {"number": number + 1, "at_ns": at_ns, "kind": kind, "who": who, "why": why}
        sha = digest(**fields, what=text, previous=previous)
        conn.execute(journal.insert().values(**fields, what=text, sha256=sha))
        if end is not None:
            end.head = (number + 1, sha)
        return JournalEntry(**fields, what=json.loads(text), sha256=sha)

    def entries(
        self,
        after: int = 0,
        kind: str | None = None,
        *,
        limit: int | None = None,
        newest_first: bool = False,
        without: Collection[str] = (),
    ) -> list[JournalEntry]:
        """Entries with a number above `after`, of one kind or all but some, in order."""
        if kind in (None, "batch") and "batch" not in without:
            return self._entries_with_files(after, kind, limit, newest_first, without)
        query = select(journal).where(journal.c.number > after)
        if kind is not None:
            query = query.where(journal.c.kind == kind)
        if without:
            query = query.where(journal.c.kind.not_in(sorted(without)))
        order = journal.c.number.desc() if newest_first else journal.c.number
        with self._database.read() as conn:
            return [_entry(row) for row in conn.execute(query.order_by(order).limit(limit))]

    def _entries_with_files(
        self, after: int, kind: str | None, limit: int | None, newest_first: bool, without: Collection[str]
    ) -> list[JournalEntry]:
        """Entries where those of batches are included, some of which may be in files."""
        with self._database.read() as conn, closing(walk(conn, self._database.path.parent)) as all_lines:
            lines = (
                line
                for line in all_lines
                if line.number > after and kind in (None, line.kind) and line.kind not in without
            )
            selected = lines if newest_first else islice(lines, limit)
            entries = [_entry(line) for line in selected]
        return entries[::-1][:limit] if newest_first else entries

    def search(
        self,
        text: str = "",
        *,
        kinds: Collection[str] = (),
        without: Collection[str] = (),
        not_by: Collection[str] = (),
        from_ns: int | None = None,
        to_ns: int | None = None,
        below: int | None = None,
        limit: int = 100,
    ) -> list[JournalEntry]:
        """The newest entries, newest first, that hold every word of `text` in who, why, kind or what.

        Over [from, to) by their instant; numbers below `below`, so that a reader can go on. Capital
        letters do not matter in ASCII. Entries of batches that moved into files are among them.
        """
        c = journal.c
        query = select(journal).order_by(c.number.desc()).limit(limit)
        for word in text.split():
            near = f"%{word.translate(_LITERAL)}%"
            query = query.where(
                or_(*(column.ilike(near, escape="!") for column in (c.who, c.why, c.kind, c.what)))
            )
        if kinds:
            query = query.where(c.kind.in_(sorted(kinds)))
        if without:
            query = query.where(c.kind.not_in(sorted(without)))
        if not_by:
            query = query.where(c.who.not_in(sorted(not_by)))
        if from_ns is not None:
            query = query.where(c.at_ns >= from_ns)
        if to_ns is not None:
            query = query.where(c.at_ns < to_ns)
        if below is not None:
            query = query.where(c.number < below)
        moved = "batch" not in without and (not kinds or "batch" in kinds)

        def fits(line: JournalLine) -> bool:
            return (
                (from_ns is None or line.at_ns >= from_ns)
                and (to_ns is None or line.at_ns < to_ns)
                and (below is None or line.number < below)
                and line.who not in not_by
                and _holds(line, text)
            )

        with self._database.read() as conn:
            lines: list[Row[Any] | JournalLine] = list(conn.execute(query))
            if moved:
                numbers = {line.number for line in lines}  # one that is being moved stands in both
                filed = newest_moved(conn, self._database.path.parent, fits, limit)
                lines += [line for line in filed if line.number not in numbers]
        return [_entry(line) for line in sorted(lines, key=lambda line: -line.number)[:limit]]

    def kinds(self) -> list[str]:
        """Every kind of entry that there is."""
        with self._database.read() as conn:
            return sorted(conn.execute(select(journal.c.kind).distinct()).scalars())

    def head(self) -> tuple[int, str]:
        """Number and digest of the newest entry; (0, zeros) while there is none."""
        with self._database.read() as conn:
            return head(conn)


def _holds(line: JournalLine, text: str) -> bool:
    """Whether every word stands in one of the fields, capital letters of ASCII aside as in SQLite's LIKE."""
    fields = [_small(field) for field in (line.who, line.why, line.kind, line.what)]
    return all(any(_small(word) in field for field in fields) for word in text.split())


def _small(text: str) -> str:
    return text.translate(_SMALL)


def head(conn: Connection) -> tuple[int, str]:
    """Number and digest of the newest entry, as this transaction sees it."""
    newest = select(journal.c.number, journal.c.sha256).order_by(journal.c.number.desc()).limit(1)
    row = conn.execute(newest).first()
    return (row.number, row.sha256) if row is not None else FIRST


def _with_origin(kind: str, what: Mapping[str, object]) -> Mapping[str, object]:
    """What is said, and by which way it came where that is known."""
    way = ORIGIN.get()
    return what if way is None or kind in _NO_ACTS else {**what, "through": dict(way)}


def _text(kind: str, what: Mapping[str, object]) -> str:
    try:
        return canonical(what)
    except (TypeError, ValueError) as error:
        raise StoreError(f"A journal entry of kind {kind!r} must be JSON without NaN: {error}.") from error


def what_of(row: Any) -> dict[str, Any]:
    """What an entry (a row with `number` and `what`) says; StoreDamaged when that is no JSON."""
    try:
        return dict(json.loads(row.what))
    except (ValueError, TypeError) as error:
        raise StoreDamaged(f"Journal entry {row.number} was altered: its content is not JSON.") from error


def _entry(row: Row[Any] | JournalLine) -> JournalEntry:
    return JournalEntry(row.number, row.at_ns, row.kind, row.who, what_of(row), row.why, row.sha256)
