"""The wall view: for a screen by the door, readable from 5 m, without any job.

Letters of the verdict are 1/200 of the distance high on a screen of 0.6 m width and more (common practice
for signs, no source). What is too old to trust says so as large as a verdict.
"""

from __future__ import annotations

from collections.abc import Sequence

from dash import Dash, Input, Output, html
from dash.development.base_component import Component

from logger.core.judge.trace import runs_in_columns
from logger.instants import NS
from logger.model import RuleState
from logger.model.roles import Act

from ..access.needs import needs
from ..charts import theme
from ..data.queries import Queries
from ..data.statements import Statement
from ..data.words import age, figure, local, sentence
from ..parts.components import aria

TITLE = "Wall view"
PATH = "/wall"
NEEDS = Act.READ
IN_NAV = False  # linked from the foot of every page
HOURS = 12
COLUMNS = 240  # of the strip: not narrower than a pixel on a phone either
SHOWN_UNITS = {"degC": "temperature", "%RH": "relative_humidity"}


def layout(q: Queries, _: str) -> Component:
    """The room's name, the time, and a band for each zone."""
    many = {"--zones": str(len(q.setup.zones_now()))}  # letters shrink so that all of them fit the screen
    return html.Div(drawn(q), id="wall", className="wall", style=many)


def drawn(q: Queries) -> list[Component]:
    """Everything on the wall."""
    now = q.now_ns()
    head = html.Div(
        [html.H1(q.room.name), html.Span(local(now, q.room.timezone)[11:], className="wall-clock")],
        className="wall-head",
    )
    return [head, *(_zone(q, statement, now) for statement in q.statements())]


def _zone(q: Queries, s: Statement, now: int) -> Component:
    why = s.reason if s.reason != "conforming" else ""
    when = s.when(now, q.room.timezone)
    words = [
        html.P(s.name, className="wall-name"),
        html.H2(s.verdict, className="wall-verdict"),
        html.P(", ".join(part for part in (why, when) if part), className="wall-since"),
        html.P(_next(s), className="wall-next"),
    ]
    return html.Section(
        [
            html.Div(
                className=f"wall-mark swatch-{s.reason.replace(' ', '-')}", **aria(s.reason), role="img"
            ),
            html.Div(words, className="wall-words"),
            html.Div([_value(q, state) for state in _values(s.rules)], className="wall-values"),
            _trace(q, s.zone, now),
        ],
        className="wall-zone" + (" wall-stale" if s.stale else ""),
    )


def _next(s: Statement) -> str:
    """What to do, or how old the last word is."""
    if s.stale:
        return sentence(s.sentence.partition(". ")[2] or s.next_step)
    return sentence(s.next_step)


def _values(rules: Sequence[RuleState]) -> list[RuleState]:
    """The first state of each quantity that a person at the door knows."""
    by_unit = {state.unit: state for state in reversed(rules) if state.unit in SHOWN_UNITS}
    return [by_unit[unit] for unit in SHOWN_UNITS if unit in by_unit]


def _value(q: Queries, state: RuleState) -> Component:
    """The value with the age of its reading; an old number is never shown as one of now."""
    if state.value is None:
        return html.P([html.Span("no value"), html.Small(state.probe)], className="wall-value")
    seconds, stale = _age(q, state)
    if stale and seconds is not None:
        return html.P(
            [html.Span(f"no value for {age(seconds)}"), html.Small(state.probe)], className="wall-value"
        )
    value, _, rest = figure(state.value, state.unit, state.U).partition(" ")
    label = state.probe if seconds is None else f"{state.probe}, {age(seconds)} ago"
    return html.P([html.Strong(value), html.Span(f" {rest}"), html.Small(label)], className="wall-value")


def _age(q: Queries, state: RuleState) -> tuple[float, bool] | tuple[None, bool]:
    """Age of the oldest of the newest readings that a value rests on, and whether one of them is stale.

    None where it cannot be said, as for a derived quantity.
    """
    newest, now = q.source.newest(), q.now_ns()
    keys = [f"{probe}.{SHOWN_UNITS[state.unit]}" for probe in state.probe.split("–")]
    ages = {
        key: (now - newest[key].taken_ns) / NS for key in keys if key in newest and key in q.setup.channels
    }
    if len(ages) < len(keys):
        return None, False
    return max(ages.values()), any(s > q.setup.channels[key].stale_after_s for key, s in ages.items())


def _trace(q: Queries, zone: str, now: int) -> Component:
    """The verdict trace of the last hours: place tells the verdict, pattern the reason."""
    from_ns = now - HOURS * 3600 * NS
    whole = now - from_ns
    bars = [
        html.Div(
            className=f"wall-bar swatch-{run.reason.replace(' ', '-')}",
            style={
                "left": f"{100 * (run.from_ns - from_ns) / whole:.3f}%",
                "width": f"{100 * (run.to_ns - run.from_ns) / whole:.3f}%",
                "top": f"{(2 - theme.ROW_OF[run.verdict]) * 100 / 3:.2f}%",
            },
        )
        for run in runs_in_columns(q.periods(zone, from_ns, now), from_ns, now, COLUMNS)
    ]
    ends = html.Div([html.Span(f"{HOURS} h ago"), html.Span("now")], className="wall-ends")
    strip = html.Div(bars, className="wall-strip", role="img", **aria(f"Verdicts of the last {HOURS} h"))
    return html.Div([strip, ends], className="wall-trace")


def register(app: Dash, q: Queries) -> None:
    """The wall follows while it hangs there."""

    @app.callback(Output("wall", "children"), Input("shell-tick", "n_intervals"), prevent_initial_call=True)
    @needs(Act.READ)
    def follow(_: int) -> list[Component]:
        return drawn(q)
