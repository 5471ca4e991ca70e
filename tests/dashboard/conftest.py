"""The invented record and the views over it."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))
from synthetic import Synthetic

from dashboard.queries import Queries


@pytest.fixture
def record() -> Synthetic:
    """A fresh invented record with the clock held still."""
    return Synthetic()


@pytest.fixture
def q(record: Synthetic) -> Queries:
    """The views over it."""
    return Queries(record, lambda: record.now)
