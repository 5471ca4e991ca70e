"""Thermal rows for an uncertainty budget, of a zone by activity or of one inspection."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from ..errors import Refused
from ..instants import NS, wall_span
from ..model.figures import percent
from .context import Session, open_session, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, Config, Data, Json, Zone
from .output import answer, table

MONTH_NS = 30 * 86_400 * NS
READABLE = {"1/K": "µm/(m·K)", "1": "µm/m"}  # how a unit is printed; data keep the one of the SI
HEADS = ("symbol", "value", "u", "unit", "distribution", "nm per unit", "u nm", "of what")


def budget(
    *,
    zone: Zone,
    length_mm: Annotated[float, typer.Option("--length-mm", metavar="MM", help="Measured length.")],
    material: Annotated[str, typer.Option("--material", metavar="NAME", help="Material of the part.")],
    scale_material: Annotated[
        str, typer.Option("--scale-material", metavar="NAME", help="Material of the machine's scale.")
    ] = "steel",
    activity: Annotated[
        str | None,
        typer.Option("--activity", metavar="NAME", help="Only this activity; default: each of the zone."),
    ] = None,
    hours: Annotated[
        float, typer.Option("--hours", metavar="H", help="How long one inspection takes, for the drift.")
    ] = 1.0,
    start: AnyFrom = None,
    end: AnyTo = None,
    csv_file: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Also write the rows to this file.")
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Rows for a budget (JCGM 100): L, α, δα, θ, δθ and drift, for each activity of a zone.

    Temperatures are those of the time when the limits of the activity were kept in the hours of use; of the
    last 30 days of the record, unless --from and --to say otherwise.

    \b
    Example:
      stillroom inspection budget --zone machine-bay --length-mm 420 --material aluminium
    """
    from ..core.physics.expansion import material_of
    from ..inspections.budget import ActivityBudget, BudgetQuestion, activities, activity_budget

    for option, value, most in (("--length-mm", length_mm, 1e6), ("--hours", hours, 48.0)):
        if not 0 < value <= most:
            raise Refused(f"{option}: expected a number above 0, at most {most:g}, found {value:g}.")
    with open_session(data, config) as session:
        session.setup.zone(zone)
        names = activities(session.setup, zone)
        if activity is not None and activity not in names:
            choices = ", ".join(n for n in names if n) or "none but the general limits"
            raise Refused(f"--activity: expected one of {choices}; found {activity!r}.")
        span = _span(session, zone, start, end)
        work = (*span, length_mm, material_of(material), material_of(scale_material), hours)
        budgets, refused = list[ActivityBudget](), list[str]()
        for name in names if activity is None else [activity]:
            try:
                question = BudgetQuestion(zone, name, *work)
                budgets.append(activity_budget(session.verdicts(), question, session.now_ns))
            except Refused as why:
                refused.append(str(why))
        if not budgets:
            raise Refused(" ".join(refused))
        title = wall_span(*span, session.zone_info)
    content = {"zone": zone, "length_mm": length_mm, "material": material, "scale": scale_material,
               "budgets": [b.to_dict() for b in budgets], "notices": refused}  # fmt: skip
    if csv_file is not None:
        from ..store.files import write_durably

        write_durably(csv_file, csv_rows(content["budgets"]))  # type: ignore[arg-type]
    head = f"{length_mm:g} mm of {material} on {scale_material}, zone {zone}, {title}."
    lines = [head, *(line for b in content["budgets"] for line in ["", *budget_lines(b)])]  # type: ignore[attr-defined]
    answer(content, as_json, [*lines, *(f"note: {text}" for text in refused)])


def _span(session: Session, zone: str, start: str | None, end: str | None) -> tuple[int, int]:
    if start or end:
        return whole_or_interval(session, start, end)
    extent = session.store.readings.extent(session.setup.channels_in(zone))
    if extent is None:
        raise Refused(f"There are no readings of zone {zone!r} yet; import some with `stillroom import`.")
    return max(extent[0], extent[1] - MONTH_NS), extent[1] + 1


def budget_lines(content: Mapping[str, Any]) -> list[str]:
    """The rows of one activity as a table, with what they add up to."""
    name = content.get("activity")
    head = []
    if name is not None:
        share = f"stable {percent(content['stable_share'])} of the time"
        head = [f"Activity {name!r}, {share}:" if name else f"General limits, {share}:"]
    rows = [
        (
            r["symbol"], *_quantity(r), r["distribution"],
            _figure(r["sensitivity"] * _scale(r)), f"{r['u_nm']:.1f}", r["name"],
        )
        for r in content["rows"]
    ]  # fmt: skip
    side = "too short" if content["effect_nm"] < 0 else "too long"
    total = (
        f"  thermal: the part measures {abs(content['effect_nm']):.1f} nm {side}, "
        f"u {content['u_nm']:.1f} nm, U {content['U_nm']:.1f} nm (k = 2)"
    )
    return [*head, *table(HEADS, rows), total]


def _quantity(row: Mapping[str, Any]) -> tuple[str, str, str]:
    """Value, u and unit as a budget of the trade has them: an expansion in µm/(m·K), not in 1/K.

    >>> _quantity({"value": 1.15e-5, "u": 6.64e-7, "unit": "1/K"})
    ('11.5', '0.664', 'µm/(m·K)')
    """
    unit, scale = READABLE.get(row["unit"], row["unit"]), _scale(row)
    return _figure(row["value"] / scale), _figure(row["u"] / scale), unit


def _scale(row: Mapping[str, Any]) -> float:
    return 1e-6 if row["unit"] in READABLE else 1.0


def _figure(value: float) -> str:
    """Three digits; no exponent below a million.

    >>> _figure(4873.2), _figure(0.0526), _figure(0)
    ('4870', '0.0526', '0')
    """
    return f"{float(f'{value:.3g}'):g}"


def csv_rows(budgets: Sequence[Mapping[str, Any]]) -> bytes:
    """Rows of every activity as CSV, figures unrounded."""
    import csv
    import io

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    names = ("symbol", "name", "value", "u", "unit", "distribution", "sensitivity", "u_nm")
    writer.writerow(("activity", *names))
    for b in budgets:
        for row in b["rows"]:
            writer.writerow((b.get("activity", ""), *(row[n] for n in names)))
    return out.getvalue().encode()
