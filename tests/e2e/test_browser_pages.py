"""Every page in a real browser: what it asks for, what it says, and whom it leaves out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.e2e.asking import ask_to_acknowledge

pytestmark = [pytest.mark.browser, pytest.mark.slow]
PAGES = {
    "Now": "/",
    "Trend": "/trend",
    "Gradients": "/gradients",
    "Cases": "/cases",
    "Inspections": "/inspections?inspection=J2",
    "Soak": "/soak",
    "Import": "/import",
    "Probes": "/probes?probe=P1&certificate=C-P1.temperature",
    "Limits": "/limits",
    "Room study": "/study",
    "Journal": "/journal",
    "Health": "/health",
    "Records": "/records",
    "Wall view": "/wall",
    "Position": "/positions/bridge-table",
    "Help": "/help?page=how-to/logger-files",
}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_are_clean(open_page: Callable[..., Any], record: Any, scheme: str) -> None:
    """No request elsewhere, no error on the console, no button that shares a chart, nothing for axe."""
    record.raise_alarm()
    opened = open_page(scheme=scheme)
    opened.go("/help", ".alert")
    for title, path in PAGES.items():
        page = opened.walk(path)
        page.wait_for_selector("#page h1", state="attached")
        page.wait_for_timeout(200)
        page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        assert page.evaluate("document.documentElement.dataset.theme") == scheme
        assert opened.axe() == [], title
        assert "Share chart" not in page.content(), title
        assert page.title() == f"{title} – stillroom"
        assert page.get_by_text("Simulated data – demonstration, invented people").is_visible()
    assert opened.foreign() == []
    assert opened.seen.console == []


@pytest.mark.parametrize(
    ("width", "scheme"), [(390, "light"), (390, "dark"), (1920, "light"), (1920, "dark")]
)
def test_first_pages_are_clean_at_other_widths(
    open_page: Callable[..., Any], record: Any, width: int, scheme: str
) -> None:
    """Now with its sheet open, Trend and the wall on a phone and on a wide screen: nothing for axe."""
    record.raise_alarm()
    opened = open_page(width=width, scheme=scheme)
    for path in ("/", "/trend", "/wall"):
        page = opened.go(path, "#page > *")
        page.wait_for_timeout(300)
        if path == "/":
            ask_to_acknowledge(page)
        assert opened.axe() == [], path
    assert opened.seen.console == []


@pytest.mark.parametrize("width", [360, 640])
def test_nothing_is_lost_at_200_percent(open_page: Callable[..., Any], record: Any, width: int) -> None:
    """A window of 1280 px at 200 % has 640: Now and Trend scroll downwards only, sheet and menu open."""
    record.raise_alarm()
    opened = open_page(width=width)
    for path in ("/", "/trend"):
        page = opened.go(path, "#page > *")
        ask_to_acknowledge(page)
        page.keyboard.press("Escape")
        page.locator(".all-pages").click()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.locator("#pages a:visible").count() >= 12


def test_sheet_is_clean(open_page: Callable[..., Any], record: Any) -> None:
    """The question for a comment is labelled, too, and may be answered before the first tick."""
    record.raise_alarm()
    opened = open_page()
    page = opened.go("/", ".alert")
    ask_to_acknowledge(page)
    page.get_by_label("Comment: what you saw or did").fill("Seen.")
    page.locator("#alarm-acts button").click()
    page.wait_for_selector(".alert", state="detached")
    assert opened.seen.console == []
    record.raise_alarm()
    page = opened.go("/", ".alert")
    ask_to_acknowledge(page)
    assert opened.axe() == []


def test_phone_has_no_sideways_scroll(open_page: Callable[..., Any]) -> None:
    """At 360 px each page that is opened by its address fits, and nothing is wrong on the console.

    On Now the sentences come first, then the list, then the trace.
    """
    opened = open_page(width=360)
    for path in PAGES.values():
        page = opened.go(path)
        page.wait_for_timeout(400)
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, path
    page = opened.go("/", ".js-plotly-plot .main-svg")
    page.wait_for_timeout(500)
    tops = [
        page.locator(place).first.bounding_box()["y"] for place in (".sentence", "#hands", ".js-plotly-plot")
    ]
    assert tops == sorted(tops)
    assert opened.foreign() == []
    assert opened.seen.console == []


def test_paper_holds_the_charts_and_no_form(open_page: Callable[..., Any]) -> None:
    """Printed, a page keeps what was found and drops what only a screen can do."""
    page = open_page().go("/", ".js-plotly-plot .main-svg")
    page.emulate_media(media="print")
    assert page.locator(".js-plotly-plot").first.bounding_box()["height"] > 300
    assert not page.locator("nav").is_visible()
    page.goto(page.url.rstrip("/") + "/inspections")
    page.get_by_role("heading", name="Inspections", exact=True).first.wait_for()
    assert not page.get_by_text("Check an interval").is_visible()


def test_focus_is_seen_on_a_field(open_page: Callable[..., Any]) -> None:
    """A list that is only chosen from has no caret: its outline alone says where the keyboard is."""
    page = open_page().go("/trend", "#trend-zone")
    page.locator("#trend-zone").focus()
    page.keyboard.press("Tab")
    page.keyboard.press("Shift+Tab")
    style = page.evaluate("getComputedStyle(document.activeElement).outline")
    assert "solid 2px" in style


def test_theme_can_be_chosen(open_page: Callable[..., Any]) -> None:
    """The toggle turns the page dark, inputs included, and the choice is kept."""
    opened = open_page()
    page = opened.go("/trend")
    page.get_by_role("button", name="Theme: light").click()
    page.get_by_role("button", name="Theme: dark").wait_for()
    assert page.evaluate("document.documentElement.dataset.mantineColorScheme") == "dark"
    page = opened.go("/inspections")
    assert page.evaluate("document.documentElement.dataset.theme") == "dark"


def test_unknown_page_says_so(open_page: Callable[..., Any]) -> None:
    """An address that leads nowhere offers the way back."""
    page = open_page().go("/nowhere")
    assert page.get_by_role("heading", name="Page not found").is_visible()


def test_keyboard_reaches_everything(open_page: Callable[..., Any], record: Any) -> None:
    """The alarm is the first stop, then the skip link, pages, buttons of the chart, the table behind it."""
    record.raise_alarm()
    page = open_page().go("/", ".alert")
    # The chart comes after the alert; a walk that begins before it is drawn would pass its table by.
    page.get_by_text("Table behind this chart").first.wait_for()
    reached = []
    for _ in range(34):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("(document.activeElement.textContent || '').trim().slice(0, 30)"))
    for expected in (
        "Skip to content",
        "Now",
        "Trend",
        "Inspections",
        "24 h",
        "Table behind this chart",
        "Theme: light",
    ):
        assert expected in reached
    assert reached[:3] == ["what to do", "Acknowledge", "Skip to content"]
