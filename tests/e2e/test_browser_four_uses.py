"""What stillroom is for, in a real browser: the live chart, the alert, the record, the inspection.

Everything else that a browser is needed for carries the marker `slow`.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.people.invented import PASSWORD
from tests.e2e.arrivals import LAST, arrive
from tests.e2e.asking import ask_to_acknowledge
from tests.programs import program

pytestmark = pytest.mark.browser
COUNT = "document.querySelector('.js-plotly-plot').data[3].y.filter(v => v === null).length"
RANGE = "document.querySelector('.js-plotly-plot')._fullLayout.xaxis.range.join(' ')"


def test_new_reading_is_drawn_and_zoom_is_kept(open_page: Callable[..., Any], record: Any) -> None:
    """A tick is under 1 KB; a range drawn by a real mouse stays over ticks; a silence breaks the line."""
    opened = open_page()
    page = opened.go("/", ".js-plotly-plot .nsewdrag")
    sizes: list[int] = []

    def measure(response: Any) -> None:
        """Of each tick but every twelfth, with which the trace and the labels follow."""
        if "now-added.data" in (response.request.post_data or "") and b'"figure"' not in response.body():
            sizes.append(len(response.body()))

    page.on("response", measure)
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


def test_an_alert_is_shown_and_acknowledged(open_page: Callable[..., Any], record: Any) -> None:
    """The line names zone, rule, value and since when, its sheet what to do; a comment is required."""
    opened = open_page()
    page = opened.go("/", ".sentence")
    assert page.locator(".alert").count() == 0
    record.raise_alarm()
    page.wait_for_selector(".alert", timeout=45_000)
    ask_to_acknowledge(page)
    text = page.locator(".alarm-line").inner_text()
    for part in (
        "HIGH",
        "Machine bay",
        "temperature",
        "20.71 ± 0.10 °C",
        "limit 20.5 °C",
        "since 15:55",
        "Stop measuring on the machine.",
    ):
        assert part in text
    assert page.locator("#polite").get_attribute("role") == "alert"
    assert page.locator("#polite").inner_text().startswith("1 unacknowledged alarm. Highest: high priority")
    page.locator("#alarm-acts button").click()
    page.get_by_text("Enter a comment").wait_for()
    page.get_by_label("Comment: what you saw or did").fill("Door was open, closed it.")
    page.locator("#alarm-acts button").click()
    page.wait_for_selector(".alert", state="detached")
    act = record.acts(0, 2**62, 9)[0]
    assert (act.what["alarm"], act.who) == ("bay-temperature", "Greta Holm")
    assert act.why == "Door was open, closed it."
    page.get_by_text("acknowledged", exact=False).first.wait_for()
    opened.wait("document.activeElement.tagName === 'MAIN'")  # the button that was pressed is gone
    assert opened.seen.console == []


@pytest.fixture
def history(demo_copy: Path, served: Callable[..., Any]) -> Iterator[str]:
    """The pages over the demo's fortnight, which end in October 2026; no service runs."""
    from dashboard.app import create_app

    with served(create_app(demo_copy)) as where:
        yield where


def test_the_record_of_a_week_is_issued_and_taken_along(
    open_page: Callable[..., Any], history: str, tmp_path: Path
) -> None:
    """Its PDF, as another program reads it, names zone, week and issuer; a second one is refused."""
    opened = open_page(where=history)
    page = opened.go("/records", "#at-ask")
    page.goto(history + "/sign-in")
    page.get_by_role("textbox", name="Name").fill("faber")
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_role("button", name="Sign in", exact=True).click()
    page = opened.go("/records", "#issue-go")
    page.locator("#issue-from").fill("2026-10-12")
    page.locator("#issue-to").fill("2026-10-19")
    page.locator("#issue-go").click()
    page.get_by_text("Record 1 issued.").wait_for()
    with page.expect_download() as download:
        page.locator("#record-list").get_by_role("link", name="PDF").click()
    download.value.save_as(tmp_path / "record.pdf")
    text = subprocess.run(
        [program("pdftotext"), "-layout", tmp_path / "record.pdf", "-"], capture_output=True, check=True
    ).stdout.decode()
    for part in ("Machine bay", "2026-10-12", "2026-10-19", "by Ines"):  # the surname is on the next line
        assert part in text
    page.locator("#issue-go").click()
    page.locator("#issue-refusal .refusal").wait_for()
    assert page.locator("#record-list tbody tr").count() == 1
    assert opened.seen.console == []


def test_interval_is_checked_through_the_page(open_page: Callable[..., Any]) -> None:
    """Zone, from, to: the answer names verdict, rule, value and limit; reasons and statistics are tables."""
    opened = open_page()
    page = opened.go("/inspections", "#check-ask")
    page.get_by_label("From, local").fill("2026-10-19 08:30")
    page.get_by_label("To, local").fill("2026-10-19 09:30")
    page.get_by_label("Pre-window, min").fill("30")
    page.get_by_role("button", name="Check").click()
    page.wait_for_selector("#check-answer")
    assert page.locator(".answer .sentence").inner_text() == "not stable: nonconforming"
    answer = page.locator("#check-answer").inner_text()
    assert "2026-10-19 08:30 +02:00 to 09:30" in answer
    assert "pre-window 30 min" in page.locator(".answer").inner_text().lower()
    assert page.locator("table", has_text="The deciding one first").locator("tbody tr").count() >= 1
    assert (
        page.locator("table", has_text="Statistics of the interval").locator("tbody tr").count() == 10
    )  # of three probes; dew point and absolute humidity of the two in air
    assert opened.seen.console == []
