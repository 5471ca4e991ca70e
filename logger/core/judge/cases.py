"""Cases: excursions that belong to one event, the numbers they have, and the time that each event cost.

Excursions of a zone that overlap, or lie closer together than the zone's gap, are one case. Numbers stand
in the journal; here a case of today's judgement is matched with those that were numbered before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

from ...instants import NS
from ...model import Excursion, Period, Zone
from ..validity.hours_of_use import Span, overlap_ns

LEAST_GAP_S, LARGEST_GAP_S = 1800, 4 * 3600  # common practice, no source
REPEATS, WITHIN_NS = 3, 30 * 86_400 * NS  # common practice, no source
NOT_NAMED, REST = "no cause yet", "no case"

Run = tuple[str, int, int]  # rule, from and to in ns


@dataclass(frozen=True)
class NumberedCase:
    """A case as the journal last described it; `decided_ns`: when somebody first decided something in it."""

    number: int
    zone: str
    runs: tuple[Run, ...]
    decided_ns: int | None = None

    @property
    def span(self) -> Span:
        """From the begin of the first run to the end of the last, in ns."""
        return min(begin for _, begin, _ in self.runs), max(end for _, _, end in self.runs)


@dataclass(frozen=True)
class Case:
    """Excursions of one event, ascending; `number` None: not numbered.

    `continued`: numbers of cases that grew together with this one, or that a person joined to it.
    """

    runs: tuple[Excursion, ...]
    number: int | None = None
    continued: tuple[int, ...] = ()

    @property
    def zone(self) -> str:
        """The zone in which it began."""
        return self.runs[0].zone

    @property
    def zones(self) -> tuple[str, ...]:
        """Its zones, in the order in which it reached them."""
        return tuple(dict.fromkeys(e.zone for e in self.runs))

    @property
    def from_ns(self) -> int:
        """Begin of the first run."""
        return self.runs[0].from_ns

    @property
    def to_ns(self) -> int:
        """End of the last run."""
        return max(e.to_ns for e in self.runs)

    @property
    def numbers(self) -> tuple[int, ...]:
        """Every number that it has or had, its own first."""
        return () if self.number is None else (self.number, *self.continued)

    @property
    def in_use(self) -> bool:
        """Whether it asks for a decision: it lies in hours of use, or an inspection is affected."""
        return any(e.asks_disposition for e in self.runs)

    @property
    def keys(self) -> tuple[Run, ...]:
        """Its runs as the journal names them."""
        return tuple((e.rule, e.from_ns, e.to_ns) for e in self.runs)


def gap_ns(zone: Zone) -> int:
    """How far apart excursions of a zone may lie and still be one case.

    Declared in the zone, else its settling time, but half an hour at least and four hours at most.
    """
    settling_s = min(max(zone.settling_s, LEAST_GAP_S), LARGEST_GAP_S)
    return (settling_s if zone.case_gap_s is None else zone.case_gap_s) * NS


def group(
    excursions: Iterable[Excursion], gap_of: Callable[[int], int], cuts: Sequence[int] = ()
) -> list[Case]:
    """Cases of the excursions of one zone, ascending.

    `gap_of`: instant -> gap in ns in force then. A run that begins at one of the `cuts` or later is not of
    one case with what began before it.
    """
    groups: list[list[Excursion]] = []
    end_ns = 0
    for e in sorted(excursions, key=lambda e: (e.from_ns, e.to_ns, e.rule)):
        near = bool(groups) and (e.from_ns < end_ns or e.from_ns - end_ns < gap_of(end_ns))
        if near and not any(groups[-1][0].from_ns < cut <= e.from_ns for cut in cuts):
            groups[-1].append(e)
            end_ns = max(end_ns, e.to_ns)
        else:
            groups.append([e])
            end_ns = e.to_ns
    return [Case(tuple(runs)) for runs in groups]


def give_numbers(cases: Sequence[Case], numbered: Sequence[NumberedCase]) -> list[Case]:
    """The cases of one zone, each with the number that it had before; None where it had none.

    A number stays with the case that shares runs of the same rule with it, else with one that overlaps it.
    Of several cases the one that somebody decided on first counts, as far as the journal knows, else the
    earliest; of several numbers the lowest, and the others are continued in it.
    """
    holders: dict[int, list[int]] = {}
    for old in sorted(numbered, key=lambda old: old.number):
        places = [i for i, case in enumerate(cases) if _shares_run(case, old)]
        places = places or [i for i, case in enumerate(cases) if _overlaps(case, old)]
        if places:
            free = [i for i in places if i not in holders]
            holders.setdefault((free or places)[0], []).append(old.number)
    return [_with_numbers(case, holders.get(i, [])) for i, case in enumerate(cases)]


def _with_numbers(case: Case, numbers: Sequence[int]) -> Case:
    return Case(case.runs, *((numbers[0], tuple(numbers[1:])) if numbers else ()))


def _shares_run(case: Case, old: NumberedCase) -> bool:
    return any(
        rule == run[0] and begin < run[2] and run[1] < end
        for rule, begin, end in case.keys
        for run in old.runs
    )


def _overlaps(case: Case, old: NumberedCase) -> bool:
    return case.from_ns < old.span[1] and old.span[0] < case.to_ns


def join(cases: Sequence[Case], joined: Mapping[int, int]) -> list[Case]:
    """Cases with those that a person joined made one; `joined`: number -> number that it was joined to."""
    by_number = {number: case for case in cases for number in case.numbers}
    members: dict[int, list[Case]] = {}
    for case in cases:
        lead = by_number.get(_lead(case, joined), case)
        members.setdefault(id(lead), [lead]).extend([case] if case is not lead else [])
    return [_union(parts) for parts in members.values()]


def _lead(case: Case, joined: Mapping[int, int]) -> int:
    """The number that the first of a case's numbers was joined to, over any number of steps; -1: none."""
    for number in case.numbers:
        lead, passed = number, {number}
        while lead in joined and joined[lead] not in passed:
            lead = joined[lead]
            passed.add(lead)
        if lead != number:
            return lead
    return -1


def _union(parts: Sequence[Case]) -> Case:
    runs = sorted((e for case in parts for e in case.runs), key=lambda e: (e.from_ns, e.to_ns, e.rule))
    others = [number for case in parts for number in case.numbers]
    lead = parts[0].number
    return Case(tuple(runs), lead, tuple(sorted(n for n in others if n != lead)))


@dataclass(frozen=True)
class Event:
    """A case with what figures need: its cause, and where the air and bodies had recovered in each zone."""

    case: Case
    cause: str
    settled_ns: Mapping[str, int]  # zone -> instant


@dataclass(frozen=True)
class CauseTime:
    """How many cases one cause had, and for how long the room was not stable by them, in ns."""

    cause: str
    cases: int
    lost_ns: int


@dataclass(frozen=True)
class LostTime:
    """Time not stable in hours of use, and its parts by cause, the largest first."""

    not_stable_ns: int
    causes: tuple[CauseTime, ...]

    @property
    def rest_ns(self) -> int:
        """What no case explains, such as settling after a gap."""
        return self.not_stable_ns - sum(c.lost_ns for c in self.causes)


def lost_time(
    events: Sequence[Event], periods: Mapping[str, Sequence[Period]], used: Mapping[str, Sequence[Span]]
) -> LostTime:
    """Time not stable in use, by cause: the union over rules, each instant counted once.

    A case lasts until its zone has settled; what several cover is the time of the one that began last.
    `periods` and `used` by zone, both ascending; causes, what is not named and the rest are the whole.
    """
    bad = {zone: list(_bad_spans(periods[zone], used[zone])) for zone in periods}
    asking = [event for event in events if event.case.in_use]
    by_cause = {event.cause: [0, 0] for event in asking}
    for event in asking:
        by_cause[event.cause][0] += 1
    for zone, spans in bad.items():
        for cause, extent in _extents([e for e in asking if zone in e.case.zones], zone):
            by_cause[cause][1] += overlap_ns(spans, [extent])
    whole = sum(end - begin for spans in bad.values() for begin, end in spans)
    causes = [CauseTime(cause, cases, lost) for cause, (cases, lost) in by_cause.items()]
    return LostTime(whole, tuple(sorted(causes, key=lambda c: (-c.lost_ns, c.cause))))


def _bad_spans(periods: Sequence[Period], used: Sequence[Span]) -> Iterator[Span]:
    """Time not stable within hours of use, as intervals that do not overlap."""
    for p in periods:
        if p.verdict == "not stable":
            for begin, end in used:
                if begin < p.to_ns and end > p.from_ns:
                    yield max(begin, p.from_ns), min(end, p.to_ns)


def _extents(events: Sequence[Event], zone: str) -> Iterator[tuple[str, Span]]:
    """Cause and time of each case in a zone, until it has settled, without what a later case covers."""
    later: list[Span] = []
    for event in sorted(events, key=lambda event: _begin_ns(event, zone), reverse=True):
        begin, end = _begin_ns(event, zone), event.settled_ns[zone]
        for piece in _outside((begin, end), later):
            yield event.cause, piece
        later = sorted(
            [(begin, max([end, *(b for a, b in later if a <= end)])), *(s for s in later if s[0] > end)]
        )


def _begin_ns(event: Event, zone: str) -> int:
    return min(e.from_ns for e in event.case.runs if e.zone == zone)


def _outside(span: Span, covered: Sequence[Span]) -> Iterator[Span]:
    """Parts of a span outside of others, which are ascending and do not overlap."""
    begin, end = span
    for a, b in covered:
        if begin < min(a, end):
            yield begin, min(a, end)
        begin = max(begin, b)
    if begin < end:
        yield begin, end


def repeated(events: Sequence[Event]) -> list[Case]:
    """Cases in use that are at least the third of one cause in their zone within 30 days, ascending."""
    named = [e for e in events if e.case.in_use and e.cause not in (NOT_NAMED, "")]
    ordered = sorted(named, key=lambda e: (e.case.zone, e.cause, e.case.from_ns))
    repeats = []
    for _, of_cause in groupby(ordered, key=lambda e: (e.case.zone, e.cause)):
        cases = [e.case for e in of_cause]
        windows = zip(cases, cases[REPEATS - 1 :], strict=False)
        repeats += [last for first, last in windows if last.from_ns - first.from_ns <= WITHIN_NS]
    return sorted(repeats, key=lambda case: case.from_ns)


@dataclass(frozen=True)
class BeforeAfter:
    """Cases and hours not stable, both in use, of a zone: as many days before an action as after it."""

    zone: str
    days: float
    before: int
    before_h: float
    after: int
    after_h: float


def before_after(
    zone: str, cases: Sequence[Case], periods: Sequence[Period], used: Sequence[Span], *,
    at_ns: int, now_ns: int,
) -> BeforeAfter:  # fmt: skip
    """What a corrective action did in a zone: equal times on each side, no longer than has passed since."""
    reach = min(WITHIN_NS, max(0, now_ns - at_ns))
    bad = list(_bad_spans(periods, used))
    mine = [case.from_ns for case in cases if case.in_use and zone in case.zones]
    figures: list[float] = []
    for begin, end in pairwise((at_ns - reach, at_ns, at_ns + reach)):
        figures.append(sum(begin <= from_ns < end for from_ns in mine))
        figures.append(overlap_ns(bad, [(begin, end)]) / NS / 3600)
    return BeforeAfter(zone, reach / NS / 86_400, int(figures[0]), figures[1], int(figures[2]), figures[3])
