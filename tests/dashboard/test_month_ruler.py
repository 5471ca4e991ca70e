"""The month ruler of page Records: shares to scale, said to the ear, one press to the next step."""

from __future__ import annotations

import re

import pytest

from dashboard.data.queries import Queries
from dashboard.parts import month_ruler
from dashboard.parts.record_months import month_list
from logger.model import Period
from logger.record.record_months import RecordMonth
from tests.dashboard.test_campaigns_page import text_of

DAY = 86_400 * 10**9
BEGIN = 20_000 * DAY


def month(label: str, **changed: object) -> RecordMonth:
    fields = {"running": False, "begins_with_data": False, "issue": None, "acts": 0, **changed}
    return RecordMonth(label, "machine-bay", BEGIN, BEGIN + 30 * DAY, **fields)  # type: ignore[arg-type]


def drawn(monkeypatch: pytest.MonkeyPatch, q: Queries, days: dict[str, float], *months: RecordMonth) -> str:
    """The ruler of months in which each verdict lasted so many of 30 days."""
    periods, at_ns = [], BEGIN
    for verdict, length in days.items():
        end_ns = at_ns + round(length * DAY)
        periods.append(Period("machine-bay", at_ns, end_ns, verdict, "conforming"))  # type: ignore[arg-type]
        at_ns = end_ns
    monkeypatch.setattr(type(q), "periods", lambda *_: periods)
    monkeypatch.setattr(month_ruler, "allowed", lambda act: True)
    return text_of(month_ruler.month_ruler(q, q.zone("machine-bay"), list(months)))


def widths(text: str) -> list[str]:
    return re.findall(r'"width": "([\d.]+)%"', text)


def test_short_times_are_drawn_longer_and_that_is_said(monkeypatch: pytest.MonkeyPatch, q: Queries) -> None:
    """3 of 30 days not shown, 1.5 not stable: 85, 10 and 5 %; the two lower ones four times as long."""
    days = {"stable": 25.5, "not shown": 3.0, "not stable": 1.5}
    text = drawn(monkeypatch, q, days, month("2026-10"))
    assert widths(text) == ["85.0", "40.0", "20.0"]
    assert "not shown and not stable are drawn 4 times as long" in text
    for words in ("stable 85.0 %", "not shown 10.0 %", "not stable 5.0 %", "not issued"):
        assert words in text, words


def test_long_times_are_drawn_to_scale(monkeypatch: pytest.MonkeyPatch, q: Queries) -> None:
    """A level that would be cut off would look shorter beside the others than it is."""
    text = drawn(monkeypatch, q, {"stable": 18.0, "not stable": 12.0}, month("2026-10"))
    assert widths(text) == ["60.0", "0.0", "40.0"]
    assert "times as long" not in text


def test_a_press_issues_a_month_that_is_over_and_shows_the_draft_of_another(
    monkeypatch: pytest.MonkeyPatch, q: Queries
) -> None:
    newest, older = month("2026-11", running=True), month("2026-10")
    text = drawn(monkeypatch, q, {"stable": 30.0}, newest, older)
    assert text.index("2026-10") < text.index("2026-11")  # from left to right
    assert '"href": "/records?zone=machine-bay&issue=2026-10"' in text
    assert '"href": "/records/draft?zone=machine-bay&from=' in text
    assert "2026-10 not issued, Machine bay: stable 100.0 %; issue its record" in text
    assert "2026-11 running, Machine bay: stable 100.0 %; see a draft of its record" in text


def test_the_page_has_a_ruler_for_each_zone_with_readings(q: Queries) -> None:
    text = text_of(month_list(q)[0])
    assert "Months of " in text
