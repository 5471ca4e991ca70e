"""Texts of a case that somebody is typing: kept from the first letter on, until they are written down.

A draft is no act and stands in no journal; it is there again after a reload, on any machine.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import delete, insert, select

from ..model.roles import refuse_unseen
from ..store import Store
from ..store.hot.tables import case_draft

LONGEST = 20_000  # letters of one text


@dataclass(frozen=True)
class Draft:
    """A text that is not written down yet, and when it was last changed."""

    text: str
    at_ns: int


def save_draft(store: Store, case: int, field: str, account: str, *, text: str, now_ns: int) -> None:
    """Keep what was typed; an empty text is a draft as well, as it may take a text back."""
    text = refuse_unseen(text[:LONGEST], f"text of {field.replace('_', ' ')}")
    t = case_draft
    row = {"case": case, "field": field, "account": account}
    with store.begin() as conn:
        conn.execute(delete(t).where(*(t.c[name] == value for name, value in row.items())))
        conn.execute(insert(t).values(**row, text=text, at_ns=now_ns))


def drafts_of(store: Store, case: int, account: str) -> dict[str, Draft]:
    """What a person typed about a case and has not written down, by field."""
    t = case_draft
    query = select(t.c.field, t.c.text, t.c.at_ns).where(t.c.case == case, t.c.account == account)
    with store.read() as conn:
        return {row.field: Draft(row.text, row.at_ns) for row in conn.execute(query)}


def forget_drafts(store: Store, case: int, account: str) -> None:
    """Forget a person's drafts on a case: they are written down, or taken back."""
    t = case_draft
    with store.begin() as conn:
        conn.execute(delete(t).where(t.c.case == case, t.c.account == account))
