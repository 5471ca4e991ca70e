"""Records: what is printed, signed and handed out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .opening import applied_setup, interval, opened
from .options import DEFAULT_DATA, Config, Data, From, Json, To, Who, Zone, person
from .printing import answer, table

record = typer.Typer(help="Records: issued once, never edited.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(record, name="record", no_args_is_help=True)


@record.callback()
def group() -> None:
    """Records: issued once, never edited."""


@record.command("issue")
def issue(
    *,
    zone: Zone,
    start: From,
    end: To,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the files of the record.")],
    replaces: Annotated[
        int | None, typer.Option("--replaces", metavar="NUMBER", help="The record that this one replaces.")
    ] = None,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Why it replaces it.")] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Issue the record of a zone: PDF to print and sign, readings as CSV, all facts as JSON.

    It gets a number, stays in the data folder and in the journal. A changed one is a new issue:
    the old one stays.

    \b
    Example:
      stillroom record issue --zone machine-bay --from 2026-10-19 --to 2026-10-20 --out records
    """
    from ..record import issue as issued

    with opened(data, config) as found:
        setup = applied_setup(found)
        from_ns, to_ns = interval(found, zone, start, end)
        made = issued(
            found.store,
            found.verdicts(),
            setup,
            zone,
            from_ns,
            to_ns,
            out,
            person(who),
            found.now_ns,
            replaces,
            why,
        )
    told = {"number": made.number, "folder": str(out), "kept": str(made.folder), "files": dict(made.files)}
    lines = [
        f"Record {made.number} is issued. {made.sentence}",
        "",
        *table(("file", "SHA-256"), list(made.files.items())),
    ]
    answer(told, as_json, lines)
