"""What a person does on a page."""

from __future__ import annotations

from typing import Any


def ask_to_acknowledge(page: Any) -> None:
    """Open the question of the alert: one click, whatever is redrawn meanwhile."""
    page.locator(".alert .act").click()
    page.get_by_label("Comment: what you saw or did").wait_for()
