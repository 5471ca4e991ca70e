"""What steps between rows tell of the order of dates: they confirm one, and show a part in another.

A spreadsheet that was opened under another country's settings turns the first twelve days of each month
around and leaves the others: then no date is impossible, but time jumps where the part begins and ends.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
from numpy.typing import NDArray

from ..errors import ImportRefused
from ..model import NS
from .profile import Order
from .zones import DAY_NS, shown

Int = NDArray[np.int64]

_EPOCH = date(1970, 1, 1).toordinal()
_LONG_DAYS = 400
_GAP_NS = 2 * DAY_NS  # a shorter gap cannot be the turned date of a neighbour


def refuse_another_order(day: Int, clock_ns: Int, lines: Sequence[int], order: str) -> None:
    """ImportRefused where a jump vanishes if day and month of the rows behind or before it change places.

    day: days since 1970, shape (n,); clock_ns: times of day; both in order of the rows.
    """
    wall = day * DAY_NS + clock_ns
    steps = np.diff(wall)
    usual_ns = _usual(steps)
    limit_ns = max(_GAP_NS, 20 * usual_ns)
    for n in np.flatnonzero((steps > limit_ns) | (steps < -DAY_NS)).tolist():
        turned = [_turned(int(day[k])) for k in (n, n + 1)]
        other = [
            None if d is None else d * DAY_NS + int(clock_ns[k])
            for d, k in zip(turned, (n, n + 1), strict=True)
        ]
        ways = [(other[0], int(wall[n + 1]), n), (int(wall[n]), other[1], n + 1)]
        for before, after, k in ways:
            if before is not None and after is not None and 0 < after - before <= 3 * usual_ns:
                raise ImportRefused(_said(wall, lines, n, k, order))


def _said(wall: Int, lines: Sequence[int], n: int, k: int, order: str) -> str:
    side = "up to" if k == n else "from"
    return (
        f"Line {lines[n + 1]}: the time jumps from {shown(int(wall[n]))} to {shown(int(wall[n + 1]))}. With "
        "day and "
        f"month the other way round {side} line {lines[k]} it would go on without a jump: part of the file "
        f"seems to be written in another order than {order}. Export it again, or split it into files of one "
        "order each. If the jump is real, say `jumps_are_real = true` under [time] in the profile."
    )


def refuse_long_gap(wall_ns: Int, lines: Sequence[int]) -> None:
    """ImportRefused where some rows lie years apart from all others: a logger that lost its clock."""
    order = np.argsort(wall_ns, kind="stable")
    steps = np.diff(wall_ns[order])
    if not len(steps) or int(steps.max()) <= _LONG_DAYS * DAY_NS:
        return
    n = int(steps.argmax())
    a, b = int(order[n]), int(order[n + 1])
    raise ImportRefused(
        f"Line {lines[a]} was taken at {shown(int(wall_ns[a]))} and the next one in time, line {lines[b]}, "
        "at "
        f"{shown(int(wall_ns[b]))}: did the logger lose its clock? Mend or remove the lines; if it is so, "
        "say "
        "`jumps_are_real = true` under [time] in the profile."
    )


def evidence(walls: Mapping[Order, Int]) -> str:
    """What the steps say for and against each possible order, for a person who is asked; empty if nothing."""
    told = []
    for order, wall in walls.items():
        steps: Int = np.diff(np.sort(wall)).astype(np.int64)
        jumps = int((steps > max(_GAP_NS, 20 * _usual(steps))).sum()) if len(steps) else 0
        told.append((order, jumps))
    if len({jumps for _, jumps in told}) < 2:
        return ""
    words = ", ".join(f"as {order} the rows hold {jumps} jump(s) of days" for order, jumps in told)
    return f" To help: {words}."


def _turned(day: int) -> int | None:
    """The day with its month and day of month in each other's place, where that is another day."""
    d = date.fromordinal(day + _EPOCH)
    if d.day > 12 or d.day == d.month:
        return None
    return date(d.year, d.day, d.month).toordinal() - _EPOCH


def _usual(steps: Int) -> int:
    rising = steps[steps > 0]
    return int(np.median(rising)) if len(rising) else NS
