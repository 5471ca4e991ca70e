"""Page Trend: one readout that has its place, fields that follow the zoom, what can be taken along."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]
WINDOW = "/trend?from=2026-10-19T06:00&to=2026-10-19T16:00"
AREA = "#trend-graph .nsewdrag"


def drag(page: Any, first: float, last: float) -> None:
    """Zoom from one share of the width to another, by a real mouse."""
    box = page.locator(AREA).first.bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * first, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * last, middle, steps=6)
    page.mouse.up()


def test_the_readout_says_all_of_one_time(open_page: Callable[..., Any]) -> None:
    """At the top of the excursion (20.76 °C at P1 by the formula, limit 20.5 °C, U 0.1 K): local time,
    offset, each probe with U, verdict and reason, proven or not, excursion and inspection. Nothing moves.
    """
    opened = open_page()
    page = opened.go(WINDOW, AREA)
    opened.wait("document.querySelector('.readout-table').textContent.startsWith('newest')")
    before = page.locator("#trend-graph").bounding_box()
    box = page.locator(AREA).first.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.25, box["y"] + box["height"] / 2)  # 08:30
    opened.wait("document.querySelector('.readout-table').textContent.startsWith('at the cursor')")
    text = page.locator(".readout-table").inner_text()
    for part in (
        "08:30 +02:00",
        "20.76 ± 0.10 °C",
        "not stable: nonconforming",
        "P1 0.26 K above 20.5 °C, proven",
    ):
        assert part in text
    assert "xcursion: temperature, worst 20.76 °C, 19 min so far." in text
    assert "nspection J2: Valve body 4480." in text
    assert page.locator(".readout-value.out").count() >= 2
    assert page.locator("#trend-graph").bounding_box() == before
    assert page.evaluate("document.querySelector('.cursor-line').hidden") is False
    assert page.locator(".hoverlayer .hovertext").count() == 0
    assert opened.seen.console == []


def test_fields_title_tables_and_files_follow_the_zoom(open_page: Callable[..., Any]) -> None:
    """After a drag over 08:00 to 11:00 fields, title, tables and links say so; a button leads back."""
    opened = open_page()
    page = opened.go(WINDOW, AREA)
    opened.wait("window.Plotly && document.querySelector('.readout-table').textContent")
    assert "10 h; corrected" in page.locator("#trend-aside").inner_text()
    assert page.get_by_text("Periods: 7").is_visible()
    drag(page, 0.2, 0.5)
    opened.wait("document.querySelector('#trend-from').value !== '2026-10-19 06:00'")
    first, last = (page.locator(f"#trend-{end}").input_value() for end in ("from", "to"))
    assert first[:15] == "2026-10-19 07:5" or first[:15] == "2026-10-19 08:0"
    assert last[:15] == "2026-10-19 10:5" or last[:15] == "2026-10-19 11:0"
    for link in ("#trend-link", "#trend-file"):
        assert first.replace(" ", "+").replace(":", "%3A") in page.locator(link).get_attribute("href")
    assert f"{first} to {last[11:]} +02:00" in page.locator("#trend-aside").inner_text()
    opened.wait("!document.querySelector('#trend-tables').textContent.includes('Periods: 7')")
    page.get_by_role("button", name="Back to 2026-10-19 06:00, 10 h").click()
    opened.wait("document.querySelector('#trend-from').value === '2026-10-19 06:00'")
    opened.wait("document.querySelector('#trend-back').hidden")
    opened.wait("document.querySelector('#trend-tables').textContent.includes('Periods: 7')")
    assert opened.seen.console == []


def test_a_zoom_survives_a_reload(open_page: Callable[..., Any]) -> None:
    """The address follows the zoom: loaded again, the page shows the part that was drawn."""
    opened = open_page()
    page = opened.go(WINDOW, AREA)
    opened.wait("window.Plotly && document.querySelector('.readout-table').textContent")
    drag(page, 0.2, 0.5)
    opened.wait("document.querySelector('#trend-from').value !== '2026-10-19 06:00'")
    ends = [page.locator(f"#trend-{end}").input_value() for end in ("from", "to")]
    page.reload()
    page.wait_for_selector(AREA)
    assert [page.locator(f"#trend-{end}").input_value() for end in ("from", "to")] == ends
    assert opened.seen.console == []


def test_a_picture_is_taken_along(open_page: Callable[..., Any]) -> None:
    """SVG and PNG with the name, the window, and that the data are simulated."""
    opened = open_page(scheme="dark")
    page = opened.go(WINDOW, AREA)
    opened.wait("window.Plotly && document.querySelector('.readout-table').textContent")
    taken = {}
    for form in ("SVG", "PNG"):
        with page.expect_download() as download:
            page.get_by_role("button", name=f"Picture, {form}").click()
        taken[form] = Path(download.value.path()).read_bytes()
        assert download.value.suggested_filename.endswith("." + form.lower())
    assert b"<svg" in taken["SVG"]
    assert b"Machine bay, temperature, 2026-10-19 06:00" in taken["SVG"]
    assert b"Simulated data" in taken["SVG"]
    assert taken["PNG"].startswith(b"\x89PNG")
    with page.expect_download() as download:
        page.get_by_role("link", name="CSV").click()
    assert Path(download.value.path()).read_text("utf-8").startswith("time_utc,local_time,probe")
    assert opened.seen.console == []


def test_the_chart_comes_first_on_a_phone(open_page: Callable[..., Any]) -> None:
    """One line in place of the fields, which a press shows; the readout below the chart."""
    page = open_page(width=390).go(WINDOW, AREA)
    assert not page.locator("#trend-from").is_visible()
    chart, readout = (page.locator(place).bounding_box() for place in ("#trend-graph", ".readout-table"))
    assert chart["y"] < 380
    assert readout["y"] >= chart["y"] + chart["height"] - 1
    page.get_by_role("button", name="Change", exact=True).click()
    assert page.locator("#trend-from").is_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_the_whole_width_is_used(open_page: Callable[..., Any]) -> None:
    """At 1920 px chart and readout take the width of the screen but its margins."""
    page = open_page(width=1920).go(WINDOW, AREA)
    assert page.locator(".charted").bounding_box()["width"] >= 1780
