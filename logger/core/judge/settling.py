"""What machine and parts remember: settling after an excursion, and not knowing after a silence.

Bodies that a zone declares are computed (`tracks.py`); without any, the following stands for them.

Settling is a fixed time of evidence after the last nonconforming cell of a rule that disturbs. Time
without evidence never advances the clock; more than `body_gap_s` of it within any settling time, doubted
readings that would be nonconforming, and the start of a record leave the bodies unknown until as much
time has passed with evidence. The state is two countdowns and the silences of the last settling time, so
that any piece of a record continues from the last.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...model import Zone
from ...series import Bool
from .body_temperature import BodyFlags, TrackState
from .silence import Silence, Silences, from_pairs


@dataclass(frozen=True)
class BodyState:
    """State at the start of a cell, in seconds; `rule` is the one that last disturbed.

    silences: time without evidence within the last settling time, as (from, to) seconds before the cell.
    """

    settling_s: int
    unknown_s: int
    silences: Silences = ()
    rule: str = ""
    tracks: TrackState = field(default_factory=TrackState)

    @staticmethod
    def from_dict(body: Mapping[str, Any]) -> BodyState:
        """From what `dataclasses.asdict` made of it and JSON kept; of an older version what it knew."""
        silences, tracks = from_pairs(body.get("silences", ())), TrackState.from_dict(body.get("tracks"))
        return BodyState(body["settling_s"], body["unknown_s"], silences, body["rule"], tracks)


def at_start_of_record(zone: Zone) -> BodyState:
    """Nothing is known before the first reading, and nothing was read."""
    silences = ((zone.settling_s, 0),) if zone.settling_s else ()
    return BodyState(0, zone.settling_s, silences)


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

    disturbed: a rule that disturbs bodies is nonconforming, `by` is its place in `names`; has_evidence:
    every such rule has evidence, or without any such every rule that is in force; troubled: a rule that
    disturbs might be nonconforming by readings that are doubted.
    """

    disturbed: Bool
    has_evidence: Bool
    troubled: Bool
    by: NDArray[np.int16]
    names: Sequence[str]
    step_s: int

    def part(self, begin: int, end: int) -> Exposure:
        """The cells in [begin, end); arrays are views."""
        if end - begin == len(self.disturbed):
            return self
        part = slice(begin, end)
        flags = self.disturbed[part], self.has_evidence[part], self.troubled[part]
        return Exposure(*flags, self.by[part], self.names, self.step_s)


def state_after(zone: Zone, state: BodyState, exposure: Exposure) -> BodyState:
    """The state after the cells of an exposure."""
    n = len(exposure.disturbed)
    return run_countdowns(zone, state, exposure, [n]).states[n]


def run_countdowns(zone: Zone, state: BodyState, exposure: Exposure, state_cells: Iterable[int]) -> Memory:
    """Run the countdowns over n cells from `state`; states are returned before each wanted cell, n included.

    Works on runs of equal cells, of which a record has few.
    """
    n = len(exposure.disturbed)
    settling, unknown = np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    wanted_cells = {w for w in state_cells if 0 <= w <= n}
    silence = Silence(
        zone.settling_s, zone.body_gap_s, exposure.step_s, ~exposure.has_evidence, state.silences
    )
    lost = silence.lost() | exposure.troubled
    states: dict[int, BodyState] = {}
    causes = [(0, state.rule)]
    for begin, end in _runs(exposure, lost, wanted_cells):
        if begin in wanted_cells:
            states[begin] = replace(state, silences=silence.before(begin))
        run, length_s = slice(begin, end), (end - begin) * exposure.step_s
        has_evidence = bool(exposure.has_evidence[begin])
        unknown[run] = (
            True
            if lost[begin]
            else _countdown_flags(state.unknown_s, has_evidence, end - begin, exposure.step_s)
        )
        if not exposure.disturbed[begin]:
            settling[run] = _countdown_flags(state.settling_s, has_evidence, end - begin, exposure.step_s)
        state = _after(zone, state, length_s, has_evidence=has_evidence, lost=bool(lost[begin]))
        if exposure.disturbed[begin]:
            state = replace(state, settling_s=zone.settling_s, rule=exposure.names[exposure.by[end - 1]])
            causes.append((end, state.rule))
    if n in wanted_cells:
        states[n] = replace(state, silences=silence.before(n))
    return Memory(settling, unknown, states, causes)


def join_memories(parts: Sequence[Memory]) -> Memory:
    """The memory of parts that follow each other. Where two meet, the state is what the first leaves."""
    states: dict[int, BodyState] = {}
    causes: list[tuple[int, str]] = []
    begin = 0
    for part in parts:
        states = {begin + cell: state for cell, state in part.states.items()} | states
        causes += [(begin + cell, rule) for cell, rule in part.causes]
        begin += len(part.settling)
    settling, unknown = (
        np.concatenate([getattr(p, name) for p in parts]) for name in ("settling", "unknown")
    )
    return Memory(settling, unknown, states, causes)


def _runs(exposure: Exposure, lost: Bool, cut_at: set[int]) -> list[tuple[int, int]]:
    """Maximal index ranges of cells alike in every respect, cut at the cells asked for."""
    n = len(exposure.disturbed)
    code = exposure.disturbed * 4 + exposure.has_evidence * 2 + lost
    edges = {0, n, *(np.flatnonzero(np.diff(code)) + 1).tolist(), *cut_at}
    ordered = sorted(edges)
    return list(pairwise(ordered))


def _countdown_flags(remaining_s: int, advances: bool, n: int, step_s: int) -> Bool:
    """Cells of a run during which a countdown of `left_s` has not ended."""
    flags = np.zeros(n, np.bool_)
    flags[: min(n, -(-remaining_s // step_s)) if advances else (n if remaining_s > 0 else 0)] = True
    return flags


def _after(zone: Zone, state: BodyState, length_s: int, *, has_evidence: bool, lost: bool) -> BodyState:
    """The state after a run of cells; time with evidence advances the clocks, and only that."""
    passed_s = length_s if has_evidence else 0
    unknown_s = zone.settling_s if lost else max(0, state.unknown_s - passed_s)
    return replace(state, settling_s=max(0, state.settling_s - passed_s), unknown_s=unknown_s)


def with_bodies(zone: Zone, memory: Memory, followed: BodyFlags) -> Memory:
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
    # Without a settling time nothing but what is computed can speak for them.
    unknown = followed.doubtful & memory.unknown | followed.lost if zone.settling_s else followed.doubtful
    return Memory(followed.out, unknown, states, causes or [(0, "")])
