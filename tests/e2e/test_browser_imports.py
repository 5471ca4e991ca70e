"""Page Import in a real browser: a file goes in with its questions answered, and nothing is wrong for axe."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from tests.dashboard.test_import_page import logger_file

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_file_goes_in_by_the_page(
    open_page: Callable[..., Any], record: Any, tmp_path: Any, scheme: str
) -> None:
    file = tmp_path / "bay 1.csv"
    file.write_bytes(logger_file())
    opened = open_page(scheme=scheme)
    page = opened.go("/import", "h1")
    assert opened.axe() == []
    going_on: list[Any] = []  # the file is on its way until we let it go on
    page.route("**/import/file/*", lambda route: going_on.append(route))  # noqa: PLW0108
    with page.expect_file_chooser() as chooser:
        page.get_by_label("Choose or drop a file").press("Enter")
    chooser.value.set_files(str(file))
    page.get_by_text("MB sent").wait_for()
    assert page.get_by_role("progressbar", name="Progress of sending the file").is_visible()
    assert opened.axe() == []
    going_on[0].continue_()
    look = page.get_by_text("Preview")
    look.wait_for()
    page.get_by_label(re.compile("^Column bay")).first.click()
    page.get_by_role("option", name="P1 temperature").click()
    page.get_by_label("Unit of bay").first.click()
    page.get_by_role("option", name="degC").click()
    page.get_by_label(re.compile("^Time zone")).fill("UTC")
    assert opened.axe() == []
    look.click()
    page.get_by_text("30 readings would be stored").wait_for()
    assert opened.axe() == []
    page.get_by_role("button", name="Import", exact=True).press("Enter")
    page.get_by_text("30 readings are stored").wait_for()
    assert [f.name for f in record.store.imports.all()] == ["bay 1.csv"]
