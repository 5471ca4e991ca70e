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
    page.get_by_role("button", name="Taken away").click()
    page.locator("#soak-clocks .calm").wait_for()
    assert record.soaks(NOW) == []
    assert opened.seen.console == []
