"""Inspections: started, stopped, imported, each with its verdict; which of them something touches."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import Refused
from ..instants import parse, rfc3339
from ..model import Inspection
from ..model.roles import Act
from .answers import answered, lines_of
from .authority import authorised
from .context import Opened, opened, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, AnyZone, Config, Data, Json, Who, Zone
from .output import answer, counted, table

if TYPE_CHECKING:
    from ..inspections.impact import Touched

inspection = typer.Typer(help="Inspections, each with its verdict.")

Key = Annotated[str, typer.Argument(metavar="KEY", help="Key of the inspection.")]
Title = Annotated[str, typer.Option("--title", metavar="TEXT", help="What is measured.")]
Text = Annotated[str, typer.Option(metavar="TEXT")]
OutFile = Annotated[Path, typer.Argument(metavar="FILE", help="CSV or workbook: key, zone, from, to, …")]


def add_to(app: typer.Typer) -> None:
    app.add_typer(inspection, name="inspection", no_args_is_help=True)


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
    """Registered inspections with the verdict on each, and by how many µm each may have erred.

    \b
    Example:
      stillroom inspection list --zone machine-bay
    """
    from ..acts.inspections import inspections as registered

    with opened(data, config) as found:
        if zone is not None:
            found.setup.zone(zone)
        from_ns, to_ns = whole_or_interval(found, start, end)
        jobs = [j for j in registered(found.store, zone) if _touches(j, from_ns, to_ns) or not (start or end)]
        rows = answered(found, jobs)
    answer(rows, as_json, lines_of(rows))


def _touches(job: Inspection, from_ns: int, to_ns: int) -> bool:
    return job.from_ns < to_ns and (job.to_ns is None or job.to_ns > from_ns)


@inspection.command("start")
def start(
    title: Annotated[str, typer.Argument(metavar="TITLE", help="What is measured.")],
    *,
    zone: Zone,
    key: Text = "",
    part: Text = "",
    material: Text = "",
    length_mm: Annotated[float | None, typer.Option(metavar="MM")] = None,
    tolerance_um: Annotated[float | None, typer.Option(metavar="UM", help="Full width.")] = None,
    machine: Text = "",
    activity: Text = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """An inspection begins now. Says whether the room is fit for it at this moment.

    \b
    Example:
      stillroom inspection start "Gear case 7" --zone machine-bay --part "GC-114 no. 7"
    """
    from ..inspections.readiness import begin, ready

    with opened(data, config) as found:
        verdicts, name = found.verdicts(), authorised(found.store, who, Act.INSPECT)
        job = Inspection(
            key, zone, 0, None, title, part, material, length_mm, tolerance_um, machine, name, activity
        )
        made = begin(found.store, found.setup, job, name, found.now_ns)
        told = ready(verdicts, zone, found.now_ns, activity)
    payload = {"key": made.key, "zone": zone, "from": rfc3339(made.from_ns), "ready": told.to_json()}
    answer(payload, as_json, [f"Inspection {made.key} has begun.", told.sentence])


@inspection.command("stop")
def stop(
    key: Key,
    *,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """An inspection ends now; its verdict so far.

    \b
    Example:
      stillroom inspection stop I-2701
    """
    from ..acts.inspections import stop_inspection

    with opened(data, config) as found:
        name = authorised(found.store, who, Act.INSPECT)
        job = stop_inspection(found.store, key, name, found.now_ns)
        (row,) = answered(found, [job])
    answer(row, as_json, [f"Inspection {key} has ended: {row['verdict']} ({row['reason']})."])


@inspection.command("issues")
def issues(
    key: Key,
    *,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Every issue of the verdict on an inspection: what changed, and when.

    \b
    Example:
      stillroom inspection issues I-2603
    """
    from ..inspections.revisions import issues as issued

    with opened(data, config) as found:
        rows = [vars(i) | {"at": rfc3339(i.at_ns)} for i in issued(found.store).get(key, [])]
    heads = ("number", "at", "verdict", "reason", "difference", "digest")
    lines = [f"{counted(len(rows), 'issue')}.", "", *table(heads, [[r[h] for h in heads] for r in rows])]
    answer(rows, as_json, lines)


@inspection.command("ready")
def ready_now(
    *,
    zone: Zone,
    activity: Text = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """May I start now in this zone? If not, when, and why not.

    Exits with 0 where it may start, with 10 where it may not, with 11 where the record cannot say.

    \b
    Example:
      stillroom inspection ready --zone machine-bay
    """
    from ..inspections.readiness import ready

    with opened(data, config) as found:
        told = ready(found.verdicts(), zone, found.now_ns, activity)
    answer(told.to_json(), as_json, [told.sentence])
    unknown = told.reason in ("indeterminate", "guard band")
    raise typer.Exit(0 if told.may_start else 11 if unknown else 10)


@inspection.command("import")
def imported(
    file: OutFile,
    *,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Judge the list, register nothing.")] = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Register the inspections of a list and judge all of them; all or none, and none twice.

    \b
    Example:
      stillroom inspection import jobs.xlsx
    """
    from ..acts.inspections import add_inspections
    from ..inspections.lists import read_list

    with opened(data, config) as found:
        jobs = [one.job for one in read_list(file, found.zone_info)]
        if not dry_run:
            name = authorised(found.store, who, Act.INSPECT)
            add_inspections(found.store, found.setup, jobs, name)
        rows = answered(found, jobs)
    answer(rows, as_json, lines_of(rows))


@inspection.command("impact")
def impact(
    *,
    zone: AnyZone = None,
    at: Annotated[str | None, typer.Option("--at", metavar="TIME", help="A time in an excursion.")] = None,
    rule: Annotated[str, typer.Option("--rule", metavar="RULE", help="Its rule, where several.")] = "",
    probe: Annotated[
        str | None, typer.Option("--probe", metavar="PROBE", help="A probe that was wrong.")
    ] = None,
    certificate: Annotated[
        str | None, typer.Option("--certificate", metavar="NUMBER", help="A certificate that was wrong.")
    ] = None,
    position: Annotated[
        str | None, typer.Option("--position", metavar="KEY", help="A position that was not as set up.")
    ] = None,
    start: AnyFrom = None,
    end: AnyTo = None,
    error_K: Annotated[
        float | None, typer.Option("--error-K", metavar="K", help="By how much the probe was wrong.")
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Which inspections does this touch, the worst first, and what was decided on each?

    \b
    Examples:
      stillroom inspection impact --zone machine-bay --at 2026-10-19T05:30
      stillroom inspection impact --probe P2 --from 2026-10-15 --to 2026-10-20 --error-K 0.3
      stillroom inspection impact --certificate AL-1234
    """
    with opened(data, config) as found:
        found_ = _impact(found, (zone, at, rule), (probe, certificate, position), (start, end), error_K)
    answer([t.to_json() for t in found_], as_json, touched_lines(found_))


def _impact(
    found: Opened,
    excursion: tuple[str | None, str | None, str],
    wrong: tuple[str | None, str | None, str | None],
    span: tuple[str | None, str | None],
    error_K: float | None,
) -> list[Touched]:
    from ..inspections import impact as affected

    (zone, at, rule), (probe, certificate, position) = excursion, wrong
    verdicts, now_ns = found.verdicts(), found.now_ns
    given = [name for name in (at, probe, certificate, position) if name is not None]
    if len(given) != 1 or (at is not None and zone is None):
        raise Refused("Wanted one of: --zone with --at, --probe, --certificate, --position.")
    if zone is not None and at is not None:
        at_ns = parse(at, found.zone_info, "--at")
        e = affected.excursion_at(verdicts, zone, at_ns, now_ns, rule)
        return affected.by_excursion(verdicts, e, now_ns)
    if certificate is not None:
        return affected.by_certificate(verdicts, certificate, now_ns, error_K)
    ends = whole_or_interval(found, *span)
    if probe is not None:
        return affected.by_probe(verdicts, probe, ends, now_ns, error_K)
    return affected.by_position(verdicts, str(position), ends, now_ns)


def touched_lines(touched: Sequence[Touched]) -> list[str]:
    """What is touched, for a person."""
    rows = [
        (
            t.job.key,
            t.job.title,
            t.verdict,
            "?" if t.effect_um is None else f"{t.effect_um:.2f}",
            t.job.tolerance_um,
            "?" if t.share is None else f"{t.share:.1%}",
            t.decided.decision if t.decided else "open",
        )
        for t in touched
    ]
    left = sum(t.decided is None for t in touched)
    heads = ("inspection", "title", "verdict", "effect µm", "tolerance µm", "share", "decision")
    return [f"{counted(len(rows), 'inspection')} touched, {left} to be decided on.", "", *table(heads, rows)]


@inspection.command("decide")
def decide(
    key: Key,
    *,
    zone: Zone,
    at: Annotated[str, typer.Option("--at", metavar="TIME", help="A time in the excursion that touches it.")],
    rule: Annotated[str, typer.Option("--rule", metavar="RULE", help="Its rule, where several.")] = "",
    decision: Annotated[
        str,
        typer.Option(
            "--decision", metavar="WORD", help="stands; stands, corrected; measure again; withdrawn."
        ),
    ],
    customer: Annotated[
        str,
        typer.Option("--customer", metavar="TEXT", help="What the customer must be told, or why nothing."),
    ],
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason.")],
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Decide on an inspection that an excursion touches.

    \b
    Example:
      stillroom inspection decide I-2603 --zone machine-bay --at 2026-10-19T05:30 \\
        --decision "measure again" --customer "delivery a day later" --why "4 µm of 12 µm"
    """
    from ..inspections import impact as affected

    with opened(data, config) as found:
        name = authorised(found.store, who, Act.DECIDE)
        verdicts = found.verdicts()
        e = affected.excursion_at(verdicts, zone, parse(at, found.zone_info, "--at"), found.now_ns, rule)
        touched = {t.job.key: t for t in affected.by_excursion(verdicts, e, found.now_ns)}
        if key not in touched:
            raise Refused(
                f"This excursion does not touch {key!r}; it touches: {', '.join(touched) or 'none'}."
            )
        words = {"decision": decision, "customer": customer, "reason": why, "who": name}
        affected.decide_on(found.store, touched[key], **words)
    typer.echo(f"Inspection {key}: {decision}.")


@inspection.command("standard")
def standard(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="CSV: time, deviation in µm of one artefact.")],
    *,
    zone: Zone,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """This machine's own µm for each K, and its lag, from measurements of a check standard.

    Give it to `check` as --um-per-K, in place of book values, where your laboratory says so.

    \b
    Example:
      stillroom inspection standard ring-gauge.csv --zone machine-bay
    """
    from dataclasses import asdict

    from ..inspections.check_standards import read_standard, sensitivity

    with opened(data, config) as found:
        measured = read_standard(file, found.zone_info)
        told = sensitivity(found.verdicts(), zone, measured)
    high = "more than a day" if told.lag_high_s is None else f"{told.lag_high_s / 60:.0f} min"
    lines = [
        f"{told.um_per_K:+.2f} µm for each K, U {told.U_um_per_K:.2f} µm/K (95 %), {told.points} points.",
        f"  lag {told.lag_s / 60:.0f} min (between {told.lag_low_s / 60:.0f} min and {high}); scatter "
        f"{told.scatter_um:.2f} µm; the air moved over {told.span_K:.2f} K",
    ]
    answer(asdict(told), as_json, lines)
