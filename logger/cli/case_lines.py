"""Cases in lines for a terminal: the list by week, one case, and the figures by cause."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from itertools import groupby
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..inspections.length_words import EFFECT_NOTE
from ..instants import NS, local, rfc3339, wall
from ..model import Excursion, Setup
from ..model.figures import number_of, percent, to_printed_unit, unit_name
from .output import duration, figures, table

if TYPE_CHECKING:
    from ..core.judge.cases import BeforeAfter, Case, LostTime
    from ..inspections.case_record import CaseRecord
    from ..inspections.impact import Impact

HEADS = (
    "case", "zone", "from", "for", "excursions", "worst", "limit", "U", "unit", "proven", "cause", "state",
)  # fmt: skip
LABELS = {
    "cause": "Cause",
    "detail": "Cause in words",
    "immediate_action": "Immediate action",
    "impact": "Effect on results",
    "decision": "Decision",
    "customer": "Customer",
    "corrective_action": "Corrective action",
    "look_on": "Effect to be reviewed on",
    "effect": "Effect as reviewed",
}


def case_rows(records: Sequence[CaseRecord], zone: ZoneInfo) -> list[str]:
    """A sentence, then the cases by week; those that ask for nothing in one line a week."""
    asking = [r for r in records if r.case.in_use]
    left = sum(r.waits for r in asking)
    state = (f", {left} not closed" if left else ", all closed") if asking else ""
    first = f"{number_of(len(asking), 'case')} in use{state}."
    quiet = len(records) - len(asking)
    lines = [
        f"{first} {number_of(quiet, 'case')} outside hours of use, no decision needed." if quiet else first
    ]
    for week, of_week in groupby(records, key=lambda r: _week(r.case.from_ns, zone)):
        in_week = list(of_week)
        rows = [_row(r, zone) for r in in_week if r.case.in_use]
        lines += ["", week, *(table(HEADS, rows) if rows else [])]
        outside = sum(not r.case.in_use for r in in_week)
        lines += [f"  {outside} outside hours of use, no decision needed"] if outside else []
    return lines


def _week(at_ns: int, zone: ZoneInfo) -> str:
    year, week, _ = local(at_ns, zone).date().isocalendar()
    return f"{year}-W{week:02d}"


def printed_figures(e: Excursion) -> tuple[Any, ...]:
    """Worst value, limit, U and unit of an excursion, in the unit in which it is printed."""
    worst, limit, U = (None if n is None else to_printed_unit(n, e.unit) for n in (e.worst, e.limit, e.U))
    return *figures(worst, limit, U), unit_name(e.unit)


def _row(r: CaseRecord, zone: ZoneInfo) -> tuple[Any, ...]:
    e = r.worst
    lasted = duration((r.case.to_ns - r.case.from_ns) / NS)
    state = r.state if not r.missing_count else f"{r.state}, {r.missing_count} missing"
    numbers = printed_figures(e)
    head = (
        "" if r.number is None else str(r.number),
        " ".join(r.case.zones),
        wall(r.case.from_ns, zone),
        lasted,
    )
    tail = ("yes" if e.proven else "within U", r.cause, state)
    return *head, len(r.case.runs), *numbers, *tail


def case_lines(r: CaseRecord, impacts: Sequence[Impact], setup: Setup, zone: ZoneInfo) -> list[str]:
    """One case whole: a sentence, excursions, inspections, texts, acts in order of time."""
    return [
        headline(r),
        f"  {', '.join(setup.zone(key).name for key in r.case.zones)}, {wall(r.case.from_ns, zone)} to "
        f"{wall(r.case.to_ns, zone)}; settled {_settled(r, zone)}",
        *([f"  Open again: {r.work.reopened}"] if r.work.reopened and r.state != "closed" else []),
        *([f"  Continued in it: {', '.join(map(str, r.case.continued))}"] if r.case.continued else []),
        "",
        *table(
            ("rule", "from", "for", "worst", "limit", "U", "unit", "probes", "proven"), _runs(r, setup, zone)
        ),
        "",
        *_impact_lines(impacts),
        *_text_lines(r, zone),
        *_act_lines(r, zone),
    ]


def headline(r: CaseRecord) -> str:
    """What is so, in a sentence."""
    name = "This case" if r.number is None else f"Case {r.number}"
    if r.missing:
        return f"{name} is {r.state}: missing {'; '.join(r.missing)}."
    if r.state == "closed" and r.work.closing is not None:
        return f"{name} is closed, by {r.work.closing.who}."
    if r.case.in_use:
        return f"{name} is decided: it can be closed."
    return f"{name} is outside hours of use and affects no inspection: no decision needed."


def _settled(r: CaseRecord, zone: ZoneInfo) -> str:
    return "; ".join(wall(ns, zone) for ns in dict.fromkeys(r.settled_ns.values()))


def _runs(r: CaseRecord, setup: Setup, zone: ZoneInfo) -> list[tuple[Any, ...]]:
    return [
        (
            setup.rule_names.get(e.rule, e.rule),
            wall(e.from_ns, zone),
            duration((e.to_ns - e.from_ns) / NS),
            *printed_figures(e),
            " ".join(e.probes),
            "yes" if e.proven else "within U",
        )
        for e in r.case.runs
    ]


def _impact_lines(impacts: Sequence[Impact]) -> list[str]:
    if not impacts:
        return ["No inspection is affected.", ""]
    rows = [
        (
            i.job.key,
            i.job.title,
            i.verdict,
            "?" if i.effect_um is None else f"{i.effect_um:.2f}",
            "?" if i.share is None else percent(i.share),
            i.decided.decision if i.decided else "open",
            i.decided.customer if i.decided else "",
            i.decided.who if i.decided else "",
        )
        for i in impacts
    ]
    heads = (
        "inspection",
        "title",
        "verdict",
        "effect at most, µm",
        "of tolerance",
        "decision",
        "customer",
        "by",
    )
    return [f"{number_of(len(rows), 'inspection')} affected:", "", *table(heads, rows), EFFECT_NOTE, ""]


def _text_lines(r: CaseRecord, zone: ZoneInfo) -> list[str]:
    lines = []
    for name, label in LABELS.items():
        if name in r.work.text_entries:
            w = r.work.text_entries[name]
            lines.append(f"{label}: {w.text}  ({w.who}, {wall(w.at_ns, zone)})")
    return [*lines, ""] if lines else []


def _act_lines(r: CaseRecord, zone: ZoneInfo) -> list[str]:
    acts = [(wall(e.at_ns, zone), str(e.what.get("act", "note")), e.who, e.why) for e in r.work.entries]
    return table(("at", "act", "who", "why"), acts) if acts else []


def figure_lines(
    lost: LostTime, again: Sequence[Case], effects: Sequence[BeforeAfter], zone: ZoneInfo
) -> tuple[dict[str, Any], list[str]]:
    """Hours by cause, cases that came back, and before and after an action: as data, and as lines."""
    payload: dict[str, Any] = {
        "not_stable_in_use_s": lost.not_stable_ns // NS,
        "causes": [{"cause": c.cause, "cases": c.cases, "lost_s": c.lost_ns // NS} for c in lost.causes],
        "no_case_s": lost.rest_ns // NS,
        "repeats": [{"case": c.number, "zone": c.zone, "from": rfc3339(c.from_ns)} for c in again],
        "effects": [asdict(effect) for effect in effects],
    }
    rows = [(c.cause, str(c.cases), hours(c.lost_ns)) for c in lost.causes]
    rows += [("no case (as settling after a gap)", "", hours(lost.rest_ns))] if lost.rest_ns else []
    rows.append(("all", str(sum(c.cases for c in lost.causes)), hours(lost.not_stable_ns)))
    lines = ["Not stable in hours of use, each minute counted once:", ""]
    lines += table(("cause", "cases", "h:min"), rows)
    lines += [f"  again: case {c.number}, zone {c.zone}, {wall(c.from_ns, zone)}" for c in again]
    for effect in effects:
        lines.append(
            f"  {effect.zone}, {effect.days:.0f} days each side: cases {effect.before} → {effect.after}, "
            f"hours {effect.before_h:.1f} → {effect.after_h:.1f}"
        )
    return payload, lines


def hours(ns: int) -> str:
    """A length of time in hours and minutes.

    >>> hours(5_460 * NS)
    '1:31'
    """
    minutes = round(ns / NS / 60)
    return f"{minutes // 60}:{minutes % 60:02d}"
