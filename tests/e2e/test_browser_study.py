"""Page Room study in a real browser: charts, tables and forms are clean for axe, wide and narrow."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.dashboard.test_study_page import stored

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_the_page_is_clean(open_page: Callable[..., Any], record: Any, width: int, scheme: str) -> None:
    """A stored answer with its chart and tables open: no fault of axe, nothing on the console."""
    stored(record)
    opened = open_page(scheme=scheme, width=width)
    page = opened.go("/study", "#study-cycles svg")
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert opened.axe() == []
    assert page.title() == "Room study – stillroom"
    assert page.get_by_text("Day ±0.60 K.").is_visible()
    assert opened.foreign() == []
    assert opened.seen.console == []
