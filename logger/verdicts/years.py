"""A record judged anew year by year, from its readings alone: what a worker does, and what the room takes in.

Year y + 1 of a zone begins with the state in which y left the bodies; zones and rooms are independent.
Nothing that is stored is believed on the way, and a worker writes nothing: it reads, and gives texts back.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

from ..core.judge.days import DAY_NS, split_into_days
from ..core.judge.settling import BodyState
from ..core.validity.timeline import TimelineEntry, timeline
from ..instants import NS
from ..model import Setup
from ..store import Store
from .head import HEAD, Head
from .ledger import Ledger


@dataclass(frozen=True)
class YearTask:
    """The days first … last of a zone, of one year in UTC. begin_ns: the first reading of all, if in it."""

    zone: str
    year: int
    first: int
    last: int
    until_ns: int
    begin_ns: int | None = None


@dataclass(frozen=True)
class Basis:
    """What a judgement rests on besides readings; years of one record that differ in it are not stored."""

    context: str
    setup: int
    cursor: int
    decided: int
    timeline: tuple[str, ...]


@dataclass(frozen=True)
class JudgedYear:
    """What came out: day -> text as it is stored, the bodies' state at the end, and what it rests on."""

    task: YearTask
    days: Mapping[int, str]
    state: BodyState
    open_from_ns: int
    basis: Basis

    @property
    def digest(self) -> str:
        """SHA-256 over the days in order: equal wherever and however often it was judged."""
        whole = "\n".join(f"{day}:{text}" for day, text in sorted(self.days.items()))
        return hashlib.sha256(whole.encode()).hexdigest()


def year_tasks(ledger: Ledger, zone: str, now_ns: int) -> list[YearTask]:
    """The years of a zone that hold readings, in order; none where there are no readings before `now_ns`."""
    step_ns = ledger.setup.step_s * NS
    until_ns, begin_ns = now_ns // step_ns * step_ns, ledger.begins_ns(zone)
    head = ledger.head(zone)
    if head is not None and head.context == ledger.context:
        until_ns = min(until_ns, head.until_ns)  # what is not judged yet has not changed
    if begin_ns is None or begin_ns >= until_ns:
        return []
    first, last = begin_ns // DAY_NS, (until_ns - 1) // DAY_NS
    years = range(_year(first), _year(last) + 1)
    bounds = [first, *(_first_day(year) for year in years[1:]), last + 1]
    return [
        YearTask(zone, year, begin, end - 1, until_ns, begin_ns if begin == first else None)
        for year, (begin, end) in zip(years, pairwise(bounds), strict=True)
    ]


def judge_year(ledger: Ledger, task: YearTask, state: BodyState | None) -> JudgedYear:
    """Judge one task; `state`: in which the year before left the bodies, None at the begin of the record."""
    basis = basis_of(ledger, task.zone)
    state = ledger.unknown_state(task.zone, task.first) if state is None else state
    days: dict[int, str] = {}
    open_from_ns = task.until_ns
    parts = ledger.judge_in_parts(task.zone, (task.first, task.last), state, task.until_ns, task.begin_ns)
    for judgement, state_in, _ in parts:
        days |= {day: verdicts.to_text() for day, verdicts in split_into_days(judgement, state_in).items()}
        state = judgement.memory.states[judgement.grid.n]
        open_from_ns = ledger.open_from_ns(judgement)
    return JudgedYear(task, days, state, open_from_ns, basis)


def basis_of(ledger: Ledger, zone: str) -> Basis:
    """What the record would judge a zone by now."""
    store = ledger.store
    _, cursor = store.readings.arrived_after(-1)
    entries = timeline(ledger.setup, zone, ledger.marks())
    context, decided = ledger.context, store.decisions.newest()
    return Basis(context, ledger.setup.version, cursor, decided, tuple(map(json.dumps, entries)))


def changed_days(store: Store, judged: JudgedYear) -> list[int]:
    """Days of which something else is stored, or nothing."""
    task, context = judged.task, judged.basis.context
    stored = store.verdict_cache.days(task.zone, task.first, task.last + 1)
    return [day for day, text in judged.days.items() if stored.get(day) != (context, text)]


def take_in(store: Store, judged: JudgedYear) -> list[int]:
    """Store the days of a year that differ, in one transaction; gives which."""
    days = changed_days(store, judged)
    if days:
        context = judged.basis.context
        store.verdict_cache.put_days(judged.task.zone, {day: (context, judged.days[day]) for day in days})
    return days


def finish(store: Store, setup: Setup, years: Sequence[JudgedYear], *, changed: bool) -> bool:
    """Say how far the zone is judged, once its last year is stored; False where the record changed meanwhile.

    `years` need no days. What arrived since the first year was judged is judged again by the room's service.
    """
    first, last = years[0], years[-1]
    zone = first.task.zone
    ledger = Ledger(store, setup)
    bases = [year.basis for year in years] + [basis_of(ledger, zone)]
    if any(differs(basis, first.basis) for basis in bases):
        return False
    stored = ledger.head(zone)
    if not changed and stored is not None and stored.context == first.basis.context:
        return True
    cursor = min(basis.cursor for basis in bases)
    entries: list[TimelineEntry] = [json.loads(entry) for entry in first.basis.timeline]
    head = Head(
        first.basis.context, cursor, first.task.first, last.task.until_ns, last.open_from_ns, entries,
        first.basis.decided,
    )  # fmt: skip
    store.verdict_cache.put_days(zone, {HEAD: (head.context, json.dumps(vars(head)))})
    return True


def differs(basis: Basis, other: Basis) -> bool:
    """Whether two years rest on another setup, other marks, decisions or program; readings may be newer."""
    return (basis.context, basis.setup, basis.decided, basis.timeline) != (
        other.context, other.setup, other.decided, other.timeline,
    )  # fmt: skip


def _year(day: int) -> int:
    return datetime.fromtimestamp(day * 86_400, UTC).year


def _first_day(year: int) -> int:
    return int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) // 86_400
