"""Two pages for managers, and the hand-over between shifts."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from ..instants import parse, wall
from ..model.figures import number_of
from .context import open_session
from .options import DEFAULT_DATA, Config, Data, Json, Who, person
from .output import answer, table


def pages(
    number: Annotated[int | None, typer.Argument(metavar="YEAR", help="Default: this year.")] = None,
    *,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="PDF to write.")],
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Two pages for managers (PDF): what was lost and why, what to fix, what falls due.

    Its sums are those of `review year`.

    \b
    Example:
      stillroom review pages 2026 --out 2026.pdf
    """
    from ..handouts.management import management_pages
    from ..store.files import write_durably

    with open_session(data, config) as session:
        year_number = number or time.gmtime(session.now_ns // 10**9).tm_year
        content = management_pages(
            session.store, session.config, session.verdicts(), year_number, session.now_ns
        )
    write_durably(out, content)
    typer.echo(f"The year {year_number} in {out}.")


def handover(
    *,
    since: Annotated[
        str | None,
        typer.Option("--since", metavar="TIME", help="Default: the last sign-off, at most a week."),
    ] = None,
    sign: Annotated[
        bool, typer.Option("--sign", help="Sign off: the next hand-over counts from now.")
    ] = False,
    comment: Annotated[
        str, typer.Option("--comment", metavar="TEXT", help="What the next shift must know.")
    ] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """What happened since the last sign-off, one line an event, and what waits.

    \b
    Examples:
      stillroom review handover
      stillroom review handover --sign --who "Radek Sova" --comment "door of the bay sticks"
    """
    from ..handouts.hand_over import hand_over, sign_off

    with open_session(data, config) as session:
        zone = session.zone_info
        since_ns = None if since is None else parse(since, zone, "--since")
        shown = hand_over(session.verdicts(), session.now_ns, since_ns)
        number = sign_off(session.verdicts(), shown, person(who), comment) if sign else None
    by = f", signed off by {shown.signed_by}" if shown.signed_by else ""
    rows = [(wall(line.at_ns, zone), line.where, line.what) for line in shown.lines]
    head = f"Since {wall(shown.from_ns, zone)}{by}: {number_of(len(rows), 'event')}."
    lines = [head, *(["", *table(("at", "where", "what"), rows)] if rows else [])]
    lines += ["", *(f"waits: {text}" for text in shown.waiting)] if shown.waiting else []
    lines += [f"Signed off; journal entry {number}."] if number else []
    payload = {
        "from": wall(shown.from_ns, zone),
        "signed_off_by": shown.signed_by,
        "lines": [line.to_dict(zone) for line in shown.lines],
        "waiting": list(shown.waiting),
        "entry": number,
    }
    answer(payload, as_json, lines)
