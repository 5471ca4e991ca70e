"""Studies of a zone on paper: a page of sentences, a page a question;
tagged and archival, with all data inside.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from .. import __version__
from ..errors import Refused
from ..instants import NS, wall_span
from ..model import Setup
from ..model.figures import channel_words
from ..record.letters import all_printable, printable
from ..record.pdf import STANDARDS
from ..record.watermark import FILE as WATERMARK
from ..record.watermark import watermark_svg
from ..store import Store
from .charts import charts_of
from .plot import PAPER
from .questions import QUESTIONS
from .readable import readable
from .study import Study, of_stored

_HERE = Path(__file__).parent
FONTS = _HERE.parent / "record" / "fonts"


def newest_answers(store: Store, zone: str) -> list[Study]:
    """The newest stored answer of a zone to each question, in the order of the questions;
    Refused without any.
    """
    newest: dict[str, Study] = {}
    for row in store.studies.newest(zone):
        if row.question in QUESTIONS and row.question not in newest:
            newest[row.question] = of_stored(row)
    if not newest:
        raise Refused(
            f"Zone {zone!r} has no stored study yet. Run one first, for example: stillroom study cycles."
        )
    return [newest[question] for question in QUESTIONS if question in newest]


def report_pdf(studies: Sequence[Study], setup: Setup, number: int | None = None) -> bytes:
    """The bytes of the PDF; equal studies give equal bytes: no clock, no typeface of the machine.

    number: of the issue; None: not issued, and the footer says so.
    """
    import typst

    zone, clock = setup.zone(studies[0].request.zone), ZoneInfo(setup.room.timezone)
    pictures: dict[str, bytes] = {}
    listed = [_study_facts(readable(study, setup), clock, pictures) for study in studies]
    issue = "not issued, " if number is None else f"study report {number:06d}, "
    facts: dict[str, Any] = {
        "title": f"Room study: {zone.name}",
        "place": f"{setup.room.site}, {setup.room.name}; custodian {setup.room.custodian}",
        "footer": f"{issue}stillroom {__version__}, setup {studies[0].setup_version}",
        "simulated": any(study.simulated for study in studies),
        "studies": listed,
        "first_chart": next((chart for item in listed[:1] for chart in item["charts"]), None),
    }
    body = json.dumps([study.to_dict() for study in studies], indent=1, ensure_ascii=False) + "\n"
    files = {
        "main.typ": (_HERE / "report.typ").read_bytes(),
        "report.json": json.dumps(all_printable(facts), ensure_ascii=False).encode(),
        WATERMARK: watermark_svg("SIMULATED" if facts["simulated"] else ""),
        "studies.json": body.encode(),
        **pictures,
    }
    compile_files: Any = typst.compile  # its type hints do not know that files may be given by name
    pdf: bytes = compile_files(
        files,
        font_paths=[str(FONTS)],
        ignore_system_fonts=True,
        pdf_standards=STANDARDS,
        timestamp=max(study.at_ns for study in studies) // NS,
    )
    return pdf


def _study_facts(study: Study, clock: ZoneInfo, pictures: dict[str, bytes]) -> dict[str, Any]:
    """What the page of a question prints; its charts go into `pictures`."""
    request, answer = study.request, study.answer
    charts: list[dict[str, str]] = []
    for caption, picture in charts_of(study, PAPER):
        file = f"{request.question}-{len(charts)}.svg"
        pictures[file] = printable(picture).encode()
        charts.append({"file": file, "caption": caption})
    pieces = [item.n_independent for item in answer.figures]
    return {
        "title": QUESTIONS[request.question].title,
        "headline": answer.headline,
        "about": ", ".join(
            (
                channel_words(request.channel) or "all channels",
                wall_span(request.from_ns, request.to_ns, clock),
            )
        ),
        "figures": [
            [item.name, item.text, "" if n is None else f"{n:.0f}"]
            for item, n in zip(answer.figures, pieces, strict=True)
        ],
        "charts": charts,
        "remarks": list(answer.remarks),
        "methods": list(dict.fromkeys(item.method for item in answer.figures if item.method)),
        "data": list(study.data),
        "digest": study.digest,
    }
