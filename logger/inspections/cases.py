"""Cases of a record: excursions grouped and numbered, each with what it affects and what is missing.

Nothing is judged here: the excursions are those of the stored verdicts. A case in use gets its number, and
one that changed a revision, when somebody looks at it or once an hour by the service, whichever is first.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from ..acts.case_book import CaseBook, CaseDecision, CaseWork, case_book
from ..acts.cases import Registration, decide_in, register
from ..acts.dispositions import Disposition, Findings, Span
from ..acts.inspections import inspections
from ..core.judge import cases as grouping
from ..core.judge.cases import Case, NumberedCase
from ..errors import IntervalError, Refused, UnknownName
from ..instants import NS, rfc3339
from ..model import Excursion, Inspection, Period, Setup
from ..verdicts.verdicts import Verdicts
from .case_record import CaseRecord
from .impact import Impact, JudgedBlocks, effects_of_each, settled_ns

MARGIN_NS = 2 * 86_400 * NS  # how far around an interval excursions are read at first
TRIES = 5  # to write numbers while others write about cases


def cases_in(
    verdicts: Verdicts,
    zone: str | None,
    from_ns: int,
    to_ns: int,
    now_ns: int,
    *,
    refresh: bool = True,
    write: bool = True,
) -> list[CaseRecord]:
    """Cases that touch [from, to), ascending; what is new or changed among them is numbered first.

    `write` False, or a record that is only read: nothing is written; a case without a number has none.
    """  # fmt: skip
    for key in [zone] if zone else list(verdicts.setup.zones):
        if refresh:
            verdicts.refresh(key, now_ns)
    for _ in range(TRIES):
        reading = _Reading(verdicts, now_ns)
        cases = reading.within(zone, from_ns, to_ns)
        if not write or verdicts.store.read_only:
            return cases
        changes = reading.changes(zone, from_ns, to_ns)
        if not changes:
            return cases
        register(verdicts.store, changes, reading.book)
    raise Refused("Others write about cases at this moment; nothing was changed. Try again.")


def all_cases(verdicts: Verdicts, now_ns: int, zone: str | None = None) -> list[CaseRecord]:
    """Every case of the record, ascending."""
    extent = verdicts.store.readings.extent()
    return [] if extent is None else cases_in(verdicts, zone, extent[0], max(now_ns, extent[0] + 1), now_ns)


def number_new(verdicts: Verdicts, now_ns: int, days: int = 40) -> None:
    """Number what is new or changed in the last days, without judging.

    All of the record where no case has a number yet.
    """
    first = not verdicts.store.journal.entries(kind="case", limit=1)
    extent = verdicts.store.readings.extent() if first else None
    from_ns = now_ns - days * 86_400 * NS if extent is None else extent[0]
    cases_in(verdicts, None, from_ns, now_ns, now_ns, refresh=False)


def case_of(verdicts: Verdicts, number: int, now_ns: int) -> CaseRecord:
    """The case of a number, also where it is continued in another one; Refused where it is void."""
    book = case_book(verdicts.store)
    numbered = {old.number: old for old in book.numbered()}
    if number not in numbered and not numbered:
        all_cases(verdicts, now_ns)
        book = case_book(verdicts.store)
        numbered = {old.number: old for old in book.numbered()}
    if number not in numbered:
        raise UnknownName("case", str(number), [str(n) for n in numbered])
    old = numbered[number]
    for record in cases_in(verdicts, old.zone, *old.span, now_ns):
        if number in record.case.numbers:
            return record
    why = case_book(verdicts.store).void().get(number)
    raise Refused(
        f"Case {number} is void since {rfc3339(why.at_ns)}: {why.why}." if why else f"No case {number}."
    )


def case_at(verdicts: Verdicts, zone: str, at_ns: int, now_ns: int) -> CaseRecord:
    """The case of a zone that an instant lies in, or begins within a minute of."""
    verdicts.setup.zone(zone)
    near = cases_in(verdicts, zone, at_ns - 60 * NS, at_ns + 60 * NS, now_ns)
    if not near:
        raise IntervalError(
            f"There is no excursion in zone {zone!r} at {rfc3339(at_ns)}; see `stillroom case list`."
        )
    return min(near, key=lambda r: max(r.case.from_ns - at_ns, at_ns - r.case.to_ns, 0))


def impacts_of(verdicts: Verdicts, record: CaseRecord, now_ns: int) -> list[Impact]:
    """Affected inspections, largest share of the tolerance first, each with its one decision."""
    return impacts_of_each(verdicts, [record], now_ns)[0]


def impacts_of_each(verdicts: Verdicts, records: Sequence[CaseRecord], now_ns: int) -> list[list[Impact]]:
    """`impacts_of` several cases, in their order; the inspections are read and judged once for all."""
    registered = inspections(verdicts.store) if any(r.affected for r in records) else []
    spans = [Span("case", c.zone, str(c.number), c.from_ns, c.to_ns) for c in (r.case for r in records)]
    affected = [_chosen(registered, record) for record in records]
    impacts = effects_of_each(verdicts, list(zip(spans, affected, strict=True)), now_ns)
    return [
        [replace(i, decided=_disposition(about, record.work.decisions.get(i.job.key))) for i in group]
        for about, record, group in zip(spans, records, impacts, strict=True)
    ]


def _chosen(registered: Sequence[Inspection], record: CaseRecord) -> list[Inspection]:
    keys = set(record.affected)
    return [job for job in registered if job.key in keys] if keys else []


def _disposition(about: Span, d: CaseDecision | None) -> Disposition | None:
    if d is None:
        return None
    words = (d.inspection, d.decision, d.customer, d.reason)
    return Disposition(d.entry, d.at_ns, d.who, about, Findings(), False, *words)


def decide_on_case(  # noqa: PLR0917 (what is decided on, when, and the words of the decision)
    verdicts: Verdicts, record: CaseRecord, key: str, words: Mapping[str, str], who: str, now_ns: int
) -> None:
    """Record the one decision on an affected inspection; `words`: decision, customer, reason."""
    if key not in record.affected:
        affected = ", ".join(record.affected) or "none"
        raise Refused(f"Case {record.number} does not affect inspection {key!r}; it affects: {affected}.")
    (impact,) = [i for i in impacts_of(verdicts, record, now_ns) if i.job.key == key]
    decide_in(verdicts.store, record.case, key, impact.verdict, who=who, **words)


class _Reading:
    """Cases as the stored verdicts and the journal give them at one moment."""

    def __init__(self, verdicts: Verdicts, now_ns: int) -> None:
        self.verdicts, self.now_ns = verdicts, now_ns
        self.book: CaseBook = case_book(verdicts.store)
        self._jobs = inspections(verdicts.store)
        self._joined = self.book.joined()
        self._settled: dict[grouping.Run, int] = {}
        self._judged = JudgedBlocks(verdicts, now_ns)
        self._revisions = {n.number: self.book.revision(n.number) for n in self.book.numbered()}

    def within(self, zone: str | None, from_ns: int, to_ns: int) -> list[CaseRecord]:
        """Cases of one zone or all that touch [from, to), with those that they are joined to."""
        zones = [zone] if zone else list(self.verdicts.setup.zones)
        cases = [case for key in zones for case in self._of_zone(key, from_ns, to_ns)]
        touching = [c for c in cases if c.from_ns < to_ns and c.to_ns > from_ns]
        joined = grouping.join(self._with_joined(touching), self._joined)
        records = [self._record(case) for case in joined]
        return sorted(records, key=lambda r: (r.case.from_ns, r.case.zone))

    def _with_joined(self, cases: list[Case]) -> list[Case]:
        """The cases with those that a person joined to one of them, wherever they lie."""
        numbers = {n for case in cases for n in case.numbers}
        linked = _linked(numbers, self._joined)
        for old in self.book.numbered():
            if old.number in linked - numbers:
                more = self._of_zone(old.zone, *old.span)
                cases = cases + [c for c in more if old.number in c.numbers]
                numbers |= {n for case in cases for n in case.numbers}
        return cases

    def _of_zone(self, zone: str, from_ns: int, to_ns: int) -> list[Case]:
        """Whole cases of a zone that touch an interval, and some around it, with their numbers."""
        gap_of, margin_ns = _gaps(self.verdicts.setup, zone), MARGIN_NS
        while True:
            ends = max(0, from_ns - margin_ns), to_ns + margin_ns
            excursions = self.verdicts.excursions(zone, *ends, self.now_ns, refresh=False)
            cases = grouping.group(excursions, gap_of, self.book.cuts(zone))
            inside = [c for c in cases if c.from_ns < to_ns and c.to_ns > from_ns]
            wide = all(
                ends[0] + MARGIN_NS / 2 <= c.from_ns and c.to_ns <= ends[1] - MARGIN_NS / 2 for c in inside
            )
            if wide or ends[0] == 0 or margin_ns > 400 * MARGIN_NS:
                break
            margin_ns *= 4
        numbered = [n for n in self.book.numbered(zone) if n.span[0] < ends[1] and n.span[1] > ends[0]]
        return grouping.give_numbers(cases, numbered)

    def _record(self, case: Case) -> CaseRecord:
        settled = {zone: self._settled_ns(case, zone) for zone in case.zones}
        until = {zone: self.verdicts.stored_until(zone) or 0 for zone in case.zones}
        running = any(e.to_ns >= until[e.zone] for e in case.runs)
        number = case.number
        return CaseRecord(
            case, self.book.work(case), settled, running, tuple(self._affected(case)),
            0 if number is None else self._revisions.get(number, 0),
        )  # fmt: skip

    def _settled_ns(self, case: Case, zone: str) -> int:
        """When a zone had recovered from a case."""
        return max(self._settled_after(e) for e in _last_runs(case, zone))

    def _settled_after(self, e: Excursion) -> int:
        run = e.rule, e.from_ns, e.to_ns
        if run not in self._settled:
            self._settled[run] = settled_ns(self._judged, self.verdicts.setup, e)
        return self._settled[run]

    def _affected(self, case: Case) -> list[str]:
        """Keys of the inspections that overlap a run or its settling, or whose pre-window a run overlaps."""
        runs = [
            e for e in case.runs if any(j.zone == e.zone and self._end_ns(j) > e.from_ns for j in self._jobs)
        ]
        ends = [(e, self._settled_after(e)) for e in runs]
        return [job.key for job in self._jobs if any(self._touches(e, end, job) for e, end in ends)]

    def _end_ns(self, job: Inspection) -> int:
        return self.now_ns if job.to_ns is None else job.to_ns

    def _touches(self, e: Excursion, settled: int, job: Inspection) -> bool:
        if job.zone != e.zone or self._end_ns(job) <= e.from_ns:
            return False
        before_ns = _zone_at(self.verdicts.setup, e).pre_window_s * NS
        return job.from_ns < settled or e.to_ns > job.from_ns - before_ns

    def changes(self, zone: str | None, from_ns: int, to_ns: int) -> Registration:
        """What is not in the journal yet: cases without a number, other bounds, excursions that vanished."""
        opened: list[Case] = []
        revised: list[tuple[int, Case, str, str]] = []
        void: list[NumberedCase] = []
        voided = self.book.void()
        for key in [zone] if zone else list(self.verdicts.setup.zones):
            cases, numbered = (
                self._of_zone(key, from_ns, to_ns),
                {n.number: n for n in self.book.numbered(key)},
            )
            matched = {n for case in cases for n in case.numbers}
            inside = [c for c in cases if c.from_ns < to_ns and c.to_ns > from_ns]
            opened += [c for c in inside if c.number is None and c.in_use]
            for case in inside:
                if case.number is not None and self._is_final(case):
                    revised += self._revision(case, numbered[case.number], case.number in voided)
            void += [
                old
                for number, old in numbered.items()
                if number not in matched
                and number not in voided
                and from_ns <= old.span[0] < old.span[1] <= to_ns
            ]
        return Registration(sorted(opened, key=lambda c: (c.from_ns, c.zone)), revised, void)

    def _is_final(self, case: Case) -> bool:
        """Whether a case is over and its readings are all there, as far as is known."""
        until = self.verdicts.stored_until(case.zone) or 0
        over = until - case.to_ns >= _gaps(self.verdicts.setup, case.zone)(case.to_ns)
        return over and not any(e.provisional for e in case.runs)

    def _revision(self, case: Case, old: NumberedCase, was_void: bool) -> list[tuple[int, Case, str, str]]:
        if case.keys == old.runs and not was_void:
            return []
        work = self.book.work(case)
        closed = work.closing is not None and not work.reopened
        reopened = self._reason_to_reopen(case, work) if closed else ""
        return [(old.number, case, _changed_words(case, old), reopened)]

    def _reason_to_reopen(self, case: Case, work: CaseWork) -> str:
        """Why a closed case is open again: something in it that no decision covers."""
        closed_rules = work.closing.rules if work.closing else frozenset()
        new = sorted({e.rule for e in case.runs if e.asks_disposition} - closed_rules)
        if new:
            return f"another rule was out of limits, too: {', '.join(new)}"
        record = self._record(case)
        if record.undecided:
            return f"inspections without a decision: {', '.join(record.undecided)}"
        worse = [
            f"{i.job.key} (was {i_before.verdict}, is {i.verdict})"
            for i in impacts_of(self.verdicts, record, self.now_ns)
            if (i_before := work.decisions[i.job.key]).verdict not in ("", i.verdict)
            and i.verdict != "stable"
        ]
        return f"another verdict than was decided on: {', '.join(worse)}" if worse else ""


def _linked(numbers: Iterable[int], joined: Mapping[int, int]) -> set[int]:
    """The numbers with all that are joined to them or that they are joined to."""
    linked = set(numbers)
    while True:
        more = {n for pair in joined.items() if linked.intersection(pair) for n in pair} - linked
        if not more:
            return linked
        linked |= more


def _gaps(setup: Setup, zone: str) -> Callable[[int], int]:
    """The gap of a zone in ns by instant, so that a change of the setup groups no older case anew."""
    setups = setup.by_settings()
    ends = [s.until_ns for s in setup.earlier]
    gaps = [grouping.gap_ns(s.zones.get(zone) or setup.zone(zone)) for s in setups]
    return lambda at_ns: gaps[bisect_right(ends, at_ns)]


def _zone_at(setup: Setup, e: Excursion) -> Any:
    then = setup.at(e.from_ns).zones
    return then.get(e.zone) or setup.zone(e.zone)


def _last_runs(case: Case, zone: str) -> list[Excursion]:
    """The run of each rule that ended last: only those can have the latest settling."""
    last: dict[str, Excursion] = {}
    for e in case.runs:
        if e.zone == zone and (e.rule not in last or e.to_ns > last[e.rule].to_ns):
            last[e.rule] = e
    return list(last.values())


def _changed_words(case: Case, old: NumberedCase) -> str:
    """What differs from the last description, in a sentence."""
    parts = []
    for word, now, before in (("begins", case.from_ns, old.span[0]), ("ends", case.to_ns, old.span[1])):
        if now != before:
            parts.append(f"{word} {rfc3339(now)}, was {rfc3339(before)}")
    if len(case.keys) != len(old.runs):
        parts.append(f"{len(case.keys)} runs, were {len(old.runs)}")
    return "; ".join(parts) or "bounds of single runs moved"


def lost_time(
    verdicts: Verdicts, records: Sequence[CaseRecord], zone: str | None, span: tuple[int, int], now_ns: int
) -> grouping.LostTime:
    """Time not stable in hours of use by cause, over one zone or all; causes and rest are the whole."""
    periods, used = figures_of(verdicts, zone, *span, now_ns)
    return grouping.lost_time([r.event for r in records], periods, used)


def figures_of(
    verdicts: Verdicts, zone: str | None, from_ns: int, to_ns: int, now_ns: int
) -> tuple[dict[str, list[Period]], dict[str, list[tuple[int, int]]]]:
    """Periods and hours of use of each zone in an interval."""
    from ..core.validity.hours_of_use import spans

    setup = verdicts.setup
    zones = [zone] if zone else list(setup.zones)
    periods = {key: verdicts.periods(key, from_ns, to_ns, now_ns, refresh=False) for key in zones}
    room = setup.room.timezone
    used = {key: spans(setup.zone(key).hours_of_use, room, from_ns, to_ns) for key in zones}
    return periods, used
