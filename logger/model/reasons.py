"""Why a reading or a cell cannot support a verdict, and the words for it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from zoneinfo import ZoneInfo

from ..instants import NS, local
from . import Rule
from .figures import percent


class Why(IntEnum):
    """Why a cell or a reading cannot support a verdict. The larger number is named first."""

    EVIDENCE = 0
    NO_READING = 1
    INCOMPLETE = 2
    TOO_COARSE = 3
    GAP = 4
    SUSPECT = 5
    DISAGREES = 6
    CONFLICT = 7
    OUTSIDE_RANGE = 8
    OVERDUE = 9
    WITHDRAWN = 10
    NO_CERTIFICATE = 11
    NO_PROBE = 12
    ILL_CONDITIONED = 13
    BODIES_UNKNOWN = 14
    FEW_PROBES = 15


WHY_TEXT: dict[Why, str] = {
    Why.EVIDENCE: "",
    Why.NO_READING: "no reading",
    Why.INCOMPLETE: "too few readings in the window",
    Why.TOO_COARSE: "sampled too coarsely",
    Why.GAP: "a gap in the window",
    Why.SUSPECT: "reading suspect",
    Why.DISAGREES: "disagrees with its neighbours, which agree",
    Why.CONFLICT: "two values for one instant",
    Why.OUTSIDE_RANGE: "outside the calibrated range",
    Why.OVERDUE: "calibration overdue",
    Why.WITHDRAWN: "certificate withdrawn",
    Why.NO_CERTIFICATE: "no certificate in use",
    Why.NO_PROBE: "no probe at this place",
    Why.ILL_CONDITIONED: "the positions do not determine it",
    Why.BODIES_UNKNOWN: "the temperature of machine and parts is not known yet",
    Why.FEW_PROBES: "fewer probes than the rule requires",
}


@dataclass(frozen=True)
class RecordStart:
    """When the first reading of a zone was taken (ns), and the clock by which that is printed."""

    at_ns: int
    clock: ZoneInfo


def reason_text(why: Why, rule: Rule, start: RecordStart | None = None, until_ns: int = 0) -> str:
    """The reason in words; for a window also when it ends.

    start: of the record, for a window that ends at `until_ns`. Where it began within the window or after
    it, readings are missing because there were none yet, not because any were lost.

    A loss of 20 min breaks a window of 24 h for a day, though the room is fine:

    >>> from logger.model import Rule
    >>> day = Rule("bay.span", "bay", "span", "span in 24 h", "temperature", "K", None, 1.0, "", 0, None,
    ...            window_s=86_400)
    >>> reason_text(Why.GAP, day)
    'a gap of more than 2 h in the last 24 h; over when that lies 24 h back, or its readings are imported'
    >>> reason_text(Why.OVERDUE, day)
    'calibration overdue'
    """
    if why == Why.FEW_PROBES and (rule.need or rule.channels):
        return f"fewer than the {rule.need or len(rule.channels)} probes that the rule requires"
    if not rule.window_s or why not in (Why.INCOMPLETE, Why.GAP):
        return WHY_TEXT[why]
    window = _hours(rule.window_s)
    if start is not None and start.at_ns + rule.window_s * NS > until_ns:
        return _just_begun(start, rule.window_s)
    if why == Why.GAP:
        loss, lies = f"a gap of more than {_hours(rule.window_s / 12)} in", "that lies"
    else:
        loss, lies = (
            f"fewer than {percent(rule.completeness, 0)} of the readings of",
            "enough of the loss lies",
        )
    return f"{loss} the last {window}; over when {lies} {window} back, or its readings are imported"


def _just_begun(start: RecordStart, window_s: int) -> str:
    """What a record lacks that has just begun, and until when.

    >>> _just_begun(RecordStart(8 * 3600 * NS, ZoneInfo("UTC")), 3600)
    'readings began at 08:00; it needs 1 h of them and can be judged from 09:00 on if none are lost'
    """
    # In whole minutes, rounded up: at the minute that is named the window is whole.
    full_ns = -(-(start.at_ns + window_s * NS) // (60 * NS)) * 60 * NS
    begun, full = local(start.at_ns, start.clock), local(full_ns, start.clock)
    when = full.strftime("%H:%M" if full.date() == begun.date() else "%Y-%m-%d %H:%M")
    return (
        f"readings began at {begun:%H:%M}; it needs {_hours(window_s)} of them and can be judged "
        f"from {when} on if none are lost"
    )


def _hours(seconds: float) -> str:
    return f"{seconds / 3600:g} h" if seconds >= 3600 else f"{seconds / 60:g} min"
