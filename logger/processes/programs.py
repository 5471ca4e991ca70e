"""Programs that are run for a reading or a notice: bounded in time and in what they may say.

A program ends when it exits, not when its output does: what it leaves running may hold that open for ever.
"""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import IO

KEPT = 4096  # bytes of output that are looked at
MOST = 1 << 20  # bytes of output after which a program is ended
_LOOK_S = 0.05
_TAIL_S = 0.2  # for the last words of a program that has exited
_GONE_S = 1.0


@dataclass(frozen=True)
class Ran:
    """How a program went: exit status, and the first bytes of what it printed.

    `ended`: why it was ended by us, empty where it exited by itself.
    """

    code: int
    out: bytes
    err: bytes
    ended: str = ""


class _Tap(threading.Thread):
    """Reads one pipe to its end, so that nobody who writes waits, up to a bound; then it is closed."""

    def __init__(self, pipe: IO[bytes]) -> None:
        super().__init__(name="output of a program", daemon=True)
        self.data = b""
        self.flooded = False
        self._pipe = pipe

    def run(self) -> None:
        count = 0
        with suppress(OSError, ValueError):
            while data := os.read(self._pipe.fileno(), 1 << 16):
                self.data += data[: max(0, KEPT - count)]
                count += len(data)
                if count > MOST:
                    self.flooded = True
                    break
        with suppress(OSError):
            self._pipe.close()


class Program:
    """One run of a program, in a session of its own so that it can be ended with its children.

    Nothing is given to a shell. Raises OSError where it cannot be started.
    """

    def __init__(self, arguments: Sequence[str], environment: Mapping[str, str] | None = None) -> None:
        self._name = arguments[0]
        variables = dict(os.environ if environment is None else environment)
        variables.pop("NOTIFY_SOCKET", None)  # systemd's socket is the service's alone
        pipe = subprocess.PIPE
        self._process = subprocess.Popen(
            list(arguments), stdin=pipe, stdout=pipe, stderr=pipe, env=variables, start_new_session=True
        )

    def wait(self, seconds: float, input_bytes: bytes = b"") -> Ran:
        """Its end, by itself or by us, not more than about a second after its deadline."""
        until_s = time.monotonic() + seconds
        process = self._process
        assert process.stdout is not None  # noqa: S101 (pipes were asked for)
        assert process.stderr is not None  # noqa: S101
        taps = _Tap(process.stdout), _Tap(process.stderr)
        for tap in taps:
            tap.start()
        threading.Thread(
            target=self._give, args=(input_bytes,), name="input of a program", daemon=True
        ).start()
        ended = ""
        while process.poll() is None and not ended and not any(tap.flooded for tap in taps):
            with suppress(subprocess.TimeoutExpired):
                process.wait(min(_LOOK_S, max(0.001, until_s - time.monotonic())))
            if process.returncode is None and time.monotonic() >= until_s:
                ended = f"did not end within {seconds:g} s"
        if any(tap.flooded for tap in taps):  # also one that ended by itself as its pipe was closed
            ended = f"printed more than {MOST >> 20} MB"
        if ended:
            self.end()
        for tap in taps:
            tap.join(_TAIL_S)
        return Ran(
            -9 if process.returncode is None else process.returncode, taps[0].data, taps[1].data, ended
        )

    def end(self) -> None:
        """Ends it with all that it started in its session; what the kernel holds back is not waited for."""
        with suppress(OSError):
            if hasattr(os, "killpg"):
                os.killpg(self._process.pid, signal.SIGKILL)
        with suppress(OSError):
            self._process.kill()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(_GONE_S)

    def _give(self, input_bytes: bytes) -> None:
        """A program that does not read what it is given must not hold us up."""
        assert self._process.stdin is not None  # noqa: S101
        with suppress(OSError, ValueError):
            self._process.stdin.write(input_bytes)
        with suppress(OSError, ValueError):
            self._process.stdin.close()
