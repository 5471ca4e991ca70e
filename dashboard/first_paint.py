"""What a browser shows of page Now while the programs of the page load: the room, its verdicts, their time.

It is part of the document itself, so that an answer is there before a megabyte of programs has been read;
they replace it. It does not follow the room, and says of when it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from dash import html
from dash.development.base_component import Component

from .data.queries import Queries
from .data.words import local_offset
from .pages import now

HTML = html.Div()._namespace  # the library of plain HTML


def loading(q: Queries, above: Sequence[Component]) -> str:
    """The frame with the verdicts of now, as markup; `above`: ribbon and head."""
    at = local_offset(q.now_ns(), q.room.timezone, seconds=True)
    words = html.Div(f"State of {at}. The page is loading…", className="alerts")
    line = html.Div(html.Div(words, className="strip"), className="alarm-line")
    answers = html.Div(now.first_sentences(q), className="sentences")
    return markup(html.Div([*above, line, answers], className="shell first-paint"))


def markup(node: Any) -> str:
    """Components of plain HTML as a text, without names and without what a program would do.

    >>> markup(html.P(["1 < 2, ", html.Strong("so", className="out")], title="a & b", id="p"))
    '<p title="a &amp; b">1 &lt; 2, <strong class="out">so</strong></p>'
    """
    if node is None:
        return ""
    if isinstance(node, list | tuple):
        return "".join(map(markup, node))
    if not isinstance(node, Component):
        return escape(str(node))
    plain: dict[str, Any] = node.to_plotly_json()  # type: ignore[no-untyped-call]
    if plain["namespace"] != HTML:
        raise TypeError(f"{plain['type']} is drawn by a program and has no place in a first paint.")
    props = dict(plain["props"])
    content, tag = markup(props.pop("children", None)), plain["type"].lower()
    return f"<{tag}{''.join(_attribute(name, value) for name, value in props.items())}>{content}</{tag}>"


def _attribute(name: str, value: Any) -> str:
    if name in ("id", "href", "n_clicks", "tabIndex") or value is None or value is False:
        return ""
    if name == "style":
        value = "; ".join(f"{key}: {part}" for key, part in value.items())
    name = "class" if name == "className" else name
    return f' {name}="{escape(str(value), quote=True)}"'
