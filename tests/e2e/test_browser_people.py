"""Signing in, in a real browser: by keyboard, on a phone, in the dark; and losing one's session."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.model.roles import Role
from logger.people import People
from tests.dashboard.synthetic import Synthetic

pytestmark = [pytest.mark.browser, pytest.mark.slow]
PASSWORD = "twelve or more of them"


@pytest.fixture
def real() -> Synthetic:
    """A record that counts as real, with an operator and a reader."""
    source = Synthetic(simulated=False)
    people = People(source.store)
    people.add("op", "Olga Pern", {Role.OPERATOR}, PASSWORD, "test")
    people.add("door", "Screen by the door", {Role.READER}, PASSWORD, "test")
    return source


@pytest.fixture
def where(real: Synthetic, served: Callable[..., Any]) -> Iterator[str]:
    from dashboard.app import create_app

    with served(create_app(Path("unused"), source=real, now_ns=lambda: real.now, tick_s=1.0)) as address:
        yield address


def sign_in(page: Any, name: str) -> None:
    """By keyboard alone, as it stands."""
    page.get_by_role("textbox", name="Name").focus()
    page.keyboard.press("Control+A")
    page.keyboard.type(name)
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (360, "dark")])
def test_plain_pages_are_clean(
    open_page: Callable[..., Any], where: str, address: str, width: int, scheme: str
) -> None:
    """axe finds nothing, nothing is asked of another host, nothing runs off the side."""
    opened = open_page(width=width, scheme=scheme, where=where)
    page = opened.go("/sign-in", "h1")
    assert page.title() == "Sign in – stillroom"
    assert opened.axe() == []
    page.get_by_role("textbox", name="Name").fill("op")
    page.get_by_label("Password", exact=True).fill("wrong")
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("alert").wait_for()
    assert page.get_by_role("textbox", name="Name").input_value() == "op"
    assert opened.axe() == []
    sign_in(page, "op")
    page.wait_for_selector("#page > *")
    for path in ("/account", "/first"):
        page = opened.go(path, "h1")
        assert opened.axe() == [], path
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert opened.foreign() == []
    invented = open_page(width=width, scheme=scheme, where=address)
    for path in ("/account", "/accounts", "/sign-in"):
        invented.go("/", "body *")
        page = invented.go(path, "h1")
        assert invented.axe() == [], path
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_day_of_an_operator(open_page: Callable[..., Any], where: str, real: Synthetic) -> None:
    """RecordedRequest for a page, signed in by keyboard, acknowledged under the own name, signed out."""
    real.raise_alarm()
    opened = open_page(where=where)
    page = opened.go("/trend?zone=plate-bench", "h1")
    sign_in(page, "op")
    page.wait_for_url("**/trend?zone=plate-bench")
    page = opened.go("/", ".alert")
    page.locator(".alert .act").click()
    page.get_by_label("Comment: what you saw or did").fill("Door was open.")
    page.locator("#alarm-acts button").click()
    page.wait_for_selector(".alert", state="detached")
    act = real.acts(0, 2**62, 9)[0]
    assert (act.what["alarm"], act.who, act.why) == ("bay-temperature", "Olga Pern", "Door was open.")
    page.get_by_role("link", name="Olga Pern").click()
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in")
    assert opened.seen.console == []


def test_a_reader_is_offered_no_act(open_page: Callable[..., Any], where: str, real: Synthetic) -> None:
    """No button to acknowledge, no page of jobs; the room is there."""
    real.raise_alarm()
    opened = open_page(where=where)
    sign_in(opened.go("/", "h1"), "door")
    opened.page.wait_for_selector(".alert")
    assert opened.page.get_by_role("button", name="Acknowledge").count() == 0
    assert opened.page.get_by_role("link", name="Inspections").count() == 0
    assert "Gear hub" not in opened.page.content()


def test_a_session_that_ended_is_said(open_page: Callable[..., Any], where: str, real: Synthetic) -> None:
    """Within seconds, with the way back to where one was."""
    opened = open_page(where=where)
    sign_in(opened.go("/trend", "h1"), "op")
    page = opened.page
    page.wait_for_selector("#trend-graph .main-svg")
    People(real.store).set_active("op", False, "test")
    page.get_by_text("You are signed out").wait_for()
    People(real.store).set_active("op", True, "test")
    page.get_by_role("link", name="Sign in again").click()
    sign_in(page, "op")
    page.wait_for_url("**/trend*")


def test_a_link_from_elsewhere_needs_no_second_sign_in(open_page: Callable[..., Any], where: str) -> None:
    """A mail's link brings no strict cookie; who is signed in still comes to the page."""
    opened = open_page(where=where)
    sign_in(opened.go("/", "h1"), "op")
    page = opened.page
    page.wait_for_selector("#now-sentences")
    page.route("http://elsewhere.example/", lambda route: route.fulfill(
        content_type="text/html", body=f'<a href="{where}/trend">the trend</a>'))  # fmt: skip
    page.goto("http://elsewhere.example/")
    page.get_by_role("link", name="the trend").click()
    page.wait_for_selector("#trend-graph")


def test_the_first_start(open_page: Callable[..., Any], served: Callable[..., Any]) -> None:
    """From the address on the terminal to the first administrator, and from there to a second account."""
    from dashboard.access.sign_in import First
    from dashboard.app import create_app

    record, first = Synthetic(simulated=False), First()
    with served(create_app(Path("unused"), source=record, first=first)) as where:
        opened = open_page(where=where)
        page = opened.go(f"/first?code={first.code}", "h1")
        page.get_by_label("Your full name, as records print it").fill("Greta Holm")
        page.get_by_label("A short name to sign in by").fill("gholm")
        page.get_by_label("metrologist").check()
        for label in ("Password", "Password, again"):
            page.get_by_label(label, exact=True).fill(PASSWORD)
        page.get_by_role("button", name="Create account").click()
        page.get_by_role("link", name="Greta Holm").click()
        page.get_by_role("link", name="Manage accounts").click()
        page.get_by_label("Full name, as records print it").fill("Ines Faber")
        page.get_by_label("A short name to sign in by").fill("faber")
        form = page.locator("form", has=page.get_by_label("A short name to sign in by"))
        form.get_by_label("quality").check()
        form.get_by_label("New password, 12 characters or more").fill(PASSWORD)
        form.get_by_label("New password, again").fill(PASSWORD)
        form.get_by_label("Your password, to confirm").fill(PASSWORD)
        form.get_by_role("button", name="Create account").click()
        page.get_by_text("Ines Faber signs in as faber: quality.").wait_for()
        assert opened.axe() == []
    assert [a.name for a in People(record.store).all()] == ["faber", "gholm"]


def test_a_limit_is_approved_by_two_people(open_page: Callable[..., Any], record: Synthetic) -> None:
    """Proposed by one, signed by another with password; neither the author nor a wrong password will do."""
    from logger.people import invented
    from tests.dashboard.synthetic_setup import texts as approved_texts

    texts, keeping = approved_texts(), record.keeping
    wider = {**texts, "limits.toml": texts["limits.toml"].replace("20.5", "20.6", 1)}
    number = keeping.propose(wider, "Greta Holm", "by the new specification", record.now)
    opened = open_page()
    page = opened.go("/limits", "h1")
    page.get_by_text(f"Proposal {number}: approval needed").wait_for()
    assert page.get_by_role("button", name="Approve").count() == 0  # Greta Holm, who proposed it
    page = opened.go("/account", "h1")
    page.get_by_role("button", name="Ines Faber").click()
    page = opened.go("/limits", "h1")
    signed = (("not this one", "password is wrong"), (invented.PASSWORD, "approved by Ines Faber"))
    for password, expected in signed:
        page.get_by_label("Your password, to sign").fill(password)
        page.get_by_role("button", name="Approve").click()
        page.locator("#limits-said", has_text=expected).wait_for()
    assert (keeping.versions()[-1].version, keeping.versions()[-1].approver) == (number, "Ines Faber")
    (entry,) = keeping.entries("", kinds=["setup-approved"])
    assert entry.what["through"] == {"at": "dashboard", "account": "faber", "signed": "approved"}
    wider = {**texts, "limits.toml": texts["limits.toml"].replace("20.5", "20.7", 1)}
    keeping.propose(wider, "Ines Faber", "and further", record.now)
    page = opened.go("/limits", "h1")
    page.get_by_label("Your password, to sign").fill(invented.PASSWORD)
    page.get_by_role("button", name="Approve").click()
    page.locator("#limits-said", has_text="another person approves it").wait_for()
    assert keeping.versions()[-1].version == number
