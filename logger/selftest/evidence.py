"""Cases of cells: what covers them, witnesses, probes that are stuck or depart, what supports no verdict."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..core.evidence.cells import Cells
from ..core.evidence.neighbours import drift
from ..instants import NS
from ..model.reasons import Why
from ..series import Readings
from ..units import MICRO
from .case import Case, CaseGroup, refused
from .room import BARE, N, alone, at, judged, rule, series, setup, whys
from .suspect_readings import confirmed_cases, departure_cases, nowhere_cases, stuck_cases


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _cells()
    yield from departure_cases()
    yield from nowhere_cases()
    yield from stuck_cases()
    yield from _neighbours()


def _cells() -> Iterator[Case]:
    group = CaseGroup(
        "cells of the grid",
        "grid of whole minutes; covered between readings no more than max_age apart; by hand",
    )
    holes = np.full(N, 20.0)
    holes[601:603], holes[603] = np.nan, 20.4
    yield group.case(
        "covered by the two that flank it: low, high, no mean",
        (20.0, 20.4, math.nan, 0),
        lambda: _cell(alone(holes), 601),
    )
    for gap_s, expected in ((180.0, ("EVIDENCE",) * 2), (180.001, ("NO_READING",) * 2)):
        times = series(np.full(N, 20.0))
        times.taken_ns[603] = times.taken_ns[600] + round(gap_s * 1e9)
        keep = np.ones(N, np.bool_)
        keep[601:603] = False
        remaining = Readings(*(a[keep] for a in vars(times).values()))
        yield group.case(
            f"{gap_s:g} s between two readings, max_age 180 s",
            expected,
            lambda k=remaining: whys(alone(k), 601, 602),
        )
    live = Readings(*(a[:600] for a in vars(series(np.full(N, 20.0))).values()))
    for now, word in ((209.0, "EVIDENCE"), (210.0, "EVIDENCE"), (210.001, "NO_READING")):
        yield group.case(
            f"live, {now - 30:g} s after the newest reading",
            word,
            lambda n=now: whys(alone(live, now_ns=at(10) - 60 * NS + round(n * 1e9)), 600)[0],
        )
    begin = Readings(*(a[600:] for a in vars(series(np.full(N, 20.0))).values()))
    yield group.case(
        "before the first reading nothing is covered",
        ("NO_READING", "EVIDENCE"),
        lambda: whys(alone(begin), 599, 600),
    )
    early = np.full(N, 20.0)
    early[:600], early[601:603] = np.nan, np.nan
    yield group.case(
        "a gap right after the first reading is covered",
        ("NO_READING", "EVIDENCE", "EVIDENCE"),
        lambda: whys(alone(early), 599, 601, 602),
    )
    three = np.tile([20.0, 20.6, 20.1], N)
    cell = lambda: _cell(alone(series(three, interval_s=20, phase_s=10), channel={"interval_s": 20}), 30)  # noqa: E731
    yield group.case(
        "three readings in a cell: low, high, mean, count", (20.0, 20.6, 20.233333, 3), cell, 1e-9
    )
    rising = replace(BARE, indications=(20.0, 20.3), corrections=(0.0, 0.0), U=(0.1, 0.3))
    yield group.case(
        "U of a cell is the largest of its readings",
        0.3,
        lambda: (
            alone(
                series(np.tile([20.0, 20.2], N), interval_s=30, phase_s=10),
                certificate={"indications": (20.0, 20.3), "corrections": (0.0, 0.0), "U": rising.U},
            ).U[5]
            / MICRO
        ),
    )
    twice = series(np.full(N, 20.0))
    twice.taken_ns[601] = twice.taken_ns[600]
    same = Readings(*(a.copy() for a in vars(twice).values()))
    twice.value[601] = 20.5
    yield group.case(
        "two values for one instant support nothing, one value twice does",
        ("CONFLICT", "EVIDENCE"),
        lambda: (whys(alone(twice), 600)[0], whys(alone(same), 600)[0]),
    )
    wild = np.full(N, 20.0)
    wild[600] = 85.0
    yield group.case(
        "required: 85.0 once is bad data and no bad room",
        ("EVIDENCE", 20.0, 20.0),
        lambda: _covered(alone(wild), 600),
    )
    yield group.case(
        "nor does it make its neighbours spikes",
        ("EVIDENCE", "EVIDENCE"),
        lambda: whys(alone(wild, channel={"spike": 0.5}), 599, 601),
    )
    lone = np.full(N, 20.0)
    lone[600] = 20.8
    yield group.case(
        "required: +0.8 K once is suspect",
        ("EVIDENCE", "SUSPECT", "EVIDENCE"),
        lambda: whys(alone(lone, channel={"spike": 0.5}), 599, 600, 601),
    )
    stayed = np.full(N, 20.0)
    stayed[600:], stayed[600] = 21.2, 21.21
    yield group.case(
        "a step that stays is none",
        ("EVIDENCE",),
        lambda: whys(alone(stayed, channel={"spike": 0.5}), 600),
    )
    yield group.case(
        "beyond the user's span it is still judged",
        21.5,
        lambda: alone(np.full(N, 21.5), channel={"user_span": (19.0, 21.0)}).high[5] / MICRO,
    )
    back = series(np.full(N, 20.0))
    back.taken_ns[5] -= 120 * NS
    yield group.case(
        "readings out of order are refused, equal instants are not",
        ("refused", "accepted"),
        lambda: (refused(alone, back), refused(alone, same)),
    )
    moved_ = setup((rule(),))
    stay = replace(moved_.placements[0], from_ns=at(6), to_ns=at(12))
    yield group.case(
        "placed from 06:00 to 12:00",
        (False, True, True, False),
        lambda: _placed(replace(moved_, placements=(stay,))),
    )
    yield group.case(
        "newest minutes are provisional: two readings and the cover, 3 × 180 s, and a cell",
        1440 - 10,
        lambda: _provisional(at(24)),
    )
    yield from confirmed_cases(group)


def _provisional(now_ns: int) -> int:
    result = judged(setup((rule(),)), {"T1": series(np.full(N, 20.0))}, now_ns=now_ns)
    return result.provisional_from - result.grid.first


def _placed(room: object) -> tuple[bool, ...]:
    result = judged(room, {"T1": series(np.full(N, 20.0))}).cells["T1.temperature"].placed  # type: ignore[arg-type]
    return tuple(bool(result[minute]) for minute in (359, 360, 719, 720))


def _cell(cells: Cells, place: int) -> tuple[object, ...]:
    return (*(float(x[place]) / MICRO for x in (cells.low, cells.high, cells.mean)), int(cells.count[place]))


def _covered(cells: Cells, place: int) -> tuple[object, ...]:
    return whys(cells, place)[0], float(cells.low[place]) / MICRO, float(cells.high[place]) / MICRO


def _neighbours() -> Iterator[Case]:
    group = CaseGroup(
        "neighbours",
        "required: departs by more than agree_K in 80 % of 15 min while the others agree; by hand",
    )
    places = {f"T{i}": (float(i), 0.0, 1.0) for i in range(1, 5)}

    def apart(
        size: float, begin: int = 600, minutes: int = 60, *, others: float = 0.0, n: int = 4, of: str = "T2"
    ) -> tuple[int, ...]:
        some = dict(list(places.items())[:n])
        room = setup((rule(),), some, agree_K=0.3)
        values = {p: np.full(N, 20.0) for p in some}
        values["T2"][begin : begin + minutes] += size
        values["T1"] += others
        cells = judged(room, {p: series(v) for p, v in values.items()}).cells[f"{of}.temperature"]
        return tuple(np.flatnonzero(cells.why == Why.DISAGREES).tolist())

    for size, any_ in ((0.3, False), (0.300001, True), (-0.3, False), (-0.300001, True)):
        yield group.case(
            f"one of four apart by {size:g} K, 0.3 K allowed", any_, lambda s=size: bool(apart(s))
        )
    for minutes, expected in ((11, ()), (12, tuple(range(600, 612)))):
        yield group.case(f"for {minutes} of 15 min", expected, lambda m=minutes: apart(0.4, minutes=m))
    for others, any_ in ((0.3, True), (0.300001, False)):
        yield group.case(
            f"while the others spread by {others:g} K", any_, lambda o=others: bool(apart(0.8, others=o))
        )
    yield group.case(
        "of two that differ neither can be believed, of three it is known which",
        ((True, True), (True, False)),
        lambda: tuple((bool(apart(1.0, n=n)), bool(apart(1.0, n=n, of="T1"))) for n in (2, 3)),
    )
    day = np.arange(42.0)
    yield group.case(
        "required: 0.02 K a week, K per week", 0.02, lambda: _drift(day, 0.02 * day / 7)[0], 1e-12
    )
    rest = np.tile([0.01, 0.01, -0.01, -0.01, 0.0, 0.0, 0.0], 6)
    yield group.case(
        "its U with scatter, plain sums",
        _plain_drift_U(day, rest),
        lambda: _drift(day, rest)[1],
        1e-12,
        "least squares; effective number n·(1 − r)/(1 + r), Bayley & Hammersley 1946",
    )
    yield group.case(
        "six days say nothing, seven do",
        (True, False),
        lambda: (drift(day[:6], day[:6]) is None, drift(day[:7], day[:7]) is None),
    )
    gaps = np.where(day % 5 == 0, np.nan, 0.02 * day / 7)
    yield group.case("days without a value are left out", 0.02, lambda: _drift(day, gaps)[0], 1e-12)
    yield group.case(
        "opposing days count no more than themselves",
        _plain_drift_U(day, np.tile([0.01, -0.01], 21)),
        lambda: _drift(day, np.tile([0.01, -0.01], 21))[1],
        1e-12,
    )
    slow = np.sin(np.arange(42) / 42 * 2 * np.pi)
    yield group.case(
        "days that hardly change count by r of at most 0.95",
        _plain_drift_U(day, slow),
        lambda: _drift(day, slow)[1],
        1e-9,
    )
    yield group.case(
        "found where it exceeds its U",
        (True, False),
        lambda: (_is_found(day, 0.02 * day / 7 + rest), _is_found(day, rest)),
    )


def _drift(day: object, departure: object) -> tuple[float, float]:
    result = drift(day, departure)  # type: ignore[arg-type]
    if result is None:
        raise LookupError("no drift")
    return result.K_per_week, result.U_K_per_week


def _is_found(day: object, departure: object) -> bool:
    result = drift(day, departure)  # type: ignore[arg-type]
    return result is not None and result.is_proven


def _plain_drift_U(day: object, departure: object) -> float:
    t, y = [float(d) / 7 for d in day], [float(v) for v in departure]  # type: ignore[attr-defined]
    n, mt, my = len(t), math.fsum(t) / len(t), math.fsum(y) / len(y)
    xx = math.fsum((a - mt) ** 2 for a in t)
    slope = math.fsum((a - mt) * b for a, b in zip(t, y, strict=True)) / xx
    rest = [b - my - slope * (a - mt) for a, b in zip(t, y, strict=True)]
    squares = math.fsum(e * e for e in rest)
    r = min(max(math.fsum(a * b for a, b in itertools.pairwise(rest)) / squares, 0.0), 0.95)
    return 2 * math.sqrt(squares / (n - 2) / xx * (1 + r) / (1 - r))
