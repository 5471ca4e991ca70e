"""Records that were issued: the list of them, each with its files, and the amendment of one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import Refused
from ..instants import rfc3339
from .names import Names, Proven

if TYPE_CHECKING:
    from ..model import TemperatureUnit
    from ..store import Store
    from ..verdicts.verdicts import Verdicts
    from .issuance import IssuedRecord


@dataclass(frozen=True)
class RecordIssue:
    """One issue as it is kept. `replaced_by`: the issue that amended it; its files stay all the same.

    `proven`: whether an account proved who issued it.
    """

    number: int
    zone: str
    from_ns: int
    to_ns: int
    at_ns: int
    who: str
    replaces: int | None
    why: str
    replaced_by: int | None
    folder: Path
    files: Mapping[str, str]
    proven: Proven = None

    def to_dict(self) -> dict[str, Any]:
        """As plain data."""
        body = {**vars(self), "folder": str(self.folder), "files": dict(self.files)}
        for name, key in (("from_ns", "from"), ("to_ns", "to"), ("at_ns", "issued_at")):
            body[key] = rfc3339(body.pop(name))
        return body

    def covers(self, zone: str, at_ns: int) -> bool:
        """Whether it is about a zone at an instant."""
        return self.zone == zone and self.from_ns <= at_ns < self.to_ns

    def file(self, ending: str) -> Path:
        """Its file with that ending, such as ".pdf"."""
        return self.folder / next(name for name in self.files if name.endswith(ending))


def issues(store: Store) -> list[RecordIssue]:
    """Every record that was ever issued, oldest first."""
    from sqlalchemy import select

    from ..store.hot.tables import issue as t

    with store.read() as conn:
        rows = conn.execute(select(t).order_by(t.c.number)).all()
    proven = Names(store).proven_records() if rows else {}
    later = {row.replaces: row.number for row in rows if row.replaces is not None}
    return [
        RecordIssue(
            row.number, row.zone, row.from_ns, row.to_ns, row.at_ns, row.who, row.replaces, row.why,
            later.get(row.number), store.folder / row.folder, row.body["files"],
            proven.get(row.number, False),
        )
        for row in rows
    ]  # fmt: skip


def issue_of(store: Store, number: int) -> RecordIssue:
    """The issue of that number; Refused where there is none."""
    by_number = {i.number: i for i in issues(store)}
    if number not in by_number:
        numbers = f"1 to {max(by_number)} were issued" if by_number else "none was issued yet"
        raise Refused(f"There is no record {number}; {numbers}.")
    return by_number[number]


def amend(  # noqa: PLR0917 (what, why, where to, who: each is asked for by its place)
    store: Store,
    verdicts: Verdicts,
    number: int,
    why: str,
    out: Path,
    who: str,
    now_ns: int,
    *,
    temperatures: TemperatureUnit = "degC",
) -> IssuedRecord:
    """Issue the same zone and interval anew, as it is judged now; the new issue names the old and why."""
    from .issuance import issue

    old = issue_of(store, number)
    span = (old.zone, old.from_ns, old.to_ns)
    return issue(
        store,
        verdicts,
        verdicts.setup,
        *span,
        out,
        who,
        now_ns,
        number,
        why.strip(),
        temperatures=temperatures,
    )
