"""By which way and account the acts of this thread come, for the journal beside the name that was given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar

ORIGIN: ContextVar[Mapping[str, str] | None] = ContextVar("way", default=None)


@contextmanager
def acting_through(**way: str) -> Iterator[None]:
    """Within it, what this thread appends to a journal names its origin under "through"."""
    before = ORIGIN.set(dict(way))
    try:
        yield
    finally:
        ORIGIN.reset(before)
