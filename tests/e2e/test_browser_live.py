"""Live charts, the alert, and the loss of the server, in a real browser."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from logger.errors import StoreError
from logger.instants import NS
from tests.dashboard.synthetic import NOW, value_at
from tests.e2e.arrivals import LAST, arrive

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_points_that_overtake_a_drawing_are_drawn_once(open_page: Callable[..., Any], record: Any) -> None:
    """A browser so busy that the next reading comes while the last is still being drawn: no point twice."""
    opened = open_page()
    page = opened.go("/", ".js-plotly-plot .nsewdrag")
    page.wait_for_function("window.Plotly && window.stillroomLive")
    page.evaluate(
        """() => { const own = window.Plotly.extendTraces; window.Plotly.extendTraces = function (...all) {
        return own.apply(this, all).then(g => new Promise(done => setTimeout(() => done(g), 2500))); }; }"""
    )
    arrive(record, 0)
    page.wait_for_timeout(1500)
    for minute in (1, 12):
        opened.wait(f"{LAST} === {arrive(record, minute)}")
    page.wait_for_timeout(3000)
    times = page.evaluate("document.querySelector('.js-plotly-plot').data[3].x.slice(-6)")
    assert times == sorted(set(times))
    assert [t - times[-1] for t in times[-4:]] == [-720_000, -660_000, -659_000, 0]


def test_points_that_come_with_a_new_trace_are_drawn(
    open_page: Callable[..., Any], record: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each minute limits and trace follow in the same answer: the graph component lost the points then.

    Seen by `bench dashboard`: of readings a second apart the second never came to the screen.
    """
    monkeypatch.setattr("dashboard.charts.live.TRACE_TICKS", 1)
    opened = open_page()
    opened.go("/", ".js-plotly-plot .nsewdrag")
    for minute in (0, 1, 2):
        opened.wait(f"{LAST} === {arrive(record, minute)}")


def test_no_sentence_says_stable_beside_an_alarm(open_page: Callable[..., Any], record: Any) -> None:
    """Banner and sentences have clocks of their own: what the one tells makes the other look again."""
    opened = open_page()
    page = opened.go("/", ".sentence")
    page.evaluate("window.dash_clientside.set_props('now-tick', {disabled: true})")
    page.wait_for_timeout(1500)
    assert page.locator(".sentence").first.inner_text().strip() == "Machine bay is stable."
    record.raise_alarm()
    page.wait_for_selector(".alert", timeout=45_000)
    page.get_by_text("Machine bay is not stable.").first.wait_for(timeout=45_000)
    assert opened.seen.console == []


def test_stale_statement_loses_its_place(open_page: Callable[..., Any], record: Any) -> None:
    """Twenty minutes after the last word a zone is not shown, whatever it was, and the age is told."""
    record.age_statements(1200)
    page = open_page().go("/", ".sentence")
    assert page.locator(".sentence").first.inner_text().strip() == "Machine bay: not shown."
    assert "No verdict for 20 min." in page.locator(".next-step").first.inner_text()


def test_lost_server_is_told_at_once(browser: Any, record: Any, served: Callable[..., Any]) -> None:
    """When the server does not answer any more, the page says since when and that no verdict holds."""
    from dashboard.app import create_app

    page = browser.new_page()
    with served(create_app(Path("unused"), source=record, now_ns=lambda: record.now, tick_s=1.0)) as where:
        page.goto(where)
        page.wait_for_selector(".sentence")
    page.wait_for_selector("#lost:not([hidden])", timeout=45_000)
    assert "The server does not answer since" in page.locator("#lost").inner_text()
    assert "trust no verdict" in page.locator("#lost").inner_text()
    page.close()


def test_a_record_that_cannot_be_read_is_told_on_an_open_page_until_it_can(
    open_page: Callable[..., Any], record: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pages answer, their database does not: what an open page shows is from before, and it says so."""
    page = open_page().go("/", ".sentence")

    def away(cursor: int) -> Any:
        raise StoreError("schema hall-3 of db.example/rooms could not be used: connection refused.")

    with monkeypatch.context() as patch:
        patch.setattr(record, "arrived_after", away)
        line = page.locator("#lost", has_text="The record cannot be read now; the last news is from")
        line.wait_for(timeout=45_000)
        page.wait_for_timeout(3000)  # answers of a moment ago serve no longer
        for _ in range(30):  # and no answer that needs nothing of the record takes the line away
            assert "trust no verdict" in page.locator("#lost").inner_text()
            page.wait_for_timeout(100)
    page.wait_for_selector("#lost", state="hidden", timeout=45_000)


def test_formula_of_the_record() -> None:
    """The invented record is what its formula says, so that the tests above compare with something known."""
    assert float(value_at("P1.temperature", [NOW - 7.5 * 3600 * NS])[0]) > 20.5


def test_silent_service_is_told_at_once(open_page: Callable[..., Any], record: Any) -> None:
    """The pages answer, the service behind them does not beat: every page says so, and takes it back."""
    page = open_page().go("/trend", "#trend-graph .main-svg")
    record.beat(200, stopped=False)
    page.wait_for_selector("#silent:not([hidden])", timeout=45_000)
    assert "The service says nothing since 3 min" in page.locator("#silent").inner_text()
    record.beat(5, stopped=False)
    page.wait_for_selector("#silent", state="hidden", timeout=45_000)


def test_zoomed_live_chart_says_that_it_stands_still(open_page: Callable[..., Any]) -> None:
    """A drag shows the word and the way back; the button follows the readings again."""
    page = open_page().go("/", ".js-plotly-plot .nsewdrag")
    page.wait_for_timeout(900)
    box = page.locator(".js-plotly-plot .nsewdrag").first.bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.2, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.5, middle, steps=6)
    page.mouse.up()
    page.get_by_text("Paused while zoomed").first.wait_for()
    page.get_by_role("button", name="Resume").first.click()
    page.get_by_text("Paused while zoomed").first.wait_for(state="hidden")


def test_temperatures_are_read_as_chosen(open_page: Callable[..., Any]) -> None:
    """68 °F for 20 °C on every page of this browser, until °C is chosen again."""
    opened = open_page()
    page = opened.go("/", "#now-probes table")
    page.get_by_role("button", name="Unit: °C").click()
    page.get_by_role("button", name="Unit: °F").wait_for()
    page.wait_for_selector("#now-probes table")
    row = page.locator("#now-probes tr", has_text="Bridge table").inner_text()
    assert "± 0.18 °F" in row
    assert "67 °F to 68.9 °F" not in row
    page = opened.go("/limits", "#page table")
    assert "67.1 °F to 68.9 °F" in page.locator("#page").inner_text()


def test_time_is_walked_through_by_keyboard(open_page: Callable[..., Any]) -> None:
    """Who cannot drag steps earlier and closer; each view stands in the address."""
    opened = open_page()
    page = opened.go("/trend?from=2026-10-19T02:00&to=2026-10-19T14:00", "#trend-graph .main-svg")
    page.get_by_role("button", name="Earlier").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**from=2026-10-18+20%3A00**")
    opened.wait("document.querySelector('#trend-from').value === '2026-10-18 20:00'")
    page.get_by_role("button", name="Zoom in").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**from=2026-10-18+23%3A00&to=2026-10-19+05%3A00**")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_what_is_expected_is_pale_named_and_read_out_apart(
    open_page: Callable[..., Any], record: Any, scheme: str
) -> None:
    """A band beyond now without a line, in the ink of the page; over it no measured value is read out."""
    steps = list(range(5, 65, 5))
    edges = {"low": [19.95 - m / 600 for m in steps], "high": [20.0 + m / 300 for m in steps]}
    body = {"channel": "P1.temperature", "value": 20.0, "minutes": steps, **edges}
    bay = {**record.live()["machine-bay"], "bands": [body]}
    record.live = lambda: {"machine-bay": bay}
    page = open_page(scheme=scheme).go("/", ".js-plotly-plot .nsewdrag")
    fill = page.wait_for_selector('.js-plotly-plot .fills path[style*="rgb(90, 102, 114)"]')
    seen = fill.evaluate(
        "p => [getComputedStyle(p).fill, getComputedStyle(p).fillOpacity, getComputedStyle(p).strokeWidth]"
    )
    ink = page.evaluate("getComputedStyle(document.querySelector('.aside')).color")
    assert seen[0] == ink
    assert float(seen[1]) < 0.25
    assert page.get_by_text("Grey, beyond now: expected in 8 cases of 10").count() == 1
    box = page.locator(".js-plotly-plot .nsewdrag").first.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.97, box["y"] + box["height"] / 2)
    readout = page.locator(".readout").first.inner_text()
    assert "P1" in readout
    assert "expected" in readout
    assert "±" not in readout
