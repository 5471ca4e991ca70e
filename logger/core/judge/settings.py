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
from ..evidence.grid import Grid
from ..evidence.gridded import join_grids
from .body_temperature import AirMemory, TrackState
from .judgement import Judgement, RuleResults, conclude, evaluate_rules
from .restarts import turns
from .settling import BodyState, join_memories


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
    parts = evaluate_rules_over(zone, setup, readings, grid, now_ns, activity=activity)
    return conclude_over(zone, setup, parts, grid, state, now_ns=now_ns, marks=marks)


@dataclass(frozen=True)
class SettingsPart:
    """Results of the rules on a part of a grid under one setting."""

    setup: Setup
    grid: Grid
    results: RuleResults


def evaluate_rules_over(
    zone: str, setup: Setup, readings: Mapping[str, Readings], grid: Grid, now_ns: int, *, activity: str = ""
) -> list[SettingsPart]:
    """Results of the rules for each part of the grid under one setting; independent of the bodies' state."""
    turning = turns(setup, zone, grid, activity)
    return [
        SettingsPart(
            setup_then,
            part,
            evaluate_rules(
                zone, setup_then, readings, part, now_ns, activity=activity,
                turning=[turn for turn in turning if part.first <= turn < part.first + part.n],
            ),
        )
        for setup_then, part in _parts(with_rules_in_force(setup, grid), grid)
    ]  # fmt: skip


def conclude_over(
    zone: str,
    setup: Setup,
    parts: Sequence[SettingsPart],
    grid: Grid,
    state: BodyState,
    *,
    now_ns: int,
    marks: Sequence[Mark] = (),
) -> Judgement:
    """The judgement from the parts' results and the bodies' state at its start."""
    judgements: list[Judgement] = []
    before = setup.at((grid.first - 1) * grid.step_ns)
    for part in parts:
        setup_then = part.setup
        state = handed_over(before.zone(zone), setup_then.zone(zone), state)
        judgements.append(
            conclude(zone, setup_then, part.results, part.grid, state=state, now_ns=now_ns, marks=marks)
        )
        state, before = judgements[-1].memory.states[part.grid.n], setup_then
    return judgements[0] if len(judgements) == 1 else _join_judgements(judgements, grid)


def with_rules_in_force(setup: Setup, grid: Grid) -> Setup:
    """The setup with the rules that are in force in any cell: after years most older pieces are not."""
    rules = tuple(rule for rule in setup.rules if _is_in_force(rule, grid))
    return setup if rules == setup.rules else replace(setup, rules=rules)


def _is_in_force(rule: Rule, grid: Grid) -> bool:
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
    """The state for another set of declared bodies: unknown until they were followed for a while."""
    if [replace(b, name="", lower=0.0, upper=0.0) for b in before.bodies] == [
        replace(b, name="", lower=0.0, upper=0.0) for b in after.bodies
    ]:
        return state
    unknown_s = max(state.unknown_s, after.settling_s)
    by_channels = {body.channels: state.tracks.air(place) for place, body in enumerate(before.bodies)}
    airs = tuple(by_channels.get(body.channels, AirMemory()) for body in after.bodies)
    return replace(state, settling_s=0, unknown_s=unknown_s, tracks=TrackState((), airs))


def _join_judgements(parts: Sequence[Judgement], grid: Grid) -> Judgement:
    last = parts[-1]
    return Judgement(
        zone=last.zone,
        grid=grid,
        reason=np.concatenate([p.reason for p in parts]),
        # What a rule looks at hangs on names, places and dates, which are the same in each part.
        findings=tuple(
            join_grids(same_rule, grid) for same_rule in zip(*(p.findings for p in parts), strict=True)
        ),
        cells={key: join_grids([p.cells[key] for p in parts], grid) for key in last.cells},
        memory=join_memories([p.memory for p in parts]),
        marked=np.concatenate([p.marked for p in parts]),
        provisional_from=min(p.provisional_from for p in parts),
        restarts={cell: state for p in parts for cell, state in p.restarts.items()},
    )
