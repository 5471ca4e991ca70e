"""A press on what is drawn again and again counts, whenever it is drawn again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.dashboard.synthetic import NOW

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_a_press_counts_where_the_clock_is_drawn_anew_between_its_halves(
    open_page: Callable[..., Any], record: Any
) -> None:
    """The button that was pressed down is gone when the pointer is let go: another stands in its place."""
    opened = open_page()
    page = opened.go("/soak", "#soak-ask")
    page.get_by_label("Name of the part").fill("Ring 7")
    page.locator("#soak-begin").click()
    page.locator(".clock-part h2", has_text="Ring 7").wait_for()
    removed = page.get_by_role("button", name="Removed")
    removed.hover()
    page.mouse.down()
    removed.evaluate("button => button.replaceWith(button.cloneNode(true))")
    page.mouse.up()
    page.wait_for_function("() => !document.querySelector('.clock-part .next-step')")
    assert record.soaks(NOW) == []
    assert opened.seen.console == []


def test_a_press_by_the_keyboard_counts_once(open_page: Callable[..., Any], record: Any) -> None:
    opened = open_page()
    page = opened.go("/soak", "#soak-ask")
    page.get_by_label("Name of the part").fill("Ring 8")
    page.locator("#soak-begin").click()
    page.locator(".clock-part h2", has_text="Ring 8").wait_for()
    page.get_by_role("button", name="Removed").press("Enter")
    page.locator("#soak-clocks .calm").wait_for()
    assert page.locator("#soak-clocks .refusal").count() == 0
    assert record.soaks(NOW) == []
