"""The pages of a group: who gets into which room, walked by role, room and route."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import pytest
from werkzeug.test import Client

from dashboard.access.guard import CALLBACKS, need_of
from dashboard.access.needs import ANYONE
from dashboard.group.app import Group
from logger.model.roles import Act, Role, may
from logger.rooms.receipts import Receipts
from tests.rooms.conftest import NOW, PASSWORD, MadeGroup

ROLES = [role.value for role in Role]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Group]:
    """Two rooms; in hall-3 there is a person of each role, in hall-4 one metrologist."""
    rooms = MadeGroup(tmp_path_factory.mktemp("group") / "rooms.toml")
    rooms.add("hall-3")
    rooms.add("hall-4")
    for role in ROLES:
        rooms.person(role, f"The {role}", role, rooms=("hall-3",))
    rooms.person("other", "Somebody else", "metrologist", rooms=("hall-4",))
    rooms.person("guest", "A guest of the group")
    group = Group(rooms.file, now_ns=lambda: NOW)
    yield group
    group.close()


def signed_in(group: Group, name: str) -> Client:
    client = Client(group)
    page = client.get("/sign-in").text
    token = page.partition('name="csrf_token" value="')[2].partition('"')[0]
    answer = client.post("/sign-in", data={"name": name, "password": PASSWORD, "csrf_token": token})
    assert answer.status_code == 302, answer.text
    return client


def routes(group: Group) -> Iterator[tuple[str, Any]]:
    """Every GET route of a room's pages, with what it needs."""
    server = group.room_pages("hall-3").server
    for rule in server.url_map.iter_rules():
        if rule.endpoint != CALLBACKS and "GET" in (rule.methods or ()):
            path = "/".join("x" if part.startswith("<") else part for part in rule.rule.split("/"))
            yield path, need_of(group.room_pages("hall-3"), rule.endpoint)


@pytest.mark.slow
def test_page_rooms_shows_states_and_its_guest_gets_into_no_room(served: Group) -> None:
    client = signed_in(served, "guest")
    page = client.get("/").text
    assert "2 of 2 rooms need attention" in page
    assert "Plate bench: not shown" in page
    for word in ("Gear hub", "Valve body", "VB-9"):
        assert word not in page
    assert client.get("/hall-3/").status_code == 404


def test_page_rooms_names_a_room_that_nobody_confirmed(
    served: Group, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = "<b>Annex</b>"  # what a stranger may have sent
    receipt = SimpleNamespace(summary=SimpleNamespace(body={"name": name}, key_name="ab" * 32))
    monkeypatch.setattr(Receipts, "unlisted", lambda self, registry: iter([receipt]))
    page = signed_in(served, "guest").get("/").text
    assert "Not confirmed: &lt;b&gt;Annex&lt;/b&gt; sends a summary." in page
    assert f"stillroom rooms confirm KEY --key {'ab' * 32}" in page


@pytest.mark.slow
@pytest.mark.parametrize("role", ROLES)
def test_every_route_by_role_in_the_own_room(served: Group, role: str) -> None:
    """In the own room a role opens what it opens in a room that stands alone."""
    client = signed_in(served, role)
    for path, need in routes(served):
        if path.partition("/")[2].partition("/")[0] in (
            "sign-in",
            "account",
            "accounts",
            "first",
            "as",
            "api",
        ):
            continue  # the group's, and the machines'
        if path.startswith("/acknowledge/"):
            continue  # for who holds a link
        status = client.get(f"/hall-3{path}").status_code
        is_open = need == ANYONE or (need is not None and may({Role(role)}, Act(need)))
        assert (status in (401, 403)) == (not is_open), (role, path, status)


@pytest.mark.slow
@pytest.mark.parametrize("name", [*ROLES, "guest"])
def test_every_route_of_another_room_is_as_one_that_is_not_there(served: Group, name: str) -> None:
    """Same status and same words, whatever the route; hall-9 never was."""
    client = signed_in(served, name)
    for path, _ in routes(served):
        answers = [client.get(f"/{key}{path}") for key in ("hall-4", "hall-9")]
        assert answers[0].status_code == answers[1].status_code, path
        assert answers[0].status_code in (401, 404), path
        assert answers[0].text == answers[1].text, path


@pytest.mark.parametrize("method", ["get", "post", "put", "patch", "delete"])
def test_nobody_learns_whether_a_room_is_there(served: Group, method: str) -> None:
    client = Client(served)
    for path in (
        "/",
        "/trend",
        CALLBACKS,
        "/_dash-layout",
        "/assets/frame.css",
        "/api/v1/verdicts",
        "/acknowledge/x",
    ):
        ask: Callable[..., Any] = getattr(client, method)
        there, nowhere = ask(f"/hall-3{path}"), ask(f"/hall-9{path}")
        assert there.status_code == nowhere.status_code, path
        assert there.text.replace("hall-3", "hall-9") == nowhere.text, path
        assert there.status_code in (302, 400, 401, 404, 405), path


def test_a_call_of_another_room_does_nothing(served: Group) -> None:
    """A callback by a person of hall-3 at hall-4: refused by the group, with the token and without."""
    client = signed_in(served, "metrologist")
    body = {"output": "..page.children...shown.data..", "inputs": [], "state": [], "changedPropIds": []}
    assert client.post(f"/hall-4{CALLBACKS}", json=body).status_code in (400, 404, 405)
    page = client.get("/hall-3/")
    cookie = next(c for c in page.headers.getlist("Set-Cookie") if c.startswith("stillroom-csrf"))
    headers = {"X-CSRFToken": cookie.partition("=")[2].partition(";")[0]}
    assert client.post(f"/hall-4{CALLBACKS}", json=body, headers=headers).status_code in (404, 405)
    assert (
        client.post(f"/hall-3{CALLBACKS}", json=body, headers=headers).status_code == 400
    )  # let in, and empty


def test_roles_of_one_room_are_not_those_of_another(served: Group) -> None:
    client = signed_in(served, "other")
    assert client.get("/hall-4/").status_code == 200
    assert client.get("/hall-3/").status_code == 404


def test_a_machine_gets_in_by_a_token_of_that_room_alone(served: Group) -> None:
    from logger.model.roles import Scope
    from logger.people import Tokens
    from logger.store import Store

    with Store.open(served.registry.room("hall-3").data) as store:
        _, text = Tokens(store).add("watcher", {Scope.HEALTH, Scope.VERDICTS}, "test")
    client, header = Client(served), {"Authorization": f"Bearer {text}"}
    assert client.get("/hall-3/api/v1/health", headers=header).status_code == 200
    assert client.get("/hall-4/api/v1/health", headers=header).status_code == 401


def test_a_role_taken_away_closes_at_the_next_click(served: Group) -> None:
    from logger.people import People
    from logger.store import Store

    client = signed_in(served, "operator")
    assert client.get("/hall-3/trend").status_code == 200
    with Store.open(served.registry.room("hall-3").data) as store:
        People(store).set_active("operator", False, "test")
        assert client.get("/hall-3/trend").status_code == 404
        People(store).set_active("operator", True, "test")
    assert client.get("/hall-3/trend").status_code == 200


def test_the_own_password_holds_in_every_room(served: Group) -> None:
    from logger.people import People
    from logger.store import Store

    client = signed_in(served, "quality")
    page = client.get("/account").text
    token = page.partition('name="csrf_token" value="')[2].partition('"')[0]
    fresh = "another one of twelve"
    form = {"password": PASSWORD, "new": fresh, "again": fresh, "csrf_token": token}
    assert "Password changed." in client.post("/account/password", data=form).text
    with Store.open(served.registry.room("hall-3").data) as store:
        assert People(store).authenticate("quality", fresh) is not None
        assert store.verify().intact


def test_search_site_and_custodian(served: Group) -> None:
    client = signed_in(served, "guest")
    assert "2 of 2 rooms" in client.get("/?site=Almtal+Gearworks&custodian=Greta+Holm").text
    assert "None of the 2 rooms" in client.get("/?q=nowhere").text
    assert "1 of 1 room needs attention" in client.get("/?q=hall-4").text
    shown = client.get("/?q=<script>alert(1)</script>").text
    assert "<script>alert" not in shown


def test_a_room_that_is_away_is_as_none(served: Group, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its folder is not there: page Rooms says so, its address leads nowhere, all others go on."""
    from dashboard.group import app as pages
    from logger.errors import StoreError

    def gone(*_: Any, **__: Any) -> None:
        raise StoreError("The data folder is gone.")

    monkeypatch.setattr(pages, "create_app", gone)
    group = Group(served.registry.file, now_ns=lambda: NOW)
    client = signed_in(group, "metrologist")
    assert client.get("/hall-3/").status_code == 404
    assert client.get("/").status_code == 200
    group.close()
