"""The application behind a server: on loopback unless told otherwise, with TLS where files for it are given.

One process with eight threads serves plain HTTP and TLS (`connections.py`). A proxy is the third way: whose
requests it brings is believed of the one that was named with --proxy, and that a visitor sits at this machine
of none (see `access.at_this_machine`).
"""

from __future__ import annotations

import logging
import ssl
import sys
from collections.abc import Callable, Collection
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from logger.api import end_streams
from logger.errors import Refused

from . import connections
from .access import sign_in
from .access.needs import EXPECTED_BODIES, loopback
from .app import create_app
from .connections import ClientLimits

if TYPE_CHECKING:
    from .group.app import Group

log = logging.getLogger(__name__)


class Server(Protocol):
    """A bound server: `run` blocks until `close`."""

    def run(self) -> None: ...

    def close(self) -> None: ...


@dataclass(frozen=True)
class TlsFiles:
    """Files in PEM: the certificate with its chain, and its key without a password."""

    certificate: Path
    key: Path


@dataclass(frozen=True)
class ServingPlace:
    """Where the pages are served. `behind_tls`: a proxy speaks TLS, so cookies travel over that alone.

    `proxy`: the address of the proxy whose X-Forwarded-For names the visitors; empty: there is none.
    """

    host: str = "127.0.0.1"
    port: int = 8060
    names: Collection[str] = ()
    tls: TlsFiles | None = None
    behind_tls: bool = False
    proxy: str = ""

    @property
    def address(self) -> str:
        """As a browser on this machine asks for it."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'https' if self.tls else 'http'}://{host}:{self.port}/"

    @property
    def open_to_others(self) -> bool:
        """Whether other machines reach it without TLS."""
        return not (loopback(self.host) or self.host == "localhost" or self.tls)


def _context(tls: TlsFiles) -> ssl.SSLContext:
    """TLS 1.2 or later; Refused with the file that is at fault."""
    for file in (tls.certificate, tls.key):
        if not file.is_file():
            raise Refused(f"{file}: expected a file in PEM for TLS, found none.")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        # An empty password: a key that has one is refused, instead of asking for it at an unattended start.
        context.load_cert_chain(str(tls.certificate), str(tls.key), password="")
    except (ssl.SSLError, OSError, ValueError, RuntimeError) as error:
        raise Refused(
            f"{tls.certificate} and {tls.key}: expected a certificate and its own key in PEM, without a "
            f"password; found {error}."
        ) from error
    return context


def bind(folder: Path, place: ServingPlace, *, limits: ClientLimits | None = None, **more: Any) -> Server:
    """A server that holds its port but does not run yet; OSError when the port is taken."""
    app = create_app(folder, names=place.names, tls=bool(place.tls) or place.behind_tls, **more).server
    context = _context(place.tls) if place.tls else None
    bodies = app.extensions.get(EXPECTED_BODIES)
    bound: Server = connections.server(
        app,
        place.host,
        place.port,
        tls=context,
        proxy=place.proxy,
        limits=limits,
        bodies=bodies,
        at_end=lambda: end_streams(app),
    )
    return bound


def bind_rooms(place: ServingPlace, group: Group, limits: ClientLimits | None = None) -> Server:
    """A server for all rooms of a list that holds its port but does not run yet."""
    context = _context(place.tls) if place.tls else None
    bound: Server = connections.server(
        group,
        place.host,
        place.port,
        tls=context,
        proxy=place.proxy,
        limits=limits,
        bodies=group,
        at_end=group.end_streams,
    )
    return bound


def serve_rooms(file: Path, place: ServingPlace, say: Callable[[str], None] = log.info) -> None:
    """Serve all rooms of a list until interrupted."""
    from logger.people import People

    from .group.app import Group

    first = sign_in.First()
    _more_files()
    group = Group(file, names=place.names, first=first, tls=bool(place.tls) or place.behind_tls)
    server = bind_rooms(place, group)
    _say_where(place, say)
    if not People(group.store).all():
        _say_first(place, first, say)
    _run(server)
    group.close()


def serve(folder: Path, place: ServingPlace, say: Callable[[str], None] = log.info) -> None:
    """Serve until interrupted; says where, to whom it is open, and how the first administrator is made."""
    first = sign_in.First()
    server = bind(folder, place, first=first)
    _say_where(place, say)
    if sign_in.wanted_first(folder):
        _say_first(place, first, say)
    _run(server)


def _say_where(place: ServingPlace, say: Callable[[str], None]) -> None:
    say(f"The pages are at {place.address} (stop with Ctrl-C).")
    if place.open_to_others and not place.behind_tls:
        say(
            "This is plain HTTP, open to other machines: who shares the network can read passwords and "
            "readings. Give --certificate and --key, or put a proxy with TLS before it and say --behind-tls."
        )


def _say_first(place: ServingPlace, first: sign_in.First, say: Callable[[str], None]) -> None:
    here = place.address.replace(place.host, "127.0.0.1") if place.open_to_others else place.address
    say("No account yet. Within an hour, on this machine, create the first administrator:")
    say(f"  {here}first?code={first.code}")


def _more_files() -> None:
    """As many open files as this system lets a process have: a room takes five."""
    with suppress(ImportError, OSError, ValueError):
        import resource

        most = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


def _run(server: Server) -> None:
    # The thread that reads all sockets waits for the interpreter as often as it comes back: with the usual
    # 5 ms behind each busy worker a visitor among many clients would wait for seconds.
    sys.setswitchinterval(0.0005)
    try:
        server.run()
    except KeyboardInterrupt:
        server.close()
