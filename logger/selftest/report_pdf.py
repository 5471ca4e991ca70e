"""The validation report on paper: the same facts as its text, laid out by typst, tagged and archival."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from ..instants import NS, parse
from ..record.pdf import STANDARDS
from .report import Report, as_text, words

_HERE = Path(__file__).parent
FONTS = _HERE.parent / "record" / "fonts"


def report_files(report: Report) -> dict[str, bytes]:
    """The report as files: for people, for programs, on paper."""
    facts = report.facts()
    body = json.dumps(facts, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    return {
        "validation.txt": as_text(facts).encode(),
        "validation.json": body.encode(),
        "validation.pdf": pdf(facts),
    }


def pdf(facts: Mapping[str, Any]) -> bytes:
    """The bytes of the PDF; equal facts give equal bytes."""
    import typst

    lines = [_line(result) for result in facts["results"]]
    data = {**{name: facts[name] for name in facts if name != "results"}, "lines": lines}
    files = {
        "main.typ": (_HERE / "report.typ").read_bytes(),
        "report.json": json.dumps(data, ensure_ascii=False).encode(),
    }
    compile_files: Any = typst.compile  # its type hints do not know that files may be given by name
    room: bytes = compile_files(
        files,
        font_paths=[str(FONTS)],
        ignore_system_fonts=True,
        pdf_standards=STANDARDS,
        timestamp=parse(str(facts["at"]), ZoneInfo("UTC")) // NS,
    )
    return room


def _line(result: Mapping[str, Any]) -> dict[str, Any]:
    allowed = f" ± {result['tolerance']:.3g}" if result["tolerance"] else ""
    expected = words(result["expected"]) + allowed
    actual = result["error"] or words(result["found"])
    return {name: result[name] for name in ("group", "name", "source", "passed")} | {
        "expected": expected, "found": actual,
    }  # fmt: skip
