"""The server: headers, doors that stay shut, pages without a browser."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from plotly.offline import get_plotlyjs_version

from dashboard import drawing
from dashboard.app import PAGES, create_app, page_of
from dashboard.data.queries import Queries
from tests.dashboard.synthetic import Synthetic
from tests.dashboard.test_who_may import with_token


@pytest.fixture
def client(record: Synthetic) -> Any:
    app = create_app(Path("unused"), source=record, now_ns=lambda: record.now)
    return with_token(app.server.test_client())  # who visits a demonstration is an invented person at once


@pytest.mark.slow
@pytest.mark.parametrize("path", ["/", "/trend", "/_dash-layout", "/assets/stillroom.css"])
def test_every_answer_carries_the_headers(client: Any, path: str) -> None:
    """Strict policy, no sniffing, no frames, no referrer; the page knows its language."""
    with client.get(path) as answer:
        assert answer.status_code == 200
        policy, headers = answer.headers["Content-Security-Policy"], answer.headers
    assert "default-src 'self'" in policy
    assert "unsafe-eval" not in policy
    assert "'unsafe-inline'" not in policy.partition("style-src")[0]
    assert (headers["X-Content-Type-Options"], headers["X-Frame-Options"]) == ("nosniff", "DENY")


@pytest.mark.slow
def test_an_address_without_a_page_is_not_found(client: Any) -> None:
    """By its status too, with the frame in which the browser says so; every page there is has 200."""
    status = {path: client.get(path).status_code for path in ("/nonsense", "/trend/else", "/trend/", "/help")}
    assert status == {"/nonsense": 404, "/trend/else": 404, "/trend/": 200, "/help": 200}
    assert "react-entry-point" in client.get("/nonsense").text
    assert {client.get(page.PATH).status_code for page in PAGES} == {200}
    assert client.get("/positions/table").status_code == 200


@pytest.mark.slow
@pytest.mark.parametrize(
    ("asker", "shown"),
    [
        ("http://localhost/trend?zone=plate-bench", "trend-graph"),
        ("http://localhost/wall", "wall-rows"),
        ("http://elsewhere.example/trend", ""),
        ("", ""),
    ],
)
def test_the_first_page_comes_with_the_frame(client: Any, asker: str, shown: str) -> None:
    """A browser that asks from a page of ours gets its content at once, and not again; nobody else does."""
    answer = client.get("/_dash-layout", headers={"Referer": asker} if asker else {})
    assert answer.status_code == 200
    for part in ("trend-graph", "wall-rows"):
        assert (part in answer.text) == (part == shown)
    address = ["/trend", "?zone=plate-bench"]
    again = client.post("/_dash-update-component", json=ask_for_page(*address, shown=address))
    assert again.json["response"] == {}
    other = client.post("/_dash-update-component", json=ask_for_page("/health", "", shown=address))
    assert other.json["response"]["shown"]["data"] == ["/health", ""]


def ask_for_page(path: str, search: str, shown: list[str]) -> dict[str, Any]:
    """What a page asks when its address changes."""
    return {
        "output": "..page.children...shown.data..",
        "outputs": [{"id": "page", "property": "children"}, {"id": "shown", "property": "data"}],
        "inputs": [
            {"id": "address", "property": "pathname", "value": path},
            {"id": "address", "property": "search", "value": search},
        ],
        "state": [{"id": "shown", "property": "data", "value": shown}],
        "changedPropIds": ["address.pathname"],
    }


def test_what_draws_charts_is_fetched_ahead(client: Any) -> None:
    """On pages with charts only; own files are kept under an address that names their version."""
    links = re.findall(
        r'(?:defer src|as="script" href|crossorigin="anonymous" href)="([^"]+)"', client.get("/").text
    )
    assert len(links) == 3
    for link in links:
        with client.get(link) as answer:
            assert answer.status_code == 200
    assert drawing.ADDRESS in client.get("/trend").text
    assert "defer" not in client.get("/health").text
    assert 'href="/_dash-layout"' in client.get("/health").text  # every page asks early for what it shows


def test_the_small_drawing_program_is_served(client: Any) -> None:
    """Its version is that of the package, whose figures it draws; it is less than a third as large."""
    assert drawing.version_of(drawing.SMALL) == get_plotlyjs_version()
    with client.get(drawing.ADDRESS) as answer:
        assert len(answer.data) == drawing.SMALL.stat().st_size < 1_600_000


def test_files_of_the_program_are_kept(client: Any) -> None:
    """Own files are kept under an address that names their version."""
    style = re.search(r'href="(/assets/stillroom.css[^"]*)"', client.get("/").text)[1]
    with client.get(style) as answer:
        assert "immutable" in answer.headers["Cache-Control"]


def test_page_says_its_language(client: Any) -> None:
    """A screen reader must know how to pronounce it."""
    assert '<html lang="en">' in client.get("/").text


def test_page_of_another_origin_is_refused(client: Any) -> None:
    """A form or script elsewhere cannot act through a person's browser."""
    foreign = client.post("/_dash-update-component", json={}, headers={"Origin": "http://elsewhere.example"})
    assert foreign.status_code == 403


def test_no_door_for_machines(record: Synthetic) -> None:
    """Dash's own interface for models is not there."""
    app = create_app(Path("unused"), source=record, now_ns=lambda: record.now)
    assert not [rule.rule for rule in app.server.url_map.iter_rules() if "_mcp" in rule.rule]


@pytest.mark.slow
@pytest.mark.parametrize("path", [page.PATH for page in PAGES])
def test_pages_stand_and_nav_has_only_them(q: Queries, path: str) -> None:
    """Each page draws over the record; an address that cannot be read keeps the page."""
    assert "Page not found" not in str(page_of(q, path, ""))
    drawn = str(page_of(q, path, "?from=nonsense&to=nonsense&inspection=none&zone=attic"))
    assert drawn


def test_unknown_zone_in_an_address_is_told(q: Queries) -> None:
    """The refusal lists the zones that there are."""
    assert "There is no zone 'attic'" in str(page_of(q, "/trend", "?zone=attic"))


@pytest.mark.slow
def test_real_record_has_no_ribbon(q: Queries) -> None:
    """The ribbon is for invented data, and there it stands on every page."""
    from dashboard.shell import SIMULATED, shell

    assert SIMULATED in str(shell(q, PAGES))
    real = Synthetic(simulated=False)
    assert SIMULATED not in str(shell(Queries(real, lambda: real.now), PAGES))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8060", 200),
        ("localhost", 200),
        ("[::1]:8060", 200),
        ("room.example", 302),
        ("evil.example", 421),
    ],
)
def test_a_strangers_name_for_this_machine_is_refused(record: Synthetic, host: str, status: int) -> None:
    """A page elsewhere may let its own name lead here (DNS rebinding); it is not answered."""
    app = create_app(Path("unused"), source=record, names=["room.example"])
    assert app.server.test_client().get("/", headers={"Host": host}).status_code == status


PLACES = ("alert", "alarm-rows", "alarm-acts", "clock", "polite")
TICK = {
    "output": ".." + "...".join(f"{ident}.children" for ident in PLACES) + "...shell-seen.data..",
    "outputs": [
        *({"id": ident, "property": "children"} for ident in PLACES),
        {"id": "shell-seen", "property": "data"},
    ],
    "inputs": [
        {"id": "shell-tick", "property": "n_intervals", "value": 1},
        {"id": "acted", "property": "data", "value": None},
    ],
    "state": [{"id": "shell-seen", "property": "data", "value": {}}],
    "changedPropIds": ["shell-tick.n_intervals"],
}


def test_sound_callback_is_answered(client: Any) -> None:
    """What a page sends, by hand: the clock of the header comes back."""
    answer = client.post("/_dash-update-component", json=TICK)
    assert answer.status_code == 200
    assert "clock" in answer.json["response"]


@pytest.mark.slow
@pytest.mark.parametrize("body", [
    [],
    "text",
    {},
    {"output": "nothing.here", "inputs": []},
    {"output": ["alert.children"]},
    TICK | {"inputs": []},
    TICK | {"inputs": "none"},
    TICK | {"inputs": [1, 2]},
    TICK | {"inputs": [{"id": "clock", "property": "children", "value": 1}] * 2},
    TICK | {"outputs": []},
    TICK | {"outputs": 7},
    TICK | {"changedPropIds": [{}]},
    TICK | {"state": [{"id": "shell-seen", "property": "data", "value": [1, 2]}]},
], ids=range(13))  # fmt: skip
def test_malformed_callback_is_the_senders_fault(client: Any, body: Any) -> None:
    """No page of ours can have sent it: 400, never an error of the server."""
    assert client.post("/_dash-update-component", json=body).status_code == 400


def test_callback_that_is_no_json_is_refused(client: Any) -> None:
    """Bytes that are no JSON are told so, too."""
    answer = client.post("/_dash-update-component", data=b"\xff{", content_type="application/json")
    assert answer.status_code == 400


@pytest.mark.parametrize(
    ("age_s", "stopped", "expected"),
    [
        (5, False, {}),
        (90, False, {"silent_s": 90, "stopped": False}),
        (5, True, {"silent_s": 5, "stopped": True}),
    ],
)
def test_pulse_tells_a_silent_service(
    client: Any, record: Synthetic, age_s: int, stopped: bool, expected: dict[str, Any]
) -> None:
    """One small answer: the newest arrival, and silence only when there is one."""
    record.beat(age_s, stopped=stopped)
    answer = client.get("/_news")
    assert answer.json == {
        "cursor": record.arrived_after(-1)[1],
        "setup": record.setup().digest[:12],
        **expected,
    }
    assert len(answer.data) < 90


def test_pulse_says_when_to_ask_again_only_where_that_is_not_each_second(
    client: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that the usual answer stays as small as it was."""
    monkeypatch.setattr("dashboard.parts.news.KEPT_S", -1.0)
    monkeypatch.setattr("dashboard.access.shared_answers.PULSE_LASTS_S", -1.0)
    assert "again_s" not in client.get("/_news").json
    monkeypatch.setattr("dashboard.parts.news.Rhythm.again_s", 5.0)
    assert client.get("/_news").json["again_s"] == 5.0


def test_pulse_of_a_record_that_nobody_serves(client: Any) -> None:
    """Without a heartbeat there is nothing to be silent."""
    assert set(client.get("/_news").json) == {"cursor", "setup"}
