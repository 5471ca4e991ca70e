"""Page Room study in a real browser: charts, tables and forms are clean for axe, wide and narrow."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.dashboard.test_study_page import stored

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_the_page_is_clean(open_page: Callable[..., Any], record: Any, width: int, scheme: str) -> None:
    """A stored answer with its chart and tables open: no fault of axe, nothing on the console."""
    stored(record)
    opened = open_page(scheme=scheme, width=width)
    page = opened.go("/study", "#study-cycles .study-headline")
    page.evaluate("document.querySelectorAll('.folds').forEach(one => one.classList.add('whole'))")
    page.locator("#study-cycles svg").wait_for()
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert opened.axe() == []
    assert page.title() == "Room study – stillroom"
    assert page.get_by_text("Day ±0.60 K.").is_visible()
    assert opened.foreign() == []
    assert opened.seen.console == []


def test_the_answer_leads_on_a_phone(open_page: Callable[..., Any], record: Any, tmp_path: Any) -> None:
    """At 390 px the form is one button and the first question stands on the first screen; wide it is open."""
    stored(record)
    opened = open_page(width=390, scheme="dark")
    page = opened.go("/study", "#study-cycles .study-headline")
    page.screenshot(path=tmp_path / "study-390.png")
    change = page.locator(".form.folds > .fold")
    assert not page.locator("#study-from").is_visible()
    assert page.locator("#study-cards .stays").first.bounding_box()["y"] < 860
    assert opened.axe() == []
    change.click()
    page.locator("#study-from").wait_for()
    assert page.locator("#study-show").is_visible()
    wide = open_page(width=1280, scheme="dark").go("/study", "#study-cycles svg")
    wide.screenshot(path=tmp_path / "study-1280.png", full_page=True)
    assert wide.locator("#study-from").is_visible()
    assert not wide.locator(".form.folds > .fold").is_visible()


def test_what_becomes_of_a_press_is_said_beside_the_button(
    open_page: Callable[..., Any], record: Any
) -> None:
    """An empty field is named by its label, a wrong time stays in its field; a study that goes on says so in
    its own card at once, and a second press is no fault.
    """
    stored(record)
    page = open_page().go("/study", "#study-cycles .study-headline")
    change = page.locator("#study-change")
    run = change.get_by_role("button", name="Compute")
    run.click()
    empty = "“Time of the intervention, local”: this field is empty. Nothing was computed."
    expect(change.locator(".refusal")).to_contain_text(empty, timeout=120_000)
    at = change.get_by_label("Time of the intervention")
    at.fill("yesterday noon")
    run.click()
    expect(change.locator(".refusal")).to_contain_text(
        "“Time of the intervention, local”: expected a local", timeout=120_000
    )
    assert at.input_value() == "yesterday noon"
    cycles = page.locator("#study-cycles")
    again = cycles.get_by_role("button", name="Compute again")
    again.click()
    again.click()
    expect(cycles.locator(".study-job")).to_be_visible(timeout=60_000)
    assert cycles.locator(".refusal").count() == 0
