"""Disposal of sealed months, with what it takes along: nothing that is undecided leaves with its evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from ..acts.dispositions import book
from ..errors import Refused
from ..instants import rfc3339
from ..model import Excursion
from ..model.roles import Act
from ..people.authority import refuse_without_authority
from ..store.disposal import Disposal, DisposalRequest
from ..store.hot.tables import inspection
from . import issues

if TYPE_CHECKING:
    from ..store import Store
    from ..store.types import Seal
    from ..verdicts.verdicts import Verdicts


@dataclass(frozen=True)
class Losing:
    """What rests on readings that would go: excursions, undecided ones among them, inspections, records."""

    undecided: tuple[Excursion, ...]
    excursions: int
    inspections: tuple[str, ...]
    records: tuple[int, ...]

    def to_json(self) -> dict[str, Any]:
        """As the journal keeps it."""
        return {
            "excursions": self.excursions,
            "undecided": len(self.undecided),
            "inspections": list(self.inspections),
            "records": list(self.records),
        }


def dispose(
    verdicts: Verdicts, asked: DisposalRequest, now_ns: int, keep_years: int | None, *, dry_run: bool = False
) -> tuple[Disposal, Losing]:
    """Let whole sealed files go, and say what loses its readings; Refused, journalled, without authority.

    Where accounts exist, both people have one with a role that allows it. An excursion of those months that
    asks for a decision and has none holds them back; a dry run only tells of it.
    """
    store = verdicts.store
    going = [one for one in store.seals(disposed=False) if one.to_ns <= asked.before_ns]
    losing = _losing(verdicts, going, now_ns)
    against = _without_authority(store, asked) or ("" if dry_run else _undecided(losing))
    asked = replace(asked, against=against, losing=losing.to_json())
    return store.dispose(asked, now_ns, keep_years, dry_run=dry_run), losing


def _without_authority(store: Store, asked: DisposalRequest) -> str:
    for who, act in ((asked.who, Act.PROPOSE), (asked.approver, Act.APPROVE)):
        try:
            refuse_without_authority(store, who, act)
        except Refused as refused:
            return str(refused).removeprefix("Nothing was changed: ").rstrip(".")
    return ""


def _undecided(losing: Losing) -> str:
    if not losing.undecided:
        return ""
    first, count = losing.undecided[0], len(losing.undecided)
    one = f"one of {first.rule} in zone {first.zone} from {rfc3339(first.from_ns)}"
    return (
        f"{count} of the excursions in these months ask{'s' if count == 1 else ''} for a decision, such as"
        f" {one}; `stillroom excursion list --open` names all of them, `excursion note --close` decides"
    )


def _losing(verdicts: Verdicts, going: Sequence[Seal], now_ns: int) -> Losing:
    if not going:
        return Losing((), 0, (), ())
    store, decided = verdicts.store, book(verdicts.store)
    span = min(one.from_ns for one in going), max(one.to_ns for one in going)
    found = [e for e in verdicts.excursions(None, *span, now_ns) if _meets(going, e.from_ns, e.to_ns)]
    undecided = [e for e in found if e.asks_disposition and not _closed(decided.excursion(e))]
    with store.read() as conn:
        rows = conn.execute(select(inspection).order_by(inspection.c.from_ns)).all()
    jobs = [row.key for row in rows if _meets(going, row.from_ns, now_ns if row.to_ns is None else row.to_ns)]
    records = [one.number for one in issues(store) if _meets(going, one.from_ns, one.to_ns)]
    return Losing(tuple(undecided), len(found), tuple(jobs), tuple(records))


def _closed(decision: Any) -> bool:
    return decision is not None and bool(decision.closed)


def _meets(going: Sequence[Seal], from_ns: int, to_ns: int) -> bool:
    return any(from_ns < one.to_ns and to_ns > one.from_ns for one in going)
