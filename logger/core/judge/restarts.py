"""Where what bodies remember begins anew: other rules are in force from a cell on, or another settling time.

What counts at a cell are the rules in force there, with their limits, applied also to the time before it,
whatever was in force then: a band that begins or narrows at midnight finds the bodies as warm as they
were. So the memory of such a cell does not continue; it is what these rules say of the three settling times
before it, beginning with bodies unknown. Where silences of no more than half a settling time leave them
known, that is what the whole record before would say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ...model import Rule, Setup
from ..evidence.grid import Grid

SETTLING_TIMES = 3


def turns(setup: Setup, zone: str, grid: Grid, activity: str = "") -> list[int]:
    """Cells of a grid, numbered since 1970, before which other rules or another settling time held."""
    rules = setup.rules_of(zone, activity)
    if not memory_s(setup, zone):
        return []
    instants = [ns for rule in rules for ns in (rule.from_ns, rule.to_ns) if ns is not None]
    instants += [settings.until_ns for settings in setup.earlier]
    cells = {-(-ns // grid.step_ns) for ns in instants}
    cells_inside = sorted(cell for cell in cells if grid.first <= cell < grid.first + grid.n)
    step_ns = grid.step_ns
    basis = {
        c: _basis_at(setup, zone, rules, c * step_ns) for inside in cells_inside for c in (inside - 1, inside)
    }
    return [cell for cell in cells_inside if basis[cell] != basis[cell - 1]]


def memory_s(setup: Setup, zone: str) -> int:
    """How far before a turn it is looked; 0 where nothing is remembered by a settling time."""
    return SETTLING_TIMES * max(
        setup_then.zone(zone).settling_s for setup_then in setup.by_settings() if zone in setup_then.zones
    )


def memory_needed_s(setup: Setup, zone: str, grid: Grid) -> int:
    """`memory_s` where other rules, of any activity, begin in a grid; else 0."""
    activities = {rule.activity for rule in setup.rules if rule.zone == zone} | {""}
    return memory_s(setup, zone) if any(turns(setup, zone, grid, a) for a in activities) else 0


def grid_before(setup: Setup, zone: str, turn: int, step_s: int) -> Grid:
    """The cells before a turn that its memory follows from."""
    n = -(-SETTLING_TIMES * setup.zone(zone).settling_s // step_s)
    return Grid(turn - n, n, step_s)


def rules_in_force_at(rules: Sequence[Rule], at_ns: int) -> tuple[Rule, ...]:
    """The rules in force in the cell that begins at an instant."""
    return tuple(r for r in rules if r.holds(at_ns))


def _basis_at(setup: Setup, zone: str, rules: Sequence[Rule], at_ns: int) -> tuple[object, ...]:
    zone_then = setup.at(at_ns).zones.get(zone)
    memory = None if zone_then is None else (zone_then.settling_s, zone_then.body_gap_s)
    return memory, sorted(repr(_judged_by(rule)) for rule in rules_in_force_at(rules, at_ns))


def _judged_by(rule: Rule) -> Rule:
    """A rule without what is only spoken, and without when it holds."""
    return replace(rule, basis="", name="", approver="", from_ns=0, to_ns=None)
