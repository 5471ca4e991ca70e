"""Page Campaigns in a real browser: positions by click, the plan drawn, a phase run; clean for axe."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

from logger.acts.campaigns import campaigns

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_a_campaign_is_planned_by_clicks_and_run(
    open_page: Callable[..., Any], record: Any, width: int, scheme: str
) -> None:
    """Two clicks are two lines; the campaign appears with its next step, and a phase begins."""
    opened = open_page(scheme=scheme, width=width)
    page = opened.go("/campaigns", "#campaign-plan button")
    lines = page.locator("#campaign-lines")
    for number, place in enumerate(("1.25 m, 1.25 m", "3.25 m, 2.25 m"), start=1):
        page.get_by_role("button", name=place, exact=True).click()
        expect(page.locator(".plan-cell.used")).to_have_count(number, timeout=60_000)
    assert lines.input_value().splitlines()[0].startswith("position 1; 1.25; 1.25; 1.1; P")
    assert opened.axe() == []
    page.get_by_label("Key", exact=True).fill("map-1")
    page.get_by_label("Name, as the report prints it").fill("Working volume")
    page.get_by_role("button", name="Plan campaign").click()
    expect(page.get_by_text("map-1: Working volume")).to_be_visible(timeout=60_000)
    page.get_by_role("button", name="Begin side by side before").click()
    end = page.get_by_role("button", name="End side by side before")
    expect(end).to_be_visible(timeout=60_000)
    assert campaigns(record.store)[0].running is not None
    assert opened.foreign() == []
    assert opened.seen.console == []
