"""Who may do what, until accounts come: anyone looks; acts are for this machine or a demonstration."""

from __future__ import annotations

from ipaddress import ip_address

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
