"""The pages beside a service: waited for while they live, given up when they end."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.errors import StillroomError
from logger.processes import pages as module
from logger.processes.stop_request import StopRequest
from tests.pictures import free_port

SLOW = """
import sys, time
from http.server import BaseHTTPRequestHandler, HTTPServer
class Slow(BaseHTTPRequestHandler):
    def do_GET(self):
        time.sleep(2.5)
        self.send_response(200)
        self.end_headers()
HTTPServer(("127.0.0.1", int(sys.argv[-1])), Slow).serve_forever()
"""


def program(code: str) -> Callable[..., list[str]]:
    """A stand-in for `stillroom serve`: its last word is the port."""
    return lambda *words: [sys.executable, "-c", code, *words]


@pytest.mark.slow
def test_slow_first_page_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A first answer after 2.5 s, as on a busy machine, is an answer."""
    monkeypatch.setattr(module, "module", program(SLOW))
    with module.pages(tmp_path, free_port(), StopRequest()) as process:
        assert process.poll() is None


def test_pages_that_end_are_reported_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that is gone is not waited for."""
    monkeypatch.setattr(module, "module", program("raise SystemExit(3)"))
    with (
        pytest.raises(StillroomError, match="did not come up"),
        module.pages(tmp_path, free_port(), StopRequest()),
    ):
        pass
