"""The conditions statement of an interval, with the uncertainties that its readings had."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..conditions import Statement, extents, statement

if TYPE_CHECKING:
    from ..inspection import Check
    from ..verdicts import Verdicts


def conditions(verdicts: Verdicts, check: Check) -> Statement:
    """The sentence for a certificate about the interval of a check; Refused where it is not shown."""
    largest = {row.channel: _largest_U(verdicts, row.channel, check) for row in check.statistics}
    known = {channel: U for channel, U in largest.items() if U is not None}
    setup = verdicts.setup.at(check.from_ns)
    return statement(check, extents(check, setup, known), setup.zone(check.zone).name)


def _largest_U(verdicts: Verdicts, channel: str, check: Check) -> float | None:
    """None where any reading has no uncertainty that it could be stated with."""
    if channel not in verdicts.setup.channels:
        return None
    _, found = verdicts.corrected(channel, check.from_ns, check.to_ns)
    shown = bool(len(found.U)) and not found.why.any() and bool(np.isfinite(found.U).all())
    return float(found.U.max()) if shown else None
