"""The `check` of an interval: did the room support it, by how many µm may it have erred, and why."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import Refused
from . import measurement_options as measurement
from .answers import assessment_lines
from .context import Session, interval, open_session
from .options import DEFAULT_DATA, Config, Data, Json
from .output import answer

if TYPE_CHECKING:
    from ..inspections.assess import Assessment, Question
    from ..inspections.stamps import StampTrace

EXIT_OF = {"stable": 0, "not stable": 10, "not shown": 11}
BROKEN_STAMP = 12

Zone = Annotated[str | None, typer.Option("--zone", metavar="ZONE", help="Key of the zone, as in room.toml.")]
From = Annotated[
    str | None,
    typer.Option(
        "--from",
        metavar="TIME",
        help="Start: 2026-10-19T08:30:00Z, 2026-10-19T10:30+02:00, the room's own time 2026-10-19T10:30, "
        "or a day 2026-10-19 (its start).",
    ),
]
To = Annotated[
    str | None, typer.Option("--to", metavar="TIME", help="End, not itself included; written like --from.")
]
PreWindow = Annotated[
    int | None,
    typer.Option(
        "--pre-window-s",
        metavar="SECONDS",
        min=0,
        help="Seconds before the start in which the limits must be kept.",
    ),
]
Activity = Annotated[
    str, typer.Option("--activity", metavar="NAME", help="Judge by the limits of this activity.")
]


def add_to(app: typer.Typer) -> None:
    app.command("check", short_help="Did the room support this interval? By how many µm? Why?")(check)


def check(
    *,
    zone: Zone = None,
    start: From = None,
    end: To = None,
    pre_window_s: PreWindow = None,
    activity: Activity = "",
    length_mm: measurement.Length = None,
    tolerance_um: measurement.Tolerance = None,
    material: measurement.MaterialName = "",
    scale_material: measurement.ScaleMaterial = "",
    compensated: measurement.Compensated = False,
    point_by_point: measurement.PointByPoint = False,
    adding_up: measurement.AddUp = "gum",
    mastered_at: measurement.Mastered = None,
    tve_um: measurement.Tve = None,
    tve_span_K: measurement.TveSpan = 0.0,
    tve_on: measurement.TveOn = "",
    um_per_K: measurement.UmPerK = None,
    share_allowed: measurement.Share = None,
    part_tau_s: measurement.PartTau = 0.0,
    u_tau_s: measurement.UTau = 0.0,
    scale_tau_s: measurement.ScaleTau = 0.0,
    arrived_at: measurement.ArrivedAt = None,
    arrived_C: measurement.ArrivedC = None,
    feature: measurement.Features = None,
    budget: Annotated[
        bool, typer.Option("--budget", help="Also print the rows of an uncertainty budget (JCGM 100).")
    ] = False,
    stamp: Annotated[
        str | None, typer.Option("--stamp", metavar="LINE", help="Stamp line of a report: is it still valid?")
    ] = None,
    list_file: Annotated[
        Path | None,
        typer.Option("--list", metavar="FILE", help="CSV or workbook with the columns zone, from, to, …"),
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Did the room support what was measured in this interval? With every reason.

    With a length and a material also: by how many µm may it have erred, beside the tolerance.
    Exits with 0 for stable, 10 for not stable, 11 for not shown, so that a measuring program can ask; with
    12 for a stamp that does not hold.

    \b
    Examples:
      stillroom check --zone machine-bay --from 2026-10-19T08:00 --to 2026-10-19T09:30 --json
      stillroom check --zone machine-bay --from 2026-10-13T13:00 --to 2026-10-13T15:30 \\
        --length-mm 420 --material aluminium --tolerance-um 30 --scale-material steel
      stillroom check --list jobs.xlsx
      stillroom check --stamp "stillroom: machine-bay 2026-10-13T11:00:00Z/…"
    """
    options = measurement.MeasurementOptions(
        length_mm=length_mm,
        tolerance_um=tolerance_um,
        material=material,
        scale_material=scale_material,
        compensated=compensated,
        point_by_point=point_by_point,
        adding_up=adding_up,
        mastered_at=mastered_at,
        tve_um=tve_um,
        tve_span_K=tve_span_K,
        tve_on=tve_on,
        um_per_K=um_per_K,
        share_allowed=share_allowed,
        part_tau_s=part_tau_s,
        scale_tau_s=scale_tau_s,
        u_tau_s=u_tau_s,
        arrived_at=arrived_at,
        arrived_C=arrived_C,
        features=tuple(feature or ()),
    )
    if list_file is not None:
        raise typer.Exit(_list(list_file, data, config, as_json))
    with open_session(data, config) as session:
        question, trace = _question(session, (zone, start, end), pre_window_s, activity, stamp)
        assessment = _assess(session, measurement.question(question, options, session.zone_info))
        raise typer.Exit(_print(session, assessment, stamp, trace, budget, as_json))


def _print(  # noqa: PLR0917 (an answer and how it is to be printed)
    session: Session,
    assessment: Assessment,
    stamp: str | None,
    trace: StampTrace | None,
    budget: bool,
    as_json: bool,
) -> int:
    """Print the answer to one question; gives the exit code."""
    matches = True
    if stamp is not None:
        trace = _stamp_trace(session, stamp)  # with the revision that this answer may have written
        matches = _stamp_matches(stamp, assessment) if trace is None else trace.holds
    payload = assessment.to_dict() | ({} if stamp is None else {"stamp_holds": matches})
    notices = session.setup_notices()
    answer(
        payload
        | ({} if trace is None else {"stamp_trace": trace.to_dict()})
        | ({"setup_notices": notices} if notices else {}),
        as_json,
        [
            *_stamp_lines(session, stamp, trace, assessment),
            *assessment_lines(session, assessment),
            *(_budget_lines(assessment) if budget else []),
            *(f"note: {notice}" for notice in notices),
        ],
    )
    return EXIT_OF[assessment.check.verdict] if matches else BROKEN_STAMP


def _budget_lines(assessment: Assessment) -> list[str]:
    from .budget import budget_lines

    if assessment.budget is None:
        return ["", "  No rows for a budget: give --length-mm and --material."]
    return ["", "  Rows for a budget:", *budget_lines(assessment.budget.to_dict())]


def _list(file: Path, data: Path, config: Path | None, as_json: bool) -> int:
    """Every interval of a list; the worst decides the exit code."""
    from ..inspections.lists import read_list
    from .answers import inspection_lines, inspection_rows

    with open_session(data, config) as session:
        rows = inspection_rows(
            session, [entry.job for entry in read_list(file, session.zone_info, named=False)]
        )
        notices = session.setup_notices()
    if notices:
        rows = [row | {"setup_notices": notices} for row in rows]
    answer(
        rows,
        as_json,
        [*inspection_lines(rows, session.zone_info), *(f"note: {notice}" for notice in notices)],
    )
    verdicts = {row["verdict"] for row in rows}
    return next((EXIT_OF[v] for v in ("not stable", "not shown") if v in verdicts), 0)


def _question(
    session: Session,
    where: tuple[str | None, str | None, str | None],
    pre_window_s: int | None,
    activity: str,
    stamp: str | None,
) -> tuple[Question, StampTrace | None]:
    """What is asked; with a stamp of an inspection, the question of that inspection and its trace."""
    from ..core.measurement.stamp import read_stamp
    from ..inspections.assess import Question, question_of
    from ..inspections.stamps import inspection_of

    if stamp is not None:
        if any(where):
            raise Refused("--stamp names zone and interval itself; leave out --zone, --from and --to.")
        s, trace = read_stamp(stamp), _stamp_trace(session, stamp)
        if trace is not None:
            return question_of(inspection_of(session.store, trace), session.now_ns), trace
        return Question(s.zone, s.from_ns, s.to_ns, s.pre_window_s, s.activity), None
    zone, start, end = where
    if zone is None or start is None or end is None:
        raise Refused(
            "Give --zone, --from and --to, or --list with a file, or --stamp with the line of a report."
        )
    from_ns, to_ns = interval(session, zone, start, end)
    _check_activity(session, zone, activity)
    return Question(zone, from_ns, to_ns, pre_window_s, activity), None


def _assess(session: Session, question: Question) -> Assessment:
    """The answer; where it is about a registered inspection, its revision is written before it is printed."""
    from ..inspections.assess import assess
    from ..inspections.revisions import revise_assessment

    verdicts = session.verdicts()
    assessment = assess(verdicts, question, session.now_ns)
    revise_assessment(verdicts, assessment, session.now_ns, "command")
    return assessment


def _stamp_trace(session: Session, stamp: str) -> StampTrace | None:
    from ..core.measurement.stamp import read_stamp
    from ..inspections.stamps import trace_stamp

    return trace_stamp(session.store, read_stamp(stamp))


def _stamp_matches(stamp: str, assessment: Assessment) -> bool:
    """Whether stamp and record agree in every field; a digest beside another verdict is forged."""
    from ..core.measurement.stamp import read_stamp

    return read_stamp(stamp) == read_stamp(assessment.to_dict()["stamp"])


def _stamp_lines(
    session: Session, stamp: str | None, trace: StampTrace | None, assessment: Assessment
) -> list[str]:
    if stamp is None:
        return []
    if trace is not None:
        return [*trace.lines(session.zone_info), ""]
    if _stamp_matches(stamp, assessment):
        return ["The stamp is valid: same interval, verdict and digest.", ""]
    from ..core.measurement.stamp import read_stamp

    was, now = read_stamp(stamp), read_stamp(assessment.to_dict()["stamp"])
    young = " It was provisional then." if was.provisional else ""
    return [
        f"The stamp is out of date: it says {was.verdict}, digest {was.digest[:12]}; the verdict is now "
        f"{assessment.check.verdict}, digest {now.digest[:12]}.{young}",
        "No revision of a registered inspection has that digest: the stamp is of an interval that was not "
        "registered, or it was altered.",
        "",
    ]


def _check_activity(session: Session, zone: str, activity: str) -> None:
    """Refuse an activity without rules: it would be judged by the general limits, which may be wider."""
    activities = {
        r.activity for s in session.setup.by_settings() for r in s.rules if r.zone == zone and r.activity
    }
    if activity and activity not in activities:
        names = ", ".join(sorted(activities)) or "none"
        raise Refused(
            f"No rule of zone {zone!r} is for the activity {activity!r}; it has rules for: {names}. "
            "Without --activity the general limits apply."
        )
