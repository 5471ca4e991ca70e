"""Page Limits: in force with their basis, proposed, and how they came about; two people change one."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, quote

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, html, no_update
from dash.development.base_component import Component
from flask import current_app

from logger.acts.setup import SERVICE, approvers
from logger.errors import StillroomError
from logger.model import Rule, Zone
from logger.model.roles import Act, required_roles
from logger.model.words import medium_words
from logger.store import SetupProposal

from ..access.guard import guard_of
from ..access.needs import allowed, needs
from ..access.sign_in import confirmed, password_hint
from ..data.queries import Queries
from ..data.words import interval_text, local, plain, quantity_name
from ..parts import limit_form
from ..parts.components import behind, button, card, field, refusal, slot, table
from ..parts.setup_effect import effect_tables

TITLE = "Limits"
PATH = "/limits"
NEEDS = Act.READ
HEAD = ["rule", "limits", "guard band", "applies to", "in force from", "basis"]


def layout(q: Queries, search: str) -> Component:
    """What waits for a second person first, then what is in force, then history."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    waiting = [p for p in q.source.keeping.proposals() if p.state == "waiting"]
    return html.Div(
        [
            html.H1("Limits", className="page"),
            html.Div(_decision_of(q, query.get("decided", "")), id="limits-said", role="status"),
            *(_proposal(q, p, opened=query.get("proposal") == str(p.version)) for p in waiting),
            *(html.P(notice, className="refusal") for notice in q.source.keeping.faults_in_force()),
            *(_zone(q, zone) for zone in q.setup.zones_now()),
            *limit_form.limit_form(q),
            _ended(q),
            _versions(q),
        ],
        className="stack",
    )


def _decision_of(q: Queries, number: str) -> Component | None:
    """What became of the proposal that was decided on just now: the page is drawn anew after it."""
    approved = next((v for v in q.source.keeping.versions() if str(v.version) == number), None)
    if approved is not None:
        return html.P(f"Version {number} is in force, approved by {approved.approver}.", className="done")
    refused = [p for p in q.source.keeping.proposals() if str(p.version) == number and p.state == "refused"]
    return html.P(f"Proposal {number} rejected.", className="done") if refused else None


def limits_text(rule: Rule) -> str:
    """The limits of a rule in words.

    >>> from dataclasses import replace
    >>> rule = Rule("z.t", "z", "limit", "temperature", "temperature", "degC", 19.5, 20.5, "", 0)
    >>> limits_text(rule), limits_text(replace(rule, lower=None, unit="K", upper=0.5))
    ('19.5 °C to 20.5 °C', 'at most 0.5 K')
    """
    if rule.lower is None:
        return f"at most {plain(rule.upper, rule.unit)}"
    if rule.upper is None:
        return f"at least {plain(rule.lower, rule.unit)}"
    return f"{plain(rule.lower, rule.unit)} to {plain(rule.upper, rule.unit)}"


def _guard(rule: Rule) -> str:
    return "no guard band (simple acceptance)" if rule.r == 0 else "U" if rule.r == 1 else f"{rule.r:g} U"


def _takes(rule: Rule) -> str:
    what = (
        ", ".join(rule.channels)
        or f"{quantity_name(rule.quantity)} in {', '.join(map(medium_words, rule.media))}"
    )
    return what + (f"; for {rule.activity}" if rule.activity else "")


def _row(rule: Rule, zone: str) -> list[object]:
    return [rule.name, limits_text(rule), _guard(rule), _takes(rule), local(rule.from_ns, zone), rule.basis]


def _zone(q: Queries, zone: Zone) -> Component:
    now, clock = q.now_ns(), q.room.timezone
    rules = [r for r in q.setup.rules if r.zone == zone.key]
    in_force = [r for r in rules if r.holds(now)]
    later = [r for r in rules if r.from_ns > now]
    settles = f"settling {zone.settling_s / 3600:g} h, pre-window {zone.pre_window_s / 3600:g} h"
    body = [
        table(
            HEAD,
            [_row(r, clock) for r in in_force],
            f"{zone.name}: in force, local times",
            figures=(1, 4),
            stacks=True,
        )
    ]
    if later:
        body.append(
            table(
                HEAD,
                [_row(r, clock) for r in later],
                f"{zone.name}: approved, in force later",
                figures=(1, 4),
            )
        )
    approved = ", ".join(sorted({r.approver for r in in_force if r.approver}))
    body.append(html.P(f"Approved by {approved}." if approved else "", className="aside"))
    return card(zone.name, *body, aside=settles)


def _ended(q: Queries) -> Component:
    now, zone = q.now_ns(), q.room.timezone
    ended = [r for r in q.setup.rules if r.to_ns is not None and r.to_ns <= now]
    rows = [[r.zone, r.name, limits_text(r), interval_text(r.from_ns, r.to_ns, zone), r.basis] for r in ended]
    head = ["zone", "rule", "limits", "in force", "basis"]
    return card(
        "Earlier limits",
        table(head, rows, "They still apply to their own period", stacks=True),
    )


def _versions(q: Queries) -> Component:
    zone = q.room.timezone
    rows = [
        [
            v.version,
            local(v.at_ns, zone),
            v.who,
            v.approver,
            v.why + (" (correction of an entry error)" if v.correction else ""),
            v.digest[:12],
        ]
        for v in reversed(q.source.keeping.versions())
    ]
    head = ["version", "in force from", "proposed by", "approved by", "reason", "digest"]
    refused = [p for p in q.source.keeping.proposals() if p.state == "refused"]
    refused_rows = [[p.version, local(p.at_ns, zone), p.who, p.why] for p in refused]
    return card(
        "Versions of the setup",
        table(
            head,
            rows,
            "Newest first; each version is the whole setup",
            figures=(0, 1),
            stacks=True,
        ),
        behind(
            "Rejected proposals",
            table(["version", "proposed", "by", "reason"], refused_rows, "Rejected", figures=(0, 1)),
        ),
    )


def _proposal(q: Queries, p: SetupProposal, *, opened: bool) -> Component:
    zone, number = q.room.timezone, p.version
    correction = (
        " Correction of an entry error; it also applies to the time before its approval."
        if p.correction
        else ""
    )
    by_service = p.who == SERVICE
    decides = "It has no author yet: one person takes it over, another approves it." if by_service else ""
    sentence = f"Proposed by {p.who}, {local(p.at_ns, zone)}: {p.why}.{correction} "
    sentence += decides or "Another person approves or rejects it."
    return card(
        f"Proposal {number}: {'author needed' if by_service else 'approval needed'}",
        html.P(sentence, className="next-step"),
        html.Div(effect_tables(q, p))
        if opened
        else html.A("Show its effect on limits and verdicts", href=f"{PATH}?proposal={number}"),
        _decision(q, p, by_service=by_service),
    )


def _decision(q: Queries, p: SetupProposal, *, by_service: bool = False) -> Component:
    """What the second person fills in; who may only propose may only close."""
    if not allowed(Act.PROPOSE):
        return html.P(f"Only the role “{required_roles(Act.APPROVE)}” can approve.", className="aside")
    number, approves = p.version, allowed(Act.APPROVE) and not by_service
    password = "Your password, to sign" if approves or by_service else "Your password, to withdraw it"
    ident = {"type": "limits-password", "version": number}
    return html.Div(
        [
            field({"type": "limits-why", "version": number}, "Comment (to reject: the reason)"),
            slot(dmc.PasswordInput(id=ident, label=password, size="sm", description=password_hint() or None)),
            *([_worse_box(number), _act(number, "approve", "Approve")] if approves else []),
            *([_act(number, "take over", "Take over")] if by_service else []),
            _act(number, "refuse", "Reject" if approves else "Withdraw", quiet=True),
            *_another_person(q, p),
        ],
        className="form",
    )


def _worse_box(number: int) -> Component:
    """What the approver ticks where the effect says that something gets worse."""
    ident = {"type": "limits-worse", "version": number}
    return slot(dmc.Checkbox(id=ident, label="Accept what gets worse", checked=False, size="sm"))


def _another_person(q: Queries, p: SetupProposal) -> list[Component]:
    """In a demonstration both people of the drill can be clicked through, and where that leads is named."""
    if not password_hint():
        return []
    others = approvers(q.source.store, p.who)
    onward = quote(f"{PATH}?proposal={p.version}")
    go_on = html.A("Switch person", href=f"/account?next={onward}")
    if others:
        words: list[Any] = ["The author cannot approve it. In this demo, ", go_on, f" to {others[0].person}."]
    else:
        words = ["Nobody but its author may approve it. Withdraw it, ", go_on, " and propose it again."]
    return [html.P(words, className="aside")]


def _act(number: int, act: str, text: str, *, quiet: bool = False) -> Component:
    return button({"type": "limits-act", "version": number, "act": act}, text, quiet=quiet)


def register(app: Dash, q: Queries) -> None:
    """Propose, approve and reject: signed by an account, never by a name from the browser."""
    limit_form.register(app, q)

    @app.callback(
        Output("limits-said", "children"),
        Output("address", "search", allow_duplicate=True),
        Input({"type": "limits-act", "version": ALL, "act": ALL}, "n_clicks"),
        State({"type": "limits-password", "version": ALL}, "value"),
        State({"type": "limits-why", "version": ALL}, "value"),
        State({"type": "limits-why", "version": ALL}, "id"),
        State({"type": "limits-worse", "version": ALL}, "checked"),
        State({"type": "limits-worse", "version": ALL}, "id"),
        prevent_initial_call=True,
    )
    @needs(Act.PROPOSE)
    def act(
        _: list[int],
        passwords: list[str],
        whys: list[str],
        idents: list[dict[str, Any]],
        *worse: list[Any],
    ) -> tuple[Any, Any]:
        if not ctx.triggered or not ctx.triggered[0]["value"]:
            return no_update, no_update
        by = ctx.triggered_id
        place = [ident["version"] for ident in idents].index(by["version"])
        may = Act.APPROVE if by["act"] == "approve" else Act.PROPOSE
        try:
            who = confirmed(guard_of(current_app), may, passwords[place] or "")
            ticked = {ident["version"] for box, ident in zip(*worse, strict=True) if box}
            yes = by["version"] in ticked
            message = decide_proposal(q, int(by["version"]), str(by["act"]), who, whys[place] or "", yes=yes)
        except StillroomError as refused:
            return refusal(str(refused)), no_update
        return html.P(message, className="done"), f"?decided={by['version']}"


def decide_proposal(
    q: Queries, version: int, act: str, who: str, why: str, *, yes: bool = False
) -> str:  # fmt: skip
    """Do the act; gives what is said of it. Refused to the author; `yes`: also where something gets worse."""
    if act == "approve":
        q.source.keeping.approve(version, who, why, q.now_ns(), yes=yes)
        return f"Version {version} is in force, approved by {who}."
    if act == "take over":
        number = q.source.keeping.take_over(version, who, why, q.now_ns())
        return f"Proposed by {who} as version {number}. Another person approves it."
    q.source.keeping.refuse(version, who, why, q.now_ns())
    return f"Proposal {version} rejected by {who}."
