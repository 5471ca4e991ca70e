"""What must be decided on an excursion: what happened, which inspections it touches, what each means.

Nothing closes empty: the record refuses, and says what is still to be said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, ctx, html, no_update
from dash.development.base_component import Component

from logger.acts.dispositions import (
    CAUSES,
    DECISIONS,
    REPEATS,
    Book,
    Disposition,
    Findings,
    before_after,
    pareto,
)
from logger.errors import Refused, StillroomError
from logger.inspections.impact import Impact
from logger.instants import rfc3339
from logger.model import Excursion
from logger.model.roles import Act

from ..access.needs import acting, allowed, needs
from ..data.queries import Queries
from ..data.words import instant, interval_text, local, parse_ns, plain
from .components import button, card, choice, field, refusal, table, verdict

FIELDS = ("detail", "immediate_action", "impact", "decision", "customer")
LABELS = {
    "detail": "What happened",
    "immediate_action": "What was done at once",
    "impact": "What it means for results",
    "decision": "What was decided",
    "customer": "What the customer must be told, or why nothing",
}


def address(e: Excursion) -> str:
    """The page with the form for an excursion."""
    return "/excursions?" + urlencode({"zone": e.zone, "rule": e.rule, "at": rfc3339(e.from_ns)})


def word(e: Excursion, decided: Book) -> str:
    """Where the decision on an excursion stands."""
    disposition = decided.excursion(e)
    again = f"; cause seen {n} times in 30 days" if (n := decided.repetitions(e)) >= REPEATS else ""
    if disposition is not None:
        return ("closed" if disposition.closed else "begun") + again
    return "open" if e.asks_disposition else "not asked"


def selected_excursion(q: Queries, query: Mapping[str, str]) -> Excursion | None:
    """The excursion that the address names."""
    if not all(query.get(k) for k in ("zone", "rule", "at")):
        return None
    at_ns, now = parse_ns(query["at"]), q.now_ns()
    excursions = [
        e for e in q.source.excursions(query["zone"], at_ns - 1, at_ns + 1, now) if e.rule == query["rule"]
    ]
    if not excursions:
        raise Refused(f"There is no excursion of {query['rule']} at {query['at']} (any more); see the list.")
    return excursions[0]


def form(q: Queries, e: Excursion) -> list[Component]:
    """Everything about one excursion: its inspections, and what is to be said."""
    zone = q.room.timezone
    name = next((r.name for r in q.setup.rules if r.key == e.rule), e.rule)
    worst = f"worst {plain(e.worst, e.unit)}, limit {plain(e.limit, e.unit)}"
    head = f"{q.zone(e.zone).name}: {name}, {interval_text(e.from_ns, e.to_ns, zone)}, {worst}"
    return [
        card(
            "Excursion", html.P(head, className="next-step"), html.Div(_findings(q, e), id="excursion-word")
        ),
        card(
            "Inspections that it touches, with its settling",
            html.Div(_affected_inspections(q, e), id="excursion-touched"),
        ),
    ]


def _findings(q: Queries, e: Excursion) -> list[Component]:
    disposition = q.source.decided().excursion(e)
    findings = disposition.findings if disposition else Findings()
    if not allowed(Act.READ_INSPECTIONS):
        return [html.P("Your account may not see what was said.")]
    earlier = [_last_said(q, disposition)] if disposition else []
    if not allowed(Act.DECIDE):
        rows = [[label, getattr(findings, key) or "–"] for key, label in LABELS.items()]
        return [*earlier, table(["", ""], [["Cause", findings.cause or "–"], *rows], "What was said")]
    causes = {"": "not named yet"} | {c: c for c in CAUSES}
    lines = [field({"said": key}, LABELS[key], getattr(findings, key)) for key in FIELDS]
    return [
        *earlier,
        html.Div(
            [
                choice("excursion-cause", "Cause", causes, findings.cause),
                *lines,
                button("excursion-note", "Write down"),
                button("excursion-close", "Write down and close", quiet=True),
                html.Div(id="excursion-refusal"),
            ],
            className="form",
        ),
    ]


def _last_said(q: Queries, disposition: Disposition) -> Component:
    state = "Closed" if disposition.closed else "Last said"
    return html.P(f"{state} by {disposition.who}, {local(disposition.at_ns, q.room.timezone)}.")


def _affected_inspections(q: Queries, e: Excursion) -> list[Component]:
    if not allowed(Act.READ_INSPECTIONS):
        return [html.P("Your account may not see inspections.")]
    impacts = q.source.touched(e, q.now_ns())
    rows = [_row(q, t) for t in impacts]
    head = ["inspection", "when", "verdict", "effect", "of tolerance", "decision", "customer", "by"]
    drawn: list[Component] = [table(head, rows, "The worst against its tolerance first", figures=(1, 3, 4))]
    open_jobs = {t.job.key: f"{t.job.title} ({t.job.key})" for t in impacts}
    if not allowed(Act.DECIDE) or not open_jobs:
        return drawn
    first = next((t.job.key for t in impacts if t.decided is None), impacts[0].job.key)
    return [
        *drawn,
        html.Div(
            [
                choice("decide-job", "Inspection", open_jobs, first),
                choice("decide-word", "Decision", {d: d for d in DECISIONS}, DECISIONS[0]),
                field("decide-customer", LABELS["customer"]),
                field("decide-why", "Reason"),
                button("decide-go", "Decide"),
                html.Div(id="decide-refusal"),
            ],
            className="form",
        ),
    ]


def _row(q: Queries, t: Impact) -> list[Any]:
    d = t.decided
    effect = "not known" if t.effect_um is None else f"{t.effect_um:.2f} µm"
    return [
        html.A(t.job.title, href=f"/inspections?inspection={t.job.key}"),
        interval_text(t.job.from_ns, t.job.to_ns, q.room.timezone),
        verdict(t.verdict, t.reason),
        html.Span(effect, title=t.how),
        "not known" if t.share is None else f"{t.share:.0%}",
        d.decision if d else "open",
        d.customer if d else "",
        d.who if d else "",
    ]


def causes_card(excursions: Sequence[Excursion], decided: Book) -> Component:
    """Causes by hours; what a corrective action changed."""
    rows = [[c.cause, str(c.excursions), f"{c.hours:.1f} h"] for c in pareto(excursions, decided)]
    return card(
        "Causes",
        table(["cause", "excursions", "not met for"], rows, "By hours, the largest first", figures=(1, 2)),
        html.Div(
            [
                field("action-day", "Corrective action on (day)", placeholder="2026-10-20"),
                button("action-ask", "Before and after", quiet=True),
                html.Div(id="action-answer"),
            ],
            className="form",
        ),
    )


def _entered_findings(cause: str, lines: Sequence[str | None]) -> Findings:
    texts = {key: (text or "").strip() for key, text in zip(FIELDS, lines, strict=True)}
    return Findings(cause=cause or "", **texts)


def register(app: Dash, q: Queries) -> None:
    """Callbacks of the forms."""

    @app.callback(
        Output("excursion-refusal", "children"),
        Output("polite", "children", allow_duplicate=True),
        Input("excursion-note", "n_clicks"),
        Input("excursion-close", "n_clicks"),
        State("address", "search"),
        State("excursion-cause", "value"),
        *(State({"said": key}, "value") for key in FIELDS),
        prevent_initial_call=True,
    )
    @needs(Act.DECIDE)
    def note(_: int, __: int, search: str, cause: str, *lines: str) -> tuple[Any, Any]:
        if not ctx.triggered or not ctx.triggered[0]["value"]:
            return no_update, no_update
        try:
            e, close = _excursion_of(q, search), ctx.triggered_id == "excursion-close"
            q.source.note_excursion(
                e, _entered_findings(cause, lines), acting(Act.DECIDE), q.now_ns(), close=close
            )
        except StillroomError as refused:
            return refusal(str(refused)), no_update
        done = "Closed." if close else "Written down."
        return html.P(done, className="done"), done

    @app.callback(
        Output("excursion-touched", "children"),
        Output("decide-refusal", "children", allow_duplicate=True),
        Input("decide-go", "n_clicks"),
        State("address", "search"),
        State("decide-job", "value"),
        State("decide-word", "value"),
        State("decide-customer", "value"),
        State("decide-why", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.DECIDE)
    def decide(clicks: int, search: str, job: str, *told: str) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        try:
            e = _excursion_of(q, search)
            (touched,) = [t for t in q.source.touched(e, q.now_ns()) if t.job.key == job]
            q.source.decide(touched, [text or "" for text in told], acting(Act.DECIDE))
        except StillroomError as refused:
            return no_update, refusal(str(refused))
        return _affected_inspections(q, e), no_update

    @app.callback(
        Output("action-answer", "children"),
        Input("action-ask", "n_clicks"),
        State("action-day", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def effect(clicks: int, day: str) -> Any:
        if not clicks:
            return no_update
        try:
            at_ns = instant(day or "", q.room.timezone, wanted_in="Day")
        except StillroomError as refused:
            return refusal(str(refused))
        now = q.now_ns()
        told = before_after(q.source.excursions(None, 0, now, now), at_ns, now)
        return html.P(
            f"{told.days:.0f} days each side: excursions {told.before} → {told.after}, hours "
            f"{told.before_h:.1f} → {told.after_h:.1f}."
        )


def _excursion_of(q: Queries, search: str) -> Excursion:
    from urllib.parse import parse_qs

    excursion = selected_excursion(q, {k: v[-1] for k, v in parse_qs(search.lstrip("?")).items()})
    if excursion is None:
        raise Refused("Nothing was changed: the address names no excursion.")
    return excursion
