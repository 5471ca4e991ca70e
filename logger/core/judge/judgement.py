"""From the readings of a zone to findings, periods and excursions.

One judge: the service judges its trailing minutes with the very function that judges years. A
piece needs the readings of `lookback_s` before it (the longest window, the longest test) and of
`reach_s` after it; the bodies continue from the state at its start. What is younger than the
look-ahead at `now_ns` is provisional.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ...instants import NS
from ...model import REASONS, Conformity, Mark, Reason, Setup, Zone
from ...series import Bool, Readings
from ..evidence import neighbours as agreement
from ..evidence.cells import FLAT_WINDOW_S, Cells, evidence
from ..evidence.derived import with_derived
from ..evidence.grid import Grid
from ..evidence.gridded import cut
from ..evidence.neighbours import exclude_disagreeing
from ..rules import evaluate
from ..rules.finding import Finding
from .body_temperature import air_of_body, follow_bodies
from .restarts import grid_before, rules_in_force_at, turns
from .settling import (
    BodyState,
    Exposure,
    Memory,
    at_start_of_record,
    join_memories,
    run_countdowns,
    state_after,
    with_bodies,
)

# Goes up whenever the same record could be judged otherwise; stored verdicts name it.
JUDGE_VERSION = 9
DAY_S = 86_400


@dataclass(frozen=True)
class Judgement:
    """A zone judged over a grid of n cells; arrays of shape (n,).

    reason: place in REASONS; findings: one a rule, on the same grid; memory: settling and unknown
    bodies and the states asked for; provisional_from: first provisional cell's number; restarts: by cell
    number, the state from which the memory goes on where other rules come into force.
    """

    zone: str
    grid: Grid
    reason: NDArray[np.uint8]
    findings: tuple[Finding, ...]
    cells: Mapping[str, Cells]
    memory: Memory
    marked: Bool
    provisional_from: int
    restarts: Mapping[int, BodyState] = field(default_factory=dict)


def lookback_s(setup: Setup, zone: str) -> int:
    """How far before a piece its readings must reach."""
    return window_s(setup, zone) + tests_s(setup, zone)


def window_s(setup: Setup, zone: str) -> int:
    """The longest window of a zone's rules."""
    return max((rule.window_s for rule in setup.rules if rule.zone == zone), default=0)


def tests_s(setup: Setup, zone: str) -> int:
    """How far before a cell the readings must reach that its evidence hangs on."""
    return FLAT_WINDOW_S + agreement.window_s(setup, zone) + int(_max_age_s(setup, zone)) + setup.step_s


def lookahead_s(setup: Setup, zone: str) -> int:
    """How far after an instant readings in order of time still change its verdict.

    A run of flat_n values, or the next two that confirm a departure; then the cover of the cells before
    it, and the neighbours. A run that goes on may change more; it keeps its cells provisional itself.
    """
    reach = [0.0]
    for key in setup.channels_in(zone):
        channel = setup.channels[key]
        reach.append(max(channel.flat_n * channel.interval_s, 2 * channel.max_age_s) + channel.max_age_s)
    beside_s = agreement.window_s(setup, zone) if agreement.is_tested(setup, zone) else 0
    return int(max(reach)) + beside_s + setup.step_s


def reach_s(setup: Setup, zone: str) -> int:
    """How far after a piece its readings must be known, and before a late reading pieces are dirty."""
    stuck = any(setup.channels[key].flat_n for key in setup.channels_in(zone))
    return lookahead_s(setup, zone) + (FLAT_WINDOW_S if stuck else 0)


def _max_age_s(setup: Setup, zone: str) -> float:
    return max([setup.channels[key].max_age_s for key in setup.channels_in(zone)], default=0.0)


def judge(
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
    """Judge one zone over `grid`, from the bodies' state at its start.

    readings: by channel, reaching `lookback_s` (and where rules begin in it, `turns.memory_s`) before the
    grid and `reach_s` after it, or to the ends of the record.
    """
    turning = turns(setup, zone, grid, activity)
    results = evaluate_rules(zone, setup, readings, grid, now_ns, activity=activity, turning=turning)
    return conclude(zone, setup, results, grid, state=state, now_ns=now_ns, marks=marks)


@dataclass(frozen=True)
class RuleResults:
    """Evidence around a grid, findings on it, and restarts: all that does not depend on the bodies' state."""

    cells: Mapping[str, Cells]
    findings: tuple[Finding, ...]
    restarts: Mapping[int, BodyState] = field(default_factory=dict)


def evaluate_rules(
    zone: str,
    setup: Setup,
    readings: Mapping[str, Readings],
    grid: Grid,
    now_ns: int,
    *,
    activity: str = "",
    turning: Sequence[int] = (),
) -> RuleResults:
    """The part of `judge` that depends on no state, so that parts may be evaluated side by side.

    turning: cells of the grid from which on other rules are in force.
    """
    earlier = [grid_before(setup, zone, turn, grid.step_s) for turn in turning]
    first = min([grid.first, *(g.first for g in earlier)])
    back = grid.first - first + lookback_s(setup, zone) // grid.step_s + 1
    # A cell at the end may be covered by a reading that comes after it, or doubted with it.
    wide = Grid(grid.first - back, grid.n + back + margin_cells(setup, zone), grid.step_s)
    cells = evidence_cells(zone, setup, readings, wide, now_ns)
    restarts = {g.first + g.n: _restart(zone, setup, cells, g, activity) for g in earlier}
    return RuleResults(cells, rule_findings(zone, setup, cells, grid, activity), restarts)


def _restart(zone: str, setup: Setup, cells: Mapping[str, Cells], grid: Grid, activity: str) -> BodyState:
    """The bodies' state after a grid, by the rules in force after it."""
    from_ns = grid.first * grid.step_ns
    rules = rules_in_force_at(setup.rules_of(zone, activity), (grid.first + grid.n) * grid.step_ns)
    findings = [evaluate(replace(rule, from_ns=from_ns, to_ns=None), cells, setup, grid) for rule in rules]
    zone_setup = setup.zone(zone)
    return state_after(zone_setup, at_start_of_record(zone_setup), _exposure(findings, grid))


def margin_cells(setup: Setup, zone: str) -> int:
    """Number of cells at either end of a grid whose evidence also depends on cells beyond it."""
    return (int(_max_age_s(setup, zone)) + agreement.window_s(setup, zone)) // setup.step_s + 2


def evidence_cells(
    zone: str, setup: Setup, readings: Mapping[str, Readings], grid: Grid, now_ns: int
) -> dict[str, Cells]:
    """Evidence of a zone on a grid with derived quantities; not final within `margin_cells` of its ends."""
    return with_derived(
        exclude_disagreeing(zone, setup, evidence(zone, setup, readings, grid, now_ns)), setup, zone
    )


def rule_findings(
    zone: str, setup: Setup, cells: Mapping[str, Cells], grid: Grid, activity: str = ""
) -> tuple[Finding, ...]:
    """Findings of the rules of a zone on a grid, from cells that reach back by their windows."""
    return tuple(evaluate(rule, cells, setup, grid) for rule in setup.rules_of(zone, activity))


def conclude(
    zone: str,
    setup: Setup,
    results: RuleResults,
    grid: Grid,
    *,
    state: BodyState,
    now_ns: int,
    marks: Sequence[Mark] = (),
) -> Judgement:
    """The judgement from the results of the rules, marks, and the bodies' state at the start."""
    cells_on_grid = {key: cut(c, grid) for key, c in results.cells.items()}
    findings = results.findings
    memory = _memory(setup.zone(zone), setup, state, results, cells=cells_on_grid, grid=grid)
    marked = _marked_cells(zone, marks, grid)
    return Judgement(
        zone,
        grid,
        _reasons(findings, memory, marked),
        findings,
        cells_on_grid,
        memory,
        marked,
        _provisional_from(setup, zone, results.cells, grid, now_ns),
        results.restarts,
    )


def part(judgement: Judgement, from_ns: int, to_ns: int) -> Judgement:
    """The part of a judgement in [from, to), as if only that had been judged."""
    grid, step_ns = judgement.grid, judgement.grid.step_ns
    first = max(grid.first, from_ns // step_ns)
    smaller = Grid(first, max(0, min(grid.first + grid.n, -(-to_ns // step_ns)) - first), grid.step_s)
    if smaller == grid:
        return judgement
    offset = first - grid.first
    inside = slice(offset, offset + smaller.n)
    memory = judgement.memory
    causes = [(cell - offset, rule) for cell, rule in memory.causes]
    states = {cell - offset: s for cell, s in memory.states.items() if 0 <= cell - offset <= smaller.n}
    return replace(
        judgement,
        grid=smaller,
        reason=judgement.reason[inside],
        findings=tuple(cut(f, smaller) for f in judgement.findings),
        cells={key: cut(c, smaller) for key, c in judgement.cells.items()},
        memory=Memory(memory.settling[inside], memory.unknown[inside], states, causes),
        marked=judgement.marked[inside],
    )


def _memory(
    zone: Zone,
    setup: Setup,
    state: BodyState,
    results: RuleResults,
    *,
    cells: Mapping[str, Cells],
    grid: Grid,
) -> Memory:
    exposure = _exposure(results.findings, grid)
    memory = _memory_in_parts(zone, state, exposure, results.restarts, grid)
    if not zone.bodies:
        return memory
    air = [air_of_body(zone, body, cells, setup, exposure.troubled) for body in zone.bodies]
    return with_bodies(zone, memory, follow_bodies(zone, state.tracks, air, grid, memory.states))


def _memory_in_parts(
    zone: Zone, state: BodyState, exposure: Exposure, restarts: Mapping[int, BodyState], grid: Grid
) -> Memory:
    """The memory over a grid in parts, each from the state that the rules in force in it give."""
    midnights = _midnights(grid)
    restart_states = {cell - grid.first: s for cell, s in restarts.items() if 0 <= cell - grid.first < grid.n}
    edges = sorted({0, *restart_states, grid.n})
    parts = []
    for begin, end in pairwise(edges):
        cells_of_part = {w - begin for w in {*midnights, end} if begin <= w <= end}
        parts.append(
            run_countdowns(zone, restart_states.get(begin, state), exposure.part(begin, end), cells_of_part)
        )
        state = parts[-1].states[end - begin]
    return (
        parts[0]
        if len(parts) == 1
        else join_memories(parts)
        if parts
        else run_countdowns(zone, state, exposure, midnights)
    )


def _exposure(findings: Sequence[Finding], grid: Grid) -> Exposure:
    disturbed, troubled = (np.zeros(grid.n, np.bool_) for _ in range(2))
    by = np.full(grid.n, -1, np.int16)
    for number, finding in enumerate(findings):
        if finding.rule.disturbs:
            beyond = finding.conformity == Conformity.NONCONFORMING
            by[beyond & ~disturbed] = number
            disturbed |= beyond
            troubled |= finding.troubled
    names = tuple(finding.rule.key for finding in findings)
    return Exposure(disturbed, _clocks_advance(findings, grid) | disturbed, troubled, by, names, grid.step_s)


def _clocks_advance(findings: Sequence[Finding], grid: Grid) -> Bool:
    """Where the clocks of bodies advance: every rule in force that disturbs them has evidence.

    Where none in force disturbs them, every rule in force, of which there must be one.
    """
    advances, any_disturbs = np.ones(grid.n, np.bool_), np.zeros(grid.n, np.bool_)
    for finding in findings:
        if finding.rule.disturbs:
            holds = finding.conformity != Conformity.NOT_APPLICABLE
            any_disturbs |= holds
            advances &= finding.evident | ~holds
    if any_disturbs.all():
        return advances
    others, any_holds = np.ones(grid.n, np.bool_), np.zeros(grid.n, np.bool_)
    for finding in findings:
        holds = finding.conformity != Conformity.NOT_APPLICABLE
        any_holds |= holds
        others &= finding.evident | ~holds
    return np.where(any_disturbs, advances, others & any_holds)


def _midnights(grid: Grid) -> list[int]:
    """Cells at which a UTC day begins, as places in the grid, and its end."""
    per_day = DAY_S // grid.step_s
    first = -grid.first % per_day
    return [*range(first, grid.n, per_day), grid.n]


def _marked_cells(zone: str, marks: Sequence[Mark], grid: Grid) -> Bool:
    marked = np.zeros(grid.n, np.bool_)
    for mark in marks:
        if mark.zone == zone:
            part = grid.clip(mark.from_ns // grid.step_ns * grid.step_ns, mark.to_ns)
            marked[part] = True
    return marked


def _reasons(findings: Sequence[Finding], memory: Memory, marked: Bool) -> NDArray[np.uint8]:
    """The first reason that applies in each cell, as its place in REASONS. No rules: nothing is shown."""
    n = len(marked)
    none = [np.zeros(n, np.uint8)]  # as if one rule were not in force
    conformity = np.stack([f.conformity for f in findings] or none)
    nothing = (conformity == Conformity.NOT_APPLICABLE).all(axis=0)
    holds: dict[Reason, Bool] = {
        "nonconforming": (conformity == Conformity.NONCONFORMING).any(axis=0),
        "marked": marked,
        "settling": memory.settling,
        "indeterminate": (conformity == Conformity.INDETERMINATE).any(axis=0) | memory.unknown | nothing,
        "guard band": (conformity == Conformity.GUARD_BAND).any(axis=0),
        "conforming": np.ones(n, np.bool_),
    }
    return np.select([holds[r] for r in REASONS], list(range(len(REASONS)))).astype(np.uint8)


def _provisional_from(setup: Setup, zone: str, cells: Mapping[str, Cells], grid: Grid, now_ns: int) -> int:
    """First cell that later readings may still change."""
    settled = (now_ns - lookahead_s(setup, zone) * NS) // grid.step_ns
    live = now_ns < (grid.first + grid.n) * grid.step_ns + FLAT_WINDOW_S * NS
    open_runs = [c.open_run_from for c in cells.values()] if live else []
    return min([settled, *open_runs])


def digest(thing: object) -> str:
    """SHA-256 (hex) of the canonical JSON text of `thing`: sorted keys, no white space, UTF-8."""
    text = json.dumps(thing, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()
