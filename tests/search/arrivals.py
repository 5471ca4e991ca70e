"""A random room in a real store, its readings in the order of a random arrival, judged in between.

What is known of a probe's own clock comes with one of the parts, after readings were judged as stamped.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

from logger.core.judge.days import DAY_NS
from logger.instants import NS
from logger.model import Row
from logger.store import Store
from logger.store.hot.clocks import ClockComparison
from logger.store.hot.tables import mark
from logger.verdicts.live_verdicts import LiveVerdicts
from logger.verdicts.verdicts import Verdicts

from . import judged, rooms
from .judged import BEGIN_NS, key_of, ns
from .rooms import BEGIN_S, STEP_S

ZONE = "bay"
MIDNIGHT = (24 * 3600 - BEGIN_S) // STEP_S  # the first cell of the second day
OWN_CLOCK = "logger file"  # where a reading comes from that the probe stamped itself


@dataclass(frozen=True)
class Arrival:
    """What comes at once: readings, and comparisons of probes' own clocks."""

    rows: list[Row]
    compared: list[ClockComparison]


def arrivals(room: rooms.Room) -> list[Arrival]:
    """All that arrives: most readings in time, then one to three late parts, each a share or a stretch."""
    rng = random.Random(f"arrivals {room['seed']}")
    rows, own_clocks = rows_of(room), room.get("clocks", {})
    late: list[list[Row]] = []
    for _ in range(rng.choice((1, 1, 2, 3))):
        part = _part(rng, rows, room["cells"])
        rows = [row for row in rows if row not in part]
        late.append(list(part))
    parts = [rows, *late]
    when = {probe: rng.randrange(len(parts)) for probe in own_clocks}
    return [
        Arrival(part, [c for probe in own_clocks if when[probe] == n for c in _comparisons(room, probe)])
        for n, part in enumerate(parts)
    ]


def rows_of(room: rooms.Room) -> list[Row]:
    """All readings as they are stored, of a probe with a clock of its own as it stamped them."""
    return [
        Row(
            key_of(name),
            taken_ns,
            taken_ns,
            value,
            source=OWN_CLOCK if name[:2] in room.get("clocks", {}) else "poll",
        )
        for name, read in room["readings"].items()
        for taken_ns, value in ((ns(at) or 0, value) for at, value in read)
    ]


def _comparisons(room: rooms.Room, probe: str) -> list[ClockComparison]:
    return [ClockComparison(probe, ns(at) or 0, round(ahead * NS)) for at, ahead in room["clocks"][probe]]


def _part(rng: random.Random, rows: list[Row], cells: int) -> dict[Row, None]:
    """Some rows: scattered ones, or those of a stretch, of every probe or of one; often from midnight on."""
    channels = sorted({row.channel for row in rows})
    mine = rng.choice(channels) if channels and rng.random() < 0.5 else ""
    if rng.random() < 0.3:
        share = rng.choice((0.02, 0.2))
        return {row: None for row in rows if mine in row.channel and rng.random() < share}
    # What comes first on a day changes the day before it.
    begin = MIDNIGHT if rng.random() < 0.4 else rng.randrange(cells)
    begin_ns = BEGIN_NS + begin * STEP_S * NS
    end_ns = begin_ns + rng.choice((5, 60, 240)) * STEP_S * NS
    return {row: None for row in rows if mine in row.channel and begin_ns <= row.taken_ns < end_ns}


def at_once(parts: list[Arrival]) -> list[Arrival]:
    """All of it as one arrival."""
    rows, compared = [r for part in parts for r in part.rows], [c for part in parts for c in part.compared]
    return [Arrival(rows, compared)]


def stored_days(folder: Path, room: rooms.Room, parts: list[Arrival]) -> tuple[list[str], list[str]]:
    """The days stored after judging at each arrival, and those that a judgement anew calls altered.

    The first is judged twice, in the middle of it and at its end, as a service would.
    """
    end_ns = BEGIN_NS + room["cells"] * STEP_S * NS
    with Store.open(folder, create=True, simulated=True) as store:
        with store.begin() as conn:
            for begin, end in room["marks"]:
                of = {"zone": ZONE, "from_ns": ns(begin), "to_ns": ns(end), "reason": "door", "who": "R"}
                conn.execute(mark.insert().values(**of))
        verdicts = Verdicts(store, judged.setup(room))
        live = LiveVerdicts(verdicts)
        middle_ns = BEGIN_NS + room["split"] * STEP_S * NS
        first, rest = (
            [r for r in parts[0].rows if (r.taken_ns < middle_ns) == early] for early in (True, False)
        )
        steps = [(Arrival(first, parts[0].compared), middle_ns), (Arrival(rest, []), end_ns)]
        # A day later nothing is provisional any more because of what may still come.
        steps += [(part, end_ns + n * DAY_NS) for n, part in enumerate(parts[1:], start=1)]
        steps.append((Arrival([], []), end_ns + 5 * DAY_NS))
        for part, now_ns in steps:
            with store.begin() as conn:
                for compared in part.compared:
                    store.clocks.record_comparison(compared, "R", "made", conn)
            if part.rows:
                store.append("late", part.rows)
            live.judge(now_ns)
        days = verdicts.stored_days(ZONE, BEGIN_NS - DAY_NS, end_ns + 6 * DAY_NS)
        return [day.to_text() for day in days], list(verdicts.altered_days(ZONE))
