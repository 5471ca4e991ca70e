"""Numbers for the texts that repeat in every row: writers, channels, boots, sources."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from sqlalchemy import Connection, func, select

from .home import Home
from .tables import name as table

KINDS = ("writer", "channel", "boot", "source")


class NameTable:
    """What is known of the table `name`. It only grows and never changes, so it may be remembered.

    Only names read in a reading transaction are remembered: one written in a transaction that
    fails would otherwise be used without being there.
    """

    def __init__(self, database: Home) -> None:
        self._database = database
        self._newest = 0
        self._number: dict[tuple[str, str], int] = {}
        self._text: dict[int, str] = {}

    def numbers(self, conn: Connection, kind: str, texts: Iterable[str]) -> dict[str, int]:
        """Number of each text, given out now where it has none; inside a writing transaction."""
        numbers = {
            text: self._number.get((kind, text)) or _find(conn, kind, text) for text in dict.fromkeys(texts)
        }
        return {text: number or _add(conn, kind, text) for text, number in numbers.items()}

    def number(self, kind: str, text: str) -> int | None:
        """Number of a text, None when no reading ever had it."""
        if (kind, text) not in self._number:
            self.refresh()
        return self._number.get((kind, text))

    def texts(self, numbers: Iterable[int], conn: Connection | None = None) -> Mapping[int, str]:
        """Texts of numbers; a number without a text is itself damage and shows as such."""
        requested = set(numbers)
        if not requested <= self._text.keys():
            self.refresh()
        texts = {number: self._text[number] for number in requested & self._text.keys()}
        missing = requested - texts.keys()
        if missing and conn is not None:
            texts |= _texts(conn, missing)
        return {number: texts.get(number, f"(name {number} is missing)") for number in requested}

    def all_texts(self, kind: str) -> Sequence[str]:
        """All texts of a kind, sorted."""
        self.refresh()
        return sorted(text for text_kind, text in self._number if text_kind == kind)

    def refresh(self) -> None:
        """Learn what was committed since."""
        with self._database.read() as conn:
            rows = conn.execute(select(table).where(table.c.id > self._newest).order_by(table.c.id)).all()
        for row in rows:
            self._text[row.id] = row.text
            self._number[row.kind, row.text] = row.id
            self._newest = row.id


def _find(conn: Connection, kind: str, text: str) -> int | None:
    return conn.execute(select(table.c.id).where(table.c.kind == kind, table.c.text == text)).scalar()


def _add(conn: Connection, kind: str, text: str) -> int:
    number = 1 + (conn.execute(select(func.max(table.c.id))).scalar() or 0)
    conn.execute(table.insert().values(id=number, kind=kind, text=text))
    return number


def _texts(conn: Connection, numbers: Iterable[int]) -> dict[int, str]:
    query = select(table.c.id, table.c.text).where(table.c.id.in_(sorted(numbers)))
    return {row.id: row.text for row in conn.execute(query)}
