"""Addresses of pages below the path of a room: theirs get it, those of the group and of others do not."""

from __future__ import annotations

from typing import Any

import pytest
from flask import Flask, Response, redirect

from dashboard.mount import Mount


@pytest.fixture
def app() -> Flask:
    server = Flask(__name__)
    house: Any = None
    Mount("/hall-3", house).install(server)
    answers = {
        "json": ('{"href": "/trend?zone=a", "text": "\\"href\\":\\"/x\\""}', "application/json"),
        "escaped": ('{"href":"\\u002ftrend","b":{"href":"\\u002f"}}', "application/json"),
        "mixed": (
            '{"href":"/account"}{"href":"/accounts"}{"href":"//other"}{"href":"#page"}',
            "application/json",
        ),
        "already": ('<link href="/hall-3/assets/a.css"><a href="/sign-in?next=/x">', "text/html"),
        "html": ('<form action="/acknowledge/x"><img src="/assets/a.png"><p>href=&#34;/no&#34;', "text/html"),
        "file": ('href="/trend"', "text/csv"),
    }

    def answer(name: str) -> Response:
        text, kind = answers[name]
        return Response(text, mimetype=kind)

    server.add_url_rule("/a/<name>", view_func=answer)
    server.add_url_rule(
        "/to/<name>", "to", lambda name: redirect("/" + ("sign-in" if name == "in" else name))
    )
    return server


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("json", '{"href": "/hall-3/trend?zone=a", "text": "\\"href\\":\\"/x\\""}'),
        ("escaped", '{"href":"/hall-3/trend","b":{"href":"/hall-3/"}}'),
        ("mixed", '{"href":"/account"}{"href":"/accounts"}{"href":"//other"}{"href":"#page"}'),
        ("already", '<link href="/hall-3/assets/a.css"><a href="/sign-in?next=/x">'),
        (
            "html",
            '<form action="/hall-3/acknowledge/x"><img src="/hall-3/assets/a.png"><p>href=&#34;/no&#34;',
        ),
        ("file", 'href="/trend"'),
    ],
)
def test_addresses_in_answers(app: Flask, name: str, expected: str) -> None:
    assert app.test_client().get(f"/a/{name}").text == expected


def test_redirects(app: Flask) -> None:
    client = app.test_client()
    assert client.get("/to/cases").headers["Location"] == "/hall-3/cases"
    assert client.get("/to/in").headers["Location"] == "/sign-in"
