"""Page Soak: how long a part must stand in the room, and a clock for each that stands there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast
from urllib.parse import parse_qs

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from logger.core.measurement.soak import (
    CAUTIONS,
    COLDER_K,
    FILMS,
    SIZES,
    Air,
    Just,
    Shape,
    SoakPlan,
    constant_from_size,
    constant_from_tau,
    parse_sizes,
    plan_soak,
)
from logger.core.physics.expansion import material_of
from logger.core.physics.thermal import BODIES, body_of
from logger.errors import Refused, StillroomError
from logger.inspections.assess import residual_K
from logger.inspections.soak_clocks import SoakReading
from logger.instants import NS
from logger.model.roles import Act

from ..access.needs import acting, allowed, needs
from ..data.queries import Queries
from ..data.words import clock, difference, from_read_unit, plain, to_read_unit, unit
from ..parts.check_answer import number
from ..parts.components import aria, button, card, choice, field, press_of, refusal

TITLE = "Soak"
PATH = "/soak"
NEEDS = Act.READ
ASKED = (
    *("material", "shape", "size", "air", "plate", "just", "tau"),
    *("from", "room", "residual", "length", "tolerance", "share"),
)
SURFACES = {"": "on edges or rails", "plate": "on a metal plate"}
JUST = {"": "none", "sprayed": "sprayed with canned air", "wiped": "wiped with solvent"}


def layout(q: Queries, search: str) -> Component:
    """The planner beside the clocks; `?wall=1` has the clocks alone, for a screen on the wall."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    clocks = html.Div(
        [html.Div(soak_cards(q), id="soak-clocks", className="clocks"), dcc.Store(id="soak-ending")]
    )
    if query.get("wall"):
        return html.Div([html.H1("Soaking", className="page"), clocks])
    link = html.A("clocks for a screen on the wall", href="/soak?wall=1")
    return html.Div(
        [
            html.H1("Soak", className="page"),
            card("How long must the part soak?", _form(q), html.Div(id="soak-answer"), _cautions()),
            card("Soaking parts", clocks, aside=link),
        ],
        className="stack",
    )


def _cautions() -> Component:
    return html.Ul([html.Li(line) for line in CAUTIONS], className="cautions")


def _form(q: Queries) -> Component:
    zones = {key: zone.name for key, zone in q.setup.zones.items()}
    shapes: dict[str, str] = {shape: f"{shape}: {names}" for shape, (_, names) in SIZES.items()}
    asks = [
        choice({"soak": "material"}, "Material", {m: m for m in BODIES}, "steel"),
        choice({"soak": "shape"}, "Shape", shapes, "cuboid", wide=True),
        field({"soak": "size"}, "Size, mm", "100x35x9"),
        field({"soak": "tau"}, "or time constant, min", ""),
        choice({"soak": "air"}, "Air", {a: a for a in FILMS}, "still"),
        choice({"soak": "plate"}, "Support", SURFACES, "", wide=True),
        choice({"soak": "just"}, "Previous step", JUST, "", wide=True),
        field({"soak": "from"}, f"Part now, {unit('degC')}", _offered(25.0), narrow=True),
        field({"soak": "room"}, f"Room, {unit('degC')}", _offered(20.0), narrow=True),
        html.Div(className="break"),
        field({"soak": "residual"}, f"Allowed remaining difference, {unit('K')}", ""),
        field({"soak": "length"}, "or length, mm", "100", narrow=True),
        field({"soak": "tolerance"}, "tolerance, µm", "10", narrow=True),
        field({"soak": "share"}, "share of it, %", "10", narrow=True),
        button("soak-ask", "Plan"),
    ]
    clock_of = [
        choice("soak-zone", "Zone", zones, next(iter(zones))),
        field("soak-name", "Name of the part"),
        button("soak-begin", "Start soak timer", quiet=True),
    ]
    timer = [html.Div(className="break"), *clock_of] if allowed(Act.INSPECT) else []
    return html.Div([*asks, *timer], className="form")


def _offered(value_C: float) -> str:
    """What stands in a field until somebody writes there, in the unit that its label names."""
    return f"{to_read_unit(value_C, 'degC')[0]:g}"


def plan_from(entries: Mapping[str, str]) -> SoakPlan:
    """The plan for what was filled in; Refused where it does not fit."""
    from_C, room_C = (_temperature(entries, key) for key in ("from", "room"))
    tau = number(entries.get("tau", ""), "Time constant", "min")
    material, shape = entries.get("material", "steel"), cast("Shape", entries.get("shape", "cuboid"))
    constant = (
        constant_from_tau(tau * 60)
        if tau is not None
        else constant_from_size(
            body_of(material),
            shape,
            parse_sizes(entries.get("size", ""), shape),
            cast("Air", entries.get("air", "still")),
            on_plate=bool(entries.get("plate")),
        )
    )
    return plan_soak(
        constant, from_C, room_C, _residual(entries, material), cast("Just", entries.get("just", ""))
    )


def _temperature(entries: Mapping[str, str], key: str) -> float:
    """A temperature that was filled in, in the unit in which the reader reads."""
    try:
        return from_read_unit(float(entries.get(key, "").replace(",", ".")), "degC")
    except ValueError:
        name, text = {"from": "Part now", "room": "Room"}[key], entries.get(key, "")
        raise Refused(f"{name}: expected a temperature in {unit('degC')}, found {text!r}.") from None


def _start_C(entries: Mapping[str, str]) -> float:
    """Where the clock begins: what was sprayed or wiped may be colder, and the later time counts."""
    from_C, room_C = (_temperature(entries, key) for key in ("from", "room"))
    colder = from_C - COLDER_K[cast("Just", entries.get("just", ""))]
    return max(from_C, colder, key=lambda t: abs(t - room_C))


def _residual(entries: Mapping[str, str], material: str) -> float:
    stated_K = number(entries.get("residual", ""), "Allowed remaining difference", unit("K"))
    if stated_K is not None:
        return from_read_unit(stated_K, "K")
    length, tolerance = (
        number(entries.get("length", ""), "Length", "mm"),
        number(entries.get("tolerance", ""), "Tolerance", "µm"),
    )
    share = number(entries.get("share", ""), "Share", "%")
    if length is None or tolerance is None or share is None:
        left = f"the allowed remaining difference in {unit('K')}"
        raise Refused(f"Enter {left}, or a length with its tolerance and the share of it.")
    names = {"cast iron": "grey cast iron", "stainless steel": "austenitic stainless steel"}
    names |= {"titanium": "titanium 6Al-4V", "glass": "soda-lime glass"}
    names |= {"zirconia": "zirconia gauge block", "tungsten carbide": "tungsten carbide gauge block"}
    alpha = material_of(names.get(material, material)).alpha_per_K
    return residual_K(length, alpha, share / 100 * tolerance)


def plan_card(plan: SoakPlan) -> Component:
    """The plan in words."""
    c = plan.constant
    left, off = (f"{difference(x, 'K')[0]:.3g} {unit('K')}" for x in (plan.residual_K, plan.difference_K))
    bulk = "" if c.biot is None else f" Biot number {c.biot:.2g}."
    latest = f"; {minutes(plan.ready_latest_s)} with poor air flow"
    return html.Div(
        [
            html.P(f"Ready after {minutes(plan.ready_after_s)}{latest}.", className="sentence"),
            html.P(
                f"{off} from room temperature; {left} allowed. Time constant {minutes(c.core_s)} "
                f"({c.how}).{bulk}",
                className="next-step",
            ),
            *(html.P(w, className="aside") for w in plan.warnings),
        ],
        className="answer",
    )


def minutes(seconds: float) -> str:
    """
    >>> minutes(5430), minutes(0), minutes(600)
    ('1 h 31 min', '0 min', '10 min')
    """
    hours, rest = divmod(-(-round(seconds) // 60), 60)
    return f"{hours} h {rest:02} min" if hours else f"{rest} min"


def soak_cards(q: Queries) -> list[Component]:
    """A clock for each part; names are for those who may see jobs."""
    clocks = q.source.soaks(q.now_ns())
    if not clocks:
        return [html.P("No part is soaking.", className="calm")]
    return [_clock(q, reading, place) for place, reading in enumerate(clocks, 1)]


def _clock(q: Queries, r: SoakReading, place: int) -> Component:
    name = r.clock.name if allowed(Act.READ_INSPECTIONS) else f"part {place}"
    now = q.now_ns()
    word, at = _when(q, r, now)
    warm = "" if r.part_C is None else f"part {plain(r.part_C, 'degC')}, air {plain(r.air_C, 'degC')}; "
    since = f"{q.zone(r.clock.zone).name}, since {clock(r.clock.at_ns, now, q.room.timezone)}; {r.clock.how}"
    bar: dict[str, Any] = {
        "style": {"--share": f"{100 * r.share:.0f}%"},
        **aria(f"{100 * r.share:.0f} % of the way"),
    }
    parts = [
        html.H2(name),
        html.P(word, className="clock-time"),
        html.Div(className="clock-bar", role="img", **bar),
        html.P(f"{warm}{at}", className="next-step"),
        html.P(since, className="aside"),
    ]
    if allowed(Act.INSPECT):
        about = press_of("soak-ending", r.clock.number)
        parts.append(html.Button("Removed", type="button", className="quiet", **about))
    return html.Section(parts, className="clock-part")


def _when(q: Queries, r: SoakReading, now: int) -> tuple[str, str]:
    """The word of a clock, and when it will be ready."""
    if r.ready:
        return "ready", ""
    if r.ready_ns is None:
        return "not known", "no confirmed air temperature"
    at = clock(r.ready_ns, now, q.room.timezone)
    return minutes((r.ready_ns - now) / NS), f"ready at {at}, if the air stays as it is"


def register(app: Dash, q: Queries) -> None:
    """Callbacks of the page."""
    _register_plan(app, q)
    _register_clocks(app, q)


def _register_plan(app: Dash, q: Queries) -> None:
    asks = [State({"soak": key}, "value") for key in ASKED]

    @app.callback(
        Output("soak-answer", "children"), Input("soak-ask", "n_clicks"), *asks, prevent_initial_call=True
    )
    @needs(Act.READ)
    def ask(clicks: int, *values: str) -> Any:
        if not clicks:
            return no_update
        try:
            return plan_card(plan_from(_form_entries(values)))
        except StillroomError as refused:
            return refusal(str(refused))

    @app.callback(
        Output("soak-answer", "children", allow_duplicate=True),
        Output("soak-clocks", "children", allow_duplicate=True),
        Input("soak-begin", "n_clicks"),
        State("soak-zone", "value"),
        State("soak-name", "value"),
        *asks,
        prevent_initial_call=True,
    )
    @needs(Act.INSPECT)
    def begin(clicks: int, zone: str, name: str, *values: str) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        entries, who = _form_entries(values), acting(Act.INSPECT)
        try:
            plan, start_C = plan_from(entries), _start_C(entries)
            q.source.begin_soak(zone, name or "", start_C, plan, who=who, now_ns=q.now_ns())
        except StillroomError as refused:
            return refusal(str(refused)), no_update
        return plan_card(plan), soak_cards(q)


def _register_clocks(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("soak-clocks", "children", allow_duplicate=True),
        Input("soak-ending", "data"),
        prevent_initial_call=True,
    )
    @needs(Act.INSPECT)
    def end(pressed: Any) -> Any:
        return _ended(q, pressed) if pressed else no_update

    @app.callback(
        Output("soak-clocks", "children"), Input("shell-tick", "n_intervals"), prevent_initial_call=True
    )
    @needs(Act.READ)
    def go_on(_: int) -> Any:
        return soak_cards(q)


def _number_of(pressed: Any) -> int:
    """The clock whose button was pressed; Refused for what no button of ours names."""
    number = pressed.get("subject") if isinstance(pressed, dict) else None
    if type(number) is not int:
        raise Refused("Choose the part that was removed. Nothing was changed.")
    return number


def _ended(q: Queries, pressed: Any) -> list[Component]:
    """The clocks after one was ended; it may have been pressed twice, or by somebody else meanwhile."""
    try:
        q.source.end_soak(_number_of(pressed), acting(Act.INSPECT))
    except Refused as refused:
        return [refusal(str(refused)), *soak_cards(q)]
    return soak_cards(q)


def _form_entries(values: tuple[str, ...]) -> dict[str, str]:
    return {key: value or "" for key, value in zip(ASKED, values, strict=True)}
