"""Page Rooms in a real browser: two hundred rooms, one silent, one forged, one whose record went back."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from dashboard.group.app import Group
from logger.record.signatures import _create_key
from logger.rooms import registry
from logger.rooms.summary import FILE, opened, signed
from tests.rooms.conftest import NOW, PASSWORD, MadeGroup

pytestmark = [pytest.mark.browser, pytest.mark.slow]
COUNT, SILENT, FORGED, BACK = 200, 17, 61, 120


@dataclass
class AsServed:
    """A WSGI application in the shape that `served` takes."""

    server: Any


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory, served: Callable[..., Any]) -> Iterator[str]:
    """One whole room, and 199 that have a key and a signed summary of their own; where they are served."""
    many_rooms = MadeGroup(tmp_path_factory.mktemp("many") / "rooms.toml")
    folder = many_rooms.add("hall-0")
    body = dict(opened((folder / FILE).read_bytes()).body)
    for number in range(1, COUNT):
        _made_room(many_rooms, number, body)
    many_rooms.person("greta", "Greta Holm", "metrologist", rooms=("hall-0",))
    group = Group(many_rooms.file, now_ns=lambda: NOW)
    group.states()  # the centre has seen all of them before one went back
    _write(many_rooms, BACK, {**body, "name": f"Hall {BACK}", "head": [1, "0" * 64]})
    with served(AsServed(group)) as address:
        yield address
    group.close()


def _made_room(group: MadeGroup, number: int, body: dict[str, Any]) -> None:
    folder = group.file.parent / f"hall-{number}"
    folder.mkdir()
    key = _create_key(folder / "keys" / "signing-key.pem")
    registry.add(group.file, registry.RoomEntry(f"hall-{number}", Path(f"hall-{number}"), key.name))
    stable = [{**z, "verdict": "stable", "sentence": f"{z['name']} is stable."} for z in body["zones"]]
    zones = body["zones"] if number % 40 == 0 else stable
    own = {**body, "name": f"Hall {number}", "site": f"Works {number % 5}", "zones": zones, "due": []}
    if number == SILENT:
        own |= {"at_ns": NOW - 3600 * 10**9, "until_ns": NOW - 3420 * 10**9}
    (folder / FILE).write_bytes(signed(own, key))
    if number == FORGED:
        text = (folder / FILE).read_text(encoding="utf-8")
        (folder / FILE).write_text(text.replace(f"Hall {FORGED}", "Hall 6I"), encoding="utf-8")


def _write(group: MadeGroup, number: int, body: dict[str, Any]) -> None:
    from logger.record.signatures import _read_key

    folder = group.file.parent / f"hall-{number}"
    (folder / FILE).write_bytes(signed(body, _read_key(folder / "keys" / "signing-key.pem")))


def sign_in(page: Any, address: str) -> None:
    page.goto(f"{address}/sign-in")
    page.fill("#name", "greta")
    page.fill("#password", PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_selector("#rooms")


@pytest.mark.parametrize(
    ("width", "scheme"), [(1280, "light"), (1280, "dark"), (390, "light"), (1920, "dark")]
)
def test_two_hundred_rooms(many: str, open_page: Callable[..., Any], width: int, scheme: str) -> None:
    """The three that are not to be trusted are named first; clean for axe; the time is printed."""
    opened_page = open_page(width=width, scheme=scheme, where=many)
    page = opened_page.page
    sign_in(page, many)
    begin = time.monotonic()
    page.goto(many)
    page.wait_for_selector(".quiet-site li >> nth=150")
    print(f"page Rooms of {COUNT} rooms, {width} px: {time.monotonic() - begin:.2f} s")
    rows = page.locator(".room-row").all_inner_texts()
    assert "went back" in rows[0]
    assert f"Hall {BACK}" in rows[0]
    assert "changed after it was signed" in rows[1]
    assert f"Hall {SILENT}" in rows[2]
    assert "Nothing heard since" in rows[2]
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert opened_page.axe() == []
    assert opened_page.seen.console == []
    assert opened_page.foreign() == []


def test_from_the_rooms_into_one_and_back(many: str, open_page: Callable[..., Any]) -> None:
    """A link opens the room below its path; its pages and its reload stay there."""
    opened_page = open_page(where=many)
    page = opened_page.page
    sign_in(page, many)
    page.click("a[href='/hall-0/']")
    page.wait_for_selector("#now-sentences")
    page.click("#nav-trend")
    opened_page.wait("document.title.startsWith('Trend')")
    assert page.url == f"{many}/hall-0/trend"
    page.reload()
    opened_page.wait("document.title.startsWith('Trend')")
    assert page.evaluate("document.documentElement.dataset.page") == "trend"
    page.click("#nav-rooms")
    page.wait_for_selector("#rooms")
    # On a busy machine a browser remarks that what was fetched ahead is not used yet.
    assert [expected for expected in opened_page.seen.console if "was preloaded" not in expected] == []
    page.goto(f"{many}/hall-1/")
    assert "none that your account may see" in page.inner_text("main")
