"""Which verdicts another setup changes: of inspections that were registered, and of records that were issued.

Asked before a version is approved: a new certificate, what a calibration found, or a corrected entry
reach into the past. Nothing is stored by asking.
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
class Changed:
    """An inspection or an issued record whose verdict is another one under another setup."""

    what: str  # "inspection I-2601", "record 3"
    job: str  # title of the inspection, empty for a record
    zone: str
    from_ns: int
    to_ns: int
    was: str
    becomes: str

    @property
    def sentence(self) -> str:
        """As a person is told it."""
        return f"{self.what}: was {self.was}, now {self.becomes}"


@dataclass(frozen=True)
class _Asked:
    what: str
    job: str
    zone: str
    from_ns: int
    to_ns: int
    activity: str = ""


def changed_verdicts(store: Store, before: Setup, after: Setup, now_ns: int) -> list[Changed]:
    """Every registered inspection and issued record whose verdict or reason differs, in order of time."""
    touched = {zone: first_affected(before, after, zone) for zone in before.zones}
    was, becomes = Verdicts(store, before), Verdicts(store, after)
    found = []
    for asked in _asked(store, now_ns):
        first = touched.get(asked.zone)
        if first is None or asked.to_ns + REACH_NS < first:
            continue
        pair = _judged(was, asked, now_ns), _judged(becomes, asked, now_ns)
        if pair[0] != pair[1]:
            span = asked.zone, asked.from_ns, asked.to_ns
            found.append(Changed(asked.what, asked.job, *span, *pair))
    return found


def totals(changed: list[Changed]) -> dict[str, int]:
    """How many verdicts change in which way, as in {"stable -> not shown": 2}."""
    ways = [f"{c.was.split(' (')[0]} -> {c.becomes.split(' (')[0]}" for c in changed]
    return {way: ways.count(way) for way in dict.fromkeys(ways)}


def _asked(store: Store, now_ns: int) -> list[_Asked]:
    jobs = [
        _Asked(
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
    jobs += [_Asked(f"record {r.number}", "", r.zone, r.from_ns, r.to_ns) for r in rows]
    return sorted(jobs, key=lambda j: (j.from_ns, j.what))


def _judged(verdicts: Verdicts, asked: _Asked, now_ns: int) -> str:
    """Verdict and reason in words."""
    try:
        result = verdicts.check(
            asked.zone, asked.from_ns, asked.to_ns, now_ns, activity=asked.activity, alone=True
        )
    except (IntervalError, UnknownName):
        return "not judged"
    return _told(result)


def _told(result: Check) -> str:
    return f"{result.verdict} ({result.reason})"
