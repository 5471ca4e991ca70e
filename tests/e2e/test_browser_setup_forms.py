"""Limits and placements are proposed in a real browser, by keyboard alone: effect, drafts, calendar."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import create_app
from dashboard.data.source import Source
from logger.acts.inspections import apply_setup
from logger.config import example_folder, load
from logger.instants import NS
from logger.model import Row
from logger.store import Store

from .conftest import Opened

pytestmark = [pytest.mark.browser, pytest.mark.slow]
HOUR_NS = 3600 * NS


@pytest.fixture
def source(tmp_path: Path) -> Iterator[Source]:
    """The example's setup of three hours ago, with two hours of two probes."""
    now = time.time_ns() // (60 * NS) * 60 * NS
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        apply_setup(
            store, load(example_folder()).texts, "Greta Holm", "first", "Ines Faber", now - 3 * HOUR_NS
        )
        for probe in ("P1", "P2"):
            taken = [now - (120 - i) * 60 * NS for i in range(120)]
            store.append("made", [Row(f"{probe}.temperature", at, at + NS, 20.45) for at in taken])
    opened = Source(tmp_path / "data")
    yield opened
    opened.store.close()


@pytest.fixture
def where(source: Source, tmp_path: Path, served: Callable[..., Any]) -> Iterator[str]:
    with served(create_app(tmp_path / "data", source=source, tick_s=30.0)) as address:
        yield address


def type_into(page: Any, label: str, text: str) -> None:
    """What stands in a field is replaced by key strokes."""
    page.get_by_label(label, exact=False).first.focus()
    page.keyboard.press("Control+A")
    page.keyboard.press("Delete")
    page.keyboard.type(text)


def unfold(page: Any, words: str) -> None:
    """Open a fold by Enter on its summary, unless it is open."""
    summary = page.locator("summary", has_text=words)
    summary.wait_for()
    if not summary.evaluate("s => s.parentElement.open"):
        summary.focus()
        page.keyboard.press("Enter")


def press(page: Any, ident: str) -> None:
    """Press a button with the keyboard, once it is there and can be pressed."""
    page.locator(f"#{ident}:not([disabled])").wait_for()
    page.locator(f"#{ident}").focus()
    page.keyboard.press("Enter")


def choose(page: Any, label: str, option: str) -> None:
    """One of a list, by arrow keys."""
    box = page.get_by_role("textbox", name=label, exact=True)
    box.focus()
    page.keyboard.press("ArrowDown")
    target = page.get_by_role("option", name=option)
    target.wait_for()
    for _ in range(30):
        if target.get_attribute("data-combobox-selected"):
            break
        page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    target.wait_for(state="hidden")


def test_a_limit_is_proposed_by_keyboard(
    open_page: Callable[..., Opened], where: str, source: Source
) -> None:
    """A draft of another rule survives a reload; the effect comes first; the proposal is in the record."""
    opened = open_page(where=where)
    page = opened.go("/limits", "text=Choose a rule")
    unfold(page, "Choose a rule")
    choose(page, "Rule", "Plate bench: temperature")
    opened.wait("document.querySelector('#limit-upper').value === '21'")
    type_into(page, "Upper limit", "20.4")
    type_into(page, "Basis: where", "house instruction MR-04")
    type_into(page, "Reason for the change", "study of October")
    page.keyboard.press("Tab")
    opened.wait("Object.values(sessionStorage).some(text => text.includes('study of October'))")
    page.reload()
    page.locator("#limit-rule").wait_for(state="attached")
    unfold(page, "Choose a rule")
    opened.wait("document.querySelector('#limit-upper')?.value === '20.4'")
    assert page.get_by_role("textbox", name="Rule", exact=True).input_value() == "Plate bench: temperature"
    assert page.get_by_label("Basis: where", exact=False).input_value() == "house instruction MR-04"
    assert page.get_by_label("Reason for the change").input_value() == "study of October"
    press(page, "limit-look")
    page.locator("#limit-effect", has_text="upper 21 → 20.4").wait_for()
    assert source.keeping.proposals() == []
    assert opened.axe() == []
    press(page, "limit-propose")
    page.locator("#limit-said .done", has_text="sent for approval").wait_for()
    (proposal,) = source.keeping.proposals()
    assert (proposal.why, "upper_degC = 20.4" in proposal.texts["limits.toml"]) == ("study of October", True)
    assert opened.seen.console == []


def test_a_refused_limit_keeps_what_was_typed(open_page: Callable[..., Opened], where: str) -> None:
    """What to enter is said beside the form, and nothing is proposed."""
    opened = open_page(where=where)
    page = opened.go("/limits", "text=Choose a rule")
    unfold(page, "Choose a rule")
    type_into(page, "Upper limit", "20,4")
    press(page, "limit-look")
    page.locator("#limit-effect .refusal", has_text="Upper limit: enter a number").wait_for()
    assert page.get_by_label("Upper limit", exact=False).first.input_value() == "20,4"
    assert page.locator("#limit-propose").count() == 0


def test_a_probe_is_moved_by_keyboard(open_page: Callable[..., Opened], where: str, source: Source) -> None:
    """The day from the calendar keeps the time that was typed; the draft survives; the effect comes first."""
    opened = open_page(where=where)
    page = opened.go("/probes", "text=Enter what was done")
    unfold(page, "Enter what was done")
    choose(page, "Probe", "P2, at")
    choose(page, "Position (moved, new)", "Machine scale")
    at = page.evaluate("new Date(Date.now() - 40 * 60000).toISOString().slice(0, 10)")
    type_into(page, "When it was done, local", "2026-01-01 00:00")
    dated = page.locator(".slot.dated:has(#place-at)")
    dated.get_by_role("button", name="Calendar").focus()
    assert page.evaluate("document.activeElement.className") == "calendar"
    dated.locator(".calendar-day").evaluate(
        "(day, at) => { day.value = at; day.dispatchEvent(new Event('change', {bubbles: true})); }", at
    )
    assert page.locator("#place-at").input_value() == f"{at} 00:00"
    type_into(page, "When it was done, local", "")
    type_into(page, "New probe, as in probes.toml", "")
    page.locator("#place-why").focus()
    page.keyboard.type("moved beside the scale")
    page.keyboard.press("Tab")
    opened.wait("Object.values(sessionStorage).some(text => text.includes('moved beside the scale'))")
    page.reload()
    page.locator("#place-kind").wait_for(state="attached")
    unfold(page, "Enter what was done")
    opened.wait("document.querySelector('#place-why').value === 'moved beside the scale'")
    assert "P2, at" in page.get_by_role("textbox", name="Probe", exact=True).input_value()
    press(page, "place-look")
    page.locator("#place-effect", has_text="placement of P2").wait_for()
    assert source.keeping.proposals() == []
    press(page, "place-propose")
    page.locator("#place-said .done", has_text="sent for approval").wait_for()
    (proposal,) = source.keeping.proposals()
    assert proposal.why == "moved beside the scale"
    assert opened.seen.console == []
