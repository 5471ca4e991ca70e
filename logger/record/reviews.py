"""Reviews: the act by which a person looked at the record of a day, a week or a month, and says so.

What was shown goes into the journal with the act (kind `review`), so that it is known later what could
have been seen. A day on which the room is used is reviewed by the end of the next such day, a week or a
month within seven days of its end: common practice, no source. Reviewing is asked for by ISO/IEC
17025:2017, 7.7.1 and 8.9; how often is the laboratory's own decision.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

from ..core.judge.judgement import digest
from ..errors import Refused
from ..instants import NS, local, parse, rfc3339, wall
from ..model import Excursion, Period, Setup
from ..model.entry_forms import ReviewEntry
from ..model.roles import Meaning
from ..people import People, sign

if TYPE_CHECKING:
    from ..store import JournalEntry, Store
    from ..verdicts.verdicts import Verdicts
    from .act_forms import ReviewFacts

KIND = "review"
Cadence = Literal["daily", "weekly", "monthly"]
CADENCES: tuple[Cadence, ...] = ("daily", "weekly", "monthly")
DAY = timedelta(days=1)
GRACE_DAYS = 7  # for a week or a month
_LABELS = {
    "daily": r"\d{4}-\d{2}-\d{2}",
    "weekly": r"\d{4}-W\d{2}",
    "monthly": r"\d{4}-\d{2}",
}


@dataclass(frozen=True)
class Review:
    """One review, as journal entry `number` holds it. `signed`: by password, not by a name alone."""

    number: int
    at_ns: int
    who: str
    cadence: str
    period: str
    from_ns: int
    to_ns: int
    zones: tuple[str, ...]
    comment: str
    signed: bool
    digest: str

    def to_dict(self) -> ReviewFacts:
        """As plain data."""
        return {
            "number": self.number,
            "who": self.who,
            "cadence": self.cadence,
            "period": self.period,
            "zones": list(self.zones),
            "comment": self.comment,
            "signed": self.signed,
            "digest": self.digest,
            "at": rfc3339(self.at_ns),
            "from": rfc3339(self.from_ns),
            "to": rfc3339(self.to_ns),
        }


@dataclass(frozen=True)
class Signer:
    """Who signs by password: the account, and the password as it was typed just now."""

    account: str
    password: str


def label_of(cadence: Cadence, day: date) -> str:
    """The period that holds a day, as ISO 8601 writes it.

    >>> [label_of(c, date(2027, 1, 1)) for c in CADENCES]
    ['2027-01-01', '2026-W53', '2027-01']
    """
    year, week, _ = day.isocalendar()
    return {"daily": day.isoformat(), "weekly": f"{year}-W{week:02d}", "monthly": f"{day:%Y-%m}"}[cadence]


def days_of(label: str) -> tuple[Cadence, date, date]:
    """Cadence, first day and the day after the last of a period; Refused where it is none.

    >>> days_of("2026-W53")
    ('weekly', datetime.date(2026, 12, 28), datetime.date(2027, 1, 4))
    """
    try:
        if re.fullmatch(_LABELS["daily"], label):
            day = date.fromisoformat(label)
            return "daily", day, day + DAY
        if re.fullmatch(_LABELS["weekly"], label):
            monday = date.fromisoformat(f"{label}-1")
            return "weekly", monday, monday + 7 * DAY
        if re.fullmatch(_LABELS["monthly"], label):
            first = date.fromisoformat(f"{label}-01")
            return "monthly", first, (first + 31 * DAY).replace(day=1)
    except ValueError:
        pass
    raise Refused(f"period {label!r}: expected a day 2026-10-19, a week 2026-W43 or a month 2026-10.")


def span_of(label: str, timezone: str) -> tuple[int, int]:
    """[from, to) of a period in the room's time."""
    _, first, after = days_of(label)
    zone = ZoneInfo(timezone)
    return parse(first.isoformat(), zone), parse(after.isoformat(), zone)


def review_content(store: Store, verdicts: Verdicts, label: str, now_ns: int) -> dict[str, Any]:
    """Content of a review: each zone's time by verdict and excursions, open alarms, head of the chain."""
    from ..acts.alarms import alarms_open

    from_ns, to_ns = span_of(label, verdicts.setup.room.timezone)
    end = min(to_ns, now_ns)
    zones = [
        _zone_content(verdicts, zone.key, from_ns, end, now_ns) for zone in _zones_at(verdicts.setup, from_ns)
    ]
    number, sha256 = store.journal.head()
    return {
        "period": label,
        "from": rfc3339(from_ns),
        "to": rfc3339(end),
        "zones": zones,
        "alarms": alarms_open(store),
        "head": {"number": number, "sha256": sha256},
    }


def _zones_at(setup: Setup, from_ns: int) -> list[Any]:
    return [zone for zone in setup.zones.values() if zone.to_ns is None or zone.to_ns > from_ns]


def _zone_content(verdicts: Verdicts, zone: str, from_ns: int, to_ns: int, now_ns: int) -> dict[str, Any]:
    periods = verdicts.periods(zone, from_ns, to_ns, now_ns) if to_ns > from_ns else []
    excursions = verdicts.excursions(zone, from_ns, to_ns, now_ns, refresh=False) if periods else []
    return {
        "zone": zone,
        "seconds": _seconds(periods),
        "without_record_s": (to_ns - from_ns) // NS - sum(_seconds(periods).values()),
        "excursions": [_beyond(e) for e in excursions],
    }


def _beyond(e: Excursion) -> dict[str, Any]:
    span = {"from": rfc3339(e.from_ns), "to": rfc3339(e.to_ns)}
    return {"rule": e.rule, **span, "worst": e.worst, "unit": e.unit}


def _seconds(periods: Sequence[Period]) -> dict[str, int]:
    spent = dict.fromkeys(("stable", "not stable", "not shown"), 0)
    for p in periods:
        spent[p.verdict] += (p.to_ns - p.from_ns) // NS
    return spent


def review(  # noqa: PLR0917 (of what, by whom, what is said: each is asked for by its place)
    store: Store,
    verdicts: Verdicts,
    label: str,
    who: str,
    comment: str,
    now_ns: int,
    signer: Signer | None = None,
) -> Review:
    """Record that a person reviewed a period; with `signer` signed by password, in one transaction.

    Refused for a period that is not over, that lies before the record, or that was reviewed before where
    no comment is given.
    """
    from_ns, to_ns = span_of(label, verdicts.setup.room.timezone)
    _refuse_unreviewable(verdicts, label, to_ns, comment, now_ns)
    for zone in _zones_at(verdicts.setup, from_ns):
        verdicts.prove(zone.key, now_ns)
    content = review_content(store, verdicts, label, now_ns)
    signed_content = {"review": label, "digest": digest(content)}
    with store.begin() as conn:
        signature = None
        if signer is not None:
            signature = sign(
                People(store),
                signer.account,
                signer.password,
                Meaning.REVIEWED,
                about=signed_content,
                conn=conn,
            )
            who = signature.person
        what: dict[str, Any] = {
            "cadence": days_of(label)[0],
            **signed_content,
            "from_ns": from_ns,
            "to_ns": to_ns,
        }
        what |= {"shown": content, "signature": signature.number if signature else None}
        entry = store.journal.append(KIND, who, what, comment.strip(), conn)
    return _review(entry)


def _refuse_unreviewable(verdicts: Verdicts, label: str, to_ns: int, comment: str, now_ns: int) -> None:
    store, zone = verdicts.store, ZoneInfo(verdicts.setup.room.timezone)
    if to_ns > now_ns:
        raise Refused(f"{label} ends on {wall(to_ns, zone)}; sign it after that.")
    extent = store.readings.extent()
    if extent is None or to_ns <= extent[0]:
        raise Refused(f"{label} lies before the record, which has nothing to review there.")
    before = [r for r in reviews(store) if r.period == label]
    if before and not comment.strip():
        raise Refused(f"{label} was reviewed by {before[-1].who}; say with a comment what is to be added.")


def reviews(store: Store) -> list[Review]:
    """Every review, oldest first."""
    return [_review(entry) for entry in store.journal.entries(kind=KIND)]


def covering(store: Store, zone: str, from_ns: int, to_ns: int | None = None) -> list[Review]:
    """Reviews of a zone that cover an instant, or touch [from, to)."""
    end = from_ns + 1 if to_ns is None else to_ns
    return [r for r in reviews(store) if zone in r.zones and r.from_ns < end and r.to_ns > from_ns]


def _review(entry: JournalEntry) -> Review:
    what = entry.read(ReviewEntry)
    return Review(
        entry.number,
        entry.at_ns,
        entry.who,
        what["cadence"],
        what["review"],
        what["from_ns"],
        what["to_ns"],
        tuple(zone["zone"] for zone in what["shown"]["zones"]),
        entry.why,
        what["signature"] is not None,
        what["digest"],
    )


def missing(store: Store, setup: Setup, cadences: Collection[str], now_ns: int) -> list[str]:
    """Periods whose review is due and was not made, oldest first, since the record was begun."""
    zone = ZoneInfo(setup.room.timezone)
    begun = store.journal.entries(limit=1)
    if not begun:
        return []
    first, today = local(begun[0].at_ns, zone).date(), local(now_ns, zone).date()
    reviewed = {r.period for r in reviews(store)}
    due = [
        label for cadence in CADENCES if cadence in cadences for label in _due(setup, cadence, first, today)
    ]
    return sorted((label for label in due if label not in reviewed), key=lambda label: days_of(label)[2])


def _due(setup: Setup, cadence: Cadence, first: date, today: date) -> Iterator[str]:
    if cadence == "daily":
        days = [d for d in _days(first, today) if works(setup, d)]
        # The last day that is over still has until the end of the next one.
        yield from (day.isoformat() for day, later in pairwise(days) if later < today)
        return
    for label in dict.fromkeys(label_of(cadence, day) for day in _days(first, today)):
        if days_of(label)[2] + GRACE_DAYS * DAY <= today:
            yield label


def _days(first: date, until: date) -> Iterator[date]:
    while first < until:
        yield first
        first += DAY


def works(setup: Setup, day: date) -> bool:
    """Whether any zone is used on a day; Monday to Friday where no hours of use are declared."""
    declared = [z.hours_of_use for z in setup.zones_now() if z.hours_of_use is not None]
    if not declared:
        return day.weekday() < 5
    return any(
        day.isoformat() not in hours.holidays
        and any(weekday == day.weekday() for weekday, _, _ in hours.weekly)
        for hours in declared
    )
