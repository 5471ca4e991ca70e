"""One judgement across changes of settings: each cell is judged by what was set when it began.

Rules, certificates and placements carry their own validity and are judged in one go. What a zone
remembers by and how its channels are tested changes with a setup version; a grid is cut there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...model import Mark, Rule, Setup, Zone
from ...series import Readings
from ..evidence.cells import Grid
from ..evidence.gridded import joined
from .body_temperature import AirMemory, TrackState
from .judgement import Judgement, Looked, concluded, look
from .restarts import turns
from .settling import BodyState, joined_memory


def judge_over(
    zone: str,
    setup: Setup,
    readings: Mapping[str, Readings],
    grid: Grid,
    state: BodyState,
    *,
    now_ns: int,
    marks: Sequence[Mark] = (),
    activity: str = "",
) -> Judgement:
    """Judge one zone over `grid`, each part by the settings in force in it; arguments as of `judge`."""
    looked = look_over(zone, setup, readings, grid, now_ns, activity=activity)
    return conclude_over(zone, setup, looked, grid, state, now_ns=now_ns, marks=marks)


@dataclass(frozen=True)
class Part:
    """A part of a grid under one setting, looked at."""

    setup: Setup
    grid: Grid
    looked: Looked


def look_over(
    zone: str, setup: Setup, readings: Mapping[str, Readings], grid: Grid, now_ns: int, *, activity: str = ""
) -> list[Part]:
    """The part of `judge_over` that hangs on no state."""
    turning = turns(setup, zone, grid, activity)
    return [
        Part(
            own,
            part,
            look(
                zone, own, readings, part, now_ns, activity=activity,
                turning=[turn for turn in turning if part.first <= turn < part.first + part.n],
            ),
        )
        for own, part in _parts(holding(setup, grid), grid)
    ]  # fmt: skip


def conclude_over(
    zone: str,
    setup: Setup,
    parts: Sequence[Part],
    grid: Grid,
    state: BodyState,
    *,
    now_ns: int,
    marks: Sequence[Mark] = (),
) -> Judgement:
    """The judgement that follows from what was looked at and from the bodies' state at its start."""
    done: list[Judgement] = []
    before = setup.at((grid.first - 1) * grid.step_ns)
    for part in parts:
        own = part.setup
        state = handed_over(before.zone(zone), own.zone(zone), state)
        done.append(concluded(zone, own, part.looked, part.grid, state=state, now_ns=now_ns, marks=marks))
        state, before = done[-1].memory.states[part.grid.n], own
    return done[0] if len(done) == 1 else _joined(done, grid)


def holding(setup: Setup, grid: Grid) -> Setup:
    """The setup with the rules that are in force in any cell: after years most older pieces are not."""
    rules = tuple(rule for rule in setup.rules if _holds(rule, grid))
    return setup if rules == setup.rules else replace(setup, rules=rules)


def _holds(rule: Rule, grid: Grid) -> bool:
    part = grid.clip(rule.from_ns, rule.to_ns)
    return bool(part.start < part.stop)


def _parts(setup: Setup, grid: Grid) -> list[tuple[Setup, Grid]]:
    """Parts of the grid that lie under one setting each; at least one, which may be empty."""
    step_ns, end = grid.step_ns, grid.first + grid.n
    edges = {-(-settings.until_ns // step_ns) for settings in setup.earlier}
    begins = [grid.first, *sorted(edge for edge in edges if grid.first < edge < end)]
    ends = [*begins[1:], end]
    return [
        (setup.at(begin * step_ns), Grid(begin, stop - begin, grid.step_s))
        for begin, stop in zip(begins, ends, strict=True)
    ]


def handed_over(before: Zone, after: Zone, state: BodyState) -> BodyState:
    """The state for another set of declared bodies: theirs is not known until it was followed for a while."""
    if [replace(b, name="", lower=0.0, upper=0.0) for b in before.bodies] == [
        replace(b, name="", lower=0.0, upper=0.0) for b in after.bodies
    ]:
        return state
    unknown_s = max(state.unknown_s, after.settling_s)
    known = {body.channels: state.tracks.air(place) for place, body in enumerate(before.bodies)}
    airs = tuple(known.get(body.channels, AirMemory()) for body in after.bodies)
    return replace(state, settling_s=0, unknown_s=unknown_s, tracks=TrackState((), airs))


def _joined(parts: Sequence[Judgement], grid: Grid) -> Judgement:
    last = parts[-1]
    return Judgement(
        zone=last.zone,
        grid=grid,
        reason=np.concatenate([p.reason for p in parts]),
        # What a rule looks at hangs on names, places and dates, which are the same in each part.
        findings=tuple(joined(each, grid) for each in zip(*(p.findings for p in parts), strict=True)),
        cells={key: joined([p.cells[key] for p in parts], grid) for key in last.cells},
        memory=joined_memory([p.memory for p in parts]),
        marked=np.concatenate([p.marked for p in parts]),
        provisional_from=min(p.provisional_from for p in parts),
        restarts={cell: state for p in parts for cell, state in p.restarts.items()},
    )
