"""The eight questions in a browser: who gets in, what is kept, and what comes out."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from dashboard.first_room.app import Desk, create_app
from logger.first_room.draft import Draft, load_draft
from logger.first_room.force import draft_path
from logger.first_room.questions import QUESTIONS
from logger.people import People
from logger.store import Store

PASSWORD = "four plain words here"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "room", tmp_path / "data", Draft())


@pytest.fixture
def browser(desk: Desk) -> Iterator[FlaskClient]:
    """A visitor who came by the address that the terminal shows."""
    with create_app(desk).test_client() as client:
        assert client.get(f"/?code={desk.code}").status_code == 302
        yield client


def send(browser: FlaskClient, path: str, form: dict[str, object]) -> TestResponse:
    """A form with the token of its page, followed to where it leads."""
    token = re.search(r'name="csrf_token" value="([^"]+)"', browser.get(path, follow_redirects=True).text)
    assert token is not None
    data = {"csrf_token": token[1], **form}
    return browser.post(path, data=data, follow_redirects=True)


def answer_all(browser: FlaskClient, desk: Desk, answers: dict[str, str]) -> TestResponse:
    """Each question with the answers to its fields; gives the page after the last."""
    page = browser.get("/", follow_redirects=True)
    for place, question in enumerate(QUESTIONS, 1):
        for _ in range(3):  # an answer may bring further fields
            fields = {f.key: answers.get(f.key, f.value) for f in question.fields(desk.draft)}
            page = send(browser, f"/{place}", {**fields, "do": "next"})
            if not page.request.path.endswith(f"/{place}"):
                break
    return page


def test_nobody_gets_in_without_the_code_of_the_terminal(desk: Desk) -> None:
    with create_app(desk).test_client() as stranger:
        for path in ("/", "/1", "/summary", "/?code=x"):
            assert stranger.get(path).status_code == 403, path
        assert stranger.post("/force").status_code in (400, 403)
        assert stranger.get("/", headers={"Host": "elsewhere.example"}).status_code == 421
        assert (
            stranger.get(f"/?code={desk.code}", headers={"X-Forwarded-For": "192.0.2.7"}).status_code == 421
        )


def test_a_form_without_its_token_changes_nothing(browser: FlaskClient, desk: Desk) -> None:
    assert browser.post("/1", data={"room": "Other"}).status_code == 400
    assert desk.draft.text("room") == ""


def test_the_questions_lead_to_a_setup_in_force_and_a_first_administrator(
    browser: FlaskClient, desk: Desk, certified: dict[str, str]
) -> None:
    page = answer_all(browser, desk, certified)
    assert page.request.path == "/summary"
    assert "Ready. Put setup 1 in force?" in page.text
    account = {"name": "gholm", "new": PASSWORD, "again": PASSWORD, "role": ["operator", "metrologist"]}
    token = re.search(r'value="([^"]+)"', page.text)
    assert token is not None
    response = browser.post("/force", data={"csrf_token": token[1], **account})
    assert "Setup version 1 is in force." in response.text
    assert desk.in_force.is_set()
    with Store.open(desk.data) as store:
        assert [v.who for v in store.setups.versions()] == ["Greta Holm"]
        (first,) = People(store).all()
        assert (first.person, sorted(r.value for r in first.roles)) == (
            "Greta Holm",
            ["administrator", "metrologist", "operator"],
        )
    assert not draft_path(desk.folder).exists()


def test_a_short_password_puts_nothing_in_force(
    browser: FlaskClient, desk: Desk, answers: dict[str, str]
) -> None:
    page = answer_all(browser, desk, answers)
    token = re.search(r'name="csrf_token" value="([^"]+)"', page.text)
    assert token is not None
    fields = {"csrf_token": token[1], "name": "gholm", "new": "short", "again": "short"}
    refused = browser.post("/force", data=fields)
    assert refused.status_code == 400
    assert "12 to 128 characters" in refused.text
    assert not desk.folder.exists()
    assert not desk.data.exists()


def test_what_was_typed_survives_a_reload_and_a_restart(browser: FlaskClient, desk: Desk) -> None:
    """Also an answer that could not be used yet."""
    refused = send(browser, "/1", {"room": "Room <2>", "site": "", "timezone": "UTC", "size": "6"})
    assert refused.status_code == 400
    assert "Site: enter the works or company." in refused.text
    assert 'value="Room &lt;2&gt;"' in browser.get("/1").text
    assert load_draft(draft_path(desk.folder))["room"] == "Room <2>"
    send(browser, "/2", {"zone": "Gear bay", "settling_h": "4", "do": "save"})
    assert load_draft(draft_path(desk.folder))["zone"] == "Gear bay"


def test_a_probe_that_is_silent_is_told_beside_its_question(
    browser: FlaskClient, desk: Desk, answers: dict[str, str]
) -> None:
    desk.keep(Draft({k: v for k, v in answers.items() if k != "line"}))
    fields = {f.key: answers[f.key] for f in QUESTIONS[4].fields(desk.draft)}
    refused = send(browser, "/5", {**fields, "address": "socket://127.0.0.1:9", "do": "next"})
    assert refused.status_code == 400
    assert "Check host and port, the cable" in refused.text
    tried = send(browser, "/5", {**fields, "do": "try"})
    assert "TEMP 20.05 C; HUM 47.0 %; N 17" in tried.text


def test_a_certificate_shows_its_effect_before_anything_is_in_force(
    browser: FlaskClient, desk: Desk, certified: dict[str, str]
) -> None:
    """By hand: at 20.05 between (15.08, -0.08) and (25.02, -0.02) the correction is -0.05 K, and
    U = 2·√(0.03² + 0.05²/3 + 0.01²/12) = 0.08 K."""
    desk.keep(Draft(certified))
    text = " ".join(browser.get("/7").text.split())
    assert "P1 reads 20.05 °C; corrected 20.00 ± 0.08 °C. The limits are 1.00 K apart, 6.0 times 2U." in text


@pytest.mark.slow
def test_a_file_that_is_dropped_proposes_probes_and_channels(
    browser: FlaskClient, desk: Desk, tmp_path: Path
) -> None:
    rows = "".join(f"2026-10-03 {n // 6:02d}:{n % 6 * 10:02d},20.{n % 9}1,4{n % 9}.0\n" for n in range(100))
    file = (io.BytesIO(f"Time,Node 1 (°C),Node 1 (%RH)\n{rows}".encode()), "../bench.csv")
    token = re.search(r'name="csrf_token" value="([^"]+)"', browser.get("/1").text)
    assert token is not None
    page = browser.post("/file", data={"csrf_token": token[1], "file": file}, follow_redirects=True)
    assert page.status_code == 200
    assert "bench.csv shows" in page.text
    assert "Node-1 temperature, °C" in page.text
    assert [c.key for c in desk.draft.channels] == ["Node-1.temperature", "Node-1.relative_humidity"]
    assert Path(desk.draft.text("from")).parent == desk.files
