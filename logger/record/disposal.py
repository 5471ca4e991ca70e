"""Disposal of sealed months, with what it takes along: nothing that is undecided leaves with its evidence."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from sqlalchemy import select

from ..errors import Refused
from ..inspections.case_record import CaseRecord
from ..inspections.cases import cases_in
from ..instants import local, rfc3339
from ..model.roles import Act
from ..people.authority import refuse_without_authority
from ..store.disposal import Disposal, DisposalRequest
from ..store.hot.tables import inspection
from .issues import issues
from .reviews import days_of, label_of, reviews

if TYPE_CHECKING:
    from ..store import Store
    from ..store.types import Seal
    from ..verdicts.verdicts import Verdicts


@dataclass(frozen=True)
class Losses:
    """What loses its readings in a disposal: cases, excursions, inspections, records.

    undecided: those cases that are not closed; unreviewed: local months, as 2016-01, with a day that
    no review covers. Both hold the months back.
    """

    cases: tuple[CaseRecord, ...]
    undecided: tuple[CaseRecord, ...]
    unreviewed: tuple[str, ...]
    excursions: int
    inspections: tuple[str, ...]
    records: tuple[int, ...]

    def to_dict(self) -> dict[str, Any]:
        """As the journal keeps it."""
        return {
            "excursions": self.excursions,
            "undecided": len(self.undecided),
            "cases": [record.number for record in self.cases],
            "open_cases": [record.number for record in self.undecided],
            "unreviewed": list(self.unreviewed),
            "inspections": list(self.inspections),
            "records": list(self.records),
        }


def dispose(
    verdicts: Verdicts,
    request: DisposalRequest,
    now_ns: int,
    keep_years: int | None,
    *,
    cadences: Collection[str],
    dry_run: bool = False,
) -> tuple[Disposal, Losses]:
    """Dispose of whole sealed files and list what loses its readings; Refused, journalled, without authority.

    Where accounts exist, both people have one with a role that allows it. A case of those months that is
    not closed holds them back, and so does a day without a review where `cadences` asks for any; a dry run
    only reports it.
    """
    store = verdicts.store
    going = [seal for seal in store.archive.seals(disposed=False) if seal.to_ns <= request.before_ns]
    losing = _losses(verdicts, going, now_ns, cadences)
    held = "" if dry_run else _undecided_refusal(losing) or _unreviewed_refusal(losing)
    against = _without_authority(store, request) or held
    request = replace(request, against=against, losing=losing.to_dict())
    return store.dispose(request, now_ns, keep_years, dry_run=dry_run), losing


def _without_authority(store: Store, request: DisposalRequest) -> str:
    for who, act in ((request.who, Act.PROPOSE), (request.approver, Act.APPROVE)):
        try:
            refuse_without_authority(store, who, act)
        except Refused as refused:
            return str(refused).removeprefix("Nothing was changed: ").rstrip(".")
    return ""


def _undecided_refusal(losing: Losses) -> str:
    if not losing.undecided:
        return ""
    first, count = losing.undecided[0], len(losing.undecided)
    example = f"case {first.number} in zone {first.case.zone} from {rfc3339(first.case.from_ns)}"
    return (
        f"{count} of the cases in these months {'is' if count == 1 else 'are'} not closed, such as {example};"
        " `stillroom case list --open` names all of them, `case close` closes one"
    )


def _unreviewed_refusal(losing: Losses) -> str:
    if not losing.unreviewed:
        return ""
    first, count = losing.unreviewed[0], len(losing.unreviewed)
    return (
        f"{count} of these months {'was' if count == 1 else 'were'} not reviewed whole, such as {first}; "
        f"`stillroom review sign {first}` reviews it"
    )


def _losses(verdicts: Verdicts, going: Sequence[Seal], now_ns: int, cadences: Collection[str]) -> Losses:
    if not going:
        return Losses((), (), (), 0, (), ())
    store = verdicts.store
    span = min(item.from_ns for item in going), max(item.to_ns for item in going)
    cases = [
        r
        for r in cases_in(verdicts, None, *span, now_ns)
        if _overlaps_any(going, r.case.from_ns, r.case.to_ns)
    ]
    excursions = [e for r in cases for e in r.case.runs if _overlaps_any(going, e.from_ns, e.to_ns)]
    undecided = [r for r in cases if r.waits]
    with store.read() as conn:
        rows = conn.execute(select(inspection).order_by(inspection.c.from_ns)).all()
    inspection_keys = [
        row.key
        for row in rows
        if _overlaps_any(going, row.from_ns, now_ns if row.to_ns is None else row.to_ns)
    ]
    records = [item.number for item in issues(store) if _overlaps_any(going, item.from_ns, item.to_ns)]
    unreviewed = _unreviewed_months(verdicts, span) if cadences else ()
    return Losses(
        tuple(cases), tuple(undecided), unreviewed, len(excursions), tuple(inspection_keys), tuple(records)
    )


def _unreviewed_months(verdicts: Verdicts, span: tuple[int, int]) -> tuple[str, ...]:
    """Local months with a day of readings that no review covers, of whatever cadence."""
    store, zone = verdicts.store, ZoneInfo(verdicts.setup.room.timezone)
    extent = store.readings.extent()
    if extent is None:
        return ()
    day, last = (local(ns, zone).date() for ns in (max(span[0], extent[0]), min(span[1], extent[1] + 1) - 1))
    covered = {d for r in reviews(store) for d in _days_of(r.period)}
    days = [day + timedelta(days=n) for n in range((last - day).days + 1)]
    return tuple(dict.fromkeys(label_of("monthly", d) for d in days if d not in covered))


def _days_of(label: str) -> Iterator[date]:
    _, first, after = days_of(label)
    return (first + timedelta(days=n) for n in range((after - first).days))


def _overlaps_any(going: Sequence[Seal], from_ns: int, to_ns: int) -> bool:
    return any(from_ns < seal.to_ns and to_ns > seal.from_ns for seal in going)
