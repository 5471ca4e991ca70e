"""Page Room study: why the room moves, where, and what to mend first. Shows stored answers, starts jobs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import ALL, MATCH, Dash, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from logger.core.study.figure import Question
from logger.errors import IntervalError, Refused, StillroomError
from logger.instants import rfc3339
from logger.model.figures import channel_words
from logger.model.roles import Act
from logger.studies.questions import QUESTIONS
from logger.studies.records import zone_channels

from ..access.needs import acting, needs
from ..data.queries import Queries
from ..data.study_jobs import StudyJob, StudyJobs
from ..data.words import field_text, instant
from ..parts.components import aria, button, choice, field, folding_form, refusal
from ..parts.study_cards import job_lines, job_word, newest_studies, question_card

TITLE = "Room study"
PATH = "/study"
NEEDS = Act.READ
EVERY_MS = 2000
LIVE: dict[str, Any] = {"aria-live": "polite"}


@dataclass(frozen=True)
class StudyView:
    """What the address asks for; instants None: from the beginning, up to the end of the record."""

    zone: str
    channel: str
    from_ns: int | None
    to_ns: int | None


def view_of(q: Queries, search: str) -> StudyView:
    """The view in an address; what is left out is the whole record of the first zone."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    clock = q.room.timezone
    zone = q.zone(query.get("zone") or next(iter(q.setup.zones))).key
    channel = query.get("channel", "")
    if channel and channel not in q.setup.channels_in(zone):
        channel = ""  # of the zone that was chosen before
    begin, end = (
        instant(query[key], clock, wanted_in=name) if query.get(key) else None
        for key, name in (("from", "From"), ("to", "To"))
    )
    if begin is not None and end is not None and end <= begin:
        raise IntervalError("The interval is empty: “To” must be later than “From”.")
    return StudyView(zone, channel, begin, end)


def layout(q: Queries, search: str) -> Component:
    """The page for an address; one that cannot be read keeps the form and says why."""
    try:
        view, drawn = view_of(q, search), refusal("")
    except StillroomError as refused:
        view, drawn = view_of(q, ""), refusal(str(refused))
    return html.Div(
        [
            html.H1(TITLE, className="page"),
            html.P(html.A("Mapping campaigns: plan, run, close", href="/campaigns")),
            _form(q, view),
            drawn,
            _contents(),
            html.Div(job_lines(q.studies.listed()), id="study-jobs", **LIVE),
            html.Div(cards(q, view), id="study-cards", className="stack"),
            dcc.Store(id="study-ended", data=-1),
            dcc.Interval(id="study-tick", interval=EVERY_MS),
        ],
        className="stack",
    )


def _contents() -> Component:
    """The questions, each a link to its card further down."""
    links = [html.A(kind.title, href=f"#study-{question}") for question, kind in QUESTIONS.items()]
    return html.Nav(links, className="contents", **aria("Questions"))


def _form(q: Queries, view: StudyView) -> Component:
    zones = {zone.key: zone.name for zone in q.setup.zones_now()}
    channels = {"": "first air temperature"} | {
        key: channel_words(key) for key in zone_channels(q.setup, view.zone)
    }
    clock = q.room.timezone
    begin, end = ("" if ns is None else field_text(ns, clock) for ns in (view.from_ns, view.to_ns))
    return folding_form(
        f"{q.zone(view.zone).name}: change zone, channel, interval",
        choice("study-zone", "Zone", zones, view.zone),
        choice("study-channel", "Channel", channels, view.channel, wide=True),
        field("study-from", "From, local (empty: all)", begin),
        field("study-to", "To, local (not included)", end),
        button("study-show", "Show"),
        html.Div(id="study-refusal", className="stays"),
    )


def cards(q: Queries, view: StudyView) -> list[Component]:
    """A card a question, in the order of the questions."""
    newest = newest_studies(q, view.zone, view.channel)
    return [question_card(q, question, newest.get(question)) for question in QUESTIONS]


def answered(
    q: Queries, view: StudyView, jobs: Sequence[StudyJob], typed: Mapping[str, Mapping[str, str]]
) -> Any:
    """The cards of the questions that these jobs answered, and no other; `typed`: by question, its fields."""
    order, drawn = list(QUESTIONS), Patch()
    zone = ["--zone", view.zone]
    mine = {
        job.arguments[0] for job in jobs if "--zone" not in job.arguments or zone == list(job.arguments[1:3])
    }
    if not mine:
        return no_update
    newest = newest_studies(q, view.zone, view.channel)
    for question in order:
        if question in mine:
            drawn[order.index(question)] = question_card(
                q, question, newest.get(question), typed.get(question)
            )
    return drawn


def arguments_of(view: StudyView, question: Question, entries: Mapping[str, str]) -> list[str]:
    """The words of the command that answers a question for a view; `entries`: what was filled in."""
    kind = QUESTIONS[question]
    words = [question, "--zone", view.zone]
    words += ["--channel", view.channel] if view.channel and kind.of_one_channel else []
    for item in kind.fields:
        value = entries.get(item.name, "").strip()
        words += [f"{item.option}={value}"] if value else []
    for option, at_ns in (("--from", view.from_ns), ("--to", view.to_ns)):
        words += [option, rfc3339(at_ns)] if at_ns is not None else []
    return words


def words_of(view: StudyView, question: Question, jobs: Sequence[StudyJob]) -> list[Component]:
    """What the newest study of a question of this zone says of itself while it goes on, or why it ended."""
    mine = [job for job in jobs if list(job.arguments[:3]) == [question, "--zone", view.zone]]
    return job_word(mine[-1]) if mine else []


FIELDS = (
    State({"study": "field", "question": ALL, "name": ALL}, "value"),
    State({"study": "field", "question": ALL, "name": ALL}, "id"),
)


def _typed(values: list[str], idents: list[dict[str, str]]) -> dict[str, dict[str, str]]:
    """By question what stands in its fields, by their names."""
    typed: dict[str, dict[str, str]] = {}
    for ident, value in zip(idents, values, strict=True):
        typed.setdefault(ident["question"], {})[ident["name"]] = value or ""
    return typed


def register(app: Dash, q: Queries) -> None:
    """The form writes the address; buttons start jobs; a job that ends draws its answer."""
    _register_form(app, q)
    _register_jobs(app, q, q.studies)


def _register_form(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Output("study-refusal", "children"),
        Input("study-show", "n_clicks"),
        Input("study-zone", "value"),
        Input("study-channel", "value"),
        State("study-from", "value"),
        State("study-to", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def show(_: Any, zone: str, channel: str, first: str, last: str) -> tuple[Any, Any]:
        if not ctx.triggered or not ctx.triggered[0]["value"]:
            return no_update, no_update
        query = {"zone": zone, "channel": channel or "", "from": first or "", "to": last or ""}
        search = "?" + urlencode({key: value for key, value in query.items() if value})
        try:
            view_of(q, search)
        except StillroomError as refused:
            return no_update, refusal(str(refused))
        return search, refusal("")


def _register_runs(app: Dash, q: Queries, jobs: StudyJobs) -> None:
    @app.callback(
        Output({"study": "refusal", "question": MATCH}, "children"),
        Output({"study": "word", "question": MATCH}, "children"),
        Input({"study": "run", "question": MATCH}, "n_clicks"),
        State({"study": "field", "question": MATCH, "name": ALL}, "value"),
        State({"study": "field", "question": MATCH, "name": ALL}, "id"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    @needs(Act.STUDY)
    def run(_: Any, values: list[str], idents: list[dict[str, str]], search: str | None) -> tuple[Any, Any]:
        if not isinstance(ctx.triggered_id, dict) or not ctx.triggered[0]["value"]:
            return no_update, no_update
        question = ctx.triggered_id["question"]
        try:
            acting(Act.STUDY)
            if question not in QUESTIONS:
                raise Refused("This question is not part of the room study.")
            view = view_of(q, search or "")
            name = f"{QUESTIONS[question].title} {q.zone(view.zone).name}"
            if not any(job.open and job.name == name for job in jobs.listed()):  # a second press is no fault
                jobs.start(name, arguments_of(view, question, _typed(values, idents).get(question, {})))
        except StillroomError as refused:
            return refusal(str(refused)), []
        return refusal(""), words_of(view, question, jobs.listed())

    @app.callback(
        Output({"study": "word", "question": ALL}, "children", allow_duplicate=True),
        Input("study-tick", "n_intervals"),
        State({"study": "word", "question": ALL}, "id"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def tell(_: Any, idents: list[dict[str, Question]], search: str | None) -> list[Any]:
        try:
            view, listed = view_of(q, search or ""), jobs.listed()
        except StillroomError:
            return [no_update] * len(idents)
        return [words_of(view, ident["question"], listed) for ident in idents]


def _register_jobs(app: Dash, q: Queries, jobs: StudyJobs) -> None:
    _register_runs(app, q, jobs)

    @app.callback(
        Output("study-jobs", "children"),
        Output("study-cards", "children"),
        Output("study-ended", "data"),
        Input("study-tick", "n_intervals"),
        State("study-ended", "data"),
        State("address", "search"),
        *FIELDS,
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def follow(
        _: Any, ended: int | None, search: str | None, values: list[str], idents: list[dict[str, str]]
    ) -> tuple[Any, Any, Any]:
        lines, number = job_lines(jobs.listed()), jobs.ended
        if ended is None or ended in (number, -1):
            return lines, no_update, number
        try:
            newly_done = jobs.done_since(ended)
            return lines, answered(q, view_of(q, search or ""), newly_done, _typed(values, idents)), number
        except StillroomError:
            return lines, no_update, number
