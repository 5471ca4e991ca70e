"""The link of a mail: shows, asks, acts once, and never by being opened."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import create_app
from logger.acts import alarms as attending
from logger.acts import inspections as actions
from logger.config import example_folder, read_texts
from logger.core.alarms.condition import Cell
from logger.core.alarms.lifecycle import Alarm, AlarmState, step
from logger.instants import NS
from logger.model import AlarmSpec, Conformity
from logger.notify.links import Permit, sign_permit
from logger.store import Store

NOW = 1_792_382_400 * NS
SPEC = AlarmSpec("bay-temperature", "machine-bay.temperature", "high", "", "Stop measuring.", on_delay_s=0)
PERMIT = Permit("bay-temperature", 1, "annunciated", "Greta Holm", NOW + NS)


@pytest.fixture
def room(tmp_path: Path) -> Iterator[tuple[Store, Any]]:
    """A real record with one alarm that waits, and a browser that nobody has signed in with."""
    folder = tmp_path / "data"
    with Store.open(folder, create=True, simulated=False) as store:
        texts = read_texts(example_folder())
        texts["room.toml"] = texts["room.toml"].replace("simulated = true", "simulated = false")
        actions.apply_setup(store, texts, "Greta Holm", "first", "Ines Faber", NOW - NS)
        cell = Cell(NOW - 60 * NS, NOW, Conformity.NONCONFORMING, 20.9, 0.06, -0.4, "degC", 20.5, "AG-1")
        with store.begin() as conn:
            result = step(SPEC, Alarm(SPEC.key), [cell], [], NOW).alarm
            attending.put_alarm(conn, result, NOW)
        app = create_app(folder, now_ns=lambda: NOW)
        yield store, app.server.test_client()


def state(store: Store) -> AlarmState:
    """Of the one alarm."""
    return attending.alarm_list(store)[0].state


def pressed(client: Any, address: str, comment: str = "on my way") -> Any:
    """The form of the page, sent."""
    token = client.get(address).text.partition('name="csrf_token" value="')[2].partition('"')[0]
    return client.post(address, data={"csrf_token": token, "comment": comment})


def test_opening_shows_and_does_nothing(room: tuple[Store, Any]) -> None:
    """As often as a scanner likes, also by HEAD; without an account."""
    store, client = room
    address = f"/acknowledge/{sign_permit(store.folder, PERMIT)}"

    pages = [client.get(address), client.get(address)]
    assert client.head(address).status_code == 200

    assert [p.status_code for p in pages] == [200, 200]
    assert "Acknowledge as Greta Holm" in pages[0].text
    assert "temperature" in pages[0].text
    assert state(store) is AlarmState.UNACKNOWLEDGED


def test_pressing_acknowledges_once(room: tuple[Store, Any]) -> None:
    """Under the name that was signed, with the way it came by; a second time it says so."""
    store, client = room
    address = f"/acknowledge/{sign_permit(store.folder, PERMIT)}"

    response, again = pressed(client, address), client.get(address)

    assert (response.status_code, again.status_code) == (200, 410)
    assert "Greta Holm has acknowledged it already" in again.text
    assert state(store) is AlarmState.ACKNOWLEDGED
    entry = store.journal.entries(kind="alarm")[-1]
    assert (entry.who, entry.why) == ("Greta Holm", "on my way")
    assert "link in a mail" in str(entry.what)


@pytest.mark.parametrize("comment", ["", "   ", "\u200b"])
def test_a_press_without_a_comment_asks_again(room: tuple[Store, Any], comment: str) -> None:
    """Nothing is changed; the sentence says what to enter, and the form is there for it."""
    store, client = room
    address = f"/acknowledge/{sign_permit(store.folder, PERMIT)}"

    page = pressed(client, address, comment)

    assert page.status_code == 400
    assert "Enter a comment: what you saw or did." in page.text
    assert "Acknowledge as Greta Holm" in page.text
    assert state(store) is AlarmState.UNACKNOWLEDGED
    assert pressed(client, address).status_code == 200


@pytest.mark.slow
@pytest.mark.parametrize("token", ["x", "x.y", "%00", "A" * 3000])
def test_a_forged_link_opens_nothing(room: tuple[Store, Any], token: str) -> None:
    """And says no more than that."""
    store, client = room

    assert client.get(f"/acknowledge/{token}").status_code in (404, 410)
    assert pressed(client, f"/acknowledge/{token}").status_code in (400, 404, 409)
    assert state(store) is AlarmState.UNACKNOWLEDGED


def test_without_the_token_of_the_form_nothing_happens(room: tuple[Store, Any]) -> None:
    """A forged request of another page."""
    store, client = room
    address = f"/acknowledge/{sign_permit(store.folder, PERMIT)}"

    assert client.post(address, data={"comment": "x"}).status_code == 400
    assert state(store) is AlarmState.UNACKNOWLEDGED
