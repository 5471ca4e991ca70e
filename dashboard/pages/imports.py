"""Page Import: choose a file, answer what it does not tell, look, import; conflicts that wait for a
person.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import parse_qs

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from flask import request
from werkzeug.exceptions import BadRequest

from logger.acts.conflicts import Disagreement, decide, disagreements, of_source
from logger.errors import Refused, StillroomError
from logger.imports.importer import plain_text
from logger.model.figures import channel_words
from logger.model.roles import Act, refuse_unseen
from logger.service.folder import refused_files

from ..access.needs import EXPECTED_BODIES, acting, allowed, needs, visitor
from ..data.queries import Queries
from ..data.words import local, plain
from ..parts.components import button, card, choice, field, refusal, table
from ..parts.import_desk import Desk, bring_in, describe, try_out, work
from ..parts.import_forms import preview_card, profile_from_answers, questions

TITLE = "Import"
PATH = "/import"
UPLOADS = "/import/file"
NEEDS = Act.MARK
NEW = ""  # the choice of a profile that is made here
SHOWN = 50  # conflicts and files in a list


def layout(q: Queries, search: str) -> Component:
    """The file on the desk, conflicts, what came in, what was refused."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    return html.Div(
        [
            html.H1("Import", className="page"),
            card("Import a file", _choose(), html.Div(id="import-refusal", role="alert")),
            html.Div(id="import-desk"),
            html.Div(_conflicts(q), id="import-conflicts"),
            _imported(q),
            _refused(q),
            dcc.Store(id="import-key", data=query.get("file", "")),
            dcc.Interval(id="import-tick", interval=700, disabled=True),
        ],
        className="stack",
    )


def _choose() -> Component:
    """The field itself and the bar of its progress are put in by `assets/upload.js`."""
    formats = "Text, workbooks, JSON, SenML, Parquet; also packed with gzip or zip. Nothing is stored yet."
    label = html.Label("Choose or drop a file", htmlFor="import-file", className="act")
    return html.Div([html.Div(label, id="import-drop", className="drop"), html.P(formats)])


def desk_of(q: Queries, desk: Desk, key: str) -> list[Component]:
    """The file that lies open: its questions, what would be stored, what was."""
    if not key:
        return []
    upload = desk.get(key)
    if upload.busy:
        return [card(upload.name, html.P(f"Working: {upload.stage or 'one moment'} …", role="status"))]
    parts: list[Component] = []
    if upload.result is not None:
        return [card(upload.name, html.P(_result_sentence(upload.result), className="done", role="status"))]
    if upload.described is not None or upload.refused:
        parts.append(card(upload.name, *questions(q, upload), refusal(upload.refused)))
    if upload.tried is not None and not upload.refused:
        parts.append(preview_card(q, upload))
    return parts


def _result_sentence(result: Any) -> str:
    if result.already:
        return f"{result.name} was already imported. Nothing to do."
    sentence = (
        f"{result.name}: {result.stored:,} readings are stored, {result.duplicates:,} were there already"
    )
    more = f"; {len(result.conflicts)} in conflict, see below" if result.conflicts else ""
    return f"{sentence}{more}."


def _conflicts(q: Queries) -> list[Component]:
    conflicts = disagreements(q.source.store)
    if not conflicts:
        return []
    heads = ["channel", "at, local", "values", "from"]
    rows = [_conflict_row(q, d) for d in conflicts[:SHOWN]]
    more = f", the first {SHOWN} are listed" if len(conflicts) > SHOWN else ""
    sentence = f"{len(conflicts)} to decide{more}. Until then neither value counts."
    return [
        card(
            "Conflicts",
            html.P(sentence),
            table(heads, rows, "Conflicting values", figures=(1, 2)),
            *([_decision(conflicts)] if allowed(Act.DECIDE) else []),
        )
    ]


def _conflict_row(q: Queries, d: Disagreement) -> list[object]:
    unit = q.setup.channels[d.channel].unit if d.channel in q.setup.channels else ""
    values = " or ".join(plain(c.value, unit) for c in d.claims)
    return [
        channel_words(d.channel),
        local(d.taken_ns, q.room.timezone),
        values,
        ", ".join(c.file or c.source for c in d.claims),
    ]


def _decision(conflicts: Sequence[Disagreement]) -> Component:
    sources = {c.source: c.file or c.source for d in conflicts for c in d.claims}
    channels = {"": "all channels"} | {d.channel: channel_words(d.channel) for d in conflicts}
    options = {f"keep {s}": f"keep {name}" for s, name in sources.items()}
    return html.Div(
        [
            choice("conflict-channel", "For", channels, ""),
            choice(
                "conflict-keep",
                "Decision",
                options | {"none": "keep neither"},
                next(iter(options)),
            ),
            field("conflict-why", "Reason"),
            button("conflict-decide", "Decide"),
            html.Div(id="conflict-refusal"),
        ],
        className="form",
    )


def decide_conflicts(q: Queries, who: str, channel: str, keep: str, why: str) -> str:
    """Record the decision for every conflict of the channel; gives what is said of it."""
    conflicts = [d for d in disagreements(q.source.store) if channel in ("", d.channel)]
    source = keep.removeprefix("keep ")
    chosen = [(d, None) for d in conflicts] if keep == "none" else of_source(conflicts, source)
    return f"{decide(q.source.store, chosen, who, why)} conflict(s) decided."


def _imported(q: Queries) -> Component:
    files = sorted(q.source.store.imports.all(), key=lambda f: -f.at_ns)[:SHOWN]
    rows = [
        [
            f.name,
            local(f.at_ns, q.room.timezone),
            f"{f.summary['stored']:,}" if "stored" in f.summary else "",
            f.summary.get("who", ""),
            f.sha256[:12],
        ]
        for f in files
    ]
    if not rows:
        return card("Imported", html.P("No files imported yet."))
    heads = ["file", "at, local", "readings", "by", "SHA-256"]
    return card("Imported", table(heads, rows, "Imported files, newest first", figures=(1, 2)))


def _refused(q: Queries) -> Component:
    rows = [[r.name, local(r.at_ns, q.room.timezone), r.why] for r in refused_files(q.source.store)[:SHOWN]]
    if not rows:
        return html.Div()
    heads = ["file", "at, local", "why"]
    return card("From the watched folder", table(heads, rows, "Rejected files", figures=(1,)))


def register(app: Dash, q: Queries) -> None:
    """Upload, answers, look, import, and the decision on conflicts."""
    desk = Desk()
    _register_uploads(app, q, desk)
    _register_desk(app, q, desk)
    _register_steps(app, q, desk)
    _register_conflicts(app, q)


def _register_uploads(app: Dash, q: Queries, desk: Desk) -> None:
    """Two requests: what will come, and the bytes of it; see `parts/import_uploads.py`."""

    @needs(Act.MARK)
    def announced() -> tuple[dict[str, str], int]:
        body = request.get_json(silent=True)
        name, size = (body.get("name"), body.get("size")) if isinstance(body, dict) else (None, None)
        if not isinstance(name, str) or not isinstance(size, int) or isinstance(size, bool):
            raise BadRequest("expected the name and the size of a file")
        try:
            plain_name = refuse_unseen(plain_text(name).strip() or "file", "name of the file")
            return {"ticket": desk.uploads.announce(plain_name, size, _account())}, 201
        except Refused as refused:
            return {"refused": str(refused)}, 409

    @needs(Act.MARK)
    def uploaded(ticket: str) -> tuple[dict[str, str], int]:
        try:
            key = desk.put(
                *desk.uploads.take(ticket, _account(), request.content_length or 0, request.stream)
            )
        except Refused as refused:
            return {"refused": str(refused)}, 409
        work(desk.get(key), lambda upload: describe(upload, q.setup), wait_s=0.0)
        return {"key": key}, 201

    uploaded.takes_bodies = True  # type: ignore[attr-defined]
    app.server.add_url_rule(UPLOADS, "import-announced", announced, methods=["POST"])
    app.server.add_url_rule(f"{UPLOADS}/<ticket>", "import-uploaded", uploaded, methods=["POST"])
    app.server.extensions[EXPECTED_BODIES] = desk.uploads


def _account() -> str:
    who = visitor()
    return who.name if who else ""


def _register_desk(app: Dash, q: Queries, desk: Desk) -> None:
    @app.callback(
        Output("import-desk", "children"),
        Output("import-tick", "disabled"),
        Input("import-key", "data"),
        Input("import-tick", "n_intervals"),
    )
    @needs(Act.MARK)
    def drawn(key: str | None, _: int | None) -> tuple[Any, bool]:
        try:
            shown_now = desk_of(q, desk, key or "")
            return shown_now, not (key and desk.get(key).busy)
        except StillroomError as fault:
            return refusal(str(fault)), True


def _register_steps(app: Dash, q: Queries, desk: Desk) -> None:
    @app.callback(
        Output("import-tick", "disabled", allow_duplicate=True),
        Output("import-tick", "n_intervals"),
        Input({"type": "import-step", "step": ALL}, "n_clicks"),
        State("import-key", "data"),
        State({"type": "import-answer", "of": ALL}, "value"),
        State({"type": "import-answer", "of": ALL}, "id"),
        prevent_initial_call=True,
    )
    @needs(Act.MARK)
    def step(_: list[int], key: str, values: list[Any], idents: list[dict[str, Any]]) -> tuple[Any, Any]:
        if not ctx.triggered or not ctx.triggered[0]["value"]:
            return no_update, no_update
        answers = {ident["of"]: value for ident, value in zip(idents, values, strict=True)}
        try:
            upload = desk.get(key or "")
        except Refused:
            return False, 0  # the next tick says that it lies here no longer
        upload.answers = {of: str(value or "") for of, value in answers.items()}
        who = acting(Act.MARK)
        if ctx.triggered_id["step"] == "import":
            work(upload, lambda u: bring_in(u, q.source.store, q.setup, who, q.now_ns()))
        else:
            work(
                upload,
                lambda u: try_out(
                    u, profile_from_answers(q, u, answers), q.source.store, q.setup, q.now_ns()
                ),
            )
        return False, 0


def _register_conflicts(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("import-conflicts", "children"),
        Output("conflict-refusal", "children"),
        Input("conflict-decide", "n_clicks"),
        State("conflict-channel", "value"),
        State("conflict-keep", "value"),
        State("conflict-why", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.DECIDE)
    def decides(
        clicks: int | None, channel: str | None, keep: str | None, why: str | None
    ) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        try:
            message = decide_conflicts(q, acting(Act.DECIDE), channel or "", keep or "", why or "")
        except StillroomError as fault:
            return no_update, refusal(str(fault))
        return [html.P(message, className="done", role="status"), *_conflicts(q)], no_update
