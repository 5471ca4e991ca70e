"""What a reading is worth, by the definitions written out plainly: correction, doubts, tests.

Sources: tests after the QARTOD manuals (gross range, spike, rate, flat line) with the rules of our own design
for what confirms a value; uncertainty by JCGM 100:2008 5.1. Whole numbers of a millionth. Times in s.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from .rooms import BEGIN_S, NOISE, RESOLUTION, Room, medium, probe_of, quantity_of

RATE_S, FLAT_S = 300.0, 6 * 3600
# What a quantity can be at all, and how long a declared age or interval may be at most.
PHYSICAL = {"temperature": (-273.15, math.inf), "relative_humidity": (-5.0, 105.0)}
LONGEST_INTERVAL_S, SHORT_AGE_S, LONGEST_AGE_S = 3600, 300, 7200
JUST = 1e-9


def micro(value: float) -> int:
    """Whole millionths, half to even."""
    return round(value * 1e6)


def interval_s(room: Room) -> float:
    """The declared sampling interval, an hour at most."""
    return float(min(room["interval_s"], LONGEST_INTERVAL_S))


def max_age_s(room: Room) -> float:
    """How old a reading may be that still counts: as declared, three intervals or 5 min at most, and 2 h."""
    return float(min(room["max_age_s"], max(3 * interval_s(room), SHORT_AGE_S), LONGEST_AGE_S))


@dataclass
class Reading:
    """A reading as the certificate of its time corrects it.

    doubt: "", "outside" (its certificate's range) or "doubted"; missing: outside what the probe can read;
    suspect: by a test of single values; alone: a single departure that the readings on both sides contradict.
    """

    at_s: float
    raw: float
    value: int
    U: int | None
    doubt: str
    conflict: bool
    missing: bool
    beyond_use: bool
    suspect: bool = False
    alone: bool = False

    @property
    def worth(self) -> str:
        """Doubt of every kind: "", "outside" or "doubted"."""
        return "doubted" if self.suspect else self.doubt


def stays(room: Room, name: str) -> list[tuple[str, float, float | None]]:
    """(position, from, to) of the probe of a channel."""
    return [(pos, a, b) for p, pos, a, b in room["placements"] if p == probe_of(name)]


def position_at(room: Room, name: str, at_s: float) -> str | None:
    """Where the probe of a channel stands at an instant; None: nowhere."""
    for position, begin, end in stays(room, name):
        if begin <= at_s and (end is None or at_s < end):
            return position
    return None


def read(room: Room) -> dict[str, list[Reading]]:
    """All readings of a room by channel, in order of time, every test done."""
    rows = {name: _corrected(room, name) for name in room["readings"]}
    for name, each in rows.items():
        _single_tests(room, name, [r for r in each if not r.missing])
    confirmed = [r for name, each in rows.items() for r in _confirmed(room, name, each, rows)]
    for r in confirmed:
        r.suspect = False
    for each in rows.values():
        _departures([r for r in each if not r.missing])
    stuck = [r for name, each in rows.items() for r in _stuck(room, name, each, rows)]
    for r in stuck:
        r.suspect = True
    return rows


# Correction


def true_at(room: Room, name: str, stamp_s: float) -> float:
    """Its stamp less what the probe's clock was ahead, evenly between comparisons; in s."""
    compared = room.get("clocks", {}).get(probe_of(name), [])
    if not compared:
        return stamp_s
    compared = [(at, ahead if abs(ahead) >= 2 else 0.0) for at, ahead in compared]
    ahead = compared[0][1] if stamp_s < compared[0][0] else compared[-1][1]
    for (a, first), (b, second) in pairwise(compared):
        if a <= stamp_s <= b:
            ahead = first + (second - first) * (stamp_s - a) / (b - a)
    return round(stamp_s - ahead, 6)


def _corrected(room: Room, name: str) -> list[Reading]:
    """Ascending in time; two values of one instant in order of value, the same value but once."""
    values: dict[float, set[float]] = {}
    for stamp, value in room["readings"][name]:
        values.setdefault(true_at(room, name, stamp), set()).add(value)
    return [
        _reading(room, name, at, value, len(values[at]) > 1)
        for at in sorted(values)
        for value in sorted(values[at])
    ]


def _reading(room: Room, name: str, at: float, raw: float, conflict: bool) -> Reading:
    of = quantity_of(name)
    low, high = room.get("span", {}).get(of, (-40.0, 200.0))
    missing = not max(low, PHYSICAL[of][0]) <= raw <= min(high, PHYSICAL[of][1])
    use = room.get("user_span", {}).get(of, (-1e9, 1e9))
    rest = conflict, missing, not use[0] <= raw <= use[1]
    used = [c for c in room["certificates"] if c[0] == name and c[1] <= at]
    if not used:
        return Reading(at, raw, micro(raw), None, "doubted", *rest)
    _, _, due, withdrawn, correction, U, low, high = max(used, key=lambda c: c[1])[:8]
    u = math.sqrt((U / 2) ** 2 + RESOLUTION[of] ** 2 / 12 + NOISE[of] ** 2)
    doubt = "" if low <= raw <= high else "outside"
    if conflict or (due is not None and at >= due) or (withdrawn is not None and at >= withdrawn):
        doubt = "doubted"
    return Reading(at, raw, micro(raw + correction), micro(2 * u), doubt, *rest)


# Tests of single values


def _tests(room: Room, name: str) -> dict[str, Any]:
    return room.get("tests", {}).get(quantity_of(name), {})


def _single_tests(room: Room, name: str, rows: list[Reading]) -> None:
    """Spike and rate, over the readings that the probe can have read."""
    tests, age_s = _tests(room, name), max_age_s(room)
    widest = max([r.raw for r in rows], default=0.0) - min([r.raw for r in rows], default=0.0)
    for n, r in enumerate(rows):
        if tests.get("spike") and 0 < n < len(rows) - 1:
            r.suspect |= _is_spike(rows[n - 1], r, rows[n + 1], tests["spike"], age_s)
        if tests.get("rate") and widest > tests["rate"]:
            r.suspect |= _is_too_fast(rows, n, tests["rate"], age_s)


def _is_spike(before: Reading, r: Reading, after: Reading, most: float, age_s: float) -> bool:
    if r.at_s - before.at_s > age_s + JUST or after.at_s - r.at_s > age_s + JUST:
        return False
    between = min(before.raw, after.raw) <= r.raw <= max(before.raw, after.raw)
    return not between and abs(r.raw - (before.raw + after.raw) / 2) > most


def _is_too_fast(rows: list[Reading], n: int, most: float, age_s: float) -> bool:
    """More than so much within 5 min, no gap between the two; of rarer readings the same rate."""
    r = after = rows[n]
    for earlier in range(n - 1, -1, -1):
        before = rows[earlier]
        if after.at_s - before.at_s > age_s + JUST:
            return False
        after, apart_s, change = before, r.at_s - before.at_s, abs(r.raw - before.raw)
        if apart_s > RATE_S + JUST:
            return earlier == n - 1 and change > most * apart_s / RATE_S
        if change > most:
            return True
    return False


def _confirmed(
    room: Room, name: str, rows: list[Reading], every: dict[str, list[Reading]]
) -> Iterator[Reading]:
    """Suspect readings that the next two, or another probe of the quantity beside it, bear out within U."""
    usable, age_s = [r for r in rows if not r.missing], max_age_s(room)
    others = [o for o in every if o != name and quantity_of(o) == quantity_of(name)]
    for n, r in enumerate(usable):
        if not r.suspect:
            continue
        by_another = any(_beside(room, name, o, r.at_s) and _agrees(r, every[o], age_s) for o in others)
        if by_another or _goes_on(usable[n : n + 3], age_s):
            yield r


def _goes_on(rows: list[Reading], age_s: float) -> bool:
    """Whether two readings that follow agree with the first within its U."""
    U, near = rows[0].U, all(b.at_s - a.at_s <= age_s + JUST for a, b in pairwise(rows))
    agree = U is not None and all(abs(r.value - rows[0].value) <= U for r in rows[1:])
    return len(rows) == 3 and near and agree


def _beside(room: Room, name: str, other: str, at_s: float) -> bool:
    places = [position_at(room, channel, at_s) for channel in (name, other)]
    media = {medium(place) for place in places if place is not None}
    return None not in places and len(media) == 1 and "" not in media


def _agrees(r: Reading, others: list[Reading], age_s: float) -> bool:
    """Whether the reading of another probe before it or after it agrees within both U."""
    place = bisect_right(others, r.at_s, key=lambda o: o.at_s)
    near = others[max(place - 1, 0) : place + 1]
    for o in near:
        sound = not o.missing and not o.beyond_use and not o.doubt and o.U is not None and r.U is not None
        near_in_time = abs(o.at_s - r.at_s) <= age_s + JUST
        if sound and near_in_time and abs(o.value - r.value) <= math.hypot(r.U or 0, o.U or 0):
            return True
    return False


def _departures(usable: list[Reading]) -> None:
    """Mark single departures, which both sides contradict and nobody doubts."""
    for n in range(1, len(usable) - 1):
        before, r, after = usable[n - 1 : n + 2]
        away = all(abs(side.value - r.value) > (r.U or 0) for side in (before, after))
        r.alone = r.suspect and away and not before.suspect and not after.suspect


def _stuck(room: Room, name: str, rows: list[Reading], every: dict[str, list[Reading]]) -> Iterator[Reading]:
    """Readings of runs of one value during which another probe of the zone moved."""
    least, of = _tests(room, name).get("flat_n", 0), quantity_of(name)
    threshold = micro(5 * max(RESOLUTION[of], NOISE[of]))
    for run in _runs(rows, max_age_s(room)) if least > 1 else ():
        for window in _clock_windows(run):
            if len(window) < least or len(run) < least:
                continue
            begin, end = window[0].at_s, window[-1].at_s
            for other in (o for o in every if o != name and quantity_of(o) == of):
                observed = [
                    micro(r.raw) for r in every[other] if begin <= r.at_s <= end and _moves(room, other, r)
                ]
                if observed and max(observed) - min(observed) > threshold:
                    yield from window


def _moves(room: Room, name: str, r: Reading) -> bool:
    """Whether a reading may show that a room moved: of no doubt, of a probe in the zone."""
    there = medium(position_at(room, name, r.at_s) or "") != ""
    return there and not (r.missing or r.beyond_use or r.conflict or r.suspect)


def _runs(rows: list[Reading], age_s: float) -> Iterator[list[Reading]]:
    run: list[Reading] = []
    for r in rows:
        if run and (r.raw != run[-1].raw or r.at_s - run[-1].at_s > age_s + JUST):
            yield run
            run = []
        run.append(r)
    if run:
        yield run


def _clock_windows(run: list[Reading]) -> Iterator[list[Reading]]:
    """Parts of a run in the 6 h that begin every 3 h of UTC."""
    half = FLAT_S // 2
    first, last = ((int(r.at_s) + BEGIN_S) // half for r in (run[0], run[-1]))
    for k in range(first - 1, last + 1):
        yield [r for r in run if k * half <= r.at_s + BEGIN_S < k * half + FLAT_S]
