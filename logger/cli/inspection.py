"""Registered inspections and excursions, each with its verdict or its worst value."""

from __future__ import annotations

from typing import Any

import typer

from ..instants import rfc3339
from ..model import NS, Excursion, Inspection
from ..told import excursion_json
from .check import decisive_first
from .opening import Opened, opened, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, AnyZone, Config, Data, Json
from .printing import answer, counted, duration, figures, table

inspection = typer.Typer(help="Inspections, each with its verdict.")
excursion = typer.Typer(help="Excursions: runs of a rule not met.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(inspection, name="inspection", no_args_is_help=True)
    app.add_typer(excursion, name="excursion", no_args_is_help=True)


@inspection.command("list")
def inspections(
    *,
    zone: AnyZone = None,
    start: AnyFrom = None,
    end: AnyTo = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Registered inspections with the verdict on each.

    \b
    Example:
      stillroom inspection list --zone machine-bay
    """
    from ..actions import inspections as registered

    with opened(data, config) as found:
        if zone is not None:
            found.setup.zone(zone)
        from_ns, to_ns = whole_or_interval(found, start, end)
        jobs = [j for j in registered(found.store, zone) if _touches(j, from_ns, to_ns) or not (start or end)]
        rows = [_inspection_json(found, job) for job in jobs]
    heads = ("key", "zone", "from", "to", "verdict", "reason", "title")
    lines = [
        f"{counted(len(rows), 'inspection')}.",
        "",
        *table(heads, [[row[h] for h in heads] for row in rows]),
    ]
    answer(rows, as_json, lines)


def _touches(job: Inspection, from_ns: int, to_ns: int) -> bool:
    return job.from_ns < to_ns and (job.to_ns is None or job.to_ns > from_ns)


def _inspection_json(found: Opened, job: Inspection) -> dict[str, Any]:
    end_ns = found.now_ns if job.to_ns is None else job.to_ns
    result = found.verdicts().check(job.zone, job.from_ns, end_ns, found.now_ns, activity=job.activity)
    reasons = decisive_first(dict(result.to_json()))
    return {
        "key": job.key,
        "zone": job.zone,
        "from": rfc3339(job.from_ns),
        "to": None if job.to_ns is None else rfc3339(job.to_ns),
        "title": job.title,
        "part": job.part,
        "material": job.material,
        "length_mm": job.length_mm,
        "tolerance_um": job.tolerance_um,
        "machine": job.machine,
        "person": job.person,
        "activity": job.activity,
        "verdict": result.verdict,
        "reason": reasons[0]["reason"] if reasons else "conforming",
        "reasons": reasons,
    }


@excursion.command("list")
def excursions(
    *,
    zone: AnyZone = None,
    start: AnyFrom = None,
    end: AnyTo = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Runs of a rule that was not met: when, worst value, how far beyond for how long, proven or not.

    \b
    Example:
      stillroom excursion list --from 2026-10-19 --to 2026-10-20
    """
    with opened(data, config) as found:
        if zone is not None:
            found.setup.zone(zone)
        from_ns, to_ns = whole_or_interval(found, start, end)
        rows = found.verdicts().excursions(zone, from_ns, to_ns, found.now_ns)
    heads = ("zone", "rule", "from", "for", "worst", "limit", "U", "unit", "probes", "proven", "decision")
    asked = sum(e.asks_disposition for e in rows)
    first = f"{counted(len(rows), 'excursion')}, {asked} of them to be decided on."
    lines = [first, "", *table(heads, [_excursion_row(e) for e in rows])]
    answer([excursion_json(e) for e in rows], as_json, lines)


def _excursion_row(e: Excursion) -> tuple[Any, ...]:
    lasted, proven = duration((e.to_ns - e.from_ns) / NS), "yes" if e.proven else "within U"
    asks = "asked" if e.asks_disposition else "not asked: outside hours of use"
    told = figures(e.worst, e.limit, e.U)
    return e.zone, e.rule, rfc3339(e.from_ns), lasted, *told, e.unit, " ".join(e.probes), proven, asks
