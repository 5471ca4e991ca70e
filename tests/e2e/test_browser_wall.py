"""The wall: it holds every zone, its letters are large enough, and it never shows an old number."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pytest

from tests.dashboard.crowded import Crowded

pytestmark = [pytest.mark.browser, pytest.mark.slow]
LEAST = """Math.min(...[...document.querySelectorAll('body *')]
    .filter(e => e.checkVisibility({visibilityProperty: true}) && !e.closest('.unseen'))
    .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()))
    .map(e => parseFloat(getComputedStyle(e).fontSize)))"""
# Verdicts, numbers and lines of the wall that are not whole within the screen and their own box.
CUT = """[...document.querySelectorAll('.wall-verdict, .wall-figure, .wall-since, .wall-below, .wall-line')]
    .filter(e => { const b = e.getBoundingClientRect();
        const z = (e.closest('.wall-zone') || e).getBoundingClientRect();
        return b.bottom > innerHeight + 1 || b.right > innerWidth + 1
            || b.bottom > z.bottom + 2 || b.top < z.top - 2 || e.scrollWidth > e.clientWidth + 1; })
    .map(e => e.className + ': ' + e.textContent)"""


@pytest.mark.parametrize("size", [(1920, 1080), (3840, 2160)])
def test_the_wall_holds_every_zone(browser: Any, served: Callable[..., Any], size: tuple[int, int]) -> None:
    """1, 3, 6 and 9 zones with 0 and 7 alarms: nothing scrolls or is cut off; no letter is below 4.8 % of
    the height (16 minutes of arc at 5 m on a 55-inch screen); zones beyond six are counted.
    """
    from dashboard.app import create_app

    crowd = Crowded()
    page = browser.new_page(viewport={"width": size[0], "height": size[1]})
    app = create_app(crowd.store.folder, source=crowd, now_ns=lambda: crowd.now, tick_s=1.0)
    with served(app) as address:
        for zones, alarms in [(z, a) for z in (1, 3, 6, 9) for a in (0, 7)]:
            crowd.crowd(zones, alarms)
            page.goto(address + "/wall")
            page.wait_for_selector("html[data-page=wall] .wall-line" + (".on" if alarms else ":not(.on)"))
            page.wait_for_timeout(100)
            case = f"{zones} zones, {alarms} alarms"
            assert page.evaluate("document.documentElement.scrollHeight") == size[1], case
            assert page.evaluate("document.documentElement.scrollWidth") == size[0], case
            assert page.evaluate(LEAST) >= 0.048 * size[1], case
            assert page.locator(".wall-zone").count() == min(zones, 6), case
            assert page.evaluate(CUT) == [], case
            more = page.locator(".wall-more").all_inner_texts()
            assert [text.partition(":")[0] for text in more] == (["and 3 more"] if zones == 9 else []), case
            assert page.locator(".wall-line").inner_text().startswith("HIGH" if alarms else "No new alarm"), (
                case
            )
    page.close()


def test_no_old_number_in_full_size(browser: Any, served: Callable[..., Any]) -> None:
    """A service that is silent, then a server that is lost: the verdict reads "not shown", and the age of the
    last news stands in place of the number.
    """
    from dashboard.app import create_app

    crowd = Crowded(zones=3)
    page = browser.new_page(viewport={"width": 1920, "height": 1080})
    with served(
        create_app(crowd.store.folder, source=crowd, now_ns=lambda: crowd.now, tick_s=1.0)
    ) as address:
        page.goto(address + "/wall")
        page.wait_for_selector("html[data-page=wall] .wall-figure")
        number = page.locator(".wall-figure strong").first.inner_text()
        assert 19 < float(number) < 21
        crowd.beat(480, stopped=False)
        page.wait_for_selector("html[data-lost] #silent:not([hidden])")
        assert page.locator(".wall-verdict").all_inner_texts() == ["not shown"] * 3
        assert "8 min" in page.locator(".wall-value").first.inner_text()
        assert number not in page.locator("#wall").inner_text()
        assert "No news for 8 min" in page.locator("#silent").inner_text()
        crowd.beat(1, stopped=False)
        page.wait_for_selector("html:not([data-lost])")
        assert number in page.locator(".wall-value").first.inner_text()
    until = time.monotonic() + 60  # an answer that was on its way may still arrive
    while page.locator(".wall-verdict").all_inner_texts() != ["not shown"] * 3:
        assert time.monotonic() < until, "the wall goes on showing a verdict without a server"
        page.wait_for_timeout(200)
    assert page.locator("#lost").is_visible()
    assert number not in page.locator("#wall").inner_text()
    page.close()
