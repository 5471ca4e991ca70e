"""The conditions statement of an interval, with the readings that did not count."""

from __future__ import annotations

from collections.abc import Callable
from zoneinfo import ZoneInfo

import numpy as np

from ..core.judge.judgement import Judgement
from ..core.measurement.check import Check
from ..core.measurement.conditions import (
    ConditionsStatement,
    NotCounted,
    conditions_statement,
    quantity_extents,
)
from ..model import Setup
from ..model.reasons import WHY_TEXT, Why
from ..series import Readings, without_repeats
from .verdicts import Verdicts

Read = Callable[[str, int, int], Readings]  # of a channel in [from, to), as `Store.readings.read`


def cells_of(judgement: Judgement, result: Check) -> slice:
    """Cells of a check's interval in the grid of a judgement."""
    step_ns, first, n = judgement.grid.step_ns, judgement.grid.first, judgement.grid.n
    return slice(result.from_ns // step_ns - first, min(n, -(-result.to_ns // step_ns) - first))


def conditions_of(
    verdicts: Verdicts, judgement: Judgement, result: Check, read: Read | None = None
) -> ConditionsStatement:
    """Conditions statement of a check's interval, from its judgement; Refused if not shown.

    `read`: readings that were read before, where many statements are about neighbouring days.
    """
    inside, setup = cells_of(judgement, result), verdicts.setup.at(result.from_ns)
    extents = quantity_extents(judgement, verdicts.setup, inside)
    reads = verdicts.store.readings.read if read is None else read
    entries = [_not_counted(verdicts.setup, reads, judgement, key, inside) for key in judgement.cells]
    missing = [entry for entry in entries if entry]
    return conditions_statement(
        result, extents, missing, setup.zone(result.zone).name, ZoneInfo(setup.room.timezone)
    )


def _not_counted(
    setup: Setup, read: Read, judgement: Judgement, channel: str, inside: slice
) -> NotCounted | None:
    """Readings of a channel that did not count; for one that a rule needs, also that there is none."""
    cells, channel_setup = judgement.cells[channel], setup.channels.get(channel)
    placed = cells.placed[inside]
    if channel_setup is None or not placed.any():
        return None
    counted = int(cells.count[inside][placed].sum())
    short = counted * channel_setup.interval_s < int(placed.sum()) * judgement.grid.step_s
    why = Why(int(cells.why[inside][placed].max(initial=0)))
    if not short and why == Why.EVIDENCE:
        return None
    grid = judgement.grid.part(inside)
    ends = grid.first * grid.step_ns, (grid.first + grid.n) * grid.step_ns
    readings = without_repeats(read(channel, *ends))
    at = readings.taken_ns[np.isfinite(readings.value)] // grid.step_ns - grid.first
    missing = int(placed[at].sum()) - counted
    if missing <= 0:
        return NotCounted(channel, 0, "") if not counted and _decides(judgement, channel, inside) else None
    doubts = why in (Why.EVIDENCE, Why.NO_READING)
    return NotCounted(
        channel, missing, "outside the span of the probe" if doubts else WHY_TEXT[why], not counted
    )


def _decides(judgement: Judgement, channel: str, inside: slice) -> bool:
    """Whether a rule in force applies to the channel."""
    probe, _, quantity = channel.rpartition(".")
    return any(
        f.rule.quantity == quantity and probe in f.labels and bool(f.conformity[inside].any())
        for f in judgement.findings
    )
