"""Components of plain HTML as text: for what stands before the programs of a page, and for long tables."""

from __future__ import annotations

from html import escape
from typing import Any

from dash import html
from dash.development.base_component import Component

HTML = html.Div()._namespace  # the library of plain HTML


def static(node: Component) -> Component:
    """Some content as one component, put into the page by assets/drawings.js.

    For tables of many cells: at every answer the page's programs go through all their components.
    """
    named: dict[str, Any] = {"data-svg": markup(node, reached=True)}
    return html.Div(**named)


def markup(node: Any, *, reached: bool = False) -> str:
    """Components of plain HTML as a text, without names and without what a program would do.

    reached: whether the keyboard reaches what it reached.

    >>> markup(html.P(["1 < 2, ", html.Strong("so", className="out")], title="a & b", id="p"))
    '<p title="a &amp; b">1 &lt; 2, <strong class="out">so</strong></p>'
    >>> markup(html.Div("rows", tabIndex=0), reached=True)
    '<div tabindex="0">rows</div>'
    """
    if node is None:
        return ""
    if isinstance(node, list | tuple):
        return "".join(markup(part, reached=reached) for part in node)
    if not isinstance(node, Component):
        return escape(str(node))
    plain: dict[str, Any] = node.to_plotly_json()  # type: ignore[no-untyped-call]
    if plain["namespace"] != HTML:
        raise TypeError(f"{plain['type']} is drawn by a program and has no place in plain text.")
    props = dict(plain["props"])
    content, tag = markup(props.pop("children", None), reached=reached), plain["type"].lower()
    attributes = "".join(_attribute(name, value, reached) for name, value in props.items())
    return f"<{tag}{attributes}>{content}</{tag}>"


def _attribute(name: str, value: Any, reached: bool) -> str:
    left_out = ("id", "href", "n_clicks") if reached else ("id", "href", "n_clicks", "tabIndex")
    if name in left_out or value is None or value is False:
        return ""
    if name == "style":
        value = "; ".join(f"{key}: {part}" for key, part in value.items())
    name = {"className": "class", "colSpan": "colspan", "tabIndex": "tabindex"}.get(name, name)
    return f' {name}="{escape(str(value), quote=True)}"'
