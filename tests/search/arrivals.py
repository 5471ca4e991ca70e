"""A random room in a real store, its readings in the order of a random arrival, judged in between."""

from __future__ import annotations

import random
from pathlib import Path

from logger.core.judge.days import DAY_NS
from logger.instants import NS
from logger.model import Row
from logger.store import Store
from logger.store.hot.tables import mark
from logger.verdicts.verdicts import Verdicts

from . import judged, rooms
from .judged import BEGIN_NS, ns
from .rooms import STEP_S

ZONE = "bay"


def batches(room: rooms.Room) -> list[list[Row]]:
    """All readings as they arrive: most in time, then one to three late parts, each a share or a stretch."""
    rng = random.Random(f"arrivals {room['seed']}")
    rows = [
        Row(f"{probe}.temperature", taken, taken, value)
        for probe, read in room["readings"].items()
        for taken, value in ((ns(at) or 0, value) for at, value in read)
    ]
    late: list[list[Row]] = []
    for _ in range(rng.choice((1, 1, 2, 3))):
        part = _part(rng, rows, room["cells"])
        rows = [row for row in rows if row not in part]
        late.append(list(part))
    return [rows, *late]


def _part(rng: random.Random, rows: list[Row], cells: int) -> dict[Row, None]:
    """Some rows: scattered ones, or those of a stretch of time, of every probe or of one."""
    channels = sorted({row.channel for row in rows})
    mine = rng.choice(channels) if channels and rng.random() < 0.5 else ""
    if rng.random() < 0.4:
        share = rng.choice((0.02, 0.2))
        return {row: None for row in rows if mine in row.channel and rng.random() < share}
    begin_ns = BEGIN_NS + rng.randrange(cells) * STEP_S * NS
    end_ns = begin_ns + rng.choice((5, 60, 240)) * STEP_S * NS
    return {row: None for row in rows if mine in row.channel and begin_ns <= row.taken_ns < end_ns}


def stored_days(folder: Path, room: rooms.Room, arrivals: list[list[Row]]) -> tuple[list[str], list[str]]:
    """The days stored after judging at each arrival, and those that a judgement anew calls altered.

    The first batch is judged twice, in the middle of it and at its end, as a service would.
    """
    end_ns = BEGIN_NS + room["cells"] * STEP_S * NS
    with Store.open(folder, create=True, simulated=True) as store:
        with store.begin() as conn:
            for begin, end in room["marks"]:
                of = {"zone": ZONE, "from_ns": ns(begin), "to_ns": ns(end), "reason": "door", "who": "R"}
                conn.execute(mark.insert().values(**of))
        verdicts = Verdicts(store, judged.setup(room))
        middle_ns = BEGIN_NS + room["split"] * STEP_S * NS
        first = [row for row in arrivals[0] if row.taken_ns < middle_ns]
        steps = [(first, middle_ns), ([row for row in arrivals[0] if row.taken_ns >= middle_ns], end_ns)]
        # A day later nothing is provisional any more because of what may still come.
        steps += [(rows, end_ns + n * DAY_NS) for n, rows in enumerate(arrivals[1:], start=1)]
        steps.append(([], end_ns + 5 * DAY_NS))
        for rows, now_ns in steps:
            if rows:
                store.append("late", rows)
            verdicts.judge_live(now_ns)
        days = verdicts.stored_days(ZONE, BEGIN_NS - DAY_NS, end_ns + 6 * DAY_NS)
        return [day.to_text() for day in days], list(verdicts.altered_days(ZONE))
