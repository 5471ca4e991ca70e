"""The calendar of what falls due."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..model.figures import number_of
from .context import open_session
from .options import DEFAULT_DATA, Config, Data


def add_to(app: typer.Typer) -> None:
    app.command("calendar", short_help="What falls due, as a calendar file.")(calendar)


def calendar(
    *,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Calendar to write (RFC 5545, .ics).")],
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Calibrations, reviews, effects of corrective actions, the restore test, shelved alarms: what falls due.

    An event that moves keeps its identity; one that fell away is sent as cancelled for 90 days.

    \b
    Example:
      stillroom calendar --out due.ics
    """
    from ..handouts.calendar_file import due_calendar
    from ..handouts.due_days import due_days
    from ..store.files import write_durably

    with open_session(data, config, read_only=True) as session:
        content = due_calendar(session.store, session.config, session.now_ns)
        number = sum(not d.cancelled for d in due_days(session.store, session.config, session.now_ns))
    write_durably(out, content)
    typer.echo(f"{number_of(number, 'due day')} in {out}.")
