"""Why the room moves, where, and what to mend first: `study`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from .context import Session, open_session, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, AnyZone, Config, Data, Json
from .output import answer as print_answer

if TYPE_CHECKING:
    from ..core.study.figure import Question
    from ..studies.study import Study

Channel = Annotated[
    str,
    typer.Option("--channel", metavar="CHANNEL", help="As P1.temperature; default: first air of the zone."),
]
Out = Annotated[
    Path | None,
    typer.Option("--out", metavar="DIR", help="Write figures and tables there, and study.json."),
]
Parquet = Annotated[bool, typer.Option("--parquet", help="With --out: Parquet instead of CSV.")]

_FRONT = """Why the room moves, where, and what to mend first.

Every figure has an interval that holds the true value in 95 of 100 cases; where the record does not give
one, the answer is "not shown", why, and what to record. A study never alters a verdict. Its result is
stored under the digest of everything it rests on, and is shown on the page Room study."""

study = typer.Typer(name="study", help=_FRONT, no_args_is_help=True, rich_markup_mode=None)


def add_to(app: typer.Typer) -> None:
    app.add_typer(study, short_help="Why the room moves, where, and what to mend first.")


@study.command(short_help="What is regular: air-handling cycle, day, week.")
def cycles(
    *,
    zone: AnyZone = None,
    channel: Channel = "",
    start: AnyFrom = None,
    end: AnyTo = None,
    out: Out = None,
    parquet: Parquet = False,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """What is regular: the cycle of the air handling, the course of the day and of the week.

    Wants 2 days for the cycle, 7 for the day, 4 weeks for the week.

    \b
    Example:
      stillroom study cycles --zone machine-bay --from 2026-10-12 --to 2026-10-26
    """
    with open_session(data, config) as session:
        result = _run(session, "cycles", (zone, channel), (start, end), {})
        _show(session, result, out, parquet, as_json)


def _run(
    session: Session,
    question: Question,
    where: tuple[str | None, str],
    ends: tuple[str | None, str | None],
    options: dict[str, Any],
) -> Study:
    """Run a study and say on stderr what takes its time."""
    from ..studies.run import run_study
    from ..studies.study import StudyRequest

    zone, channel = where
    if not zone and not channel:
        zone = next(iter(z.key for z in session.setup.zones_now()), "")
    from_ns, to_ns = whole_or_interval(session, *ends)
    request = StudyRequest(question, zone or "", channel, from_ns, to_ns, options)
    return run_study(session.verdicts(), request, session.now_ns, _progress)


def _progress(what: str) -> None:
    typer.echo(f"{what} …", err=True)


def _show(session: Session, result: Study, out: Path | None, parquet: bool, as_json: bool) -> None:
    from ..studies.export import write_study

    if out is not None:
        write_study(result, out, parquet=parquet)
    print_answer(result.to_dict(), as_json, _lines(session, result, out))


def _lines(session: Session, result: Study, out: Path | None) -> list[str]:
    from ..instants import wall_span

    request, answer = result.request, result.answer
    span = wall_span(request.from_ns, request.to_ns, session.zone_info)
    name = session.setup.zone(request.zone).name
    simulated = ["SIMULATED DATA: no real measurements."] if result.simulated else []
    width = max((len(item.name) for item in answer.figures), default=0)
    return [
        answer.headline,
        "",
        *(f"  {item.name.ljust(width)}  {item.text}" for item in answer.figures),
        "",
        *(f"  {line}" for line in answer.remarks),
        f"  {name}, {span}",
        *(f"  {line}" for line in result.data),
        f"  study {result.digest[:12]}, setup {result.setup_version}",
        *simulated,
        *([f"Written to {out}."] if out is not None else []),
    ]
