"""Peers of other makers as processes: servers and devices by npm, an SNMP agent from Debian.

The packages go into a folder outside of the repository, once for each state of package-lock.json:
STILLROOM_NPM_CACHE, else a cache of the user.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from queue import Empty, Queue
from typing import Any

from tests.programs import program, skip_without

HERE = Path(__file__).parent
PATIENCE_S = 120.0  # ends a failure; a busy machine may take its time


def node_modules() -> Path:
    """The folder with the packages, installed where they are not; else the test is skipped."""
    program("node")
    npm = program("npm")
    lock = (HERE / "package-lock.json").read_bytes()
    cache = Path(os.environ.get("STILLROOM_NPM_CACHE") or Path.home() / ".cache" / "stillroom-tests")
    folder = cache / f"npm-{hashlib.sha256(lock).hexdigest()[:12]}"
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # workers of one run wait for the first
        if not (folder / "complete").exists():
            for name in ("package.json", "package-lock.json"):
                shutil.copy(HERE / name, folder)
            result = subprocess.run(
                [npm, "ci", "--no-audit", "--no-fund", "--ignore-scripts"], cwd=folder,
                capture_output=True, text=True, check=False, timeout=600,
            )  # fmt: skip
            if result.returncode:
                skip_without("npm cannot install the peers of another make")
            (folder / "complete").touch()
    return folder / "node_modules"


def free_port(kind: int = socket.SOCK_STREAM, address: str = "127.0.0.1") -> int:
    """A port that nobody has at the moment."""
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind((address, 0))
        port: int = probe.getsockname()[1]
        return port


def wait_for(met: Callable[[], object], what: str) -> None:
    """Until it is so; fails after two minutes."""
    until_s = time.monotonic() + PATIENCE_S
    while not met():
        assert time.monotonic() < until_s, f"expected {what}"
        time.sleep(0.02)


class NodePeer:
    """A program of node, steered by lines of JSON; `ready` is the first thing that it says."""

    def __init__(self, script: str, arguments: Sequence[str]) -> None:
        self._command = [program("node"), str(HERE / script), *arguments]
        self._environment = {
            "NODE_PATH": str(node_modules()),
            "PATH": os.environ["PATH"],
            "HOME": "/nonexistent",
        }
        self.ready: dict[str, Any] = {}
        self._process: subprocess.Popen[str] | None = None
        self.start()

    def start(self) -> None:
        """Starts it and waits until it is ready."""
        self._lines: Queue[str] = Queue()
        self._process = subprocess.Popen(
            self._command, env=self._environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        self._reader = threading.Thread(target=self._hear, args=(self._process, self._lines), daemon=True)
        self._reader.start()
        self.ready = self._expect("ready")

    @staticmethod
    def _hear(process: subprocess.Popen[str], lines: Queue[str]) -> None:
        assert process.stdout is not None
        for line in process.stdout:
            lines.put(line)

    def _expect(self, word: str) -> dict[str, Any]:
        until_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < until_s:
            with contextlib.suppress(Empty):
                line = self._lines.get(timeout=1.0)
                answer = json.loads(line) if line.startswith("{") else {}
                assert "failed" not in answer, answer
                if word in answer:
                    return dict(answer)
            assert self._process is not None
            assert self._process.poll() is None, "the peer ended by itself"
        raise AssertionError(f"the peer did not say {word!r}")

    def order(self, **what: object) -> None:
        """Does that, and waits until it is done."""
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(what) + "\n")
        self._process.stdin.flush()
        self._expect("done")

    def freeze(self) -> None:
        """Stops it in the middle of whatever it does."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Lets it go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        """Ends it at once, as a power cut does."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        for pipe in (process.stdin, process.stdout):
            assert pipe is not None
            with contextlib.suppress(BrokenPipeError):
                pipe.close()
