"""Cases on paper: sections of a record, and the sheet of one case; layouts: `page.typ`, `case.typ`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypeAlias, TypedDict
from zoneinfo import ZoneInfo

from ..inspections.case_forms import CaseForm, CaseInspection
from ..inspections.case_timeline import HappeningForm
from ..inspections.length_words import EFFECT_HEAD, EFFECT_NOTE, SHARE_HEAD
from ..instants import parse, wall
from ..model import TemperatureUnit
from ..model.figures import decimals_apart, percent, to_printed_unit
from ..model.plain_forms import ExcursionForm
from ..model.reader_units import difference_in_fahrenheit, value_in_fahrenheit
from .names import EXPLANATION, person_text
from .print_words import PLACES, Clock, Table, figure, sentences
from .print_words import unit as printed_unit

TEXTS = (
    ("cause", "Cause"),
    ("detail", "Cause in words"),
    ("immediate_action", "Immediate action"),
    ("impact", "Effect on results"),
    ("decision", "Decision"),
    ("customer", "Customer"),
    ("corrective_action", "Corrective action"),
    ("look_on", "Effect to be reviewed on"),
    ("effect", "Effect as reviewed"),
)


class SheetHead(TypedDict):
    """Of which room a sheet is, with the names of its zones and rules, when and for whom it was printed."""

    room: str
    site: str
    timezone: str
    simulated: bool
    zones: Mapping[str, str]
    rules: Mapping[str, str]
    printed: str
    temperatures: TemperatureUnit


Section: TypeAlias = tuple[str, Sequence[str], str, Sequence[Sequence[str]], str]


def case_rows(cases: Sequence[CaseForm], zone: ZoneInfo, clock: Clock) -> list[tuple[str, ...]]:
    """Rows of cases in a record, each with cause and decision."""
    return [_case_row(case, zone, clock) for case in cases]


def clip(text: str, most: int = 140) -> str:
    """A text that has room in a table; what is cut off stands in the attached file.

    >>> clip("a damper that was stuck", 12)
    'a damper … (whole in cases.csv)'
    """
    if len(text) <= most:
        return text
    return text[:most].rpartition(" ")[0].rstrip(".,; ") + " … (whole in cases.csv)"


def _case_row(case: CaseForm, zone: ZoneInfo, clock: Clock) -> tuple[str, ...]:
    texts = case["texts"]
    cause = clip(": ".join(filter(None, (texts.get("cause"), texts.get("detail")))) or "no cause yet")
    names = ("immediate_action", "impact", "decision")
    words = sentences([*(clip(texts[name]) for name in names if texts.get(name)), _corrective_action(texts)])
    closed = case["closed"] if case["state"] == "closed" else None
    missing = f", {_missing_count(case)} missing" if case["missing"] else ""
    by = f" by {person_text(closed, 'who')}, {wall(parse(closed['at'], zone), zone)}" if closed else ""
    number = str(case["case"] or "–")
    if case.get("revision"):
        number += f", rev. {case['revision']}"
    times = clock.minute(case["from"]), clock.minute(case["to"])
    return number, *times, cause, words or "nothing yet", f"{case['state']}{missing}{by}"


def _corrective_action(texts: Mapping[str, str]) -> str:
    """What is done against the cause, and its effect or when that is reviewed; empty without either."""
    action, day, effect = (texts.get(name, "") for name in ("corrective_action", "look_on", "effect"))
    due = f"effect to be reviewed on {day}" if day else ""
    parts = [
        f"Corrective action: {clip(action)}" if action else "",
        f"its effect: {clip(effect)}" if effect else due,
    ]
    text = "; ".join(filter(None, parts))
    return text[:1].upper() + text[1:]


def _missing_count(case: CaseForm) -> int:
    """How many decisions and texts are missing, as lists of cases count them."""
    undecided = sum(not row["decision"] for row in case["inspections"])
    return len(case["missing"]) - (case["state"] == "running") - bool(undecided) + undecided


def sheet(facts: CaseForm, happenings: Sequence[HappeningForm], head: SheetHead) -> dict[str, Any]:
    """What `case.typ` needs: the words of one case. `head`: room, site, zone names, time zone, simulated."""
    zone = ZoneInfo(head["timezone"])
    number = facts["case"] or "without number"
    span = f"{wall(parse(facts['from'], zone), zone)} to {wall(parse(facts['to'], zone), zone)}"
    return {
        "watermark": "SIMULATED" if head["simulated"] else "",
        "title": f"Case {number}",
        "place": f"{head['room']}, {head['site']}",
        "zone": ", ".join(head["zones"][key] for key in facts["zones"]),
        "sentence": _sentence(facts),
        "span": span,
        "sections": [
            _runs(facts, zone, head),
            _timeline(happenings, zone),
            _inspections(facts, zone),
            _texts(facts, zone),
        ],
        "judged": [EXPLANATION],
        "footer": f"{head['room']} · case {number} · printed {wall(parse(head['printed'], zone), zone)}",
    }


def _sentence(facts: CaseForm) -> str:
    closed = facts["closed"]
    if facts["state"] == "closed" and closed:
        return f"Case {facts['case']} is closed, by {person_text(closed, 'who')}."
    if not facts["in_use"]:
        return "Outside hours of use; no inspection is affected; nothing is asked."
    return f"Case {facts['case']} is {facts['state']}. Missing: {'; '.join(facts['missing']) or 'nothing'}."


def _section(section: Section) -> Table:
    title, heads, align, rows, none = section
    return {
        "title": title,
        "heads": list(heads),
        "align": align,
        "rows": [list(r) for r in rows],
        "none": none,
        "more": "",
    }


def _runs(facts: CaseForm, zone: ZoneInfo, head: SheetHead) -> Table:
    several = len(facts["zones"]) > 1
    clock = Clock(facts, zone)
    rows = [_run(run, clock, head, several) for run in facts["runs"]]
    heads = ("Rule", clock.head("From"), "To", "Worst", "Limit", "U", "Unit", "Probe", "Proven")
    return _section(("Runs by rule", heads, "wllrrrlll", rows, "None."))


def _run(run: ExcursionForm, clock: Clock, head: SheetHead, several: bool) -> tuple[str, ...]:
    name, unit = head["rules"].get(run["rule"], run["rule"]), run["unit"]
    figures = [(run["worst"], unit), (run["limit"], unit), (run["U"], unit)]
    if head["temperatures"] == "degF":
        figures = [
            value_in_fahrenheit(*figures[0]),
            value_in_fahrenheit(*figures[1]),
            difference_in_fahrenheit(*figures[2]),
        ]
    return (
        f"{head['zones'][run['zone']]}: {name}" if several else name,
        clock.minute(run["from"]),
        clock.minute(run["to"]),
        *run_figures([to_printed_unit(value, name) for value, name in figures], unit),
        printed_unit(figures[0][1]),
        ", ".join(run["probes"]),
        "yes" if run["proven"] else "within U",
    )


def run_figures(values: Sequence[float | None], unit: str) -> list[str]:
    """Worst value, limit and U, with as many digits as show on which side of the limit or its guard band
    the worst value lies.

    >>> run_figures([20.968, 20.5, 0.098], "degC"), run_figures([20.902, 21.0, 0.1], "degC")
    (['20.97', '20.50', '0.10'], ['20.902', '21.000', '0.100'])
    """
    places = max(decimals_apart(*values), PLACES.get(unit, 0))
    return [figure(value, places) for value in values]


def _timeline(happenings: Sequence[HappeningForm], zone: ZoneInfo) -> Table:
    rows = [(wall(parse(h["at"], zone), zone), h["what"], h["who"]) for h in happenings]
    return _section(("In order of time", ("At", "What", "Who"), "lwl", rows, "Nothing."))


def _inspections(facts: CaseForm, zone: ZoneInfo) -> Table:
    rows = [
        (
            row["inspection"],
            row["title"],
            row["verdict"],
            "not known" if row["effect_um"] is None else f"{row['effect_um']:.2f}",
            "not known" if row["share_of_tolerance"] is None else percent(row["share_of_tolerance"]),
            _decision(row, zone),
        )
        for row in facts["inspections"]
    ]
    heads = ("Inspection", "Of", "Verdict", EFFECT_HEAD, SHARE_HEAD, "Decision, reason, customer")
    table = _section(("Affected inspections", heads, "lllrrw", rows, "No inspection is affected."))
    return {**table, "more": EFFECT_NOTE}


def _decision(row: CaseInspection, zone: ZoneInfo) -> str:
    if not row["decision"]:
        return "not decided"
    by = f"({person_text(row, 'who')}, {wall(parse(row['at'], zone), zone)})"
    words = sentences([f"{row['decision']}: {row['why']}", f"Customer: {row['customer']}"])
    return f"{words} {by}"


def _texts(facts: CaseForm, zone: ZoneInfo) -> Table:
    rows = []
    for name, label in TEXTS:
        text, written = facts["texts"].get(name), facts["written"].get(name)
        if text and written:
            rows.append(
                (label, text, f"{person_text(written, 'who')}, {wall(parse(written['at'], zone), zone)}")
            )
    return _section(
        ("What was found and decided", ("", "Text", "By"), "lwl", rows, "Nothing is written yet.")
    )
