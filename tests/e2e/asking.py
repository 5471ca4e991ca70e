"""What a person does on a page, where a single call of the browser would not be like a person."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import TimeoutError as NotThere


def ask_to_acknowledge(page: Any) -> None:
    """Open the question of the alert. A click that meets its redrawing is lost; one clicks again."""
    for _ in range(3):
        page.locator(".alert button").click()
        try:
            page.get_by_label("Your name").wait_for(timeout=3000)
        except NotThere:
            continue
        return
    raise AssertionError("The question did not open after three clicks.")
