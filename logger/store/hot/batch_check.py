"""Whether the readings of a batch still are what its journal entry says."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import Connection, select
from sqlalchemy.exc import DatabaseError

from ...errors import StoreDamaged
from ...instants import NS
from ..rows import Columns, digests, joined
from .journal import what_of
from .name_table import Names
from .readings import Hot
from .seals import hidden, sealed_channel
from .tables import batch, journal, reading

CHUNK_ROWS = 100_000

# (writer, first, last) -> sealed readings in order of their numbers
SealedRows = Callable[[str, int, int], Columns | None]


@dataclass(frozen=True)
class Claim:
    """What the journal says about a batch."""

    number: int
    first: int
    last: int
    digest: str
    arrival: int


class Batches:
    """The batches of the hot tier. `sealed` gives what of a batch is already in a file."""

    def __init__(self, hot: Hot, names: Names, sealed: SealedRows) -> None:
        self._hot = hot
        self._names = names
        self._sealed = sealed

    def altered(self, conn: Connection, writer: int, first: int, last: int) -> Iterator[str]:
        """A sentence for every batch that meets first..last of a writer and has changed.

        Batches without any row in the hot tier are left to their seals.
        """
        name = self._names.texts([writer], conn)[writer]
        for claims in _chunks(_claims(conn, writer, first, last)):
            yield from self._checked(conn, writer, claims, name)

    def _checked(self, conn: Connection, writer: int, claims: Sequence[Claim], name: str) -> Iterator[str]:
        """Check a chunk of batches; one that cannot even be read is found by taking each alone."""
        try:
            rows = self._visible(conn, writer, claims[0].first, claims[-1].last)
            faults = list(_compared(self._completed(rows, claims, name), claims, name))
        except (StoreDamaged, DatabaseError) as error:
            if len(claims) > 1:
                for claim in claims:
                    yield from self._checked(conn, writer, [claim], name)
                return
            cause = str(error.orig) if isinstance(error, DatabaseError) else str(error)
            faults = [f"batch {claims[0].number} of writer {name}: altered, cannot be read back ({cause})"]
        yield from faults

    def _visible(self, conn: Connection, writer: int, first: int, last: int) -> Columns:
        """Hot rows first..last of a writer that no seal covers, in order of their numbers."""
        within = (reading.c.writer == writer, reading.c.seq >= first, reading.c.seq <= last)
        rows = self._hot.select(conn, *within, order=reading.c.seq)
        under = np.zeros(len(rows), np.bool_)
        for code, channel in enumerate(rows.channel.table):
            number = self._names.number("channel", channel)
            seals = sealed_channel(conn, number) if number is not None else []
            mine = rows.channel.codes == code
            under[mine] = hidden(rows.taken_ns[mine], rows.arrival[mine], seals)
        return rows.part(~under) if under.any() else rows

    def _completed(self, rows: Columns, claims: Sequence[Claim], name: str) -> Columns:
        """Add the sealed part of batches that are partly hot, as at the turn of a month."""
        partly = [
            claim for claim in claims if 0 < _count(_within(rows, claim)) < claim.last - claim.first + 1
        ]
        found = self._sealed(name, partly[0].first, partly[-1].last) if partly else None
        if found is None:
            return rows
        # Batches that are wholly sealed stay out; and what is hot in this snapshot may be sealed by now.
        wanted = np.zeros(len(found), np.bool_)
        for claim in partly:
            wanted[_within(found, claim)] = True
        rows = joined([rows, found.part(wanted & ~np.isin(found.seq, rows.seq))])
        return rows.part(np.argsort(rows.seq, kind="stable"))


def _claims(conn: Connection, writer: int, first: int, last: int) -> Iterator[Claim]:
    wanted = (
        select(batch.c.number, batch.c.first_seq, batch.c.last_seq, journal.c.what)
        .join(journal, journal.c.number == batch.c.number)
        .where(batch.c.writer == writer, batch.c.last_seq >= first, batch.c.first_seq <= last)
        .order_by(batch.c.last_seq)
    )
    for row in conn.execute(wanted):
        what = what_of(row)
        yield Claim(row.number, row.first_seq, row.last_seq, what.get("digest", ""), what.get("arrival", 0))


def _chunks(claims: Iterator[Claim]) -> Iterator[list[Claim]]:
    chunk: list[Claim] = []
    for claim in claims:
        chunk.append(claim)
        if claim.last - chunk[0].first >= CHUNK_ROWS:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def _compared(rows: Columns, claims: Sequence[Claim], name: str) -> Iterator[str]:
    places = [(claim, _within(rows, claim)) for claim in claims]
    for claim, here in places:
        if 0 < _count(here) != claim.last - claim.first + 1:
            yield f"batch {claim.number} of writer {name}: {_absent(rows, here, claim)}"
    whole = [(claim, here) for claim, here in places if _count(here) == claim.last - claim.first + 1]
    found = digests(rows, [here.start for _, here in whole], [here.stop for _, here in whole])
    for (claim, here), digest in zip(whole, found, strict=True):
        if digest != claim.digest or not _in_order(rows.part(here), claim):
            yield f"batch {claim.number} of writer {name}: altered, {_place(rows.part(here), claim)}"


def _in_order(rows: Columns, claim: Claim) -> bool:
    """Whether hot rows still stand where they arrived: seals and cursors go by that."""
    hot = rows.arrival > 0
    return bool(np.all(rows.arrival[hot] - claim.arrival == rows.seq[hot] - claim.first))


def _within(rows: Columns, claim: Claim) -> slice:
    start, stop = np.searchsorted(rows.seq, [claim.first, claim.last + 1])
    return slice(int(start), int(stop))


def _count(here: slice) -> int:
    return int(here.stop - here.start)


def _absent(rows: Columns, here: slice, claim: Claim) -> str:
    wanted = np.arange(claim.first, claim.last + 1)
    gone = np.setdiff1d(wanted, rows.seq[here])
    if not len(gone):
        return f"readings {claim.first} to {claim.last} are there more than once"
    return f"{len(gone)} of readings {claim.first} to {claim.last} are missing, the first is {gone[0]}"


def _place(rows: Columns, claim: Claim) -> str:
    used = [rows.channel.table[code] for code in np.unique(rows.channel.codes)]
    first, last = (
        datetime.fromtimestamp(int(t) // NS, UTC) for t in (rows.taken_ns.min(), rows.taken_ns.max())
    )
    named = ", ".join(used[:6]) + (f" and {len(used) - 6} more" if len(used) > 6 else "")
    where = f"among readings {claim.first} to {claim.last}: {named}"
    return f"{where}, {first:%Y-%m-%dT%H:%M:%SZ} to {last:%Y-%m-%dT%H:%M:%SZ}"
