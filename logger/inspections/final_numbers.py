"""Before a record is closed: days are judged, cases numbered, verdicts of inspections revised."""

from __future__ import annotations

from ..verdicts.verdicts import Verdicts
from .cases import all_cases
from .revisions import review


def number_everything(verdicts: Verdicts, now_ns: int) -> None:
    """Write what later questions would write, so that they can be answered without writing."""
    for zone in verdicts.setup.zones:
        verdicts.refresh(zone, now_ns)
    all_cases(verdicts, now_ns)
    review(verdicts.store, verdicts, now_ns)
