"""From the facts of a record to the words on its pages; the layout is in `page.typ`.

Page 1 answers, page 2 draws, then cases, inspections and probes, and last who did what and how to verify it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from ..core.judge.leading_reason import ALL_KEPT
from ..instants import parse
from ..model.figures import percent
from ..model.reader_units import NOTE
from . import section_words as sections
from .corrections import FORMULA
from .day_strips import row_height
from .fact_forms import DayFacts, IssuedFacts, RecordFacts, SetupFacts, ShareFacts
from .names import EXPLANATION, person_text
from .print_words import Table, at, figure, grouped, length, unit
from .probe_words import probes
from .reader_facts import reader_facts

__all__ = ["at", "figure", "length", "page", "percent", "sentence", "unit"]
# A certificate that has no due day; its number stands in the table of probes.
_NUMBER = re.compile(r"certificate \S+(?= has no due date)")
MOST_VERSIONS = 4  # of the setup, on page 1
MEANINGS = (
    ("Stable", "every limit is proven to be kept, guard band included, and machine and parts have settled."),
    ("Not stable", "a limit was exceeded, the time was marked, or machine and parts had not settled."),
    ("Not shown", "the readings prove neither: no evidence, or a value within U of a limit."),
)


def page(facts: IssuedFacts) -> dict[str, Any]:
    """What the template needs: sentences, and tables as heads and rows of text."""
    facts = reader_facts(facts)
    zone, number = ZoneInfo(facts["room"]["timezone"]), facts["issue"]["number"]
    title = f"Record of conditions {number}" if number else "Record of conditions, draft"
    marks = ["DRAFT"] * (not number) + ["SIMULATED"] * facts["simulated"]
    return {
        "watermark": " ".join(marks),
        "title": title,
        "place": f"{facts['room']['name']}, {facts['room']['site']}",
        "zone": facts["zone"]["name"],
        "sentence": sentence(facts),
        "because": because(facts),
        "span": f"{at(facts['from'], zone)} to {at(facts['to'], zone)}",
        "begins": _begins(facts, zone),
        "heads": _heads(facts, zone),
        "shares": [_share(row) for row in facts["shares"]],
        "meanings": [list(pair) for pair in _meanings(facts)],
        "first": [sections.limits(facts, zone), sections.statistics(facts)],
        "each": facts["each"],
        "days": _days(facts, zone),
        "row": row_height(len(facts["days"])),
        "sections": _sections(facts, zone),
        "provenance": _provenance(facts),
        "judged": _explanation(),
        "footer": f"{facts['room']['name']} · {facts['zone']['name']} · "
        + (f"record {number}" if number else "draft, not issued"),
        "issued_utc": facts["issue"]["issued_at"],
    }


def _begins(facts: RecordFacts, zone: ZoneInfo) -> str:
    """When the data of the zone begin, where that is later than the interval."""
    begin = facts.get("data_begin")
    if not begin or parse(begin, zone) <= parse(facts["from"], zone):
        return ""
    return f"Its data begin at {at(begin, zone)}."


def sentence(facts: RecordFacts) -> str:
    """What a person would say of the interval, in one sentence."""
    name, shares = facts["zone"]["name"], facts["shares"]
    total = sum(row["seconds"] for row in shares)
    stable = sum(row["seconds"] for row in shares if row["verdict"] == "stable")
    if stable == total:
        return f"{name} was stable throughout."
    if not stable:
        worst = (
            "not stable"
            if any(row["verdict"] == "not stable" for row in shares)
            else "not shown to be stable"
        )
        return f"{name} was {worst} at any time."
    spent = f"{length(stable)} of {length(total)} ({percent(stable / total)})"
    return f"{name} was stable for {_unbroken(spent)}."


def _unbroken(text: str) -> str:
    """A text that no line parts, such as a number with its unit."""
    return text.replace(" ", "\u00a0")


def because(facts: RecordFacts) -> str:
    """Where the rest of the time went, by verdict and reason."""
    parts = []
    for verdict in ("not stable", "not shown"):
        rows = [row for row in facts["shares"] if row["verdict"] == verdict]
        if rows:
            spent = ", ".join(f"{row['reason']} {_unbroken(length(row['seconds']))}" for row in rows)
            whole = _unbroken(length(sum(row["seconds"] for row in rows)))
            parts.append(f"{verdict} for {whole} ({spent})")
    words = "; ".join(parts)
    return f"{words[0].upper()}{words[1:]}." if words else ALL_KEPT


def _heads(facts: IssuedFacts, zone: ZoneInfo) -> list[list[str]]:
    issue = facts["issue"]
    rows = [
        ["Interval in UTC", f"{facts['from']} to {facts['to']}"],
        ["Decision rule", facts["decision_rule"]],
        ["Settings of evidence", _settings(facts["settings"])],
        *([["Sampling", "; ".join(grouped(facts["notices"]))]] if facts["notices"] else []),
        *([["Temperatures", NOTE]] if facts.get("temperatures") == "degF" else []),
        ["Hours of use", facts["zone"]["hours_of_use"]],
        ["Custodian", facts["room"]["custodian"]],
        *_approval_rows(facts["setup"], parse(facts["from"], zone), zone),
        [
            "Issued" if issue["number"] else "Drafted, not issued",
            f"{at(issue['issued_at'], zone)} by {person_text(issue, 'by')}",
        ],
    ]
    if issue["replaces"] is not None:
        rows.append(["Replaces", f"record {issue['replaces']}: {issue['why']}"])
    return rows


def _settings(phrases: Sequence[str]) -> str:
    """
    >>> _settings([f"T{n}: certificate K-{n} has no due date" for n in (1, 2, 3)])
    'T1, T2, T3: certificate has no due date'
    """
    return "; ".join(grouped([_NUMBER.sub("certificate", phrase) for phrase in phrases]))


def _approval_rows(setup: SetupFacts, from_ns: int, zone: ZoneInfo) -> list[list[str]]:
    """Who put the setup in force, and each version since the interval began, the newest of them; one person
    alone and corrected entry errors are always said.
    """
    since = [
        v
        for v in setup["versions"]
        if v["version"] == setup["version"] or parse(v["approved"], zone) >= from_ns
    ]
    newest = since[-MOST_VERSIONS:]
    rows = [
        [
            f"Setup version {v['version']}",
            f"by {person_text(v, 'author')}, approved by {person_text(v, 'approver')} "
            f"{at(v['approved'], zone)}" + (f": {v['reason']}" if v["reason"] and len(newest) > 1 else ""),
        ]
        for v in newest
    ]
    if len(since) > len(newest):
        rows.append(["Earlier versions", f"{len(since) - len(newest)} more since then, in record.json"])
    rows += [["Setup in force", notice] for notice in setup.get("notices", [])]
    if setup["single_person"]:
        rows.append(["Approval", "one person may approve own proposals in this room"])
    rows += [
        [
            f"Correction {c['version']}",
            f"of an entry error, effective from {_beginning(c['from'], zone)}: {c['reason']} "
            f"({person_text(c, 'author')} and {person_text(c, 'approver')}, {at(c['approved'], zone)})",
        ]
        for c in setup["corrections"]
    ]
    return rows


def _beginning(text: str, zone: ZoneInfo) -> str:
    """An instant; what holds from 1970 on holds for all that is recorded."""
    return "the beginning of the data" if parse(text, zone) <= 0 else at(text, zone)


def _share(row: ShareFacts) -> dict[str, str]:
    return {
        "reason": row["reason"],
        "verdict": row["verdict"],
        "length": length(row["seconds"]),
        "share": percent(row["share"]),
        "in_use": "" if row["share_in_use"] is None else percent(row["share_in_use"]),
    }


def _sections(facts: RecordFacts, zone: ZoneInfo) -> list[Table]:
    """Tables in the order in which a reader asks: what went wrong, what it affects, and who did what."""
    by_hand = [sections.without_limit(facts)] if facts["without_limit"] else []
    return [
        *([sections.cases(facts, zone)] if "cases" in facts else []),
        sections.excursions(facts, zone),
        sections.gaps(facts, zone),
        *by_hand,
        sections.marks(facts, zone),
        sections.inspections(facts, zone),
        probes(facts, zone),
        sections.acts(facts, zone),
        sections.alarms(facts, zone),
        sections.reviews(facts, zone),
        sections.people(facts),
    ]


def _days(facts: RecordFacts, zone: ZoneInfo) -> list[dict[str, str]]:
    """A row for each strip: its name, the hours of each verdict, and what else is to be said of it."""
    return [
        {
            "label": day["label"],
            **{verdict: _hours(seconds) for verdict, seconds in day["seconds"].items()},
            "note": ", ".join(filter(None, (day["change"], _cases_in(facts, day, zone)))),
        }
        for day in facts["days"]
    ]


def _hours(seconds: int) -> str:
    """Hours and minutes, or nothing where there are none.

    >>> _hours(86_400), _hours(90), _hours(0)
    ('24:00', '0:02', '')
    """
    minutes = round(seconds / 60)
    return f"{minutes // 60}:{minutes % 60:02d}" if seconds else ""


def _cases_in(facts: RecordFacts, day: DayFacts, zone: ZoneInfo) -> str:
    """Cases in use that touch a row, by number."""
    begin, end = parse(day["from"], zone), parse(day["to"], zone)
    mine = [
        str(case["case"] or "–")
        for case in facts.get("cases", ())
        if case["in_use"] and parse(case["from"], zone) < end and parse(case["to"], zone) > begin
    ]
    if len(mine) > 3:
        return f"{len(mine)} cases"
    return f"case {', '.join(mine)}" if mine else ""


def _meanings(facts: RecordFacts) -> list[tuple[str, str]]:
    """What the words mean, with the times of this zone."""
    settling, gap = length(facts["zone"]["settling_s"]), length(facts["zone"]["body_gap_s"])
    bodies = (
        f"after an excursion, machine and parts need {settling} in steady air; after more than {gap} without "
        "readings as long again."
    )
    return [*MEANINGS, ("Settling", bodies if facts["zone"]["settling_s"] else "not asked for in this zone.")]


def _explanation() -> list[str]:
    """How to read it, for someone who has never seen such a record."""
    return [
        "Values are corrected by the certificate in force; U is the expanded uncertainty at k = 2. A value "
        "beyond a limit counts as not stable even where it lies within U of it.",
        FORMULA,
        EXPLANATION,
    ]


def _provenance(facts: IssuedFacts) -> list[list[str]]:
    head = facts["head"]
    return [
        ["Result (periods and findings)", facts["digest"]],
        [f"Setup version {facts['setup']['version']}", facts["setup"]["digest"]],
        [f"Head of the chain, entry {head['number']}", head["sha256"]],
        [f"Readings attached, {facts['readings']['rows']} rows", facts["readings"]["sha256"]],
        ["Program", facts["software"]],
    ]
