"""A notice by mail: one message for one recipient, so that each answer of the server is its own.

`SmtpSender` talks to a server, `MemorySender` is its twin for tests and drills; both answer with
an `SendOutcome` and never raise. A refusal for good is told apart from "later": the first is given up
and shown to a person, the second is tried again.
"""

from __future__ import annotations

import hashlib
import os
import smtplib
import socket
import ssl
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import format_datetime
from typing import BinaryIO, Literal, Protocol

from ..core.alarms.lifecycle import AlarmNotice
from ..instants import NS
from ..model import MailRoute
from ..processes.deadline import DeadlineExceeded, Lines, within
from ..processes.peer_faults import one_line, peer_fault
from .text import Wording

MOST_LINES = 200  # of one answer; what a server can do are some twenty
_LOOPBACK = ("127.0.0.1", "::1", "localhost")


@dataclass(frozen=True)
class SendOutcome:
    """What became of one attempt; `code` is the server's reply code, 0 when there was no reply."""

    result: Literal["accepted", "later", "refused"]
    code: int = 0
    reply: str = ""
    overdue: bool = False  # it did not end by its deadline


class Sender(Protocol):
    """A way to one recipient. `send` ends within its time-out and never raises."""

    def send(self, route: MailRoute, message: EmailMessage) -> SendOutcome:
        """One attempt to hand over one message."""


def message_id(notice: AlarmNotice, recipient: str, sender: str) -> str:
    """Message-ID of a notice: equal for every attempt of one step of one occurrence to one recipient."""
    named = f"{notice.alarm}|{notice.occurrence}|{notice.since_ns}|{notice.step}|{recipient}"
    return identity(named, sender)


def identity(named: str, sender: str) -> str:
    """A Message-ID that is the same whenever the same is named."""
    domain = sender.rpartition("@")[2] or "stillroom.invalid"
    return f"<{hashlib.sha256(named.encode()).hexdigest()[:32]}@{domain}>"


def message(
    wording: Wording, *, sender: str, recipient: str, identity: str, at_ns: int, simulated: bool
) -> EmailMessage:
    """The mail itself; equal for each attempt, its date is that of the notice."""
    mail = EmailMessage()
    mail["Subject"] = wording.subject
    mail["From"] = sender
    mail["To"] = recipient
    mail["Date"] = format_datetime(datetime.fromtimestamp(at_ns // NS, UTC))
    mail["Message-ID"] = identity
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's absence note answers it
    if simulated:
        mail["X-Simulated"] = "yes"
    mail.set_content(wording.body)
    return mail


class _Smtp(smtplib.SMTP):
    """Over a socket that is shut at the deadline; with a context over TLS from the first byte."""

    def __init__(self, lines: Lines, context: ssl.SSLContext | None, route: MailRoute, name: str) -> None:
        self._lines, self._tls, self._called = lines, context, route.host
        super().__init__(route.host, route.port, name, timeout=lines.left_s)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:  # noqa: ARG002 (lines knows)
        peer = self._lines.connect(host, port)
        return peer if self._tls is None else self._tls.wrap_socket(peer, server_hostname=host)

    def getreply(self) -> tuple[int, bytes]:
        """An answer of the server, which `smtplib` would collect for as long as lines come."""
        if self.file is None and self.sock is not None:
            self.file = _AnswerFile(self.sock.makefile("rb"))
        if self.file is not None:
            self.file.lines = 0
        try:
            return super().getreply()
        except smtplib.SMTPServerDisconnected as error:
            if isinstance(error.__context__, _WithoutEnd):  # as bad as one that never comes
                raise DeadlineExceeded(f"mail server {self._called}: {error.__context__}") from error
            raise


class _WithoutEnd(OSError):
    """An answer of more lines than any answer has."""


class _AnswerFile:
    """The answers of a server, line by line; one that does not end is given up."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.lines = 0  # of this answer

    def readline(self, size: int) -> bytes:
        self.lines += 1
        if self.lines > MOST_LINES:
            raise _WithoutEnd(f"its answer does not end: more than {MOST_LINES} lines")
        return self._file.readline(size)

    def close(self) -> None:
        self._file.close()


@dataclass(frozen=True)
class SmtpSender:
    """Hands a message to the mail server of a route. Without the TLS it demands, nothing is sent."""

    timeout_s: float = 15.0
    context: ssl.SSLContext | None = None
    environment: Mapping[str, str] = field(default_factory=lambda: os.environ)

    def send(self, route: MailRoute, message: EmailMessage) -> SendOutcome:
        """One attempt; 4xx and silence mean later, 5xx and a missing STARTTLS mean refused."""
        unsafe = self._unsafe(route)
        if unsafe:
            return SendOutcome("refused", 0, unsafe)
        try:
            within(
                self.timeout_s,
                f"mail server {route.host}",
                lambda lines: self._hand_over(route, message, lines),
            )
            return SendOutcome("accepted", 250)
        except DeadlineExceeded as late:
            return SendOutcome("later", 0, str(late), overdue=True)
        except (smtplib.SMTPException, OSError, ValueError) as error:
            return _outcome_of(error, f"mail server {route.host}:{route.port}")

    def _hand_over(self, route: MailRoute, message: EmailMessage, lines: Lines) -> None:
        with self._connection(route, lines) as peer:
            peer.send_message(message)
            lines.concluded = True

    def _unsafe(self, route: MailRoute) -> str:
        if not route.user:
            return ""
        if route.tls == "none" and route.host not in _LOOPBACK:
            return f"A password is not sent to {route.host} without TLS; set tls in alarms.toml."
        if not self.environment.get(route.password_env):
            return f"The environment variable {route.password_env!r} with the password is not set."
        return ""

    @contextmanager
    def _connection(self, route: MailRoute, lines: Lines) -> Iterator[smtplib.SMTP]:
        context = self.context or ssl.create_default_context()
        # Not getfqdn(), smtplib's default: it waits for a name server that need not be there.
        name = socket.gethostname()
        peer = _Smtp(lines, context if route.tls == "tls" else None, route, name)
        try:
            if route.tls == "starttls":
                peer.starttls(context=context)
            if route.user:
                peer.login(route.user, self.environment[route.password_env])
            yield peer
        finally:
            # Accepted is accepted, however the server takes its leave.
            with suppress(smtplib.SMTPException, OSError):
                peer.quit()
            peer.close()


@dataclass
class MemorySender:
    """Twin of a mail server: `answers` gives the reply of a recipient, all others accept."""

    answers: dict[str, SendOutcome] = field(default_factory=dict)
    accepted: list[tuple[str, EmailMessage]] = field(default_factory=list)  # route key and message

    def send(self, route: MailRoute, message: EmailMessage) -> SendOutcome:
        """The reply as told; only what is accepted is kept."""
        outcome = self.answers.get(str(message["To"]), SendOutcome("accepted", 250))
        if outcome.result == "accepted":
            self.accepted.append((route.key, message))
        return outcome


def _outcome_of(error: Exception, server: str) -> SendOutcome:
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return _by_code(*next(iter(error.recipients.values())))
    if isinstance(error, smtplib.SMTPResponseException):
        return _by_code(error.smtp_code, error.smtp_error)
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return SendOutcome("refused", 0, str(error))
    if isinstance(error, ValueError) and not isinstance(error, OSError):  # its words could hold a password
        return SendOutcome(
            "refused", 0, f"{server}: user, password or address contain characters that mail does not allow"
        )
    return SendOutcome("later", 0, peer_fault(server, error))


def _by_code(code: int, reply: bytes | str) -> SendOutcome:
    text = reply.decode("utf-8", "replace") if isinstance(reply, bytes) else reply
    return SendOutcome("refused" if code >= 500 else "later", code, one_line(text))
