"""What stands in the document of page Now before any program of the page has run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from dash import dcc, html

from dashboard.app import create_app
from dashboard.parts.markup import markup
from tests.dashboard.synthetic import Synthetic


def document(record: Synthetic, path: str = "/", **kwargs: Any) -> str:
    app = create_app(Path("unused"), source=record, now_ns=lambda: record.now, **kwargs)
    return app.server.test_client().get(path, follow_redirects=True).get_data(as_text=True)


def test_verdicts_are_in_the_document_with_their_time() -> None:
    """Each zone with its sentence, and of when it is, since nothing follows yet."""
    record = Synthetic()
    text = document(record)
    for zone in record.setup().zones.values():
        assert f">{zone.name} " in text or f">{zone.name}:" in text
    assert "The page is loading…" in text
    assert "State of 20" in text
    assert 'href="/trend"' not in text


def test_other_pages_say_nothing_of_the_room() -> None:
    """Only the page whose first answer is a verdict has it."""
    assert "first-paint" not in document(Synthetic(), "/trend")


@pytest.mark.slow
def test_a_stranger_reads_no_verdict() -> None:
    """In a real room nobody reads without signing in."""
    assert "first-paint" not in document(Synthetic(simulated=False))


def test_what_people_typed_is_no_markup() -> None:
    """Names of a setup are text, in content and in attributes."""
    drawn = markup(html.P(["<b>", html.I("&", title='"x"')], className="a", id="p", hidden=False))
    assert drawn == '<p class="a">&lt;b&gt;<i title="&quot;x&quot;">&amp;</i></p>'
    assert markup([None, 3]) == "3"


def test_what_a_program_draws_is_refused() -> None:
    """A store or an interval would be lost without a word."""
    with pytest.raises(TypeError, match="Store is drawn by a program"):
        markup(html.Div(dcc.Store(id="s")))
