"""What runs for weeks: the service that reads and judges, and the pages that show it."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .. import __version__
from ..errors import Refused, StillroomError, StoreTaken
from ..model.figures import number_of
from .context import Session, open_or_begin, open_session, require_applied_setup
from .options import DEFAULT_DATA, Config, Data, Port, Who, person

if TYPE_CHECKING:
    from ..service import Service
    from ..service.node import Node


def add_to(app: typer.Typer) -> None:
    app.command("run", short_help="The service: read, judge, alarm, seal.")(run)
    app.command("serve", short_help="The pages, in a browser.")(serve)


def run(
    *,
    begin: Annotated[
        bool,
        typer.Option(
            "--begin",
            help="Begin a new record: once, by hand. Without it, a folder with no record is refused, since "
            "its disk may not be mounted.",
        ),
    ] = False,
    forward: Annotated[
        str | None,
        typer.Option(
            "--forward",
            metavar="URL",
            help="Be a node: send everything to the stillroom at this address, judge nothing here. Its token "
            "is in the environment variable STILLROOM_TOKEN.",
        ),
    ] = None,
    node: Annotated[
        str, typer.Option("--node", metavar="NAME", help="With --forward: the node's name.")
    ] = "",
    ca_file: Annotated[
        str, typer.Option("--ca-file", metavar="FILE", help="With --forward: certificates to trust, PEM.")
    ] = "",
    rooms: Annotated[
        Path | None,
        typer.Option(
            "--rooms",
            metavar="FILE",
            help="Up to 100 rooms of this list in one process, in place of --data; their probes are read by "
            "nodes, or by lines of their own.",
        ),
    ] = None,
    only: Annotated[
        str,
        typer.Option("--only", metavar="PATTERN", help="With --rooms: rooms whose key matches, as 'hall-*'."),
    ] = "*",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Read the probes, judge the room, raise alarms, seal the archive: until Ctrl-C or SIGTERM.

    With --begin the configuration becomes setup version 1 of a new record. One service runs on a
    folder at a time. The pages are a program of their own: `stillroom serve`. SIGHUP proposes the
    files of --config when they changed; one person takes that over, another approves it. As a node it keeps
    all until the centre has it.

    \b
    Examples:
      stillroom run --begin --config config --data /srv/room-east
      stillroom run --data /srv/room-east
      stillroom run --data /srv/annex --forward https://room.example:8060 --node annex
      stillroom run --rooms rooms.toml --only 'hall-*'
    """
    if rooms is not None:
        if begin or forward is not None:
            raise Refused("--rooms goes without --begin and --forward: each room has its record already.")
        _run_rooms(rooms, only)
        return
    from ..processes.stop_request import StopRequest
    from ..service.reload import reload

    with (
        open_or_begin(data, config, person(who), begin=begin) as session,
        session.store.lock_service(),
    ):
        require_applied_setup(session)
        service = _service(session, forward, node, ca_file)

        def alive() -> bool:
            if stop.reload_requested():
                typer.echo(reload(session.store, config, time.time_ns()))
            return service.alive

        with StopRequest() as stop:
            service.start()
            typer.echo(_start_line(session, data))
            for notice in session.setup_notices():
                typer.echo(f"note: {notice}")
            requested = stop.wait(alive)
            in_time = service.stop()
    if service.takeover:
        raise StoreTaken(service.takeover)
    if not requested:
        raise StillroomError("The service stopped: one of its processes failed. See the journal.")
    if not in_time:
        raise StillroomError(
            "Its last readings are not in the record yet; the line above says where they are."
            if service.remainder
            else "The service did not end in time."
        )


def _run_rooms(file: Path, pattern: str) -> None:
    """The services of many rooms, until Ctrl-C or SIGTERM."""
    from ..processes.stop_request import StopRequest
    from ..rooms.registry import read
    from ..service.many_rooms import ManyRooms, chosen, raise_file_limit
    from ..service.room_name import named_in_log

    entries = chosen(read(file), pattern)
    raise_file_limit(len(entries))
    rooms = ManyRooms(entries, lambda sentence: typer.echo(sentence, err=True))
    with StopRequest() as stop, named_in_log():
        rooms.start()
        running = f"{len(rooms.running)} of {number_of(len(entries), 'room')}"
        typer.echo(f"stillroom {__version__}, {file}: {running} run. Stop with Ctrl-C.")
        requested = stop.wait(rooms.turn)
        left = rooms.stop()
    if not requested:
        raise StillroomError("The rooms stopped: a part that they share failed. See their journals.")
    if left:
        raise StillroomError("Last readings are not in the record yet.\n" + "\n".join(left))


def _start_line(session: Session, data: Path) -> str:
    """The one line by which a log shows what was started."""
    lines = session.config.lines
    what = number_of(len({line.probe for line in lines}), "probe")
    return (
        f"stillroom {__version__}, setup version {session.setup.version}, data folder {data.absolute()}. "
        f"Reading {what}. Stop with Ctrl-C."
    )


def _service(session: Session, forward: str | None, node: str, ca_file: str) -> Service | Node:
    import os

    from ..service import Service
    from ..service.forwarder import Centre
    from ..service.node import Node

    if forward is None:
        return Service(session.store, session.config)
    if not node:
        raise Refused("--forward: expected this node's name with --node, as the centre's probes.toml has it.")
    return Node(
        session.store, session.config, Centre(forward, node, os.environ.get("STILLROOM_TOKEN", ""), ca_file)
    )


def serve(
    *,
    port: Port = 8060,
    host: Annotated[
        str,
        typer.Option(
            "--host",
            metavar="ADDRESS",
            help="Address to listen on; beyond this machine with TLS.",
        ),
    ] = "127.0.0.1",
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name",
            metavar="HOSTNAME",
            help="Further host name of the pages, such as a proxy's; may be repeated.",
        ),
    ] = None,
    certificate: Annotated[
        Path | None,
        typer.Option(
            "--certificate", metavar="FILE", help="Serve TLS with this certificate and chain (PEM)."
        ),
    ] = None,
    key: Annotated[
        Path | None, typer.Option("--key", metavar="FILE", help="Key of the certificate (PEM, no password).")
    ] = None,
    behind_tls: Annotated[
        bool,
        typer.Option("--behind-tls", help="A proxy in front of it speaks TLS: cookies go over TLS alone."),
    ] = False,
    proxy: Annotated[
        str,
        typer.Option(
            "--proxy",
            metavar="ADDRESS",
            help="Address of the proxy in front of it, whose X-Forwarded-For names the visitors.",
        ),
    ] = "",
    with_parent: Annotated[bool, typer.Option("--with-parent", hidden=True)] = False,
    rooms: Annotated[
        Path | None,
        typer.Option(
            "--rooms",
            metavar="FILE",
            help="All rooms of this list, in place of --data: page Rooms, and each room at /KEY/.",
        ),
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Show the pages of a data folder in a browser, beside the service that writes it.

    \b
    Example:
      stillroom serve --data /srv/room-east --port 8060
      stillroom serve --host 192.0.2.20 --certificate room.pem --key room.key --name room.example
      stillroom serve --rooms rooms.toml
    """
    from dashboard.server import ServingPlace, TlsFiles, serve_rooms
    from dashboard.server import serve as serve_pages

    if (certificate is None) != (key is None):
        raise Refused("TLS needs both files: --certificate FILE and --key FILE.")
    tls = TlsFiles(certificate, key) if certificate and key else None
    _refuse_no_address(proxy)
    place = ServingPlace(host, port, name or (), tls, behind_tls, proxy)
    if rooms is None:
        with open_session(data, config) as session:
            require_applied_setup(session)
    if with_parent:
        _leave_with_parent()
    _refuse_taken(host, port)
    if rooms is not None:
        serve_rooms(rooms, place, typer.echo)
    else:
        serve_pages(data, place, typer.echo)


def _refuse_no_address(proxy: str) -> None:
    from ipaddress import ip_address

    try:
        ip_address(proxy or "127.0.0.1")
    except ValueError:
        raise Refused(f"--proxy: enter its IP address, such as 192.0.2.10. You entered {proxy!r}.") from None


def _refuse_taken(host: str, port: int) -> None:
    from ..simulation.demo import port_is_free

    if not port_is_free(host, port):
        raise Refused(f"Port {port} on {host} is in use. Choose another with --port N.")


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
