"""A small server for one person on this machine, until a setup is in force; the draft is kept on the way."""

from __future__ import annotations

import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

from werkzeug.serving import WSGIRequestHandler, make_server

from logger.errors import Refused
from logger.first_room.draft import Draft, load_draft
from logger.first_room.force import describe, draft_path

from .app import Desk, create_app

HOST = "127.0.0.1"
LAST_ANSWER_S = 1.0  # so long the browser has to fetch the last page


class _Quiet(WSGIRequestHandler):
    """The terminal is for people: no line for each request."""

    def log_request(self, code: int | str = "-", size: int | str = "-") -> None:
        """Nothing."""


def ask_in_browser(  # noqa: PLR0917 (what the command was given)
    folder: Path, data: Path, port: int, file: Path | None, say: Callable[[str], None], starts: bool = True
) -> bool:
    """Serve the questions until a setup is in force or Ctrl-C; whether one is.

    `starts`: the service and the pages follow on the same port.
    """
    stored = load_draft(draft_path(folder)) | ({"from": str(file)} if file else {})
    desk = Desk(folder, data, describe(Draft(stored)), starts=starts)
    app = create_app(desk)
    try:
        server = make_server(HOST, port, app, threaded=True, request_handler=_Quiet)
    except (OSError, SystemExit):
        raise Refused(f"Port {port} is in use. Choose another with --port N.") from None
    address = f"http://{HOST}:{port}/?code={desk.code}"
    say(f"Answer in a browser on this machine (Ctrl-C stops; answers are kept):\n  {address}")
    webbrowser.open(address)
    threading.Thread(target=_end, args=(desk, server.shutdown), daemon=True).start()
    try:
        server.serve_forever()
    except KeyboardInterrupt:
        say("Stopped; nothing is in force. The same command goes on with your answers.")
    finally:
        server.server_close()
    return desk.in_force.is_set()


def _end(desk: Desk, shutdown: Callable[[], None]) -> None:
    desk.in_force.wait()
    threading.Event().wait(LAST_ANSWER_S)
    shutdown()
