"""Hot rows that no seal covers."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import ColumnElement, Connection, select

from ..hot.tables import reading, seal_channel
from .months import month_of, month_span


def is_hot(conn: Connection, channel: int, from_ns: int, to_ns: int) -> bool:
    """Whether the hot tier holds a reading of the channel in [from, to) that no seal covers."""
    c = reading.c
    within = (c.channel == channel, c.taken_ns >= from_ns, c.taken_ns < to_ns)
    return conn.execute(select(c.arrival).where(*within, _free()).limit(1)).first() is not None


def _free() -> ColumnElement[bool]:
    """That no seal covers a hot row."""
    c, s = reading.c, seal_channel.c
    under = (
        s.channel == c.channel,
        s.from_ns <= c.taken_ns,
        s.to_ns > c.taken_ns,
        s.upto_arrival >= c.arrival,
    )
    return ~select(s.number).where(*under).exists()


def unsealed_spans(conn: Connection, channel: int, before_ns: int) -> Iterator[tuple[int, int]]:
    """Months before an instant in which the channel has rows that no seal covers; the last ends there."""
    c = reading.c
    first = select(c.taken_ns).where(c.channel == channel, _free()).order_by(c.taken_ns).limit(1)
    from_ns = conn.execute(first.where(c.taken_ns < before_ns)).scalar()
    while from_ns is not None:
        first_ns, end_ns = month_span(*month_of(from_ns))
        yield first_ns, min(end_ns, before_ns)
        from_ns = conn.execute(first.where(c.taken_ns >= end_ns, c.taken_ns < before_ns)).scalar()
