"""A real record in a real browser: a limit changed by two people, a certificate one click away."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import create_app
from dashboard.data.administration import RecordAdministration
from dashboard.data.source import Source
from logger.acts.inspections import apply_setup
from logger.config import example_folder, load
from logger.instants import NS
from logger.model import Row
from logger.people.invented import PASSWORD
from logger.store import Store

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def keeping(tmp_path: Path) -> Iterator[RecordAdministration]:
    """The example's setup with an hour of two probes, and a proposal of Greta Holm that waits."""
    now = time.time_ns() // (60 * NS) * 60 * NS
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        apply_setup(store, load(example_folder()).texts, "Greta Holm", "first", "Ines Faber", now - 9000 * NS)
        for probe in ("P1", "P2"):
            taken = [now - (60 - i) * 60 * NS for i in range(60)]
            store.append("made", [Row(f"{probe}.temperature", at, at + NS, 20.0) for at in taken])
    source = Source(tmp_path / "data")
    texts = dict(source.keeping.versions()[-1].texts)
    texts["limits.toml"] = texts["limits.toml"].replace("upper_degC = 20.5", "upper_degC = 20.4", 1)
    source.keeping.propose(texts, "Greta Holm", "new machine specification", now)
    yield source.keeping
    source.store.close()


@pytest.fixture
def where(keeping: RecordAdministration, tmp_path: Path, served: Callable[..., Any]) -> Iterator[str]:
    with served(create_app(tmp_path / "data", tick_s=1.0)) as address:
        yield address


def sign_in(page: Any, where: str, name: str) -> None:
    page.goto(where + "/sign-in")
    page.get_by_role("textbox", name="Name").fill(name)
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.wait_for_selector("#page > *")


def test_a_proposal_shows_what_it_changes(open_page: Callable[..., Any], where: str) -> None:
    """One click from the page; what the second person fills in is labelled (deciding: beside sign-in)."""
    opened = open_page(where=where)
    page = opened.go("/limits", "#page h1")
    sign_in(page, where, "faber")
    page = opened.go("/limits", "#page h1")
    page.get_by_role("link", name="Show its effect").click()
    page.get_by_text("upper 20.5 → 20.4").wait_for()
    assert page.get_by_role("button", name="Approve").is_visible()
    assert opened.axe() == []
    page = opened.go("/journal?text=Holm+proposed", "#page table")
    assert "setup proposed" in page.get_by_role("table", name="Newest first").inner_text()


def test_certificate_opens_in_one_click(open_page: Callable[..., Any], where: str) -> None:
    """From the register to the paper, its points and the text of its file."""
    opened = open_page(where=where)
    page = opened.go("/probes", "#page table")
    page.get_by_role("link", name="AG-0411-T").click()
    page.get_by_role("heading", name="Certificate AG-0411-T").wait_for()
    assert "Traunfeld Calibration Laboratory" in page.locator("#page").inner_text()
    page.get_by_text("The file certificates/AG-0411-T.toml").click()
    assert "indication = 25.03" in page.locator("pre.file").inner_text()
    assert opened.seen.console == []


def test_probes_are_compared_by_the_form(open_page: Callable[..., Any], where: str) -> None:
    """Two channels chosen by keyboard, an answer in a table; too few are refused beside the form."""
    page = open_page(where=where).go("/probes", "#page table")
    page.get_by_role("button", name="Compare").click()
    page.get_by_text("Choose two or more channels").wait_for()
    page.get_by_role("textbox", name="Channels").click()
    for name in ("P1 table, temperature", "P2 top, temperature"):
        page.get_by_role("option", name=name).click()
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Compare").click()
    page.locator("#compare-answer").wait_for()
    assert "P1 table − P2 top" in page.locator("#compare-answer").inner_text()
