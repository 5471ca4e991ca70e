"""The pages over the demo's history, as the real importer and the real judge left it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def history(
    demo_history: Path, served: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    """The dashboard over a copy of the history, as it opens accounts for people; no service runs."""
    from dashboard.app import create_app

    data = shutil.copytree(demo_history, tmp_path_factory.mktemp("history") / "data")
    with served(create_app(data)) as where:
        yield where


def test_inspections_have_their_answers(open_page: Callable[..., Any], history: str) -> None:
    """Six jobs of the scenario: two stable, two not stable, two not shown; one is opened and explained."""
    opened = open_page(where=history)
    page = opened.go("/inspections", "#inspection-list tbody tr")
    verdicts = [
        text.partition(":")[0] for text in page.locator("#inspection-list .verdict").all_inner_texts()
    ]
    assert sorted(verdicts) == ["not shown", "not shown", "not stable", "not stable", "stable", "stable"]
    page.get_by_role("link", name="Ring gear early shift").click()
    page.wait_for_selector("#check-answer")
    assert page.locator(".answer .sentence").inner_text() == "not stable: nonconforming"
    assert "above 20.5 °C" in page.locator("#check-answer").inner_text()
    assert opened.seen.console == []
    assert opened.foreign() == []


def test_monday_morning_is_on_the_trend(open_page: Callable[..., Any], history: str) -> None:
    """The excursion of 2026-10-19 stands in the periods and as a mark; the change of the clock is told."""
    opened = open_page(where=history)
    page = opened.go("/trend?from=2026-10-12T00:00&to=2026-10-26T00:00", "#trend-graph .main-svg")
    page.get_by_text("Excursions, acts and inspections: ").click()
    caption = "Excursions, acts of people and inspections in this window"
    rows = page.locator("table", has_text=caption).locator("tbody tr")
    assert any(text.startswith("2026-10-19 04:5") for text in rows.all_inner_texts())
    assert page.locator(".annotation-text", has_text="clock put back").count() == 1
    assert opened.seen.console == []


def test_without_service_nothing_is_stable_now(open_page: Callable[..., Any], history: str) -> None:
    """No service has spoken lately: both zones read as not shown, however good the history is."""
    page = open_page(where=history).go("/", ".sentence")
    assert all("not shown" in text for text in page.locator(".sentence").all_inner_texts())
    assert "no value of" in page.locator("#clock .stale").inner_text()
