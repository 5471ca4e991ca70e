"""Reference cases: settling after an excursion, not knowing after a silence, and states between pieces."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from ..core.judge.judgement import Judgement
from ..core.judge.settling import BodyState, at_start_of_record
from ..model import REASONS
from ..series import Float, Readings
from .case import OWN, Case, CaseGroup
from .room import DAY, N, at, judged, rule, series, setup, without


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _settling()
    yield from _unknown()
    yield from _continued()


def runs(judgement: Judgement) -> tuple[tuple[str, int, int], ...]:
    """Reason, first cell and end of each run of equal reasons."""
    reason = judgement.reason
    edges = [0, *(np.flatnonzero(np.diff(reason)) + 1).tolist(), len(reason)]
    return tuple((REASONS[int(reason[begin])], begin, end) for begin, end in pairwise(edges))


def outside(*stretches: tuple[int, int], n: int = N) -> Float:
    """20.0 degC, and 21.5 in some stretches of minutes."""
    values = np.full(n, 20.0)
    for begin, end in stretches:
        values[begin:end] = 21.5
    return values


def silent(readings: Readings, *stretches: tuple[int, int]) -> Readings:
    """Without the readings of some stretches of minutes."""
    for begin, end in stretches:
        readings = without(readings, at(begin / 60), at(end / 60))
    return readings


def runs_of_day(
    readings: Readings | Float, hours: float = 4, state: BodyState | None = None, **of_rule: object
) -> tuple[tuple[str, int, int], ...]:
    """Runs of a day that is judged by the band 19 … 21 degC with a settling time."""
    item = readings if isinstance(readings, Readings) else series(readings)
    room = setup((rule(**of_rule),), settling_s=round(hours * 3600))
    return runs(judged(room, {"T1": item}, state=state))


def _settling() -> Iterator[Case]:
    group = CaseGroup("settling: reason, first minute, end", OWN)
    hour = outside((540, 600))
    yield group.case(
        "back within limits at 10:00, 4 h: 13:59 settles still, 14:00 does not",
        (("conforming", 0, 540), ("nonconforming", 540, 600), ("settling", 600, 840), ("conforming", 840, N)),
        lambda: runs_of_day(hour),
    )
    plain = (("conforming", 0, 540), ("nonconforming", 540, 600), ("conforming", 600, N))
    yield group.case("a rule that disturbs nothing", plain, lambda: runs_of_day(hour, disturbs=False))
    yield group.case("no settling time", plain, lambda: runs_of_day(hour, 0))
    for seconds, end in ((59, 601), (60, 601), (61, 602)):
        yield group.case(
            f"{seconds} s of cells of 60 s",
            (*plain[:2], ("settling", 600, end), ("conforming", end, N)),
            lambda s=seconds: runs_of_day(hour, s / 3600),
        )
    yield group.case(
        "another excursion begins it anew",
        (
            ("conforming", 0, 540), ("nonconforming", 540, 600), ("settling", 600, 700),
            ("nonconforming", 700, 705), ("settling", 705, 945), ("conforming", 945, N),
        ),
        lambda: runs_of_day(outside((540, 600), (700, 705))),
    )  # fmt: skip
    yield group.case(
        "50 min without evidence do not advance it",
        (("conforming", 0, 300), ("nonconforming", 300, 360), ("settling", 360, 650), ("conforming", 650, N)),
        lambda: runs_of_day(silent(series(outside((300, 360))), (420, 470))),
    )
    yield group.case(
        "1 s that is left does not pass in a silence of 10 min",
        (("settling", 0, 11), ("conforming", 11, N)),
        lambda: runs_of_day(silent(series(np.full(N, 20.0)), (0, 10)), 4, BodyState(1, 0)),
    )
    two = (
        rule(name="one", channels=("T1.temperature",)),
        rule(name="other", channels=("T2.temperature",)),
    )
    later = {"T1": series(hour), "T2": series(outside((600, 601)))}
    yield group.case(
        "of two rules it is due to the one that was broken last",
        ((0, ""), (601, "bay.other")),
        lambda: tuple(
            judged(setup(two, {"T1": (1, 1, 1), "T2": (2, 1, 1)}, settling_s=60), later).memory.causes
        ),
    )
    yield group.case(
        "from when on it is due to which rule",
        ((0, ""), (600, "bay.temperature")),
        lambda: tuple(judged(setup((rule(),), settling_s=60), {"T1": series(hour)}).memory.causes),
    )


def _unknown() -> Iterator[Case]:
    group = CaseGroup("bodies unknown: reason, first minute, end", OWN)
    still = series(np.full(N, 20.0))
    for minutes, end in ((60, 660), (61, 661 + 240), (400, 1240)):
        yield group.case(
            f"a silence of {minutes} min, of which 1 h leaves bodies known",
            (("conforming", 0, 600), ("indeterminate", 600, end), ("conforming", end, N)),
            lambda m=minutes: runs_of_day(silent(still, (600, 600 + m))),
        )
    yield group.case(
        "two silences of 40 min within the settling time add up to more than 1 h",
        (
            ("conforming", 0, 600), ("indeterminate", 600, 640), ("conforming", 640, 650),
            ("indeterminate", 650, 690 + 240), ("conforming", 690 + 240, N),
        ),
        lambda: runs_of_day(silent(still, (600, 640), (650, 690))),
    )  # fmt: skip
    for apart, end in ((179, 701 + 240), (180, 701)):
        yield group.case(
            f"40 min, {apart} min of evidence, then 21 min: within 4 h or not",
            (
                ("conforming", 0, 640 - apart), ("indeterminate", 640 - apart, 680 - apart),
                ("conforming", 680 - apart, 680), ("indeterminate", 680, end), ("conforming", end, N),
            ),
            lambda a=apart: runs_of_day(silent(still, (640 - a, 680 - a), (680, 701))),
        )  # fmt: skip
    room = setup((rule(),), settling_s=7200)
    yield group.case(
        "at the start of a record",
        (("indeterminate", 0, 120), ("conforming", 120, N)),
        lambda: runs_of_day(still, 2, at_start_of_record(room.zones["bay"])),
    )
    yield group.case(
        "known again although an excursion lies between",
        (
            ("indeterminate", 0, 100), ("nonconforming", 100, 200), ("settling", 200, 260),
            ("indeterminate", 260, 600), ("conforming", 600, N),
        ),
        lambda: runs_of_day(outside((100, 200)), 1, BodyState(0, 36_000)),
    )  # fmt: skip
    yield group.case(
        "an excursion ends what was not known before it ends",
        (("indeterminate", 0, 100), ("nonconforming", 100, 200), ("conforming", 200, N)),
        lambda: runs_of_day(outside((100, 200)), 0, BodyState(0, 12_000)),
    )


def _continued() -> Iterator[Case]:
    group = CaseGroup("states at the end of a piece", OWN)

    def state(readings: Readings, minutes: int, before: BodyState | None = None) -> BodyState:
        room = setup((rule(),), settling_s=4 * 3600)
        result = judged(room, {"T1": readings}, DAY, at(minutes / 60), state=before)
        return result.memory.states[minutes]

    def plain(state: BodyState) -> tuple[object, ...]:
        return state.settling_s, state.unknown_s, state.silences, state.rule

    hour = series(outside((540, 600)))
    for minutes, expected in (
        (540, (0, 0, (), "")),
        (600, (14_400, 0, (), "bay.temperature")),
        (700, (8400, 0, (), "bay.temperature")),
        (900, (0, 0, (), "bay.temperature")),
    ):
        yield group.case(
            f"out until 10:00, at minute {minutes}: settling, unknown in s, silences, rule",
            expected,
            lambda m=minutes: plain(state(hour, m)),
        )
    late = series(outside((N - 60, N), n=2 * N))
    yield group.case(
        "at midnight within two days",
        (14_400, 0, (), "bay.temperature"),
        lambda: plain(
            judged(setup((rule(),), settling_s=14_400), {"T1": late}, DAY, at(48)).memory.states[N]
        ),
    )
    yield group.case(
        "from 01:00 on",
        (("settling", 0, 120), ("conforming", 120, N - 60)),
        lambda: runs(
            judged(
                setup((rule(),), settling_s=7200),
                {"T1": series(np.full(N, 20.0))},
                at(1),
                state=BodyState(7200, 0),
            )
        ),
    )
    yield group.case(
        "at the start of a record",
        (0, 7200, ((7200, 0),), "", ()),
        lambda: _first(at_start_of_record(setup((rule(),), settling_s=7200).zones["bay"])),
    )
    quiet = silent(series(np.full(N, 20.0)), (600, 700))
    states: tuple[tuple[int, tuple[object, ...]], ...] = (
        (630, (0, 0, ((1800, 0),), "")),
        (660, (0, 0, ((3600, 0),), "")),
        (661, (0, 14_400, ((3660, 0),), "")),
        (710, (0, 13_800, ((6600, 600),), "")),
        (915, (0, 1500, ((14_400, 12_900),), "")),
    )
    for minutes, remaining in states:
        yield group.case(
            f"silent from 10:00, at minute {minutes}", remaining, lambda m=minutes: plain(state(quiet, m))
        )
    yield group.case(
        "a silence goes on from one piece to the next: 40 min, then 21",
        (("indeterminate", 0, 21 + 240), ("conforming", 21 + 240, N)),
        lambda: runs_of_day(silent(series(np.full(N, 20.0)), (0, 21)), 4, BodyState(0, 0, ((2400, 0),))),
    )


def _first(state: BodyState) -> tuple[object, ...]:
    return (
        state.settling_s,
        state.unknown_s,
        state.silences,
        state.rule,
        tuple(air.silences for air in state.tracks.airs),
    )
