"""Figures of a zone by day or by month: time by verdict, hours not stable in use, extremes of its air.

Counted from stored periods and cases as `review year` counts them, so that the sums are the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from ..core.validity.hours_of_use import overlap_ns, spans
from ..errors import IntervalError, Refused
from ..inspections.case_record import CaseRecord
from ..inspections.cases import lost_time
from ..instants import NS, parse
from ..verdicts.verdicts import Verdicts


@dataclass(frozen=True)
class SpanFigures:
    """One day or month of a zone. Seconds; temperatures of the air in degC, None without a reading.

    not_stable_in_use_s is the union over rules; limits: of the air temperature at the start.
    """

    label: str
    zone: str
    from_ns: int
    to_ns: int
    stable_s: int
    not_stable_s: int
    not_shown_s: int
    without_record_s: int
    in_use_s: int
    stable_in_use_s: int
    not_stable_in_use_s: int
    cases: int
    min_degC: float | None = None
    mean_degC: float | None = None
    max_degC: float | None = None
    U_K: float | None = None
    lower_degC: float | None = None
    upper_degC: float | None = None

    @property
    def recorded_s(self) -> int:
        """Seconds with a verdict."""
        return self.stable_s + self.not_stable_s + self.not_shown_s

    @property
    def stable_share(self) -> float | None:
        """Stable time over recorded time; None without a record."""
        return self.stable_s / self.recorded_s if self.recorded_s else None


def parts_of(label: str, timezone: str) -> tuple[tuple[int, int], list[tuple[str, int, int]]]:
    """[from, to) of a month 2026-10 or a year 2026 in the room's time, and its days or its months."""
    zone = ZoneInfo(timezone)
    try:
        if len(label) == 4:
            days = [date(int(label), month, 1) for month in range(1, 13)] + [date(int(label) + 1, 1, 1)]
            names = [f"{day:%Y-%m}" for day in days]
        else:
            first = date.fromisoformat(f"{label}-01")
            after = (first + timedelta(days=31)).replace(day=1)
            days = [first + timedelta(days=n) for n in range((after - first).days + 1)]
            names = [day.isoformat() for day in days]
    except ValueError:
        raise Refused(f"Expected a month 2026-10 or a year 2026, found {label!r}.") from None
    at = [parse(day.isoformat(), zone) for day in days]
    return (at[0], at[-1]), [(names[n], at[n], at[n + 1]) for n in range(len(days) - 1)]


def span_figures(
    verdicts: Verdicts,
    zone: str,
    parts: Sequence[tuple[str, int, int]],
    records: Sequence[CaseRecord],
    now_ns: int,
) -> Iterator[SpanFigures]:
    """The figures of each part; those that have not begun are left out."""
    verdicts.refresh(zone, now_ns)
    for label, from_ns, to_ns in parts:
        if from_ns < now_ns:
            yield _figures(verdicts, zone, (label, from_ns, min(to_ns, now_ns)), records, now_ns)


def _figures(
    verdicts: Verdicts,
    zone: str,
    part: tuple[str, int, int],
    records: Sequence[CaseRecord],
    now_ns: int,
) -> SpanFigures:
    label, from_ns, to_ns = part
    setup = verdicts.setup
    periods = verdicts.periods(zone, from_ns, to_ns, now_ns, refresh=False)
    hours = setup.zone(zone).hours_of_use
    used = spans(hours, setup.room.timezone, from_ns, to_ns)
    by_verdict = {word: [(p.from_ns, p.to_ns) for p in periods if p.verdict == word] for word in _WORDS}
    seconds = {word: sum(b - a for a, b in times) // NS for word, times in by_verdict.items()}
    lost = lost_time(verdicts, records, zone, (from_ns, to_ns), now_ns)
    recorded = [(p.from_ns, p.to_ns) for p in periods]
    begun = [
        r for r in records if r.case.in_use and zone in r.case.zones and from_ns <= r.case.from_ns < to_ns
    ]
    figures = SpanFigures(
        label=label,
        zone=zone,
        from_ns=from_ns,
        to_ns=to_ns,
        stable_s=seconds["stable"],
        not_stable_s=seconds["not stable"],
        not_shown_s=seconds["not shown"],
        without_record_s=(to_ns - from_ns) // NS - sum(seconds.values()),
        in_use_s=overlap_ns(recorded, used) // NS,
        stable_in_use_s=overlap_ns(by_verdict["stable"], used) // NS,
        not_stable_in_use_s=lost.not_stable_ns // NS,
        cases=len(begun),
    )
    return _with_air(verdicts, figures, now_ns) if periods else figures


_WORDS = ("stable", "not stable", "not shown")


def _with_air(verdicts: Verdicts, figures: SpanFigures, now_ns: int) -> SpanFigures:
    """Extremes and mean of the zone's air, weighted by readings, and the limits on it."""
    from dataclasses import replace

    try:
        rows = verdicts.statistics(figures.zone, figures.from_ns, figures.to_ns, now_ns)
    except IntervalError:
        return figures
    air = [r for r in rows if r.quantity == "temperature" and r.medium == "air" and r.mean is not None]
    limits = [
        r
        for r in verdicts.setup.rules_of(figures.zone)
        if r.kind == "limit" and r.quantity == "temperature" and "air" in r.media and r.holds(figures.from_ns)
    ]
    figures = replace(
        figures,
        lower_degC=limits[0].lower if limits else None,
        upper_degC=limits[0].upper if limits else None,
    )
    if not air:
        return figures
    readings = sum(r.readings for r in air)
    U = [r.U for r in air if r.U is not None]
    return replace(
        figures,
        min_degC=min(r.min for r in air if r.min is not None),
        max_degC=max(r.max for r in air if r.max is not None),
        mean_degC=sum((r.mean or 0.0) * r.readings for r in air) / readings,
        U_K=max(U, default=None),
    )
