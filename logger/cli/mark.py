"""Marks of people: time not to be trusted, work stopped and resumed."""

from __future__ import annotations

from typing import Annotated

import typer

from ..instants import parse, wall_span
from ..model.roles import Act
from .authority import authorised
from .command_list import command_group
from .context import not_before, open_session
from .options import DEFAULT_DATA, Config, Data, From, To, Who, Zone

mark = command_group("Mark time as not to be used; stop and resume work.")

Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason, as the record prints it.")]


def add_to(app: typer.Typer) -> None:
    app.add_typer(mark, name="mark")


@mark.command("time")
def time(
    *,
    zone: Zone,
    start: From,
    end: To,
    why: Why,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Mark an interval of a zone as not to be used, whatever the probes say. Never removed.

    \b
    Example:
      stillroom mark time --zone plate-bench --from 2026-10-20T09:00 --to 2026-10-20T10:00 \\
        --why "filter change"
    """
    from ..acts.marks import mark as marked
    from ..model import Mark

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.MARK)
        from_ns, to_ns = (
            parse(text, session.zone_info, name) for text, name in ((start, "--from"), (end, "--to"))
        )
        if to_ns <= from_ns:
            raise not_before(from_ns, to_ns, session.zone_info)
        number = marked(session.store, session.setup, Mark(zone, from_ns, to_ns, why, name))
        span = wall_span(from_ns, to_ns, session.zone_info)
    typer.echo(f"Mark {number}: {zone}, {span} is marked as not to be used.")


@mark.command("stop-work")
def stop_work(
    *, zone: Zone, why: Why, who: Who = "", data: Data = DEFAULT_DATA, config: Config = None
) -> None:
    """Nobody is to measure in a zone until work is resumed.

    \b
    Example:
      stillroom mark stop-work --zone machine-bay --why "air handling has failed"
    """
    from ..acts.work_stops import stop_work as stop

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.INSPECT)
        stop(session.store, session.setup, zone, who=name, why=why, now_ns=session.now_ns)
    typer.echo(f"Work in {zone} stopped.")


@mark.command("resume-work")
def resume_work(
    *, zone: Zone, why: Why, who: Who = "", data: Data = DEFAULT_DATA, config: Config = None
) -> None:
    """Measuring may go on; needs the role metrologist or quality where the record has accounts.

    \b
    Example:
      stillroom mark resume-work --zone machine-bay --why "stable since 14:00, check standard within 0.3 µm"
    """
    from ..acts.work_stops import resume_work as resume

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.DECIDE)
        resume(session.store, session.setup, zone, who=name, why=why, now_ns=session.now_ns)
    typer.echo(f"Work in {zone} resumed.")
