"""A room of a group sends its signed summary; a centre that is away is no alarm of the room."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from logger.config import example_folder, load_texts, read_texts
from logger.rooms.summary import opened
from logger.service import Service
from logger.service.centre_post import JOB, PATH
from logger.service.self_check import SelfCheck
from logger.store import Store
from tests.peers import free_port

PATIENCE_S = 60.0


@contextmanager
def centre(port: int, status: int) -> Iterator[list[tuple[str, bytes]]]:
    """Something that takes what is sent, or refuses it; gives what came."""
    received: list[tuple[str, bytes]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            received.append((self.path, self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(status)
            self.end_headers()
            self.wfile.write(b"not today")

        def log_message(self, *args: object) -> None: ...

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield received
    finally:
        server.shutdown()
        thread.join(PATIENCE_S)
        server.server_close()


def until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.02)


def test_the_service_sends_its_summary_and_says_where_a_centre_is_away(store: Store) -> None:
    port = free_port()
    texts = read_texts(example_folder())
    texts["service.toml"] = f'[centre]\nurl = "http://127.0.0.1:{port}"\n'
    config = load_texts(texts)
    service = Service(store, config)

    def send() -> None:
        service._summarised_s = float("-inf")
        service._summarise(time.time_ns())
        service._senders.wait(PATIENCE_S)

    send()
    assert "refuses the connection" in service._jobs.failing[JOB]
    facts = SelfCheck(store, config, service._jobs.failing, dict, {}).facts(time.time_ns())
    assert JOB not in facts.failing
    with centre(port, 409):
        send()
        assert "409 not today" in service._jobs.failing[JOB]
    with centre(port, 204) as received:
        send()
        until(lambda: len(received) == 1)
        assert JOB not in service._jobs.failing
    path, content = received[0]
    assert path == PATH
    assert opened(content).body["record"] == store.key
