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
from ..rows import Columns, digests, join_columns
from .journal import what_of
from .name_table import NameTable
from .readings import HotTier
from .seals import sealed_channel, under_seal
from .tables import batch, journal, reading

CHUNK_ROWS = 100_000

# (writer, first, last) -> sealed readings in order of their numbers
SealedRows = Callable[[str, int, int], Columns | None]


@dataclass(frozen=True)
class BatchClaim:
    """What the journal says about a batch."""

    number: int
    first: int
    last: int
    digest: str
    arrival: int


class BatchCheck:
    """The batches of the hot tier. `sealed` gives what of a batch is already in a file."""

    def __init__(self, hot: HotTier, names: NameTable, sealed: SealedRows) -> None:
        self._hot = hot
        self._names = names
        self._sealed = sealed

    def find_altered(self, conn: Connection, writer: int, first: int, last: int) -> Iterator[str]:
        """A sentence for every batch that meets first..last of a writer and has changed.

        Batches without any row in the hot tier are left to their seals.
        """
        name = self._names.texts([writer], conn)[writer]
        for claims in _chunks(_claims(conn, writer, first, last)):
            yield from self._check_chunk(conn, writer, claims, name)

    def _check_chunk(
        self, conn: Connection, writer: int, claims: Sequence[BatchClaim], name: str
    ) -> Iterator[str]:
        """Check a chunk of batches; one that cannot even be read is found by taking each alone."""
        try:
            rows = self._visible(conn, writer, claims[0].first, claims[-1].last)
            faults = list(_compare_digests(self._add_sealed(rows, claims, name), claims, name))
        except (StoreDamaged, DatabaseError) as error:
            if len(claims) > 1:
                for claim in claims:
                    yield from self._check_chunk(conn, writer, [claim], name)
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
            under[mine] = under_seal(rows.taken_ns[mine], rows.arrival[mine], seals)
        return rows.part(~under) if under.any() else rows

    def _add_sealed(self, rows: Columns, claims: Sequence[BatchClaim], name: str) -> Columns:
        """Add the sealed part of batches that are partly hot, as at the turn of a month."""
        partly = [
            claim for claim in claims if 0 < _count(_slice_of(rows, claim)) < claim.last - claim.first + 1
        ]
        sealed = self._sealed(name, partly[0].first, partly[-1].last) if partly else None
        if sealed is None:
            return rows
        # Batches that are wholly sealed stay out; and what is hot in this snapshot may be sealed by now.
        mask = np.zeros(len(sealed), np.bool_)
        for claim in partly:
            mask[_slice_of(sealed, claim)] = True
        rows = join_columns([rows, sealed.part(mask & ~np.isin(sealed.seq, rows.seq))])
        return rows.part(np.argsort(rows.seq, kind="stable"))


def _claims(conn: Connection, writer: int, first: int, last: int) -> Iterator[BatchClaim]:
    query = (
        select(batch.c.number, batch.c.first_seq, batch.c.last_seq, journal.c.what)
        .join(journal, journal.c.number == batch.c.number)
        .where(batch.c.writer == writer, batch.c.last_seq >= first, batch.c.first_seq <= last)
        .order_by(batch.c.last_seq)
    )
    for row in conn.execute(query):
        what = what_of(row)
        yield BatchClaim(
            row.number, row.first_seq, row.last_seq, what.get("digest", ""), what.get("arrival", 0)
        )


def _chunks(claims: Iterator[BatchClaim]) -> Iterator[list[BatchClaim]]:
    chunk: list[BatchClaim] = []
    for claim in claims:
        chunk.append(claim)
        if claim.last - chunk[0].first >= CHUNK_ROWS:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def _compare_digests(rows: Columns, claims: Sequence[BatchClaim], name: str) -> Iterator[str]:
    places = [(claim, _slice_of(rows, claim)) for claim in claims]
    for claim, here in places:
        if 0 < _count(here) != claim.last - claim.first + 1:
            yield f"batch {claim.number} of writer {name}: {_describe_missing(rows, here, claim)}"
    complete = [(claim, here) for claim, here in places if _count(here) == claim.last - claim.first + 1]
    actual = digests(rows, [here.start for _, here in complete], [here.stop for _, here in complete])
    for (claim, here), digest in zip(complete, actual, strict=True):
        if digest != claim.digest or not _in_order(rows.part(here), claim):
            yield f"batch {claim.number} of writer {name}: altered, {_place(rows.part(here), claim)}"


def _in_order(rows: Columns, claim: BatchClaim) -> bool:
    """Whether hot rows still stand where they arrived: seals and cursors go by that."""
    hot = rows.arrival > 0
    return bool(np.all(rows.arrival[hot] - claim.arrival == rows.seq[hot] - claim.first))


def _slice_of(rows: Columns, claim: BatchClaim) -> slice:
    start, stop = np.searchsorted(rows.seq, [claim.first, claim.last + 1])
    return slice(int(start), int(stop))


def _count(here: slice) -> int:
    return int(here.stop - here.start)


def _describe_missing(rows: Columns, here: slice, claim: BatchClaim) -> str:
    expected = np.arange(claim.first, claim.last + 1)
    missing = np.setdiff1d(expected, rows.seq[here])
    if not len(missing):
        return f"readings {claim.first} to {claim.last} are there more than once"
    return f"{len(missing)} of readings {claim.first} to {claim.last} are missing, the first is {missing[0]}"


def _place(rows: Columns, claim: BatchClaim) -> str:
    used = [rows.channel.table[code] for code in np.unique(rows.channel.codes)]
    first, last = (
        datetime.fromtimestamp(int(t) // NS, UTC) for t in (rows.taken_ns.min(), rows.taken_ns.max())
    )
    named = ", ".join(used[:6]) + (f" and {len(used) - 6} more" if len(used) > 6 else "")
    where = f"among readings {claim.first} to {claim.last}: {named}"
    return f"{where}, {first:%Y-%m-%dT%H:%M:%SZ} to {last:%Y-%m-%dT%H:%M:%SZ}"
