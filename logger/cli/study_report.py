"""The report of a zone's studies: `study report`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..model.roles import Act
from .authority import authorised
from .context import open_session
from .options import DEFAULT_DATA, Config, Data, Who, Zone


def report(
    *,
    zone: Zone,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="PDF to write.")],
    issue: Annotated[
        bool, typer.Option("--issue", help="Keep it in the record: numbered, signed, journalled.")
    ] = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """The newest stored answer to each question on paper: a page of sentences, then a page a question.

    Figures and tables are attached inside the file.

    \b
    Example:
      stillroom study report --zone machine-bay --out study.pdf
    """
    from ..store.files import write_durably
    from ..studies.report import newest_answers, report_pdf
    from ..studies.report_issue import issue_report

    with open_session(data, config) as session:
        session.setup.zone(zone)
        studies = newest_answers(session.store, zone)
        if issue:
            person = authorised(session.store, who, Act.ISSUE)
            issued = issue_report(session.store, session.setup, studies, person, session.now_ns)
        pdf = issued.pdf.read_bytes() if issue else report_pdf(studies, session.setup)
        write_durably(out, pdf)
    number = (
        f" Study report {issued.number:06d}." if issue else " Not issued; --issue keeps it in the record."
    )
    typer.echo(f"Written to {out}: {len(studies)} of the questions have an answer.{number}")
