"""The program: its groups of commands and its front page."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import Annotated

import typer

from . import (
    alarm,
    backup,
    begin,
    bench,
    calendar,
    campaign,
    case,
    check,
    clock,
    compare,
    conflict,
    demo,
    excursion,
    forecast,
    heartbeat,
    imports,
    inspection,
    limits,
    mark,
    package,
    probe,
    record,
    references,
    rejudge,
    replay,
    review,
    rooms,
    selftest,
    service,
    soak,
    store,
    study,
    user,
)
from . import config as setup
from . import confirm as certificate
from . import verdicts as judging
from . import verify as archive

_FRONT = """Says whether a dimensional measuring room supported a measurement, and proves it.

\b
Start with a simulated room:
  stillroom demo
Set up your own room:
  stillroom begin
Ask about one inspection:
  stillroom check --zone machine-bay --from 2026-10-19T09:30 --to 2026-10-19T11:00

Times without an offset are the room's own. Intervals include their start and not their end.

Exit codes: 0 done, 2 bad input (nothing was changed), 3 the data folder cannot be used."""

app = typer.Typer(
    name="stillroom",
    help=_FRONT,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    add_completion=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)

for group in (
    demo,
    begin,
    forecast,
    heartbeat,
    service,
    imports,
    conflict,
    judging,
    check,
    soak,
    study,
    campaign,
    inspection,
    case,
    excursion,
    mark,
    limits,
    alarm,
    probe,
    calendar,
    compare,
    record,
    review,
    package,
    selftest,
    archive,
    backup,
    certificate,
    clock,
    setup,
    user,
    rooms,
    references,
    rejudge,
    store,
    bench,
    replay,
):
    group.add_to(app)


def _version(requested: bool) -> None:
    if requested:
        from .. import __version__

        typer.echo(f"stillroom {__version__}")
        raise typer.Exit


@app.callback()
def front(
    ctx: typer.Context,
    _: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    import getpass
    import os

    from ..store.origin import acting_through

    # What is written is for its owner alone from the first byte on: data, backups, packages, exports.
    os.umask(0o077)
    # Whatever name is given with --who: the journal says whose login it was.
    ctx.with_resource(acting_through(at="command line", system_user=getpass.getuser()))


def program_for(words: Sequence[str]) -> typer.Typer:
    """The program with the command or group that the first word names; the whole one for other words.

    Typer builds all commands before it runs one: a third of a second for the whole program.
    """
    name = next(iter(words), "")
    commands = [command for command in app.registered_commands if command.name == name]
    groups = [
        g for g in app.registered_groups if g.typer_instance and name in (g.name, g.typer_instance.info.name)
    ]
    if not commands and not groups:
        return app
    part = copy.copy(app)
    part.registered_commands, part.registered_groups = commands, groups
    return part
