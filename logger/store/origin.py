"""By which way and account the acts of this thread come, for the journal beside the name that was given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar

WAY: ContextVar[Mapping[str, str] | None] = ContextVar("way", default=None)


@contextmanager
def through(**way: str) -> Iterator[None]:
    """Within it, what this thread appends to a journal says by which way it came, under "through"."""
    before = WAY.set(dict(way))
    try:
        yield
    finally:
        WAY.reset(before)
