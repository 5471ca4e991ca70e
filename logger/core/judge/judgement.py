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
from ..evidence.cells import FLAT_WINDOW_S, Cells, Grid, evidence
from ..evidence.derived import with_derived
from ..evidence.gridded import cut
from ..evidence.neighbours import doubted
from ..rules import evaluate
from ..rules.finding import Finding
from .body_temperature import air_of, follow
from .restarts import before, holding_at, turns
from .settling import (
    BodyState,
    Exposure,
    Memory,
    at_start_of_record,
    joined_memory,
    remember,
    remembered,
    with_bodies,
)

# Goes up whenever the same record could be judged otherwise; stored verdicts name it.
JUDGE_VERSION = 7
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
    beside_s = agreement.window_s(setup, zone) if agreement.compares(setup, zone) else 0
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
    looked = look(zone, setup, readings, grid, now_ns, activity=activity, turning=turning)
    return concluded(zone, setup, looked, grid, state=state, now_ns=now_ns, marks=marks)


@dataclass(frozen=True)
class Looked:
    """What can be said of a grid without its bodies' state: evidence around it, findings on it, restarts."""

    cells: Mapping[str, Cells]
    findings: tuple[Finding, ...]
    restarts: Mapping[int, BodyState] = field(default_factory=dict)


def look(
    zone: str,
    setup: Setup,
    readings: Mapping[str, Readings],
    grid: Grid,
    now_ns: int,
    *,
    activity: str = "",
    turning: Sequence[int] = (),
) -> Looked:
    """The part of `judge` that hangs on no state, so that pieces may be looked at side by side.

    turning: cells of the grid from which on other rules are in force.
    """
    earlier = [before(setup, zone, turn, grid.step_s) for turn in turning]
    first = min([grid.first, *(g.first for g in earlier)])
    back = grid.first - first + lookback_s(setup, zone) // grid.step_s + 1
    # A cell at the end may be covered by a reading that comes after it, or doubted with it.
    wide = Grid(grid.first - back, grid.n + back + unsure(setup, zone), grid.step_s)
    cells = seen(zone, setup, readings, wide, now_ns)
    restarts = {g.first + g.n: _restart(zone, setup, cells, g, activity) for g in earlier}
    return Looked(cells, found(zone, setup, cells, grid, activity), restarts)


def _restart(zone: str, setup: Setup, cells: Mapping[str, Cells], grid: Grid, activity: str) -> BodyState:
    """What the rules in force after a grid say that bodies remember of it."""
    from_ns = grid.first * grid.step_ns
    rules = holding_at(setup.rules_of(zone, activity), (grid.first + grid.n) * grid.step_ns)
    findings = [evaluate(replace(rule, from_ns=from_ns, to_ns=None), cells, setup, grid) for rule in rules]
    own = setup.zone(zone)
    return remembered(own, at_start_of_record(own), _exposure(findings, grid))


def unsure(setup: Setup, zone: str) -> int:
    """At how many cells of either end of a grid its evidence also hangs on cells beyond."""
    return (int(_max_age_s(setup, zone)) + agreement.window_s(setup, zone)) // setup.step_s + 2


def seen(
    zone: str, setup: Setup, readings: Mapping[str, Readings], grid: Grid, now_ns: int
) -> dict[str, Cells]:
    """The evidence of a zone on a grid, derived quantities with it; unsure near its ends."""
    return with_derived(doubted(zone, setup, evidence(zone, setup, readings, grid, now_ns)), setup, zone)


def found(
    zone: str, setup: Setup, cells: Mapping[str, Cells], grid: Grid, activity: str = ""
) -> tuple[Finding, ...]:
    """What the rules of a zone say of each cell of a grid, from cells that reach back by their windows."""
    return tuple(evaluate(rule, cells, setup, grid) for rule in setup.rules_of(zone, activity))


def concluded(
    zone: str,
    setup: Setup,
    looked: Looked,
    grid: Grid,
    *,
    state: BodyState,
    now_ns: int,
    marks: Sequence[Mark] = (),
) -> Judgement:
    """The judgement that follows from what was looked at, from marks, and from what bodies remember."""
    own = {key: cut(c, grid) for key, c in looked.cells.items()}
    findings = looked.findings
    memory = _memory(setup.zone(zone), setup, state, looked, cells=own, grid=grid)
    marked = _marked(zone, marks, grid)
    return Judgement(
        zone,
        grid,
        _reasons(findings, memory, marked),
        findings,
        own,
        memory,
        marked,
        _provisional_from(setup, zone, looked.cells, grid, now_ns),
        looked.restarts,
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
    zone: Zone, setup: Setup, state: BodyState, looked: Looked, *, cells: Mapping[str, Cells], grid: Grid
) -> Memory:
    exposure = _exposure(looked.findings, grid)
    memory = _remembered(zone, state, exposure, looked.restarts, grid)
    if not zone.bodies:
        return memory
    air = [air_of(zone, body, cells, setup, exposure.troubled) for body in zone.bodies]
    return with_bodies(zone, memory, follow(zone, state.tracks, air, grid, memory.states))


def _remembered(
    zone: Zone, state: BodyState, exposure: Exposure, restarts: Mapping[int, BodyState], grid: Grid
) -> Memory:
    """The memory over a grid in parts, each from the state that the rules in force in it give."""
    wanted = _midnights(grid)
    own = {cell - grid.first: s for cell, s in restarts.items() if 0 <= cell - grid.first < grid.n}
    edges = sorted({0, *own, grid.n})
    parts = []
    for begin, end in pairwise(edges):
        asked = {w - begin for w in {*wanted, end} if begin <= w <= end}
        parts.append(remember(zone, own.get(begin, state), exposure.part(begin, end), asked))
        state = parts[-1].states[end - begin]
    return (
        parts[0]
        if len(parts) == 1
        else joined_memory(parts)
        if parts
        else remember(zone, state, exposure, wanted)
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
    return Exposure(disturbed, _known(findings, grid) | disturbed, troubled, by, names, grid.step_s)


def _known(findings: Sequence[Finding], grid: Grid) -> Bool:
    """Where the clocks of bodies advance: every rule in force that disturbs them has evidence.

    Where none in force disturbs them, every rule in force, of which there must be one.
    """
    known, any_disturbs = np.ones(grid.n, np.bool_), np.zeros(grid.n, np.bool_)
    for finding in findings:
        if finding.rule.disturbs:
            holds = finding.conformity != Conformity.NOT_APPLICABLE
            any_disturbs |= holds
            known &= finding.evident | ~holds
    if any_disturbs.all():
        return known
    others, any_holds = np.ones(grid.n, np.bool_), np.zeros(grid.n, np.bool_)
    for finding in findings:
        holds = finding.conformity != Conformity.NOT_APPLICABLE
        any_holds |= holds
        others &= finding.evident | ~holds
    return np.where(any_disturbs, known, others & any_holds)


def _midnights(grid: Grid) -> list[int]:
    """Cells at which a UTC day begins, as places in the grid, and its end."""
    per_day = DAY_S // grid.step_s
    first = -grid.first % per_day
    return [*range(first, grid.n, per_day), grid.n]


def _marked(zone: str, marks: Sequence[Mark], grid: Grid) -> Bool:
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
