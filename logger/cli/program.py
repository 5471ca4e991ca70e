"""The program: its groups of commands and its front page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from importlib import import_module
from typing import Annotated

import typer

from .command_list import CommandList

_HELP = """Says whether a dimensional measuring room supported a measurement, and proves it.

\b
Start with a simulated room:
  stillroom demo
Set up your own room:
  stillroom begin
Ask about one inspection:
  stillroom check --zone machine-bay --from 2026-10-19T09:30 --to 2026-10-19T11:00

Times without an offset are the room's own. Intervals include their start and not their end.

Exit codes: 0 done, 2 bad input (nothing was changed), 3 the data folder cannot be used."""

# Heading of the front page -> module of this package -> the commands that it adds, in the order of the page.
PURPOSES: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "Begin": {"demo": ("demo",), "begin": ("begin",)},
    "Run": {"service": ("run", "serve"), "alarm": ("alarm",), "heartbeat": ("heartbeat",)},
    "Verdicts": {
        "check": ("check",),
        "verdicts": ("verdicts",),
        "excursion": ("excursion",),
        "forecast": ("forecast",),
        "replay": ("replay",),
    },
    "Measurements": {"inspection": ("inspection",), "case": ("case",), "soak": ("soak",)},
    "Records": {
        "record": ("record",),
        "review": ("review",),
        "package": ("package",),
        "calendar": ("calendar",),
    },
    "Readings": {"imports": ("import",), "conflict": ("conflict",), "mark": ("mark",), "clock": ("clock",)},
    "Probes and setup": {
        "probe": ("probe",),
        "confirm": ("confirm",),
        "compare": ("compare",),
        "limits": ("limits",),
        "config": ("config",),
        "user": ("user",),
    },
    "Room study": {"study": ("study",), "campaign": ("campaign",)},
    "Data folder": {
        "verify": ("verify", "export"),
        "backup": ("backup", "dispose", "restore"),
        "room": ("room",),
        "store": ("store",),
    },
    "Many rooms": {"rooms": ("rooms",), "references": ("reference",), "rejudge": ("rejudge",)},
    "This program": {"selftest": ("selftest",), "bench": ("bench",)},
}
MODULES = {module: names for modules in PURPOSES.values() for module, names in modules.items()}


class _FrontPage(CommandList):
    """The list of all commands, by what they are for."""

    def headings(self, names: Sequence[str]) -> Mapping[str, Sequence[str]]:
        """Heading -> those of the commands that stand below it."""
        return {
            heading: [name for commands in modules.values() for name in commands if name in names]
            for heading, modules in PURPOSES.items()
        }


def program(modules: Iterable[str] = MODULES) -> typer.Typer:
    """The program with the commands of these modules; with all of them where none is named."""
    whole = typer.Typer(
        name="stillroom",
        help=_HELP,
        cls=_FrontPage,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        add_completion=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )
    for module in modules:
        import_module(f".{module}", __package__).add_to(whole)
    whole.callback()(_front)
    return whole


def program_for(arguments: Sequence[str]) -> typer.Typer:
    """The program with the one command that the arguments name, which starts sooner; else with all."""
    named = arguments[0] if arguments else ""
    modules = [module for module, commands in MODULES.items() if named in commands]
    return program(modules or MODULES)


def _version(requested: bool) -> None:
    if requested:
        from .. import __version__

        typer.echo(f"stillroom {__version__}")
        raise typer.Exit


def _front(
    ctx: typer.Context,
    _: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and exit.")
    ] = False,
) -> None:
    import getpass
    import os

    from ..store.origin import acting_through

    # What is written is for its owner alone from the first byte on: data, backups, packages, exports.
    os.umask(0o077)
    # Whatever name is given with --who: the journal says whose login it was.
    ctx.with_resource(acting_through(at="command line", system_user=getpass.getuser()))
