"""The small room of the self-test, one zone with probes and rules as asked for, as a fixture."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import pytest

from logger.core.judge.settling import at_start_of_record
from logger.selftest.room import at, judged, rule, series, setup, without

__all__ = ["at", "judged", "rule", "series", "setup", "without"]


@pytest.fixture
def build() -> SimpleNamespace:
    """The builders under one name."""
    builders: dict[str, Callable[..., object]] = {
        "at": at,
        "rule": rule,
        "setup": setup,
        "series": series,
        "judged": judged,
        "without": without,
        "at_start_of_record": at_start_of_record,
    }
    return SimpleNamespace(**builders)
