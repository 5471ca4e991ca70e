"""Condition of an alarm in one cell: result of a rule, silent sources, state of the service."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ...instants import NS
from ...model import Conformity, RuleState


@dataclass(frozen=True)
class Cell:
    """One judged cell [cell_ns, to_ns) of the rule. `margin` is positive inside, in `unit`."""

    cell_ns: int
    to_ns: int
    conformity: Conformity
    value: float | None = None
    U: float | None = None
    margin: float | None = None
    unit: str = ""
    limit: float | None = None
    probe: str = ""
    probes: tuple[str, ...] = ()  # all that are out, where more than the deciding one is known
    words: str = ""  # what is out, of an alarm without a rule

    @staticmethod
    def from_dict(body: Mapping[str, Any]) -> Cell:
        """From its plain values."""
        return Cell(**{**body, "conformity": Conformity(body["conformity"]), "probes": tuple(body["probes"])})


def cell_of(state: RuleState, step_ns: int) -> Cell:
    """The cell of a rule for its alarm; `limit` is the one nearer to the value."""
    return Cell(
        state.cell_ns, state.cell_ns + step_ns, state.conformity, state.value, state.U, state.margin,
        state.unit, _nearer_limit(state), state.probe, state.outside,
    )  # fmt: skip


def _nearer_limit(state: RuleState) -> float | None:
    if state.lower is None or state.upper is None:
        return state.upper if state.lower is None else state.lower
    if state.value is None:
        return None
    return state.upper if state.value > (state.lower + state.upper) / 2 else state.lower


def evidence_cell(
    cell_ns: int, to_ns: int, newest_ns: Mapping[str, int | None], max_age_ns: Mapping[str, int]
) -> Cell:
    """Whether every source reported: `value` is the age in s of the one that is most overdue.

    `newest_ns`: channel -> instant of its newest good reading, None when there never was one.
    """
    if not newest_ns:
        return Cell(cell_ns, to_ns, Conformity.NOT_APPLICABLE, unit="s")
    margins = {key: max_age_ns[key] - max(0, to_ns - (at or 0)) for key, at in newest_ns.items()}
    worst = min(margins, key=lambda key: (margins[key], key))
    silent = tuple(sorted(key for key, margin in margins.items() if margin < 0))
    newest = newest_ns[worst]
    age_s = None if newest is None else max(0, to_ns - newest) / NS
    return Cell(
        cell_ns, to_ns, Conformity.NONCONFORMING if silent else Conformity.CONFORMING,
        age_s, 0.0, margins[worst] / NS, "s", max_age_ns[worst] / NS, worst, silent,
    )  # fmt: skip


def fact_cell(cell_ns: int, to_ns: int, out: str, probes: tuple[str, ...] = ()) -> Cell:
    """A condition that is true or not; `out`: what is wrong, in words, empty when nothing is."""
    conformity = Conformity.NONCONFORMING if out else Conformity.CONFORMING
    return Cell(cell_ns, to_ns, conformity, probe=probes[0] if probes else "", probes=probes, words=out)
