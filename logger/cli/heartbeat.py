"""The heartbeat of a service, watched from another machine."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import Refused
from .options import Config

if TYPE_CHECKING:
    from ..service.watcher import Watcher


def add_to(app: typer.Typer) -> None:
    app.command("heartbeat", short_help="Check from another machine that the service runs.")(heartbeat)


def heartbeat(
    *,
    file: Annotated[
        Path | None,
        typer.Option("--file", metavar="FILE", help="The file `heartbeat`, for instance on a network share."),
    ] = None,
    url: Annotated[
        str | None,
        typer.Option("--url", metavar="URL", help="An address that returns it, instead of --file."),
    ] = None,
    older: Annotated[
        float,
        typer.Option(
            "--older", metavar="S", min=1.0, help="Alarm when the heartbeat has not changed for this long."
        ),
    ] = 180.0,
    interval_s: Annotated[
        float, typer.Option("--every", metavar="S", min=0.1, help="How often to check.")
    ] = 30.0,
    route: Annotated[
        list[str] | None,
        typer.Option(
            "--route", metavar="ROUTE", help="Notify only by this route or duty calendar; may be repeated."
        ),
    ] = None,
    config: Config = None,
) -> None:
    """Watch the heartbeat of a service, and notify people when it stops: until Ctrl-C or SIGTERM.

    Runs on another machine, with a copy of the configuration folder for its routes. The clock over there
    need not be right. With the values as they are a stopped service is noticed within 4 minutes.

    \b
    Example:
      stillroom heartbeat --file /mnt/room-east/heartbeat --config config
    """
    from ..service.watcher import Watcher, of_address, of_file
    from .context import load_folder
    from .options import DEFAULT_CONFIG

    if (file is None) == (url is None):
        raise Refused("Name the heartbeat with --file FILE or --url URL.")
    configuration = load_folder(config or DEFAULT_CONFIG)
    unknown = [
        name
        for name in route or ()
        if name not in {*configuration.routes, *(d.key for d in configuration.duties)}
    ]
    if unknown:
        raise Refused(f"There is no route {unknown[0]!r} in alarms.toml.")
    read = of_file(file) if file else of_address(url or "")
    _watch(Watcher(read, configuration, older, tuple(route or ())), interval_s)


def _watch(watcher: Watcher, every_s: float) -> None:
    import time

    from ..processes.stop_request import StopRequest

    with StopRequest() as stop:
        next_s = time.monotonic()

        def looks() -> bool:
            nonlocal next_s
            if time.monotonic() >= next_s:
                next_s = time.monotonic() + every_s
                for to, outcome in watcher.turn(time.monotonic(), time.time_ns()):
                    outcome_text = f"{outcome.result} {outcome.code or ''} {outcome.reply}".strip()
                    typer.echo(f"{to.route} {to.recipient}: {outcome_text}")
            return True

        typer.echo("Watching the heartbeat. Stop with Ctrl-C.")
        stop.wait(looks)
