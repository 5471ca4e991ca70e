"""What a set of files would change if it were approved now: sentences, changes and verdicts, as tables."""

from __future__ import annotations

from collections.abc import Mapping

from dash import html
from dash.development.base_component import Component

from logger.model.roles import Act
from logger.store.types import SetupProposal

from ..access.needs import allowed
from ..data.journal_words import local_times
from ..data.queries import Queries
from ..data.words import interval_text, local
from .components import table

NONE_CHANGES = "No verdict of an inspection or excursion would change."


def effect_of_texts(q: Queries, texts: Mapping[str, str]) -> list[Component]:
    """The effect of files that nobody has proposed yet; judges, so it may take a while."""
    base = q.source.keeping.versions()[-1].version
    proposal = SetupProposal(0, q.now_ns(), "preview", "", base, False, texts, "", "waiting")
    return effect_tables(q, proposal)


def effect_tables(q: Queries, proposal: SetupProposal) -> list[Component]:
    """What gets better or worse in sentences, each change, and each verdict that would be another."""
    zone = q.room.timezone
    effect = q.source.keeping.effect(proposal, q.now_ns())
    changes = [
        [c.thing, c.what, "on approval" if c.from_ns is None else local(c.from_ns, zone)]
        for c in effect.changes
    ]
    judged = effect.verdicts if allowed(Act.READ_INSPECTIONS) else ()
    rows = [
        (v, [v.what, v.job, interval_text(v.from_ns, v.to_ns, zone), v.was, v.becomes, v.moved])
        for v in judged
    ]
    verdicts = [row for v, row in rows if v.is_other_verdict]
    figures = [[*row[:4], row[5]] for v, row in rows if not v.is_other_verdict]
    lines = [html.Li(_with_names(q, local_times(text, zone))) for text in effect.effect.sentences]
    head = ["what", "inspection", "when"]
    return [
        *([html.Ul(lines, className="cautions")] if lines else []),
        table(["item", "change", "in force from"], changes, "Changes"),
        table([*head, "now", "then", "length"], verdicts, "Verdicts that would change")
        if verdicts
        else html.P(NONE_CHANGES, className="aside"),
        *([table([*head, "verdict", "length"], figures, "Same verdict, other figures")] if figures else []),
    ]


def _with_names(q: Queries, text: str) -> str:
    """A sentence with the names of zones in place of their keys."""
    for zone in q.setup.zones.values():
        text = text.replace(f"Zone {zone.key}", zone.name).replace(f"zone {zone.key}", zone.name)
    return text
