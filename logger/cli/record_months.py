"""Months of a zone with their records, and a record to look at before it is issued."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..errors import Refused
from ..instants import wall
from ..model.figures import number_of
from .context import Session, interval, open_session
from .options import DEFAULT_DATA, Config, Data, Json, Temperatures, Who, Zone, person
from .output import answer, table

Month = Annotated[
    str, typer.Option("--month", metavar="MONTH", help="A month as in 2026-10, in place of --from and --to.")
]
IssueFrom = Annotated[
    str | None, typer.Option("--from", metavar="TIME", help="Start, local unless it names its offset.")
]
IssueTo = Annotated[str | None, typer.Option("--to", metavar="TIME", help="End, not itself included.")]


def record_span(
    session: Session, zone: str, month: str, ends: tuple[str | None, str | None]
) -> tuple[int, int]:
    """The interval of a month that is over, or from --from to --to."""
    from ..record.record_months import month_of

    session.setup.zone(zone)
    start, end = ends
    if month and (start or end):
        raise Refused("Give either --month, or --from and --to.")
    if not month:
        if start is None or end is None:
            raise Refused("Give --month, as in --month 2026-10, or --from and --to.")
        return interval(session, zone, start, end)
    chosen = month_of(session.store, session.setup, zone, month, session.now_ns)
    return chosen.from_ns, chosen.to_ns


def months(
    *,
    zone: Zone,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Every month of a zone with its record: not issued, issued, amended, or incomplete since.

    The first month begins with the data. Acts since: decisions, marks and entries about a month that its
    record does not say yet; an amendment says them.

    \b
    Example:
      stillroom record months --zone machine-bay
    """
    from ..record.record_months import record_months

    with open_session(data, config) as session:
        session.setup.zone(zone)
        rows = record_months(session.store, session.setup, zone, session.now_ns)
        shown = [
            (
                m.label,
                wall(m.from_ns, session.zone_info) + (", data begin" if m.begins_with_data else ""),
                "running" if m.running else wall(m.to_ns, session.zone_info),
                m.state,
            )
            for m in rows
        ]
    heads = ("month", "from", "to", "record")
    answer(
        [m.to_dict() for m in rows], as_json, [f"{number_of(len(rows), 'month')}.", "", *table(heads, shown)]
    )


def preview(
    *,
    zone: Zone,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="PDF to write.")],
    month: Month = "",
    start: IssueFrom = None,
    end: IssueTo = None,
    unit: Temperatures = "degC",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """The record as it would be issued now, with DRAFT on each page: no number, nothing is journalled.

    \b
    Example:
      stillroom record preview --zone machine-bay --month 2026-10 --out october.pdf
    """
    from ..record.draft import draft
    from ..record.interval import Interval
    from ..record.record_months import overlapping
    from ..store.files import write_durably

    with open_session(data, config) as session:
        span = record_span(session, zone, month, (start, end))
        where = Interval(zone, *span, session.now_ns)
        others = [i.number for i in overlapping(session.store, zone, *span)]
        pdf = draft(session.store, session.verdicts(), session.setup, where, person(who), temperatures=unit)
    write_durably(out, pdf)
    lines = [f"Draft written to {out}. Nothing is issued."]
    if others:
        numbers = ", ".join(map(str, others))
        lines.append(f"In force for a part of this time: record {numbers}.")
    answer({"file": str(out), "overlapping": others}, as_json, lines)
