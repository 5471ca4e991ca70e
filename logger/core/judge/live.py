"""The newest judgement of a zone, extended by what came since: a live minute in place of a live day.

Findings hang on the readings around a cell alone, so that those of cells which nothing new can reach are
taken over as they are; the bodies are followed again from the last midnight. Only readings that
are younger than everything known extend a trail; after anything else the days are judged again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ...instants import NS
from ...model import Mark, Setup
from ...series import Readings
from ..evidence.cells import DELAY_S, Cells
from ..evidence.grid import Grid
from ..evidence.gridded import cut, splice
from .judgement import (
    DAY_S,
    Judgement,
    RuleResults,
    conclude,
    evidence_cells,
    lookahead_s,
    margin_cells,
    rule_findings,
    tests_s,
    window_s,
)
from .restarts import turns
from .settings import with_rules_in_force
from .settling import BodyState


@dataclass(frozen=True)
class Trail:
    """A judgement that begins at a midnight, with what it was made of.

    state: of the bodies at its start; cells: of the zone, reaching back by the longest window; readings:
    by channel, as far back as a test may look from the first open cell; newest_ns: of all of them.
    """

    judgement: Judgement
    state: BodyState
    cells: Mapping[str, Cells]
    readings: Mapping[str, Readings]
    newest_ns: int


def begin_trail(
    setup: Setup, judgement: Judgement, state: BodyState, readings: Mapping[str, Readings], now_ns: int
) -> Trail | None:
    """The trail of a judgement; None where other settings were in force within its reach."""
    grid, zone = judgement.grid, judgement.zone
    wide = _with_windows(setup, zone, grid)
    if not grid.n or any(s.until_ns > wide.first * grid.step_ns for s in setup.earlier):
        return None
    cells = _cells_with_margin(zone, setup.at(now_ns), readings, wide, now_ns)
    return _trim(Trail(judgement, state, cells, readings, _newest_ns(readings.values())), setup)


def extend_trail(
    trail: Trail, setup: Setup, fresh: Mapping[str, Readings], now_ns: int, marks: Sequence[Mark]
) -> Trail | None:
    """The trail up to the last complete cell before `now_ns`; None where it cannot be extended.

    fresh: what arrived since, by channel. Settings and marks must be those of the trail.
    """
    zone, newest = trail.judgement.zone, setup.at(now_ns)
    fresh = {
        key: readings_of_channel for key, readings_of_channel in fresh.items() if len(readings_of_channel)
    }
    if not all(_follows(readings_of_channel, trail, now_ns) for readings_of_channel in fresh.values()):
        return None
    grid, state = _from_midnight(trail, now_ns)
    open_cell = _open_cell(trail, newest, fresh, now_ns)
    setup_now = with_rules_in_force(newest, grid)
    if not grid.first <= open_cell < grid.first + grid.n or not _same_rules(trail, setup_now):
        return None
    if any(turn not in trail.judgement.restarts for turn in turns(newest, zone, grid)):
        return None
    tail = Grid(open_cell, grid.first + grid.n - open_cell, grid.step_s)
    readings = {key: _append(older, fresh.get(key)) for key, older in trail.readings.items()}
    new = _cells_with_margin(zone, setup_now, readings, tail, now_ns)
    cells = {key: splice(trail.cells[key], later) for key, later in new.items()}
    pairs = zip(trail.judgement.findings, rule_findings(zone, setup_now, cells, tail), strict=True)
    findings = tuple(cut(splice(before, later), grid) for before, later in pairs)
    results = RuleResults(cells, findings, trail.judgement.restarts)
    judgement = conclude(zone, setup_now, results, grid, state=state, now_ns=now_ns, marks=marks)
    newest_ns = max(trail.newest_ns, _newest_ns(fresh.values()))
    return _trim(Trail(judgement, state, cells, readings, newest_ns), setup)


def _with_windows(setup: Setup, zone: str, grid: Grid) -> Grid:
    """The grid and the cells before it that windows look back to."""
    before = -(-window_s(setup, zone) // grid.step_s)
    return Grid(grid.first - before, grid.n + before, grid.step_s)


def _cells_with_margin(
    zone: str, setup: Setup, readings: Mapping[str, Readings], grid: Grid, now_ns: int
) -> dict[str, Cells]:
    """The evidence on a grid, judged on a wider one because it is unsure near its ends."""
    by = margin_cells(setup, zone)
    wide = Grid(grid.first - by, grid.n + 2 * by, grid.step_s)
    return {key: cut(c, grid) for key, c in evidence_cells(zone, setup, readings, wide, now_ns).items()}


def _follows(fresh: Readings, trail: Trail, now_ns: int) -> bool:
    """Whether readings are younger than all that is known, in order, and not of the future.

    One that comes late enough to go on with a run that counted as ended is not.
    """
    grid = trail.judgement.grid
    ended_ns = (grid.first + grid.n + 1) * grid.step_ns - DELAY_S * NS
    within = max(trail.newest_ns, ended_ns) < fresh.taken_ns[0] and fresh.taken_ns[-1] < now_ns
    return bool(within) and bool((np.diff(fresh.taken_ns) > 0).all())


def _from_midnight(trail: Trail, now_ns: int) -> tuple[Grid, BodyState]:
    """The grid from the day on that is still open, up to now, and the bodies' state at its start."""
    old = trail.judgement.grid
    per_day = DAY_S // old.step_s
    first = max(old.first, trail.judgement.provisional_from // per_day * per_day)
    state = trail.state if first == old.first else trail.judgement.memory.states[first - old.first]
    return Grid(first, now_ns // old.step_ns - first, old.step_s), state


def _open_cell(trail: Trail, setup: Setup, fresh: Mapping[str, Readings], now_ns: int) -> int:
    """The first cell that was provisional, or that the new readings can reach."""
    since_ns = min([now_ns, *(int(readings.taken_ns[0]) for readings in fresh.values())])
    reached = (since_ns - lookahead_s(setup, trail.judgement.zone) * NS) // (setup.step_s * NS)
    return min(trail.judgement.provisional_from, reached)


def _same_rules(trail: Trail, setup: Setup) -> bool:
    rules = setup.rules_of(trail.judgement.zone)
    return rules == tuple(finding.rule for finding in trail.judgement.findings)


def _append(older: Readings, fresh: Readings | None) -> Readings:
    if fresh is None:
        return older
    columns = zip(vars(older).values(), vars(fresh).values(), strict=True)
    return Readings(*(np.concatenate(pair) for pair in columns))


def _newest_ns(series: Iterable[Readings]) -> int:
    return max((int(readings.taken_ns[-1]) for readings in series if len(readings)), default=-(2**62))


def _trim(trail: Trail, setup: Setup) -> Trail:
    """Without the cells and readings that no later judgement looks back to."""
    zone, grid = trail.judgement.zone, trail.judgement.grid
    start, _ = _from_midnight(trail, (grid.first + grid.n) * grid.step_ns)
    wide = _with_windows(setup, zone, start)
    back_s = tests_s(setup, zone) + (margin_cells(setup, zone) + 2) * grid.step_s
    from_ns = (min(trail.judgement.provisional_from, grid.first + grid.n) * grid.step_s - back_s) * NS
    return Trail(
        trail.judgement,
        trail.state,
        {key: cut(c, wide) if c.grid.first < wide.first else c for key, c in trail.cells.items()},
        {key: _since(readings, from_ns) for key, readings in trail.readings.items()},
        trail.newest_ns,
    )


def _since(readings: Readings, from_ns: int) -> Readings:
    part = slice(int(np.searchsorted(readings.taken_ns, from_ns)), None)
    return Readings(*(column[part] for column in vars(readings).values()))
