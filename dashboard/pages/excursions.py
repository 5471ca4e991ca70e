"""Page Excursions: each run of a rule not met, with its figures and the way to its trend."""

from __future__ import annotations

from urllib.parse import parse_qs, urlencode

from dash import Dash, html
from dash.development.base_component import Component

from logger.acts.dispositions import Book
from logger.errors import StillroomError
from logger.instants import NS
from logger.model import Excursion
from logger.model.roles import Act

from ..data.queries import Queries
from ..data.words import age, exceedance, field_text, local, plain
from ..parts import decisions
from ..parts.alarm_figures import alarms_card
from ..parts.components import aria, card, refusal, table

TITLE = "Excursions"
PATH = "/excursions"
NEEDS = Act.READ
LIMIT = 200


def layout(q: Queries, search: str) -> Component:
    """All excursions of the record, newest first; before them the one that the address names."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    try:
        selected = decisions.selected_excursion(q, query)
        named = decisions.form(q, selected) if selected else []
    except StillroomError as fault:
        named = [refusal(str(fault))]
    extent, now = q.source.extent(), q.now_ns()
    excursions = q.source.excursions(None, extent[0], now, now) if extent else []
    newest = sorted(excursions, key=lambda e: -e.from_ns)
    decided = q.source.decided()
    rows = [_row(q, e, decided) for e in newest[:LIMIT]]
    head = [
        "zone",
        "rule",
        "from",
        "to",
        "lasted",
        "worst",
        "limit",
        "exceedance",
        "proven",
        "probes",
        "decision",
        "",
    ]
    caption = "Excursions, local time" + (
        f"; the newest {LIMIT} of {len(excursions)}" if len(excursions) > LIMIT else ""
    )
    return html.Div(
        [
            html.H1("Excursions", className="page"),
            *named,
            card("Runs of a rule not met", table(head, rows, caption, figures=(2, 3, 4, 5, 6, 7))),
            decisions.causes_card(excursions, decided),
            alarms_card(q),
        ],
        className="stack",
    )


def _row(q: Queries, e: Excursion, decided: Book) -> list[object]:
    zone = q.room.timezone
    name = next((r.name for r in q.setup.rules if r.key == e.rule), e.rule)
    return [
        q.zone(e.zone).name,
        name,
        local(e.from_ns, zone),
        local(e.to_ns, zone),
        age((e.to_ns - e.from_ns) / NS),
        plain(e.worst, e.unit),
        plain(e.limit, e.unit),
        exceedance(e.exceedance, e.unit),
        "yes" if e.proven else "no",
        ", ".join(e.probes),
        html.A(
            decisions.word(e, decided),
            href=decisions.address(e),
            **aria(f"{decisions.word(e, decided)}: decision on {name}, {local(e.from_ns, zone)}"),
        ),
        html.A("trend", href=f"/trend?{_around(e, zone)}", **aria(f"trend around {local(e.from_ns, zone)}")),
    ]


def _around(e: Excursion, zone: str) -> str:
    return urlencode(
        {
            "zone": e.zone,
            "from": field_text(e.from_ns - 4 * 3600 * NS, zone),
            "to": field_text(e.to_ns + 6 * 3600 * NS, zone),
        }
    )


def register(app: Dash, q: Queries) -> None:
    """Callbacks of the forms."""
    decisions.register(app, q)
