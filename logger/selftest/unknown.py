"""Reference cases: unknown is never good. What rules demand, what covers a cell, what leaves bodies lost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..core.evidence.cells import qualities
from ..instants import NS
from ..model import Placement
from ..series import Float, Readings
from ..units import MICRO
from .case import OWN, Case, CaseGroup
from .room import DAY, N, alone, at, judged, rule, series, setup
from .rules import cell, finding_of, word
from .settling import runs


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _demand()
    yield from _narrower()
    yield from _flanked()
    yield from _conflict()
    yield from _outside_range()
    yield from _flags()


def _demand() -> Iterator[Case]:
    group = CaseGroup("what a rule demands never falls by itself", OWN)
    both = ("T1.temperature", "T2.temperature")
    readings = {p: series(np.full(N, 20.0)) for p in ("T1", "T2")}
    for name, demand in (("names two channels", {"channels": both}), ("needs two", {"need": 2})):
        room = setup((rule(**demand),), {"T1": (1, 1, 1), "T2": (2, 1, 1)})
        leaves = replace(room, placements=(room.placements[0], Placement("T2", "T2", 0, at(12))))
        for minute, expected in ((719, "CONFORMING"), (720, "FEW_PROBES"), (N - 1, "FEW_PROBES")):
            yield group.case(
                f"the rule {name}, one is taken away at noon, minute {minute}",
                expected,
                lambda m=minute, s=leaves: word(judged(s, readings).findings[0], m),
            )


def _narrower() -> Iterator[Case]:
    """20.6 degC up to 23:00, then 20.0: within 19 … 21 degC, and from midnight on the band is 19.5 … 20.5."""
    group = CaseGroup("a band that narrows at midnight: reason, first minute, end", OWN)
    values = np.full(2 * N, 20.0)
    values[: 23 * 60] = 20.6
    bands = (rule(to_ns=at(24)), rule(lower=19.5, upper=20.5, from_ns=at(24)))
    yield group.case(
        "bodies are as warm as they were, and settle 4 h from 23:00 on",
        (("conforming", 0, N), ("settling", N, N + 180), ("conforming", N + 180, 2 * N)),
        lambda: runs(judged(setup(bands, settling_s=4 * 3600), {"T1": series(values)}, to_ns=at(48))),
    )


def _flanked() -> Iterator[Case]:
    """20.9 and 20.0 degC in minute 100, none in 101, 20.1 and 19.2 in 102."""
    group = CaseGroup("a covered cell", OWN)
    yield group.case(
        "takes the two readings that flank it, not the extremes of their cells",
        (20.0, 20.1),
        lambda: _bounds(101),
        1e-6,
    )


def _bounds(minute: int) -> tuple[float, float]:
    own = ((100, 10, 20.9), (100, 50, 20.0), (102, 10, 20.1), (102, 50, 19.2))
    base = series(np.full(N, 20.0))
    keep = (base.taken_ns < DAY + 6000 * NS) | (base.taken_ns >= DAY + 6180 * NS)
    times = np.concatenate([base.taken_ns[keep], [DAY + (60 * m + s) * NS for m, s, _ in own]])
    value, order = np.concatenate([base.value[keep], [v for *_, v in own]]), np.argsort(times)
    none = np.zeros(len(times), np.bool_)
    cells = alone(Readings(times[order], value[order], none.astype(np.uint8), none))
    return float(cells.low[minute]) / MICRO, float(cells.high[minute]) / MICRO


def _conflict() -> Iterator[Case]:
    group = CaseGroup("two values for one instant, 19 … 21 degC: reason, first minute, end", OWN)
    for other, unknown_until in ((20.3, 601), (21.5, 601 + 240)):
        yield group.case(
            f"20 and {other:g} degC at 10:00:30, settling time 4 h",
            (("conforming", 0, 600), ("indeterminate", 600, unknown_until), ("conforming", unknown_until, N)),
            lambda v=other: runs(judged(setup((rule(),), settling_s=4 * 3600), {"T1": _twice(v)})),
        )


def _twice(value: float) -> Readings:
    base = series(np.full(N, 20.0))
    columns = {name: np.insert(column, 601, column[600]) for name, column in vars(base).items()}
    columns["value"][601] = value
    return Readings(**columns)


def _outside_range() -> Iterator[Case]:
    group = CaseGroup("outside the range of use of its certificate, 10 … 20.9 degC, limit 21 degC", OWN)
    small = {"certificate": {"range": (10.0, 20.9)}}
    yield group.case(
        "beyond the limit, and never proven",
        ("NONCONFORMING", 21.5, -0.5, False, "T1"),
        lambda: cell(finding_of(rule(), {"T1": 21.5}, **small)),
        1e-6,
    )
    yield group.case("within it", "OUTSIDE_RANGE", lambda: word(finding_of(rule(), {"T1": 20.95}, **small)))


def _flags() -> Iterator[Case]:
    group = CaseGroup("flags of readings", "QARTOD manuals of the IOOS: 1 pass, 3 suspect, 4 fail; by hand")
    values = np.full(N, 20.0)
    values[100], values[200] = 21.2, 85.0
    room = setup((rule(),), channel={"spike": 0.5})
    yield group.case(
        "a spike of 1.2 K, a value beyond the probe's span, and those beside them",
        (1, 3, 1, 1, 4, 1),
        lambda: tuple(
            int(flag)
            for flag in qualities(room, {"T1.temperature": series(values)})["T1.temperature"][
                [99, 100, 101, 199, 200, 201]
            ]
        ),
    )

    def stuck(beside: Float) -> tuple[int, ...]:
        readings = 20.0 + 0.01 * (np.arange(N) % 2)
        readings[600:640] = 20.005
        places = {"T1": (0.0, 0.0, 1.0), "T2": (1.0, 0.0, 1.0)}
        pair = setup((rule(),), places, channel={"flat_n": 30, "resolution": 0.01})
        flags = qualities(pair, {"T1.temperature": series(readings), "T2.temperature": series(beside)})
        return tuple(int(flag) for flag in flags["T1.temperature"][[599, 600, 639, 640]])

    moved = np.full(N, 20.0)
    moved[620:] = 20.2
    yield group.case(
        "a run of one value, beside a probe that stays and one that moves by 0.2 K",
        ((1, 1, 1, 1), (1, 3, 3, 1)),
        lambda: (stuck(np.full(N, 20.0)), stuck(moved)),
    )
