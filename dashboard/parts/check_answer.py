"""The answer for one interval as people read it: a sentence, µm, reasons, statistics, the chart around it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from dash import html
from dash.development.base_component import Component

from logger.errors import IntervalError, Refused
from logger.inspections.assess import Question, question_of
from logger.instants import NS, wall_span
from logger.model.figures import limit_text, value_text

from ..charts import figures
from ..charts.build import window_chart
from ..charts.local_axis import offsets_in
from ..data.queries import Queries
from ..data.words import difference_unit, instant, parsed, sentence, spoken, statistic, unit
from .components import behind, card, graph, key_to_trace, period_table, table, verdict
from .thermal_cards import thermal_cards


def answered(q: Queries, asked: Mapping[str, str]) -> Component:
    """The answer for one interval: a sentence, the reasons, the statistics, the chart around it."""
    zone, room = q.zone(asked.get("zone", "")), q.room.timezone
    ends = instant(asked["from"], room, wanted_in="From"), instant(asked["to"], room, wanted_in="To")
    found = q.assess(question(q, zone.key, ends, minutes(asked.get("pre", "")), asked))
    from_ns, to_ns = parsed(found["from"]), parsed(found["to"])
    return html.Div(
        [
            _words(q, zone.name, found, asked),
            *thermal_cards(found.get("thermal")),
            _chart(q, zone.key, from_ns, to_ns, int(found["pre_window_s"])),
            _tables(q, found),
        ]
    )


def _words(q: Queries, name: str, found: Mapping[str, Any], asked: Mapping[str, str]) -> Component:
    room = q.room.timezone
    from_ns, to_ns = parsed(found["from"]), parsed(found["to"])
    title = f"{q.inspection(asked['inspection']).title}: " if asked.get("inspection") else ""
    when = wall_span(from_ns, to_ns, ZoneInfo(room))
    return html.Section(
        [
            html.H2([verdict(str(found["verdict"]), str(found["reason"]))], className="sentence"),
            html.P(
                f"{title}{name}, {when}. {spoken(str(found['because']))}",
                className="next-step",
                id="check-answer",
            ),
            html.P(
                f"{sentence(str(found['decision_rule']))} Pre-window {found['pre_window_s'] // 60} min."
                + (" Provisional: the last minutes may still change." if found.get("provisional") else ""),
                className="aside",
            ),
            html.P(sentence("; ".join(found.get("settings", ()))), className="aside", id="check-settings"),
            *(html.P(f"{sentence(notice)}", className="aside") for notice in found.get("notices", ())),
        ],
        className="answer",
    )


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
                graph("check-graph", figures.build(chart, 420), label, 420),
                aside=f"{unit('degC')}, corrected; {offsets_in(chart.from_ns, chart.to_ns, q.room.timezone)}",
            ),
            key_to_trace(),
            behind(
                "Periods",
                period_table(q.periods(zone, chart.from_ns, chart.to_ns), q.room.timezone, chart.zone),
            ),
        ]
    )


def _tables(q: Queries, found: Mapping[str, Any]) -> Component:
    rows = [r for r in found["reasons"] if r != found["leading"]]
    reasons = [_reason_row(q, r) for r in ([found["leading"], *rows] if found["leading"] else rows)]
    head = ["reason", "rule", "probe", "when", "worst", "limit", "proven", "why"]
    return html.Div(
        [
            table(head, reasons, "Reasons", figures=(3, 4, 5)),
            *_bases(q, found["reasons"]),
            _statistics(q, found["statistics"]),
            *_for_reports(found),
            html.P(
                f"Digest {found['digest']} · setup {found['setup']} · software {found['software']}",
                className="provenance",
            ),
        ]
    )


def _reason_row(q: Queries, r: Mapping[str, Any]) -> list[str]:
    worst = "" if r["worst"] is None else spoken(value_text(r["worst"], r["unit"], r["U"], r["limit"]))
    return [
        r["reason"] + (", pre-window" if r.get("pre_window") else ""),
        _rule_name(q, r["rule"]),
        r["probe"],
        wall_span(parsed(r["from"]), parsed(r["to"]), ZoneInfo(q.room.timezone)),
        worst,
        "" if r["limit"] is None else spoken(limit_text(r["limit"], r["unit"])),
        "yes" if r["proven"] else "no",
        r.get("why", ""),
    ]


def _for_reports(found: Mapping[str, Any]) -> list[Component]:
    """The sentence for a certificate, and the line that leads from a report back to here."""
    told = (
        found.get("statement")
        or "What is not shown is not certified: there is no sentence for a certificate."
    )
    lines: list[Component] = [
        html.P(["For the certificate: ", html.Q(told) if found.get("statement") else told])
    ]
    if found.get("stamp"):
        lines.append(html.P(["For the report: ", html.Code(found["stamp"])], className="provenance"))
    return lines


def _bases(q: Queries, reasons: Sequence[Mapping[str, Any]]) -> list[Component]:
    """Where the numbers of the limits come from, each rule once."""
    bases = {_rule_name(q, r["rule"]): r["basis"] for r in reasons if r["basis"]}
    return [html.P(f"Basis of {name}: {basis}", className="aside") for name, basis in bases.items()]


def _rule_name(q: Queries, key: str) -> str:
    return next((r.name for r in q.setup.rules if r.key == key), key)


def _statistics(q: Queries, found: Any) -> Component:
    rows = []
    each = found.items() if isinstance(found, Mapping) else ((s["channel"], s) for s in found)
    for channel, s in each:
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
    q: Queries, zone: str, ends: tuple[int, int], pre_window_s: int | None, asked: Mapping[str, str]
) -> Question:
    """What the address asks: of a registered inspection, or of what was filled in about a length."""
    from dataclasses import replace

    from logger.core.measurement.thermal_error import Work
    from logger.core.physics.expansion import material_of
    from logger.model import Inspection

    if asked.get("inspection"):  # to the second as it was registered, not to the minute of the form
        job = q.inspection(asked["inspection"])
        return replace(question_of(job, q.now_ns()), pre_window_s=pre_window_s)
    length, tolerance = (
        number(asked.get(k, ""), name) for k, name in (("length", "Length"), ("tolerance", "Tolerance"))
    )
    material = asked.get("material", "").strip()
    if length is not None and not material:
        raise Refused("Length: wanted a material, too; how much a length moves depends on it.")
    if material:
        material_of(material)  # refuses one that is not known, with those that are
    job = Inspection("", zone, *ends, "", material=material, length_mm=length, tolerance_um=tolerance)
    scale = material_of(asked.get("scale") or "steel")
    work = Work(scale, compensated=asked.get("corrected") == "yes")
    return replace(question_of(job, ends[1], work), pre_window_s=pre_window_s)


def number(text: str, name: str) -> float | None:
    """A number that was filled in; empty: None."""
    if not text.strip():
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise Refused(f"{name}: wanted a number, found {text!r}.") from None
    if not 0 < value < 1e6:
        raise Refused(f"{name}: wanted a number above 0, found {text}.")
    return value


def minutes(text: str) -> int | None:
    """Seconds of a pre-window written in minutes; empty: the zone's own."""
    if not text.strip():
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise IntervalError(f"Pre-window: wanted minutes such as 120, found {text!r}.") from None
    if not 0 <= value <= 7 * 1440:
        raise IntervalError(f"Pre-window: wanted 0 to 10080 minutes, found {text}.")
    return round(value * 60)
