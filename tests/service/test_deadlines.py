"""One deadline for the whole of an act outside; what misses it is named, and holds up nobody else."""

from __future__ import annotations

import json
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from email.message import EmailMessage
from pathlib import Path

import pytest

from logger.model import CommandRoute, Heartbeat, MailRoute, WebhookRoute
from logger.notify.mail import SmtpSender
from logger.notify.ways import Ways
from logger.processes.deadline import BoundedCall, DeadlineExceeded, within
from logger.service import heartbeat
from logger.service.forwarder import Centre, NotAccepted
from logger.service.watcher import of_address

LONG_S = 60.0  # longer than anybody waits here; a test that took so long would have hung
DEADLINE_S = 0.3  # for what never ends


class Peer:
    """A server that does to each connection what `talk` does, in a thread of its own."""

    def __init__(self, talk: Callable[[socket.socket, threading.Event], None]) -> None:
        self._talk = talk
        self._ending = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.connections = 0
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        self._ending.set()
        self._listener.close()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                peer, _ = self._listener.accept()
                self.connections += 1
                threading.Thread(target=self._serve_client, args=(peer,), daemon=True).start()

    def _serve_client(self, peer: socket.socket) -> None:
        with peer, suppress(OSError):
            self._talk(peer, self._ending)


def silent(peer: socket.socket, ending: threading.Event) -> None:
    """Takes the connection and says nothing."""
    ending.wait(LONG_S)


def dripping(first: bytes) -> Callable[[socket.socket, threading.Event], None]:
    """A byte now and then, long before any time-out of a socket, and never a line end after `first`."""

    def talk(peer: socket.socket, ending: threading.Event) -> None:
        peer.sendall(first)
        while not ending.wait(0.05):
            peer.sendall(b"2")

    return talk


def flooding(first: bytes) -> Callable[[socket.socket, threading.Event], None]:
    """Lines without end."""

    def talk(peer: socket.socket, ending: threading.Event) -> None:
        peer.sendall(first)
        while not ending.is_set():
            peer.sendall(first * 1000)

    return talk


def mail_until_the_end(peer: socket.socket, ending: threading.Event) -> None:
    """Takes the mail as it should, and then takes no leave: it drips."""
    peer.sendall(b"220 ready\r\n")
    lines = peer.makefile("rb")
    for line in lines:
        word = line[:4].upper().strip()
        if word == b"DATA":
            peer.sendall(b"354 go on\r\n")
            while lines.readline() != b".\r\n":
                pass
            peer.sendall(b"250 taken\r\n")
        elif word == b"QUIT":
            break
        else:
            peer.sendall(b"250 ok\r\n")
    dripping(b"221")(peer, ending)


@pytest.fixture
def served(request: pytest.FixtureRequest) -> Iterator[Peer]:
    peer = Peer(request.param)
    yield peer
    peer.close()


def mail(port: int, tls: str = "none") -> tuple[MailRoute, EmailMessage]:
    route = MailRoute("duty", "127.0.0.1", port, "room@example.org", ("duty@example.org",), tls=tls)  # type: ignore[arg-type]
    letter = EmailMessage()
    letter["From"], letter["To"], letter["Subject"] = "room@example.org", "duty@example.org", "x"
    return route, letter


BAD = {
    "silent": silent,
    "dripping": dripping(b"220"),
    "flooding": flooding(b"220-hello\r\n"),
    "dripping later": dripping(b"220 ready\r\n250"),
}


@pytest.mark.slow
@pytest.mark.parametrize("served", BAD.values(), ids=BAD, indirect=True)
@pytest.mark.parametrize("tls", ["none", "starttls", "tls"])
def test_a_mail_server_that_never_finishes_is_overdue_at_the_deadline(served: Peer, tls: str) -> None:
    """And may be tried again: nothing of the attempt is left waiting on it."""
    before = threading.active_count()
    outcome = SmtpSender(timeout_s=DEADLINE_S).send(*mail(served.port, tls))
    assert (outcome.result, outcome.overdue or tls == "tls") == ("later", True)
    ways = (" did not end within 0.3 s", ": its answer does not end: more than 200 lines")
    assert outcome.overdue is False or outcome.reply in {f"mail server 127.0.0.1{way}" for way in ways}
    until_s = time.monotonic() + LONG_S
    while threading.active_count() > before + 1 and time.monotonic() < until_s:
        time.sleep(0.05)  # the server's own thread is the one more
    assert threading.active_count() <= before + 1


@pytest.mark.slow
@pytest.mark.parametrize("served", [mail_until_the_end], indirect=True)
def test_what_a_mail_server_accepted_is_accepted_though_it_takes_no_leave(served: Peer) -> None:
    outcome = SmtpSender(timeout_s=10 * DEADLINE_S).send(*mail(served.port))
    assert (outcome.result, outcome.overdue) == ("accepted", False)


WEB = {
    "silent": silent,
    "dripping": dripping(b"HTTP/1.1 2"),
    "dripping head": dripping(b"HTTP/1.1 200 OK\r\nX: "),
    "going on without end": flooding(b"HTTP/1.1 100 Continue\r\n\r\n"),
}


@pytest.mark.parametrize("served", WEB.values(), ids=WEB, indirect=True)
@pytest.mark.parametrize("scheme", ["http", "https"])
def test_a_web_server_that_never_finishes_is_overdue_at_the_deadline(served: Peer, scheme: str) -> None:
    route = WebhookRoute("hook", f"{scheme}://127.0.0.1:{served.port}/x", ("KEY",), timeout_s=DEADLINE_S)
    outcome = Ways({"KEY": "x"}).send(route, {"message_id": "1"})
    assert outcome.result == "later"
    assert outcome.overdue or scheme == "https"


def test_a_program_of_a_route_is_bounded_in_time_and_output() -> None:
    def sent(code: str, timeout_s: float = LONG_S) -> tuple[str, bool]:
        route = CommandRoute("horn", (sys.executable, "-S", "-c", code), timeout_s=timeout_s)
        outcome = Ways().send(route, {"message_id": "1"})
        return outcome.result, outcome.overdue

    assert sent("import sys\nwhile True: sys.stderr.write('x' * 10000)") == ("later", True)
    assert sent("import os, time\nif os.fork() == 0: os.setsid()\ntime.sleep(120)", 1.0) == ("later", True)
    siren = "import os, time\nif os.fork() == 0:\n os.setsid(); time.sleep(120); os._exit(0)"
    assert sent(siren) == ("accepted", False)


BODY = {
    "silent": silent,
    "dripping body": dripping(b"HTTP/1.1 200 OK\r\nContent-Length: 5000\r\n\r\n"),
}


@pytest.mark.parametrize("served", BODY.values(), ids=BODY, indirect=True)
def test_watchers_and_centres_that_never_finish_are_left_at_the_deadline(
    served: Peer, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("service.heartbeat", "service.forwarder", "service.watcher"):
        monkeypatch.setattr(f"logger.{module}.ANSWER_S", DEADLINE_S)
    url = f"http://127.0.0.1:{served.port}"
    with pytest.raises(DeadlineExceeded, match=r"the heartbeat's address did not end within 0\.3 s"):
        heartbeat.OutsideHeartbeat().beat(Heartbeat(url), {"at": "now"})
    assert of_address(url)() == ""
    with pytest.raises(NotAccepted, match=f"centre {url} did not end within 0.3 s"):
        Centre(url, "annex").send("record", 1, [])


@pytest.mark.parametrize("served", [dripping(b"220 no web server\r\n")], indirect=True)
def test_an_address_that_is_no_web_server_does_not_keep_the_file_from_being_written(
    served: Peer, tmp_path: Path
) -> None:
    file = tmp_path / "sign"
    plan = Heartbeat(f"http://127.0.0.1:{served.port}/", str(file))
    with pytest.raises(OSError, match="does not answer like a web server"):
        heartbeat.OutsideHeartbeat().beat(plan, {"at": "now"})
    assert json.loads(file.read_text()) == {"at": "now"}


def test_a_share_that_hangs_does_not_keep_the_address_from_hearing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And no second writer is sent after the first that hangs."""
    go, begun, heard = threading.Event(), [], []

    def hang(file: Path, facts: object) -> None:
        begun.append(file)
        go.wait(LONG_S)

    monkeypatch.setattr("logger.service.heartbeat.ANSWER_S", 0.1)
    monkeypatch.setattr("logger.service.heartbeat._replace", hang)
    monkeypatch.setattr("logger.service.heartbeat._post", lambda url, facts, lines: heard.append(url))
    outside = heartbeat.OutsideHeartbeat()
    for _ in range(3):
        with pytest.raises(DeadlineExceeded, match="the heartbeat's file"):
            outside.beat(Heartbeat("http://127.0.0.1:9/", str(tmp_path / "x")), {})
    assert (len(begun), len(heard)) == (1, 3)
    go.set()


def test_an_errand_gives_and_raises_what_its_work_does() -> None:
    assert within(LONG_S, "x", lambda lines: json.dumps(lines.left_s > 1)) == "true"
    with pytest.raises(ZeroDivisionError):
        within(LONG_S, "x", lambda _: 1 / 0)
    go = threading.Event()
    call = BoundedCall("the share", 0.05)
    with pytest.raises(DeadlineExceeded, match=r"the share did not end within 0\.05 s"):
        call.run(lambda _: go.wait(LONG_S))
    with pytest.raises(DeadlineExceeded, match=r"the share has not ended for \d+ s"):
        call.run(lambda _: None)
    go.set()
    until_s = time.monotonic() + LONG_S
    while time.monotonic() < until_s:
        with suppress(DeadlineExceeded):
            assert call.run(lambda _: "back") == "back"
            break
    assert time.monotonic() < until_s
