"""What steps between rows tell of the order of dates: they confirm one, and show a part in another.

A spreadsheet that was opened under another country's settings turns the first twelve days of each month
around and leaves the others: then no date is impossible, but time jumps where the part begins and ends.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from ..errors import ImportRefused
from ..instants import NS
from ..model.figures import number_of
from .profile import Order
from .zones import DAY_NS, local

Int = NDArray[np.int64]

_EPOCH = date(1970, 1, 1).toordinal()
_LONG_DAYS = 400
_HOUR_NS = 3600 * NS
_YEAR_NS = 183 * DAY_NS
_SWITCH = 2.0  # what another order costs: less than the smallest jump that it explains, four weeks
_GAP_NS = 2 * DAY_NS  # a shorter gap cannot be the turned date of a neighbour


def refuse_another_order(day: Int, clock_ns: Int, lines: Sequence[int], order: str) -> None:
    """ImportRefused where time runs on better with day and month of a part of the rows in each other's place.

    day: days since 1970, shape (n,); clock_ns: times of day; both in order of the rows.
    """
    other = {d: _turned(d) for d in {*day[:1].tolist(), *day[1:][day[1:] != day[:-1]].tolist()}}
    if all(t in (None, d) for d, t in other.items()):
        return
    rows = DateRuns.of(day, clock_ns, day)
    options = [(d, other[d]) for d in day[rows.first].tolist()]
    state = likely_orders(rows, options)
    telling = [n for n, (a, b) in enumerate(options) if a != b]
    if not any(state[n] for n in telling):
        return
    k = next((n for n in telling if state[n] != state[telling[0]]), 0)
    raise ImportRefused(_evidence_sentence(day * DAY_NS + clock_ns, lines, rows, k, order))


def refuse_order_switch(
    options: Sequence[tuple[int | None, int | None]], codes: Int, clock_ns: Int, lines: Sequence[int]
) -> None:
    """ImportRefused naming the line at which a file goes over from the one order of dates to the other.

    options: the day of each distinct date in either order, None where it is no day; codes: which date each
    row has. Returns where no single line divides the file so.
    """
    day = np.array([a if a is not None else b if b is not None else -1 for a, b in options], np.int64)[codes]
    rows = DateRuns.of(day, clock_ns, codes)
    of_runs = [options[int(codes[row])] for row in rows.first.tolist()]
    if any(a is None and b is None for a, b in of_runs):
        return
    state = likely_orders(rows, of_runs)
    telling = [n for n, (a, b) in enumerate(of_runs) if a != b]
    k = next((n for n in telling if state[n] != state[telling[0]]), None)
    if k is None:
        return
    line, before = lines[int(rows.first[k])], lines[int(rows.last[k - 1])]
    raise ImportRefused(
        f"Line {line}: from here on day and month are in the other order than up to line {before}. Export "
        "the file again, or split it into files of one order each."
    )


@dataclass(frozen=True)
class DateRuns:
    """Runs of rows with one date, in the direction of time: their first and last row, and times of day."""

    first: Int
    last: Int
    begin_ns: Int
    end_ns: Int
    usual_ns: int

    @staticmethod
    def of(day: Int, clock_ns: Int, codes: Int) -> DateRuns:
        """day: any reading of the dates, for the direction and the usual step; codes: what a run shares."""
        same = codes[1:] == codes[:-1]
        inside = np.diff(clock_ns)[same]
        steps = inside if len(inside) else np.diff(day * DAY_NS + clock_ns)
        falls = mostly_fall(steps)
        breaks = np.flatnonzero(~same) + 1
        first = np.concatenate([[0], breaks]).astype(np.int64)
        last = np.concatenate([breaks - 1, [len(codes) - 1]]).astype(np.int64)
        if falls:
            first, last = last[::-1], first[::-1]
        usual_ns = _usual(np.abs(steps))
        return DateRuns(first, last, clock_ns[first], clock_ns[last], usual_ns)


def likely_orders(rows: DateRuns, options: Sequence[tuple[int | None, int | None]]) -> list[int]:
    """For each run which of its two days it is, 0 or 1: the way with the fewest jumps, and then switches.

    What is undecided stays as it was before; 0 wins where both are as good.
    """
    limit_ns = max(_GAP_NS, 3 * rows.usual_ns)
    begin, end = rows.begin_ns.tolist(), rows.end_ns.tolist()
    cost = [math.inf if options[0][0] is None else 0.0, math.inf if options[0][1] is None else _SWITCH]
    previous: list[tuple[int, int]] = []
    for k in range(1, len(options)):
        new, back = [math.inf, math.inf], [0, 1]  # costs, and the state before
        for to, day in enumerate(options[k]):
            if day is None:
                continue
            for of in (to, 1 - to):
                before = options[k - 1][of]
                if before is None:
                    continue
                step = (day - before) * DAY_NS + begin[k] - end[k - 1]
                total = cost[of] + _jump_cost(step, limit_ns) + (_SWITCH if of != to else 0.0)
                if total < new[to]:
                    new[to], back[to] = total, of
        previous.append((back[0], back[1]))
        cost = new
    state = [int(cost[1] < cost[0])]
    for before_to in reversed(previous):
        state.append(before_to[state[-1]])
    return state[::-1]


def _jump_cost(step_ns: int, limit_ns: int) -> float:
    """How odd a step is: nothing within the usual; the more the longer; back in time more than forward."""
    if -DAY_NS <= step_ns <= limit_ns:
        return 0.0
    return 1 + math.log2(step_ns / limit_ns) if step_ns > 0 else 4 + math.log2(-step_ns / DAY_NS)


def mostly_fall(steps: Int) -> bool:
    """Whether more steps go back in time than forward: then the newest row stands first."""
    if not len(steps) or int(steps.min()) >= 0:
        return False  # as most files are
    return int(np.count_nonzero(steps < 0)) > int(np.count_nonzero(steps > 0))


def refuse_lost_clock(wall_ns: Int, lines: Sequence[int]) -> None:
    """ImportRefused where time goes over more than a year, or back by most of one."""
    steps = np.diff(wall_ns)
    if len(steps) and (int(steps.min()) < 0 or int(steps.max()) > _YEAR_NS):
        refuse_long_gap(wall_ns, lines)
        refuse_year_back(steps, wall_ns, lines)


def refuse_year_back(steps: Int, wall_ns: Int, lines: Sequence[int]) -> None:
    """ImportRefused where time goes back by most of a year: no clock change does that.

    steps: from each row to the next, shape (n - 1,).
    """
    back = np.flatnonzero((steps > _YEAR_NS) if mostly_fall(steps) else (steps < -_YEAR_NS))
    if not len(back):
        return
    n = int(back[0])
    raise ImportRefused(
        f"Line {lines[n + 1]}: the time goes from {local(int(wall_ns[n]))} to {local(int(wall_ns[n + 1]))}, "
        "back by most of a year. Is the year wrong, or the order of day and month? Correct the lines, or "
        "split the file there; if the jump is real, set `jumps_are_real = true` under [time] in the profile."
    )


def refuse_hour_back(utc_ns: Int, wall_ns: Int, lines: Sequence[int], zone: str) -> list[str]:
    """ImportRefused where the clock goes back by one hour exactly; notes where it goes forward by one.

    utc_ns, wall_ns: ascending but for such steps, shape (n,).
    """
    steps = np.diff(utc_ns)
    usual_ns = _usual(steps)
    if not len(steps) or usual_ns >= _HOUR_NS or int(steps.min()) == int(steps.max()):
        return []
    back = np.flatnonzero(np.abs(steps + _HOUR_NS - usual_ns) <= usual_ns // 2)
    if len(back):
        n = int(back[0])
        raise ImportRefused(
            f"Line {lines[n + 1]}: the time goes back by exactly one hour, from {local(int(wall_ns[n]))} to "
            f"{local(int(wall_ns[n + 1]))}, in a zone ({zone}) that has no clock change there. Either the "
            "logger changes between summer and winter time: enter its IANA zone, such as Europe/Vienna, as "
            "`zone` under [time] in the profile. Or somebody set its clock: enter from when on which zone "
            "holds as [[time.zones]]. If the readings did come again, set `jumps_are_real = true`."
        )
    ahead = np.flatnonzero(np.abs(steps - _HOUR_NS - usual_ns) <= usual_ns // 2)[:3].tolist()
    return [
        f"line {lines[n + 1]}: the time goes forward by exactly one hour, from {local(int(wall_ns[n]))} to "
        f"{local(int(wall_ns[n + 1]))}; it was taken as a gap. If the clock was set there, the zone is "
        "another one before or after it ([[time.zones]] in the profile)"
        for n in ahead
    ]


def _evidence_sentence(wall: Int, lines: Sequence[int], rows: DateRuns, k: int, order: str) -> str:
    row = int(rows.first[k])
    if not k:
        prefix, part = f"Line {lines[row]}: with", "of the file"
    else:
        before = int(rows.last[k - 1])
        jump = f"the time jumps from {local(int(wall[before]))} to {local(int(wall[row]))}"
        prefix, part = f"Line {lines[row]}: {jump}. With", f"before or from line {lines[row]} on"
    return (
        f"{prefix} day and month {part} the other way round the time would go on without jumps: part of "
        f"the file "
        f"seems to be written in another order than {order}. Export it again, or split it into files of one "
        "order each. If the jump is real, set `jumps_are_real = true` under [time] in the profile."
    )


def refuse_long_gap(wall_ns: Int, lines: Sequence[int]) -> None:
    """ImportRefused where some rows lie years apart from all others: a logger that lost its clock."""
    limit_ns = _LONG_DAYS * DAY_NS
    order = np.argsort(wall_ns, kind="stable")
    steps = np.diff(wall_ns[order])
    if int(steps.max()) <= limit_ns:
        return
    n = int(steps.argmax())
    a, b = int(order[n]), int(order[n + 1])
    raise ImportRefused(
        f"Line {lines[a]} was taken at {local(int(wall_ns[a]))} and the next one in time, line {lines[b]}, "
        f"at {local(int(wall_ns[b]))}: did the logger lose its clock? Correct or remove the lines; if the "
        "jump is real, set `jumps_are_real = true` under [time] in the profile."
    )


def evidence(walls: Mapping[Order, Int]) -> str:
    """What the steps say for and against each possible order, for a person who is asked; empty if nothing."""
    sentences = []
    for order, wall in walls.items():
        steps: Int = np.diff(np.sort(wall)).astype(np.int64)
        jumps = int((steps > max(_GAP_NS, 20 * _usual(steps))).sum()) if len(steps) else 0
        sentences.append((order, jumps))
    if len({jumps for _, jumps in sentences}) < 2:
        return ""
    words = ", ".join(
        f"as {order} the rows hold {number_of(jumps, 'jump')} of days" for order, jumps in sentences
    )
    return f" To help: {words}."


def _turned(day: int) -> int | None:
    """The day with its month and day of month in each other's place; None where that is no day."""
    d = date.fromordinal(day + _EPOCH)
    return date(d.year, d.day, d.month).toordinal() - _EPOCH if d.day <= 12 else None


def _usual(steps: Int) -> int:
    if len(steps) and 0 < int(steps.min()) == int(steps.max()):
        return int(steps[0])  # one step throughout, as of most loggers: no median is needed
    rising = steps[steps > 0]
    return int(np.median(rising, overwrite_input=True)) if len(rising) else NS
