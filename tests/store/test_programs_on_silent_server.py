"""Programs of a record whose database server is frozen: each ends or answers with a sentence, none waits."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from logger.store import Store
from tests.command_line import Run
from tests.database_server import PASSWORD_ENV, DatabaseServer
from tests.store.server_rig import MOST_S

BAY = ("--zone", "machine-bay")
HOUR = ("--from", "2026-10-19T09:30", "--to", "2026-10-19T11:00")
DAY = ("--from", "2026-10-19", "--to", "2026-10-20")
GRETA = ("--who", "Greta Holm")
SENTENCE = "the server has not answered for 10 s. Nothing was changed. Check that the server runs"
COMMANDS = (
    ("check", *BAY, *HOUR),
    ("verdicts", *BAY, *DAY),
    ("case", "list", *DAY),
    ("mark", "time", *BAY, *HOUR, "--why", "filter change", *GRETA),
    ("inspection", "start", "Gear case 7", *BAY, "--part", "GC-114", *GRETA),
    ("alarm", "list"),
    ("verify",),
    ("backup", "--to", "{out}/backups"),
    ("package", *DAY, "--out", "{out}/audit"),
    ("rejudge", "--dry-run"),
    ("run",),
    ("serve", "--port", "{port}"),
)


@pytest.fixture
def moved(demo_copy: Path, server: DatabaseServer, stillroom: Run, tmp_path: Path) -> Iterator[Path]:
    """The demo on a server; its probes are simulated ones that do not run."""
    data = Path(shutil.copytree(demo_copy, tmp_path / "on-server" / "data"))
    name, _ = server.new_schema()
    move = ("store", "move", "--to", server.address(name), "--schema", name, "--password-env", PASSWORD_ENV)
    assert stillroom(*move, "--data", data).returncode == 0
    yield data
    server.drop_schema(name)


@contextmanager
def program(*words: str, out: Path) -> Iterator[subprocess.Popen[str]]:
    """A command as a process of its own, ended with the block; its words go into a file."""
    line = [sys.executable, "-m", "logger.cli", *words]
    with (
        out.open("w") as file,
        subprocess.Popen(
            line, stdout=file, stderr=subprocess.STDOUT, text=True, env=dict(os.environ, COLUMNS="80")
        ) as process,
    ):
        try:
            yield process
        finally:
            process.terminate()
            try:
                process.wait(MOST_S)
            except subprocess.TimeoutExpired:
                process.kill()


def free_port() -> int:
    """A port on which nobody listens just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for_words(file: Path, words: str) -> None:
    """Until a program has written them."""
    until = time.monotonic() + 4 * MOST_S
    while words not in file.read_text():
        assert time.monotonic() < until, file.read_text()
        time.sleep(0.2)


def page(port: int, path: str) -> tuple[int, str]:
    """Status and text of a page; 0 where nobody listens."""
    question = urllib.request.Request(f"http://127.0.0.1:{port}{path}", headers={"Accept": "text/html"})
    try:
        with urllib.request.urlopen(question, timeout=2 * MOST_S) as answer:  # noqa: S310 (a port of ours)
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as refused:
        with refused:
            return refused.code, refused.read().decode()
    except OSError:
        return 0, ""


def wait_for_page(port: int) -> None:
    """Until page Now answers as it does on a sound record."""
    until = time.monotonic() + 2 * MOST_S
    while page(port, "/")[0] != 200:
        assert time.monotonic() < until
        time.sleep(0.2)


@pytest.mark.slow
def test_every_program_ends_or_answers_with_a_sentence_while_the_server_is_frozen(
    moved: Path, server: DatabaseServer, tmp_path: Path
) -> None:
    at = ("--data", str(moved))
    port, other = free_port(), free_port()
    with (
        program("serve", "--port", str(port), *at, out=tmp_path / "serve"),
        program("run", *at, out=tmp_path / "run") as service,
    ):
        wait_for_page(port)
        wait_for_words(tmp_path / "run", "Reading")
        server.freeze()
        try:
            with ExitStack() as stack:
                started = {}
                for number, words in enumerate(COMMANDS):
                    out = tmp_path / f"command-{number}"
                    line = [
                        word.replace("{out}", str(tmp_path)).replace("{port}", str(other)) for word in words
                    ]
                    started[out] = words, stack.enter_context(program(*line, *at, out=out))
                for out, (words, process) in started.items():
                    assert process.wait(2 * MOST_S) in (3, 11), (words, out.read_text())
                    assert SENTENCE in out.read_text(), (words, out.read_text())
                    assert "Traceback" not in out.read_text(), words
            for path in ("/", "/health", "/trend"):
                status, text = page(port, path)
                assert (status, "The record cannot be read now" in text) == (503, True), (path, text)
                assert "Check that the server runs and that this machine can reach it" in text
            wait_for_words(tmp_path / "run", "job judge now failed")
        finally:
            server.thaw()
        wait_for_page(port)
        assert service.poll() is None
        service.terminate()
        assert service.wait(MOST_S) == 0
    assert "Traceback" not in (tmp_path / "serve").read_text()
    with Store.open(moved) as store:
        assert store.verify().faults == ()
