"""What is sealed: which files hold which channel when, and which hot rows lie under a seal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, Row, func, select

from ...series import Bool, Int
from ..types import Seal
from .tables import disposal, seal, seal_channel


@dataclass(frozen=True)
class SealedChannel:
    """One channel in one sealed file."""

    file: str
    from_ns: int
    to_ns: int
    upto_arrival: int
    rows: int
    first_ns: int
    last_ns: int
    first_ok_ns: int | None
    last_ok_ns: int | None


def sealed_channel(
    conn: Connection, channel: int, from_ns: int | None = None, to_ns: int | None = None
) -> list[SealedChannel]:
    """Sealed files with a channel that are not disposed of, their month meeting [from, to), as sealed."""
    return sealed_channels(conn, [channel], from_ns, to_ns).get(channel, [])


def sealed_channels(
    conn: Connection, channels: Sequence[int], from_ns: int | None = None, to_ns: int | None = None
) -> dict[int, list[SealedChannel]]:
    """Sealed files by channel number, not disposed of, their month meeting [from, to), in order."""
    c = seal_channel.c
    query = select(
        c.channel,
        seal.c.file,
        c.from_ns,
        c.to_ns,
        c.upto_arrival,
        c.rows,
        c.first_ns,
        c.last_ns,
        c.first_ok_ns,
        c.last_ok_ns,
    ).where(c.number == seal.c.number, c.channel.in_(channels), c.number.not_in(select(disposal.c.seal)))
    if from_ns is not None:
        query = query.where(c.to_ns > from_ns)
    if to_ns is not None:
        query = query.where(c.from_ns < to_ns)
    by_channel: dict[int, list[SealedChannel]] = {}
    for channel, *row in conn.execute(query.order_by(c.number)):
        by_channel.setdefault(channel, []).append(SealedChannel(*row))
    return by_channel


def under_seal(taken_ns: Int, arrival: Int, seals: Sequence[SealedChannel]) -> Bool:
    """True for hot rows that lie under a seal: the file speaks for them."""
    under = np.zeros(len(taken_ns), np.bool_)
    for month_seal in seals:
        under |= (
            (taken_ns >= month_seal.from_ns)
            & (taken_ns < month_seal.to_ns)
            & (arrival <= month_seal.upto_arrival)
        )
    return under


def all_seals(conn: Connection, disposed: bool = True) -> list[Seal]:
    """Every seal in order, or without those whose file was disposed of."""
    query = select(seal).order_by(seal.c.number)
    if not disposed:
        query = query.where(seal.c.number.not_in(select(disposal.c.seal)))
    return [seal_of(row) for row in conn.execute(query)]


def seal_of(row: Row[Any]) -> Seal:
    """A row of the table as plain data."""
    return Seal(row.number, row.room, row.from_ns, row.to_ns, row.file, row.rows, row.size_bytes, row.sha256)


def last_sealed_arrival(conn: Connection) -> int:
    """The newest arrival that any seal covers; 0 without seals."""
    return conn.execute(select(func.max(seal.c.upto_arrival))).scalar() or 0
