"""What a person writes about a case: texts, the decision on each affected inspection, and the closing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import html
from dash.development.base_component import Component

from logger.acts.case_drafts import Draft
from logger.acts.dispositions import CAUSES, DECISIONS
from logger.inspections.case_record import CaseRecord
from logger.inspections.impact import Impact
from logger.inspections.length_words import EFFECT_NOTE
from logger.model.figures import percent
from logger.model.roles import Act

from ..access.needs import allowed
from ..access.sign_in import password_hint
from ..data.queries import Queries
from ..data.words import interval_text, local
from .components import LIST, button, card, slot, table, verdict

# Field, label, hint, and the part of the page to which a missing one leads.
TEXTS = (
    ("cause", "1. Cause", "from the list"),
    ("detail", "1. Cause in words", "what happened"),
    ("immediate_action", "2. Immediate action", "what was done at once"),
    ("impact", "3. Effect on results", "on what was measured"),
    ("decision", "4. Decision", "what happens to the results, the room and the cause"),
    ("customer", "5. Customer", "who is notified of what and when, or why nobody"),
    ("corrective_action", "Corrective action", "if any: what prevents it from happening again"),
    ("look_on", "Review of its effect, date", "a day, such as 2026-11-20"),
)
REVIEWED = ("effect", "Its effect, as reviewed", "")
SHORT = ("cause", "look_on")


def affected_card(q: Queries, record: CaseRecord, impacts: Sequence[Impact]) -> Component:
    """Affected inspections with the decision and what the customer is told, in the row."""
    if not allowed(Act.READ_INSPECTIONS):
        return card("Affected inspections", html.P("Your role does not show inspections."))
    if not impacts:
        return card("Affected inspections, settling included", html.P("No inspection is affected."))
    may = allowed(Act.DECIDE) and record.case.in_use
    rows = [_impact_row(q, i) for i in impacts]
    forms = [_decision_form(i) for i in impacts if may and i.decided is None]
    left = sum(i.decided is not None for i in impacts)
    heads = [
        "no.",
        "inspection",
        "when",
        "verdict",
        "effect at most",
        "effect of tolerance",
        "decision",
    ]
    return card(
        "Affected inspections, settling included",
        table(heads, rows, "Largest share of the tolerance first", figures=(0, 2, 4, 5), stacks=True),
        html.P(EFFECT_NOTE, className="aside"),
        *forms,
        html.Div(id="decide-refusal"),
        aside=f"{left} of {len(impacts)} decided",
        ident="affected",
    )


def _impact_row(q: Queries, i: Impact) -> list[Any]:
    effect = "unknown" if i.effect_um is None else f"{i.effect_um:.2f} µm"
    return [
        html.A(i.job.key, href=f"/inspections?inspection={i.job.key}"),
        i.job.title,
        interval_text(i.job.from_ns, i.job.to_ns, q.room.timezone),
        verdict(i.verdict, i.reason),
        html.Span(effect, title=i.how),
        "unknown" if i.share is None else percent(i.share, 0),
        _decision_words(q, i),
    ]


def _decision_words(q: Queries, i: Impact) -> Component:
    d = i.decided
    if d is None:
        return html.Span("open", className="missing")
    when = f"{d.who}, {local(d.at_ns, q.room.timezone)}"
    return html.Div([html.Div(f"{d.decision}: {d.reason}"), html.Div(d.customer), html.Small(when)])


def _decision_form(i: Impact) -> Component:
    """The controls of one inspection on a line of their own; the first names it."""
    key = i.job.key
    data = [{"value": word, "label": word} for word in DECISIONS]
    return html.Div(
        [
            dmc.Select(
                id={"decide": "decision", "key": key},
                label=f"Decision on {key}",
                data=data,
                placeholder="choose",
                size="sm",
                **LIST,
            ),
            dmc.TextInput(
                id={"decide": "customer", "key": key},
                label="Customer",
                placeholder="who is notified, or why nobody",
                size="sm",
            ),
            dmc.TextInput(id={"decide": "reason", "key": key}, label="Reason", size="sm"),
            html.Button(
                "Decide", id={"decide": "go", "key": key}, type="button", className="act", n_clicks=0
            ),
        ],
        className="row-form",
        id=f"decide-{key}",
    )


def texts_card(q: Queries, record: CaseRecord, drafts: dict[str, Draft]) -> Component:
    """The texts: fields while the case is open and the person may write, else words with who and when."""
    if not allowed(Act.READ_INSPECTIONS):
        return card("Findings and decision", html.P("Your role does not show case notes."))
    may = allowed(Act.DECIDE) and record.state not in ("closed", "no decision needed")
    typed = {name: d.text for name, d in drafts.items()} if may else {}
    texts = {name: typed.get(name, getattr(record.work.texts, name)) for name, *_ in TEXTS}
    by = {name: _writer(q, record, name) for name in texts}
    part = _text_field if may else _text_words
    parts = [part(entry, texts[entry[0]], by[entry[0]]) for entry in TEXTS]
    if record.work.texts.effect:
        parts.append(_text_words(REVIEWED, record.work.texts.effect, _writer(q, record, "effect")))
    ends: list[Component] = []
    if may:
        ends = [
            button("case-write", "Save texts"),
            html.Span(_draft_note(q, drafts), id="case-draft", className="aside", role="status"),
            html.Div(id="case-refusal"),
        ]
    aside = "drafts are saved as you type; saved texts go into the journal" if may else ""
    return card("Findings and decision", *parts, html.Div(ends, className="form"), aside=aside, folds=True)


def _draft_note(q: Queries, drafts: dict[str, Draft]) -> str:
    if not drafts:
        return ""
    newest = max(d.at_ns for d in drafts.values())
    return f"Draft of {local(newest, q.room.timezone)}, not saved yet."


def _writer(q: Queries, record: CaseRecord, name: str) -> str:
    """Who wrote the text of a field, and when; empty where nobody has."""
    text = record.work.text_entries.get(name)
    return f"{text.who}, {local(text.at_ns, q.room.timezone)}" if text and text.text else ""


def _text_words(entry: tuple[str, str, str], text: str, by: str) -> Component:
    shown = [html.P(text or "–"), html.Small(by)]
    return html.Div([html.Div([html.H3(entry[1])]), html.Div(shown)], className="case-text")


def _text_field(entry: tuple[str, str, str], text: str, by: str) -> Component:
    name, label, hint = entry
    ident = {"case-text": name}
    more: dict[str, Any] = {"label": label, "description": hint, "size": "sm"}
    control: Component
    if name == "cause":
        data = [{"value": cause, "label": cause} for cause in CAUSES]
        control = dmc.Select(id=ident, data=data, value=text or None, placeholder="choose", **more, **LIST)
    elif name in SHORT:
        control = dmc.TextInput(id=ident, value=text, **more)
    else:
        control = dmc.Textarea(id=ident, value=text, autosize=True, minRows=2, **more)
    return html.Div([control, html.Small(by)], className="case-field", id=f"text-{name.replace('_', '-')}")


def closing_card(record: CaseRecord) -> Component:
    """What is missing, with links to it, and the signature that closes."""
    if record.state == "closed" and record.work.closing is not None:
        return card("Closed", html.P(f"Closed by {record.work.closing.who}."))
    links: list[Any] = []
    for words in record.missing:
        links += [", " if links else "", html.A(words, href=f"#{_place(record, words)}")]
    missing = html.P(["Still missing: ", *links, "."]) if links else html.P("Nothing is missing.")
    if not allowed(Act.DECIDE):
        return card("Close", missing)
    return card(
        "Sign and close",
        missing,
        html.Div(
            [
                slot(
                    dmc.PasswordInput(
                        id="case-password",
                        label="Your password",
                        size="sm",
                        value="",
                        description=password_hint() or None,
                    )
                ),
                button("case-close", "Sign and close"),
                html.Div(id="close-refusal", role="status"),
            ],
            className="form",
        ),
        aside="this signature means: reviewed and decided",
    )


def effect_card(record: CaseRecord, *, due: bool) -> list[Component]:
    """The field for the effect of a corrective action, while its review is due on a closed case."""
    if not due or record.state != "closed" or not allowed(Act.DECIDE):
        return []
    action, day = record.work.texts.corrective_action, record.work.texts.look_on
    words = dmc.Textarea(
        id="case-effect",
        label="Effect of the corrective action",
        description=f"{action}. Days before and after it can be compared below.",
        size="sm",
        autosize=True,
        minRows=2,
    )
    ends = [button("case-effect-write", "Save review"), html.Div(id="effect-refusal", role="status")]
    aside = f"to be reviewed on {day}"
    return [card("Review of the effect", words, html.Div(ends, className="form"), aside=aside)]


def _place(record: CaseRecord, words: str) -> str:
    """The part of the page where something that is missing is entered."""
    from logger.acts.case_book import TEXTS as MISSING

    if record.undecided and words.startswith("a decision on"):
        return f"decide-{record.undecided[0]}"
    field = next((name for name, text in MISSING.items() if text == words), "look_on")
    return f"text-{field.replace('_', '-')}"
