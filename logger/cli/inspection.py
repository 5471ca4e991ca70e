"""Inspections: started, stopped, imported, each with its verdict; which of them something touches."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import Refused
from ..instants import parse, rfc3339
from ..model import Inspection
from ..model.figures import number_of, percent
from ..model.roles import Act
from .answers import inspection_lines, inspection_rows
from .authority import authorised
from .budget import budget
from .check import EXIT_OF
from .command_list import command_group
from .context import Session, open_session, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, AnyZone, Config, Data, Json, Who, Zone
from .output import answer, table
from .verification import verification

if TYPE_CHECKING:
    from ..inspections.impact import Impact

inspection_app = command_group("Inspections, each with its verdict.")

Key = Annotated[str, typer.Argument(metavar="KEY", help="Key of the inspection.")]
Title = Annotated[str, typer.Option("--title", metavar="TEXT", help="What is measured.")]
Text = Annotated[str, typer.Option(metavar="TEXT")]
OutFile = Annotated[Path, typer.Argument(metavar="FILE", help="CSV or workbook: key, zone, from, to, …")]


def add_to(app: typer.Typer) -> None:
    inspection_app.command("budget")(budget)
    inspection_app.command("verification")(verification)
    app.add_typer(inspection_app, name="inspection")


@inspection_app.command("list")
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

    with open_session(data, config) as session:
        if zone is not None:
            session.setup.zone(zone)
        from_ns, to_ns = whole_or_interval(session, start, end)
        selected = [
            i for i in registered(session.store, zone) if _overlaps(i, from_ns, to_ns) or not (start or end)
        ]
        rows = inspection_rows(session, selected)
    answer(rows, as_json, inspection_lines(rows, session.zone_info))


def _overlaps(inspection: Inspection, from_ns: int, to_ns: int) -> bool:
    return inspection.from_ns < to_ns and (inspection.to_ns is None or inspection.to_ns > from_ns)


@inspection_app.command("start")
def start(
    title: Annotated[str, typer.Argument(metavar="TITLE", help="What is measured.")],
    *,
    zone: Zone,
    key: Text = "",
    part: Text = "",
    material: Text = "",
    length_mm: Annotated[float | None, typer.Option(metavar="MM")] = None,
    tolerance_um: Annotated[float | None, typer.Option(metavar="UM", help="Tolerance, full width.")] = None,
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

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.INSPECT)
        verdicts = session.verdicts()
        planned = Inspection(
            key, zone, 0, None, title, part, material, length_mm, tolerance_um, machine, name, activity
        )
        begun = begin(session.store, session.setup, planned, name, session.now_ns)
        readiness = ready(verdicts, zone, session.now_ns, activity)
    payload = {"key": begun.key, "zone": zone, "from": rfc3339(begun.from_ns), "ready": readiness.to_dict()}
    answer(payload, as_json, [f"Inspection {begun.key} has begun.", readiness.sentence])


@inspection_app.command("stop")
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

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.INSPECT)
        job = stop_inspection(session.store, key, name, session.now_ns)
        (row,) = inspection_rows(session, [job])
    answer(row, as_json, [f"Inspection {key} has ended: {row['verdict']} ({row['reason']})."])


@inspection_app.command("issues")
def issues(
    key: Key,
    *,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Every revision of the verdict on an inspection: what changed, when, and because of what.

    \b
    Example:
      stillroom inspection issues I-2603
    """
    from ..inspections.revisions import issues as issued

    with open_session(data, config) as session:
        revisions = issued(session.store).get(key, [])
        rows = [vars(i) | {"at": rfc3339(i.at_ns)} for i in revisions]
        local = [r | {"at": session.wall(i.at_ns)} for r, i in zip(rows, revisions, strict=True)]
    heads = ("number", "at", "verdict", "reason", "difference", "cause", "digest")
    lines = [
        f"{number_of(len(rows), 'revision')}.",
        "",
        *table(heads, [[r[h] for h in heads] for r in local]),
    ]
    answer(rows, as_json, lines)


@inspection_app.command("conditions")
def conditions(
    key: Key,
    *,
    form: Annotated[str, typer.Option("--form", metavar="json|csv|line|dcc", help="What to print.")] = "line",
    dcc: Annotated[
        str, typer.Option("--dcc", metavar="3.2|3.3", help="Schema of the fragment; 3.3: never validated.")
    ] = "3.2",
    kelvin: Annotated[bool, typer.Option("--kelvin", help="Temperatures of the fragment in K, too.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write it there; default: print it.")
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """The conditions of an inspection for the measuring program, as the service leaves them in files.

    line is the stamp alone; csv has two columns, name and value; dcc is a fragment for a Digital Calibration
    Certificate. Exits with 0 for stable, 10 for not stable, 11 for not shown.

    \b
    Examples:
      stillroom inspection conditions I-2701
      stillroom inspection conditions I-2701 --form csv --out I-2701.csv
    """
    from ..formats.dcc.fragment import SCHEMAS
    from ..inspections.conditions import FORMS, conditions_by_key
    from ..store.files import write_durably

    for option, value, expected in (("--form", form, FORMS), ("--dcc", dcc, SCHEMAS)):
        if value not in expected:
            raise Refused(f"{option}: expected one of {', '.join(expected)}, found {value!r}.")
    with open_session(data, config) as session:
        answered = conditions_by_key(session.verdicts(), key, session.now_ns, "command")
    content = answered.text(form, dcc=dcc, kelvin=kelvin)
    if out is None:
        typer.echo(content.decode(), nl=False)
    else:
        write_durably(out, content)
    raise typer.Exit(EXIT_OF[answered.content["verdict"]])


@inspection_app.command("ready")
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

    with open_session(data, config) as session:
        readiness = ready(session.verdicts(), zone, session.now_ns, activity)
    answer(readiness.to_dict(), as_json, [readiness.sentence])
    unknown = readiness.reason in ("indeterminate", "guard band")
    raise typer.Exit(0 if readiness.may_start else 11 if unknown else 10)


@inspection_app.command("import")
def import_list(
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

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.INSPECT)
        listed = [entry.job for entry in read_list(file, session.zone_info)]
        if not dry_run:
            add_inspections(session.store, session.setup, listed, name)
        rows = inspection_rows(session, listed)
    answer(rows, as_json, inspection_lines(rows, session.zone_info))


@inspection_app.command("impact")
def impact(
    *,
    zone: AnyZone = None,
    at: Annotated[str | None, typer.Option("--at", metavar="TIME", help="A time in a case.")] = None,
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
    """Which inspections does this affect, the worst first, and what was decided on each?

    \b
    Examples:
      stillroom inspection impact --zone machine-bay --at 2026-10-19T05:30
      stillroom inspection impact --probe P2 --from 2026-10-15 --to 2026-10-20 --error-K 0.3
      stillroom inspection impact --certificate AL-1234
    """
    with open_session(data, config) as session:
        impacts = _impact(session, (zone, at), (probe, certificate, position), (start, end), error_K)
    answer([t.to_dict() for t in impacts], as_json, impact_lines(impacts))


def _impact(
    session: Session,
    excursion: tuple[str | None, str | None],
    wrong: tuple[str | None, str | None, str | None],
    span: tuple[str | None, str | None],
    error_K: float | None,
) -> list[Impact]:
    from ..inspections import impact as affected
    from ..inspections.cases import case_at, impacts_of

    (zone, at), (probe, certificate, position) = excursion, wrong
    verdicts, now_ns = session.verdicts(), session.now_ns
    named = [name for name in (at, probe, certificate, position) if name is not None]
    if len(named) != 1 or (at is not None and zone is None):
        raise Refused("Expected one of: --zone with --at, --probe, --certificate, --position.")
    if zone is not None and at is not None:
        at_ns = parse(at, session.zone_info, "--at")
        return impacts_of(verdicts, case_at(verdicts, zone, at_ns, now_ns), now_ns)
    if certificate is not None:
        return affected.by_certificate(verdicts, certificate, now_ns, error_K)
    ends = whole_or_interval(session, *span)
    if probe is not None:
        return affected.by_probe(verdicts, probe, ends, now_ns, error_K)
    return affected.by_position(verdicts, str(position), ends, now_ns)


def impact_lines(impacts: Sequence[Impact]) -> list[str]:
    """A sentence and a table of affected inspections."""
    rows = [
        (
            t.job.key,
            t.job.title,
            t.verdict,
            "?" if t.effect_um is None else f"{t.effect_um:.2f}",
            t.job.tolerance_um,
            "?" if t.share is None else percent(t.share),
            t.decided.decision if t.decided else "open",
        )
        for t in impacts
    ]
    left = sum(t.decided is None for t in impacts)
    heads = (
        "inspection",
        "title",
        "verdict",
        "effect at most, µm",
        "tolerance µm",
        "of tolerance",
        "decision",
    )
    return [
        f"{number_of(len(rows), 'inspection')} affected, {left} awaiting decision.",
        "",
        *table(heads, rows),
    ]


@inspection_app.command("standard")
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

    with open_session(data, config) as session:
        measured = read_standard(file, session.zone_info)
        fit = sensitivity(session.verdicts(), zone, measured)
    high = "more than a day" if fit.lag_high_s is None else f"{fit.lag_high_s / 60:.0f} min"
    lines = [
        f"{fit.um_per_K:+.2f} µm/K, U {fit.U_um_per_K:.2f} µm/K (95 %), {fit.points} points.",
        f"  lag {fit.lag_s / 60:.0f} min (between {fit.lag_low_s / 60:.0f} min and {high}); scatter "
        f"{fit.scatter_um:.2f} µm; the air moved over {fit.span_K:.2f} K",
    ]
    answer(asdict(fit), as_json, lines)
