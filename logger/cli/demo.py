"""The whole job on a simulated room, with one command."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .options import Port

DEFAULT_DEMO = Path("stillroom-demo")
DEFAULT_GROUP = Path("stillroom-rooms")


def add_to(app: typer.Typer) -> None:
    app.command("demo", short_help="The whole job on a simulated room.")(demo)


def demo(
    *,
    history_only: Annotated[
        bool, typer.Option("--history-only", help="Load and judge the history, then exit.")
    ] = False,
    weeks: Annotated[
        int,
        typer.Option(
            "--weeks",
            metavar="N",
            min=2,
            max=26,
            help="Weeks of history: 2, or 26 for the room study (default).",
        ),
    ] = 26,
    drift: Annotated[
        bool,
        typer.Option("--drift", help="Let the heater of the air handling stick: an alert within minutes."),
    ] = False,
    rooms: Annotated[
        int,
        typer.Option(
            "--rooms", metavar="N", help="Number of rooms, at three invented sites: what a group sees."
        ),
    ] = 0,
    data: Annotated[
        Path,
        typer.Option(
            "--data", metavar="DIR", help="Data folder of the demo; a second start goes on with it."
        ),
    ] = DEFAULT_DEMO,
    config: Annotated[
        Path | None, typer.Option("--config", metavar="DIR", help="A configuration instead of the example.")
    ] = None,
    port: Port = 8060,
    mail_port: Annotated[
        int | None,
        typer.Option("--mail-port", metavar="N", help="Send mail to this port of 127.0.0.1 (example: 2525)."),
    ] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Do not open a browser.")] = False,
) -> None:
    """A simulated measuring room: 26 weeks of history, live probes, alarms, and the pages.

    Nothing here is measured: every page and record says so, and the data can never enter the record
    of a real room. It listens on 127.0.0.1 only; whoever looks there is one of its invented people.
    Stop it with Ctrl-C.

    \b
    Example:
      stillroom demo --drift
      stillroom demo --rooms 20
    """
    if rooms:
        from ..simulation.group import run as run_rooms

        folder = DEFAULT_GROUP if data == DEFAULT_DEMO else data
        run_rooms(folder, rooms, port, typer.echo, browser=not no_browser, once=history_only)
        return
    from ..simulation.demo import Options, run

    run(Options(data, config, port, mail_port, history_only, drift, not no_browser, weeks), typer.echo)
