"""The record as PDF: tagged (PDF/UA-1) and archival (PDF/A-3a), with readings and facts attached inside."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from ..instants import NS, parse
from ..model import REASONS
from .attachment import LEAST_BYTES, LEVEL, exchange, stand_in
from .fact_forms import IssuedFacts
from .letters import all_printable, printable
from .verdict_trace import swatch
from .watermark import FILE as WATERMARK
from .watermark import watermark_svg
from .words import page

_HERE = Path(__file__).parent
STANDARDS = ["a-3a", "ua-1"]
TYPES = {"csv": "text/csv", "json": "application/json"}


def _about(name: str) -> str:
    """What an attached file is, as a reader of PDF shows it."""
    whole = {"readings.csv": "Readings of the interval", "record.json": "All facts of this record"}
    return whole.get(name, f"Whole table of {name.partition('.')[0]}")


def compile_pdf(facts: IssuedFacts, pictures: Mapping[str, str], attachments: Mapping[str, bytes]) -> bytes:
    """The bytes of the PDF. Equal input gives equal bytes: no clock, no fonts of the machine.

    pictures: the SVGs of `pictures.py`; attachments: files inside it by name, with their descriptions in
    `ATTACHED`.
    """
    large = {name: content for name, content in attachments.items() if len(content) >= LEAST_BYTES}
    small = {name: stand_in(name, content) for name, content in large.items()}
    with ThreadPoolExecutor() as pool:  # compressed while the pages are set
        packing = {name: pool.submit(zlib.compress, content, LEVEL) for name, content in large.items()}
        pdf: bytes | None = _compiled(facts, pictures, {**attachments, **small})
        packed = {name: pending.result() for name, pending in packing.items()}
    for name, content in large.items():
        pdf = pdf and exchange(pdf, small[name], content, packed[name])
    # A typesetter that lays its files out otherwise attaches them by itself.
    return pdf or _compiled(facts, pictures, attachments)


def _compiled(facts: IssuedFacts, pictures: Mapping[str, str], attachments: Mapping[str, bytes]) -> bytes:
    import typst

    attached = [
        {"name": name, "about": _about(name), "type": TYPES[name.rpartition(".")[2]]} for name in attachments
    ]
    words = page(facts) | {"attached": attached}
    files = {
        "main.typ": (_HERE / "page.typ").read_bytes(),
        WATERMARK: watermark_svg(words["watermark"]),
        "page.json": json.dumps(all_printable(words), ensure_ascii=False).encode(),
        **{name: printable(svg).encode() for name, svg in pictures.items()},
        **attachments,
        **{f"swatch-{reason.replace(' ', '-')}.svg": swatch(reason).encode() for reason in REASONS},
    }
    issued_s = parse(facts["issue"]["issued_at"], ZoneInfo("UTC")) // NS
    compile_files: Any = typst.compile  # its type hints do not know that files may be given by name
    pdf: bytes = compile_files(
        files,
        font_paths=[str(_HERE / "fonts")],
        ignore_system_fonts=True,
        pdf_standards=STANDARDS,
        timestamp=issued_s,
    )
    return pdf
