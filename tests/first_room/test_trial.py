"""The live try: a probe that sends by itself, and answers that must not be taken for what they are not."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator

import pytest

from logger.errors import Refused
from logger.first_room.draft import Draft
from logger.first_room.trial import try_probe


@pytest.fixture
def speaking(request: pytest.FixtureRequest) -> Iterator[str]:
    """The address of a probe that sends its line by itself, again and again."""
    stop = threading.Event()

    def speak(server: socket.socket) -> None:
        server.settimeout(20)
        try:
            line, _ = server.accept()
        except OSError:
            return
        with line:
            while not stop.wait(0.1):
                try:
                    line.sendall(request.param)
                except OSError:
                    return

    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=speak, args=(server,), daemon=True)
        thread.start()
        yield f"socket://127.0.0.1:{server.getsockname()[1]}"
        stop.set()
        thread.join(25)


def draft(address: str) -> Draft:
    return Draft({"address": address, "ask": "", "baud": "9600"})


@pytest.mark.parametrize("speaking", [b"T=20.05 RH=47.0\r\n"], indirect=True)
def test_a_probe_that_sends_by_itself_is_listened_to(speaking: str) -> None:
    answered = try_probe(draft(speaking))
    assert (answered.line, answered.numbers) == ("T=20.05 RH=47.0", {"v1": "20.05", "v2": "47.0"})


@pytest.mark.parametrize(
    ("speaking", "says"),
    [(b"T=20,05 RH=47,0\r\n", "decimal commas"), (b"READY\r\n", "holds no number")],
    indirect=["speaking"],
)
def test_an_answer_that_cannot_be_read_is_refused(speaking: str, says: str) -> None:
    """A decimal comma would make two numbers of one: 20 and 05."""
    with pytest.raises(Refused, match=says):
        try_probe(draft(speaking))
