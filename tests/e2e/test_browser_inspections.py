"""Finding inspections, deciding on an excursion, and soak clocks, pressed in a real browser."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dashboard.parts.decisions import address
from tests.dashboard.synthetic import NOW

pytestmark = pytest.mark.browser


def test_a_job_is_found(open_page: Callable[..., Any]) -> None:
    opened = open_page()
    page = opened.go("/inspections", "#inspection-list .hand")
    page.get_by_label("Job, part, machine, person").fill("valve VB-9")
    page.locator("#find-go").click()
    page.locator("#inspection-list .hand", has_text="Gear hub").wait_for(state="detached")
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


def test_an_excursion_is_decided_on_and_closed(open_page: Callable[..., Any], record: Any) -> None:
    """Refused while something is missing; then the inspection is decided on, and it closes."""
    e = record.excursions(None, 0, NOW, NOW)[0]
    opened = open_page()
    page = opened.go(address(e), "#excursion-close")
    page.get_by_label("What happened").fill("Sun on the window")
    page.locator("#excursion-close").click()
    page.locator("#excursion-refusal .refusal").wait_for()
    assert "Missing: a cause" in page.locator("#excursion-refusal").inner_text()
    page.locator("#decide-customer").fill("nothing: 1 µm of 30 µm")
    page.locator("#decide-why").fill("small")
    page.locator("#decide-go").click()
    page.locator("#excursion-touched td", has_text="nothing: 1 µm").wait_for()
    (told,) = record.decided().of_inspections
    assert (told.inspection, told.decision) == ("J2", "stands")
    for label in ("What was done at once", "What it means for results", "What was decided"):
        page.get_by_label(label).fill("blind drawn")
    page.locator("#excursion-word").get_by_label("What the customer must be told").fill("nothing")
    page.locator("#excursion-cause").click()
    page.get_by_role("option", name="weather").click()
    page.locator("#excursion-close").click()
    page.locator("#excursion-refusal .done").wait_for()
    assert record.decided().excursion(e).closed
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
