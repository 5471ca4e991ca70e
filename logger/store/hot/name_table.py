"""Numbers for the texts that repeat in every row: writers, channels, boots, sources."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from sqlalchemy import Connection, func, select, tuple_

from .home import Home
from .tables import name as table

Named = tuple[str, str]  # kind and text
KINDS = ("writer", "channel", "boot", "source")
AT_ONCE = 5_000  # pairs in one question: both homes take 30,000 parameters and no more than 65,535


class NameTable:
    """What is known of the table `name`. It only grows and never changes, so it may be remembered.

    Only names read in a reading transaction are remembered: one written in a transaction that
    fails would otherwise be used without being there.
    """

    def __init__(self, database: Home) -> None:
        self._database = database
        self._newest = 0
        self._number: dict[Named, int] = {}
        self._text: dict[int, str] = {}

    def numbers(self, conn: Connection, kind: str, texts: Iterable[str]) -> dict[str, int]:
        """Number of each text, given out now where it has none; inside a writing transaction."""
        pairs = [(kind, text) for text in dict.fromkeys(texts)]
        return {text: number for (_, text), number in self.numbers_of_all(conn, pairs).items()}

    def numbers_of_all(self, conn: Connection, pairs: Iterable[Named]) -> dict[Named, int]:
        """Number of each (kind, text), given out now where it has none; one question for all of them."""
        distinct = list(dict.fromkeys(pairs))
        numbers = {pair: self._number[pair] for pair in distinct if pair in self._number}
        if len(numbers) < len(distinct):
            numbers |= _stored_numbers(conn, [pair for pair in distinct if pair not in numbers])
        if len(numbers) < len(distinct):
            numbers |= _add(conn, [pair for pair in distinct if pair not in numbers])
        return numbers

    def number(self, kind: str, text: str) -> int | None:
        """Number of a text, None when no reading ever had it."""
        if (kind, text) not in self._number:
            self.refresh()
        return self._number.get((kind, text))

    def learn(self, pairs: Iterable[Named]) -> None:
        """Look (kind, text) up before a transaction that needs their numbers: one question at most."""
        if not self._number.keys() >= set(pairs):
            self.refresh()

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


def _stored_numbers(conn: Connection, pairs: Sequence[Named]) -> dict[Named, int]:
    numbers: dict[Named, int] = {}
    for at in range(0, len(pairs), AT_ONCE):
        where = tuple_(table.c.kind, table.c.text).in_(pairs[at : at + AT_ONCE])
        numbers |= {(row.kind, row.text): row.id for row in conn.execute(select(table).where(where))}
    return numbers


def _add(conn: Connection, pairs: Sequence[Named]) -> dict[Named, int]:
    first = 1 + (conn.execute(select(func.max(table.c.id))).scalar() or 0)
    numbers = {pair: first + n for n, pair in enumerate(pairs)}
    rows = [{"id": number, "kind": kind, "text": text} for (kind, text), number in numbers.items()]
    conn.execute(table.insert(), rows)
    return numbers


def _texts(conn: Connection, numbers: Iterable[int]) -> dict[int, str]:
    query = select(table.c.id, table.c.text).where(table.c.id.in_(sorted(numbers)))
    return {row.id: row.text for row in conn.execute(query)}
