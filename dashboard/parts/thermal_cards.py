"""The thermal error of an inspection as people read it: µm against the tolerance, and the temperatures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from dash import html
from dash.development.base_component import Component

from logger.core.measurement.limit_derivation import scale_name

from ..data.words import figure
from .components import behind, card, svg, table

WIDTH, ROW, LEFT, RIGHT = 400, 26, 208, 62
BY = {"gum": "JCGM 100 and ISO/TR 16015", "b89": "ASME B89.6.2"}


def thermal_cards(thermal: Mapping[str, Any] | None) -> list[Component]:
    """The card with the budget; nothing where no length was asked about."""
    if not thermal:
        return []
    notes = [html.P(n[0].upper() + n[1:] + ".", className="aside") for n in thermal["notices"]]
    if "nde_um" not in thermal:
        return [card("Thermal error", html.P("Not shown."), *notes)]
    scale = scale_name(thermal["scale_material"])
    aside = f"{thermal['material']} on {scale}, {thermal['case']}, by {BY[thermal['adding_up']]}"
    rows = bars(thermal)
    return [
        card(
            "Thermal error",
            html.P(words(thermal), className="next-step", id="thermal-answer"),
            svg(drawing(rows, thermal["tolerance_um"])),
            behind(
                "Figures of the budget", table(["contribution", "µm"], _figures(rows), "Budget", figures=(1,))
            ),
            *_rows(thermal.get("budget")),
            _temperatures(thermal["temperatures"]),
            *notes,
            aside=aside,
        )
    ]


def words(thermal: Mapping[str, Any]) -> str:
    """What a person would say of it."""
    corrected = thermal["case"].endswith("20 °C and corrected")
    way = "too long" if thermal["nde_um"] >= 0 else "too short"
    bias = f"{thermal['feature']}: the part measures {abs(thermal['nde_um']):.2f} µm {way}"
    bias += " before correction" if corrected else ""
    total = (
        f"U {thermal['U_um']:.2f} µm (k = 2)"
        if thermal["U_um"] is not None
        else f"UNDE {thermal['unde_um']:.2f} µm"
    )
    share = thermal["share_of_tolerance"]
    of = ""
    if share is not None:
        of = f" Error + U: {100 * share:.0f} % of the tolerance of {thermal['tolerance_um']:g} µm."
    allowed = (
        "" if thermal.get("share_allowed") is None else f": {100 * thermal['share_allowed']:g} % is allowed"
    )
    within = {True: f" Accepted{allowed}.", False: f" Not accepted{allowed}.", None: ""}
    tve = f" Variation {thermal['tve_um']:.2f} µm ({thermal['tve_source']})."
    tei = "" if thermal["tei_pct"] is None else f" Thermal error index {thermal['tei_pct']:.0f} %."
    return f"{bias}, {total}.{of}{within[thermal['within_share']]}{tve}{tei}"


def bars(thermal: Mapping[str, Any]) -> list[tuple[str, float, str]]:
    """Name, µm and kind of each bar: the bias, what is uncertain at k = 2 (or as bounds), the whole."""
    k = thermal["k"] or 1.0
    lines = [(c["name"], k * c["um"], "part") for c in thermal["contributions"] if k * c["um"] >= 0.0005]
    if thermal["adding_up"] == "b89":
        return [*lines, ("sum", sum(um for _, um, _ in lines), "whole")]
    bias = (
        0.0
        if "not corrected" not in thermal["case"] and "at 20" not in thermal["case"]
        else abs(thermal["nde_um"])
    )
    first = [("differential expansion, not corrected", bias, "bias")] if bias else []
    U = [("combined uncertainty U (k = 2)", float(thermal["U_um"]), "whole")]
    return [*first, *lines, *U, ("error + U", bias + float(thermal["U_um"]), "whole")]


def drawing(rows: Sequence[tuple[str, float, str]], tolerance_um: float | None) -> str:
    """Bars on one axis in µm; the tolerance as a mark where it fits, else as a word at the end."""
    largest = max([um for _, um, _ in rows] or [1.0]) or 1.0
    fits = tolerance_um is not None and tolerance_um <= 4 * largest
    reach = 1.05 * (max(largest, tolerance_um or 0.0) if fits else largest)
    scale = (WIDTH - LEFT - RIGHT) / reach
    height = ROW * len(rows) + 34
    parts = [_bar(i, row, scale) for i, row in enumerate(rows)]
    base = ROW * len(rows) + 4
    parts.append(f'<line class="scale-line" x1="{LEFT}" y1="{base}" x2="{WIDTH - RIGHT}" y2="{base}"/>')
    if tolerance_um is not None:
        parts.append(_tolerance(tolerance_um, scale, base, fits=fits))
    label = "; ".join(f"{name} {um:.2f} µm" for name, um, _ in rows)
    of = "" if tolerance_um is None else f"; tolerance {tolerance_um:g} µm"
    return (
        f'<svg viewBox="0 0 {WIDTH} {height}" class="budget" role="img" aria-label="{escape(label + of)}">'
        f"{''.join(parts)}</svg>"
    )


def _bar(place: int, row: tuple[str, float, str], scale: float) -> str:
    name, um, kind = row
    y, width = ROW * place, max(um * scale, 1.5)
    named = f'x="{LEFT - 8}" y="{y + 17}" text-anchor="end"'
    return (
        f'<text class="scale-name" {named}>{escape(_short(name))}</text>'
        f'<rect class="budget-{kind}" x="{LEFT}" y="{y + 5}" width="{width:.1f}" height="{ROW - 10}"/>'
        f'<text class="scale-value" x="{LEFT + width + 6:.1f}" y="{y + 17}">{um:.2f} µm</text>'
    )


def _short(name: str) -> str:
    return {"differential expansion, not corrected": "expansion, not corrected"}.get(name, name)


def _tolerance(um: float, scale: float, base: float, *, fits: bool) -> str:
    if not fits:
        return (
            f'<text class="scale-limit-text" x="{WIDTH - RIGHT}" y="{base + 20}" text-anchor="end">'
            f"tolerance {um:g} µm ({um * scale / (WIDTH - LEFT - RIGHT):.0f} × this axis)</text>"
        )
    x = LEFT + um * scale
    return (
        f'<line class="scale-limit" x1="{x:.1f}" y1="0" x2="{x:.1f}" y2="{base + 6}"/>'
        f'<text class="scale-limit-text" x="{x:.1f}" y="{base + 20}" text-anchor="end">'
        f"tolerance {um:g} µm</text>"
    )


def _figures(rows: Sequence[tuple[str, float, str]]) -> list[list[str]]:
    return [[name, f"{um:.3f}"] for name, um, _ in rows]


def _rows(budget: Mapping[str, Any] | None) -> list[Component]:
    """Rows for the laboratory's own budget, by JCGM 100; nothing where there are none."""
    if budget is None:
        return []
    heads = ["quantity", "value", "u", "unit", "distribution", "u of the length, nm"]
    rows = [
        [
            f"{r['symbol']}: {r['name']}", f"{r['value']:.3g}", f"{r['u']:.3g}", r["unit"], r["distribution"],
            f"{r['u_nm']:.1f}",
        ]
        for r in budget["rows"]
    ]  # fmt: skip
    total = f"Together u {budget['u_nm']:.1f} nm, U {budget['U_nm']:.1f} nm (k = 2)."
    name = "Rows for your own budget"
    return [behind(name, html.Div([table(heads, rows, name, figures=(1, 2, 5)), html.P(total)]))]


def _temperatures(thermal: Mapping[str, Any]) -> Component:
    """Part, scale and air as the judgement used them."""
    rows = [[name, _mean(thermal[name]), _source(thermal[name])] for name in ("part", "scale")]
    span = thermal["air_span_K"]
    moved = "" if span is None else f"Air: span {figure(span, 'K')} from mastering to the end."
    heads = ["temperature", "mean, U (k = 2)", "how"]
    return html.Div([table(heads, rows, "Temperatures used", figures=(1,)), html.P(moved, className="aside")])


def _mean(body: Mapping[str, Any]) -> str:
    u = body["u_K"]
    return figure(body["mean_C"], "degC", None if u is None else 2 * u)


def _source(body: Mapping[str, Any]) -> str:
    """How the temperature of a body is known, and by which probes."""
    probes = ", ".join(dict.fromkeys(channel.rpartition(".")[0] for channel in body["channels"]))
    return f"{body['how']}: {probes}" if probes else str(body["how"])
