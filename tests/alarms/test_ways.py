"""Ways besides mail: a real HTTP receiver, a real program, a chat service through apprise."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from logger.instants import NS
from logger.model import ChatRoute, CommandRoute, WebhookRoute
from logger.notify.ways import Ways, payload, signature

LETTER = {
    "message_id": "<c0ffee@almtal.example>", "alarm": "bay-air", "step": "annunciated", "occurrence": 3,
    "subject": "Machine bay: 20.90 °C", "text": "Stop measuring.\n", "recipient": "", "queued_ns": 0,
}  # fmt: skip
KEYS = {"OLD": "key before", "NEW": "key after"}
NOW_S = 1_792_978_200


@dataclass
class Receiver:
    """An HTTP server that keeps what came and answers with the codes as told, 200 at the end."""

    codes: list[int] = field(default_factory=list)
    came: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    url: str = ""
    silent: threading.Event | None = None


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """On loopback, for one test."""
    output = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            output.came.append((self.path, dict(self.headers), body))
            if output.silent:
                output.silent.wait(60)
            self.send_response(output.codes.pop(0) if output.codes else 200)
            self.send_header("Location", "http://127.0.0.1:9/elsewhere")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    output.url = f"http://127.0.0.1:{server.server_port}/alarms?room=east"
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield output
    if output.silent:
        output.silent.set()
    server.shutdown()
    server.server_close()


def _runs(pid: int) -> bool:
    """Whether a process that was killed just now still runs; one that nobody took leave of does not."""
    state = Path(f"/proc/{pid}/stat")
    try:
        return state.read_text(encoding="ascii").rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def _ends(pid: int, within_s: float = 60.0) -> bool:
    """Whether a process that was killed ends: the signal is there at once, its effect is scheduled."""
    deadline = time.monotonic() + within_s
    while _runs(pid) and time.monotonic() < deadline:
        time.sleep(0.01)
    return not _runs(pid)


def sent(receiver: Receiver, *key_envs: str, timeout_s: float = 5.0) -> tuple[str, int]:
    """One attempt with a clock that stands."""
    route = WebhookRoute("building", receiver.url, key_envs or ("NEW",), timeout_s)
    outcome = Ways(KEYS, lambda: NOW_S * NS).send(route, LETTER)
    return outcome.result, outcome.code


def test_the_signature_is_hmac_sha256() -> None:
    """RFC 4231, test case 2: HMAC-SHA256 of "what do ya want for nothing?" under the key "Jefe"."""
    reference = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"

    assert hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest() == reference
    mac = hmac.new(b"Jefe", b"id-1.1792978200.{}", hashlib.sha256).hexdigest()
    assert signature([b"Jefe"], "id-1", NOW_S, b"{}") == f"v1={mac}"


def test_a_receiver_with_either_key_can_verify_the_exact_bytes(receiver: Receiver) -> None:
    """Two keys during a change: the receiver needs one of them, and a changed byte is found."""
    assert sent(receiver, "OLD", "NEW") == ("accepted", 200)

    path, headers, body = receiver.came[0]
    identity, at = headers["webhook-id"], headers["webhook-timestamp"]
    entries = headers["webhook-signature"].split(" ")
    for key in KEYS.values():
        mac = hmac.new(key.encode(), f"{identity}.{at}.".encode() + body, hashlib.sha256).hexdigest()
        assert f"v1={mac}" in entries
        changed = hmac.new(key.encode(), f"{identity}.{at}.".encode() + body + b" ", hashlib.sha256)
        assert f"v1={changed.hexdigest()}" not in entries
    assert (path, identity, at) == ("/alarms?room=east", "c0ffee@almtal.example", str(NOW_S))
    assert json.loads(body)["alarm"] == "bay-air"
    assert "recipient" not in json.loads(body)


@pytest.mark.parametrize(
    ("code", "expected"),
    [(204, "accepted"), (400, "refused"), (401, "refused"), (404, "refused"), (302, "refused"),
     (408, "later"), (429, "later"), (500, "later"), (503, "later")],
)  # fmt: skip
def test_codes_are_taken_at_their_word(receiver: Receiver, code: int, expected: str) -> None:
    """A redirect is not followed: it could lead the notice anywhere."""
    receiver.codes = [code]

    assert sent(receiver) == (expected, code)
    assert len(receiver.came) == 1


def test_silence_and_nobody_there_are_later(receiver: Receiver) -> None:
    """Both come back."""
    receiver.silent = threading.Event()

    assert sent(receiver, timeout_s=0.3) == ("later", 0)
    nobody = WebhookRoute("building", "http://127.0.0.1:9/", ("NEW",), 1.0)
    assert Ways(KEYS).send(nobody, LETTER).result == "later"


def test_without_its_key_nothing_is_sent(receiver: Receiver) -> None:
    """The variable is named, its value never."""
    route = WebhookRoute("building", receiver.url, ("MISSING",))

    outcome = Ways(KEYS).send(route, LETTER)

    assert (outcome.result, receiver.came) == ("refused", [])
    assert "MISSING" in outcome.reply


def test_a_program_gets_the_notice_and_its_end_is_believed(tmp_path: Path) -> None:
    """Standard input has the same JSON; a code other than 0, a hanging or missing program mean later."""
    remaining = tmp_path / "kept.json"
    copy = f"import sys; open({str(remaining)!r}, 'wb').write(sys.stdin.buffer.read())"
    fails = "import sys; sys.stderr.write('no horn'); sys.exit(3)"

    good = Ways().send(CommandRoute("horn", (sys.executable, "-c", copy)), LETTER)
    bad = Ways().send(CommandRoute("horn", (sys.executable, "-c", fails)), LETTER)
    slow = Ways().send(CommandRoute("horn", (sys.executable, "-c", "input(); input()"), 0.01), LETTER)
    removed = Ways().send(CommandRoute("horn", (str(tmp_path / "no-such-program"),)), LETTER)

    assert (good.result, remaining.read_bytes()) == ("accepted", payload(LETTER))
    assert (bad.result, bad.code, bad.reply) == ("later", 3, "no horn")
    assert (slow.result, removed.result) == ("later", "later")


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="groups of processes are POSIX")
def test_what_a_hanging_program_started_ends_with_it_and_a_siren_may_go_on(tmp_path: Path) -> None:
    """A child outlives a program that ends in order, which counts at once, and not one that hangs."""
    pids = [tmp_path / "siren.pid", tmp_path / "hung.pid"]

    remaining = Ways().send(
        CommandRoute("horn", ("sh", "-c", f"sleep 30 & echo $! >{pids[0]}"), 20.0), LETTER
    )
    slow = Ways().send(
        CommandRoute("horn", ("sh", "-c", f"sleep 30 & echo $! >{pids[1]}; wait"), 1.0), LETTER
    )

    children = [int(file.read_text()) for file in pids]
    assert (remaining.result, slow.result) == ("accepted", "later")
    os.kill(children[0], signal.SIGKILL)  # it was alive
    assert _ends(children[1])


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of modules that apprise loads
def test_a_chat_service_by_apprise(receiver: Receiver) -> None:
    """Its plain JSON service on loopback; a refused one is later, an address that is none is refused."""
    address = receiver.url.replace("http://", "json://").partition("?")[0]
    ways = Ways({"CHAT": address, "WRONG": "no-such-service://x"})

    assert ways.send(ChatRoute("room", "CHAT"), LETTER).result == "accepted"
    assert json.loads(receiver.came[0][2])["title"] == LETTER["subject"]
    receiver.codes = [500]
    assert ways.send(ChatRoute("room", "CHAT"), LETTER).result == "later"
    wrong = ways.send(ChatRoute("room", "WRONG"), LETTER)
    assert (wrong.result, "no-such-service" in wrong.reply) == ("refused", False)
    assert ways.send(ChatRoute("room", "UNSET"), LETTER).result == "refused"
