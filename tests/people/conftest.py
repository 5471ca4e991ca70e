"""A record with people in it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.people import People
from logger.store import Store


class Clock:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.ns = 1_792_418_400_000_000_000

    def __call__(self) -> int:
        return self.ns


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def people(tmp_path: Path, clock: Clock) -> Iterator[People]:
    with Store.open(tmp_path / "data", create=True, simulated=False) as store:
        yield People(store, clock)
