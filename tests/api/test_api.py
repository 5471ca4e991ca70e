"""The HTTP interface: what it answers, to whom, and what it refuses."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from logger.api import description
from logger.model.roles import Scope
from logger.store import Store
from tests.command_line import run_here

ROOT = Path(__file__).resolve().parents[2]
BAY = "/zones/machine-bay/verdict"
BAY_JOB = {"zone": "machine-bay"}
JSON = {"content_type": "application/json"}
SPAN = {"from": "2026-10-19T07:30:00Z", "to": "2026-10-19T09:00:00Z"}


def test_verdict_is_that_of_the_command(ask: Any, record: Store) -> None:
    """Two ways to ask, one answer, one digest."""
    status, answer = ask("GET", BAY, "verdicts", query_string=SPAN)
    where = ("--from", SPAN["from"], "--to", SPAN["to"], "--data", record.folder)
    body = json.loads(run_here("check", "--zone", "machine-bay", "--json", *where).stdout)
    assert status == 200
    assert answer == body
    assert answer["verdict"] == "not stable"


def test_excursions_are_listed(ask: Any) -> None:
    span = {"from": "2026-10-12", "to": "2026-10-26"}
    status, answer = ask("GET", "/excursions", "verdicts", query_string=span)
    assert status == 200
    assert len(answer["items"]) >= 1
    first, zone = answer["items"][0], answer["items"][0]["zone"]
    assert first["to"] > first["from"]
    _, only = ask("GET", "/excursions", "verdicts", query_string={**span, "zone": zone})
    assert only["items"] == [e for e in answer["items"] if e["zone"] == zone]


def test_cases_are_listed_without_what_people_wrote(ask: Any) -> None:
    span = {"from": "2026-10-12", "to": "2026-10-26"}
    status, answer = ask("GET", "/cases", "verdicts", query_string=span)
    (case,) = answer["items"]
    assert (status, case["case"], case["state"], len(case["runs"])) == (200, 1, "open", 3)
    assert not {"texts", "inspections", "missing"} & case.keys()
    assert ask("GET", "/cases/1", "verdicts") == (200, case)
    assert ask("GET", "/cases/99", "verdicts")[0] == 404
    assert ask("GET", "/cases/one", "verdicts")[0] == 422


def test_inspection_is_started_and_stopped(ask: Any, record: Store) -> None:
    """Sent twice it is one; its journal names the machine and its token."""
    body = {"zone": "machine-bay", "title": "Gear hub 12", "key": "G-12", "length_mm": 120}
    status, answer = ask("POST", "/inspections", "inspections", json=body)
    assert (status, answer["key"], answer["to"]) == (201, "G-12", None)
    assert ask("POST", "/inspections", "inspections", json=body)[0] == 409
    status, answer = ask("POST", "/inspections/G-12/stop", "inspections")
    begun, ended = (datetime.fromisoformat(answer[end]) for end in ("from", "to"))
    assert (status, begun < ended) == (200, True)
    assert ask("POST", "/inspections/G-12/stop", "inspections") == (200, answer)
    entry = record.journal.entries(kind="inspection")[-1]
    assert entry.who == "machine-inspections"
    assert entry.what["through"]["at"] == "http"


def test_health_tells_the_head(ask: Any, record: Store) -> None:
    status, answer = ask("GET", "/health", "health")
    assert (status, answer["status"]) == (200, "check")  # nothing runs on a copy
    assert answer["journal"] == dict(zip(("number", "sha256"), record.journal.head(), strict=True))


@pytest.mark.slow
@pytest.mark.parametrize("scope", [s.value for s in Scope])
def test_a_token_opens_its_own_door_alone(ask: Any, interface: Any, scope: str) -> None:
    """Every route with every token; without one, and with one that nobody made: 401 and how to come in."""
    for rule in interface.url_map.iter_rules():
        needed = getattr(interface.view_functions[rule.endpoint], "scope", None)
        if not rule.rule.startswith("/api/") or needed == "open" or "<path:" in rule.rule:
            continue
        assert needed in set(Scope), rule.rule
        path = rule.rule.removeprefix("/api/v1").replace("<zone>", "machine-bay").replace("<key>", "none")
        path = path.replace("<node>", "none").replace("<seq>", "1").replace("<number>", "1")
        path = path.replace("<channel>", "P1.temperature")
        if scope == needed == "verdicts" and path == "/events":
            continue  # it would be read without end
        (method,) = (rule.methods or set()) - {"HEAD", "OPTIONS"}
        assert (ask(method, path, scope)[0] == 403) == (needed != scope), (rule.rule, scope)
        assert ask(method, path)[0] == 401
        forged = {"Authorization": "Bearer stillroom_00000000_" + "A" * 43}
        assert ask(method, path, headers=forged)[0] == 401


def test_refusals_stand_in_the_journal(ask: Any, record: Store) -> None:
    ask("GET", "/excursions", "readings")
    entries = record.journal.entries(kind="refused")
    assert ("machine-readings", "GET /api/v1/excursions") in [(e.who, e.what["attempt"]) for e in entries]


@pytest.mark.parametrize(
    ("method", "path", "as_", "more", "status"),
    [
        ("GET", "/zones/attic/verdict", "verdicts", {"query_string": SPAN}, 404),
        ("GET", BAY, "verdicts", {}, 422),
        ("GET", BAY, "verdicts", {"query_string": {**SPAN, "to": SPAN["from"]}}, 422),
        ("GET", BAY, "verdicts", {"query_string": {**SPAN, "from": "2026-10-19T09:30:00"}}, 422),
        ("GET", "/channels/P77.temperature/readings", "verdicts", {"query_string": SPAN}, 404),
        ("GET", "/inspections/none", "inspections", {}, 404),
        ("GET", "/inspections", "inspections", {"query_string": {"state": "begun"}}, 422),
        ("GET", "/inspections", "inspections", {"query_string": {"limit": "0"}}, 422),
        ("GET", "/inspections", "inspections", {"query_string": {"cursor": "bm9uZQ"}}, 422),
        ("GET", "/zones/machine-bay/readiness", "inspections", {"query_string": {"activity": "x"}}, 422),
        ("GET", "/problems/none", "", {}, 404),
        ("GET", BAY, "verdicts", {"query_string": {**SPAN, "to": "2099-01-01"}}, 422),
        ("GET", BAY, "verdicts", {"query_string": {**SPAN, "pre_window_s": "-1"}}, 422),
        ("GET", BAY, "verdicts", {"query_string": {**SPAN, "pre_window_s": "9" * 40}}, 422),
        ("GET", BAY, "verdicts", {"query_string": {**SPAN, "activity": "nonsense"}}, 422),
        ("GET", BAY, "verdicts", {"query_string": {**SPAN, "zone": "x"}}, 422),
        ("GET", BAY, "verdicts", {"query_string": [("from", "2026-10-19"), ("from", "2026-10-18")]}, 422),
        ("GET", "/zones/..%2f..%2fetc/verdict", "verdicts", {"query_string": SPAN}, 404),
        ("POST", "/inspections", "inspections", {"data": b"{", **JSON}, 400),
        ("POST", "/inspections", "inspections", {"data": b"\xff\xfe", **JSON}, 400),
        ("POST", "/inspections", "inspections", {"data": b"[" * 99_999, **JSON}, 400),
        ("POST", "/inspections", "inspections", {"data": b"{}", "content_type": "text/plain"}, 415),
        ("POST", "/inspections", "inspections", {"data": b"{}"}, 415),
        ("POST", "/inspections", "inspections", {"json": []}, 422),
        ("POST", "/inspections", "inspections", {"json": {**BAY_JOB, "title": "a", "more": 1}}, 422),
        ("POST", "/inspections", "inspections", {"json": {**BAY_JOB, "title": "\x00"}}, 422),
        ("POST", "/inspections", "inspections", {"json": {"zone": "attic", "title": "a"}}, 404),
        ("POST", "/inspections", "inspections", {"json": {"zone": 1, "title": "a"}}, 422),
        ("POST", "/inspections", "inspections", {"data": b"x" * 1_000_001, **JSON}, 413),
        ("POST", "/inspections/none/stop", "inspections", {}, 404),
        ("DELETE", "/inspections", "inspections", {}, 405),
        ("GET", "/nothing", "health", {}, 404),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_a_problem(
    interface: Any, tokens: Any, method: str, path: str, as_: str, more: dict[str, Any], status: int
) -> None:
    """4xx in the form of RFC 9457, never 5xx, and always in words."""
    client = interface.test_client()
    headers = {"Authorization": tokens[as_]} if as_ else {}
    answer = client.open("/api/v1" + path, method=method, headers=headers, **more)
    assert answer.status_code == status, answer.text
    assert answer.mimetype == "application/problem+json"
    body = answer.get_json()
    assert body["status"] == status
    assert body["detail"]
    meaning = client.get(body["type"]).get_json()  # the type of each problem answers with what it means
    assert (meaning["type"], meaning["title"], meaning["status"]) == (body["type"], body["title"], status)
    assert meaning["remedy"]


def test_readings_are_pushed_once(pushing: Any) -> None:
    """On the disk when answered; the same message again stores nothing; another one is a conflict."""
    post, store = pushing
    body = {"time": "2026-10-26T07:33:20Z", "t": 20.03, "rh": 45.0}
    assert post("/nodes/annex/messages/1", json=body) == (200, {"stored": 2, "known": 0, "repeated": False})
    assert store.readings.read("P1.temperature", 0, 2**62).value.tolist() == [20.03]
    assert post("/nodes/annex/messages/1", json=body) == (200, {"stored": 0, "known": 2, "repeated": True})
    assert post("/nodes/annex/messages/1", json={**body, "t": 20.04})[0] == 409
    assert post("/nodes/annex/messages/2", data=b"t=20", content_type="text/plain")[0] == 415
    assert post("/nodes/annex/messages/2", data=b"[" * 99_999, content_type="application/json")[0] == 422
    assert post("/nodes/annex/messages/2", json={"t": 20})[0] == 422
    assert post("/nodes/annex/messages/" + "9" * 30, json=body)[0] == 422
    assert post("/nodes/annex/messages/-1", json=body)[0] == 422
    assert post("/nodes/other/messages/1", json=body)[0] == 403
    assert store.verify().intact


def test_rows_of_another_stillroom(pushing: Any) -> None:
    """The answer names the number that is wanted next, and a row that is none stores nothing."""
    post, store = pushing
    row = ["P1.temperature", 10**18, 10**18, 20.0, "ok", "", "poll", False, "boot", 1]
    assert post("/nodes/annex/rows", json={"record": "a" * 32, "first": 1, "rows": [row]}) == (
        200,
        {"next": 2},
    )
    assert post("/nodes/annex/rows", json={"record": "a" * 32, "first": 1, "rows": [row]}) == (
        200,
        {"next": 2},
    )
    assert post("/nodes/annex/rows", json={"record": "a" * 32, "first": 9, "rows": [row]}) == (
        200,
        {"next": 2},
    )
    for wrong in ([2**70, *row[1:]], [row[0], 2**70, *row[2:]], ["P2.temperature", *row[1:]], [], ["x"] * 10):
        assert post("/nodes/annex/rows", json={"record": "a" * 32, "first": 2, "rows": [wrong]})[0] in (
            404,
            422,
        ), wrong
    assert len(store.readings.read("P1.temperature", 0, 2**62)) == 1


def test_another_method_cannot_be_pretended(ask: Any) -> None:
    """No header makes a GET act."""
    pretended = {"X-HTTP-Method-Override": "POST", "X-Method-Override": "POST", "X-HTTP-Method": "POST"}
    assert ask("GET", "/inspections/G-12/stop", "inspections", headers=pretended)[0] == 405


@pytest.mark.slow
@pytest.mark.parametrize(
    ("method", "path", "allow"),
    [
        ("GET", "/inspections/I-1/stop", "POST"),
        ("PUT", "/inspections", "GET, HEAD, POST"),
        ("DELETE", "/inspections/I-1/stop", "POST"),
        ("POST", "/health", "GET, HEAD"),
        ("OPTIONS", "/health", "GET, HEAD"),
        ("TRACE", "/health", "GET, HEAD"),
        ("PATCH", "/nodes/n/messages/1", "POST"),
        ("GET", "/nonsense", None),
        ("POST", "/nonsense", None),
        ("GET", "/../v1x", None),
    ],
)
def test_another_method_is_405_with_those_there_are(
    interface: Any, record: Store, method: str, path: str, allow: str | None
) -> None:
    """405 with `Allow` where the path takes another method (RFC 9110, 15.5.6), else 404; beside the pages,
    which take every path, too. Neither reads nor sets a session.
    """
    from dashboard.app import create_app

    pages = create_app(record.folder).server
    for app in (interface, pages):
        client = app.test_client()
        client.set_cookie(str(pages.config["SESSION_COOKIE_NAME"]), "anything")
        answer = client.open("/api/v1" + path, method=method)
        assert (answer.status_code, answer.headers.get("Allow")) == (405 if allow else 404, allow), app
        assert answer.mimetype == "application/problem+json"
        assert "Set-Cookie" not in answer.headers
        assert "Cookie" not in answer.headers.get("Vary", "")


def test_no_session_under_api(record: Store, tokens: Any) -> None:
    """What a token asks sets no cookie and depends on none."""
    from dashboard.app import create_app

    client = create_app(record.folder).server.test_client()
    for path, scope in (("/openapi.json", "health"), ("/health", "health"), ("/health", "readings")):
        answer = client.get("/api/v1" + path, headers={"Authorization": tokens[scope]})
        assert "Set-Cookie" not in answer.headers
        assert "Cookie" not in answer.headers.get("Vary", "")


def test_a_start_without_a_key_can_be_sent_again(ask: Any, record: Store) -> None:
    """Its answer was lost and the program sends it anew: one inspection. Another body, another machine, or
    after the inspection is over: another one.
    """
    body = {"zone": "plate-bench", "title": "Ring 7", "part": "R-7"}
    status, first = ask("POST", "/inspections", "inspections", json=body)
    again = ask("POST", "/inspections", "inspections", json=body)
    assert (status, again) == (201, (200, first))
    assert ask("POST", "/inspections", "inspections", json={**body, "part": "R-8"})[1]["key"] != first["key"]
    assert ask("POST", f"/inspections/{first['key']}/stop", "inspections")[0] == 200
    status, later = ask("POST", "/inspections", "inspections", json=body)
    assert (status, later["key"] != first["key"]) == (201, True)
    assert record.verify().intact


def test_a_whole_number_may_be_written_with_a_point(pushing: Any) -> None:
    """In JSON Schema 352.0 is an integer (validation, 6.1.1), and so it is taken; 352.5 is none."""
    post, _ = pushing
    body = {"record": "a" * 32, "first": 352.0, "rows": []}
    assert post("/nodes/annex/rows", json=body) == (200, {"next": 1})
    assert post("/nodes/annex/rows", json={**body, "first": 352.5})[0] == 422


def test_the_shipped_description_is_the_served_one(ask: Any) -> None:
    """docs/openapi.json is written anew by `python -m logger.api`."""
    shipped = json.loads((ROOT / "docs" / "openapi.json").read_text("utf-8"))
    assert shipped == description()
    assert ask("GET", "/openapi.json") == (200, description())


def test_every_route_is_described(interface: Any) -> None:
    """Neither a route without a description nor the other way round; every refusal that a route can give."""
    described = {
        (method.upper(), path.replace("{", "<").replace("}", ">"))
        for path, methods in description()["paths"].items()
        for method in methods
    }
    served = {
        (method, rule.rule.removeprefix("/api/v1").replace("int:", ""))
        for rule in interface.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
        if rule.rule.startswith("/api/v1/")
    }
    assert described == served
