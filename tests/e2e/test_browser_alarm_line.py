"""The alarm line: a verdict has its place whatever the alarms; one comment acknowledges a cause."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.dashboard.crowded import Crowded

pytestmark = [pytest.mark.browser, pytest.mark.slow]
TOP = "document.querySelector('{}').getBoundingClientRect().top"
ONE_LINE = """[...document.querySelectorAll('.strip, .alerts > div')].every(
    box => box.scrollHeight <= box.clientHeight + 1 && box.getBoundingClientRect().height <= 60)"""


@pytest.fixture
def crowd() -> Crowded:
    return Crowded(zones=3)


@pytest.fixture
def where(crowd: Crowded, served: Callable[..., Any]) -> Iterator[str]:
    from dashboard.app import create_app

    with served(
        create_app(crowd.store.folder, source=crowd, now_ns=lambda: crowd.now, tick_s=1.0)
    ) as address:
        yield address


@pytest.mark.parametrize(("width", "high"), [(390, 60), (1280, 48), (1920, 48)])
def test_a_verdict_has_its_place_whatever_the_alarms(
    open_page: Callable[..., Any], crowd: Crowded, where: str, width: int, high: int
) -> None:
    """With 0, 1, 5 and 12 alarms the first verdict and the head of a page lie at the same pixel; the line has
    its height and never wraps; nothing scrolls sideways.
    """
    opened = open_page(width=width, where=where)
    verdicts, heads, lines = [], [], []
    for alarms in (0, 1, 5, 12):
        crowd.crowd(3, alarms)
        page = opened.go("/", ".sentence")
        page.wait_for_selector(".alert" if alarms else "#alert .calm")
        verdicts.append(page.evaluate(TOP.format(".sentence")))
        lines.append(page.evaluate("document.querySelector('.strip').getBoundingClientRect().height"))
        assert page.evaluate(ONE_LINE)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page = opened.go("/health", "h1")
        heads.append(page.evaluate(TOP.format("#page h1")))
    assert len(set(verdicts)) == 1
    assert verdicts[0] < 130  # below the head and, in a demonstration, its ribbon
    assert len(set(heads)) == 1
    assert lines == [high] * 4
    assert opened.seen.console == []


@pytest.mark.parametrize("width", [390, 1280])
def test_one_comment_acknowledges_a_cause(
    open_page: Callable[..., Any], crowd: Crowded, where: str, width: int
) -> None:
    """The sheet opens below the first verdict and moves nothing; a draft survives a reload; after the answer
    the line is pale and says who.
    """
    crowd.crowd(3, 5)
    opened = open_page(width=width, where=where)
    page = opened.go("/", ".sentence")
    line = page.locator(".alert").inner_text()
    assert "HIGH" in line
    assert "and 4 more, one cause" in line
    before = page.evaluate(TOP.format(".sentence"))
    page.locator(".alert .act").click()
    assert page.evaluate("document.activeElement.id") == "acknowledge-comment"
    assert page.evaluate(TOP.format(".sentence")) == before
    sheet = page.locator("#alarm-sheet").bounding_box()
    first = page.locator(".zone").first.bounding_box()
    assert sheet["y"] >= first["y"] + first["height"]
    assert page.locator("#alarm-rows tbody tr").count() == 5
    page.keyboard.type("Heater valve stuck")
    opened.wait("JSON.stringify(sessionStorage).includes('Heater valve stuck')")
    page.reload()
    page.wait_for_selector(".alert")
    page.locator(".alert .act").click()
    opened.wait("document.getElementById('acknowledge-comment').value === 'Heater valve stuck'")
    page.get_by_role("button", name="Acknowledge all five").click()
    page.wait_for_selector("#alert .known")
    assert [comment for _, _, comment in crowd.acknowledged] == ["Heater valve stuck"] * 5
    assert "Heater valve stuck" in page.locator("#alert").inner_text()
    opened.wait("document.activeElement.tagName === 'MAIN'")
    assert not page.locator("#alarm-sheet").is_visible()
    assert opened.seen.console == []


def test_the_alarm_is_the_first_stop_of_the_keyboard(
    open_page: Callable[..., Any], crowd: Crowded, where: str
) -> None:
    """Tab meets the alarm, then the skip link; Escape closes the sheet and goes back to what opened it."""
    crowd.crowd(3, 2)
    opened = open_page(where=where)
    page = opened.go("/trend", "#trend-graph .main-svg")
    opened.wait("document.getElementById('polite').textContent")  # after the first tick
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "more-alarms"
    page.keyboard.press("Enter")
    assert page.locator("#alarm-sheet").is_visible()
    page.keyboard.press("Escape")
    assert not page.locator("#alarm-sheet").is_visible()
    assert page.evaluate("document.activeElement.className") == "more-alarms"


def test_all_pages_are_behind_one_button_on_a_phone(open_page: Callable[..., Any], where: str) -> None:
    """It names the page one is on; no name is cut off."""
    opened = open_page(width=390, where=where)
    page = opened.go("/trend", "h1")
    menu = page.get_by_role("button", name="Trend · all pages")
    menu.click()
    names = page.locator("#pages a:visible")
    assert names.count() >= 12
    boxes = [names.nth(i).bounding_box() for i in range(names.count())]
    assert all(box["x"] >= 0 and box["x"] + box["width"] <= 390 and box["height"] >= 24 for box in boxes)
    page.keyboard.press("Escape")
    assert not names.first.is_visible()


@pytest.mark.parametrize("path", ["/cases", "/inspections", "/help"])
def test_the_line_on_a_phone_covers_nothing_that_has_the_focus(
    open_page: Callable[..., Any], record: Any, path: str
) -> None:
    """WCAG 2.2, 2.4.11: Tab brings each field and link into view above the line at the lower edge."""
    record.raise_alarm()
    opened = open_page(width=390)
    page = opened.go(path, ".alert")
    opened.wait("document.querySelector('.strip').getBoundingClientRect().height > 0")
    covered = """() => {
      const focus = document.activeElement, box = focus.getBoundingClientRect();
      const line = document.querySelector('.strip').getBoundingClientRect();
      if (focus === document.body || focus.closest('.strip') || !box.height) { return ''; }
      return box.bottom > line.top + 1 && box.height < line.top ? focus.outerHTML.slice(0, 120) : '';
    }"""
    for _ in range(40):
        page.keyboard.press("Tab")
        assert page.evaluate(covered) == ""
