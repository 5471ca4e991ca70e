"""One certificate as a person reads it, and the file in which it stands."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from logger.core.calibration.status import status
from logger.core.calibration.trace import register_trace
from logger.errors import UnknownName
from logger.instants import NS
from logger.model import Certificate
from logger.model.figures import channel_words

from ..data.queries import Queries
from ..data.words import local, plain, plain_difference, point, signed_figure
from .components import behind, card, table


def certificate_card(q: Queries, number: str) -> Component:
    """Facts, points, what was found before adjusting, and the text of its file."""
    papers = [c for c in q.setup.certificates if c.number == number]
    if not papers:
        raise UnknownName("certificate", number, {c.number for c in q.setup.certificates})
    return card(f"Certificate {number}", *(_paper(q, paper) for paper in papers), *_file(q, number))


def _paper(q: Queries, paper: Certificate) -> Component:
    zone = q.room.timezone
    unit = q.setup.channels[paper.channel].unit

    def size(value: float) -> str:
        return plain_difference(value, unit)

    facts = [
        ["channel", channel_words(paper.channel)],
        ["issued by", paper.issuer],
        ["accreditation", paper.accreditation or "not stated"],
        ["calibrated on", paper.calibrated_on],
        ["in use from", local(paper.valid_from_ns, zone)],
        ["due", "not stated" if paper.due_ns is None else f"through {local(paper.due_ns - NS, zone)[:10]}"],
        ["range of use", f"{plain(paper.range[0], unit)} to {plain(paper.range[1], unit)}"],
        ["coverage factor", f"k = {paper.k:g}"],
        ["allowed for drift", f"± {size(paper.drift)}" if paper.drift else "none declared"],
        ["further standard uncertainty", size(paper.other_u) if paper.other_u else "none declared"],
        ["withdrawn", "no" if paper.withdrawn_ns is None else local(paper.withdrawn_ns, zone)],
    ]
    points = zip(paper.indications, paper.corrections, paper.U, strict=True)
    rows = [[point(i, unit), point(i + c, unit), signed_figure(-c, unit), size(u)] for i, c, u in points]
    head = ["indication", "reference", "error", f"U (k = {paper.k:g})"]
    return html.Div(
        [
            table(
                ["fact", "as stated"],
                facts,
                f"Calibration points, {channel_words(paper.channel)}",
            ),
            table(head, rows, "Points", figures=(0, 1, 2, 3)),
            *_as_found(paper, unit),
            *_trace(q, paper),
        ],
        className="paper",
    )


def _trace(q: Queries, paper: Certificate) -> list[Component]:
    """Correction and U as they act today, part by part, where this certificate is the one in use."""
    now_ns = q.now_ns()
    if status(q.setup, paper.channel, now_ns).certificate != paper:
        return []
    trace = register_trace(q.setup, paper.channel, now_ns)
    return (
        [html.P([f"{channel_words(paper.channel)}, in use now, ", trace["text"]], className="provenance")]
        if trace
        else []
    )


def _as_found(paper: Certificate, unit: str) -> list[Component]:
    if paper.as_found is None:
        return []
    errors = zip(paper.as_found.indications, paper.as_found.errors, strict=True)
    model = {
        "": "no effect on earlier readings",
        "step": "step at an unknown time",
        "linear": "linear drift",
    }[paper.as_found.model]
    rows = [[point(i, unit), signed_figure(e, unit)] for i, e in errors]
    return [table(["indication", "error"], rows, f"As found, before adjusting; {model}", figures=(0, 1))]


def _file(q: Queries, number: str) -> list[Component]:
    """The files of the setup in force in which this number stands, word for word."""
    versions = q.source.keeping.versions()
    texts = versions[-1].texts if versions else {}
    files = [
        (name, text) for name, text in texts.items() if name.startswith("certificates/") and number in text
    ]
    return [
        behind(f"The file {name}, as in force", html.Pre(text, className="file", tabIndex=0))
        for name, text in files
    ]
