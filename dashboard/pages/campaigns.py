"""Page Campaigns: positions by table and by click on the plan, phases, the close. Reached from Room study."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from logger.acts.campaigns import (
    AFTER,
    BEFORE,
    CampaignPosition,
    PlannedCampaign,
    add_phase,
    campaigns,
    end_phase,
    plan_campaign,
)
from logger.errors import StillroomError
from logger.instants import wall_span
from logger.model.figures import channel_words
from logger.model.roles import Act
from logger.studies.campaign_close import closable_campaign, close_with_digest
from logger.studies.position_lines import EXAMPLE, positions_of, with_position

from ..access.needs import acting, allowed, needs
from ..data.queries import Queries
from ..data.study_jobs import StudyJob
from ..parts.components import aria, button, card, choice, field, refusal, slot, table
from ..parts.study_cards import job_lines

TITLE = "Campaigns"
PATH = "/campaigns"
NEEDS = Act.READ
IN_NAV = False
STEP_M = 0.5
EVERY_MS = 2000
LIVE: dict[str, Any] = {"aria-live": "polite"}
CLOSING = "Closing campaign"
MOST_CELLS = 40  # along a side: larger rooms have wider cells
HINT = (
    "At least 9 positions at three heights: the corners and the centre of the working volume, and where "
    "parts wait (common practice). No ladder without the training for it, no cable in the machine's travel; "
    "local rules come first."
)


def layout(q: Queries, _search: str) -> Component:
    """Campaigns with what comes next in each, and the form of a new one."""
    return html.Div(
        [
            html.H1(TITLE, className="page"),
            html.P(html.A("Back to Room study", href="/study")),
            html.Div(id="campaign-refusal"),
            html.Div(job_lines(_closings(q)), id="campaign-jobs", **LIVE),
            html.Div(_cards(q), id="campaign-cards", className="stack"),
            _new(q) if allowed(Act.STUDY) else html.Div(),
            dcc.Store(id="campaign-ended", data=_ended(q)),
            dcc.Interval(id="campaign-tick", interval=EVERY_MS),
        ],
        className="stack",
    )


def _cards(q: Queries, typed: Mapping[str, str] | None = None) -> list[Component]:
    """Every campaign, the newest first; `typed`: by campaign what stands in its field and was not sent."""
    planned = campaigns(q.source.store)
    if not planned:
        return [html.P("No campaign yet.", className="empty")]
    return [_card(q, item, (typed or {}).get(item.key, "")) for item in reversed(planned)]


def _card(q: Queries, item: PlannedCampaign, typed: str) -> Component:
    clock, now_ns = ZoneInfo(q.room.timezone), q.now_ns()
    phases = [
        [p.name, wall_span(p.from_ns, p.to_ns or now_ns, clock), "goes on" if p.to_ns is None else "over"]
        for p in item.phases
    ]
    rows = [
        [p.name, f"{p.x_m:g}", f"{p.y_m:g}", f"{p.z_m:g}", channel_words(p.channel)] for p in item.positions
    ]
    parts: list[Component] = [
        html.P(f"Next: {item.next_step}.", className="study-headline"),
        table(("phase", "when", ""), phases, f"Phases of {item.key}", stacks=True) if phases else html.Div(),
        html.Details(
            [
                html.Summary(f"{len(rows)} positions"),
                table(
                    ("position", "x, m", "y, m", "z, m", "channel"),
                    rows,
                    f"Positions of {item.key}",
                    stacks=True,
                ),
            ]
        ),
    ]
    if item.closed:
        why = f": {item.closed['why']}" if item.closed["why"] else ""
        closed = f"Closed by {item.closed['who']}, closure {item.closed['closure']}{why}."
        parts.append(html.P([closed, " ", html.A("See the map", href="/study#study-map")]))
    elif allowed(Act.STUDY):
        parts.append(_acts(item, typed))
    zone = q.zone(item.zone).name
    return card(f"{item.key}: {item.name}", *parts, aside=zone, ident=f"campaign-{item.key}")


def _acts(item: PlannedCampaign, typed: str) -> Component:
    if item.running is not None:
        return html.Div(
            [button({"campaign": item.key, "act": "end"}, f"End {item.running.name}")], className="form"
        )
    return html.Div(
        [
            button({"campaign": item.key, "act": "before"}, "Begin side by side before", quiet=True),
            field({"campaign": item.key, "field": "text"}, "State of the room, or what is concluded", typed),
            button({"campaign": item.key, "act": "state"}, "Begin state"),
            button({"campaign": item.key, "act": "after"}, "Begin side by side after", quiet=True),
            button({"campaign": item.key, "act": "close"}, "Close", quiet=True),
        ],
        className="form",
    )


def _new(q: Queries) -> Component:
    zones = {zone.key: zone.name for zone in q.setup.zones_now()}
    lines = dmc.Textarea(
        id="campaign-lines",
        label=f"Positions, one a line: name; x, y and height in m; channel ({EXAMPLE})",
        value="",
        autosize=True,
        minRows=4,
    )
    return card(
        "Plan a campaign",
        html.P(HINT),
        html.Div(
            [
                field("campaign-key", "Key", placeholder="map-2026"),
                field("campaign-name", "Name, as the report prints it"),
                choice("campaign-zone", "Zone", zones, next(iter(zones), "")),
                field("campaign-height", "Height of the next click, m", "1.1", narrow=True),
            ],
            className="form",
        ),
        html.P(
            "A click on the plan adds a position with the next free channel. North is up; the zones are "
            f"set off; a cell is {cell_m(q):g} m wide.",
            id="plan-hint",
        ),
        html.Div(_plan(q, []), id="campaign-plan"),
        slot(lines, "wide"),
        html.Div([button("campaign-plan-it", "Plan campaign")], className="form"),
        ident="campaign-new",
    )


def cell_m(q: Queries) -> float:
    """Side of a cell of the plan in m."""
    return max(STEP_M, round(max(q.room.size_m[:2]) / MOST_CELLS, 1))


def _plan(q: Queries, positions: list[CampaignPosition]) -> Component:
    """The room from above as a raster of buttons, north up; planned positions have their number."""
    side = cell_m(q)
    across, up = (max(1, round(length / side)) for length in q.room.size_m[:2])
    numbers: dict[tuple[int, int], list[str]] = {}
    for number, p in enumerate(positions, start=1):
        numbers.setdefault((int(p.x_m // side), int(p.y_m // side)), []).append(str(number))
    cells = []
    for j in reversed(range(up)):
        for i in range(across):
            x, y = (i + 0.5) * side, (j + 0.5) * side
            words = numbers.get((i, j), [])
            name = f"{x:g} m, {y:g} m" + (f": position {', '.join(words)}" if words else "")
            ident = {"plan": "cell", "x": f"{x:g}", "y": f"{y:g}"}
            inside = any(_in_zone(q, key, x, y) for key in q.setup.zones)
            css = "plan-cell used" if words else "plan-cell zone" if inside else "plan-cell"
            cells.append(
                # The keyboard goes on to the lines below, which say the same, and not through every cell.
                html.Button(
                    " ".join(words),
                    id=ident,
                    type="button",
                    className=css,
                    n_clicks=0,
                    tabIndex=-1,
                    **aria(name),
                )
            )
    style = {"gridTemplateColumns": f"repeat({across}, minmax(1.5rem, 2rem))"}
    return html.Div(
        cells, className="plan-raster", style=style, role="group", **aria("Plan of the room, north up")
    )


def _in_zone(q: Queries, key: str, x: float, y: float) -> bool:
    x0, y0, x1, y1 = q.setup.zones[key].outline_m
    return x0 <= x < x1 and y0 <= y < y1


def register(app: Dash, q: Queries) -> None:
    """A click adds a line; lines draw the plan; buttons act and draw the list anew."""

    @app.callback(
        Output("campaign-lines", "value"),
        Input({"plan": "cell", "x": ALL, "y": ALL}, "n_clicks"),
        State("campaign-lines", "value"),
        State("campaign-height", "value"),
        State("campaign-zone", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.STUDY)
    def add(_: Any, text: str, height: str, zone: str) -> Any:
        if not isinstance(ctx.triggered_id, dict) or not ctx.triggered[0]["value"]:
            return no_update
        try:
            z = float((height or "").replace(",", "."))
        except ValueError:
            z = 1.1
        place = float(ctx.triggered_id["x"]), float(ctx.triggered_id["y"]), z
        number = 1 + sum(bool(line.strip()) for line in (text or "").splitlines())
        return with_position(text or "", f"position {number}", place, _channels(q, zone))

    @app.callback(
        Output("campaign-plan", "children"),
        Output("campaign-refusal", "children"),
        Input("campaign-lines", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.STUDY)
    def draw(text: str) -> tuple[Any, Any]:
        try:
            return _plan(q, positions_of(text or "")), refusal("")
        except StillroomError as refused:
            return no_update, refusal(str(refused))

    _register_plan(app, q)
    _register_acts(app, q)
    _register_closings(app, q)


TYPED = (State({"campaign": ALL, "field": "text"}, "value"), State({"campaign": ALL, "field": "text"}, "id"))


def _typed(values: list[str], idents: list[dict[str, str]]) -> dict[str, str]:
    """By campaign what stands in its field."""
    return {ident["campaign"]: value or "" for ident, value in zip(idents, values, strict=True)}


def _register_plan(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("campaign-cards", "children"),
        Output("campaign-refusal", "children", allow_duplicate=True),
        Output("campaign-key", "value"),
        Input("campaign-plan-it", "n_clicks"),
        State("campaign-key", "value"),
        State("campaign-name", "value"),
        State("campaign-zone", "value"),
        State("campaign-lines", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.STUDY)
    def plan(clicks: int | None, key: str, name: str, zone: str, text: str) -> tuple[Any, Any, Any]:
        if not clicks:
            return no_update, no_update, no_update
        try:
            who = acting(Act.STUDY)
            planned = PlannedCampaign(
                key or "", zone, name or "", tuple(positions_of(text or "")), who, q.now_ns()
            )
            plan_campaign(q.source.store, q.setup, planned, who)
        except StillroomError as refused:
            return no_update, refusal(str(refused)), no_update
        return _with_newest(q), refusal(""), ""


def _with_newest(q: Queries) -> Any:
    """The newest campaign above the others, which stay as they are: a person may have typed there."""
    cards = _cards(q)
    if len(cards) == 1:
        return cards
    drawn = Patch()
    drawn.prepend(cards[0])
    return drawn


def _register_acts(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("campaign-cards", "children", allow_duplicate=True),
        Output("campaign-refusal", "children", allow_duplicate=True),
        Input({"campaign": ALL, "act": ALL}, "n_clicks"),
        *TYPED,
        prevent_initial_call=True,
    )
    @needs(Act.STUDY)
    def act(_: Any, values: list[str], idents: list[dict[str, str]]) -> tuple[Any, Any]:
        if not isinstance(ctx.triggered_id, dict) or not ctx.triggered[0]["value"]:
            return no_update, no_update
        key, what = ctx.triggered_id["campaign"], ctx.triggered_id["act"]
        typed = _typed(values, idents)
        try:
            _do(q, key, what, typed.get(key, ""))
        except StillroomError as refused:
            return no_update, refusal(str(refused))
        # What is concluded stays until the campaign is closed: closing may be refused.
        return _cards(q, typed if what == "close" else {**typed, key: ""}), refusal("")


def _register_closings(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("campaign-jobs", "children"),
        Output("campaign-cards", "children", allow_duplicate=True),
        Output("campaign-ended", "data"),
        Input("campaign-tick", "n_intervals"),
        State("campaign-ended", "data"),
        *TYPED,
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def follow(
        _: Any, ended: int | None, values: list[str], idents: list[dict[str, str]]
    ) -> tuple[Any, Any, Any]:
        number = _ended(q)
        cards = no_update if ended == number else _cards(q, _typed(values, idents))
        return job_lines(_closings(q)), cards, number


def _closings(q: Queries) -> list[StudyJob]:
    """Campaigns that are being closed, and those that were refused within ten minutes."""
    return [job for job in q.studies.listed() if job.name.startswith(CLOSING)]


def _ended(q: Queries) -> int:
    """Number of the last campaign that was closed: a page that sees it change draws its campaigns anew.

    A closing that was refused draws nothing: what was concluded stays where it was typed.
    """
    return max((job.number for job in _closings(q) if job.state == "done"), default=0)


def _begin_closing(q: Queries, key: str, who: str, why: str) -> None:
    """Map the states in a process of its own, as every study; what it answers then closes the campaign."""
    store = q.source.store
    plan = closable_campaign(store, key)

    def close(answer: str) -> None:
        close_with_digest(store, plan, who, why, json.loads(answer)["digest"])

    q.studies.start(f"{CLOSING} {key}", ["map", "--campaign", key], close)


def _do(q: Queries, key: str, what: str, text: str) -> None:
    """One act on a campaign, now."""
    who, store, now_ns = acting(Act.STUDY), q.source.store, q.now_ns()
    if what == "end":
        end_phase(store, key, now_ns, who)
    elif what == "close":
        _begin_closing(q, key, who, text)
    else:
        name = {"before": BEFORE, "after": AFTER}.get(what, text)
        add_phase(store, key, name, (now_ns, None), who)


def _channels(q: Queries, zone: str) -> list[str]:
    """Temperature channels that may stand in a campaign: those of the zone first."""
    keys = [key for key, c in q.setup.channels.items() if c.quantity == "temperature"]
    here = set(q.setup.channels_in(zone)) if zone in q.setup.zones else set()
    return sorted(keys, key=lambda key: (key not in here, keys.index(key)))
