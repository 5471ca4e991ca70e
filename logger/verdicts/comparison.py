"""Stored verdicts held against a judgement anew from the readings: what somebody edited shows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from ..core.judge.days import DAY_NS, UNREADABLE, DayVerdicts, split_into_days
from ..core.judge.settling import BodyState
from .head import HEAD, NEVER_NS, Head, LedgerComparison
from .lead import state_from_readings

if TYPE_CHECKING:
    from ..store.types import Seal
    from .ledger import Ledger

LONGEST_RECORD_DAYS = 40_000  # more, and the head that says so was altered


def compare_stored(ledger: Ledger, zone: str, span: tuple[int, int] | None = None) -> LedgerComparison:
    """Every stored day of a zone that can be judged anew, held against a judgement from its readings.

    What is still to be judged, or provisional, is left open; nothing stored is believed on the way.
    span: first and last day to compare; days before them are judged as far as these hang on them. Where
    days differ, that is said, and acted on, only after the whole record up to them says the same.
    """
    comparison = _compare(ledger, zone, span, by_lead=True)
    if span is None or not comparison.wrong:
        return comparison
    return _compare(ledger, zone, span, by_lead=False)


def _compare(ledger: Ledger, zone: str, span: tuple[int, int] | None, *, by_lead: bool) -> LedgerComparison:
    """by_lead: begin where the days before determine the state, else with the first day of all."""
    head = ledger.head(zone)
    if head is None or head.context != ledger.context:
        return LedgerComparison(0, 0, {}, ())
    first, last = _first_provable(ledger, zone, head), (head.until_ns - 1) // DAY_NS
    dirty_ns = ledger.dirty(zone, head.until_ns)[1]
    until_ns = head.until_ns if dirty_ns is None else dirty_ns // DAY_NS * DAY_NS
    if last - first > LONGEST_RECORD_DAYS:
        return LedgerComparison(first * DAY_NS, until_ns, {}, (HEAD,))
    wrong: dict[int, tuple[str, str]] = {}
    open_days: dict[int, tuple[str, str]] = {}
    if span is not None:
        last = min(last, span[1])
    first, last, state = _days_to_compare(ledger, zone, head, (first, last), span if by_lead else None)
    begin_ns = ledger.begins_ns(zone)
    begun_ns = begin_ns if begin_ns is not None and begin_ns // DAY_NS == first else None
    parts = ledger.judge_in_parts(zone, (first, last), state, head.until_ns, begun_ns)
    open_ns = until_ns
    for judgement, state, _ in parts if first <= last else ():
        open_ns = min(until_ns, ledger.open_from_ns(judgement))
        days = split_into_days(judgement, state)
        stored_days = ledger.cache.days(zone, min(days), max(days) + 1)
        for day, day_verdicts in days.items():
            fresh = (head.context, day_verdicts.to_text())
            stored = stored_days.get(day)
            if day * DAY_NS < until_ns and stored != fresh:
                final = (day + 1) * DAY_NS <= open_ns or not _alike_until(stored, fresh, open_ns)
                (wrong if final else open_days)[day] = fresh
    return LedgerComparison(
        first * DAY_NS, open_ns, wrong, tuple(_misplaced_days(ledger, zone, head)), open_days
    )


def _days_to_compare(
    ledger: Ledger, zone: str, head: Head, whole: tuple[int, int], span: tuple[int, int] | None
) -> tuple[int, int, BodyState]:
    """First and last day of a comparison, and the bodies' state before it, which nothing stored decides."""
    first, last = whole
    if span is not None and first < span[0] <= last:
        state = state_from_readings(ledger, zone, span[0], first, head.until_ns)
        if state is not None:
            return span[0], last, _with_last_rule(ledger, zone, span[0], state)
    return first, last, _state_at(ledger, zone, head, first)


def _with_last_rule(ledger: Ledger, zone: str, day: int, state: BodyState) -> BodyState:
    """With the rule that disturbed last as it is stored: it says something only while bodies settle."""
    try:
        stored = ledger.state_before(zone, day)
    except UNREADABLE:
        return state
    return state if state.rule or state.settling_s else replace(state, rule=str(stored.rule))


def _first_provable(ledger: Ledger, zone: str, head: Head) -> int:
    """The first day that can be judged anew: behind what was disposed of, and what looks back at it."""
    disposed = [seal.to_ns for seal in _disposed_seals(ledger)]
    if not disposed or max(disposed) <= head.first_day * DAY_NS:
        return head.first_day
    return -(-(max(disposed) + ledger.lookback_ns[zone]) // DAY_NS)


def _disposed_seals(ledger: Ledger) -> list[Seal]:
    present = {seal.number for seal in ledger.store.archive.seals(disposed=False)}
    return [seal for seal in ledger.store.archive.seals() if seal.number not in present]


def _state_at(ledger: Ledger, zone: str, head: Head, day: int) -> BodyState:
    """The bodies' state where a judgement anew begins: unknown, but behind what was disposed of."""
    return ledger.unknown_state(zone, day) if day <= head.first_day else ledger.state_before(zone, day)


def _misplaced_days(ledger: Ledger, zone: str, head: Head) -> Iterator[int]:
    """Stored days where nothing was judged; and the head, where it tells of what cannot be."""
    last = (head.until_ns - 1) // DAY_NS
    days = ledger.cache.days(zone, HEAD + 1, NEVER_NS // DAY_NS)
    yield from (day for day in days if not head.first_day <= day <= last)
    _, cursor = ledger.store.readings.arrived_after(-1)
    ahead = head.cursor > cursor or head.decided > ledger.store.decisions.newest()
    ends = head.until_ns <= head.first_day * DAY_NS or _until_ns(days.get(last)) == head.until_ns
    if ahead or not ends:
        yield HEAD


def _alike_until(stored: tuple[str, str] | None, fresh: tuple[str, str], open_ns: int) -> bool:
    """Whether two judgements of one day agree in all that is final, which ends at `open_ns`."""
    try:
        if stored is None or stored[0] != fresh[0]:
            return False
        return _final(stored[1], open_ns) == _final(fresh[1], open_ns)
    except UNREADABLE:
        return False


def _final(text: str, open_ns: int) -> tuple[object, ...]:
    day_verdicts = DayVerdicts.of_text(text)
    begin_trail = [p for p in day_verdicts.periods if p.from_ns < open_ns]
    ended = tuple(
        replace(p, provisional=False) if p.to_ns <= open_ns else replace(p, to_ns=open_ns, margin=None)
        for p in begin_trail
    )
    return ended, tuple(run for run in day_verdicts.runs if run.to_ns < open_ns), day_verdicts.state_in


def _until_ns(stored: tuple[str, str] | None) -> int | None:
    """The end of a stored day; None where nothing can be read."""
    try:
        return None if stored is None else DayVerdicts.of_text(stored[1]).periods[-1].to_ns
    except UNREADABLE:
        return None
