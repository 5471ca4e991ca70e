"""The server: headers, doors that stay shut, pages without a browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dashboard.access import may_act
from dashboard.app import PAGES, create_app, page_of
from dashboard.queries import Queries
from logger.errors import Refused
from tests.dashboard.synthetic import Synthetic


@pytest.fixture
def client(record: Synthetic) -> Any:
    app = create_app(Path("unused"), source=record, now_ns=lambda: record.now)
    return app.server.test_client()


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


@pytest.mark.parametrize("path", [page.PATH for page in PAGES])
def test_pages_stand_and_nav_has_only_them(q: Queries, path: str) -> None:
    """Each page draws over the record; an address that cannot be read keeps the page."""
    assert "There is no such page" not in str(page_of(q, path, ""))
    drawn = str(page_of(q, path, "?from=nonsense&to=nonsense&inspection=none&zone=attic"))
    assert drawn


def test_unknown_zone_in_an_address_is_told(q: Queries) -> None:
    """The refusal lists the zones that there are."""
    assert "There is no zone 'attic'" in str(page_of(q, "/trend", "?zone=attic"))


def test_real_record_takes_acts_only_from_this_machine(record: Synthetic, q: Queries) -> None:
    """Beyond loopback looking is free, acting is refused until there is sign-in."""
    record.simulated = False
    app = create_app(Path("unused"), source=record, now_ns=lambda: record.now)
    with (
        app.server.test_request_context(environ_base={"REMOTE_ADDR": "192.0.2.7"}),
        pytest.raises(Refused, match="sign-in"),
    ):
        may_act(q)
    with app.server.test_request_context(environ_base={"REMOTE_ADDR": "127.0.0.1"}):
        may_act(q)


def test_real_record_has_no_ribbon(record: Synthetic, q: Queries) -> None:
    """The ribbon is for invented data, and there it stands on every page."""
    from dashboard.app import SIMULATED, shell

    assert SIMULATED in str(shell(q))
    record.simulated = False
    assert SIMULATED not in str(shell(q))


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8060", 200),
        ("localhost", 200),
        ("[::1]:8060", 200),
        ("room.example", 200),
        ("evil.example", 421),
    ],
)
def test_a_strangers_name_for_this_machine_is_refused(record: Synthetic, host: str, status: int) -> None:
    """A page elsewhere may let its own name lead here (DNS rebinding); it is not answered."""
    app = create_app(Path("unused"), source=record, names=["room.example"])
    assert app.server.test_client().get("/", headers={"Host": host}).status_code == status
