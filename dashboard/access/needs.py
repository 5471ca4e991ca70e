"""Who may do what on the pages: what each part needs is declared beside it, and who asks is known here.

A page has NEEDS; a callback or a route has `@needs(…)` directly above its function. What declares
nothing opens to nobody: `create_app` refuses to start with it. `guard.py` is what enforces it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from ipaddress import ip_address
from typing import Any, Final, Literal, TypeAlias, TypeVar
from urllib.parse import urlsplit

from flask import g, has_request_context, request

from logger.errors import Refused
from logger.model.roles import Act, Role, refuse_unless
from logger.people import Account

ANYONE: Final = "anyone"  # also who has not signed in
# Under this name an application has who knows of large bodies that are expected: see `connections.Request`.
EXPECTED_BODIES = "stillroom expected bodies"
Need: TypeAlias = Act | Literal["anyone"]
Function = TypeVar("Function", bound=Callable[..., Any])
# Outside a request there is no visitor to keep out: a script runs with the rights of who started it.
HOUSE = Account("", "stillroom", frozenset(Role), True, 0, 0)
# A proxy leaves at least one of these, and then nobody behind it sits at this machine.
PROXY_HEADERS = (
    *("Forwarded", "Via", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto", "X-Real-IP"),
    *("X-Forwarded-Server", "X-Forwarded-By", "X-Client-IP", "True-Client-IP", "CF-Connecting-IP"),
)


def needs(need: Need) -> Callable[[Function], Function]:
    """Declare what a callback or route needs: directly above the function, below `@app.callback`."""

    def declared(function: Function) -> Function:
        function.needs = need  # type: ignore[attr-defined]
        return function

    return declared


def visitor() -> Account | None:
    """Who asks; None: nobody has signed in."""
    if not has_request_context():
        return HOUSE
    account: Account | None = g.get("account")
    return account


def allowed(need: Need) -> bool:
    """Whether the visitor may do this; for what a page shows or leaves out."""
    who = visitor()
    return need == ANYONE or (who is not None and who.may(Act(need)))


def acting(act: Act) -> str:
    """The name to act under, as the record prints it; Refused unless the visitor may do this."""
    who = visitor()
    if who is None:
        raise Refused("Sign in first. Nothing was changed.")
    refuse_unless(who.person, who.roles, act)
    return who.person


def at_this_machine() -> bool:
    """Whether the visitor's browser runs here: over loopback, by a name of loopback, through no proxy.

    A proxy that leaves no trace cannot be told from a browser; hence nothing of a real record rests on this.
    """
    if any(name in request.headers for name in PROXY_HEADERS):
        return False
    name = urlsplit(f"//{request.host}").hostname or ""
    return loopback(request.remote_addr or "") and (name == "localhost" or loopback(name))


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
    try:
        name = urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return False
    if name == "localhost" or name in {n.lower() for n in names}:
        return True
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
