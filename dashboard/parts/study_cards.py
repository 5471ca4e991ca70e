"""One card a question of a room study: headline, figures, charts, and the tables behind them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, cast
from zoneinfo import ZoneInfo

from dash import html
from dash.development.base_component import Component

from logger.core.study.figure import Question
from logger.instants import wall_span
from logger.model.figures import channel_words
from logger.model.roles import Act
from logger.store.hot.studies import StoredStudy
from logger.studies.charts import charts_of
from logger.studies.plot import SCREEN
from logger.studies.questions import QUESTIONS
from logger.studies.readable import readable
from logger.studies.sources import StudyField
from logger.studies.study import Study, of_stored

from ..access.needs import allowed
from ..data.queries import Queries
from ..data.study_jobs import StudyJob
from .components import aria, behind, button, card, field, refusal, svg, table

FIGURE_HEADS = ("figure", "value and 95 % interval", "independent blocks")
_PROGRAM = re.compile(r"^(stillroom|Error): ")
_NOTHING = "Nothing was computed."
_NUMBER, _WHOLE = "expected a number, as 20.5.", "expected a whole number."
_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d{1,6})?)?Z")
HEADS = {"um": "µm", "um_per_K": "µm per K", "utc_s": "UTC, s since 1970", "number": "day since 1970"}
HEADS |= {
    "x_m": "x, m",
    "y_m": "y, m",
    "z_m": "z, m",
    "tau_h": "time constant, h",
    "period_min": "period, min",
}
MOST_ROWS = 60  # of a table behind a chart


def newest_studies(q: Queries, zone: str, channel: str) -> dict[str, Study]:
    """Question -> its newest stored answer for a zone, and for the channel where one is named."""
    newest: dict[str, StoredStudy] = {}
    for row in q.source.store.studies.newest(zone):
        if (not channel or row.channel in ("", channel)) and row.question not in newest:
            newest[row.question] = row
    return {question: readable(of_stored(row), q.setup) for question, row in newest.items()}


def question_card(
    q: Queries, question: Question, study: Study | None, typed: Mapping[str, str] | None = None
) -> Component:
    """A question with its newest answer; without one, what it needs. `typed`: what stands in its fields."""
    kind, clock = QUESTIONS[question], ZoneInfo(q.room.timezone)
    options = {} if study is None else study.request.options
    form = [
        field(
            {"study": "field", "question": question, "name": item.name},
            item.label,
            (typed or {}).get(item.name) or _filled(options, item, clock),
        )
        for item in kind.fields
    ]
    word = "Compute" if study is None else "Compute again"
    run = button({"study": "run", "question": question}, word, quiet=True)
    # Beside the button, since the page is long: what became of a press must be seen where it was pressed.
    words = html.Div(id={"study": "word", "question": question}, className="stays")
    refused = html.Div(id={"study": "refusal", "question": question}, className="stays")
    asks = [refused, words, html.Div([*form, run], className="form")] if allowed(Act.STUDY) else []
    if study is None:
        empty = html.P(f"Not computed yet. {kind.needs}", className="empty stays")
        return card(kind.title, empty, *asks, ident=f"study-{question}", folds=bool(asks))
    ident, aside = f"study-{question}", _about(q, study)
    return card(kind.title, *_answer(study), *asks, aside=aside, ident=ident, folds=True)


def _filled(options: Mapping[str, Any], item: StudyField, clock: ZoneInfo) -> str:
    """What the last answer was computed with, its instants in local time with their offsets."""
    value = options.get(item.name, item.first)
    # By commas: the name of a job may hold a blank.
    text = ", ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
    return _UTC.sub(lambda match: _local_text(match[0], clock), text)


def _local_text(text: str, clock: ZoneInfo) -> str:
    """An instant as it may be typed.

    >>> _local_text("2026-10-19T07:30:00Z", ZoneInfo("Europe/Vienna"))
    '2026-10-19T09:30+02:00'
    """
    at = datetime.fromisoformat(text).astimezone(clock)
    return at.isoformat(timespec="minutes" if not at.second and not at.microsecond else "auto")


def _about(q: Queries, study: Study) -> str:
    request = study.request
    what = channel_words(request.channel) or "all channels"
    return f"{what}, {wall_span(request.from_ns, request.to_ns, ZoneInfo(q.room.timezone))}"


def _answer(study: Study) -> list[Component]:
    answer, title = study.answer, QUESTIONS[study.request.question].title
    drawn = [
        html.Figure([_scrolled(caption, picture), html.Figcaption(caption)])
        for caption, picture in charts_of(study, SCREEN)
    ]
    figures = [
        [item.name, item.text, "" if item.n_independent is None else f"{item.n_independent:.0f}"]
        for item in answer.figures
    ]
    tables = (_table(f"{title} {name}", columns) for name, columns in answer.tables.items())
    return [
        html.P(answer.headline, className="study-headline stays"),
        *drawn,
        *(html.P(line, className="study-remark") for line in answer.remarks),
        behind(
            "Figures and tables",
            table(FIGURE_HEADS, figures, f"Figures: {title}", figures=(2,), stacks=True),
            *tables,
        ),
        behind("Method and data", html.Ul([html.Li(line) for line in _provenance(study)])),
    ]


def _scrolled(caption: str, picture: str) -> Component:
    """A chart that scrolls sideways on a phone, by keyboard too."""
    return html.Div(svg(picture), className="study-chart", tabIndex=0, role="group", **aria(caption))


def _provenance(study: Study) -> list[str]:
    methods = dict.fromkeys(item.method for item in study.answer.figures if item.method)
    return [*methods, *study.data, f"setup {study.setup_version}, study {study.digest}"]


def _table(name: str, columns: Mapping[str, Sequence[Any]]) -> Component:
    rows = list(zip(*columns.values(), strict=True))
    thin = rows[:: max(1, -(-len(rows) // MOST_ROWS))]
    cells = [[_cell(value) for value in row] for row in thin]
    note = "" if len(thin) == len(rows) else f", {len(thin)} of {len(rows)} rows"
    heads = [HEADS.get(head, head.replace("_", " ")) for head in columns]
    return table(heads, cells, f"{name}{note}", figures=tuple(range(len(columns))))


def _cell(value: Any) -> str:
    if value is None:
        return "no value"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.4g}".replace("-", "−") if isinstance(value, float) else str(value)


def job_word(job: StudyJob) -> list[Component]:
    """What a study says of itself beside its own question: that it goes on, or why it was refused."""
    question = job.arguments[0] if job.arguments else ""
    if job.open:
        spoken = f": {in_page_words(question, job.word)}" if job.word else "."
        state = "Running" if job.state == "running" else "Waiting its turn"
        words = f"{state} for {job.seconds:.0f} s{spoken}"
        return [html.P(words, className="study-job")]
    return [refusal(in_page_words(question, job.word))] if job.state == "refused" else []


def in_page_words(question: str, text: str) -> str:
    """What a command says, in the words of the page: labels of its fields instead of options.

    >>> in_page_words("change", "stillroom: --at: enter one or more times.")
    '“Time of the intervention, local”: enter one or more times.'
    >>> in_page_words("change", "Error: Missing option '--at'.")
    '“Time of the intervention, local”: this field is empty. Nothing was computed.'
    """
    text = _PROGRAM.sub("", text)
    for item in QUESTIONS[cast("Question", question)].fields if question in QUESTIONS else ():
        label = f"“{item.label}”"
        option = re.escape(item.option)
        text = re.sub(rf"^Missing option '{option}'\.$", f"{label}: this field is empty. {_NOTHING}", text)
        text = re.sub(rf"^Invalid value for '{option}': .*number.*$", f"{label}: {_NUMBER} {_NOTHING}", text)
        text = re.sub(rf"^Invalid value for '{option}': .*integer.*$", f"{label}: {_WHOLE} {_NOTHING}", text)
        text = re.sub(rf", for example {option} '([^']*)'", r", for example \1", text)
        text = re.sub(rf"{option}(?![\w-])", label, text)
    return text.replace("by --channel", "as the channel of the page").replace("with --channel", "above")


def job_lines(jobs: list[StudyJob]) -> list[Component]:
    """A line for each study on its way, and for each that was refused."""
    lines: list[Component] = []
    for job in jobs:
        if job.open:
            words = f"{job.name}: {job.state}, {job.seconds:.0f} s. {job.word}"
            lines.append(html.P(words, className="study-job"))
        elif job.state == "refused":
            question = job.arguments[0] if job.arguments else ""
            lines.append(refusal(f"{job.name}: {in_page_words(question, job.word)}"))
    return lines
