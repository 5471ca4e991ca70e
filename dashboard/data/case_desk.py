"""Cases for the pages: the list, one case with what it affects, and people's acts on it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from logger.acts.case_book import case_book
from logger.acts.case_drafts import Draft, drafts_of, forget_drafts, save_draft
from logger.acts.cases import close, join_cases, note, part_case, review_effect
from logger.core.judge.cases import BeforeAfter, Case, LostTime, before_after, repeated
from logger.inspections.case_record import CaseRecord
from logger.inspections.case_timeline import Happening, case_timeline
from logger.inspections.cases import (
    all_cases,
    case_at,
    case_of,
    cases_in,
    decide_on_case,
    figures_of,
    impacts_of,
    lost_time,
)
from logger.inspections.impact import Impact
from logger.instants import NS
from logger.verdicts.current import Current

if TYPE_CHECKING:
    from .queries import Queries

DAY_NS = 86_400 * NS


class CaseDesk:
    """Cases of one record. Judging is one at a time, as everywhere on the pages."""

    def __init__(self, current: Current) -> None:
        self._current, self._store = current, current.store

    def all(self, now_ns: int) -> list[CaseRecord]:
        """Every case of the record, ascending; a record without a setup has none."""
        if not self._store.setups.versions():
            return []
        with self._current.judging:
            return all_cases(self._current.verdicts, now_ns)

    def recent(self, now_ns: int, days: int) -> list[CaseRecord]:
        """Cases of the last days as they are stored; nothing is judged or written for it."""
        if not self._store.setups.versions():
            return []
        span = max(0, now_ns - days * DAY_NS), now_ns
        with self._current.judging:
            return cases_in(self._current.verdicts, None, *span, now_ns, refresh=False, write=False)

    def case(self, number: int, now_ns: int) -> CaseRecord:
        """The case of a number."""
        with self._current.judging:
            return case_of(self._current.verdicts, number, now_ns)

    def at(self, zone: str, at_ns: int, now_ns: int) -> CaseRecord:
        """The case of a zone at an instant."""
        with self._current.judging:
            return case_at(self._current.verdicts, zone, at_ns, now_ns)

    def impacts(self, record: CaseRecord, now_ns: int) -> list[Impact]:
        """Affected inspections, the largest share of the tolerance first."""
        with self._current.judging:
            return impacts_of(self._current.verdicts, record, now_ns)

    def timeline(self, record: CaseRecord) -> list[Happening]:
        """What happened, in order of time."""
        return case_timeline(self._store, self._current.setup, record)

    def drafts(self, record: CaseRecord, account: str) -> dict[str, Draft]:
        """What a person typed and has not written down."""
        return {} if record.number is None else drafts_of(self._store, record.number, account)

    def save_draft(self, number: int, field: str, account: str, *, text: str, now_ns: int) -> None:
        """Keep what is being typed."""
        save_draft(self._store, number, field, account, text=text, now_ns=now_ns)

    def write(self, number: int, texts: Mapping[str, str], who: str, account: str, now_ns: int) -> None:
        """Write texts down and forget the drafts of them."""
        note(self._store, self.case(number, now_ns).case, texts, who)
        forget_drafts(self._store, number, account)

    def decide(self, number: int, key: str, words: Mapping[str, str], who: str, now_ns: int) -> None:
        """Decide on an affected inspection: decision, customer, reason."""
        record = self.case(number, now_ns)
        with self._current.judging:
            decide_on_case(self._current.verdicts, record, key, words, who, now_ns)

    def close(self, number: int, who: str, now_ns: int) -> None:
        """Close a case; Refused with what is missing."""
        record = self.case(number, now_ns)
        close(self._store, record.case, who, running=record.running, undecided=record.undecided)

    def effect_days(self) -> dict[int, str]:
        """Number of a case -> ISO 8601 day on which its corrective action is still to be reviewed."""
        return {number: day.text for number, day in case_book(self._store).effect_days().items()}

    def review_effect(self, number: int, text: str, who: str, now_ns: int) -> None:
        """Write down what the review of a corrective action's effect showed."""
        review_effect(self._store, self.case(number, now_ns).case, text, who)

    def join(self, number: int, other: int, who: str, why: str, now_ns: int) -> int:
        """Join two cases of one cause; returns the lower number, which both have now."""
        first, second = self.case(number, now_ns), self.case(other, now_ns)
        join_cases(self._store, first.case, second.case, who, why)
        return min(number, other)

    def part(self, number: int, joined: int, at_ns: int | None, *, who: str, why: str, now_ns: int) -> int:
        """Part a case at a time in ns, or undo the join of the number `joined`; returns `number`."""
        clock, case = ZoneInfo(self._current.setup.room.timezone), self.case(number, now_ns).case
        part_case(self._store, case, joined, at_ns, who=who, why=why, clock=clock)
        return number

    def figures(
        self, records: list[CaseRecord], span: tuple[int, int], now_ns: int
    ) -> tuple[LostTime, list[Case]]:
        """Time not stable in use by cause over an interval, and cases that came back."""
        with self._current.judging:
            lost = lost_time(self._current.verdicts, records, None, span, now_ns)
        return lost, repeated([r.event for r in records])

    def before_after(self, at_ns: int, now_ns: int) -> list[BeforeAfter]:
        """Each zone in the 30 days before a corrective action and after it."""
        span = max(0, at_ns - 31 * DAY_NS), min(now_ns, at_ns + 31 * DAY_NS)
        with self._current.judging:
            verdicts = self._current.verdicts
            cases = [r.case for r in cases_in(verdicts, None, *span, now_ns)]
            periods, used = figures_of(verdicts, None, *span, now_ns)
        return [before_after(z, cases, periods[z], used[z], at_ns=at_ns, now_ns=now_ns) for z in periods]


def desk(q: Queries) -> CaseDesk:
    """The cases behind a page: judged by what judges for the pages, where they have one."""
    current: Current | None = getattr(q.source, "current", None)
    return CaseDesk(current or Current(q.source.store))
