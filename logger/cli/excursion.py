"""Excursions: every single run of a rule not met, with the case that it belongs to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..instants import NS, wall
from ..model import Excursion
from ..model.figures import number_of
from .case import disposed_times
from .case_lines import printed_figures
from .command_list import command_group
from .context import open_session, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, AnyZone, Config, Data, Json
from .output import answer, duration, table

if TYPE_CHECKING:
    from ..inspections.case_record import CaseRecord
    from .context import Session

excursion = command_group("Excursions: times out of limits. Cases group those of one event.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(excursion, name="excursion")


@excursion.callback()
def group() -> None:
    """Excursions: times out of limits. Cases group those of one event."""


@excursion.command("list")
def excursions(
    *,
    zone: AnyZone = None,
    start: AnyFrom = None,
    end: AnyTo = None,
    open_only: Annotated[bool, typer.Option("--open", help="Only those of open cases.")] = False,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Excursions: when, worst value, how far beyond for how long, proven or not.

    Times are those of the room, with their offset from UTC; with --json they are UTC. What is decided is
    decided on cases: see `stillroom case list`.

    \b
    Example:
      stillroom excursion list --from 2026-10-19 --to 2026-10-20
    """
    from ..inspections.cases import cases_in

    with open_session(data, config) as session:
        if zone is not None:
            session.setup.zone(zone)
        from_ns, to_ns = whole_or_interval(session, start, end)
        records = cases_in(session.verdicts(), zone, from_ns, to_ns, session.now_ns)
        gone = disposed_times(session, from_ns, to_ns)
    runs = sorted(
        ((e, r) for r in records for e in r.case.runs if e.from_ns < to_ns and e.to_ns > from_ns),
        key=lambda pair: (pair[0].from_ns, pair[0].zone, pair[0].rule),
    )
    shown = [(e, r) for e, r in runs if not open_only or (e.asks_disposition and r.state != "closed")]
    heads = (
        "zone",
        "rule",
        "from",
        "for",
        "worst",
        "limit",
        "U",
        "unit",
        "probes",
        "proven",
        "case",
        "state",
    )
    open_count = sum(e.asks_disposition and r.state != "closed" for e, r in runs)
    first = f"{number_of(len(shown), 'excursion')}, {open_count} of them in cases that are not closed."
    lines = [first, *gone, "", *table(heads, [_row(session, e, r) for e, r in shown])]
    if as_json:
        for line in gone:
            typer.echo(line, err=True)
    answer([e.to_dict() | {"case": r.number, "disposition": _state(e, r)} for e, r in shown], as_json, lines)


def _state(e: Excursion, record: CaseRecord) -> str:
    return record.state if e.asks_disposition else "no decision needed: outside hours of use"


def _row(session: Session, e: Excursion, r: CaseRecord) -> tuple[Any, ...]:
    lasted, proven = duration((e.to_ns - e.from_ns) / NS), "yes" if e.proven else "within U"
    numbers = printed_figures(e)
    number = "" if r.number is None else str(r.number)
    rule = session.setup.rule_names.get(e.rule, e.rule)
    head = e.zone, rule, wall(e.from_ns, session.zone_info), lasted
    return *head, *numbers, " ".join(e.probes), proven, number, _state(e, r)
