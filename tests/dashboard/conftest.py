"""The invented record and the views over it."""

from __future__ import annotations

import pytest

from dashboard.data.queries import Queries
from tests.dashboard.synthetic import Synthetic


@pytest.fixture
def record() -> Synthetic:
    """A fresh invented record with the clock held still."""
    return Synthetic()


@pytest.fixture
def q(record: Synthetic) -> Queries:
    """The views over it."""
    return Queries(record, lambda: record.now)
