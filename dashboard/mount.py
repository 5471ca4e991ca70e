"""Pages below a path, as those of one room among many: every address of their own gets the path before it.

Pages write their addresses as if they stood alone ("/trend"). What leaves the application is changed in one
place: `href` of components in JSON, `href`, `action` and `src` in HTML, and where an answer redirects to.
What a person or a file brought is not taken for these: its quotes are escaped in JSON, entities in HTML.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

from flask import Flask, Response, has_request_context, request

from .access.guard import House

# Answered by the group: there one signs in, and has one account.
OF_THE_HOUSE = ("rooms", "sign-in", "sign-out", "account", "accounts", "as", "first")
_JSON_SLASH = r"(?:/|\\u002f)"
_REWRITTEN = ("application/json", "text/html")


@dataclass(frozen=True)
class Mount:
    """Where a room's pages stand ("/hall-3"), and the group that knows who asks."""

    prefix: str
    house: House

    def install(self, server: Flask) -> None:
        """Let every answer of an application carry the path."""
        server.after_request(self._carry)

    def address(self, location: str) -> str:
        """An address as the browser is to ask for it."""
        return self._location.sub(lambda _: f"{self.prefix}/", location, count=1)

    def _own(self, slash: str) -> str:
        """A path that is to get the prefix: no other host's, none that has it, none of the group's."""
        house = "|".join(OF_THE_HOUSE)
        return rf"{slash}(?!{slash}|{re.escape(self.prefix[1:])}{slash}|(?:{house})(?:[\"'?#]|{slash}|$))"

    @cached_property
    def _location(self) -> re.Pattern[str]:
        return re.compile(f"^{self._own('/')}")

    @cached_property
    def _json(self) -> re.Pattern[bytes]:
        # What goes into a page or an answer of Dash has its slashes escaped.
        return re.compile(rf'("href":\s*"){self._own(_JSON_SLASH)}'.encode())

    @cached_property
    def _html(self) -> re.Pattern[bytes]:
        return re.compile(rf'(\b(?:href|action|src)="){self._own("/")}'.encode())

    def _carry(self, response: Response) -> Response:
        if "Location" in response.headers:
            response.headers["Location"] = self.address(response.headers["Location"])
        if response.mimetype in _REWRITTEN and not response.direct_passthrough:
            pattern = self._json if response.mimetype == "application/json" else self._html
            response.set_data(pattern.sub(rb"\1" + f"{self.prefix}/".encode(), response.get_data()))
        return response


def own_path(path: str | None) -> str:
    """A path of the browser's address as the pages write it: without that of the room."""
    root = request.script_root if has_request_context() else ""
    own = (path or "/").removeprefix(root) if root else path or "/"
    return own or "/"
