"""Cases: one event, one decision on each affected inspection, one closing; and what causes cost."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from ..instants import NS, parse, wall
from ..model.roles import Act
from .authority import authorised
from .case_lines import case_lines, case_rows, figure_lines
from .command_list import command_group
from .context import Session, open_session, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, AnyZone, Config, Data, Json, Who
from .output import answer

if TYPE_CHECKING:
    from ..inspections.case_record import CaseRecord
    from ..model import TemperatureUnit
    from ..verdicts.verdicts import Verdicts

case = command_group("Cases: excursions of one event, what they affect, and what was decided.")

Number = Annotated[str, typer.Argument(metavar="NUMBER", help="Number of the case, as in `case list`.")]
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason.")]
Cause = Annotated[str, typer.Option("--cause", metavar="CAUSE", help="From the list of causes.")]
Detail = Annotated[str, typer.Option("--detail", metavar="TEXT", help="The cause in words.")]
Immediate = Annotated[str, typer.Option("--immediate", metavar="TEXT", help="Immediate action.")]
Impact = Annotated[str, typer.Option("--impact", metavar="TEXT", help="Effect on results.")]
Decision = Annotated[str, typer.Option("--decision", metavar="TEXT", help="What was decided.")]
Customer = Annotated[
    str, typer.Option("--customer", metavar="TEXT", help="Who is notified of what, or why nobody.")
]
Action = Annotated[str, typer.Option("--action", metavar="TEXT", help="Corrective action.")]
LookOn = Annotated[str, typer.Option("--look-on", metavar="DAY", help="Day on which its effect is reviewed.")]


def add_to(app: typer.Typer) -> None:
    app.add_typer(case, name="case")


@case.command("list")
def list_cases(
    *,
    zone: AnyZone = None,
    start: AnyFrom = None,
    end: AnyTo = None,
    open_only: Annotated[bool, typer.Option("--open", help="Only those that are not closed.")] = False,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Every case, by week: when, rules, worst value, cause, and what is missing before it can be closed.

    Excursions of a zone that overlap, or are closer together than its case_gap_s, are one case. Those
    outside hours of use that affect no inspection ask for nothing and are one line a week.

    \b
    Example:
      stillroom case list --from 2026-10-19 --to 2026-10-20
    """
    from ..inspections.cases import cases_in

    with open_session(data, config) as session:
        if zone is not None:
            session.setup.zone(zone)
        from_ns, to_ns = whole_or_interval(session, start, end)
        records = cases_in(session.verdicts(), zone, from_ns, to_ns, session.now_ns)
        gone = disposed_times(session, from_ns, to_ns)
    if open_only:
        records = [r for r in records if r.waits]
    if as_json:
        for line in gone:
            typer.echo(line, err=True)
    answer([r.to_dict() for r in records], as_json, [*case_rows(records, session.zone_info), *gone])


def disposed_times(session: Session, from_ns: int, to_ns: int) -> list[str]:
    """A line for each time whose readings were disposed of: it cannot be judged any more."""
    seals = session.store.archive.seals()
    standing = {seal.number for seal in session.store.archive.seals(disposed=False)}
    gone = {
        (seal.from_ns, seal.to_ns)
        for seal in seals
        if seal.number not in standing and seal.from_ns < to_ns and seal.to_ns > from_ns
    }
    zone = session.zone_info
    return [
        f"Readings from {wall(begin, zone)} to {wall(end, zone)} were disposed of: excursions in that time "
        "are listed as far as they were judged before."
        for begin, end in sorted(gone)
    ]


@case.command("show")
def show(
    number: Number,
    *,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Also as a sheet on paper: a PDF file.")
    ] = None,
    unit: Annotated[
        Literal["degC", "degF"],
        typer.Option("--unit", help="Of temperatures on the sheet; differences go with it."),
    ] = "degC",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """One case: its excursions, affected inspections with their decisions, texts, and who did what when.

    \b
    Examples:
      stillroom case show 1
      stillroom case show 1 --out case-1.pdf
      stillroom case show 1 --unit degF --out case-1.pdf
    """
    from ..inspections.cases import impacts_of

    with open_session(data, config) as session:
        record, verdicts = _record(session, number), session.verdicts()
        impacts = impacts_of(verdicts, record, session.now_ns)
        if out is not None:
            _write_sheet(out, verdicts, record, session.now_ns, unit)
    payload = {**record.to_dict(), "impact": [i.to_dict() for i in impacts]}
    answer(payload, as_json, case_lines(record, impacts, session.setup, session.zone_info))


def _write_sheet(
    out: Path, verdicts: Verdicts, record: CaseRecord, now_ns: int, unit: TemperatureUnit
) -> None:
    from ..errors import Refused
    from ..record.case_sheet import case_sheet

    try:
        with out.open("xb") as file:
            file.write(case_sheet(verdicts, record, now_ns, temperatures=unit))
    except FileExistsError:
        raise Refused(f"{out} is there already; nothing was written. Name another file with --out.") from None
    except OSError as error:
        raise Refused(f"{out} cannot be written: {error.strerror}.") from error


@case.command("note")
def note(
    number: Number, *, cause: Cause = "", detail: Detail = "", immediate: Immediate = "", impact: Impact = "",
    decision: Decision = "", customer: Customer = "", action: Action = "", look_on: LookOn = "",
    reopen: Annotated[
        str, typer.Option("--reopen", metavar="TEXT", help="Why a closed case is opened again.")
    ] = "",
    who: Who = "", data: Data = DEFAULT_DATA, config: Config = None,
) -> None:  # fmt: skip
    """Enter texts of a case; texts entered before stay unless entered anew.

    \b
    Example:
      stillroom case note 1 --cause "air handling" --detail "damper stuck" --immediate "work stopped"
    """
    from ..acts.cases import note as write

    texts = _texts(cause, detail, immediate, impact, decision, customer, action, look_on)
    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.DECIDE)
        record = _record(session, number)
        write(session.store, record.case, texts, name, reopen=reopen)
        missing = _record(session, number).missing
    typer.echo(f"Saved. Missing before it can be closed: {'; '.join(missing) or 'nothing'}.")


@case.command("decide")
def decide(
    number: Number,
    inspection: Annotated[str, typer.Argument(metavar="INSPECTION", help="Key of the affected inspection.")],
    *,
    decision: Annotated[
        str,
        typer.Option(
            "--decision", metavar="WORD", help="stands; stands, corrected; measure again; withdrawn."
        ),
    ],
    customer: Annotated[
        str, typer.Option("--customer", metavar="TEXT", help="Who is notified of what, or why nobody.")
    ],
    why: Why,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Decide on an inspection that a case affects: once, however many rules were out of limits.

    \b
    Example:
      stillroom case decide 1 I-2603 --decision "measure again" --customer "delivery a day later" \\
        --why "4 µm of 12 µm"
    """
    from ..inspections.cases import decide_on_case

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.DECIDE)
        words = {"decision": decision, "customer": customer, "reason": why}
        record = _record(session, number)
        decide_on_case(session.verdicts(), record, inspection, words, name, session.now_ns)
        missing = _record(session, number).missing
    typer.echo(
        f"Inspection {inspection}: {decision}. Missing before case {record.number} can be closed: "
        f"{'; '.join(missing) or 'nothing'}."
    )


@case.command("close")
def close(
    number: Number, *, cause: Cause = "", detail: Detail = "", immediate: Immediate = "", impact: Impact = "",
    decision: Decision = "", customer: Customer = "", action: Action = "", look_on: LookOn = "",
    who: Who = "", data: Data = DEFAULT_DATA, config: Config = None,
) -> None:  # fmt: skip
    """Close a case that has ended and lacks nothing; texts given here are saved first. A refused close

    lists everything that is missing and loses no text.

    \b
    Example:
      stillroom case close 1 --decision "measured again" --customer "none was affected"
    """
    from ..acts.cases import close as shut
    from ..acts.cases import note as write

    texts = _texts(cause, detail, immediate, impact, decision, customer, action, look_on)
    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.DECIDE)
        record = _record(session, number)
        if texts:
            write(session.store, record.case, texts, name)
        shut(session.store, record.case, name, running=record.running, undecided=record.undecided)
    typer.echo(f"Case {record.number} is closed.")


@case.command("effect")
def effect(
    number: Number,
    *,
    text: Annotated[
        str, typer.Option("--text", metavar="TEXT", help="What changed since, as you reviewed it.")
    ],
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Enter what the review of a corrective action's effect showed. A closed case stays closed.

    The figures before and after it: `stillroom case causes --action-at TIME`.

    \b
    Example:
      stillroom case effect 1 --text "no excursion in 30 days, 9 in the 30 days before"
    """
    from ..acts.cases import review_effect

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.DECIDE)
        record = _record(session, number)
        review_effect(session.store, record.case, text, name)
    typer.echo(f"Case {record.number}: the effect of its corrective action is reviewed.")


@case.command("join")
def join(
    number: Number,
    other: Annotated[str, typer.Argument(metavar="OTHER", help="Number of the case with the same cause.")],
    *,
    why: Why,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Join two cases of one cause, also of different zones: one set of texts, one closing, the lower number.

    \b
    Example:
      stillroom case join 2 1 --why "same chiller trip"
    """
    from ..acts.cases import join_cases

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.DECIDE)
        first, second = _record(session, number), _record(session, other)
        join_cases(session.store, first.case, second.case, name, why)
    numbers = sorted((first.number or 0, second.number or 0))
    typer.echo(f"Case {numbers[1]} is continued in case {numbers[0]}.")


@case.command("part")
def part(
    number: Number,
    *,
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="TIME", help="Excursions that begin then or later become another case."),
    ] = None,
    why: Why,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Split a case in two at a given time; without --at, undo a join of this number.

    \b
    Example:
      stillroom case part 1 --at 2026-10-19T06:00 --why "the door, hours before the chiller"
    """
    from ..acts.cases import part_case

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.DECIDE)
        record = _record(session, number)
        at_ns = None if at is None else parse(at, session.zone_info, "--at")
        part_case(
            session.store,
            record.case,
            case_number(session, number),
            at_ns,
            who=name,
            why=why,
            clock=session.zone_info,
        )
        numbers = [str(r.number) for r in _around(session, record) if r.number is not None]
    typer.echo(f"Split. Cases now: {', '.join(numbers)}.")


@case.command("causes")
def causes(
    *,
    zone: AnyZone = None,
    start: AnyFrom = None,
    end: AnyTo = None,
    action_at: Annotated[
        str | None,
        typer.Option("--action-at", metavar="TIME", help="A corrective action: 30 days before and after it."),
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Hours not stable in use by cause, cases that came back, and what an action changed.

    Each minute counts once, however many rules were out of limits; causes, cases without one yet and time
    in no case add up to all hours of use that were not stable.

    \b
    Example:
      stillroom case causes --action-at 2026-10-20
    """
    from ..core.judge.cases import before_after, repeated
    from ..inspections.cases import cases_in, figures_of, lost_time

    with open_session(data, config) as session:
        from_ns, to_ns = whole_or_interval(session, start, end)
        verdicts, now_ns = session.verdicts(), session.now_ns
        records = cases_in(verdicts, zone, from_ns, to_ns, now_ns)
        lost = lost_time(verdicts, records, zone, (from_ns, to_ns), now_ns)
        again = repeated([r.event for r in records])
        effects = []
        if action_at:
            at_ns = parse(action_at, session.zone_info, "--action-at")
            around = at_ns - 31 * 86_400 * NS, min(now_ns, at_ns + 31 * 86_400 * NS)
            cases = [r.case for r in cases_in(verdicts, zone, *around, now_ns)]
            periods, used = figures_of(verdicts, zone, *around, now_ns)
            effects = [
                before_after(key, cases, periods[key], used[key], at_ns=at_ns, now_ns=now_ns)
                for key in periods
            ]
    payload, lines = figure_lines(lost, again, effects, session.zone_info)
    answer(payload, as_json, lines)


def _record(session: Session, number: str) -> CaseRecord:
    from ..inspections.cases import case_of

    return case_of(session.verdicts(), case_number(session, number), session.now_ns)


def case_number(session: Session, text: str) -> int:
    """The number of a case of this room, as in "12" or "room-key/12"; Refused for one of another room."""
    from ..errors import Refused

    room, slash, number = text.rpartition("/")
    if slash and room != session.setup.room.key:
        raise Refused(
            f"Case {number} of room {room!r} is not in this record, which is that of room "
            f"{session.setup.room.key!r}: cases of different rooms cannot be joined. Name the other case in "
            "the text of the cause. Nothing was changed."
        )
    if not number.isdecimal():
        raise Refused(f"Expected the number of a case, such as 12; found {text!r}. Nothing was changed.")
    return int(number)


def _around(session: Session, record: CaseRecord) -> list[CaseRecord]:
    from ..inspections.cases import cases_in

    span = record.case.from_ns, record.case.to_ns
    return cases_in(session.verdicts(), record.case.zone, *span, session.now_ns)


def _texts(*words: str) -> Mapping[str, Any]:
    """Texts that were entered, by the name of their field; the effect has a command of its own."""
    from dataclasses import fields

    from ..acts.case_book import CaseTexts

    names = [f.name for f in fields(CaseTexts) if f.name != "effect"]
    return {name: word for name, word in zip(names, words, strict=True) if word.strip()}
