"""Verdicts of registered inspections and issued records that another setup would change.

Computed before a version is approved: a new certificate, an as-found result or a corrected entry
reach into the past. Nothing is stored.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select

from ..acts.inspections import inspections
from ..core.measurement.check import Check
from ..core.validity.timeline import first_affected
from ..errors import IntervalError, UnknownName
from ..instants import NS
from ..model import Setup
from ..store import Store
from ..store.hot import tables
from ..verdicts.verdicts import Verdicts

# A reading after an interval can still change its last minutes: doubt is lifted by what follows.
REACH_NS = 24 * 3600 * NS


@dataclass(frozen=True)
class ChangedVerdict:
    """An inspection or issued record whose verdict changes under another setup."""

    what: str  # "inspection I-2601", "record 3"
    job: str  # title of the inspection, empty for a record
    zone: str
    from_ns: int
    to_ns: int
    was: str
    becomes: str

    @property
    def sentence(self) -> str:
        """The change in one sentence."""
        return f"{self.what}: was {self.was}, now {self.becomes}"


@dataclass(frozen=True)
class _JudgedInterval:
    what: str
    job: str
    zone: str
    from_ns: int
    to_ns: int
    activity: str = ""


def changed_verdicts(store: Store, before: Setup, after: Setup, now_ns: int) -> list[ChangedVerdict]:
    """Every registered inspection and issued record whose verdict or reason differs, in order of time."""
    first_change = {zone: first_affected(before, after, zone) for zone in before.zones}
    was, becomes = Verdicts(store, before), Verdicts(store, after)
    changed = []
    for interval in _judged_intervals(store, now_ns):
        first = first_change.get(interval.zone)
        if first is None or interval.to_ns + REACH_NS < first:
            continue
        pair = _verdict_text(was, interval, now_ns), _verdict_text(becomes, interval, now_ns)
        if pair[0] != pair[1]:
            span = interval.zone, interval.from_ns, interval.to_ns
            changed.append(ChangedVerdict(interval.what, interval.job, *span, *pair))
    return changed


def _judged_intervals(store: Store, now_ns: int) -> list[_JudgedInterval]:
    intervals = [
        _JudgedInterval(
            f"inspection {j.key}",
            j.title,
            j.zone,
            j.from_ns,
            now_ns if j.to_ns is None else j.to_ns,
            j.activity,
        )
        for j in inspections(store)
    ]
    t = tables.issue
    with store.read() as conn:
        rows = conn.execute(select(t.c.number, t.c.zone, t.c.from_ns, t.c.to_ns).order_by(t.c.number)).all()
    intervals += [_JudgedInterval(f"record {r.number}", "", r.zone, r.from_ns, r.to_ns) for r in rows]
    return sorted(intervals, key=lambda j: (j.from_ns, j.what))


def _verdict_text(verdicts: Verdicts, interval: _JudgedInterval, now_ns: int) -> str:
    """Verdict and reason in words."""
    try:
        result = verdicts.check(
            interval.zone, interval.from_ns, interval.to_ns, now_ns, activity=interval.activity, alone=True
        )
    except (IntervalError, UnknownName):
        return "not judged"
    return _in_words(result)


def _in_words(result: Check) -> str:
    return f"{result.verdict} ({result.reason})"
