"""Lines over TCP for drivers of other packages: an answer is that of the question just asked, or none."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from logger.errors import ProbeError
from logger.probes.line_socket import LineSocket

Answer = Callable[[socket.socket, str, int], None]


@contextmanager
def device(answer: Answer) -> Iterator[LineSocket]:
    """A device that answers each question as `answer(peer, question, number)` does."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        number = 0
        try:
            while True:
                peer, _ = server.accept()
                with peer, peer.makefile("r") as questions:
                    for question in questions:
                        number += 1
                        answer(peer, question.strip(), number)
        except OSError:
            return

    threading.Thread(target=serve, daemon=True).start()
    lines = LineSocket(f"127.0.0.1:{server.getsockname()[1]}", 2.0)
    lines.open()
    yield lines
    lines.close()
    server.close()


def later(peer: socket.socket, question: str, number: int) -> None:
    """The answer, and a moment later another line: an echo, a status, the answer once more."""
    peer.sendall(f"{number}\n".encode())
    time.sleep(0.05)
    peer.sendall(f"more {number}\n".encode())


def test_a_line_that_nobody_asked_for_is_never_the_answer_to_the_next_question() -> None:
    """With two lines for each question, every second answer would be that of the question before."""
    with device(later) as lines:
        assert lines.ask("READ?") == "1"
        time.sleep(0.2)
        with pytest.raises(ValueError, match="came before the question: 'more 1'"):
            lines.ask("READ?")
        lines.open()
        assert lines.ask("READ?") == "2"


def test_two_lines_at_once_are_no_answer() -> None:
    with (
        device(lambda peer, _, number: peer.sendall(f"{number}\n{number}\n".encode())) as lines,
        pytest.raises(ValueError, match="more than one line"),
    ):
        lines.ask("READ?")


def test_a_connection_closed_between_questions_is_lost() -> None:
    def once(peer: socket.socket, question: str, number: int) -> None:
        peer.sendall(b"1\n")
        peer.shutdown(socket.SHUT_RDWR)

    with device(once) as lines:
        assert lines.ask("READ?") == "1"
        time.sleep(0.2)
        with pytest.raises(ProbeError, match="closed by the other side"):
            lines.ask("READ?")
