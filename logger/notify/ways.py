"""Ways of a notice besides mail: a signed webhook, a program, a chat service.

Each answers with an `Outcome` and never raises. A webhook carries three headers: `webhook-id` (the same for
each attempt), `webhook-timestamp` (seconds since 1970) and `webhook-signature`, a list of
`v1=<hex HMAC-SHA256(key, id.timestamp.body)>`, one for each key in use. A receiver compares them in constant
time, refuses a timestamp that is more than 5 min off, and answers an id that it has seen without acting.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import ssl
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from http.client import HTTPException
from typing import Any
from urllib.parse import urlsplit

from ..instants import NS
from ..model import ChatRoute, CommandRoute, WebhookRoute
from ..processes.deadline import DeadlineExceeded, Lines, PlainConnection, TlsConnection, within
from ..processes.peer_faults import one_line, peer_fault
from ..processes.programs import Program
from .mail import SendOutcome

# What of a letter goes out; who else is told stays here.
TOLD = ("message_id", "alarm", "step", "occurrence", "priority", "zone", "at", "subject", "text", "simulated")
CHAT_S = 30.0
LATER_CODES = (408, 425, 429)  # RFC 9110, 15.5.9; RFC 8470, 5.2; RFC 6585, 4


def signature(keys: Sequence[bytes], identity: str, timestamp: int, body: bytes) -> str:
    """The header `webhook-signature`: one entry for each key."""
    text = f"{identity}.{timestamp}.".encode() + body
    return " ".join(f"v1={hmac.new(key, text, hashlib.sha256).hexdigest()}" for key in keys)


@dataclass(frozen=True)
class Ways:
    """Hands a notice to a route that is no mail; `environment` holds the secrets that routes name."""

    environment: Mapping[str, str] = field(default_factory=lambda: os.environ)
    clock: Callable[[], int] = time.time_ns

    def send(self, route: WebhookRoute | CommandRoute | ChatRoute, letter: Mapping[str, Any]) -> SendOutcome:
        """One attempt to hand over the body of a letter."""
        if isinstance(route, WebhookRoute):
            return self._post(route, letter)
        return self._run(route, letter) if isinstance(route, CommandRoute) else self._chat(route, letter)

    def _post(self, route: WebhookRoute, letter: Mapping[str, Any]) -> SendOutcome:
        missing = [name for name in route.key_envs if not self.environment.get(name)]
        if missing:
            return SendOutcome(
                "refused", 0, f"The environment variable {missing[0]!r} with the key is not set."
            )
        keys = [self.environment[name].encode() for name in route.key_envs]
        body, now_s = payload(letter), self.clock() // NS
        identity = str(letter["message_id"]).strip("<>")
        headers = {
            "Content-Type": "application/json",
            "webhook-id": identity,
            "webhook-timestamp": str(now_s),
            "webhook-signature": signature(keys, identity, now_s, body),
        }
        return _send_request(route.url, body, headers, route.timeout_s)

    def _run(self, route: CommandRoute, letter: Mapping[str, Any]) -> SendOutcome:
        """What hangs ends with all that it started; a siren that it leaves sounding goes on."""
        try:
            ran = Program(route.arguments, os.environ).wait(route.timeout_s, payload(letter))
        except (OSError, ValueError) as error:
            why = (isinstance(error, OSError) and error.strerror) or str(error)
            return SendOutcome("later", 0, f"{route.arguments[0]} could not be started: {why}")
        if ran.ended:
            return SendOutcome("later", 0, f"{route.arguments[0]} {ran.ended}", overdue=True)
        output = one_line(ran.err[:800].decode("utf-8", "replace"))
        return SendOutcome("later" if ran.code else "accepted", ran.code, output)

    def _chat(self, route: ChatRoute, letter: Mapping[str, Any]) -> SendOutcome:
        url = self.environment.get(route.url_env)
        if not url:
            return SendOutcome("refused", 0, f"The environment variable {route.url_env!r} is not set.")
        try:
            import apprise
        except ImportError:
            return SendOutcome(
                "refused", 0, "Chat services need the package apprise: pip install 'stillroom[chat]'."
            )
        service = apprise.Apprise()
        if not service.add(url):  # the address is a secret: it is never repeated
            return SendOutcome(
                "refused", 0, f"The address in {route.url_env!r} is not one that apprise knows."
            )
        title, text = str(letter["subject"]), str(letter["text"])
        try:
            # Truthy on success only; since 2.3 it is an object, so that comparing it with True would fail.
            accepted = within(CHAT_S, "chat service", lambda _: bool(service.notify(title=title, body=text)))
        except DeadlineExceeded as late:
            return SendOutcome("later", 0, str(late), overdue=True)
        return SendOutcome(
            "accepted" if accepted else "later", 0, "" if accepted else "rejected by the chat service"
        )


def payload(letter: Mapping[str, Any]) -> bytes:
    """What goes over a webhook and to a program: the exact bytes that are signed."""
    fields = {name: letter[name] for name in TOLD if name in letter}
    return json.dumps(fields, ensure_ascii=False, sort_keys=True).encode()


def _send_request(url: str, body: bytes, headers: Mapping[str, str], timeout_s: float) -> SendOutcome:
    """One POST. No redirect is followed: a notice goes where the setup says and nowhere else."""
    at = urlsplit(url)
    try:
        status, reason = within(timeout_s, f"web server {at.hostname}", partial(_post, url, body, headers))
    except DeadlineExceeded as late:
        return SendOutcome("later", 0, str(late), overdue=True)
    except (OSError, HTTPException) as error:
        return SendOutcome(
            "later", 0, one_line(peer_fault(f"web server {at.netloc.rpartition('@')[2]}", error))
        )
    if 200 <= status < 300:
        return SendOutcome("accepted", status)
    return SendOutcome(
        "later" if status >= 500 or status in LATER_CODES else "refused", status, one_line(reason)
    )


def _post(url: str, body: bytes, headers: Mapping[str, str], lines: Lines) -> tuple[int, str]:
    """Status and reason of the answer; the rest of it is not read."""
    at = urlsplit(url)
    host = at.hostname or ""
    peer = (
        TlsConnection(host, at.port, lines=lines, context=ssl.create_default_context())
        if at.scheme == "https"
        else PlainConnection(host, at.port, lines=lines)
    )
    try:
        peer.request("POST", at.path + (f"?{at.query}" if at.query else "") or "/", body, dict(headers))
        answer = peer.getresponse()
        return answer.status, answer.reason
    finally:
        peer.close()
