"""A person's work in a real browser: a view of the past, the check of an interval, a job."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]
GRAPH = "document.querySelector('#trend-graph .js-plotly-plot')"
RANGE = f"{GRAPH}._fullLayout.xaxis.range.map(Number)"
POINTS = "document.querySelector('#trend-graph .js-plotly-plot').data[3].x.length"


def test_view_is_in_the_address(open_page: Callable[..., Any]) -> None:
    """From and To are typed, shown, and stand in a link that shows the same again."""
    opened = open_page()
    page = opened.go("/trend", "#trend-graph .main-svg")
    page.get_by_label("From, local").fill("2026-10-19 02:00")
    page.get_by_label("To, local").fill("2026-10-19 14:00")
    page.get_by_role("button", name="Show").click()
    page.wait_for_url("**from=2026-10-19+02%3A00**")
    page.locator("#trend-aside", has_text="2026-10-19 02:00 to 14:00 +02:00").wait_for()
    link = page.locator("#trend-link").get_attribute("href")  # printed, and copied by a button
    page = opened.go(link, "#trend-graph .main-svg")
    page.get_by_text("Periods: ").click()
    rows = page.locator("table", has_text="Periods, local time").locator("tbody tr").all_inner_texts()
    assert any("2026-10-19 08:11" in row and "not stable: nonconforming" in row for row in rows)
    assert opened.seen.console == []


def test_unreadable_window_keeps_the_form(open_page: Callable[..., Any]) -> None:
    """A date that is none is refused beside the form, in words, and the chart stays."""
    page = open_page().go("/trend", "#trend-graph .main-svg")
    page.get_by_label("From, local").fill("19.10.2026")
    page.get_by_role("button", name="Show").click()
    page.locator("#trend-refusal .refusal").wait_for()
    assert "19.10.2026" in page.locator("#trend-refusal").inner_text()
    assert page.locator("#trend-graph .main-svg").count() > 0


def test_zoom_asks_again_and_stays(open_page: Callable[..., Any]) -> None:
    """Dragging over three days brings every reading of the part, and the range stays where it was drawn."""
    opened = open_page()
    page = opened.go("/trend?from=2026-10-16T16:00&to=2026-10-19T16:00", "#trend-graph .nsewdrag")
    before = page.evaluate(POINTS)
    assert before <= 810
    box = page.locator("#trend-graph .nsewdrag").first.bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.2, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.3, middle, steps=6)
    page.mouse.up()
    opened.wait(f"{POINTS} !== {before}")
    first, last = page.evaluate(RANGE)
    minutes = (last - first) / 60_000
    assert minutes == pytest.approx(432, abs=6)
    assert page.evaluate(POINTS) == pytest.approx(minutes, abs=2)


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [
        ("2026-10-19 10:00", "2026-10-19 09:00", "not after its start"),
        ("2026-10-25 02:30", "2026-10-25 05:00", "occurs twice"),
        ("2027-01-01 10:00", "2027-01-01 11:00", "in the future"),
    ],
    ids=["end before start", "hour that occurs twice", "in the future"],
)
def test_impossible_interval_is_refused(
    open_page: Callable[..., Any], first: str, last: str, expected: str
) -> None:
    """Each refusal says what is wrong beside the form; nothing is answered."""
    page = open_page().go("/inspections", "#check-ask")
    page.get_by_label("From, local").fill(first)
    page.get_by_label("To, local").fill(last)
    page.get_by_role("button", name="Check").click()
    page.locator("#check-refusal .refusal").wait_for()
    assert expected in page.locator("#check-refusal").inner_text()
    assert page.locator("#check-answer").count() == 0


def test_job_is_started_and_stopped(open_page: Callable[..., Any], record: Any) -> None:
    """One press starts a job, one press stops it; while it runs it stands on Now."""
    opened = open_page()
    page = opened.go("/inspections", "#start-go")
    page.get_by_label("What is measured").fill("Planet carrier 88")
    page.get_by_role("button", name="Start now").click()
    page.get_by_role("button", name="Stop now").wait_for()
    job = next(j for j in record.inspections() if j.title == "Planet carrier 88")
    assert (job.person, job.to_ns) == ("Greta Holm", None)
    assert "Planet carrier 88" in opened.go("/", "#now-hands .hand").locator("#now-hands").inner_text()
    record.now += 600 * 1_000_000_000
    page = opened.go("/inspections", "#inspection-list tbody tr")
    page.get_by_role("button", name="Stop now").click()
    page.get_by_role("button", name="Stop now").wait_for(state="detached")
    (stopped,) = (i for i in record.inspections() if i.key == job.key)
    assert stopped.to_ns == record.now
