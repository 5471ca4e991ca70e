"""A certificate entered in a real browser: typed, kept over a reload, its effect shown, proposed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import create_app
from dashboard.data.source import Source

from .conftest import Opened

pytestmark = [pytest.mark.browser, pytest.mark.slow]
AFTERWARDS = 1_794_999_600 * 10**9  # 2026-11-18T11:00:00Z, by `date -d`
TYPED = {
    "Number": "AG-0411-T2",
    "Issued by": "Example laboratory",
    "Calibrated on": "2026-11-10",
    "Due on": "2027-11-10",
    "In use from": "2026-11-19",
    "Largest drift until due, ±": "0.05",
    "Basis of the drift": "three recalibrations",
    "Reason": "yearly calibration",
}


@pytest.fixture
def history(demo_copy: Path, served: Callable[..., Any]) -> Iterator[str]:
    """The pages over the demo's history, whose clock stands still on 2026-11-18."""
    source = Source(demo_copy)
    with served(create_app(demo_copy, source=source, now_ns=lambda: AFTERWARDS, tick_s=30.0)) as where:
        yield where
    source.store.close()


def test_a_certificate_is_entered_and_proposed(open_page: Callable[..., Opened], history: str) -> None:
    """What is typed is there after a reload; nothing is proposed before the effect was shown."""
    opened = open_page(where=history)
    page = opened.go("/probes", "text=Enter a certificate")
    page.get_by_text("Enter the data or drop an XML file").click()
    for label, text in TYPED.items():
        page.get_by_label(label, exact=True).fill(text)
    points = page.get_by_label("Points, one a line", exact=False)
    points.fill("15.02 15.00 0.06")
    page.locator("#cert-look").click()
    page.locator("#cert-effect .refusal", has_text="Points: enter at least two").wait_for()
    points.fill("15.02 15.00 0.06\n30.03 30.00 0.06")
    points.blur()
    page.reload()
    page.wait_for_selector("#cert-number", state="attached")
    page.get_by_text("Enter the data or drop an XML file").click()
    assert page.get_by_label("Number", exact=True).input_value() == "AG-0411-T2"
    page.locator("#cert-look").click()
    page.locator("#cert-effect", has_text="Newest reading").wait_for()
    assert "+0.03" in page.locator("#cert-effect").inner_text()
    assert opened.axe() == []
    page.locator("#cert-propose").click()
    page.locator("#cert-said .done", has_text="sent for approval").wait_for()
    page.get_by_role("link", name="its effect, and approval").click()
    page.get_by_text("approval needed").wait_for()
    assert opened.seen.console == []
