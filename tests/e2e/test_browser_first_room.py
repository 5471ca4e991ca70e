"""The first setup in a real browser: by keyboard alone, at three widths, in light and dark."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from dashboard.first_room.app import Desk, create_app
from logger.first_room.draft import Draft
from logger.first_room.questions import QUESTIONS
from tests.first_room.conftest import ANSWER, answers, certified, probe

from .conftest import Opened

__all__ = ["answers", "certified", "probe"]
pytestmark = [pytest.mark.browser, pytest.mark.slow]
ICON = "favicon"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "room", tmp_path / "data", Draft(), starts=False)


@pytest.fixture
def form(desk: Desk, served: Callable[..., Any]) -> Iterator[str]:
    """Where the questions are served."""
    with served(SimpleNamespace(server=create_app(desk))) as where:
        yield where


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (390, "dark"), (768, "light"), (1280, "dark")])
def test_every_page_of_the_first_setup_is_accessible(
    open_page: Callable[..., Opened],
    form: str,
    desk: Desk,
    certified: dict[str, str],
    width: int,
    scheme: str,
) -> None:
    """Nothing for axe, nothing on the console, nothing wider than the screen."""
    desk.keep(Draft(certified))
    opened = open_page(width=width, scheme=scheme, where=form)
    opened.page.goto(f"{form}/?code={desk.code}")
    for path in (*(f"/{n}" for n in range(1, len(QUESTIONS) + 1)), "/summary"):
        page = opened.go(path, ready="h1")
        assert opened.axe() == [], path
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        places = "['.head', '.skip'].map(e => document.querySelector(e).getBoundingClientRect().left)"
        left, skip = page.evaluate(places)
        assert left >= 16, path  # the frame has its margins
        assert skip < 0, path  # and the way past it is not in sight
    assert opened.seen.console == []


def test_the_questions_are_answered_by_keyboard_alone(
    open_page: Callable[..., Opened], form: str, desk: Desk, answers: dict[str, str]
) -> None:
    """Type, Tab, Enter: from the first field to a setup in force; what was typed survives a reload."""
    opened = open_page(where=form)
    page = opened.page
    page.goto(f"{form}/?code={desk.code}")
    for place, question in enumerate(QUESTIONS, 1):
        page.wait_for_url(f"**/{place}")
        for field in question.fields(desk.draft):
            if field.options or field.kind == "long" or not answers.get(field.key, field.value):
                continue
            if page.is_hidden(f'[id="{field.key}"]'):  # bits per second of a network address
                assert field.key == "baud"
                continue
            page.focus(f'[id="{field.key}"]')
            page.keyboard.press("Control+A")
            page.keyboard.type(answers.get(field.key, field.value))
        if place == 1:
            page.keyboard.press("Tab")
            page.wait_for_load_state("networkidle")
            page.reload()
            assert page.input_value('[id="size"]') == "6 4 3"
        page.focus(".acts .act")
        page.keyboard.press("Enter")
    page.wait_for_url("**/summary")
    assert ANSWER in page.inner_text("aside")
    for ident, text in (
        ("name", "gholm"),
        ("new", "four plain words here"),
        ("again", "four plain words here"),
    ):
        page.focus(f'[id="{ident}"]')
        page.keyboard.type(text)
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Setup version 1 is in force.")
    assert opened.axe() == []
    assert desk.in_force.is_set()
