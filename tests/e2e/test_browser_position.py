"""The page behind the code of a label, on a phone: the answer is in its first screen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]
FIRST_SCREEN = 844


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("key", ["bridge-table", "bench-air", "granite-plate"])
def test_the_answer_stands_in_the_first_screen(
    open_page: Callable[..., Any], record: Any, key: str, scheme: str
) -> None:
    """Verdict, value and button above 844 px of 390; nothing wider than the phone; nothing for axe."""
    record.raise_alarm()
    opened = open_page(width=390, scheme=scheme)
    page = opened.go(f"/positions/{key}", ".position h1")

    verdict = page.locator(".position h1").bounding_box()
    button = page.locator(".position-button").bounding_box()
    assert verdict["y"] + verdict["height"] < 300
    assert button["y"] + button["height"] < FIRST_SCREEN - 60  # the alarm line stands at the lower edge
    assert button["height"] >= 56
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert opened.axe() == []
    assert opened.seen.console == []


def test_no_job_is_named_and_the_words_follow_the_verdict(open_page: Callable[..., Any], record: Any) -> None:
    """Stable: measure. Not shown: do not begin. The overdue probe has no certificate in force."""
    opened = open_page(width=390)
    fit = opened.go("/positions/bridge-table", ".position h1").locator(".position").inner_text()
    assert fit.index("Stable.") < fit.index("Measure.") < fit.index("Start an inspection")
    assert "P1, Bridge table" in fit
    unfit = opened.go("/positions/bench-air", ".position h1").locator(".position").inner_text()
    assert unfit.index("Not shown.") < unfit.index("Do not begin.")
    for job in ("J1", "J2", "4471", "Valve body"):
        assert job not in fit + unfit


def test_an_unknown_position_names_the_known_ones(open_page: Callable[..., Any]) -> None:
    page = open_page(width=390).go("/positions/nowhere", "#page h1")
    assert "There is no position 'nowhere'. The setup has: " in page.locator("#page").inner_text()
    assert "bridge-table" in page.locator("#page").inner_text()
