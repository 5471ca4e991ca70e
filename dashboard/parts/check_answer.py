"""The answer for one interval as people read it: a sentence, µm, reasons, statistics, the chart around it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from dash import html
from dash.development.base_component import Component

from logger.errors import IntervalError, Refused, you_entered
from logger.inspections.assess import NO_STATEMENT, Question, question_of
from logger.instants import NS, wall_span
from logger.model.figures import limit_text, value_text
from logger.model.plain_forms import AssessmentAnswer, CheckReason

from ..charts import figures
from ..charts.build import window_chart
from ..charts.local_axis import offsets_in
from ..data.queries import Queries
from ..data.words import difference_unit, in_read_units, instant, parse_ns, sentence, statistic, unit
from .components import behind, card, graph, key_to_trace, table, verdict
from .thermal_cards import thermal_cards
from .value_tables import period_table


def answer_card(q: Queries, query: Mapping[str, str]) -> Component:
    """The answer for one interval: a sentence, the reasons, the statistics, the chart around it."""
    zone, room = q.zone(query.get("zone", "")), q.room.timezone
    ends = instant(query["from"], room, wanted_in="From"), instant(query["to"], room, wanted_in="To")
    answer = q.assess(question(q, zone.key, ends, minutes(query.get("pre", "")), query))
    from_ns, to_ns = parse_ns(answer["from"]), parse_ns(answer["to"])
    return html.Div(
        [
            _words(q, zone.name, answer, query),
            html.Div(
                [
                    html.Div(
                        [
                            _chart(q, zone.key, from_ns, to_ns, int(answer["pre_window_s"])),
                            _reasons(q, answer),
                        ],
                        className="main-side",
                    ),
                    html.Div(
                        [
                            *thermal_cards(answer.get("thermal")),
                            card("For the report", *_for_reports(answer)),
                        ],
                        className="other-side",
                    ),
                ],
                className="two answer-body",
            ),
            behind("Statistics of the interval", _statistics(q, answer["statistics"])),
            html.P(
                f"Digest {answer['digest']} · setup {answer['setup']} · software {answer['software']}",
                className="provenance",
            ),
        ]
    )


def _words(q: Queries, name: str, answer: AssessmentAnswer, query: Mapping[str, str]) -> Component:
    room = q.room.timezone
    from_ns, to_ns = parse_ns(answer["from"]), parse_ns(answer["to"])
    title = f"{q.inspection(query['inspection']).title}: " if query.get("inspection") else ""
    when, settings = wall_span(from_ns, to_ns, ZoneInfo(room)), "; ".join(answer.get("settings", ()))
    return html.Section(
        [
            html.H2(
                [verdict(str(answer["verdict"]), str(answer["reason"])), *_accepted(answer.get("thermal"))],
                className="sentence",
            ),
            html.P(
                f"{title}{name}, {when}. {in_read_units(str(answer['because']))}",
                className="next-step",
                id="check-answer",
            ),
            *facts(answer.get("thermal")),
            html.P(
                sentence(str(answer["decision_rule"]))
                + ("" if "pre-window" in settings else f" Pre-window {answer['pre_window_s'] // 60} min.")
                + (" Provisional: the last minutes may still change." if answer.get("provisional") else ""),
                className="aside",
            ),
            html.P(sentence(settings), className="aside", id="check-settings"),
            *(html.P(f"{sentence(notice)}", className="aside") for notice in answer.get("notices", ())),
        ],
        className="answer",
    )


def _accepted(thermal: Mapping[str, Any] | None) -> list[str]:
    """The second half of the headline, where the laboratory has a rule for the share."""
    within = thermal.get("within_share") if thermal else None
    return [] if within is None else [". Accepted." if within else ". Not accepted."]


def facts(thermal: Mapping[str, Any] | None) -> list[Component]:
    """Error, share of the tolerance and the laboratory's rule, large; nothing without a length."""
    if not thermal or "nde_um" not in thermal:
        return []
    error, U = float(thermal["nde_um"]), thermal["U_um"]
    side = "too long" if error >= 0 else "too short"
    sum_of = f"U {U:.2f} µm (k = 2)" if U is not None else f"UNDE {thermal['unde_um']:.2f} µm"
    shown = [("Thermal error", f"{abs(error):.2f} µm {side}", sum_of)]
    share, tolerance = thermal["share_of_tolerance"], thermal["tolerance_um"]
    if share is not None:
        shown.append(("Share of the tolerance", f"{100 * share:.0f} %", f"error + U of {tolerance:g} µm"))
    allowed = thermal.get("share_allowed")
    if allowed is not None and thermal["within_share"] is not None:
        word = "accepted" if thermal["within_share"] else "not accepted"
        limit = f"allowed {allowed * tolerance:.2g} µm" if tolerance else "allowed"
        shown.append((f"Against your rule of {100 * allowed:g} %", word, limit))
    return [
        html.Dl(
            [html.Div([html.Dt(name), html.Dd([value, html.Small(note)])]) for name, value, note in shown],
            className="facts",
        )
    ]


def _chart(q: Queries, zone: str, from_ns: int, to_ns: int, pre_window_s: int) -> Component:
    """The interval with its pre-window and a quarter more on either side."""
    start = from_ns - pre_window_s * NS
    margin = max((to_ns - start) // 4, 1800 * NS)
    chart = window_chart(q, zone, "temperature", start - margin, min(to_ns + margin, q.now_ns()), marks=True)
    chart = figures.Chart(
        **{
            **chart.__dict__,
            "notes": [*chart.notes, (start, "pre-window"), (from_ns, "start"), (to_ns, "end")],
        }
    )
    label = "Temperature around the interval, with limits and verdict trace; tables follow."
    return html.Div(
        [
            card(
                "Around the interval",
                graph("check-graph", figures.build_figure(chart, 420), label, 420),
                aside=f"{unit('degC')}, corrected; local "
                f"{offsets_in(chart.from_ns, chart.to_ns, q.room.timezone)}",
            ),
            key_to_trace(),
            behind(
                "Periods",
                period_table(q.periods(zone, chart.from_ns, chart.to_ns), chart),
            ),
        ]
    )


def _reasons(q: Queries, answer: AssessmentAnswer) -> Component:
    """The reasons, runs of one rule joined, with the basis of their limits."""
    rows = [r for r in answer["reasons"] if r != answer["leading"]]
    reasons = [
        _joined_row(q, runs)
        for runs in joined_reasons([answer["leading"], *rows] if answer["leading"] else rows)
    ]
    if not reasons:
        return card("Reasons", html.P("None: all limits kept, guard band included."))
    head = ["reason", "rule", "probe", "when", "worst", "limit", "proven", "why"]
    head[3] = _shortened(reasons)
    if not any(row[-1] for row in reasons):
        head, reasons = head[:-1], [row[:-1] for row in reasons]
    caption = "The deciding one first; runs of a rule joined"
    return card(
        "Reasons",
        table(head, reasons, caption, figures=(3, 4, 5), stacks=True),
        *_bases(q, answer["reasons"]),
    )


def _shortened(rows: list[list[str]]) -> str:
    """Take day and offset out of the times of reasons that share them; gives the head of the column."""
    day, _, offset = rows[0][3].split(" ")[:3]
    alike = re.compile(rf"{day} [\d:]+ {re.escape(offset)} to (\d{{4}}-\d\d-\d\d )?[\d:]+(, \d+ times)?")
    if all(alike.fullmatch(row[3]) for row in rows):
        for row in rows:
            row[3] = row[3].replace(f"{day} ", "").replace(f" {offset}", "")
        return f"when, {day} {offset}"
    return "when"


def joined_reasons(reasons: Sequence[CheckReason]) -> list[list[CheckReason]]:
    """Runs of one rule for one reason together; their order is that of the first of each."""
    groups: dict[tuple[str, str, bool], list[CheckReason]] = {}
    for r in reasons:
        groups.setdefault((r["reason"], r["rule"], bool(r.get("pre_window"))), []).append(r)
    return list(groups.values())


def _joined_row(q: Queries, runs: Sequence[CheckReason]) -> list[str]:
    row = _reason_row(q, runs[0])
    if len(runs) > 1:
        first, last = min(parse_ns(r["from"]) for r in runs), max(parse_ns(r["to"]) for r in runs)
        row[2] = ", ".join(dict.fromkeys(r["probe"] for r in runs if r["probe"]))
        row[3] = f"{wall_span(first, last, ZoneInfo(q.room.timezone))}, {len(runs)} times"
    return row


def _reason_row(q: Queries, r: CheckReason) -> list[str]:
    worst = "" if r["worst"] is None else in_read_units(value_text(r["worst"], r["unit"], r["U"], r["limit"]))
    return [
        r["reason"] + (", before the start" if r.get("pre_window") else ""),
        q.setup.rule_names.get(r["rule"], r["rule"]),
        r["probe"],
        wall_span(parse_ns(r["from"]), parse_ns(r["to"]), ZoneInfo(q.room.timezone)),
        worst,
        "" if r["limit"] is None else in_read_units(limit_text(r["limit"], r["unit"])),
        "yes" if r["proven"] else "no",
        r.get("why", ""),
    ]


def _for_reports(answer: AssessmentAnswer) -> list[Component]:
    """The sentence for a certificate, and the line that leads from a report back to here."""
    statement = answer.get("statement") or NO_STATEMENT
    lines: list[Component] = [
        html.P(html.Q(statement) if answer.get("statement") else statement, id="check-statement")
    ]
    if answer.get("stamp"):
        lines.append(html.P(["Stamp: ", html.Code(answer["stamp"])], className="provenance"))
    return lines


def _bases(q: Queries, reasons: Sequence[CheckReason]) -> list[Component]:
    """Where the numbers of the limits come from, each rule once."""
    bases = {q.setup.rule_names.get(r["rule"], r["rule"]): r["basis"] for r in reasons if r["basis"]}
    return [html.P(f"Basis of {name}: {basis}", className="aside") for name, basis in bases.items()]


def _statistics(q: Queries, channels: Any) -> Component:
    rows = []
    statistics = channels.items() if isinstance(channels, Mapping) else ((s["channel"], s) for s in channels)
    for channel, s in statistics:
        share = s.get("share_conforming")
        name = q.probe_label(channel.partition(".")[0])
        quantity = s.get("quantity", channel.partition(".")[2]).replace("_", " ")
        span_unit = difference_unit(s["unit"])
        rows.append(
            [
                name,
                quantity,
                *(statistic(s[k], s["unit"]) for k in ("min", "max", "mean")),
                statistic(s["span"], span_unit),
                "–" if share is None else f"{100 * share:.1f} %",
            ]
        )
    return table(
        ["probe", "quantity", "least", "greatest", "mean", "span", "conforming"],
        rows,
        "Statistics of the interval",
        figures=range(2, 7),
    )


def question(
    q: Queries, zone: str, ends: tuple[int, int], pre_window_s: int | None, query: Mapping[str, str]
) -> Question:
    """What the address asks: of a registered inspection, or of what was filled in about a length."""
    from dataclasses import replace

    from logger.core.measurement.thermal_error import Work
    from logger.core.physics.expansion import material_of
    from logger.model import Inspection

    if query.get("inspection"):  # to the second as it was registered, not to the minute of the form
        job = q.inspection(query["inspection"])
        return replace(question_of(job, q.now_ns()), pre_window_s=pre_window_s)
    length, tolerance = (
        number(query.get(key, ""), name, measure)
        for key, name, measure in (("length", "Length", "mm"), ("tolerance", "Tolerance", "µm"))
    )
    material = query.get("material", "").strip()
    if length is not None and not material:
        raise Refused("Length: choose the part material to get the error in µm.")
    if material:
        material_of(material)  # refuses one that is not known, with those that are
    job = Inspection("", zone, *ends, "", material=material, length_mm=length, tolerance_um=tolerance)
    scale = material_of(query.get("scale") or "steel")
    work = Work(scale, compensated=query.get("corrected") == "yes")
    return replace(question_of(job, ends[1], work), pre_window_s=pre_window_s)


def number(text: str, name: str, measure: str) -> float | None:
    """A number that was filled in, in a unit; empty: None."""
    if not text.strip():
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise Refused(f"{name}: enter a number in {measure}.{you_entered(text)}") from None
    if not 0 < value < 1e6:
        raise Refused(f"{name}: enter a number above 0, in {measure}.{you_entered(text)}")
    return value


def minutes(text: str) -> int | None:
    """Seconds of a pre-window written in minutes; empty: the zone's own."""
    if not text.strip():
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise IntervalError(f"Pre-window: enter minutes, for example 120.{you_entered(text)}") from None
    if not 0 <= value <= 7 * 1440:
        raise IntervalError(f"Pre-window: enter 0 to 10080 minutes.{you_entered(text)}")
    return round(value * 60)
