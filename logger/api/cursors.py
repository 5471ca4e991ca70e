"""Cursors of lists: where a page ended, as an opaque text that is read strictly.

A cursor is the instant and the key of the last entry. So an entry that is added between two pages is neither
lost nor given twice, whatever came before it.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from .problems import RequestProblem

Entry = TypeVar("Entry")
Place = tuple[int, str]  # instant in ns, key
MOST_CHARACTERS = 400


@dataclass(frozen=True)
class Page(Generic[Entry]):
    """Entries in order, and the cursor behind the last one; None: there are no more."""

    entries: Sequence[Entry]
    next: str | None


def written(place: Place) -> str:
    """A place as a cursor.

    >>> read(written((1_792_398_600_000_000_000, "G-12")))
    (1792398600000000000, 'G-12')
    """
    text = json.dumps([place[0], place[1]], separators=(",", ":"), ensure_ascii=True)
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def read(cursor: str) -> Place:
    """The place of a cursor; RequestProblem where it is none that `written` gives."""
    try:
        padded = cursor + "=" * (-len(cursor) % 4)
        content: Any = json.loads(base64.b64decode(padded, altchars=b"-_", validate=True))
        at_ns, key = content
    except (binascii.Error, ValueError, TypeError, RecursionError):
        raise _not_understood(cursor) from None
    if (
        type(at_ns) is not int
        or abs(at_ns) >= 2**63
        or type(key) is not str
        or written((at_ns, key)) != cursor
    ):
        raise _not_understood(cursor)
    return at_ns, key


def page_of(
    entries: Sequence[Entry], place_of: Callable[[Entry], Place], after: Place | None, limit: int
) -> Page[Entry]:
    """At most `limit` entries behind a place, of a list that ascends by its places."""
    rest = [entry for entry in entries if after is None or place_of(entry) > after]
    shown = rest[:limit]
    return Page(shown, written(place_of(shown[-1])) if len(rest) > limit else None)


def _not_understood(cursor: str) -> RequestProblem:
    detail = (
        f"cursor: expected one as it came in `next`, found {cursor[:40]!r}. Begin the list without a cursor."
    )
    return RequestProblem("cursor-not-understood", detail)
