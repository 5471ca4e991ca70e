"""Page Probes: the register, each certificate one click away, drift, comparison side by side, intervals."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component

from logger.core.calibration.interval import review
from logger.core.calibration.status import RegisterEntry
from logger.core.calibration.status import register as register_of
from logger.errors import Refused, StillroomError
from logger.instants import NS
from logger.model.figures import channel_words
from logger.model.roles import Act
from logger.model.words import medium_words

from ..access.needs import needs
from ..data.queries import Queries
from ..data.words import field_text, instant, interval_text, plain_difference, signed_figure, unit
from ..parts import certificate_form, probe_form
from ..parts.certificates import certificate_card
from ..parts.comparison import compare_probes, comparison_table
from ..parts.components import aria, button, card, field, refusal, several, swatch, table
from ..parts.connection import connection_card
from ..parts.drift import drift_card

TITLE = "Probes"
PATH = "/probes"
NEEDS = Act.READ
MARK = {
    "confirmed": "conforming",
    "due": "guard band",
    "overdue": "nonconforming",
    "withdrawn": "nonconforming",
}
DAY_NS = 86_400 * NS


def layout(q: Queries, search: str) -> Component:
    """The register; beside it what the address asks for: a certificate, a probe, a comparison."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    return html.Div(
        [
            html.H1("Probes", className="page"),
            *_selected_cards(q, query),
            _register(q),
            *certificate_form.certificate_form(q),
            *probe_form.probe_form(q),
            _comparison(q, query),
            _intervals(q),
        ],
        className="stack",
    )


def _selected_cards(q: Queries, query: Mapping[str, str]) -> list[Component]:
    cards: list[Component] = []
    if query.get("certificate"):
        cards.append(certificate_card(q, query["certificate"]))
    if query.get("probe") in q.setup.probes:
        probe = query["probe"]
        cards += [drift_card(q, probe), _places(q, probe), connection_card(q, probe)]
    return cards


def _register(q: Queries) -> Component:
    entries = register_of(q.setup, q.now_ns())
    short = sum(bool(e.missing) for e in entries)
    state = "all channels complete" if not short else f"{short} of {len(entries)} channels incomplete"
    head = ["channel", "serial and firmware", "range and resolution", "position", "certificate", "U (k = 2)"]
    head += ["due", "status", "entry"]
    rows = [_row(q, entry) for entry in entries]
    return card(
        "Register",
        table(head, rows, "Channels and certificates", figures=(4, 5, 6), stacks=True),
        aside=state,
        ident="register",
    )


def _row(q: Queries, entry: RegisterEntry) -> list[object]:
    confirmation, place = entry.confirmation, entry.position
    probe = html.A(
        channel_words(confirmation.channel),
        href=f"{PATH}?probe={entry.probe}",
        **aria(f"{channel_words(confirmation.channel)}: drift and positions"),
    )
    paper = confirmation.certificate
    link = (
        html.A(paper.number, href=f"{PATH}?{urlencode({'certificate': paper.number})}") if paper else "none"
    )
    unit = q.setup.channels[confirmation.channel].unit
    U = plain_difference(2 * max(paper.U) / paper.k, unit) if paper else ""
    left = (
        ""
        if confirmation.days_left is None
        else f", {confirmation.days_left} d left"
        if confirmation.days_left >= 0
        else ""
    )
    word = "valid" if confirmation.status == "confirmed" else confirmation.status
    status = html.Span(
        [swatch(MARK.get(confirmation.status, "indeterminate")), f"{word}{left}"], className="nowrap"
    )
    where = f"{place.name} ({medium_words(place.medium)})" if place else "none"
    due = confirmation.due.isoformat() if confirmation.due else "not stated"
    missing = "missing: " + ", ".join(entry.missing) if entry.missing else "complete"
    return [
        probe,
        _identity(q, entry),
        _instrument(q, confirmation.channel),
        where,
        link,
        U,
        due,
        status,
        missing,
    ]


def _identity(q: Queries, entry: RegisterEntry) -> str:
    firmware = q.setup.probes[entry.probe].firmware
    return ", ".join(filter(None, (entry.serial or "no serial number", firmware)))


def _instrument(q: Queries, key: str) -> str:
    """Range and resolution of an instrument, in the unit in which it indicates."""
    channel = q.setup.channels[key]
    low, high = (f"{end:g}".replace("-", "−") for end in channel.probe_span)
    return f"{low} to {high} {unit(channel.unit)}, {channel.resolution:g}"


def _places(q: Queries, probe: str) -> Component:
    zone = q.room.timezone
    stays = sorted((p for p in q.setup.placements if p.probe == probe), key=lambda p: p.from_ns)
    rows = [
        [_position(q, p.position), interval_text(p.from_ns, p.to_ns, zone).replace("running", "now")]
        for p in stays
    ]
    return card(
        f"Positions of {probe}",
        table(["position", "when, local"], rows, "Time at each position", figures=(1,), stacks=True),
    )


def _position(q: Queries, key: str) -> str:
    place = q.setup.positions.get(key)
    if place is None:
        return key
    x, y, z = place.xyz_m
    return f"{place.name}, {medium_words(place.medium)}, {x:g} m, {y:g} m, height {z:g} m"


def _comparison(q: Queries, query: Mapping[str, str]) -> Component:
    zone, now = q.room.timezone, q.now_ns()
    channels = [c for c in query.get("compare", "").split(",") if c]
    options = {c: q.label(c) + f", {c.partition('.')[2].replace('_', ' ')}" for c in q.setup.channels}
    form = html.Div(
        [
            several(
                "compare-channels",
                "Channels",
                options,
                channels,
                "two or more, one quantity",
            ),
            field("compare-from", "From, local", query.get("from") or field_text(now - 2 * 3600 * NS, zone)),
            field("compare-to", "To, local", query.get("to") or field_text(now, zone)),
            button("compare-go", "Compare"),
            html.Div(id="compare-refusal"),
        ],
        className="form",
    )
    instruction = html.P(
        "Put the probes side by side in still air, away from sun and people, and give them an hour. "
        "Humidity is compared by dew point. Offsets are from the mean of these probes, not from a reference.",
        className="aside",
    )
    return card("Side-by-side comparison", instruction, form, *_answer(q, channels, query), ident="compare")


def _answer(q: Queries, channels: list[str], query: Mapping[str, str]) -> list[Component]:
    if not channels:
        return []
    zone = q.room.timezone
    try:
        window = (
            instant(query.get("from", ""), zone, wanted_in="From"),
            instant(query.get("to", ""), zone, wanted_in="To"),
        )
        return [comparison_table(q, compare_probes(q, channels, *window), interval_text(*window, zone))]
    except StillroomError as refused:
        return [refusal(str(refused))]


def _intervals(q: Queries) -> Component:
    rows, unsaid = [], []
    for channel in q.setup.channels:
        review_ = review(q.setup.certificates_of(channel))
        if not review_.findings:
            unsaid.append(channel)
            continue
        unit = q.setup.channels[channel].unit
        moved = ", ".join(f"{signed_figure(f.moved, unit)} ({f.calibrated_on})" for f in review_.findings)
        rows.append(
            [channel_words(channel), len(review_.findings), moved or "none", review_.proposal, review_.why]
        )
    head = ["channel", "findings", "change since the previous calibration", "interval", "reason"]
    method = "Proposed by the staircase method (ILAC-G24 / OIML D 10). You decide."
    missing = f"No as-found data yet ({len(unsaid)} of {len(q.setup.channels)} channels)." if unsaid else ""
    drawn = [table(head, rows, "From as-found results", stacks=True)] if rows else []
    return card("Calibration intervals", *drawn, html.P(missing, className="aside"), aside=method)


def register(app: Dash, q: Queries) -> None:
    """The comparison is asked for by its form and stands in the address; the form of a certificate."""
    certificate_form.register(app, q)
    probe_form.register(app, q)

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Output("compare-refusal", "children"),
        Input("compare-go", "n_clicks"),
        State("compare-channels", "value"),
        State("compare-from", "value"),
        State("compare-to", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def compare(clicks: int, channels: list[str], first: str, last: str) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        try:
            zone = q.room.timezone
            window = instant(first, zone, wanted_in="From"), instant(last, zone, wanted_in="To")
            if not channels or not all(c in q.setup.channels for c in channels):
                raise Refused("Choose two or more channels of one quantity.")
            compare_probes(q, channels, *window)
        except StillroomError as refused:
            return no_update, refusal(str(refused))
        return "?" + urlencode({"compare": ",".join(channels), "from": first, "to": last}), refusal("")
