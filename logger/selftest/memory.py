"""Reference cases: silences that states carry, rules that come into force, readings inside an interval."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..core.evidence.grid import Grid
from ..core.judge.body_temperature import AirMemory, BodyTrack, TrackState
from ..core.judge.settings import judge_over
from ..core.judge.settling import BodyState
from ..core.measurement.own_readings import drop_readings_outside, rules_without_reading
from ..instants import NS
from ..model import Settings, Setup, ThermalBody
from ..series import Readings
from ..units import MICRO
from .case import OWN, Case, CaseGroup
from .room import DAY, N, at, judged, rule, series, setup
from .settling import runs, silent

STILL = series(np.full(N, 20.0))


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _silences()
    yield from _air()
    yield from _turns()
    yield from _own_readings()


def _silences() -> Iterator[Case]:
    group = CaseGroup("silences: what is allowed, and what a state carries", OWN)
    for minutes, expected in (
        (59, (("conforming", 0, 100), ("indeterminate", 100, 159), ("conforming", 159, N))),
        (60, (("conforming", 0, 100), ("indeterminate", 100, 220), ("conforming", 220, N))),
    ):
        yield group.case(
            f"settling time and allowed gap 1 h: {minutes} min of silence",
            expected,
            lambda m=minutes: runs(
                judged(
                    setup((rule(),), settling_s=3600, body_gap_s=3600), {"T1": silent(STILL, (100, 100 + m))}
                )
            ),
        )
    room = setup((rule(),), settling_s=4 * 3600)
    yield group.case(
        "those of 23:00 to 23:10 and of 23:30 to 23:35, before midnight",
        ((3600, 3000), (1800, 1500)),
        lambda: judged(room, {"T1": silent(STILL, (1380, 1390), (1410, 1415))}).memory.states[N].silences,
    )
    yield group.case(
        "a whole settling time of it before the first cell",
        ((14_400, 0),),
        lambda: judged(room, {"T1": STILL}, state=BodyState(0, 0, ((14_400, 0),))).memory.states[0].silences,
    )


def _followed(track: tuple[float, float], unknown_s: int = 0, silent_s: int = 0) -> BodyState:
    """A body between two temperatures, whose air was 20.0 and then silent."""
    low, high = (round(t * MICRO) for t in track)
    silences = ((silent_s, 0),) if silent_s else ()
    air = AirMemory(20 * MICRO, silences, ((DAY // (86_400 * NS), 20 * MICRO, 20 * MICRO),), False, unknown_s)
    return BodyState(0, 0, (), "", TrackState((BodyTrack(low, high, (low + high) // 2),), (air,)))


def _air() -> Iterator[Case]:
    group = CaseGroup("the air of a declared body: reason, first minute, end", OWN)
    body = ThermalBody("bay.granite", "granite", 7200.0, 0.0, 19.5, 20.5, ("T1.temperature",))
    places = {"T1": (1.0, 1.0, 1.0), "T2": (3.0, 1.0, 1.0)}
    others = setup((rule(channels=("T2.temperature",)),), places, U=1e-9, settling_s=14_400, bodies=(body,))

    def follow(state: BodyState, air: Readings, room: Setup = others) -> object:
        return runs(judged(room, {"T1": air, "T2": STILL}, state=state))

    yield group.case(
        "from 60 min of silence into one minute more: anew from 18 and 22, 120·ln 4 = 166.4 min",
        (("indeterminate", 0, 1 + 166), ("conforming", 1 + 166, N)),
        lambda: follow(_followed((20.0, 20.0), silent_s=3600), silent(STILL, (0, 1))),
    )
    yield group.case(
        "a body that may be out, for which the settling time has spoken, and a minute without its air",
        (("conforming", 0, N),),
        lambda: follow(_followed((19.0, 20.0)), silent(STILL, (0, 1))),
    )
    for left_s, end_s in ((14_400, 0), (86_400 + 600, 600)):
        yield group.case(
            f"{left_s} s that it is unknown yet, at midnight and a day of evidence later",
            (left_s, end_s),
            lambda s=left_s: tuple(
                judged(others, {"T1": STILL, "T2": STILL}, state=_followed((20.0, 20.0), s))
                .memory.states[cell].tracks.airs[0].unknown_s
                for cell in (0, N)
            ),
        )  # fmt: skip
    yield group.case(
        "10 min without air before midnight do not pass",
        1200,
        lambda: (
            judged(
                others,
                {"T1": silent(STILL, (1430, N)), "T2": STILL},
                state=_followed((20.0, 20.0), 86_400 + 600),
            )
            .memory.states[N]
            .tracks.airs[0]
            .unknown_s
        ),
    )
    for silence, is_lost in (((N - 61, N), True), ((N - 60, N), False), ((N - 62, N - 1), False)):
        yield group.case(
            f"no air from minute {silence[0]} to {silence[1]}: lost after 60 min, until air comes",
            is_lost,
            lambda s=silence: (
                judged(others, {"T1": silent(STILL, s), "T2": STILL}, state=_followed((20.0, 20.0)))
                .memory.states[N]
                .tracks.airs[0]
                .lost
            ),
        )
    slow = replace(others, zones={"bay": replace(others.zones["bay"], settling_s=8 * 3600)})
    yield group.case(
        "20 or 24 degC in the first minute: from 18 and 26, 120·ln 12 = 298.2 min",
        (("indeterminate", 0, 1 + 298), ("conforming", 1 + 298, N)),
        lambda: follow(BodyState(0, 8 * 3600), _twice_at_first(24.0), slow),
    )


def _twice_at_first(value: float) -> Readings:
    """20 degC all day, and another value for its first instant."""
    columns = {name: np.insert(column, 1, column[0]) for name, column in vars(STILL).items()}
    columns["value"][1] = value
    return Readings(**columns)


def _turns() -> Iterator[Case]:
    group = CaseGroup("rules that come into force: reason, first minute, end", OWN)
    hot = np.full(2 * N, 20.0)
    hot[: N - 120] = 30.0
    before = series(hot, DAY - 86_400 * NS)
    yield group.case(
        "the band begins with the piece, 30 degC until two hours before, settling time 4 h",
        (("settling", 0, 120), ("conforming", 120, N)),
        lambda: runs(
            judged(setup((rule(from_ns=at(0)),), settling_s=14_400), {"T1": before}, state=BodyState(0, 0))
        ),
    )
    # 17 minutes of each hour: three settling times hold 51 of the 60 that it takes, four would hold 68.
    rare = silent(STILL, *((60 * hour + 17, 60 * hour + 60) for hour in range(24)))
    room = setup((rule(from_ns=at(12)),), settling_s=3600, body_gap_s=3600)
    yield group.case(
        "three settling times before it are looked at, from not knowing",
        (("indeterminate", 0, 729), ("conforming", 729, 737), ("indeterminate", 737, 780)),
        lambda: runs(judged(room, {"T1": rare}, state=BodyState(0, 0)))[:3],
    )
    values = np.full(2 * N, 20.0)
    values[21 * 60 : 22 * 60] = 22.0
    yield group.case(
        "from midnight on 4 h of settling instead of 1 h; out of limits until 22:00",
        (
            ("conforming", 0, 1260), ("nonconforming", 1260, 1320), ("settling", 1320, 1380),
            ("conforming", 1380, N), ("settling", N, N + 120), ("conforming", N + 120, 2 * N),
        ),
        lambda: _longer_settling(series(values)),
    )  # fmt: skip


def _longer_settling(readings: Readings) -> object:
    room = setup((rule(),), settling_s=14_400)
    short = {"bay": replace(room.zones["bay"], settling_s=3600)}
    room = replace(room, earlier=(Settings(at(24), short, room.channels),))
    grid = Grid(DAY // (60 * NS), 2 * N, 60)
    return runs(
        judge_over("bay", room, {"T1.temperature": readings}, grid, BodyState(0, 0), now_ns=at(0, day=31))
    )


def _own_readings() -> Iterator[Case]:
    group = CaseGroup("readings of an interval itself, one every 15 min at 7:30 past", OWN)
    quarter = series(np.full(96, 20.0), interval_s=900, phase_s=450)
    room = setup((rule(),), channel={"interval_s": 900, "max_age_s": 2700})

    def lacking(begin_s: int, end_s: int) -> object:
        """Of an interval that begins and ends so many seconds after noon."""
        noon = at(12)
        judgement = judged(room, {"T1": quarter})
        inside = slice(720 + begin_s // 60, 720 - (-end_s // 60))
        return tuple(rules_without_reading(judgement, room, inside, noon + begin_s * NS, noon + end_s * NS))

    for begin_s, end_s, expected in (
        (0, 300, (("bay.temperature", "T1"),)),
        (0, 900, ()),
        (450, 600, ()),  # it begins with a reading
        (300, 450, (("bay.temperature", "T1"),)),  # and ends just before one
        (455, 900, (("bay.temperature", "T1"),)),
    ):
        yield group.case(
            f"from {begin_s} s after noon to {end_s} s after it",
            expected,
            lambda a=begin_s, b=end_s: lacking(a, b),
        )

    def lacking_of_two(need: int) -> object:
        """Of 5 min from noon, with a reading of T2 alone, by a rule that needs so many probes."""
        places = {"T1": (1.0, 1.0, 1.0), "T2": (2.0, 2.0, 1.0)}
        two = setup((rule(need=need),), places, channel={"interval_s": 900, "max_age_s": 2700})
        at_noon = series(np.full(96, 20.0), interval_s=900, phase_s=0)
        judgement = judged(two, {"T1": quarter, "T2": at_noon})
        return tuple(rules_without_reading(judgement, two, slice(720, 725), at(12), at(12) + 300 * NS))

    for need, named in ((1, ()), (2, (("bay.temperature", "T1"),))):
        yield group.case(
            f"one of two probes has a reading inside, and the rule needs {need}",
            named,
            lambda n=need: lacking_of_two(n),
        )

    def counted(begin_s: int) -> tuple[int, float]:
        cells = judged(room, {"T1": quarter}).cells
        own = drop_readings_outside(cells, room, at(12) + begin_s * NS, at(13))["T1.temperature"]
        return int(own.count[727]), float(own.mean[727]) / MICRO

    yield group.case("the cell at its edge, with a reading inside", (1, 20.0), lambda: counted(440))
    yield group.case("and with one before it", (0, float("nan")), lambda: counted(455))
