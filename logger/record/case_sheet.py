"""The sheet of one case as PDF: tagged (PDF/UA-1) and archival (PDF/A-3a), with all its facts attached."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..inspections.case_record import CaseRecord
from ..instants import NS, rfc3339
from ..model import TemperatureUnit
from .case_facts import case_facts, case_history
from .case_words import SheetHead, sheet
from .figure import figure
from .interval import Interval
from .letters import all_printable, printable
from .names import Names
from .pdf import STANDARDS
from .watermark import FILE as WATERMARK
from .watermark import watermark_svg
from .zone_readings import read_zone

if TYPE_CHECKING:
    from ..verdicts.verdicts import Verdicts

_HERE = Path(__file__).parent
AROUND_NS = 2 * 3600 * NS
CHART_HEIGHT = 330.0  # points: the width of the page at the size at which it is drawn


def case_sheet(
    verdicts: Verdicts, record: CaseRecord, now_ns: int, *, temperatures: TemperatureUnit = "degC"
) -> bytes:
    """The bytes of the PDF; equal facts and an equal second give equal bytes.

    temperatures: in which unit its page prints them; the facts attached stay in °C and K.
    """
    import typst

    store, setup = verdicts.store, verdicts.setup
    facts = case_facts(verdicts, record, Names(store), now_ns)
    head: SheetHead = {
        "room": setup.room.name,
        "site": setup.room.site,
        "timezone": setup.room.timezone,
        "simulated": store.simulated,
        "zones": {key: zone.name for key, zone in setup.zones.items()},
        "rules": {rule.key: rule.name for rule in setup.rules},
        "temperatures": temperatures,
        "printed": rfc3339(now_ns // NS * NS),
    }
    words = sheet(facts, case_history(store, verdicts, record), head)
    end_ns = min(max(record.settled_ns.values()) + AROUND_NS, now_ns)
    span = Interval(record.case.zone, record.case.from_ns - AROUND_NS, end_ns, now_ns)
    periods = verdicts.periods(span.zone, span.from_ns, span.to_ns, now_ns, refresh=False)
    stored = read_zone(store, setup, span.zone, span.from_ns, span.to_ns)
    chart = figure(stored, setup, periods, span, CHART_HEIGHT, temperatures=temperatures)
    files = {
        "main.typ": (_HERE / "case.typ").read_bytes(),
        WATERMARK: watermark_svg(words["watermark"]),
        "page.json": json.dumps(all_printable(words), ensure_ascii=False).encode(),
        "chart.svg": printable(chart).encode(),
        "case.json": json.dumps(facts, indent=1, ensure_ascii=False).encode() + b"\n",
    }
    compile_files: Any = typst.compile  # its type hints do not know that files may be given by name
    pdf: bytes = compile_files(
        files,
        font_paths=[str(_HERE / "fonts")],
        ignore_system_fonts=True,
        pdf_standards=STANDARDS,
        timestamp=now_ns // NS,
    )
    return pdf
