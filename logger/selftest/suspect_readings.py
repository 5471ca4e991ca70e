"""Cases of readings in doubt: a jump that another probe confirms or not, and probes that are stuck."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from ..model.reasons import Why
from ..series import Float, Readings
from ..units import MICRO
from .case import Case, CaseGroup
from .room import N, alone, at, judged, rule, series, setup, whys


def confirmed_cases(group: CaseGroup) -> Iterator[Case]:
    """A probe beside it lifts the doubt of the spike test."""
    lone = np.full(N, 20.0)
    lone[600] = 20.6
    places = {"T1": (0.0, 0.0, 1.0), "T2": (1.0, 0.0, 1.0)}

    def doubt(
        other: object, phase_s: int = 20, *, overdue: bool = False, channel_of: str = "", **more: object
    ) -> str:
        room = setup((rule(),), places, channel={"spike": 0.4}, **more)  # type: ignore[arg-type]
        if overdue:
            papers = tuple(replace(c, due_ns=0) if c.number == "C-T2" else c for c in room.certificates)
            room = replace(room, certificates=papers)
        if channel_of:
            narrow = {
                k: replace(c, user_span=(19.0, 20.5)) if c.probe == channel_of else c
                for k, c in room.channels.items()
            }
            room = replace(room, channels=narrow)
        beside = other if isinstance(other, Readings) else series(other, phase_s=phase_s)
        return whys(judged(room, {"T1": series(lone), "T2": beside}).cells["T1.temperature"], 600)[0]

    def beside(value: float) -> Float:
        values = np.full(N, 20.0)
        values[600] = value
        return values

    bound = 0.2 * math.sqrt(2)
    for value, expected in (
        (20.6, "EVIDENCE"),
        (20.6 - 0.282842, "EVIDENCE"),
        (20.6 - 0.282844, "SUSPECT"),
        (20.6 + 0.282844, "SUSPECT"),
        (20.0, "SUSPECT"),
    ):
        yield group.case(
            f"a departure to 20.6 beside one of {value:g} degC, U together {bound:.4f} K",
            expected,
            lambda v=value: doubt(beside(v)),
        )
    yield group.case(
        "a probe of another medium is no witness",
        "SUSPECT",
        lambda: doubt(beside(20.6), media={"T2": "scale"}),
    )
    yield group.case("nor an overdue one", "SUSPECT", lambda: doubt(beside(20.6), overdue=True))
    yield group.case(
        "nor one beyond the user's span", "SUSPECT", lambda: doubt(beside(20.6), channel_of="T2")
    )
    yield group.case("nor a silent one", "SUSPECT", lambda: doubt(np.full(N, np.nan)))
    for phase, expected in ((209, "EVIDENCE"), (210, "EVIDENCE"), (211, "SUSPECT")):
        once = series(np.array([20.0, 20.6, 20.0]), start_ns=at(10), interval_s=1000, phase_s=phase - 1000)
        yield group.case(f"a witness {phase - 30} s after, max_age 180 s", expected, lambda o=once: doubt(o))
    before = series(np.array([20.0, 20.6]), start_ns=at(10), interval_s=1000, phase_s=30 - 1000)
    yield group.case("a witness of the same instant", "EVIDENCE", lambda: doubt(before))


def stuck_cases() -> Iterator[Case]:
    group = CaseGroup(
        "flat line",
        "required: identical values while another probe moves by more than 5 resolutions or noises",
    )
    places = {"T1": (0.0, 0.0, 1.0), "T2": (1.0, 0.0, 1.0)}
    waver = 20.0 + 0.01 * (np.arange(N) % 2)

    def stuck(length: int, other: object, *, begin: int = 600, **changed: object) -> tuple[int, ...]:
        values = waver.copy()
        values[begin : begin + length] = 20.005
        room = setup((rule(),), places, channel={"flat_n": 30, "resolution": 0.01, **changed})
        cells = judged(room, {"T1": series(values), "T2": series(other)}).cells["T1.temperature"]
        return tuple(np.flatnonzero(cells.why == Why.SUSPECT).tolist())

    def jump(size: float, minute: int = 610) -> Float:
        values: Float = np.full(N, 20.0) + 0.001 * (np.arange(N) % 2)
        values[minute:] += size
        return values

    for length, expected in ((29, ()), (30, tuple(range(600, 630))), (40, tuple(range(600, 640)))):
        yield group.case(
            f"{length} identical values while a neighbour moves by 0.1 K",
            expected,
            lambda n=length: stuck(n, jump(0.1)),
        )
    for size, any_ in ((0.048, False), (0.049, False), (0.0491, True), (0.06, True)):
        yield group.case(
            f"neighbour moves by {size + 0.001:g} K, resolution 0.01 K",
            any_,
            lambda s=size: bool(stuck(40, jump(s))),
        )
    yield group.case(
        "a noise of 0.03 K asks for 0.15 K",
        (False, True),
        lambda: (bool(stuck(40, jump(0.149), noise=0.03)), bool(stuck(40, jump(0.1491), noise=0.03))),
    )
    for minute, any_ in ((600, False), (601, True), (639, True), (640, False)):
        yield group.case(
            f"the neighbour moves at minute {minute} only",
            any_,
            lambda m=minute: bool(stuck(40, jump(0.1, m))),
        )
    yield group.case("with the test off", (), lambda: stuck(40, jump(0.1), flat_n=0))
    yield group.case("granite at one count beside a steady neighbour", (), lambda: stuck(360, jump(0.0)))
    # From 00:10 on without a change; the neighbour moved once, at 00:20. Windows of 6 h begin every 3 h.
    yield group.case(
        "a long run is looked at in windows of 6 h that begin every 3 h",
        (10, 359),
        lambda: _ends(stuck(1200, jump(0.1, 20), begin=10)),
    )
    yield group.case(
        "of a move at 03:20 the windows from 00:00 and from 03:00",
        (10, 539),
        lambda: _ends(stuck(1200, jump(0.1, 200), begin=10)),
    )
    for tail in (29, 30):
        target = 360 - tail, 539
        yield group.case(
            f"a run from {360 - tail} min on, moved at 355",
            target,
            lambda n=tail: _ends(stuck(400, jump(0.1, 355), begin=360 - n)),
        )
    alone = setup((rule(),), channel={"flat_n": 30, "resolution": 0.01})
    yield group.case(
        "alone it is never a flag",
        0,
        lambda: int(judged(alone, {"T1": series(np.full(N, 20.0))}).cells["T1.temperature"].why.max()),
    )


def _ends(cells: tuple[int, ...]) -> tuple[int, int]:
    return cells[0], cells[-1]


def departure_cases() -> Iterator[Case]:
    """What is taken of doubted readings where a rule is judged on them as they stand."""
    group = CaseGroup(
        "doubted readings as they stand",
        "required: all but a single departure that an undoubted reading on either side contradicts by more "
        "than its U, here 0.2 K; by hand",
    )
    spike, rate = {"spike": 0.05}, {"rate": 0.5}

    def highest(test: dict[str, float], at_minute: int, minutes: dict[int, float]) -> float:
        """In the cell of that minute, in degC; all other readings of the day are 20.0."""
        readings = np.full(N, 20.0)
        readings[list(minutes)] = list(minutes.values())
        as_read = alone(readings, channel=test).as_read
        return math.nan if as_read is None else round(float(as_read.high[at_minute]) / MICRO, 6)

    lower_before, lower_after = dict.fromkeys(range(580, 600), 19.5), dict.fromkeys(range(601, 620), 19.5)
    lower_after_next = {601: 19.9, **dict.fromkeys(range(602, 620), 19.8)}
    for name, expected, test, at_minute, minutes in (
        ("a departure of 0.8 K is none of them", 20.0, spike, 600, {600: 20.8}),
        ("0.2 K from the reading before", 20.2, spike, 600, {600: 20.2, **lower_after}),
        ("0.200001 K from the reading before: none", 20.0, spike, 600, {600: 20.200001, **lower_after}),
        ("0.2 K from the reading after", 20.1, spike, 600, {**lower_before, 600: 20.1, **lower_after_next}),
        ("0.200001 K from the reading after: none", 19.9, spike, 600,
         {**lower_before, 600: 20.100001, **lower_after_next}),
        ("0.15 K from the reading before", 20.55, spike, 600, {599: 20.4, 600: 20.55}),
        ("0.15 K from the reading after", 20.55, spike, 600, {600: 20.55, 601: 20.4}),
        ("two in a row: the first", 20.8, rate, 600, {600: 20.8, 601: 20.8}),
        ("two in a row: the second", 20.8, rate, 601, {600: 20.8, 601: 20.8}),
        ("the second reading of the record", 20.0, spike, 1, {1: 20.8}),
        ("the last but one", 20.0, spike, N - 2, {N - 2: 20.8}),
        ("the last, which nothing follows", 20.8, rate, N - 1, {N - 1: 20.8}),
        ("none beyond the span of the probe", 20.0, rate, 700, {600: 20.8, 601: 20.8, 700: 85.0}),
    ):  # fmt: skip
        yield group.case(name, expected, partial(highest, test, at_minute, minutes))


def nowhere_cases() -> Iterator[Case]:
    """A probe that was taken from its place at noon and goes on reading, or not."""
    group = CaseGroup(
        "readings at no known place", "required: they may be of the zone, where a rule is judged on them"
    )
    room = setup((rule(),))
    removed = replace(room, placements=tuple(replace(p, to_ns=at(12)) for p in room.placements))

    def places_in_doubt(hours: float) -> tuple[int, ...]:
        """First and last minute at which a reading counts as it stands, though nobody knows where."""
        cells = judged(removed, {"T1": series(np.full(round(hours * 60), 20.0))}).cells["T1.temperature"]
        if cells.as_read is None:
            return ()
        doubted = np.flatnonzero(cells.as_read.placed & ~cells.placed & (cells.as_read.count > 0))
        return int(doubted[0]), int(doubted[-1])

    for hours, expected in ((11.0, ()), (12.0, ()), (12 + 1 / 60, (720, 720)), (20.0, (720, 1199))):
        yield group.case(f"read until {hours:.2f} h", expected, lambda h=hours: places_in_doubt(h))
