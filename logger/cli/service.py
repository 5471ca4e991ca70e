"""What runs for weeks: the service that reads and judges, and the pages that show it."""

from __future__ import annotations

from typing import Annotated

import typer

from ..errors import Refused, StillroomError
from .opening import applied_setup, opened, opened_or_new
from .options import DEFAULT_DATA, Config, Data, Port, Who, person


def add_to(app: typer.Typer) -> None:
    app.command("run", short_help="The service: read, judge, alarm, seal.")(run)
    app.command("serve", short_help="The pages, in a browser.")(serve)


def run(*, who: Who = "", data: Data = DEFAULT_DATA, config: Config = None) -> None:
    """Read the probes, judge the room, raise alarms, seal the archive: until Ctrl-C or SIGTERM.

    On an empty data folder the configuration becomes setup version 1. One service runs on a
    folder at a time. The pages are a program of their own: `stillroom serve`.

    \b
    Example:
      stillroom run --config config --data /srv/room-east
    """
    from ..service import Service
    from ..stopping import StopRequest

    with opened_or_new(data, config, person(who)) as found, found.store.lock_service():
        applied_setup(found)
        service = Service(found.store, found.config)
        with StopRequest() as stop:
            service.start()
            typer.echo(f"Reading {len(found.config.lines)} probes into {data}. Stop with Ctrl-C.")
            asked = stop.wait(lambda: service.alive)
            in_time = service.stop()
    if not asked:
        raise StillroomError("The service ended because one of its parts died; its journal says which.")
    if not in_time:
        raise StillroomError("The service did not end in time; its last readings may be missing.")


def serve(
    *,
    port: Port = 8060,
    host: Annotated[
        str,
        typer.Option(
            "--host",
            metavar="ADDRESS",
            help="Address to listen on. Beyond this machine, put a proxy with TLS before it.",
        ),
    ] = "127.0.0.1",
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name",
            metavar="HOSTNAME",
            help="Further name under which the pages are asked for, a proxy's for instance; may be repeated.",
        ),
    ] = None,
    with_parent: Annotated[bool, typer.Option("--with-parent", hidden=True)] = False,
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Show the pages of a data folder in a browser, beside the service that writes it.

    \b
    Example:
      stillroom serve --data /srv/room-east --port 8060
    """
    from dashboard.app import serve as serve_pages

    with opened(data, config) as found:
        applied_setup(found)
    if with_parent:
        _leave_with_parent()
    _refuse_taken(host, port)

    serve_pages(data, host, port, typer.echo, names=name or ())


def _refuse_taken(host: str, port: int) -> None:
    from ..demo import port_is_free

    if not port_is_free(host, port):
        raise Refused(f"Port {port} on {host} is taken by another program; choose another one with --port N.")


def _leave_with_parent() -> None:
    """End when standard input ends, which it does however the program that started this one ends."""
    import os
    import threading

    def watch() -> None:
        # Not sys.stdin: its lock, held by a waiting thread, would stop the interpreter from ending.
        while os.read(0, 4096):
            pass
        os._exit(0)

    threading.Thread(target=watch, daemon=True).start()
