"""Conditions of an inspection in each form, and the calendar for programs without bearer tokens."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import icalendar
import pytest
from lxml import etree

from logger.api import create_api
from logger.model.roles import Scope
from logger.people import Tokens
from logger.store import Store
from tests.command_line import run_here


@pytest.fixture
def ask(demo_copy: Path) -> Iterator[Any]:
    """ask(path, headers) -> the answer, with a token of both scopes unless the headers have another."""
    with Store.open(demo_copy) as store:
        token = Tokens(store).add("cmm-3", {Scope.INSPECTIONS, Scope.CALENDAR}, "test")[1]
        client = create_api(store).test_client()

        def request(path: str, headers: dict[str, str] | None = None, **more: Any) -> Any:
            head = {"Authorization": f"Bearer {token}", **(headers or {})}
            return client.get("/api/v1" + path, headers=head, **more)

        request.token, request.folder = token, demo_copy  # type: ignore[attr-defined]
        yield request


@pytest.mark.slow
@pytest.mark.parametrize(
    ("accept", "form", "kind"),
    [
        ("", "json", "application/json"),
        ("application/json", "json", "application/json"),
        ("text/csv", "csv", "text/csv"),
        ("text/plain", "line", "text/plain"),
        ("application/xml", "dcc", "application/xml"),
        ("text/html;q=0.9, application/xml;q=0.5", "dcc", "application/xml"),
    ],
)
def test_conditions_are_the_bytes_of_the_command(ask: Any, accept: str, form: str, kind: str) -> None:
    answer = ask("/inspections/I-2601/conditions", {"Accept": accept} if accept else {})
    command = ("inspection", "conditions", "I-2601", "--form", form, "--data", ask.folder)
    assert (answer.status_code, answer.mimetype) == (200, kind)
    # The command prints; what stands behind a line end of a text is the business of the terminal.
    assert answer.text.splitlines() == run_here(*command).stdout.splitlines()
    assert "Accept" in answer.headers["Vary"]
    if form == "dcc":
        assert etree.fromstring(answer.data).tag.endswith("influenceConditions")


def test_a_form_that_there_is_not_is_refused(ask: Any) -> None:
    answer = ask("/inspections/I-2601/conditions", {"Accept": "image/png"})
    assert (answer.status_code, answer.get_json()["type"]) == (406, "/api/v1/problems/not-acceptable")
    assert "text/csv" in answer.get_json()["detail"]
    assert ask("/inspections/none/conditions").status_code == 404


def _password(token: str, name: str = "cmm-3") -> dict[str, str]:
    return {"Authorization": "Basic " + base64.b64encode(f"{name}:{token}".encode()).decode()}


def test_a_calendar_program_signs_in_by_password_over_tls_alone(ask: Any) -> None:
    """RFC 7617 over TLS; on plain HTTP from another machine the password would be read on the way."""
    far, tls = {"REMOTE_ADDR": "192.0.2.7"}, "https://localhost"
    answer = ask("/calendar.ics", _password(ask.token), environ_base=far, base_url=tls)
    assert (answer.status_code, answer.mimetype) == (200, "text/calendar")
    calendar: Any = icalendar.Calendar.from_ical(answer.data)
    assert len(calendar.walk("VEVENT")) > 0
    assert b"SIMULATED" in answer.data
    refused = ask("/calendar.ics", _password(ask.token), environ_base=far)
    assert refused.status_code == 401
    assert refused.headers["WWW-Authenticate"].startswith("Basic ")
    assert ask("/calendar.ics", _password("wrong"), base_url=tls).status_code == 401
    assert ask("/calendar.ics", {"Authorization": "Basic ä"}, base_url=tls).status_code == 401
    assert ask("/calendar.ics").status_code == 200  # a bearer token opens it, too
    again = ask("/calendar.ics", {"If-None-Match": answer.headers["ETag"]}, base_url=tls)
    assert again.status_code == 304


def test_a_password_opens_no_other_door(ask: Any) -> None:
    answer = ask("/inspections", _password(ask.token), base_url="https://localhost")
    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"].startswith("Bearer ")
