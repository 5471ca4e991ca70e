"""A record as it would be issued now, to look at first: marked as a draft, kept and journalled nowhere."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from ..instants import rfc3339
from ..model import Setup, TemperatureUnit
from .attached import attached_tables
from .fact_forms import IssueFacts
from .facts import record_facts, with_issue_head
from .interval import Interval
from .names import Names
from .pdf import compile_pdf
from .pictures import judged_periods, pictures
from .reader_facts import mark_temperatures
from .signatures import digests
from .zone_readings import read_zone, record_csv

if TYPE_CHECKING:
    from ..store import Store
    from ..verdicts.verdicts import Verdicts


def draft(
    store: Store,
    verdicts: Verdicts,
    setup: Setup,
    span: Interval,
    who: str,
    *,
    temperatures: TemperatureUnit = "degC",
) -> bytes:
    """The PDF of a record that is not issued, with DRAFT across each page; no number, no signature."""
    stored = read_zone(store, setup, span.zone, span.from_ns, span.to_ns)
    facts = record_facts(store, verdicts, setup, span, stored, draft=True)
    mark_temperatures(facts, temperatures)
    readings, rows = record_csv(stored, simulated=store.simulated)
    facts["readings"] = {"rows": rows, "sha256": digests({"": readings})[""]}
    head: IssueFacts = {
        "number": 0, "issued_at": rfc3339(span.now_ns // 10**9 * 10**9), "by": who,
        "proven": Names(store).proven_now(who), "replaces": None, "why": "", "signed_by": "",
    }  # fmt: skip
    whole = with_issue_head(facts, head)
    body = json.dumps(whole, indent=1, ensure_ascii=False).encode() + b"\n"
    attachments = {"readings.csv": readings, "record.json": body, **attached_tables(whole)}
    return compile_pdf(whole, pictures(stored, setup, judged_periods(facts), span, temperatures), attachments)
