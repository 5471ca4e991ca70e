"""Page Journal: every act and event, searchable, newest first; the address holds the search."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component

from logger.errors import StillroomError
from logger.handouts.hand_over import hand_over
from logger.model.roles import Act
from logger.store import JournalEntry

from ..access.needs import needs
from ..data.channels import with_channel_words
from ..data.journal_words import entry_facts, kind, local_times
from ..data.queries import Queries
from ..data.words import instant, local
from ..parts.components import behind, button, card, choice, field, refusal, table

TITLE = "Journal"
PATH = "/journal"
NEEDS = Act.READ_INSPECTIONS  # entries name inspections
LIMIT = 50
MACHINE_KINDS = ("batch",)  # each store of readings is an entry, too: thousands a day


def layout(q: Queries, search: str) -> Component:
    """The page for an address; one that cannot be read keeps the form and says why."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    try:
        drawn = _entry_list(q, query)
    except StillroomError as refused:
        drawn = refusal(str(refused))
    number, digest = q.source.keeping.head()
    note = (
        f"Chain head: entry {number}, SHA-256 {digest}. Keep a copy elsewhere: "
        "it proves that nothing above was changed."
    )
    return html.Div(
        [
            html.H1("Journal", className="page"),
            _form(q, query),
            drawn,
            _hand_over(q),
            html.P(note, className="provenance"),
        ]
    )


def _hand_over(q: Queries) -> Component:
    """What happened since the last hand-over was signed off, folded; one line an event."""
    current, zone = q.source.current, q.room.timezone
    with current.judging:
        shown = hand_over(current.verdicts, q.now_ns())
    rows = [[local(line.at_ns, zone), line.where, line.what] for line in shown.lines]
    by = f" by {shown.signed_by}" if shown.signed_by else ""
    number = f"{len(rows)} event{'' if len(rows) == 1 else 's'}"
    title = f"Hand-over: {number} since {local(shown.from_ns, zone)}{by}"
    listed = table(["at, local", "where", "what"], rows, "Hand-over") if rows else html.P("Nothing happened.")
    waiting = [html.P(f"Waits: {'; '.join(shown.waiting)}.")] if shown.waiting else []
    how = html.P("Sign off on the command line: stillroom review handover --sign", className="aside")
    return behind(title, html.Div([listed, *waiting, how]))


def _form(q: Queries, query: Mapping[str, str]) -> Component:
    kinds = {"": "all except stored readings", **{k: kind(k) for k in q.source.keeping.kinds()}}
    chosen = query.get("kind", "")
    return html.Div(
        [
            field("journal-text", "Search: name, probe, reason", query.get("text", "")),
            choice("journal-kind", "Kind", kinds, chosen if chosen in kinds else ""),
            field("journal-from", "From, local", query.get("from", "")),
            field("journal-to", "To, local", query.get("to", "")),
            button("journal-search", "Search"),
            html.Div(id="journal-refusal"),
        ],
        className="form",
    )


def _entry_list(q: Queries, query: Mapping[str, str]) -> Component:
    zone = q.room.timezone
    chosen = query.get("kind", "")
    entries = q.source.keeping.entries(
        query.get("text", ""),
        kinds=(chosen,) if chosen else (),
        without=() if chosen else MACHINE_KINDS,
        from_ns=_instant(query, "from", zone),
        to_ns=_instant(query, "to", zone),
        below=int(query["below"]) if query.get("below", "").isdecimal() else None,
        limit=LIMIT,
    )
    if not entries:
        return html.P("No match. Use fewer words or a longer period.", className="empty")
    head = ["number", "when, local", "who", "what", "about", "reason", "digest"]
    rows = [_row(q, entry) for entry in entries]
    drawn = table(head, rows, f"Newest first, {LIMIT} a page", figures=(0, 1), stacks=True)
    return card("Acts and events", drawn, *_older(entries, query))


def _instant(query: Mapping[str, str], name: str, zone: str) -> int | None:
    return instant(query[name], zone, wanted_in=name.capitalize()) if query.get(name) else None


def _row(q: Queries, entry: JournalEntry) -> list[object]:
    zone = q.room.timezone
    digest = html.Span(entry.sha256[:12], className="provenance nowrap", title=entry.sha256)
    words = entry.number, local(entry.at_ns, zone, seconds=True), entry.who, kind(entry.kind)
    what = entry.what
    if (place := q.setup.zones.get(str(what.get("zone")))) is not None:
        what = {**what, "zone": place.name}
    about = html.Span(with_channel_words(local_times(entry_facts(what), zone), q.setup), className="about")
    return [*words, about, local_times(entry.why, zone), digest]


def _older(entries: list[JournalEntry], query: Mapping[str, str]) -> list[Component]:
    if len(entries) < LIMIT:
        return []
    return [html.A("Older entries", href=f"{PATH}?{urlencode({**query, 'below': entries[-1].number})}")]


def register(app: Dash, q: Queries) -> None:
    """The search; Enter in the words asks, too."""

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Output("journal-refusal", "children"),
        Input("journal-search", "n_clicks"),
        Input("journal-text", "n_submit"),
        State("journal-text", "value"),
        State("journal-kind", "value"),
        State("journal-from", "value"),
        State("journal-to", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.READ_INSPECTIONS)
    def search(*query: Any) -> tuple[Any, Any]:
        if not any(query[:2]):
            return no_update, no_update
        form = dict(
            zip(("text", "kind", "from", "to"), (str(value or "") for value in query[2:]), strict=True)
        )
        try:
            for name in ("from", "to"):
                _instant(form, name, q.room.timezone)
        except StillroomError as refused:
            return no_update, refusal(str(refused))
        return "?" + urlencode({name: value for name, value in form.items() if value}), refusal("")
