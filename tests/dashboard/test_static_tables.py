"""Tables of page Trend stand in the page as text: their cells are no components of the program."""

from __future__ import annotations

import re
from typing import Any

import pytest
from dash import dcc, html

from dashboard.data.queries import Queries
from dashboard.pages import trend
from dashboard.parts.components import table
from dashboard.parts.markup import markup, static


def test_cells_and_roles_are_in_the_text_and_names_are_escaped() -> None:
    """What a reader and a screen reader meet is that of the table: caption, heads, cells, the keyboard."""
    drawn: Any = static(table(["from", "about"], [["06:00", "a < b"]], "Acts", figures=(0,), stacks=True))
    text = drawn.to_plotly_json()["props"]["data-svg"]
    (head,) = re.findall("<th ([^>]*)>about</th>", text)
    assert sorted(head.split()) == ['role="columnheader"', 'scope="col"']
    assert "a &lt; b</td>" in text
    assert "<caption>Acts</caption>" in text
    assert 'tabindex="0"' in text
    assert 'aria-label="Acts"' in text
    with pytest.raises(TypeError, match="drawn by a program"):
        markup(html.Div(dcc.Store(id="x")))


def test_a_page_of_many_rows_has_few_components(q: Queries) -> None:
    """612 before: at each answer, and so twice at each zoom, the programs of the page go through them all."""
    page: Any = trend.layout(q, "")
    components = list(page._traverse())
    assert len(components) < 120
    (tables,) = (part for part in components if getattr(part, "id", "") == "trend-tables")
    texts = [getattr(part, "data-svg", "") for part in tables._traverse()]
    assert sum(len(re.findall("<tr", text)) for text in texts) > 40
