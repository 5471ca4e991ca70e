"""Whole tables of a record as CSV, attached inside its PDF and beside it: what the pages count and leave out.

Columns are separated by commas, one head row, UTF-8, RFC 4180; instants are UTC. A text that a spreadsheet
would take for a formula has an apostrophe before it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

from ..inspections.case_forms import CaseForm
from .act_forms import ActFacts, InspectionFacts
from .case_facts import decision_words
from .fact_forms import DayFacts, RecordFacts
from .readings import SIMULATED

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")
TABLES: Mapping[str, str] = {
    "periods": "from to verdict reason rule probe provisional",
    "days": "label from to stable_s not_shown_s not_stable_s change",
    "cases": "case revision state in_use from to cause detail immediate_action impact decision "
    "corrective_action look_on effect closed_by closed_at inspections",
    "excursions": "rule from to worst worst_at limit U unit exceedance probes proven",
    "inspections": "key title part person activity from to running verdict reason because error_um U_um "
    "tolerance_um share_of_tolerance revision revision_cause digest decisions",
    "gaps": "from to seconds channels",
    "marks": "from to reason who proven",
    "alarms": "at alarm what who proven why",
    "acts": "entry at about_from about_to kind what who proven",
}


def attached_tables(facts: RecordFacts) -> dict[str, bytes]:
    """Name such as periods.csv -> the whole table; those without a row have their head."""
    rows: dict[str, Iterable[Mapping[str, object]]] = {
        "periods": facts["periods"],
        "excursions": facts["excursions"],
        "gaps": facts["gaps"],
        "marks": facts["marks"],
        "alarms": facts["alarms"],
        "days": map(_day, facts["days"]),
        "cases": map(_case, facts["cases"]),
        "acts": map(_act, facts["acts"]),
        "inspections": map(_job, facts["inspections"]),
    }
    return {
        f"{name}.csv": _csv(columns.split(), rows[name], simulated=facts["simulated"])
        for name, columns in TABLES.items()
    }


def _csv(columns: Sequence[str], rows: Iterable[Mapping[str, object]], *, simulated: bool) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([*columns, *(["mark"] if simulated else [])])
    for row in rows:
        writer.writerow([*(_cell(row.get(c)) for c in columns), *([SIMULATED] if simulated else [])])
    return out.getvalue().encode()


def _cell(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return f"'{value}" if value.startswith(FORMULA_SIGNS) else value
    if isinstance(value, list | tuple):
        return _cell("; ".join(map(str, value)))
    return "" if value is None else str(value)


def _day(row: DayFacts) -> dict[str, object]:
    return {**row, **{f"{verdict.replace(' ', '_')}_s": s for verdict, s in row["seconds"].items()}}


def _case(row: CaseForm) -> dict[str, object]:
    closed = row["closed"]
    decided = [f"{r['inspection']}: {r['decision'] or 'not decided'}" for r in row["inspections"]]
    texts = {name: value for name, value in row["texts"].items() if name != "cause"}
    closing = {"closed_by": closed["who"], "closed_at": closed["at"]} if closed else {}
    return {**row, **texts, **closing, "inspections": decided}


def _act(row: ActFacts) -> dict[str, object]:
    return {**row, "about_from": row["about"]["from"], "about_to": row["about"]["to"]}


def _job(row: InspectionFacts) -> dict[str, object]:
    return {**row, "decisions": [decision_words(d) for d in row.get("decisions", ())]}
