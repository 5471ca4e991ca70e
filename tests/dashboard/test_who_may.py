"""Who may do what: every route and every callback is walked as every role and as nobody."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from dashboard.access.guard import CALLBACKS, need_of, undeclared
from dashboard.access.needs import ANYONE
from dashboard.app import PAGES, create_app
from logger.model.roles import Act, Role, may
from logger.people import People
from tests.dashboard.synthetic import Synthetic

PASSWORD = "twelve or more of them"
REFUSED = (401, 403)
SHOW = "..page.children...shown.data.."  # the callback that shows a page


@pytest.fixture(scope="module")
def room() -> Iterator[tuple[Synthetic, Any]]:
    """A record that counts as real, with one account of each role."""
    record = Synthetic(simulated=False)
    people = People(record.store)
    for role in Role:
        people.add(role.value, f"The {role.value}", {role}, PASSWORD, "test")
    yield record, create_app(record.store.folder, source=record, now_ns=lambda: record.now)
    record.store.close()


def with_token(client: Any) -> Any:
    """The same browser, sending the token with each call as Dash does."""
    cookie = next(c for c in client.get("/").headers.getlist("Set-Cookie") if c.startswith("stillroom-csrf"))
    client.environ_base["HTTP_X_CSRFTOKEN"] = cookie.partition("=")[2].partition(";")[0]
    return client


def signed_in(app: Any, name: str) -> Any:
    """A browser that has signed in, and holds the token that Dash sends along."""
    client = app.server.test_client()
    page = client.get("/sign-in").text
    token = page.partition('name="csrf_token" value="')[2].partition('"')[0]
    response = client.post("/sign-in", data={"name": name, "password": PASSWORD, "csrf_token": token})
    assert response.status_code == 302, response.text
    return with_token(client)


def example(ident: str) -> Any:
    """An identifier that a pattern takes."""
    if not ident.startswith("{"):
        return ident
    return {key: "x" if isinstance(value, list) else value for key, value in json.loads(ident).items()}


def calls_of(app: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    """A well-formed call of every callback of the server, with nothing in it."""
    for output, entry in app.callback_map.items():
        if "callback" in entry:
            parts = {
                name: [
                    [] if "[" in part["id"] else {"id": example(part["id"]), "property": part["property"]}
                    for part in entry[kind]
                ]
                for name, kind in (("inputs", "inputs"), ("state", "state"))
            }
            outputs = [{"id": "x", "property": "y"}]
            yield output, {"output": output, "outputs": outputs, "changedPropIds": [], **parts}


@pytest.mark.slow
def test_everything_declares_who_may(room: Any) -> None:
    """A part that says nothing opens to nobody, and stops the program from starting."""
    app = room[1]
    assert undeclared(app) == []
    assert sum("callback" in entry for entry in app.callback_map.values()) >= 8


def test_a_callback_without_a_need_does_not_start(monkeypatch: pytest.MonkeyPatch) -> None:
    from dash import Input, Output

    from dashboard.pages import now

    def careless(app: Any, _: Any) -> None:
        app.callback(Output("a", "b"), Input("c", "d"))(lambda value: value)

    monkeypatch.setattr(now, "register", careless)
    with pytest.raises(TypeError, match=r"declare no need.*careless"):
        create_app(Synthetic().store.folder, source=Synthetic())


def test_a_refusal_is_a_page_for_a_browser_and_a_line_for_others(room: Any) -> None:
    """It was a bare line in a white window, without a way back."""
    client = signed_in(room[1], Role.READER.value)
    page = client.get("/accounts", headers={"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"})
    assert page.status_code == 403
    assert "Your role does not allow this. Needed: administrator." in page.text
    assert '<a href="/">Back to Now</a>' in page.text
    assert client.get("/accounts").text == "Your role does not allow this. Needed: administrator.\n"


@pytest.mark.parametrize("role", [None, *Role], ids=lambda role: role.value if role else "nobody")
def test_every_route_as_everybody(room: Any, role: Role | None) -> None:
    """What a role may not do is answered by 401, 403 or the sign-in page, and nothing else is."""
    app = room[1]
    client = signed_in(app, role.value) if role else app.server.test_client()
    for rule in app.server.url_map.iter_rules():
        if rule.endpoint == CALLBACKS or "GET" not in (rule.methods or ()):
            continue
        need = need_of(app, rule.endpoint)
        path = "/".join("x" if part.startswith("<") else part for part in rule.rule.split("/"))
        answer = client.get(path)
        if rule.endpoint.startswith("api.") and rule.endpoint != "api.described":
            # A session opens nothing for machines; what no route names is not there for anybody. Kinds
            # of problems are open to everybody, and "x" is none.
            nowhere = rule.rule in ("/api/", "/api/v1/problems/<kind>") or "<path:_>" in rule.rule
            assert answer.status_code == (404 if nowhere else 401), rule.rule
            continue
        shut = answer.status_code in REFUSED or "/sign-in" in answer.headers.get("Location", "")
        open_to = need == ANYONE or (role is not None and need is not None and may({role}, Act(need)))
        if rule.endpoint != "people.opening":  # which asks for a code besides, see test_sign_in.py
            assert shut == (not open_to), (rule.rule, answer.status_code)
        answer.close()


@pytest.mark.slow
@pytest.mark.parametrize("role", [None, *Role], ids=lambda role: role.value if role else "nobody")
def test_every_callback_as_everybody(room: Any, role: Role | None) -> None:
    """A callback runs for those roles alone that its declared need allows."""
    app = room[1]
    client = signed_in(app, role.value) if role else app.server.test_client()
    for output, body in calls_of(app):
        need = app.callback_map[output]["callback"].needs
        status = client.post(CALLBACKS, json=body).status_code
        if role is None:
            assert status == 401, output
        elif may({role}, Act(need)):
            assert status in (200, 204, 400), output  # 400: it was let in and could not read an empty call
        else:
            assert status == 403, output


def test_refused_attempts_are_in_the_journal(room: Any) -> None:
    """Who tried what from where; the reader who would acknowledge, and somebody unknown."""
    record, app = room
    client = signed_in(app, "reader")
    output, body = next((o, b) for o, b in calls_of(app) if "acknowledge-comment.value" in o)
    assert client.post(CALLBACKS, json=body).status_code == 403
    events = [(e.who, e.what["attempt"]) for e in record.store.journal.entries(kind="refused")]
    assert ("The reader", f"callback {output}"[:200]) in events
    assert app.server.test_client().post(CALLBACKS, json=body).status_code == 401
    assert any(e.who == "nobody" for e in record.store.journal.entries(kind="refused"))


def test_call_without_the_token_changes_nothing(room: Any) -> None:
    """A page elsewhere cannot read the token, and without it a call is refused."""
    app = room[1]
    client = signed_in(app, "operator")
    _, body = next((o, b) for o, b in calls_of(app) if o == SHOW)
    del client.environ_base["HTTP_X_CSRFTOKEN"]
    assert client.post(CALLBACKS, json=body).status_code == 400


def drawn(client: Any, path: str) -> str:
    """What a browser is sent for a page: its frame and its content."""
    inputs = [{"id": "address", "property": name, "value": value} for name, value in
              (("pathname", path.partition("?")[0]), ("search", "?" + path.partition("?")[2]))]  # fmt: skip
    outputs = [{"id": "page", "property": "children"}, {"id": "shown", "property": "data"}]
    state = [{"id": "shown", "property": "data", "value": None}]
    body = {"output": SHOW, "outputs": outputs, "inputs": inputs, "state": state}
    answer = client.post(CALLBACKS, json={**body, "changedPropIds": []})
    assert answer.status_code == 200, answer.text
    frame = client.get("/_dash-layout", headers={"Referer": f"http://localhost{path}"}).text
    return str(answer.text) + str(frame)


@pytest.mark.slow
def test_a_reader_sees_no_job(room: Any) -> None:
    """On no page, by no address, while an operator sees them where they belong."""
    record, app = room
    jobs = record.inspections()
    job_words = {word for job in jobs for word in (job.title, job.person, job.part) if word}
    assert len(job_words) >= 3
    reader, operator = signed_in(app, "reader"), signed_in(app, "operator")
    queries = [page.PATH for page in PAGES]
    queries += [f"{path}?inspection=J2&zone=machine-bay" for path in queries]
    queries += ["/trend?zone=machine-bay&from=2026-10-16T16:00&to=2026-10-19T16:00"]
    for path in queries:
        shown = drawn(reader, path)
        assert not [word for word in job_words if word in shown], path
        assert "/inspections" not in shown, path
    assert all(job.title in drawn(operator, "/inspections") for job in jobs)
    assert not [word for word in job_words if word in drawn(operator, "/wall")]  # whoever is signed in there
