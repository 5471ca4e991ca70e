"""The application behind a server: on loopback unless told otherwise, with TLS where files for it are given.

Plain HTTP is served by waitress, TLS by cheroot; both in one process with eight threads. A proxy on this
machine is the third way; what it says of its visitors is never believed (see `access.at_this_machine`).
"""

from __future__ import annotations

import logging
import ssl
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from logger.errors import Refused

from .access import sign_in
from .access.needs import loopback
from .app import create_app

log = logging.getLogger(__name__)
THREADS = 8
LARGEST_BODY, LARGEST_HEAD = 64 << 20, 64 << 10


class Server(Protocol):
    """A bound server: `run` blocks until `close`."""

    def run(self) -> None: ...

    def close(self) -> None: ...


@dataclass(frozen=True)
class Tls:
    """Files in PEM: the certificate with its chain, and its key without a password."""

    certificate: Path
    key: Path


@dataclass(frozen=True)
class Place:
    """Where the pages are served. `behind_tls`: a proxy speaks TLS, so cookies travel over that alone."""

    host: str = "127.0.0.1"
    port: int = 8060
    names: Collection[str] = ()
    tls: Tls | None = None
    behind_tls: bool = False

    @property
    def address(self) -> str:
        """As a browser on this machine asks for it."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'https' if self.tls else 'http'}://{host}:{self.port}/"

    @property
    def open_to_others(self) -> bool:
        """Whether other machines reach it without TLS."""
        return not (loopback(self.host) or self.host == "localhost" or self.tls)


class _Cheroot:
    """Cheroot in the form of waitress: bound when made."""

    def __init__(self, app: Any, place: Place, tls: Tls) -> None:
        from cheroot.wsgi import Server as Wsgi

        self._server = Wsgi((place.host, place.port), app, numthreads=THREADS, server_name="stillroom")
        self._server.max_request_body_size = LARGEST_BODY
        self._server.max_request_header_size = LARGEST_HEAD
        self._server.ssl_adapter = _adapter(tls)
        self._server.prepare()

    def run(self) -> None:
        self._server.serve()

    def close(self) -> None:
        self._server.stop()


def _adapter(tls: Tls) -> Any:
    """TLS 1.2 or later; Refused with the file that is at fault."""
    from cheroot.ssl.builtin import BuiltinSSLAdapter

    for file in (tls.certificate, tls.key):
        if not file.is_file():
            raise Refused(f"{file}: wanted a file in PEM for TLS, found none.")
    try:
        # An empty password: a key that has one is refused, instead of asking for it at an unattended start.
        adapter = BuiltinSSLAdapter(str(tls.certificate), str(tls.key), private_key_password="")
    except (ssl.SSLError, OSError, ValueError, RuntimeError) as error:
        raise Refused(
            f"{tls.certificate} and {tls.key}: wanted a certificate and its own key in PEM, without a "
            f"password; found {error}."
        ) from error
    adapter.context.minimum_version = ssl.TLSVersion.TLSv1_2
    return adapter


def bind(folder: Path, place: Place, **more: Any) -> Server:
    """A server that holds its port but does not run yet; OSError when the port is taken."""
    app = create_app(folder, names=place.names, tls=bool(place.tls) or place.behind_tls, **more).server
    if place.tls:
        return _Cheroot(app, place, place.tls)
    from waitress import create_server

    server: Server = create_server(
        app,
        host=place.host,
        port=place.port,
        threads=THREADS,
        ident=None,
        clear_untrusted_proxy_headers=False,  # their presence is what tells a proxy
        max_request_body_size=LARGEST_BODY,
        max_request_header_size=LARGEST_HEAD,
    )
    return server


def serve(folder: Path, place: Place, say: Callable[[str], None] = log.info) -> None:
    """Serve until interrupted; says where, to whom it is open, and how the first administrator is made."""
    first = sign_in.First()
    server = bind(folder, place, first=first)
    say(f"The pages are at {place.address} (stop with Ctrl-C).")
    if place.open_to_others and not place.behind_tls:
        say(
            "This is plain HTTP, open to other machines: who shares the network can read passwords and "
            "readings. Give --certificate and --key, or put a proxy with TLS before it and say --behind-tls."
        )
    if sign_in.wanted_first(folder):
        here = place.address.replace(place.host, "127.0.0.1") if place.open_to_others else place.address
        say("No account yet. Within an hour, on this machine, make the first administrator:")
        say(f"  {here}first?code={first.code}")
    try:
        server.run()
    except KeyboardInterrupt:
        server.close()
