"""Mail: what the server says is what is believed. A real server on loopback, and the twin beside it."""

from __future__ import annotations

import smtplib
import socket
import ssl
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from email.message import EmailMessage, Message
from typing import Any

import pytest

from logger.core.alarms.lifecycle import AlarmNotice, Cell
from logger.model import Conformity, MailRoute
from logger.notify.mail import MemorySender, Sender, SendOutcome, SmtpSender, message, message_id
from logger.notify.text import Wording

CELL = Cell(0, 60, Conformity.NONCONFORMING, 20.9, 0.06, -0.4, "degC", 20.5, "P1.temperature")
NOTICE = AlarmNotice("bay-temperature", 3, "annunciated", 1_792_978_200_000_000_000, 0, CELL, CELL)
REFUSED, LATER = "550 no such user", "451 try again later"


def letter(recipient: str = "greta@almtal.example") -> EmailMessage:
    """A message as the outbox makes it."""
    return message(
        Wording("SIMULATED: Machine bay: 20.9 °C", "Stop measuring.\n"),
        sender="room@almtal.example",
        recipient=recipient,
        identity=message_id(NOTICE, recipient, "room@almtal.example"),
        at_ns=NOTICE.at_ns,
        simulated=True,
    )


@pytest.fixture(params=["real server", "twin"])
def way(
    request: pytest.FixtureRequest, serve: Callable[..., tuple[Any, MailRoute]]
) -> tuple[Sender, MailRoute, Callable[[], list[Message]]]:
    """A sender, a route and what arrived: the same promises for both implementations."""
    if request.param == "twin":
        twin = MemorySender(
            {
                "gone@almtal.example": SendOutcome("refused", 550, REFUSED[4:]),
                "full@almtal.example": SendOutcome("later", 451, LATER[4:]),
            }
        )
        route = MailRoute("duty", "127.0.0.1", 25, "room@almtal.example", (), "none")
        return twin, route, lambda: [m for _, m in twin.accepted]
    peer, route = serve()
    peer.answers = {"gone@almtal.example": REFUSED, "full@almtal.example": LATER}
    return SmtpSender(timeout_s=5), route, lambda: peer.accepted


@pytest.mark.parametrize(
    ("recipient", "expected"),
    [
        ("greta@almtal.example", SendOutcome("accepted", 250)),
        ("gone@almtal.example", SendOutcome("refused", 550, "no such user")),
        ("full@almtal.example", SendOutcome("later", 451, "try again later")),
    ],
    ids=["accepted", "refused for good", "not now"],
)
def test_each_sender_tells_what_became_of_the_message(
    way: tuple[Sender, MailRoute, Callable[[], list[Message]]], recipient: str, expected: SendOutcome
) -> None:
    """Conformance: accepted arrives, what is not accepted does not."""
    sender, route, arrived = way

    outcome = sender.send(route, letter(recipient))

    assert outcome == expected
    assert [m["To"] for m in arrived()] == ([recipient] if expected.result == "accepted" else [])


def test_each_sender_delivers_the_same_message_twice_under_one_name(
    way: tuple[Sender, MailRoute, Callable[[], list[Message]]],
) -> None:
    """Conformance: a repetition is recognisable, and says that nobody wrote it."""
    sender, route, arrived = way

    sender.send(route, letter())
    sender.send(route, letter())

    first, second = arrived()
    assert first["Message-ID"] == second["Message-ID"]
    assert first["Auto-Submitted"] == "auto-generated"
    assert first["Date"] == "Mon, 26 Oct 2026 01:30:00 +0000"
    assert first["Subject"] == "SIMULATED: Machine bay: 20.9 °C"


def test_the_message_id_names_alarm_step_and_recipient() -> None:
    """Another recipient, step or occurrence is another message."""
    others = [
        message_id(NOTICE, "radek@almtal.example", "room@almtal.example"),
        message_id(replace(NOTICE, step="returned"), "greta@almtal.example", "room@almtal.example"),
        message_id(replace(NOTICE, occurrence=4), "greta@almtal.example", "room@almtal.example"),
        message_id(replace(NOTICE, at_ns=1), "greta@almtal.example", "room@almtal.example"),
    ]

    assert len({*others, letter()["Message-ID"]}) == 4  # the instant of the attempt does not count
    assert letter()["Message-ID"].endswith("@almtal.example>")


def test_a_silent_server_is_later_within_the_time_out(serve: Callable[..., tuple[Any, MailRoute]]) -> None:
    """It takes the message and never answers."""
    peer, route = serve()
    peer.silent_s = 12.0
    started = time.monotonic()

    outcome = SmtpSender(timeout_s=0.5).send(route, letter())

    assert outcome.result == "later"
    assert time.monotonic() - started < 10  # room for a busy machine; the server answers after 12 s


def test_nobody_at_the_address_is_later() -> None:
    """A mail server that is down comes back; port 9 of loopback refuses."""
    route = MailRoute("duty", "127.0.0.1", 9, "room@almtal.example", (), "none")

    outcome = SmtpSender(timeout_s=2).send(route, letter())

    assert outcome.result == "later"
    assert outcome.reply.startswith("mail server 127.0.0.1:9 refuses the connection; see whether")


def test_demanded_tls_that_is_not_offered_sends_nothing(
    serve: Callable[..., tuple[Any, MailRoute]],
) -> None:
    """Fail closed: no STARTTLS, no mail."""
    peer, route = serve("starttls")

    outcome = SmtpSender(timeout_s=5).send(route, letter())

    assert outcome.result == "refused"
    assert "STARTTLS" in outcome.reply
    assert peer.attempts == []


def test_starttls_with_a_known_certificate(
    serve: Callable[..., tuple[Any, MailRoute]], certificate: tuple[ssl.SSLContext, ssl.SSLContext]
) -> None:
    """The server demands it, we trust its certificate, the message arrives."""
    server, client = certificate
    peer, route = serve("starttls", tls_context=server, require_starttls=True)

    outcome = SmtpSender(timeout_s=5, context=client).send(route, letter())

    assert outcome.result == "accepted"
    assert len(peer.accepted) == 1


def test_starttls_with_an_unknown_certificate_sends_nothing(
    serve: Callable[..., tuple[Any, MailRoute]], certificate: tuple[ssl.SSLContext, ssl.SSLContext]
) -> None:
    """A stranger between us and the mail server reads nothing."""
    peer, route = serve("starttls", tls_context=certificate[0])

    outcome = SmtpSender(timeout_s=5).send(route, letter())

    assert outcome.result == "later"
    assert "shows a certificate that does not hold: self-signed certificate" in outcome.reply
    assert peer.attempts == []


def test_a_password_does_not_cross_the_net_in_the_clear() -> None:
    """Without TLS to another machine it is refused before a connection is made."""
    route = MailRoute("duty", "mail.almtal.example", 25, "room@almtal.example", (), "none", "room", "ROOM")

    outcome = SmtpSender(environment={"ROOM": "secret"}).send(route, letter())

    assert outcome.result == "refused"
    assert "without TLS" in outcome.reply


def test_a_missing_password_is_named() -> None:
    """The variable that was to hold it stands in the message."""
    route = MailRoute("duty", "127.0.0.1", 25, "room@almtal.example", (), "starttls", "room", "ROOM_MAIL")

    outcome = SmtpSender(environment={}).send(route, letter())

    assert outcome == SendOutcome(
        "refused", 0, "The environment variable 'ROOM_MAIL' with the password is not set."
    )


def test_a_server_that_leaves_without_a_word_after_accepting_has_accepted(
    serve: Callable[..., tuple[Any, MailRoute]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was accepted is not sent again because the farewell failed."""
    peer, route = serve()

    def leave(self: smtplib.SMTP) -> tuple[int, bytes]:
        raise smtplib.SMTPServerDisconnected("gone")

    monkeypatch.setattr(smtplib.SMTP, "quit", leave)

    assert SmtpSender(timeout_s=5).send(route, letter()).result == "accepted"
    assert len(peer.accepted) == 1


def test_a_password_that_cannot_be_sent_is_refused_and_not_shown(
    serve: Callable[..., tuple[Any, MailRoute]],
) -> None:
    """RFC 4616 would allow UTF-8, smtplib writes ASCII alone: the letter is given up, the sender lives on."""
    peer, route = serve(authenticator=lambda *_: None, auth_require_tls=False)
    secret = replace(route, user="room", password_env="ROOM")

    outcome = SmtpSender(timeout_s=5, environment={"ROOM": "gehörtmir"}).send(secret, letter())

    assert (outcome.result, outcome.code, peer.attempts) == ("refused", 0, [])
    assert "password" in outcome.reply
    assert "geh" not in outcome.reply


def flooded(lines: int, last: bytes) -> tuple[int, list[int], threading.Thread]:
    """A server whose greeting does not end for so many lines; its port, the bytes that went out, itself."""
    listener = socket.create_server(("127.0.0.1", 0))
    sent = [0]

    def greet() -> None:
        peer, _ = listener.accept()
        with listener, peer, suppress(OSError):
            for _ in range(lines // 1000):
                sent[0] += len(part := b"220-hello\r\n" * 1000)
                peer.sendall(part)
            peer.sendall(last)
            peer.settimeout(10)
            while peer.recv(4096):
                pass

    thread = threading.Thread(target=greet, daemon=True)
    thread.start()
    return listener.getsockname()[1], sent, thread


@pytest.mark.parametrize("lines", [50_000, 1000])
def test_a_greeting_without_end_is_neither_read_to_its_end_nor_repeated(lines: int) -> None:
    """Cut within a line, as where such a server dies. The log had got millions of lines as one answer."""
    port, sent, thread = flooded(lines, b"22")
    route = MailRoute("duty", "127.0.0.1", port, "room@almtal.example", (), "none")
    outcome = SmtpSender(timeout_s=10).send(route, letter())
    thread.join(10)
    assert outcome.result == "later"
    assert len(outcome.reply) < 200
    assert "\n" not in outcome.reply
    assert outcome.reply.endswith("its answer does not end: more than 200 lines")
    assert sent[0] < 8_000_000  # what the system itself takes ahead of the reader


@pytest.mark.parametrize(
    ("reply", "words"),
    [
        ("550-no such user\r\n550-here\r\n550 at all", "no such user here at all"),
        ("550 " + "x" * 700, "x" * 199 + "…"),
        ("550 \x1b[31mred\x00", "[31mred"),
    ],
)
def test_an_answer_is_one_line_of_words(
    serve: Callable[..., tuple[Any, MailRoute]], reply: str, words: str
) -> None:
    peer, route = serve()
    peer.answers = {"greta@almtal.example": reply}
    assert SmtpSender(timeout_s=5).send(route, letter()) == SendOutcome("refused", 550, words)
