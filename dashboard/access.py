"""Who may do what, until accounts come: anyone looks; acts are for this machine or a demonstration."""

from __future__ import annotations

from collections.abc import Collection
from ipaddress import ip_address
from urllib.parse import urlsplit

from flask import has_request_context, request

from logger.errors import Refused

from .queries import Queries


def may_act(q: Queries) -> None:
    """Refused unless the store is simulated or the person sits at this machine."""
    if q.source.simulated or not has_request_context():
        return
    if not loopback(request.remote_addr or ""):
        raise Refused(
            "Nothing was changed: without sign-in, acts on a real record are taken only from the machine "
            "that serves this page."
        )


def loopback(address: str) -> bool:
    """
    >>> loopback("127.0.0.1"), loopback("::1"), loopback("192.0.2.7"), loopback("")
    (True, True, False, False)
    """
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return False


def known_host(host: str, names: Collection[str]) -> bool:
    """Whether a request's Host is an address, localhost, or one of our names: not a stranger's.

    A page elsewhere can let its own name lead to this machine and ask as if it were ours; it cannot
    take an address for a name.

    >>> known_host("192.0.2.7:8060", ()), known_host("[::1]:8060", ()), known_host("evil.example", ())
    (True, True, False)
    """
    name = urlsplit(f"//{host}").hostname or ""
    if name == "localhost" or name in {n.lower() for n in names}:
        return True
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
