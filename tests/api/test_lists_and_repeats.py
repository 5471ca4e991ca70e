"""Lists by pages, requests sent again, answers that need not be fetched twice, and how often may be asked."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.acts.work_stops import stop_work
from logger.api import create_api, description
from logger.api.cursors import read, written
from logger.api.examples import EXAMPLES
from logger.api.inspections import KEPT_S
from logger.api.problem_kinds import KINDS
from logger.api.problems import RequestProblem
from logger.api.problems_page import page
from logger.api.rates import Rates
from logger.api.schemas import schemas
from logger.config import in_force
from logger.instants import NS
from logger.model import ApiPlan
from logger.model.roles import Scope
from logger.people import Tokens
from logger.store import Store
from tests.api.conftest import UNCOUNTED

ROOT = Path(__file__).resolve().parents[2]
SPAN = {"from": "2026-10-12", "to": "2026-10-26"}


class Caller:
    """A program with a token of every scope, on a record of its own whose clock the test sets."""

    def __init__(self, store: Store, rates: Rates = UNCOUNTED, name: str = "program") -> None:
        self.store, self.now_ns = store, time.time_ns()
        scopes = set(Scope)
        self.token = Tokens(store).add(name, scopes, "test")[1]
        self._client = create_api(store, lambda: self.now_ns, rates).test_client()

    def ask(self, method: str, path: str, headers: dict[str, str] | None = None, **more: Any) -> Any:
        """The whole answer."""
        head = {"Authorization": f"Bearer {self.token}", **(headers or {})}
        address = path if path.startswith("/api/") else "/api/v1" + path
        return self._client.open(address, method=method, headers=head, **more)


@pytest.fixture
def caller(demo_history: Path, tmp_path: Path) -> Iterator[Caller]:
    folder = Path(shutil.copytree(demo_history, tmp_path / "data"))
    with Store.open(folder) as store:
        yield Caller(store)


def pages(caller: Caller, path: str, **query: Any) -> Iterator[list[Any]]:
    """The entries of each page, by the addresses that the answers name."""
    answer = caller.ask("GET", path, query_string=query)
    while True:
        assert answer.status_code == 200, answer.text
        content = answer.get_json()
        yield content["items"]
        if content["next"] is None:
            assert "Link" not in answer.headers
            return
        assert answer.headers["Link"] == f'<{content["next"]}>; rel="next"'
        answer = caller.ask("GET", content["next"])


def test_a_job_that_is_added_between_pages_is_neither_lost_nor_given_twice(caller: Caller) -> None:
    """Pages of two, a job more before the next ones: the keys of the whole list, each once, in order."""
    seen: list[str] = []
    for n, part in enumerate(pages(caller, "/inspections", limit=2)):
        assert len(part) <= 2
        seen += [job["key"] for job in part]
        if n < 2:
            caller.now_ns = time.time_ns()
            body = {"zone": "machine-bay", "title": "x", "key": f"between-{n}"}
            assert caller.ask("POST", "/inspections", json=body).status_code == 201
    everything = caller.ask("GET", "/inspections", query_string={"limit": 1000}).get_json()["items"]
    assert seen == [job["key"] for job in everything]
    assert {f"between-{n}" for n in range(2)} <= set(seen)


@pytest.mark.parametrize("path", ["/excursions", "/cases"])
def test_pages_of_one_are_the_list(caller: Caller, path: str) -> None:
    whole = caller.ask("GET", path, query_string=SPAN).get_json()["items"]
    assert [item for part in pages(caller, path, limit=1, **SPAN) for item in part] == whole


@pytest.mark.parametrize("path", ["/zones", "/channels"])
def test_names_come_in_pages(caller: Caller, path: str) -> None:
    listed = [item for part in pages(caller, path, limit=1) for item in part]
    setup = in_force(caller.store.setups.versions()).setup
    name = path[1:-1]
    assert [item[name] for item in listed] == sorted(setup.zones if path == "/zones" else setup.channels)


@pytest.mark.slow
def test_readings_in_pages_are_those_of_the_record(caller: Caller) -> None:
    """A day in pages of 100, several readings of one instant: as readings and certificates give it."""
    from logger.core.calibration.apply import correct_readings
    from logger.model import Row

    day = {"from": "2026-10-19T00:00:00Z", "to": "2026-10-20T00:00:00Z"}
    at_ns = 1_792_398_600 * NS
    caller.store.append("hand", [Row("P1.temperature", at_ns, at_ns + NS, 20.0 + n / 10) for n in range(5)])
    address = "/channels/P1.temperature/readings"
    listed = [item for part in pages(caller, address, limit=100, **day) for item in part]
    start_ns = 1_792_368_000 * NS
    readings = caller.store.readings.read("P1.temperature", start_ns, start_ns + 86_400 * NS)
    assert len(listed) == len(readings) > 1000
    setup = in_force(caller.store.setups.versions()).setup
    certificates = setup.certificates_of("P1.temperature")
    expected = correct_readings(
        setup.channels["P1.temperature"], certificates, readings.taken_ns, readings.value
    )
    for item, value, U in zip(listed, expected.value, expected.U, strict=True):
        assert item["corrected"] == (round(float(value), 6) if np.isfinite(value) else None)
        assert item["U"] == round(float(U), 6)
    assert {"two values for one instant"} == {
        item["why"] for item in listed if item["taken"] == "2026-10-19T08:30:00Z"
    }


@given(st.tuples(st.integers(-(2**63) + 1, 2**63 - 1), st.text(max_size=60)))
def test_a_cursor_reads_back_as_its_place(place: tuple[int, str]) -> None:
    assert read(written(place)) == place


@given(st.text(max_size=60))
def test_what_is_no_cursor_is_refused(text: str) -> None:
    """Whatever is read is what would be written: nothing else is taken."""
    with suppress(RequestProblem):
        assert written(read(text)) == text


def test_the_same_idempotency_key_begins_one_inspection(caller: Caller) -> None:
    """draft-ietf-httpapi-idempotency-key-header: same key and body, the first answer; other body, refused."""
    body, key = {"zone": "machine-bay", "title": "Ring"}, {"Idempotency-Key": '"8e03978e-40d5"'}
    first = caller.ask("POST", "/inspections", key, json=body)
    assert (first.status_code, first.headers["Location"]) == (
        201,
        f"/api/v1/inspections/{first.get_json()['key']}",
    )
    stopped = caller.ask("POST", first.headers["Location"] + "/stop")
    assert stopped.status_code == 200
    again = caller.ask("POST", "/inspections", key, json=body)  # over by now, and still not begun again
    assert (again.status_code, again.get_json(), again.headers["Location"]) == (
        201,
        first.get_json(),
        first.headers["Location"],
    )
    other = caller.ask("POST", "/inspections", key, json={**body, "title": "Other"})
    assert (other.status_code, other.get_json()["type"]) == (422, "/api/v1/problems/idempotency-key-reused")
    titles = [job["title"] for job in caller.ask("GET", "/inspections?limit=1000").get_json()["items"]]
    assert titles.count("Ring") == 1
    assert "Other" not in titles


def test_a_key_is_of_its_token_and_goes_after_two_days(caller: Caller) -> None:
    body, key = {"zone": "machine-bay", "title": "Ring"}, {"Idempotency-Key": "k"}
    mine = caller.ask("POST", "/inspections", key, json=body).get_json()["key"]
    other = Caller(caller.store, name="other")
    assert other.ask("POST", "/inspections", key, json=body).get_json()["key"] != mine
    caller.now_ns += KEPT_S * NS + NS
    assert caller.ask("POST", "/inspections", key, json=body).get_json()["key"] != mine


def test_a_start_that_was_cut_off_is_not_begun_twice(caller: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    """The server ends between the act and the answer: what it noted before tells the inspection."""
    body, key = {"zone": "machine-bay", "title": "Cut"}, {"Idempotency-Key": "cut-1"}
    with monkeypatch.context() as patch:
        patch.setattr(type(caller.store.request_keys), "answer", lambda *_: None)
        first = caller.ask("POST", "/inspections", key, json=body).get_json()
    assert caller.ask("POST", "/inspections", key, json=body).get_json() == first
    jobs = caller.ask("GET", "/inspections?limit=1000").get_json()["items"]
    assert [job["title"] for job in jobs].count("Cut") == 1


def test_a_refused_start_frees_its_key(caller: Caller) -> None:
    key = {"Idempotency-Key": "k"}
    assert caller.ask("POST", "/inspections", key, json={"zone": "attic", "title": "x"}).status_code == 404
    body = {"zone": "machine-bay", "title": "x"}
    assert caller.ask("POST", "/inspections", key, json=body).status_code == 201
    assert caller.ask("POST", "/inspections", {"Idempotency-Key": "\t"}, json=body).status_code == 422


def test_an_inspection_that_is_there_is_named(caller: Caller) -> None:
    body = {"zone": "machine-bay", "title": "x", "key": "G-1/2".replace("/", "-")}
    assert caller.ask("POST", "/inspections", json=body).status_code == 201
    again = caller.ask("POST", "/inspections", json=body)
    assert (again.status_code, again.get_json()["inspection"]) == (409, "/api/v1/inspections/G-1-2")
    assert caller.ask("GET", again.get_json()["inspection"]).get_json()["title"] == "x"


def test_nobody_begins_where_work_is_stopped(caller: Caller) -> None:
    setup = in_force(caller.store.setups.versions()).setup
    stop_work(caller.store, setup, "machine-bay", who="Greta Holm", why="leak", now_ns=caller.now_ns)
    answer = caller.ask("POST", "/inspections", json={"zone": "machine-bay", "title": "x"})
    assert (answer.status_code, answer.get_json()["type"]) == (422, "/api/v1/problems/work-stopped")
    assert "Greta Holm" in answer.get_json()["detail"]


def test_all_faults_of_a_body_come_at_once(caller: Caller) -> None:
    body = {"zone": 1, "title": "", "length_mm": -1, "tolerance_um": "5", "wrong": 1}
    answer = caller.ask("POST", "/inspections", json=body).get_json()
    assert {fault["at"] for fault in answer["errors"]} == {f"/{name}" for name in body}
    by_place = {fault["at"]: fault for fault in answer["errors"]}
    assert by_place["/length_mm"] == {"at": "/length_mm", "expected": "a number above 0.0", "found": "-1"}
    assert by_place["/zone"] == {"at": "/zone", "expected": "a text", "found": "1"}
    missing = caller.ask("POST", "/inspections", json={}).get_json()["errors"]
    assert missing == [
        {"at": f"/{name}", "expected": "a value", "found": "nothing"} for name in ("zone", "title")
    ]


def test_instants_have_milliseconds_and_read_back(caller: Caller) -> None:
    """RFC 3339 with at most three digits: more are cut by many a language. It ends where the answer says."""
    caller.now_ns = 1_793_700_000_123_456_789
    body = {"zone": "machine-bay", "title": "x", "key": "ms"}
    begun = caller.ask("POST", "/inspections", json=body).get_json()
    assert begun["from"] == "2026-11-03T10:00:00.123Z"
    caller.now_ns += 100_000  # less than a millisecond later
    over = caller.ask("POST", "/inspections/ms/stop").get_json()
    assert over["to"] == "2026-11-03T10:00:00.124Z"
    assert caller.ask("GET", "/inspections/ms").get_json()["to"] == over["to"]


def test_what_is_the_same_is_not_sent_again(caller: Caller) -> None:
    """RFC 9110, 13.1.2 and 15.4.5: 304 without a body while the verdict is the same, else 200."""
    query = {"from": "2026-10-19T07:30:00Z", "to": "2026-10-19T09:00:00Z"}
    first = caller.ask("GET", "/zones/machine-bay/verdict", query_string=query)
    tag = first.headers["ETag"]
    assert tag.startswith('"')  # a strong one
    assert first.headers["Cache-Control"] == "private, no-cache"
    same = caller.ask("GET", "/zones/machine-bay/verdict", {"If-None-Match": tag}, query_string=query)
    assert (same.status_code, same.data, same.headers["ETag"]) == (304, b"", tag)
    other = caller.ask("GET", "/zones/plate-bench/verdict", {"If-None-Match": tag}, query_string=query)
    assert other.status_code == 200
    assert caller.ask("GET", "/nothing").headers["Cache-Control"] == "no-store"
    head = caller.ask("HEAD", "/zones/machine-bay/verdict", query_string=query)
    assert (head.status_code, head.data, head.headers["ETag"]) == (200, b"", tag)


def test_who_asks_too_often_waits(demo_copy: Path) -> None:
    """429 (RFC 6585) with Retry-After; each token has a bucket of its own; pushes are never counted."""
    clock = [0.0]
    with Store.open(demo_copy) as store:
        rates = Rates(ApiPlan(burst=3, rate_per_s=0.5), lambda: clock[0])
        first, other = Caller(store, rates), Caller(store, rates, "other")
        remaining = [first.ask("GET", "/zones").headers["RateLimit"] for _ in range(3)]
        assert remaining == ['"token";r=2;t=2', '"token";r=1;t=4', '"token";r=0;t=6']
        refused = first.ask("GET", "/zones")
        assert (refused.status_code, refused.headers["Retry-After"]) == (429, "2")
        assert refused.headers["RateLimit-Policy"] == '"token";q=3;w=6'
        assert refused.get_json()["type"] == "/api/v1/problems/too-many-requests"
        assert other.ask("GET", "/zones").status_code == 200
        assert first.ask("POST", "/nodes/program/rows", json={}).status_code == 422
        clock[0] += 2.0
        assert [first.ask("GET", "/zones").status_code for _ in range(2)] == [200, 429]


def test_zones_are_not_shown_where_no_service_judges(caller: Caller) -> None:
    """The demo's history ends in October: whatever its last verdict was, it is none of now."""
    caller.now_ns = 1_800_000_000 * NS
    for state in caller.ask("GET", "/zones").get_json()["items"]:
        assert (state["verdict"], state["reason"], state["simulated"]) == ("not shown", "indeterminate", True)
        assert state["judged_until"] in state["sentence"]
    zone = caller.ask("GET", "/zones/machine-bay").get_json()
    assert zone["state"]["verdict"] == "not shown"
    assert "machine-bay.temperature" in {rule["key"] for rule in zone["rules"]}


def test_readiness_is_that_of_the_command(caller: Caller) -> None:
    from logger.inspections.readiness import ready
    from logger.verdicts.verdicts import Verdicts

    setup = in_force(caller.store.setups.versions()).setup
    expected = ready(Verdicts(caller.store, setup), "machine-bay", caller.now_ns).to_dict()
    assert caller.ask("GET", "/zones/machine-bay/readiness").get_json() == expected


def test_an_inspection_shows_each_issue_of_its_verdict(caller: Caller) -> None:
    from logger.inspections.revisions import issues, review
    from logger.verdicts.verdicts import Verdicts

    setup = in_force(caller.store.setups.versions()).setup
    review(caller.store, Verdicts(caller.store, setup), caller.now_ns)
    key, issued = next(iter(issues(caller.store).items()))
    answer = caller.ask("GET", f"/inspections/{key}").get_json()
    assert [item["digest"] for item in answer["verdicts"]] == [item.digest for item in issued]
    verdict = caller.ask("GET", answer["links"]["verdict"]).get_json()
    assert verdict["digest"] == issued[-1].digest


def test_every_example_fits_its_schema() -> None:
    """By jsonschema, which knows nothing of us; each body and answer of the description has one."""
    shapes = schemas()
    registry = {"components": {"schemas": shapes}}
    for name, example in EXAMPLES.items():
        resolved = {"$ref": f"#/components/schemas/{name}", **registry}
        jsonschema.Draft202012Validator(resolved).validate(example)
    for methods in description()["paths"].values():
        for operation in methods.values():
            bodies = [*operation["responses"].values(), operation.get("requestBody", {})]
            for content in (kind for body in bodies for kind in body.get("content", {}).values()):
                example = content["examples"]["usual"]["value"]
                jsonschema.Draft202012Validator({**content["schema"], **registry}).validate(example)


def test_every_kind_of_problem_is_documented() -> None:
    """In the page for people and in the description for programs."""
    text = (ROOT / "docs" / "http-problems.md").read_text("utf-8")
    assert text == page(), "Run: python -m logger.api.problems_page > docs/http-problems.md"
    kinds = description()["paths"]["/problems/{kind}"]["get"]["parameters"][0]["schema"]["enum"]
    assert kinds == list(KINDS)
    assert all(f"## {kind}\n" in text for kind in kinds)


def test_every_operation_has_a_tag_and_no_message_is_two_types() -> None:
    for methods in description()["paths"].values():
        assert all(operation["tags"] for operation in methods.values())
    assert "oneOf" in description()["components"]["schemas"]["Message"]
