"""Markdown of the shipped help as Dash components; nothing of it is handed to the browser as HTML."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component
from markdown_it import MarkdownIt
from markdown_it.tree import SyntaxTreeNode

from .components import aria

Child = Component | str
Link = Callable[[str], str | None]  # the address for a target as written; None: only its text

_SIMPLE: dict[str, Any] = {
    "paragraph": html.P,
    "strong": html.Strong,
    "em": html.Em,
    "bullet_list": html.Ul,
    "ordered_list": html.Ol,
    "list_item": html.Li,
    "blockquote": html.Blockquote,
    "thead": html.Thead,
    "tbody": html.Tbody,
    "tr": html.Tr,
    "td": html.Td,
}


def markdown(text: str, link: Link) -> list[Component]:
    """The blocks of a Markdown text (CommonMark and tables) as components; `link` resolves addresses."""
    tree = SyntaxTreeNode(MarkdownIt("commonmark", {"html": False}).enable("table").parse(text))
    return [
        block for node in tree.children for block in [_component(node, link)] if isinstance(block, Component)
    ]


def anchor(heading: str) -> str:
    """The name of a heading in addresses: small letters, hyphens for spaces.

    >>> anchor("Why is it *not shown*?")
    'why-is-it-not-shown'
    """
    return re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-")


def _component(node: SyntaxTreeNode, link: Link) -> Child:
    special = _SPECIAL.get(node.type)
    if special:
        return special(node, link)
    if node.type in _SIMPLE:
        return _built(_SIMPLE[node.type](_inside(node, link)))
    return node.content  # text, and whatever a help page has no need of


def _inside(node: SyntaxTreeNode, link: Link) -> list[Child]:
    """What stands in a block or span; paragraphs of short lists are left out, as Markdown has it."""
    parts: list[Child] = []
    for child in node.children:
        loose = child.type == "inline" or (child.type == "paragraph" and child.hidden)
        parts.extend(_inside(child, link) if loose else [_component(child, link)])
    return parts


def _heading(node: SyntaxTreeNode, link: Link) -> Component:
    kinds: Sequence[Any] = (html.H1, html.H2, html.H3, html.H4, html.H5, html.H6)
    more = {"className": "page"} if node.tag == "h1" else {}
    return _built(
        kinds[int(node.tag[1]) - 1](_inside(node, link), id=anchor(node.children[0].content), **more)
    )


def _anchor(node: SyntaxTreeNode, link: Link) -> Child:
    address = link(str(node.attrs.get("href", "")))
    inside = _inside(node, link)
    return _built(html.A(inside, href=address) if address else html.Span(inside))


def _code(node: SyntaxTreeNode, _link: Link) -> Component:
    more: dict[str, Any] = {"role": "group", **aria("Example")}
    return _built(html.Pre(html.Code(node.content), tabIndex=0, className="example", **more))


def _table(node: SyntaxTreeNode, link: Link) -> Component:
    more: dict[str, Any] = {"role": "group", **aria("Table")}
    return _built(html.Div(html.Table(_inside(node, link)), className="table", tabIndex=0, **more))


def _head_cell(node: SyntaxTreeNode, link: Link) -> Component:
    return _built(html.Th(_inside(node, link), scope="col") if _inside(node, link) else html.Td())


def _built(component: Any) -> Component:
    built: Component = component
    return built


_SPECIAL: dict[str, Callable[[SyntaxTreeNode, Link], Child]] = {
    "heading": _heading,
    "link": _anchor,
    "fence": _code,
    "code_block": _code,
    "code_inline": lambda node, _: _built(html.Code(node.content)),
    "softbreak": lambda _node, _link: " ",
    "hardbreak": lambda _node, _link: _built(html.Br()),
    "table": _table,
    "th": _head_cell,
}
