"""The few things that every page is made of."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
import orjson
from dash import dcc, html
from dash.development.base_component import Component

from ..charts import theme
from ..charts.figures import Figure

if TYPE_CHECKING:
    from ..data.queries import Queries

Child = Any
LONG = 8  # rows of a table that stacks: more are cut short on a phone, see stillroom.css
CONFIG: Any = {
    "displayModeBar": False,
    "displaylogo": False,
    "plotlyServerURL": "",
    "showTips": False,
    "scrollZoom": False,
    "modeBarButtonsToRemove": ["sendChartToCloud", "lasso2d", "select2d"],
    "doubleClick": "reset+autosize",
}


# Names of fields for a day or a time; those for two days, or a period, are none.
DAY_FIELD = re.compile(r"-(from|to|at|day|on|due|calibrated|valid|when|look_on|action)$")
# A list opens beside its field, so that the next stop of the keyboard is the next field.
LIST: dict[str, Any] = {"comboboxProps": {"withinPortal": False}}
HIDDEN: dict[str, Any] = {"aria-hidden": "true"}


def aria(label: str) -> dict[str, Any]:
    """The name under which a screen reader tells a part."""
    return {"aria-label": label}


def graph(ident: Any, figure: Figure, label: str, height: int = 400) -> Component:
    """A chart that a screen reader meets as one picture with words; its table stands behind it."""
    drawn = dcc.Graph(
        id=ident, figure=figure, config=CONFIG, responsive=True, style={"height": f"{height}px"}
    )
    readout = html.P(className="readout", **HIDDEN)  # what is under the pointer: assets/readout.js
    return html.Div([readout, html.Div(drawn, role="img", className="chart", **aria(label))])


def table_graph(ident: Any, figure: Figure, label: str, height: int) -> Component:
    """A chart with its readout as a table beside it, on a phone below it."""
    drawn = dcc.Graph(
        id=ident, figure=figure, config=CONFIG, responsive=True, style={"height": f"{height}px"}
    )
    readout = html.Div(className="readout-table", **HIDDEN)  # assets/readout.js; tables follow for the ear
    chart = html.Div(drawn, role="img", className="chart", **aria(label))
    return html.Div([readout, chart], className="charted")


def svg(text: str, ident: Any = None) -> Component:
    """A drawing of ours; assets/drawings.js puts the text into the page."""
    more: dict[str, Any] = {"data-svg": text}
    if ident is not None:
        more["id"] = ident
    return html.Div(className="drawing", **more)


def card(
    title: Child, *children: Child, aside: Child = "", ident: str = "", folds: bool = False
) -> Component:
    """A titled part of a page, a landmark for nobody: headings are enough.

    `folds`: on a phone only the head shows, and what has the class "stays", until its button is pressed.
    """
    named: dict[str, Any] = {"id": ident} if ident else {}
    more = [_fold("Show", "Hide")] if folds else []
    head = html.Div([html.H2(title), html.Span(aside, className="aside"), *more], className="card-head")
    return html.Section([head, *children], className="card folds" if folds else "card", **named)


def _fold(more: str, less: str) -> Component:
    """The button of a part that is cut short on a phone; assets/folds.js answers it."""
    words = [html.Span(more, className="more"), html.Span(less, className="less")]
    pressed: dict[str, Any] = {"aria-expanded": "false"}
    return html.Button(words, className="fold", type="button", **pressed)


def folding_form(words: str, *children: Component) -> Component:
    """A form that on a phone is a button with these words until it is pressed: what it asks for leads.

    What has the class "stays", such as a refusal, is seen in any case.
    """
    return html.Div([_fold(words, "Hide"), *children], className="form folds")


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[Child]],
    caption: str,
    *,
    figures: Sequence[int] = (),
    stacks: bool = False,
) -> Component:
    """A table with a caption and header cells; columns in `figures` are set in tabular figures.

    `stacks`: on a phone each row becomes a block that names its cells, for tables of words. Their roles
    are said then, because a browser forgets them when the layout is no table's. A long one shows its first
    rows there, and a button for the others.
    """

    def role(name: str) -> dict[str, Any]:
        return {"role": name} if stacks else {}

    def cell(i: int, child: Child) -> Component:
        named: dict[str, Any] = {"data-head": head[i]} if stacks and i < len(head) else {}
        return html.Td(child, className="figure" if i in figures else "", **named, **role("cell"))

    cells = [html.Tr([cell(i, child) for i, child in enumerate(row)], **role("row")) for row in rows]
    body = cells or [html.Tr(html.Td("none", colSpan=len(head), **role("cell")), **role("row"))]
    heads = [
        html.Th(text, scope="col", **role("columnheader")) if text else html.Td(**role("cell"))
        for text in head
    ]
    group = role("rowgroup")
    parts = [html.Thead(html.Tr(heads, **role("row")), **group), html.Tbody(body, **group)]
    drawn = html.Table([html.Caption(caption), *parts], **role("table"))
    long = stacks and len(rows) > LONG
    css = "table" + (" stacks" if stacks else "") + (" folds" if long else "")
    more = [_fold(f"All {len(rows)} rows", "Fewer rows")] if long else []
    return html.Div([drawn, *more], className=css, tabIndex=0, role="region", **aria(caption))


def behind(summary: str, *children: Child) -> Component:
    """What stands behind a chart, closed until it is asked for."""
    return html.Details([html.Summary(summary), *children])


def swatch(reason: str) -> Component:
    """The mark of a reason as it is drawn in the trace."""
    return html.Span(className="swatch swatch-" + reason.replace(" ", "-"), **HIDDEN)


def verdict(word: str, reason: str = "", *, apart: bool = False) -> Component:
    """A verdict as a word with its mark; the reason when it says more, `apart` on a line of its own."""
    mark = swatch(reason if reason in theme.REASON_STYLE else FALLBACK[word])
    reason_text = reason if reason and reason != "conforming" else ""
    if apart:
        return html.Span([mark, word, html.Small(reason_text)], className="verdict")
    return html.Span([mark, f"{word}: {reason_text}" if reason_text else word], className="verdict")


# The mark of a verdict whose reason is told in words of its own, such as an interval that was refused.
FALLBACK = {"stable": "conforming", "not shown": "indeterminate", "not stable": "nonconforming"}


def key_to_trace() -> Component:
    """What the patterns of the verdict trace mean."""
    marks = [html.Span([swatch(reason), reason], className="key") for reason in theme.REASON_STYLE]
    return html.Div(marks, className="keys")


def refusal(text: str) -> Component:
    """A message that says what to enter."""
    return html.Div(text, role="alert", className="refusal") if text else html.Div()


def slot(control: Component, css: str = "") -> Component:
    """A place in a form; controls with a list of their own bring several elements."""
    return html.Div(control, className=f"slot {css}".strip())


def field(
    ident: Any, label: str, value: str = "", *, narrow: bool = False, wide: bool = False, **more: Any
) -> Component:
    """A labelled line of text to fill in; one for a day or a time has a calendar (assets/calendar.js)."""
    css = "narrow" if narrow else "wide" if wide else ""
    if DAY_FIELD.search(str(ident)):
        css = f"{css} dated".strip()
    return slot(dmc.TextInput(id=ident, label=label, value=value, size="sm", **more), css)


def draft_of_setup(q: Queries) -> dict[str, Any]:
    """Kept by the browser under the newest version: a changed setup begins with an empty form."""
    versions = q.source.keeping.versions()
    return {"persistence": f"setup-{versions[-1].version if versions else 0}", "persistence_type": "session"}


def choice(
    ident: Any, label: str, options: Mapping[str, str], value: str, *, wide: bool = False, **more: Any
) -> Component:
    """One of a few, by name."""
    data = [{"value": key, "label": name} for key, name in options.items()]
    control = dmc.Select(
        id=ident, label=label, data=data, value=value, allowDeselect=False, size="sm", **LIST, **more
    )
    return slot(control, "wide" if wide else "")


def several(
    ident: Any, label: str, options: Mapping[str, str], values: Sequence[str], none: str
) -> Component:
    """Some of a few, by name; `none` says what an empty choice means."""
    data = [{"value": key, "label": name} for key, name in options.items()]
    hint = "" if values else none
    control = dmc.MultiSelect(
        id=ident,
        label=label,
        data=data,
        value=list(values),
        placeholder=hint,
        size="sm",
        **LIST,
    )
    return slot(control, "wide")


def button(ident: Any, text: str, *, quiet: bool = False) -> Component:
    """A plain button of the page."""
    return html.Button(text, id=ident, type="button", className="quiet" if quiet else "act", n_clicks=0)


def press_of(store: str, subject: Any) -> dict[str, Any]:
    """The marks of a button inside what is drawn again and again (acts.js): a press on it sets `store`, which
    stands outside, to `{"subject": subject, "at": ms since 1970}`. A click that Dash counts would be lost
    where the button is replaced between its two halves, or before the count is sent.
    """
    return {"data-press": store, "data-subject": orjson.dumps(subject).decode()}


def digest(thing: Any) -> str:
    """Names what is on the screen, so that an equal answer is not sent again."""
    plain = orjson.dumps(thing, default=lambda o: o.to_plotly_json(), option=orjson.OPT_NON_STR_KEYS)
    return hashlib.sha256(plain).hexdigest()[:16]
