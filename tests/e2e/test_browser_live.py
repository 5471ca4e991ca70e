"""Live charts, the alert, and the loss of the server, in a real browser."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from logger.model import NS, Row
from tests.dashboard.synthetic import NOW, value_at
from tests.e2e.asking import ask_to_acknowledge

pytestmark = pytest.mark.browser
LAST = "document.querySelector('.js-plotly-plot').data[3].x.slice(-1)[0]"
COUNT = "document.querySelector('.js-plotly-plot').data[3].y.filter(v => v === null).length"
RANGE = "document.querySelector('.js-plotly-plot')._fullLayout.xaxis.range.join(' ')"
VIENNA_MS = 2 * 3600 * 1000


def arrive(record: Any, minute: int, value: float = 20.0) -> int:
    """A reading of P1 that many minutes after NOW; gives its place on the axis."""
    taken = NOW + minute * 60 * NS
    record.add(Row("P1.temperature", taken, taken + NS, value))
    return taken // 1_000_000 + VIENNA_MS


def test_new_reading_is_drawn_and_zoom_is_kept(open_page: Callable[..., Any], record: Any) -> None:
    """A tick is under 1 KB; a range drawn by a real mouse stays over ticks; a silence breaks the line."""
    opened = open_page()
    page = opened.go("/", ".js-plotly-plot .nsewdrag")
    sizes: list[int] = []
    page.on(
        "response",
        lambda r: sizes.append(len(r.body())) if "extendData" in (r.request.post_data or "") else None,
    )
    box = page.locator(".js-plotly-plot .nsewdrag").first.bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.3, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.7, middle, steps=6)
    page.mouse.up()
    page.wait_for_timeout(300)
    zoomed, breaks = page.evaluate(RANGE), page.evaluate(COUNT)
    for minute in (0, 1, 12):
        opened.wait(f"{LAST} === {arrive(record, minute)}")
    assert page.evaluate(RANGE) == zoomed
    assert page.evaluate(COUNT) == breaks + 1
    assert sizes
    assert max(sizes) < 1024


def test_alert_is_told_and_acknowledged(open_page: Callable[..., Any], record: Any) -> None:
    """The banner names zone, rule, value, since when and what to do; acknowledging wants name and comment."""
    opened = open_page()
    page = opened.go("/", ".sentence")
    assert page.locator(".alert").count() == 0
    record.raise_alarm()
    page.wait_for_selector(".alert", timeout=9000)
    told = page.locator("#alert").inner_text()
    for part in (
        "Machine bay",
        "temperature",
        "20.71 ± 0.10 °C",
        "limit 20.5 °C",
        "since 15:55",
        "Stop measuring.",
    ):
        assert part in told
    assert page.locator("#alert").get_attribute("role") == "alert"
    assert page.locator("#polite").inner_text() == "1 alarm to acknowledge."
    ask_to_acknowledge(page)
    page.locator("#acknowledge-go").click()
    page.get_by_text("wanted a comment").wait_for()
    page.get_by_label("Comment: what you saw or did").fill("Door was open, closed it.")
    page.locator("#acknowledge-go").click()
    page.wait_for_selector(".alert", state="detached")
    assert record.acknowledged == [("bay-temperature", "Greta Holm", "Door was open, closed it.")]
    page.get_by_text("acknowledged", exact=False).first.wait_for()
    assert opened.seen.console == []


def test_stale_statement_loses_its_place(open_page: Callable[..., Any], record: Any) -> None:
    """Twenty minutes after the last word a zone is not shown, whatever it was, and the age is told."""
    record.at = NOW - 1200 * NS
    page = open_page().go("/", ".sentence")
    assert page.locator(".sentence").first.inner_text().strip() == "Machine bay: not shown."
    assert "The last word is 20 min old." in page.locator(".next-step").first.inner_text()


def test_lost_server_is_told_at_once(browser: Any, record: Any, served: Callable[..., Any]) -> None:
    """When the server does not answer any more, the page says since when and that no verdict holds."""
    from dashboard.app import create_app

    page = browser.new_page()
    with served(create_app(Path("unused"), source=record, now_ns=lambda: record.now, tick_s=1.0)) as where:
        page.goto(where)
        page.wait_for_selector(".sentence")
    page.wait_for_selector("#lost:not([hidden])", timeout=9000)
    assert "The server does not answer since" in page.locator("#lost").inner_text()
    assert "trust no verdict" in page.locator("#lost").inner_text()
    page.close()


def test_formula_of_the_record() -> None:
    """The invented record is what its formula says, so that the tests above compare with something known."""
    assert float(value_at("P1.temperature", [NOW - 7.5 * 3600 * NS])[0]) > 20.5
