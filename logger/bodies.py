"""What machine and parts remember: settling after an excursion, and not knowing after a silence.

Bodies that a zone declares are computed (`tracks.py`); without any, the following stands for them.

Settling is a fixed time of evidence after the last nonconforming cell of a rule that disturbs.
Time without evidence never advances the clock; more than `body_gap_s` of it, and the start of a
record, leave the bodies unknown until as much time has passed with evidence. The state is two
countdowns and the length of the silence, so that any piece of a record continues from the last.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .model import Zone
from .series import Bool
from .tracks import Followed, TrackState


@dataclass(frozen=True)
class BodyState:
    """State at the start of a cell, in seconds; `rule` is the one that last disturbed."""

    settling_s: int
    unknown_s: int
    silent_s: int
    rule: str = ""
    tracks: TrackState = field(default_factory=TrackState)

    @staticmethod
    def of_json(body: Mapping[str, Any]) -> BodyState:
        """From what `dataclasses.asdict` made of it and JSON kept."""
        return BodyState(**{**body, "tracks": TrackState.of_json(body.get("tracks"))})


def at_start_of_record(zone: Zone) -> BodyState:
    """Nothing is known before the first reading."""
    return BodyState(0, zone.settling_s, 0)


@dataclass(frozen=True)
class Memory:
    """Per cell, shape (n,): bodies settling, bodies unknown; the state before each cell asked for.

    `causes`: (cell, rule): from that cell on, settling is due to that rule.
    """

    settling: Bool
    unknown: Bool
    states: dict[int, BodyState]
    causes: list[tuple[int, str]]


@dataclass(frozen=True)
class Exposure:
    """What the bodies were exposed to; arrays of shape (n,).

    disturbed: a rule that disturbs bodies is nonconforming, `by` is its place in `names`; known:
    every such rule has evidence.
    """

    disturbed: Bool
    known: Bool
    by: NDArray[np.int16]
    names: Sequence[str]
    step_s: int


def remember(zone: Zone, state: BodyState, exposure: Exposure, wanted: Iterable[int]) -> Memory:
    """Run the countdowns over n cells from `state`; states are returned before each wanted cell, n included.

    Works on runs of equal cells, of which a record has few.
    """
    n = len(exposure.disturbed)
    settling, unknown = np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    asked = {w for w in wanted if 0 <= w <= n}
    states: dict[int, BodyState] = {}
    causes = [(0, state.rule)]
    for begin, end in _runs(exposure, asked):
        if begin in asked:
            states[begin] = state
        run, length_s = slice(begin, end), (end - begin) * exposure.step_s
        known = bool(exposure.known[begin])
        unknown[run] = _flagged(state.unknown_s, known, end - begin, exposure.step_s)
        if exposure.disturbed[begin]:
            state = BodyState(
                zone.settling_s, max(0, state.unknown_s - length_s), 0, exposure.names[exposure.by[end - 1]]
            )
            causes.append((end, state.rule))
            continue
        settling[run] = _flagged(state.settling_s, known, end - begin, exposure.step_s)
        state = _after_quiet(zone, state, known, length_s)
    if n in asked:
        states[n] = state
    return Memory(settling, unknown, states, causes)


def _runs(exposure: Exposure, asked: set[int]) -> list[tuple[int, int]]:
    """Maximal index ranges of cells alike in every respect, cut at the cells asked for."""
    n = len(exposure.disturbed)
    code = exposure.disturbed * 2 + exposure.known
    edges = {0, n, *(np.flatnonzero(np.diff(code)) + 1).tolist(), *asked}
    ordered = sorted(edges)
    return list(pairwise(ordered))


def _flagged(left_s: int, advances: bool, n: int, step_s: int) -> Bool:
    """Cells of a run during which a countdown of `left_s` has not ended."""
    flags = np.zeros(n, np.bool_)
    flags[: min(n, -(-left_s // step_s)) if advances else (n if left_s > 0 else 0)] = True
    return flags


def _after_quiet(zone: Zone, state: BodyState, known: bool, length_s: int) -> BodyState:
    if known:
        left = max(0, state.settling_s - length_s), max(0, state.unknown_s - length_s)
        return BodyState(*left, 0, state.rule)
    silent = state.silent_s + length_s
    unknown = zone.settling_s if silent > zone.body_gap_s else state.unknown_s
    return BodyState(state.settling_s, unknown, silent, state.rule)


def with_bodies(zone: Zone, memory: Memory, followed: Followed) -> Memory:
    """The memory of a zone that declares bodies: what they compute replaces the fixed time.

    While the countdown after a silence runs, what may be out is unknown; when it has ended, the
    settling time speaks for the bodies, and only what is out for sure settles.
    """
    names = [body.key for body in zone.bodies]
    edges = np.flatnonzero(np.diff(followed.body, prepend=np.int16(-2)))
    causes = [(int(i), names[followed.body[i]] if followed.body[i] >= 0 else "") for i in edges]
    states = {
        w: replace(state, settling_s=0, tracks=followed.states[w]) for w, state in memory.states.items()
    }
    return Memory(followed.out, followed.doubtful & memory.unknown, states, causes or [(0, "")])
