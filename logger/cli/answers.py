"""Answers as lines and rows: the check of an interval, and of several inspections."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..instants import parse, rfc3339, wall, wall_span
from ..model import Inspection
from ..model.figures import number_of, percent, to_printed_unit, unit_name, usual_decimals
from .context import Session
from .output import duration, figures, table

if TYPE_CHECKING:
    from ..core.measurement.check import Check
    from ..inspections.assess import Assessment
    from ..inspections.batch import BatchAnswer


def inspection_lines(rows: Sequence[dict[str, Any]], zone: ZoneInfo) -> list[str]:
    """A sentence and a table of judged inspections, in the time of the room."""
    heads = ("key", "zone", "from", "to", "verdict", "reason", "error ± U, µm", "of tolerance", "title")
    return [
        f"{number_of(len(rows), 'inspection')}.",
        "",
        *table(heads, [_inspection_cells(row, zone) for row in rows]),
    ]


def _inspection_cells(row: Mapping[str, Any], zone: ZoneInfo) -> list[object]:
    begin, end = (
        None if row[name] is None else wall(parse(row[name], zone), zone) for name in ("from", "to")
    )
    thermal = row["thermal"] or {}
    error, U = thermal.get("nde_um"), thermal.get("U_um")
    figure = "" if error is None else f"{error:.2f}".replace("-", "−") + ("" if U is None else f" ± {U:.2f}")
    until = "still running" if end is None else end
    verdict = row["verdict"], row["reason"]
    return [row["key"], row["zone"], begin, until, *verdict, figure, row["share"], row["title"]]


def inspection_rows(session: Session, inspections: Sequence[Inspection]) -> list[dict[str, Any]]:
    """Each inspection with its verdict and µm, as plain data; registered ones with their revision."""
    from ..inspections.assess import question_of
    from ..inspections.batch import assess_many
    from ..inspections.revisions import revise_answers

    questions = [question_of(inspection, session.now_ns) for inspection in inspections]
    answers = assess_many(session.verdicts(), questions, session.now_ns)
    revisions = revise_answers(session.store, inspections, answers, session.now_ns, "command")
    return [
        inspection_row(inspection, answer)
        | {"revision": revisions[inspection.key].number if inspection.key in revisions else None}
        for inspection, answer in zip(inspections, answers, strict=True)
    ]


def inspection_row(inspection: Inspection, answer: BatchAnswer) -> dict[str, Any]:
    """An inspection and its answer as plain data."""
    facts = {
        "key": inspection.key,
        "zone": inspection.zone,
        "from": rfc3339(inspection.from_ns),
        "to": None if inspection.to_ns is None else rfc3339(inspection.to_ns),
        "title": inspection.title,
        "part": inspection.part,
        "material": inspection.material,
        "length_mm": inspection.length_mm,
        "tolerance_um": inspection.tolerance_um,
        "machine": inspection.machine,
        "person": inspection.person,
        "activity": inspection.activity,
    }
    if answer.assessment is None:
        nothing: dict[str, Any] = {
            "verdict": "not shown",
            "reason": answer.refused,
            "because": answer.refused,
            "reasons": [],
            "digest": None,
        }
        return facts | nothing | {"thermal": None, "U_um": None, "share": None}
    check = answer.assessment.check.to_dict()
    thermal = answer.assessment.thermal_json()
    share = thermal.get("share_of_tolerance") if thermal else None
    return facts | {
        "verdict": check["verdict"],
        "reason": check["reason"],
        "because": check["because"],
        "reasons": leading_first(check),
        "digest": check["digest"],
        "thermal": thermal,
        "U_um": None if not thermal or thermal.get("U_um") is None else round(thermal["U_um"], 3),
        "share": None if share is None else percent(share),
    }


def assessment_lines(session: Session, assessment: Assessment) -> list[str]:
    """The answer for a person: verdict, why, µm, words for the certificate, the line for the report."""
    from ..inspections.assess import NO_STATEMENT

    payload = assessment.to_dict()
    statement = payload["statement"] or NO_STATEMENT
    return [
        *check_lines(session, assessment.check),
        *_thermal_lines(assessment),
        "",
        f"  for the certificate: {statement}",
        f"  for the report: {payload['stamp']}",
    ]


def _thermal_lines(assessment: Assessment) -> list[str]:
    payload: Any = assessment.thermal_json()
    if payload is None:
        return []
    notices = [f"  note: {n}" for n in payload["notices"]]
    if not assessment.thermal:
        return ["", "  Thermal error: not shown.", *notices]
    from ..core.measurement.limit_derivation import scale_name

    worst = assessment.thermal[0]
    U = "" if worst.U_um is None else f", U {worst.U_um:.2f} µm (k = 2)"
    share = (
        "" if worst.share_of_tolerance is None else f", {percent(worst.share_of_tolerance)} of the tolerance"
    )
    by = "JCGM 100" if worst.adding_up == "gum" else "ASME B89.6.2"
    sides = payload["temperatures"]

    what = f"{worst.feature}, {worst.material} on {scale_name(worst.scale_material)}"
    rows = [
        (n, _figure(sides[n]["mean_C"]), f"{2 * sides[n]['u_K']:.3f}", sides[n]["how"])
        for n in ("part", "scale")
    ]
    way = "too long" if worst.nde_um >= 0 else "too short"
    return [
        "",
        f"  Thermal error of {what}, {worst.case}, by {by}:",
        f"  The part measures {abs(worst.nde_um):.2f} µm {way} (NDE){U}, drift {worst.ed_um:.2f} µm, "
        f"TVE {worst.tve_um:.2f} µm ({worst.tve_source}){share}.",
        *_index_lines(worst),
        "",
        *table(("temperature", "mean °C", "U K", "how"), rows),
        "",
        *table(("contribution", "µm"), [(c.name, f"{c.um:.3f}") for c in worst.contributions]),
        *notices,
    ]


def _index_lines(worst: Any) -> list[str]:
    if worst.tei_pct is None:
        return []
    return [f"  TEI {worst.tei_pct:.1f} % of the tolerance (ASME B89.6.2, UNDE {worst.unde_um:.2f} µm)."]


def check_lines(session: Session, result: Check) -> list[str]:
    """The answer for a person: the verdict, why, and what the channels read."""
    payload: Any = result.to_dict()
    name = session.setup.zone(result.zone).name
    when = wall_span(result.from_ns, result.to_ns, session.zone_info)
    head = f"{name}, {when}: {result.verdict} ({result.reason})."
    reasons = [_reason_row(session, r) for r in leading_first(payload)]
    heads = ("reason", "rule", "probe", "when", "worst", "limit", "U", "unit", "because")
    read = [
        (
            s.channel,
            *("–" if n is None else _statistic(n, s.unit) for n in (s.min, s.max, s.mean, s.span)),
            unit_name(s.unit),
            _share(s.share_conforming),
            _share(s.share_conforming_in_use),
        )
        for s in result.statistics
    ]
    return [
        head + (" Provisional: the last minutes may still change." if result.provisional else ""),
        "",
        f"  {result.because}",
        *(["", *table(heads, reasons)] if reasons else []),
        "",
        *table(("channel", "min", "max", "mean", "span", "unit", "conforming", "in hours of use"), read),
        "",
        *(f"  note: {notice}" for notice in result.notices),
        f"  decision rule: {result.decision_rule}; pre-window {duration(result.pre_window_s)}",
        f"  settings: {'; '.join(result.settings)}",
        f"  setup {result.setup[:12]}, {result.software}, digest {payload['digest'][:12]}",
    ]


def leading_first(check: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every reason, the one beside the verdict first; the others in the order in which reasons apply."""
    return [*filter(None, [check["leading"]]), *(r for r in check["reasons"] if r != check["leading"])]


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def _statistic(value: float, unit: str) -> str:
    return f"{to_printed_unit(value, unit):.{usual_decimals(unit)}f}"


def _share(share: float | None) -> str:
    return "" if share is None else percent(share)


def _reason_row(session: Session, r: Mapping[str, Any]) -> tuple[Any, ...]:
    before = "before " if r["pre_window"] else ""
    when = wall_span(
        parse(r["from"], session.zone_info), parse(r["to"], session.zone_info), session.zone_info
    )
    numbers = figures(
        *(None if r[k] is None else to_printed_unit(r[k], r["unit"]) for k in ("worst", "limit", "U"))
    )
    rule = session.setup.rule_names.get(r["rule"], r["rule"])
    return before + r["reason"], rule, r["probe"], when, *numbers, unit_name(r["unit"]), r["why"]
