"""Finding inspections, deciding on a case, and soak clocks, pressed in a real browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import create_app
from dashboard.data.source import Source
from logger.people.invented import PASSWORD
from tests.dashboard.synthetic import NOW
from tests.inspections.test_lists import NOW as AFTERWARDS

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_a_job_is_found(open_page: Callable[..., Any]) -> None:
    opened = open_page()
    page = opened.go("/inspections", "#inspection-list tbody tr")
    page.get_by_label("Job, part, machine, person").fill("valve VB-9")
    page.locator("#find-go").click()
    page.locator("#inspection-list tbody tr", has_text="Gear hub").wait_for(state="detached")
    assert "Valve body 4480" in page.locator("#inspection-list").inner_text()
    assert opened.seen.console == []


def test_an_answer_is_marked_as_soon_as_a_field_differs(open_page: Callable[..., Any]) -> None:
    """Grey, hatched and named; unmarked again when the field is put back. The answer comes first."""
    opened = open_page()
    page = opened.go(
        "/inspections?zone=machine-bay&from=2026-10-19%2008:30&to=2026-10-19%2009:30&length=420&material=steel",
        "#check-answer",
    )
    result, note = page.locator("#check-result"), page.locator("#check-earlier")
    assert "earlier" not in (result.get_attribute("class") or "")
    assert "machine-bay" not in page.locator("#check-question").inner_text()
    assert "420 mm · steel on a steel scale" in page.locator("#check-question").inner_text()
    top = page.locator(".answer .sentence").bounding_box()["y"]
    assert top < page.get_by_role("heading", name="Around the interval").bounding_box()["y"]
    assert page.get_by_label("Length, mm").is_hidden()
    page.get_by_text("Change", exact=True).click()
    page.get_by_label("Length, mm").fill("421")
    page.locator("#check-result.earlier").wait_for()
    assert note.inner_text().startswith("Below: the earlier answer. Changed since: length.")
    assert opened.axe() == []
    page.get_by_label("Length, mm").fill("420")
    page.locator("#check-result:not(.earlier)").wait_for()
    assert note.inner_text() == ""
    page.get_by_label("To, local").fill("2026-10-19 08:00")
    page.locator("#check-ask").click()
    page.locator("#check-refusal .refusal").wait_for()
    assert "earlier" in (result.get_attribute("class") or "")
    assert opened.seen.console == []


@pytest.fixture
def history(demo_copy: Path, served: Callable[..., Any]) -> Iterator[str]:
    """The pages over the demo's history, whose clock stands still on 2026-11-18."""
    source = Source(demo_copy)
    app = create_app(demo_copy, source=source, now_ns=lambda: AFTERWARDS, tick_s=30.0)
    with served(app) as where:
        yield where
    source.store.close()


def test_a_case_is_decided_on_and_closed_and_what_is_typed_survives(
    open_page: Callable[..., Any], history: str
) -> None:
    """A draft is there after a reload; a refused close names what is missing; then it closes."""
    opened = open_page(where=history)
    page = opened.go("/cases", "#case-close")
    page.get_by_label("1. Cause in words").fill("damper stuck")
    page.locator("#case-draft", has_text="not saved yet").wait_for()
    page.reload()
    page.wait_for_selector("#case-close")
    assert page.get_by_label("1. Cause in words").input_value() == "damper stuck"
    page.get_by_label("Your password").fill(PASSWORD)
    page.locator("#case-close").click()
    page.locator("#close-refusal", has_text="a decision on I-2603, I-2604; a cause from the list").wait_for()
    assert page.get_by_label("1. Cause in words").input_value() == "damper stuck"
    for key in ("I-2603", "I-2604"):
        row = page.locator(f"#decide-{key}")
        row.get_by_role("textbox", name="Decision on").click()
        row.get_by_role("option", name="measure again").click()
        row.get_by_label("Customer").fill("a day later")
        row.get_by_label("Reason").fill("large")
        row.get_by_role("button", name="Decide").click()
        row.wait_for(state="detached")
    for label in ("2. Immediate action", "3. Effect on results", "4. Decision", "5. Customer"):
        page.get_by_label(label).fill("done")
    page.get_by_role("textbox", name="1. Cause", exact=True).click()
    page.get_by_role("option", name="air handling").click()
    page.get_by_label("Your password").fill(PASSWORD)
    page.locator("#case-close").click()
    page.get_by_role("heading", name="Case 1 is closed.").wait_for()
    assert opened.seen.console == []


def test_a_soak_clock_is_started_and_ended(open_page: Callable[..., Any], record: Any) -> None:
    opened = open_page()
    page = opened.go("/soak", "#soak-ask")
    page.locator("#soak-ask").click()
    page.locator("#soak-answer .sentence").wait_for()
    assert "Ready after" in page.locator("#soak-answer").inner_text()
    page.get_by_label("Name of the part").fill("Ring 7")
    page.locator("#soak-begin").click()
    page.locator(".clock-part h2", has_text="Ring 7").wait_for()
    page.get_by_role("button", name="Removed").click()
    page.locator("#soak-clocks .calm").wait_for()
    assert record.soaks(NOW) == []
    assert opened.seen.console == []
