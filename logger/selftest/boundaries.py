"""Cases at the very edge of a definition: the last instant, the first reading, exactly the allowed time.

One nanosecond or one millionth beyond must come out otherwise; each case says both where it can.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from ..core.evidence.cells import Cells
from ..core.evidence.grid import Grid
from ..core.evidence.neighbours import WINDOW_S, Drift, disagreement_flags, drift, window_s
from ..core.measurement.thermal_error import Feature, Work, largest_um, thermal_error
from ..core.physics.expansion import IDEAL, Material
from ..core.physics.humidity import dew_point
from ..instants import NS
from ..model import Setup
from ..model.reasons import Why
from ..series import Float, Readings
from ..units import MICRO
from .case import Case, CaseGroup, refused
from .lengths import made_tracks
from .room import GUM, QARTOD, N, alone, at, judged, rule, series, setup, whys
from .rules import cell, finding_of

SPIKE = {"spike": 0.5}
TWO = {"T1": (1.0, 1.0, 1.0), "T2": (2.0, 1.0, 1.0)}
ALONE_NS = at(10) + 30 * NS  # when the reading of cell 600 was taken


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _grid()
    yield from _gaps()
    yield from _doubt()
    yield from _witnesses()
    yield from _stuck()
    yield from _agreement()
    yield from _moisture()
    yield from _small_lengths()


def _grid() -> Iterator[Case]:
    group = CaseGroup("edges of the grid")
    yield group.case("a slice without cells", 0, lambda: Grid(100, 10, 60).part(slice(7, 3)).n)
    for name, from_s, to_s, places in (
        ("from before the first cell", 0, 6300, (0, 5)),
        ("to beyond the last", 6180, 99_999, (3, 10)),
        ("both before", 0, 60, (0, 0)),
        ("a second into a cell: that one is not in", 6181, 6301, (4, 6)),
    ):
        yield group.case(name, places, lambda a=from_s, b=to_s: _clipped(a, b))
    yield group.case(
        "a window of one cell of 1 s is one, of none is refused",
        ("accepted", "refused"),
        lambda: tuple(refused(_windowed, s) for s in (1, 0)),
    )


def _clipped(from_s: int, to_s: int) -> tuple[int, int]:
    cut = Grid(100, 10, 60).clip(from_s * NS, to_s * NS)
    return cut.start, cut.stop


def _windowed(window_s: int) -> None:
    span_rule = rule(name="span", kind="span", window_s=window_s, lower=None, upper=0.4, unit="K")
    values = series(np.full(20, 20.0), interval_s=1, phase_s=0)
    judged(setup((span_rule,), channel={"interval_s": 1}, step_s=1), {"T1": values}, at(0), at(0) + 10 * NS)


def _gaps() -> Iterator[Case]:
    group = CaseGroup("edges of gaps", "covered between readings no more than max_age apart; by hand")
    for more_ns, expected in ((0, "EVIDENCE"), (1, "NO_READING")):
        yield group.case(
            f"two readings a cell, 180 s + {more_ns} ns from the later one",
            (expected, expected),
            lambda m=more_ns: whys(alone(_half_minutes(m), channel={"interval_s": 30}), 601, 602),
        )
    lone = series(np.full(N, 20.0))
    keep = np.arange(N) <= 600
    keep[610] = True
    remaining = Readings(*(a[keep] for a in vars(lone).values()))
    yield group.case(
        "before a last reading that stands alone",
        ("NO_READING", "NO_READING", "EVIDENCE"),
        lambda: whys(alone(remaining), 601, 609, 610),
    )


def _half_minutes(more_ns: int) -> Readings:
    """A reading at :10 and :40 of each minute; after 10:00:40 none for 180 s and a little."""
    every = series(np.full(2 * N, 20.0), interval_s=30, phase_s=10)
    last, following = at(10) + 40 * NS, at(10) + 220 * NS
    every.taken_ns[every.taken_ns == following] += more_ns
    keep = (every.taken_ns <= last) | (every.taken_ns >= following)
    return Readings(*(a[keep] for a in vars(every).values()))


def _doubt() -> Iterator[Case]:
    group = CaseGroup("edges of doubt", QARTOD)
    lone = np.full(N, 20.0)
    lone[600], lone[601] = 20.8, 85.0
    yield group.case(
        "a wild value behind a departure excuses nothing, and casts no doubt on the others",
        ("EVIDENCE", "SUSPECT", "EVIDENCE", "EVIDENCE"),
        lambda: whys(alone(lone, channel=SPIKE), 599, 600, 602, 603),
    )
    stayed = np.full(N, 20.0)
    stayed[600:], stayed[600], stayed[601] = 21.2, 21.21, 85.0
    yield group.case(
        "a step is confirmed past a wild value",
        ("EVIDENCE", "EVIDENCE"),
        lambda: whys(alone(stayed, channel=SPIKE), 600, 602),
    )


def _departs(other: Readings, room: Setup | None = None) -> str:
    """Cell 600 of T1, which reads 20.8 once among 20.0; what stands beside it is the other probe."""
    lone = np.full(N, 20.0)
    lone[600] = 20.8
    room = room or setup((rule(),), TWO, channel=SPIKE)
    return whys(judged(room, {"T1": series(lone), "T2": other}).cells["T1.temperature"], 600)[0]


def _witnesses() -> Iterator[Case]:
    group = CaseGroup("edges of what a probe beside it confirms", GUM)
    beside = series(np.full(N, 20.8))
    for name, first_ns, last_ns, expected in (
        ("that came at this instant", ALONE_NS, None, "EVIDENCE"),
        ("that came a nanosecond later", ALONE_NS + 1, None, "SUSPECT"),
        ("that left at this instant", 0, ALONE_NS, "SUSPECT"),
        ("that left a nanosecond later", 0, ALONE_NS + 1, "EVIDENCE"),
        ("that left long before", 0, at(6), "SUSPECT"),
    ):
        yield group.case(
            f"by a probe {name}", expected, lambda a=first_ns, b=last_ns: _departs(beside, _staying(a, b))
        )
    late = np.full(N, 20.0)
    late[0] = 20.8
    yield group.case(
        "by the very first reading of one that was switched on just then",
        "EVIDENCE",
        lambda: _departs(series(late, at(10), phase_s=0)),
    )
    yield group.case(
        "by its very first reading, just after",
        "EVIDENCE",
        lambda: _departs(series(late, at(10) + 31 * NS, phase_s=0)),
    )
    early = np.full(600, 20.0)
    early[-1] = 20.8
    yield group.case(
        "by the very last reading of one that was switched off", "EVIDENCE", lambda: _departs(series(early))
    )
    # U 0.03 K and 0.04 K: together 0.05 K.
    for value, expected in ((20.85, "EVIDENCE"), (20.850001, "SUSPECT")):
        yield group.case(
            f"U of 0.03 K and 0.04 K, {value - 20.8:g} K apart",
            expected,
            lambda v=value: _departs(series(np.full(N, v)), _with_U(0.03, 0.04)),
        )


def _staying(from_ns: int, to_ns: int | None) -> Setup:
    room = setup((rule(),), TWO, channel=SPIKE)
    first, second = room.placements
    return replace(room, placements=(first, replace(second, from_ns=from_ns, to_ns=to_ns)))


def _with_U(*each: float) -> Setup:
    room = setup((rule(),), TWO, channel=SPIKE)
    stated = (replace(c, U=(U,)) for c, U in zip(room.certificates, each, strict=True))
    return replace(room, certificates=tuple(stated))


def _stuck() -> Iterator[Case]:
    group = CaseGroup("edges of stuck probes", QARTOD)
    to_and_fro = series(np.tile([20.0, 20.5], N // 2))
    still = series(np.full(N, 20.0))
    for flat_n, flags in ((1, ("EVIDENCE", True)), (2, ("SUSPECT", False)), (N + 1, ("EVIDENCE", False))):
        yield group.case(
            f"flat_n {flat_n} beside one that moves: doubt, and whether the end is settled",
            flags,
            lambda n=flat_n: _flat(n, still, to_and_fro),
        )
    # Three equal values at 10:00:30, 10:01:30 and 10:02:30; before and after them no two alike.
    values = np.tile([20.0, 20.01], N // 2)
    values[600:603] = 20.02
    for name, late_ns, result in (
        ("with the last of them", 0, "SUSPECT"),
        ("a nanosecond later", 1, "EVIDENCE"),
    ):
        other = series(np.full(N, 20.0))
        other.value[602] = 20.5
        other.taken_ns[602] += late_ns
        yield group.case(
            f"three equal values, the other moves {name}",
            result,
            lambda o=other: _flat(3, series(values), o)[0],
        )
    for minutes, first in ((1, 0), (100, 0), (360, 0), (361, 1), (N, N - 360)):
        yield group.case(
            f"{minutes} equal values up to the end: open from this cell on, at most 6 h back",
            first,
            lambda n=minutes: _open_from(n),
        )
    for name, more_ns, target in (("to the nanosecond", 0, 0), ("and a nanosecond", 1, "ended")):
        yield group.case(
            f"100 equal values, the newest `max_age` and an hour old {name}: open from this cell on",
            target,
            lambda more=more_ns: _open_from(100, (180 + 3600) * NS + more),
        )


def _open_from(minutes: int, age_ns: int = 0) -> int | str:
    """Of equal values since midnight, the newest of which has that age."""
    item = series(np.full(minutes, 20.0))
    room = setup((rule(),), channel={"flat_n": 30, "resolution": 0.01})
    now_ns = int(item.taken_ns[-1]) + age_ns
    cells = judged(room, {"T1": item}, now_ns=now_ns).cells["T1.temperature"]
    ended = cells.open_run_from >= cells.grid.first + cells.grid.n
    return "ended" if ended else cells.open_run_from - cells.grid.first


def _flat(flat_n: int, first: Readings, second: Readings) -> tuple[str, bool]:
    room = setup((rule(),), TWO, channel={"flat_n": flat_n, "resolution": 0.01})
    cells = judged(room, {"T1": first, "T2": second}, now_ns=at(24)).cells["T1.temperature"]
    return whys(cells, 600)[0], cells.open_run_from >= cells.grid.first + cells.grid.n


def _agreement() -> Iterator[Case]:
    group = CaseGroup("edges of probes against each other", "a quarter of an hour, 80 % of it; by hand")
    yield group.case("the window is a quarter of an hour", 900, lambda: WINDOW_S)
    for name, apart, expected in (
        ("12 of 15 cells, at the begin", range(12), (12, 12)),
        ("11 of 15 cells, at the begin", range(11), (0, 0)),
        ("every second cell: nothing contradicts the last one yet", range(0, 15, 2), (1, 0)),
        ("12 cells with three between that do not", [*range(5), *range(8, 15)], (15, 15)),
        ("the last 12 of 15 cells", range(3, 15), (12, 12)),
        ("the last 11: nothing contradicts them yet, then 4 cells do", range(4, 15), (11, 0)),
        ("the last one", range(14, 15), (1, 0)),
    ):
        yield group.case(
            f"{name}: alone, and with 15 more",
            expected,
            lambda a=apart: tuple(_apart(a, n) for n in (15, 30)),
        )
    yield group.case(
        "five readings in 15 min each, from 10:00 on: with them go the empty cells before and after",
        (586, 674, 89),
        _coarsely_apart,
    )
    yield group.case(
        "probes that are read every 180 s, and every 181 s, are compared over five intervals",
        (900, 905),
        lambda: tuple(window_s(setup((), TWO, channel={"interval_s": s}), "bay") for s in (180, 181)),
    )
    yield group.case(
        "a cell of a probe in disagreement counts no reading",
        0,
        lambda: int(_disagreeing().count[700]),
    )
    yield group.case(
        "a drift just as large as its uncertainty is none",
        (False, True),
        lambda: (Drift(-0.1, 0.1).is_proven, Drift(-0.100001, 0.1).is_proven),
    )
    day = np.arange(90.0)
    slow = 0.01 * np.sin(2 * np.pi * day / 60)
    yield group.case(
        "days that hang together by more than 0.95 count as by 0.95", 1.0, lambda: _share(day, slow), 1e-9
    )


def _apart(cells: Iterable[int], n: int) -> int:
    """Cells of a window in which the first of three probes is doubted; the record has n of them."""
    means = [np.full(n, 20.0) * MICRO for _ in range(3)]
    means[0][list(cells)] = 21.0 * MICRO
    return int(disagreement_flags(means, 0.2 * MICRO, 15)[0].sum())


def _coarsely_apart() -> tuple[int, int, int]:
    """First and last doubted cell of a probe that is read every 15 min, and how many there are."""
    values = {p: np.full(96, 20.0) for p in ("T1", "T2", "T3")}
    values["T1"][40:45] += 0.9
    places = {p: (1.0 + i, 1.0, 1.0) for i, p in enumerate(values)}
    room = setup((rule(),), places, channel={"interval_s": 900, "max_age_s": 2700}, agree_K=0.3)
    cells = judged(room, {p: series(v, interval_s=900) for p, v in values.items()}).cells["T1.temperature"]
    result = np.flatnonzero(cells.why == Why.DISAGREES)
    return int(result[0]), int(result[-1]), len(result)


def _disagreeing() -> Cells:
    places = {p: (1.0 + i, 1.0, 1.0) for i, p in enumerate(("T1", "T2", "T3"))}
    values = {p: series(np.full(N, 20.8 if p == "T1" else 20.0)) for p in places}
    return judged(setup((rule(),), places, agree_K=0.3), values).cells["T1.temperature"]


def _share(day: Float, departure_K: Float) -> float:
    """U of a drift over what r = 0.95 makes of the scatter about the line."""
    t = day / 7
    design = np.column_stack([np.ones_like(t), t])
    rest = departure_K - design @ np.linalg.lstsq(design, departure_K, rcond=None)[0]
    slope_u = np.sqrt(rest @ rest / (len(t) - 2) * np.linalg.inv(design.T @ design)[1, 1])
    trend = drift(day, departure_K)
    return trend.U_K_per_week / (2 * slope_u * np.sqrt(1.95 / 0.05)) if trend else np.nan


def _moisture() -> Iterator[Case]:
    group = CaseGroup("edges of moisture", "saturated air is at its dew point; JCGM 100:2008, 5.2.2; by hand")
    for end in (-60.0, 200.0):
        yield group.case(
            f"saturated air of {end:g} degC", end, lambda t=end: float(dew_point(t, 100.0)), 1e-9
        )
    t_slope = (float(dew_point(20.01, 50.0)) - float(dew_point(19.99, 50.0))) / 0.02
    rh_slope = (float(dew_point(20.0, 50.05)) - float(dew_point(20.0, 49.95))) / 0.1
    own = float(np.hypot((1 - t_slope) * 0.2, rh_slope * 2.0))
    other = float(np.sqrt(0.2**2 + (t_slope * 0.2) ** 2 + (rh_slope * 2.0) ** 2))
    yield group.case(
        "U of a surface over the dew point that its own temperature is part of, and of another surface",
        (own, other),
        lambda: (_U_over_dew("T1"), _U_over_dew("T2")),
        2e-5,
    )
    yield group.case(
        "a probe of dew points is one, whatever its channel is called",
        ("CONFORMING", 2.6),
        _by_another_name,
        1e-6,
    )


def _by_another_name() -> tuple[object, ...]:
    dew_rule = rule(
        name="condensation", kind="condensation", lower=2.0, upper=None, unit="K",
        channels=("T1.temperature", "hygro.chilled"),
    )  # fmt: skip
    room = setup(
        (dew_rule,), {"T1": (1, 1, 1), "hygro": (2, 1, 1)}, quantities={"hygro": ("dew_point",)}, U=0.1
    )
    own = replace(room.channels["hygro.dew_point"], key="hygro.chilled")
    renamed = replace(
        room,
        channels={"T1.temperature": room.channels["T1.temperature"], own.key: own},
        probes={**room.probes, "hygro": replace(room.probes["hygro"], channels=(own.key,))},
        certificates=tuple(
            replace(c, channel=own.key) if c.channel == "hygro.dew_point" else c for c in room.certificates
        ),
    )
    day = {"T1": series(np.full(N, 12.6)), own.key: series(np.full(N, 10.0))}
    return cell(judged(renamed, day).findings[0])[:2]


def _U_over_dew(surface: str) -> float:
    dew_rule = rule(
        name="condensation", kind="condensation", lower=2.0, upper=None, unit="K",
        channels=(f"{surface}.temperature", "T1.dew_point"),
    )  # fmt: skip
    values = {"T1": 20.0, "T2": 20.0, "T1.relative_humidity": 50.0}
    quantities = {"T1": ("temperature", "relative_humidity")}
    finding = finding_of(
        dew_rule, values, places=TWO, quantities=quantities, U={"temperature": 0.2, "relative_humidity": 2.0}
    )
    return float(finding.U[600]) / MICRO


def _small_lengths() -> Iterator[Case]:
    group = CaseGroup("edges of thermal errors", "100 mm of 11.5e-6/K, ideal scale; L·α·ΔT by hand")
    bare = Feature(100.0, Material("made", 11.5e-6, 0.0, ""), None)
    um_per_K = 100e3 * 11.5e-6
    cycle = 20.0 + 0.01 * np.cos(2 * np.pi * np.arange(480) / 24)
    tracks = made_tracks(cycle, np.full(len(cycle), 20.0))
    yield group.case(
        "a cycle of 0.01 K: largest, from the begin, and U with half-range/√2",
        (0.01 * um_per_K, 0.02 * um_per_K, 2 * 0.01 * um_per_K / math.sqrt(2)),
        lambda: (
            largest_um(tracks, bare, Work(IDEAL)),
            thermal_error(tracks, bare, Work(IDEAL)).ed_um,
            thermal_error(tracks, bare, Work(IDEAL)).U_um,
        ),
        1e-9,
    )
