"""UTC months and days in nanoseconds."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from ...instants import NS
from ...series import Int

DAY_NS = 86_400 * NS


def month_of(at_ns: int) -> tuple[int, int]:
    """Year and month (1..12) of an instant.

    >>> month_of(1_790_812_799_999_999_999), month_of(1_790_812_800_000_000_000)
    ((2026, 9), (2026, 10))
    """
    at = datetime.fromtimestamp(at_ns // NS, UTC)
    return at.year, at.month


def month_span(year: int, month: int) -> tuple[int, int]:
    """First instant of a month and of the next one."""
    after = (year + 1, 1) if month == 12 else (year, month + 1)
    return _start(year, month), _start(*after)


def day_starts(taken_ns: Int) -> list[int]:
    """Places at which a new UTC day begins in ascending instants, 0 among them."""
    days = taken_ns // DAY_NS
    return [0, *(np.flatnonzero(days[1:] != days[:-1]) + 1).tolist()]


def day_text(at_ns: int) -> str:
    """ISO 8601 day of an instant, UTC.

    >>> day_text(1_790_812_800_000_000_000)
    '2026-10-01'
    """
    return datetime.fromtimestamp(at_ns // NS, UTC).date().isoformat()


def _start(year: int, month: int) -> int:
    return int(datetime(year, month, 1, tzinfo=UTC).timestamp()) * NS
