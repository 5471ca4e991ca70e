"""Signing in, sessions, the first administrator, and requests of people who mean no good."""

from __future__ import annotations

import json
import stat
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from flask import g

from dashboard.access.guard import CALLBACKS
from dashboard.access.sign_in import First
from dashboard.app import create_app
from dashboard.data.queries import Queries
from dashboard.pages.limits import _decision
from logger.errors import StoreError
from logger.model.roles import Role
from logger.people import People, invented
from logger.store import SetupProposal
from logger.store.secret import secret_key
from tests.dashboard.synthetic import Synthetic
from tests.dashboard.test_who_may import PASSWORD, calls_of, signed_in, with_token

TRACES = ["X-Forwarded-For", "Forwarded", "Via", "X-Real-IP", "X-Forwarded-Host", "X-Forwarded-Proto"]


@pytest.fixture
def real() -> Iterator[tuple[Synthetic, People, Any]]:
    """A record that counts as real, with an operator."""
    record = Synthetic(simulated=False)
    people = People(record.store)
    people.add("op", "Olga Pern", {Role.OPERATOR}, PASSWORD, "test")
    yield record, people, create_app(record.store.folder, source=record, now_ns=lambda: record.now)
    record.store.close()


def tried(client: Any, name: str, password: str, **more: Any) -> Any:
    """An answer to name and password, given by the form of the page."""
    token = client.get("/sign-in").text.partition('name="csrf_token" value="')[2].partition('"')[0]
    form = {"name": name, "password": password, "csrf_token": token}
    return client.post("/sign-in", data={**form, **more})


@pytest.mark.slow
def test_who_signs_in_goes_on_to_where_they_were(real: Any) -> None:
    """The page that was asked for comes after signing in; another host never does."""
    client = real[2].server.test_client()
    response = client.get("/trend?zone=machine-bay")
    assert response.headers["Location"] == "/sign-in?next=/trend%3Fzone%3Dmachine-bay"
    reply = tried(client, "OP", PASSWORD, next="/trend?zone=machine-bay")
    assert (reply.status_code, reply.headers["Location"]) == (302, "/trend?zone=machine-bay")
    for foreign in ("//evil.example", "https://evil.example", "/\\evil.example", "/%0d%0aX:y", "data:x"):
        place = tried(real[2].server.test_client(), "op", PASSWORD, next=foreign).headers["Location"]
        assert place in ("/", foreign)
        assert not place.startswith(("//", "/\\", "http", "data"))


def test_cookies_are_strict(real: Any) -> None:
    """Not sent from elsewhere, not readable by scripts, over TLS alone where there is TLS."""
    record = real[0]
    response = tried(real[2].server.test_client(), "op", PASSWORD)
    cookie = next(c for c in response.headers.getlist("Set-Cookie") if c.startswith("stillroom-"))
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "Secure" not in cookie
    app = create_app(record.store.folder, source=record, tls=True)
    page = app.server.test_client().get("/sign-in", base_url="https://localhost")
    assert "Secure" in page.headers["Set-Cookie"]
    assert page.headers["Strict-Transport-Security"].startswith("max-age=")


def test_signing_in_gives_a_fresh_session(real: Any) -> None:
    """What a stranger planted in the browser before is worth nothing after (session fixation)."""
    app = real[2]
    planted = app.server.test_client()
    planted.get("/sign-in")
    before = planted.get_cookie(app.server.config["SESSION_COOKIE_NAME"]).value
    victim = app.server.test_client()
    victim.set_cookie(app.server.config["SESSION_COOKIE_NAME"], before)
    assert tried(victim, "op", PASSWORD).status_code == 302
    assert victim.get("/account").status_code == 200
    assert planted.get("/account").status_code == 401
    first = victim.get_cookie(app.server.config["SESSION_COOKIE_NAME"]).value
    tried(victim, "op", PASSWORD)
    planted.set_cookie(app.server.config["SESSION_COOKIE_NAME"], first)
    assert planted.get("/account").status_code == 401  # and the session before has ended


def test_signing_out_ends_the_session_on_the_server(real: Any) -> None:
    """A cookie that was copied before opens nothing after."""
    app = real[2]
    name = app.server.config["SESSION_COOKIE_NAME"]
    client = signed_in(app, "op")
    copied = client.get_cookie(name).value
    assert client.post("/sign-out").status_code == 302
    other = app.server.test_client()
    other.set_cookie(name, copied)
    assert other.get("/account").status_code == 401


def test_a_forged_cookie_opens_nothing(real: Any) -> None:
    """Neither one of another record's key, nor a made-up session under the right one."""
    from flask.sessions import SecureCookieSessionInterface

    app = real[2]
    sign = SecureCookieSessionInterface().get_signing_serializer(app.server)
    assert sign is not None
    for value in (sign.dumps({"_user_id": "op"}), sign.dumps({"_user_id": 5}), "nonsense", ""):
        client = app.server.test_client()
        client.set_cookie(app.server.config["SESSION_COOKIE_NAME"], value)
        assert client.get("/account").status_code == 401


def test_wrong_passwords_are_bounded_and_journalled(real: Any) -> None:
    """After five: 429 with the time to wait, even for the right one; wrong names and passwords read alike."""
    record, _, app = real
    client = app.server.test_client()
    for name in ("op", "nobody-here"):
        answer = tried(client, name, "wrong password 123")
        assert answer.status_code == 401
        assert "Name or password is wrong." in answer.text
    for _ in range(4):
        tried(client, "op", "wrong password 123")
    answer = tried(client, "op", PASSWORD)
    assert answer.status_code == 429
    assert int(answer.headers["Retry-After"]) > 200
    events = [e.why for e in record.store.journal.entries(kind="refused")]
    assert any("wrong name or password" in why for why in events)


@pytest.mark.slow
def test_strangers_lock_out_nobody_who_belongs_here(real: Any) -> None:
    """Dozens of wrong sign-ins from the same address (a house, or a proxy that was not named): who signed in
    before by this browser does so again, and who is signed in signs. Each name that was tried is journalled.
    """
    record, people, app = real
    browser, stranger = signed_in(app, "op"), app.server.test_client()
    for number in range(60):
        tried(stranger, f"name{number}" if number % 3 else "op", "wrong password 123")
    assert tried(stranger, "op", PASSWORD).status_code == 429
    new = {"password": PASSWORD, "new": "another one of them", "again": "another one of them"}
    assert "Password changed" in browser.post("/account/password", data=new).text
    with_token(browser).post("/sign-out")
    del browser.environ_base["HTTP_X_CSRFTOKEN"]
    assert tried(browser, "op", "another one of them").status_code == 302
    attempts = [e.what["attempt"] for e in record.store.journal.entries(kind="refused")]
    assert {"sign-in as op", "sign-in by a name that has no account"} <= set(attempts)
    assert people.find("op") is not None


def test_a_demonstration_shows_its_passwords_where_they_are_asked_for() -> None:
    """On this machine the two-person drill can be clicked through: the password stands beside its field, and
    a link leads to the other people and back. From elsewhere, and on a real record, neither does.
    """
    from dashboard.access.sign_in import password_hint

    record = Synthetic()
    app = create_app(record.store.folder, source=record)
    client = app.server.test_client()
    assert invented.PASSWORD in with_token(client).get("/accounts").text
    assert "Ines Faber" in client.get("/account?next=/limits%3Fproposal%3D2").text
    assert "/limits?proposal=2" in client.get("/account?next=/limits%3Fproposal%3D2").text
    holm = People(record.store).account("holm")
    q, proposal = Queries(record), SetupProposal(2, 0, "Greta Holm", "tighter", 1, False, {}, "", "waiting")
    for headers, shown in (({}, True), ({"X-Forwarded-For": "192.0.2.7"}, False)):
        with app.server.test_request_context("/", headers=headers, environ_base={"REMOTE_ADDR": "127.0.0.1"}):
            g.account = holm
            assert (invented.PASSWORD in password_hint()) == shown
            drill = str(_decision(q, proposal))
            assert (invented.PASSWORD in drill) == shown
            assert ("/account?next=/limits%3Fproposal%3D2" in drill) == shown
            assert (" to Ines Faber." in drill) == shown  # who can end what this leads to
            alone = str(_decision(q, replace(proposal, who="Ines Faber")))
            assert ("Nobody but its author may approve it." in alone) == shown


def test_forms_take_the_token_of_their_page(real: Any) -> None:
    """A form that another page sends is refused, whatever it knows."""
    app = real[2]
    form = {"name": "op", "password": PASSWORD}
    assert app.server.test_client().post("/sign-in", data=form).status_code == 400
    client = signed_in(app, "op")
    del client.environ_base["HTTP_X_CSRFTOKEN"]
    assert client.post("/sign-out").status_code == 400
    assert client.post("/account/password", data={"new": "x"}).status_code == 400
    assert client.get("/account").status_code == 200


@pytest.mark.parametrize(
    "headers", [{"Sec-Fetch-Site": "cross-site"}, {"Origin": "null"}, {"Origin": "http://x.example"}]
)
def test_what_comes_from_another_page_is_refused(real: Any, headers: dict[str, str]) -> None:
    client = signed_in(real[2], "op")
    _, body = next(iter(calls_of(real[2])))
    assert client.post(CALLBACKS, json=body, headers=headers).status_code == 403


def test_a_link_in_a_mail_asks_once_more(real: Any) -> None:
    """A strict cookie does not come along from elsewhere; our own page asks again, and then it does."""
    page = real[2].server.test_client().get("/trend", headers={"Sec-Fetch-Site": "cross-site"})
    assert page.status_code == 200
    assert 'http-equiv="refresh"' in page.text
    assert "Olga" not in page.text


def test_own_password_is_changed(real: Any) -> None:
    """With the present one; every other session of the account ends."""
    _, people, app = real
    here, elsewhere = signed_in(app, "op"), signed_in(app, "op")
    wrong = {"password": "not the present", "new": "another one of them", "again": "another one of them"}
    assert here.post("/account/password", data=wrong).status_code == 400
    right = {**wrong, "password": PASSWORD}
    assert here.post("/account/password", data={**right, "again": "x"}).status_code == 400
    response = here.post("/account/password", data=right)
    assert "Password changed" in response.text
    assert here.get("/account").status_code == 200
    assert elsewhere.get("/account").status_code == 401
    assert people.authenticate("op", "another one of them") is not None


class TestAdministration:
    """Other accounts, by an administrator and nobody else, each time with the own password."""

    @pytest.fixture
    def admin(self, real: Any) -> Any:
        real[1].add("boss", "Nora Adler", {Role.ADMINISTRATOR}, PASSWORD, "test")
        return signed_in(real[2], "boss")

    def test_an_account_is_made_and_ended(self, real: Any, admin: Any) -> None:
        people = real[1]
        assert "Olga Pern (op): operator" in admin.get("/accounts").text
        form = {"act": "add", "person": "Ivo Kern", "name": "ikern", "role": ["quality"], "own": PASSWORD}
        new = {"new": "still another of them", "again": "still another of them"}
        assert "signs in as ikern: quality" in admin.post("/accounts", data={**form, **new}).text
        assert people.authenticate("ikern", new["new"]) is not None
        for act in ({"act": "roles", "role": ["reader"]}, {"act": "password", **new}, {"act": "disable"}):
            assert admin.post("/accounts", data={"name": "ikern", "own": PASSWORD, **act}).status_code == 200
        assert people.authenticate("ikern", new["new"]) is None
        events = real[0].store.journal.entries(kind="account")[-1]
        assert (events.who, events.what["act"]) == ("Nora Adler", "disable")
        assert events.what["through"] == {"at": "dashboard", "account": "boss", "signed": "confirmed"}

    @pytest.mark.slow
    @pytest.mark.parametrize(
        "wrong",
        [
            {"own": "not mine at all"}, {"own": ""}, {"act": "remove"}, {"role": ["boss"]}, {"role": []},
            {"name": "nobody"}, {"act": "add", "person": "", "new": PASSWORD, "again": PASSWORD},
        ],
    )  # fmt: skip
    def test_what_is_wrong_changes_nothing(self, real: Any, admin: Any, wrong: dict[str, Any]) -> None:
        before = real[1].all()
        form = {"act": "roles", "name": "op", "role": ["quality"], "own": PASSWORD, **wrong}
        assert admin.post("/accounts", data=form).status_code == 400
        assert real[1].all() == before

    def test_the_last_administrator_stays(self, admin: Any) -> None:
        response = admin.post("/accounts", data={"act": "disable", "name": "boss", "own": PASSWORD})
        assert (response.status_code, "last administrator" in response.text) == (400, True)

    def test_nobody_else_may(self, real: Any) -> None:
        client = signed_in(real[2], "op")
        assert client.get("/accounts").status_code == 403
        form = {"act": "roles", "name": "op", "own": PASSWORD}
        assert client.post("/accounts", data=form).status_code == 403


class TestFirst:
    """The first administrator: a code from the terminal, on this machine, once."""

    @pytest.fixture
    def empty(self) -> Iterator[tuple[Any, First, list[float]]]:
        record, now = Synthetic(simulated=False), [0.0]
        first = First(lambda: now[0])
        yield create_app(record.store.folder, source=record, first=first), first, now
        record.store.close()

    def test_is_made_by_the_code(self, empty: Any) -> None:
        app, first, _ = empty
        client = app.server.test_client()
        assert "There is no account yet" in client.get("/sign-in").text
        page = client.get(f"/first?code={first.code}")
        assert page.status_code == 200
        form = {
            "csrf_token": page.text.partition('name="csrf_token" value="')[2].partition('"')[0],
            "code": first.code, "person": "Greta Holm", "name": "gholm", "role": ["quality", "boss"],
            "new": PASSWORD, "again": PASSWORD,
        }  # fmt: skip
        assert client.post("/first", data={**form, "code": "x"}).status_code == 403
        assert client.post("/first", data={**form, "again": "x"}).status_code == 400
        assert client.post("/first", data=form).status_code == 302
        assert "administer accounts" in client.get("/account").text
        assert with_token(client).post("/first", data={**form, "csrf_token": ""}).status_code == 410
        assert client.get(f"/first?code={first.code}").status_code == 410

    @pytest.mark.slow
    @pytest.mark.parametrize("trace", TRACES)
    def test_not_through_a_proxy(self, empty: Any, trace: str) -> None:
        app, first, _ = empty
        client = app.server.test_client()
        assert client.get(f"/first?code={first.code}", headers={trace: "192.0.2.7"}).status_code == 403

    def test_not_from_elsewhere_nor_late_nor_without_the_code(self, empty: Any) -> None:
        app, first, now = empty
        client = app.server.test_client()
        away = {"REMOTE_ADDR": "192.0.2.7"}
        assert client.get(f"/first?code={first.code}", environ_base=away).status_code == 403
        named = {"Host": "192.0.2.1:8060"}
        assert client.get(f"/first?code={first.code}", headers=named).status_code == 403
        assert client.get("/first").status_code == 403
        now[0] = 3601.0
        assert client.get(f"/first?code={first.code}").status_code == 403


class TestDemonstration:
    """A simulated record: its visitor is an invented person at once, on this machine and nowhere else."""

    def test_the_visitor_is_somebody(self, record: Synthetic) -> None:
        client = create_app(record.store.folder, source=record).server.test_client()
        assert client.get("/").status_code == 200
        assert "Greta Holm" in client.get("/account").text
        assert record.store.journal.entries(kind="refused") == []

    @pytest.mark.slow
    @pytest.mark.parametrize("trace", TRACES)
    def test_nobody_behind_a_proxy_is(self, record: Synthetic, trace: str) -> None:
        client = create_app(record.store.folder, source=record).server.test_client()
        assert client.get("/", headers={trace: "192.0.2.7"}).status_code == 302
        assert "invented people only" not in client.get("/sign-in", headers={trace: "192.0.2.7"}).text
        token = client.get("/sign-in").text.partition('name="csrf_token" value="')[2].partition('"')[0]
        form = {"csrf_token": token, "name": "holm", "password": invented.PASSWORD}
        assert client.post("/sign-in", data=form, headers={trace: "192.0.2.7"}).status_code == 401
        assert client.post("/as/holm", data=form, headers={trace: "192.0.2.7"}).status_code == 403

    @pytest.mark.slow
    def test_one_goes_on_as_another(self, record: Synthetic) -> None:
        """For what takes two people; who signs out stays out."""
        client = with_token(create_app(record.store.folder, source=record).server.test_client())
        assert client.post("/as/faber").status_code == 302
        assert "Ines Faber" in client.get("/account").text
        client = with_token(client)
        client.post("/sign-out")
        assert client.get("/").status_code == 302
        assert "Sign in as an invented person" in client.get("/sign-in").text

    def test_the_invented_people_stay_as_they_are(self, record: Synthetic) -> None:
        client = with_token(create_app(record.store.folder, source=record).server.test_client())
        form = {"act": "disable", "name": "holm", "own": invented.PASSWORD}
        assert client.post("/accounts", data=form).status_code == 400
        assert client.get("/").status_code == 200

    def test_a_real_record_has_no_invented_people(self, real: Any) -> None:
        client = real[2].server.test_client()
        assert client.get("/").status_code == 302
        page = client.get("/sign-in").text
        assert "invented" not in page
        token = page.partition('name="csrf_token" value="')[2].partition('"')[0]
        assert client.post("/as/op", data={"csrf_token": token}).status_code == 403


def test_page_that_asks_by_itself_keeps_no_session_alive(real: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ticks and the pulse are no use by a person; a press is."""
    app = real[2]
    client = signed_in(app, "op")
    used: list[bool] = []
    from logger.people import Sessions

    original = Sessions.account
    monkeypatch.setattr(Sessions, "account", lambda self, key, *, used: spied(self, key, used))

    def spied(self: Any, key: str, by_person: bool) -> Any:
        used.append(by_person)
        return original(self, key, used=by_person)

    output, body = next((o, b) for o, b in calls_of(app) if "clock.children" in o)
    client.post(CALLBACKS, json={**body, "changedPropIds": ["shell-tick.n_intervals"]})
    client.get("/_news")
    client.post(CALLBACKS, json={**body, "changedPropIds": ["acted.data"]})
    client.get("/trend")
    assert used == [False, False, True, True], output


@pytest.mark.slow
@pytest.mark.parametrize(
    ("method", "path", "more"),
    [
        ("GET", "/assets/../../logger/store/store.py", {}),
        ("GET", "/assets/..%2f..%2fsecret.key", {}),
        ("GET", "/assets/nothing.css", {}),
        ("GET", "/_dash-component-suites/dash/..%2f..%2fetc%2fpasswd", {}),
        ("GET", "/_dash-component-suites/nothing/x.js", {}),
        ("GET", "/_dash-component-suites/dash/nothing.js", {}),
        ("GET", "/static/..%2fapp.py", {}),
        ("GET", "/" + "a" * 9000, {}),
        ("GET", "/%00", {}),
        ("GET", "/trend?zone=%ff%fe&from=%00", {}),
        ("POST", "/", {"data": b"x"}),
        ("POST", "/trend", {"headers": {"X-HTTP-Method-Override": "GET"}}),
        ("DELETE", "/account", {}),
        ("TRACE", "/", {}),
        ("POST", "/sign-in", {"data": b"a" * 100_000, "content_type": "application/x-www-form-urlencoded"}),
        ("POST", "/sign-in", {"data": b"\xff\xfe", "content_type": "multipart/form-data; boundary=x"}),
        ("POST", CALLBACKS, {"data": b"{", "content_type": "application/json"}),
        ("POST", CALLBACKS, {"data": b"[" * 99_999, "content_type": "application/json"}),
        ("POST", CALLBACKS, {"data": b"{}", "content_type": "text/plain"}),
        ("POST", CALLBACKS, {"json": {"output": "path.data", "inputs": [], "outputs": {}}}),
        ("POST", CALLBACKS, {"json": {"output": ["page.children"]}}),
        ("POST", CALLBACKS, {"json": {"output": "page.children", "inputs": "x", "outputs": {"id": "p"}}}),
        ("POST", CALLBACKS, {"json": {"output": "page.children", "inputs": [1, 2], "outputs": {"id": "p"}}}),
        ("POST", CALLBACKS, {"json": {"output": "__proto__", "changedPropIds": [{}]}}),
        ("GET", "/_dash-layout", {"headers": {"Host": "[::1"}}),
        ("GET", "/", {"headers": {"Host": "evil.example"}}),
        ("GET", "/", {"headers": {"Host": "127.0.0.1:8060@evil.example"}}),
    ],
)  # fmt: skip
@pytest.mark.parametrize("has_page", [False, True], ids=["nobody", "signed in"])
def test_hostile_requests_are_the_senders_fault(
    real: Any, method: str, path: str, more: dict[str, Any], has_page: bool
) -> None:
    """Never a failure of the server, never a file that is none of the program's."""
    app = real[2]
    client = signed_in(app, "op") if has_page else app.server.test_client()
    with client.open(path, method=method, **more) as answer:
        assert answer.status_code < 500, answer.text
        if method != "GET" or "Host" in more.get("headers", {}):
            assert answer.status_code >= 400
        assert b"def open(" not in answer.data
        assert b"root:" not in answer.data


@pytest.mark.slow
def test_values_that_no_page_sends_are_refused(real: Any) -> None:
    """Each callback with values of every wrong kind: 2xx or 4xx."""
    app = real[2]
    client = signed_in(app, "op")
    for output, body in calls_of(app):
        for value in ({}, [], "x" * 5000, -1, 1e308, True, {"a": {"b": []}}, "\ud800", None):
            reply = json.loads(json.dumps(body))
            for part in [*reply["inputs"], *reply["state"]]:
                for item in part if isinstance(part, list) else [part]:
                    item["value"] = value
            reply["changedPropIds"] = [
                f"{item['id']}.{item['property']}" for item in reply["inputs"] if isinstance(item, dict)
            ]
            answer = client.post(CALLBACKS, json=reply)
            assert answer.status_code < 500, (output, value, answer.text)


def test_the_key_is_for_its_owner_alone(real: Any) -> None:
    """Made at first use with 0600; one that others may read is refused; it is the same at the next start."""
    folder = real[0].store.folder
    path = folder / "secret.key"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert secret_key(folder) == path.read_bytes()
    path.chmod(0o644)
    with pytest.raises(StoreError, match="can be read by others"):
        secret_key(folder)
    path.chmod(0o600)
    path.write_bytes(b"short")
    with pytest.raises(StoreError, match="expected 32 bytes, found 5"):
        secret_key(folder)
