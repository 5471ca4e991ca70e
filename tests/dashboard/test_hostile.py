"""What no page of ours would send, to every callback, page and route: never a fault of the server."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from dashboard.access.guard import CALLBACKS
from dashboard.app import PAGES, create_app
from logger.model.roles import Role
from logger.people import People
from tests.dashboard.synthetic import Synthetic
from tests.dashboard.test_who_may import PASSWORD, signed_in

VALUES: list[Any] = [
    None, "", 0, -1, 2**70, 1e308, True, [], {}, [None], [[]], {"a": 1}, ["x", 1, None], "x" * 5000,
    "../../../etc/passwd", "'; drop table reading; --", "<script>alert(1)</script>", "\x00", "\ud800", "٣",
    "NaN",
    "9999-12-31 23:59", "0001-01-01 00:00", "2026-13-45 99:99", "2026-10-19T14:00+99:99", [1e300, -1e300],
    {"search": "?from=x", "offset_s": "y"}, {"alarm": {"a": []}},
    {"alarm": "bay", "cursor": "x", "behind": [1]},
]  # fmt: skip
WORDS = [
    "../../x",
    "<b>",
    "\x00",
    "a" * 4000,
    "%",
    "-1",
    "1e999",
    "9999-12-31",
    "0001-01-01",
    "٣",
    "machine-bay",
]
READERS = [page for page in PAGES if page.TITLE not in ("Now", "Health", "Wall view")]  # of an address
KEYS = [
    *(
        "zone",
        "quantity",
        "channels",
        "from",
        "to",
        "inspection",
        "excursion",
        "probe",
        "certificate",
        "compare",
    ),
    *("text", "kind", "below", "proposal", "decided", "wall", "at", "record", "number", "file", "import"),
]


@pytest.fixture(scope="module")
def client() -> Iterator[Any]:
    """Somebody who may do everything."""
    record = Synthetic(simulated=False)
    People(record.store).add("all", "The one", set(Role), PASSWORD, "test")
    app = create_app(record.store.folder, source=record, now_ns=lambda: record.now)
    signed = signed_in(app, "all")
    signed.app = app
    yield signed
    record.store.close()


def ident(expected: str, value: str) -> Any:
    """An identifier that a pattern takes."""
    if not expected.startswith("{"):
        return expected
    return {key: value if isinstance(item, list) else item for key, item in json.loads(expected).items()}


def filled(part: dict[str, Any], value: Any) -> Any:
    """One input or state with a value; a pattern of many gets one of them."""
    many = '["ALL"]' in part["id"] or '["ALLSMALLER"]' in part["id"]
    first = {"id": ident(part["id"], "x"), "property": part["property"], "value": value}
    return [first] if many else first


def calls(app: Any, value: Any) -> Iterator[dict[str, Any]]:
    """A call of every callback, all of whose values are this one, for the reason of each of its inputs."""
    for output, entry in app.callback_map.items():
        if "callback" not in entry:
            continue
        inputs = [filled(part, value) for part in entry["inputs"]]
        body = {
            "output": output,
            "outputs": [{"id": "x", "property": "y"}],
            "inputs": inputs,
            "state": [filled(part, value) for part in entry["state"]],
        }
        for item in inputs:
            first = item[0] if isinstance(item, list) else item
            name = first["id"] if isinstance(first["id"], str) else json.dumps(first["id"], sort_keys=True)
            yield {**body, "changedPropIds": [f"{name}.{first['property']}"]}


@pytest.mark.slow
@pytest.mark.parametrize("value", VALUES, ids=range(len(VALUES)))
def test_no_value_breaks_a_callback(client: Any, value: Any) -> None:
    """Each is used, refused in words, or told to be the sender's fault."""
    for body in calls(client.app, value):
        answer = client.post(CALLBACKS, data=json.dumps(body), content_type="application/json")
        assert answer.status_code in (200, 204, 400), (body["output"], answer.status_code)


@pytest.mark.slow
@pytest.mark.parametrize("page", READERS, ids=lambda page: page.TITLE)
def test_no_address_breaks_a_page(client: Any, page: Any) -> None:
    """A page keeps its frame and says what is wrong, whatever stands in its address."""
    queries = ["&".join(f"{key}={word}" for key in KEYS) for word in WORDS]
    queries += [f"{key}={word}" for key in KEYS for word in ("9999-12-31", "\x00")]
    for search in queries:
        inputs = [
            {"id": "address", "property": "pathname", "value": page.PATH},
            {"id": "address", "property": "search", "value": f"?{search}"},
        ]
        outputs = [{"id": "page", "property": "children"}, {"id": "shown", "property": "data"}]
        state = [{"id": "shown", "property": "data", "value": None}]
        body: dict[str, Any] = {
            "output": "..page.children...shown.data..",
            "outputs": outputs,
            "state": state,
        }
        answer = client.post(CALLBACKS, json={**body, "inputs": inputs, "changedPropIds": []})
        assert answer.status_code == 200, (page.PATH, search, answer.text[:200])


@pytest.mark.slow
def test_no_method_or_path_breaks_a_route(client: Any) -> None:
    """Each route by each method, its places filled with ways out of a folder."""
    for rule in client.app.server.url_map.iter_rules():
        for word in (
            "../../secret.key",
            "..%2f..%2fsecret.key",
            "%00",
            "x" * 300,
            "-1",
            "a%0d%0aSet-Cookie:x=y",
        ):
            path = "/".join(word if part.startswith("<") else part for part in rule.rule.split("/"))
            for method in ("GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
                if "sign-out" in path or path == "/":
                    continue
                answer = client.open(path, method=method, data=b"\xff{", content_type="application/json")
                assert answer.status_code < 500, (method, path, answer.status_code)
                assert "x=y" not in str(answer.headers.get("Set-Cookie", "")), path
                answer.close()
