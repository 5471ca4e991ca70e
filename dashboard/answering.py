"""The answer for one interval as people read it: a sentence, µm, reasons, statistics, the chart around it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

from logger.assessment import Question, question_of
from logger.errors import IntervalError, Refused
from logger.model import NS, VERDICT_OF

from . import figures
from .budget import thermal_cards
from .components import behind, card, graph, key_to_trace, period_table, table, verdict
from .local_axis import offsets_in
from .queries import Queries
from .wording import between, difference_unit, figure, instant, parsed, plain, sentence, statistic, unit


def answered(q: Queries, asked: Mapping[str, str]) -> Component:
    """The answer for one interval: a sentence, the reasons, the statistics, the chart around it."""
    zone, room = q.zone(asked.get("zone", "")), q.room.timezone
    from_ns, to_ns = (
        instant(asked["from"], room, wanted_in="From"),
        instant(asked["to"], room, wanted_in="To"),
    )
    pre_window_s = minutes(asked.get("pre", ""))
    found = q.assess(question(q, zone.key, (from_ns, to_ns), pre_window_s, asked))
    to_ns = min(to_ns, parsed(found["to"]))
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
    leading = leading_reason(found["reasons"])
    return html.Section(
        [
            html.H2(
                [verdict(str(found["verdict"]), leading["reason"] if leading else "conforming")],
                className="sentence",
            ),
            html.P(
                f"{title}{name}, {between(from_ns, to_ns, room)}. {_because(q, leading)}",
                className="next-step",
                id="check-answer",
            ),
            html.P(
                f"{sentence(str(found['decision_rule']))} Pre-window {found['pre_window_s'] // 60} min."
                + (" Provisional: the newest minutes may still change." if found.get("provisional") else ""),
                className="aside",
            ),
        ],
        className="answer",
    )


def leading_reason(reasons: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """Of the runs with the deciding reason, the one furthest beyond its limit.

    What was so inside the interval decides before what was so in its pre-window.
    """
    if not reasons:
        return None
    deciding = [r for r in reasons if VERDICT_OF[r["reason"]] == VERDICT_OF[reasons[0]["reason"]]]
    first = min(deciding, key=lambda r: bool(r.get("pre_window")))

    def rank(r: Mapping[str, Any]) -> tuple[bool, float]:
        known = r.get("worst") is not None and r.get("limit") is not None
        return not r.get("pre_window"), abs(r["worst"] - r["limit"]) if known else 0.0

    return max((r for r in deciding if r["reason"] == first["reason"]), key=rank)


def _because(q: Queries, leading: Mapping[str, Any] | None) -> str:
    if leading is None:
        return "Every rule was met, with room for the uncertainty of the probes."
    rule = _rule_name(q, leading["rule"])
    where = f" on {leading['probe']}" if leading.get("probe") else ""
    value = (
        f": {figure(leading['worst'], leading['unit'], leading['U'])}"
        if leading.get("worst") is not None
        else ""
    )
    limit = f", limit {plain(leading['limit'], leading['unit'])}" if leading.get("limit") is not None else ""
    why = f" ({leading['why']})" if leading.get("why") else ""
    return sentence(f"{leading['reason']}: {rule}{where}{value}{limit}{why}")


def _chart(q: Queries, zone: str, from_ns: int, to_ns: int, pre_window_s: int) -> Component:
    """The interval with its pre-window and a quarter more on either side."""
    start = from_ns - pre_window_s * NS
    margin = max((to_ns - start) // 4, 1800 * NS)
    chart = q.chart(zone, "temperature", start - margin, min(to_ns + margin, q.now_ns()), marks=True)
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
    room = q.room.timezone
    reasons = [
        [
            r["reason"] + (", pre-window" if r.get("pre_window") else ""),
            _rule_name(q, r["rule"]),
            r["probe"],
            between(parsed(r["from"]), parsed(r["to"]), room),
            figure(r["worst"], r["unit"], r["U"]) if r["worst"] is not None else "",
            plain(r["limit"], r["unit"]) if r["limit"] is not None else "",
            "yes" if r["proven"] else "no",
            r.get("why", ""),
        ]
        for r in found["reasons"]
    ]
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

    from logger.model import Inspection
    from logger.physics.expansion import material_of
    from logger.thermal_error import Work

    if asked.get("inspection"):
        return replace(
            question_of(q.inspection(asked["inspection"]), ends[1]), pre_window_s=pre_window_s, to_ns=ends[1]
        )
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
