"""What the commands of `study` share: their options, running a study, and printing its answer.

A command is a function that takes the options of its own question and returns them as the study takes them;
`question` adds those that every question has.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias, cast

import typer

from ..errors import Refused
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

Event = Annotated[
    list[str], typer.Option("--event", metavar="TIME", help="When one happened; may be repeated.")
]
EventFile = Annotated[
    Path | None, typer.Option("--events", metavar="FILE", help="CSV with the times in its first column.")
]
Outdoors = Annotated[
    str | None, typer.Option("--outdoors", metavar="CHANNEL", help="Default: the first outdoor channel.")
]
People = Annotated[
    list[str], typer.Option("--people", metavar="START/END", help="When people were present; repeat it.")
]
LengthMm = Annotated[
    float | None, typer.Option("--length-mm", metavar="MM", help="Also in µm, on this length.")
]
MaterialName = Annotated[str, typer.Option("--material", metavar="NAME", help="Of that length.")]

Options: TypeAlias = dict[str, Any]


def question(name: Question, *, of_channel: bool = True) -> Callable[[Callable[..., Options]], Any]:
    """Make a command of a function that returns the options of a question.

    of_channel: whether the question is about one channel; else it is about the zone alone.
    """

    def command_of(own: Callable[..., Options]) -> Any:
        def command(**entered: Any) -> None:
            shared = {key: entered.pop(key) for key in _shared_parameters(of_channel)}
            _answer_question(name, own(**entered), **shared)

        parameters = {**inspect.signature(own, eval_str=True).parameters, **_shared_parameters(of_channel)}
        signed: Any = command
        signed.__name__, signed.__doc__ = own.__name__, own.__doc__
        signed.__signature__ = inspect.Signature(list(parameters.values()))
        signed.__annotations__ = {key: p.annotation for key, p in parameters.items()}
        return command

    return command_of


def _shared_parameters(of_channel: bool) -> dict[str, inspect.Parameter]:
    """Of every question, in the order in which the help lists them."""
    parameters = list(inspect.signature(_answer_question, eval_str=True).parameters.values())[2:]
    return {p.name: p for p in parameters if of_channel or p.name != "channel"}


def _answer_question(
    name: str,
    options: Options,
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
    with open_session(data, config) as session:
        if options.get("campaign") and not zone:
            zone = zone_of_campaign(session, options["campaign"])
        result = run(session, cast("Question", name), (zone, channel), (start, end), options)
        show(session, result, out, parquet, as_json)


def length_options(length_mm: float | None, material: str) -> dict[str, Any]:
    return {} if length_mm is None else {"length_mm": length_mm, "material": material}


def first_column(file: Path) -> list[str]:
    """Times of a CSV file; a first line of words is skipped."""
    import csv

    try:
        with file.open(encoding="utf-8-sig", newline="") as lines:
            reader = csv.reader(lines)
            rows = [(reader.line_num, row[0].strip()) for row in reader if row and row[0].strip()]
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise Refused(
            f"--events {file}: expected a CSV file with times in its first column; {why}."
        ) from None
    rows = rows[1:] if rows and not rows[0][1][:1].isdigit() else rows
    for line, cell in rows:
        if not cell[:1].isdigit():
            raise Refused(
                f"--events {file}: expected times in the first column, as 2026-10-19T10:30; line {line} has "
                f"{cell!r}. Nothing was computed."
            )
    return [cell for _, cell in rows]


def run(
    session: Session,
    question: Question,
    where: tuple[str | None, str],
    ends: tuple[str | None, str | None],
    options: dict[str, Any],
) -> Study:
    """Run a study and say on stderr what takes its time."""
    import os

    # Probes are read on the same machine: a study takes one core.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from ..studies.run import run_study
    from ..studies.study import StudyRequest

    zone, channel = where
    if not zone and not channel:
        zone = next(iter(z.key for z in session.setup.zones_now()), "")
    from_ns, to_ns = whole_or_interval(session, *ends)
    request = StudyRequest(question, zone or "", channel, from_ns, to_ns, options)
    return run_study(session.verdicts(), request, session.now_ns, _progress)


def zone_of_campaign(session: Session, key: str) -> str:
    from ..acts.campaigns import campaign_of

    return campaign_of(session.store, key).zone


def _progress(what: str) -> None:
    typer.echo(f"{what} …", err=True)


def show(session: Session, result: Study, out: Path | None, parquet: bool, as_json: bool) -> None:
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
