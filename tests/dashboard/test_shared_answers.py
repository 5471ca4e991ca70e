"""Equal questions of many pages get one answer; nobody gets one that is not theirs, or of before an act."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from dashboard.access import shared_answers
from dashboard.app import create_app
from dashboard.parts import alert
from logger.model.roles import Role
from logger.people import People
from tests.dashboard.synthetic import Synthetic
from tests.dashboard.test_dashboard_app import TICK
from tests.dashboard.test_who_may import PASSWORD, signed_in

CALLBACKS = "/_dash-update-component"


class Room:
    """Pages over a record that counts as real, with four people; how often the server worked out a tick."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        # Whatever else runs on this machine, an answer lasts here until a test says otherwise.
        monkeypatch.setattr(shared_answers, "LASTS_S", 1e6)
        monkeypatch.setattr(shared_answers, "ADMITTED_S", 1e6)
        self.record, self.worked = Synthetic(simulated=False), 0
        people = People(self.record.store)
        for name, role in (("op", Role.OPERATOR), ("other", Role.OPERATOR), ("eye", Role.READER)):
            people.add(name, f"{name.title()} Pern", {role}, PASSWORD, "test")
        drawn = alert.header_clock

        def counted(q: Any) -> Any:
            self.worked += 1
            return drawn(q)

        self.app = create_app(self.record.store.folder, source=self.record, now_ns=lambda: self.record.now)
        monkeypatch.setattr(alert, "header_clock", counted)


@pytest.fixture
def room(monkeypatch: pytest.MonkeyPatch) -> Iterator[Room]:
    pages = Room(monkeypatch)
    yield pages
    pages.record.store.close()


def tick(client: Any, n: int = 1) -> Any:
    """The tick of the alarm line, as a page sends it by its clock."""
    clock = {"id": "shell-tick", "property": "n_intervals", "value": n}
    return client.post(CALLBACKS, json=TICK | {"inputs": [clock, TICK["inputs"][1]]})


def test_equal_questions_are_worked_out_once(room: Room) -> None:
    """Of two people with the same role, and again of each; the number of the tick does not matter."""
    first, second = signed_in(room.app, "op"), signed_in(room.app, "other")
    room.worked = 0
    answers = [tick(client, n) for n, client in enumerate((first, second, first, second), 1)]
    assert room.worked == 1
    assert [answer.status_code for answer in answers] == [200] * 4
    assert len({answer.data for answer in answers}) == 1
    assert all("default-src 'self'" in answer.headers["Content-Security-Policy"] for answer in answers)
    assert all(len(answer.headers.getlist("Content-Length")) == 1 for answer in answers)


def test_an_answer_ends(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    """After its time the server looks anew."""
    monkeypatch.setattr(shared_answers, "LASTS_S", -1.0)
    client = signed_in(room.app, "op")
    room.worked = 0
    assert tick(client).status_code == tick(client).status_code == 200
    assert room.worked == 2


def test_who_has_not_signed_in_gets_none_of_it(room: Room) -> None:
    """Nor does who has signed out, though the same cookies were let through just before."""
    client = signed_in(room.app, "op")
    assert tick(client).status_code == 200
    stranger = room.app.server.test_client()
    assert tick(stranger).status_code == 401
    stranger.environ_base["HTTP_X_CSRFTOKEN"] = client.environ_base["HTTP_X_CSRFTOKEN"]
    assert tick(stranger).status_code in (400, 401)
    cookies = [(c.key, c.value) for c in client._cookies.values()]
    token = client.environ_base["HTTP_X_CSRFTOKEN"]
    assert client.post("/sign-out", data={"csrf_token": token}).status_code == 302
    again = room.app.server.test_client()
    for key, value in cookies:
        again.set_cookie(key, value)
    again.environ_base["HTTP_X_CSRFTOKEN"] = token
    assert tick(again).status_code in (400, 401)


def test_another_role_or_unit_has_its_own(room: Room) -> None:
    """Who may only read sees no button; °F is another answer."""
    room.record.raise_alarm()
    operator, reader = signed_in(room.app, "op"), signed_in(room.app, "eye")
    assert "Acknowledge" in tick(operator).text
    assert "Acknowledge" not in tick(reader).text
    celsius = tick(operator).text
    operator.set_cookie("stillroom-temperature", "degF")
    fahrenheit = tick(operator).text
    assert "°F" in fahrenheit
    assert "°F" not in celsius


def test_an_act_is_seen_at_once(room: Room) -> None:
    """Also by others: what was kept is of before it."""
    room.record.raise_alarm()
    first, second = signed_in(room.app, "op"), signed_in(room.app, "other")
    assert "Acknowledge" in tick(first).text
    assert "Acknowledge" in tick(second).text
    pressed = {
        "output": "..acknowledge-refusal.children...acknowledge-comment.value...acted.data..",
        "outputs": [
            {"id": "acknowledge-refusal", "property": "children"},
            {"id": "acknowledge-comment", "property": "value"},
            {"id": "acted", "property": "data"},
        ],
        "inputs": [
            {
                "id": "acknowledging",
                "property": "data",
                "value": {"subject": [room.record.alarms()[0].key], "at": 1},
            }
        ],
        "state": [
            {"id": "acknowledge-comment", "property": "value", "value": "window open"},
            {"id": "acted", "property": "data", "value": None},
        ],
        "changedPropIds": ["acknowledging.data"],
    }
    assert first.post(CALLBACKS, json=pressed).status_code == 200
    assert "window open" in tick(second).text
    assert "window open" in tick(first).text


def test_a_callback_that_does_not_declare_it_is_asked_each_time(room: Room) -> None:
    """What a person asks for is never of before."""
    client = signed_in(room.app, "op")
    room.worked = 0
    assert tick(client).status_code == 200
    by_person = TICK | {"changedPropIds": ["acted.data"]}
    for _ in range(2):
        assert client.post(CALLBACKS, json=by_person).status_code == 200
    assert room.worked == 3


def test_what_is_kept_is_bounded(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many questions differ."""
    monkeypatch.setattr(shared_answers, "MOST", 3)
    client, shared = signed_in(room.app, "op"), room.app.server.wsgi_app
    for i in range(8):
        seen = [{"id": "shell-seen", "property": "data", "value": {"count": i}}]
        assert client.post(CALLBACKS, json=TICK | {"state": seen}).status_code == 200
    assert len(shared._replies) <= 3
