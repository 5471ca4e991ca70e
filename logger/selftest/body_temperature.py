"""Reference cases: declared bodies that follow the air, and what is credible of them after a silence."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import exp

import numpy as np

from ..core.judge.body_temperature import AirMemory, BodyTrack, TrackState
from ..core.judge.judgement import Judgement
from ..core.judge.settling import BodyState
from ..model import Setup, ThermalBody
from ..series import Readings
from ..units import MICRO
from .case import Case, CaseGroup
from .room import DAY, N, at, judged, rule, series, setup
from .settling import runs, silent

DAY_NUMBER = DAY // (86_400 * 10**9)
FIRST_ORDER = "T = T_air + (T0 − T_air)·exp(−t/τ), the solution of dT/dt = (T_air − T)/τ; by hand"
GRANITE = ThermalBody("bay.granite", "granite", 7200.0, 0.0, 19.5, 20.5)


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _bodies()
    yield from _credible()
    yield from _edges()


def _room(*bodies: ThermalBody, U: float = 1e-9) -> Setup:
    """Rules that allow 15 … 25 degC; what bodies are declared decides."""
    return setup((rule(lower=15.0, upper=25.0),), U=U, settling_s=4 * 3600, bodies=bodies or (GRANITE,))


def _state_at(*temperatures: float) -> BodyState:
    tracks = tuple(BodyTrack(*[round(t * MICRO)] * 3) for t in temperatures)
    return BodyState(
        0, 0, (), "", TrackState(tracks, (AirMemory(round(temperatures[0] * MICRO)),) * len(tracks))
    )


def _bodies() -> Iterator[Case]:
    group = CaseGroup("declared bodies: reason, first minute, end", FIRST_ORDER)
    still = series(np.full(N, 20.0))
    for start, air, minutes in ((20.0, 22.0, 120), (20.0, 22.0, 360), (23.0, 20.0, 60), (17.0, 20.0, 1440)):
        yield group.case(
            f"from {start:g} towards {air:g} degC, τ 2 h, {minutes} min: three tracks in micro-degC",
            (round((air + (start - air) * exp(-minutes / 120)) * MICRO),) * 3,
            lambda s=start, a=air, m=minutes: tuple(
                vars(
                    judged(_room(), {"T1": series(np.full(N, a))}, DAY, at(m / 60), state=_state_at(s))
                    .memory.states[m].tracks.tracks[0]
                ).values()
            ),
            1.0,
        )  # fmt: skip
    # 120·ln(3/0.5) = 215.01 min from 3 K away to the limit at 0.5 K.
    within = (("settling", 0, 215), ("conforming", 215, N))
    for start in (23.0, 17.0):
        yield group.case(
            f"known at {start:g}: within 0.5 K after 120·ln 6 = 215.01 min",
            within,
            lambda s=start: runs(judged(_room(), {"T1": still}, state=_state_at(s))),
        )
    monday = np.full(N, 20.0)
    monday[:360] = 23.0
    yield group.case(
        "air at 23 until 06:00",
        (("settling", 0, 575), ("conforming", 575, N)),
        lambda: runs(judged(_room(), {"T1": series(monday)}, state=_state_at(23.0))),
    )
    yield group.case(
        "U of the air 0.2 K leaves 0.3 K: 120·ln 10 = 276.3 min",
        (("settling", 0, 276), ("conforming", 276, N)),
        lambda: runs(judged(_room(U=0.2), {"T1": still}, state=_state_at(23.0))),
    )
    slow = replace(GRANITE, u_tau_s=1200.0)
    yield group.case(
        "τ = 120 ± 20 min: 3·(2·exp(−t/140) − exp(−t/120)) is 0.5 K after 286.4 min",
        (("settling", 0, 286), ("conforming", 286, N)),
        lambda: runs(judged(_room(slow), {"T1": still}, state=_state_at(23.0))),
    )
    quick = replace(GRANITE, key="bay.part", tau_s=3600.0)
    yield group.case(
        "of two bodies, with which of them each run is due to",
        ((0, "bay.granite"), (215, "")),
        lambda: tuple(
            judged(_room(GRANITE, quick), {"T1": still}, state=_state_at(23.0, 23.0)).memory.causes
        ),
    )
    yield group.case(
        "the second of them alone",
        ((0, "bay.part"), (107, "")),
        lambda: tuple(
            judged(_room(GRANITE, quick), {"T1": still}, state=_state_at(20.0, 23.0)).memory.causes
        ),
    )
    # It goes on with the last air seen for an hour. From the 61st minute on it is unknown, and when the air
    # is seen again it starts anew from 18 … 22: 120·ln 4 = 166.4 min.
    for minutes, expected in (
        (60, within),
        (61, (("settling", 0, 160), ("indeterminate", 160, 161 + 166), ("conforming", 161 + 166, N))),
    ):
        yield group.case(
            f"{minutes} min of silence, of which 1 h leaves it known",
            expected,
            lambda m=minutes: runs(
                judged(_room(), {"T1": silent(still, (100, 100 + m))}, state=_state_at(23.0))
            ),
        )


def _credible() -> Iterator[Case]:
    group = CaseGroup("credible temperatures of bodies", FIRST_ORDER + "; air of 7 days, widened by 2 K")
    still = series(np.full(N, 20.0))

    def start(*days: tuple[int, float, float]) -> BodyState:
        reference = tuple((DAY_NUMBER - ago, round(a * MICRO), round(b * MICRO)) for ago, a, b in days)
        return BodyState(0, 14_400, (), "", TrackState((), (AirMemory(None, (), reference),)))

    for name, state, end in (
        ("no air before: 18 … 22, 120·ln 4 = 166.4 min", start(), 166),
        ("19 … 21 six days ago: 17 … 23, 215.01 min", start((6, 19.0, 21.0)), 215),
        ("seven days ago no more", start((7, 10.0, 30.0)), 166),
        ("the coldest: 16 … 22, 120·ln 8 = 249.5 min, but 4 h speak for it", start((1, 18.0, 20.0)), 240),
    ):
        yield group.case(
            name,
            (("indeterminate", 0, end), ("conforming", end, N)),
            lambda s=state: runs(judged(_room(), {"T1": still}, state=s)),
        )
    yield group.case(
        "4 h of evidence speak for a body that may still be out",
        (("indeterminate", 0, 240), ("conforming", 240, N)),
        lambda: runs(judged(_room(replace(GRANITE, lower=19.9, upper=20.1)), {"T1": still}, state=start())),
    )
    rising = 20.0 + np.arange(N) / 1000

    def days() -> tuple[object, ...]:
        result = judged(_room(), {"T1": series(rising)}, state=start((6, 19.0, 21.0), (7, 10.0, 30.0)))
        air = result.memory.states[N].tracks.airs[0]
        return air.last, air.silences, tuple((d - DAY_NUMBER, a, b) for d, a, b in air.days)

    yield group.case(
        "the air that is remembered at midnight: last, silent, days",
        (21_439_000, (), ((-6, 19_000_000, 21_000_000), (0, 20_000_000, 21_439_000))),
        days,
    )
    yield group.case(
        "without any air nothing is known",
        ((("indeterminate", 0, N),), ()),
        lambda: _nothing(judged(_room(), {}, state=start())),
    )


def _nothing(judgement: Judgement) -> tuple[object, ...]:
    return runs(judgement), judgement.memory.states[N].tracks.tracks


def _edges() -> Iterator[Case]:
    group = CaseGroup("edges of declared bodies: reason, first minute, end", FIRST_ORDER)
    still = series(np.full(N, 20.0))

    def follow(state: BodyState, readings: Readings = still, room: Setup | None = None) -> object:
        return runs(judged(room or _room(), {"T1": readings}, state=state))

    for value in (19.5, 20.5):
        yield group.case(
            f"{value:g} degC at the limit is within, after a silence too",
            ((("conforming", 0, N),),) * 2,
            lambda v=value: tuple(
                follow(replace(_state_at(v), unknown_s=left_s), series(np.full(N, v)))
                for left_s in (0, 14_400)
            ),
        )
    narrow = _room(replace(GRANITE, lower=19.8, upper=20.2), U=0.2)
    yield group.case(
        "20.0 degC where U leaves nothing but that",
        (("conforming", 0, N),),
        lambda: follow(_state_at(20.0), room=narrow),
    )
    yield group.case(
        "from 01:00 on",
        (("settling", 0, 215), ("conforming", 215, N - 60)),
        lambda: runs(judged(_room(), {"T1": still}, at(1), state=_state_at(23.0))),
    )

    def before(last: float, silent_s: int) -> BodyState:
        """Known at 23.0; the air was last seen some time ago."""
        reference, lost = _state_at(23.0).tracks.tracks, silent_s > 3600
        air = AirMemory(round(last * MICRO), ((silent_s, 0),), (), lost, 14_400 if lost else 0)
        return BodyState(0, 14_400, (), "", TrackState(reference, (air,)))

    again = (("indeterminate", 0, 166), ("conforming", 166, 300), ("indeterminate", 300, 400 + 166))
    yield group.case(
        "silent before the piece and once in it: known anew each time",
        (*again, ("conforming", 566, N)),
        lambda: follow(before(20.0, 7200), silent(still, (300, 400))),
    )
    yield group.case(
        "59 min before the piece and its first one: the air of before for that minute",
        (("settling", 0, 216), ("conforming", 216, N)),
        lambda: follow(replace(before(23.0, 3540), unknown_s=0), silent(still, (0, 1))),
    )
    yield group.case(
        "30 min before the piece and 40 min within it are more than 1 h within 4 h: 18 … 22, 166.4 min",
        (("settling", 0, 130), ("indeterminate", 130, 306), ("conforming", 306, N)),
        lambda: follow(replace(before(20.0, 1800), unknown_s=0), silent(still, (100, 140))),
    )
    jump = np.full(N, 24.0)
    jump[0] = 20.0
    once = exp(-1 / 120)
    yield group.case(
        "what the air does later widens no start: 18 and 22 after a minute at 20 and one at 24",
        tuple(round((24 + (20 + (t - 20) * once - 24) * once) * MICRO) for t in (18, 22, 20)),
        lambda: _tracks(
            judged(
                _room(),
                {"T1": series(jump)},
                DAY,
                at(2 / 60),
                state=BodyState(0, 14_400),
            )
        ),
        1.0,
    )
    waving = 20.0 + 0.5 * np.sin(np.arange(500) / 7)
    quick = _room(replace(GRANITE, tau_s=60.0))
    for n in (200, 201, 500):
        yield group.case(
            f"τ of one cell over {n} cells, step by step",
            (round(_stepped(waving[:n].tolist()) * MICRO),) * 3,
            lambda n=n: _tracks(
                judged(quick, {"T1": series(waving)}, DAY, at(n / 60), state=_state_at(20.0))
            ),
            1.0,
        )

    def last_air() -> object:
        places = {"T1": (1.0, 1.0, 1.0), "T2": (2.0, 1.0, 1.0)}
        room = setup((rule(lower=15.0, upper=25.0),), places, U=1e-9, settling_s=14_400, bodies=(GRANITE,))
        readings = {"T1": still, "T2": silent(series(np.full(N, 20.4)), (1400, N))}
        states = [judged(room, readings, DAY, at(h), state=_state_at(20.0)).memory.states for h in (23, 24)]
        return states[0][1380].tracks.airs[0].last, states[1][N].tracks.airs[0].last, states[1][N].settling_s

    yield group.case("the mean of the probes that tell something", (20_200_000, 20_000_000, 0), last_air)


def _tracks(judgement: Judgement) -> tuple[int, ...]:
    track = judgement.memory.states[judgement.grid.n].tracks.track(0)
    assert track is not None  # noqa: S101 - the cases judge bodies whose air was seen
    return track.low, track.high, track.slow


def _stepped(air: list[float]) -> float:
    """A body at 20.0 after minutes of air, each held, with τ of a minute."""
    body = 20.0
    for value in air:
        body = value + (body - value) * exp(-1)
    return body
