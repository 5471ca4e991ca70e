"""The pages as a program of its own beside the service, so that a slow page can never delay a reading."""

from __future__ import annotations

import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..errors import StillroomError
from .children import module
from .stop_request import StopRequest

HOST = "127.0.0.1"
_READY_S = 300.0  # a busy machine is slow, not at fault; a program that ended is noticed at once
_ANSWER_S = 30.0  # for the first page: giving up earlier would only ask a slow server twice


@contextmanager
def pages(
    data: Path, port: int, stop: StopRequest, *, quiet: bool = True, rooms: bool = False
) -> Iterator[subprocess.Popen[bytes]]:
    """`stillroom serve` on a data folder until the context ends; `quiet`: what it says is not shown.

    rooms: `data` is a list of rooms.
    """
    command = module("logger.cli", "serve", "--with-parent", "--rooms" if rooms else "--data", str(data))
    process = subprocess.Popen(
        [*command, "--port", str(port)],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL if quiet else None,
        # Ctrl-C is for this process, which stops the others in order.
        start_new_session=True,
        creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
    )
    try:
        _wait_ready(process, port, stop)
        yield process
    finally:
        process.terminate()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdin:
            process.stdin.close()


def _wait_ready(process: subprocess.Popen[bytes], port: int, stop: StopRequest) -> None:
    until = time.monotonic() + _READY_S
    while time.monotonic() < until and process.poll() is None and not stop.requested:
        try:
            with urllib.request.urlopen(address(port), timeout=_ANSWER_S):  # noqa: S310 (our own address)
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    if not stop.requested:
        raise StillroomError(f"The pages did not come up at {address(port)}; see what they said above.")


def address(port: int) -> str:
    """As a browser on this machine asks for it."""
    return f"http://{HOST}:{port}/"
