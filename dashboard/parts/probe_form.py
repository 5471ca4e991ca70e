"""A probe that is added, moved, replaced or removed: the effect first, then a proposal for two people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import dash_mantine_components as dmc
from dash import Dash, State, html
from dash.development.base_component import Component

from logger.acts import probes as deeds
from logger.errors import Refused
from logger.model.roles import Act
from logger.model.words import medium_words

from ..access.needs import allowed
from ..data.queries import Queries
from ..data.words import instant
from .components import behind, button, card, choice, draft_of_setup, field, slot
from .proposal import register_proposal

MOVED, REPLACED, REMOVED, ADDED = "move", "replace", "remove", "add"
KINDS = {
    MOVED: "moved to another position",
    REPLACED: "replaced by another probe",
    REMOVED: "removed",
    ADDED: "new: added at a position",
}
TABLE = "New probe, as in probes.toml: one table (stillroom probe try writes it)"
EXAMPLE = '[probes.P8]\nserial = "MG-0518"\n…'
FIELDS = ("kind", "probe", "position", "other", "at", "table")


def probe_form(q: Queries) -> list[Component]:
    """The card, for those who may propose; what is typed survives a reload until the setup changes."""
    placed = _placed(q)
    if not allowed(Act.PROPOSE) or not q.setup.positions:
        return []
    form = html.Div([*_choices(q, placed), *_entries(q)], className="form")
    return [
        card(
            "Add, move, replace or remove a probe",
            behind("Enter what was done", form),
            aside="a second person approves it",
        )
    ]


def _choices(q: Queries, placed: Mapping[str, str]) -> list[Component]:
    """What was done, to which probe, and where."""
    draft = draft_of_setup(q)
    idle = {"": "none"} | {p: p for p in q.setup.probes if p not in placed}
    positions = {
        key: f"{p.name}, {q.zone(p.zone).name} ({medium_words(p.medium)})"
        for key, p in q.setup.positions.items()
    }
    first, probes = next(iter(placed), ""), {p: f"{p}, at {name}" for p, name in placed.items()}
    at = next(iter(positions))
    other = "Replaced by (registered, without a position)"
    return [
        choice("place-kind", "What was done", KINDS, MOVED, wide=True, **draft),
        choice("place-probe", "Probe", probes, first, wide=True, **draft),
        choice("place-position", "Position (moved, new)", positions, at, wide=True, **draft),
        choice("place-other", other, idle, "", wide=True, **draft),
    ]


def _entries(q: Queries) -> list[Component]:
    """When and why, the table of a new probe, and the button that shows the effect."""
    draft = draft_of_setup(q)
    table = dmc.Textarea(
        id="place-table",
        label=TABLE,
        minRows=3,
        autosize=True,
        size="sm",
        placeholder=EXAMPLE,
        **draft,
    )
    return [
        field("place-at", "When it was done, local", "", placeholder="now", **draft),
        field("place-why", "Reason for the change", "", placeholder="sent to calibration", **draft),
        slot(table, "wide"),
        button("place-look", "Show the effect"),
        html.Div(id="place-effect", className="break", role="status"),
    ]


def _placed(q: Queries) -> dict[str, str]:
    """Probes that have a position now, with its name."""
    now, setup = q.now_ns(), q.setup
    at = {c.probe: setup.position_at(key, now) for key, c in setup.channels.items()}
    return {probe: position.name for probe, position in at.items() if position is not None}


def texts_with_probe(q: Queries, form: Mapping[str, str]) -> dict[str, str]:
    """The files in force with what was done to a probe; Refused says what to enter."""
    texts = q.source.keeping.versions()[-1].texts
    at_ns = instant(form["at"], q.room.timezone, wanted_in="When it was done") if form["at"] else q.now_ns()
    if at_ns > q.now_ns():
        raise Refused("When it was done: enter a time in the past.")
    kind, probe, position = form["kind"], form["probe"], form["position"]
    if kind == ADDED:
        if not form["table"].strip():
            raise Refused("New probe: enter its table as in probes.toml, beginning with [probes.NAME].")
        return deeds.texts_of_addition(texts, form["table"], position, at_ns)
    if kind == MOVED:
        return deeds.texts_of_move(texts, probe, position, at_ns)
    if kind == REMOVED:
        return deeds.texts_of_withdrawal(texts, probe, at_ns)
    if form["table"].strip():
        return deeds.texts_of_swap(texts, probe, "", at_ns, form["table"])
    if not form["other"]:
        raise Refused("Replaced by: choose a registered probe, or enter the new one as a table.")
    return deeds.texts_of_swap(texts, probe, form["other"], at_ns)


def register(app: Dash, q: Queries) -> None:
    """The effect, then the proposal: by an account, never by a name from the browser."""
    fields = [State(f"place-{name}", "value") for name in FIELDS]

    def texts_of(entries: Sequence[str]) -> dict[str, str]:
        return texts_with_probe(q, {n: v or "" for n, v in zip(FIELDS, entries, strict=True)})

    register_proposal(app, q, "place", fields, texts_of)
