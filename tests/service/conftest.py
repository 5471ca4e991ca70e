"""The service with short waits: what it gathers and how often it sends is no point of these tests."""

from __future__ import annotations

import pytest

from logger.service import service, writer


@pytest.fixture(autouse=True)
def _short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "GATHER_S", 0.05)
    monkeypatch.setattr(service, "SEND_EVERY_S", 0.2)
