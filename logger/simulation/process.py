"""Starts and stops the process of the simulated probes."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, Any, cast

import logger

from ..errors import StillroomError
from ..instants import rfc3339
from ..processes.children import module

_STOP_S = 5.0


class TwinProcess:
    """The simulated probes in a process of their own. A context manager; `urls` by probe once started.

    The process also ends when this one does, however that happens: it watches its standard input.
    """

    def __init__(
        self,
        seed: int = 7,
        *,
        since_ns: int | None = None,
        drift: bool = False,
        time_factor: float = 1.0,
        use_socket: bool = False,
        options: Sequence[str] = (),
    ) -> None:
        self.urls: Mapping[str, str] = {}
        self._options = ["--seed", str(seed), "--time-factor", str(time_factor), *options]
        self._options += ["--since", rfc3339(since_ns // 10**9 * 10**9)] if since_ns is not None else []
        self._options += ["--drift"] if drift else []
        self._options += ["--socket"] if use_socket else []
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> TwinProcess:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def pid(self) -> int:
        """Number of the process, once started."""
        return self._running().pid

    @property
    def alive(self) -> bool:
        """Whether the process runs."""
        return self._process is not None and self._process.poll() is None

    def start(self) -> None:
        """Starts it and waits until it answers; StillroomError when it ends instead."""
        # A session of its own: Ctrl-C must reach the service first, which stops the probes last. Windows has
        # no sessions of that kind; what Ctrl-C does there is untried.
        self._process = subprocess.Popen(
            module("logger.simulation.probe", *self._options),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(logger.__file__).parents[1],
            start_new_session=True,
        )
        self.urls = dict(self._hear()["urls"])

    def stop(self) -> None:
        """Ends it by ending its standard input; kills it when that does not help."""
        process, self._process = self._process, None
        if process is None:
            return
        cast(IO[str], process.stdin).close()
        try:
            process.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        cast(IO[str], process.stdout).close()

    def fault(self, probe: str, fault: str) -> None:
        """Lets a probe fail in one of the ways of `logger.simulation.probe.FAULTS`; "none" mends it."""
        self._order({"probe": probe, "fault": fault})

    def drift(self) -> None:
        """Lets the heater of the air handling stick from now on."""
        self._order({"drift": True})

    def _order(self, order: Mapping[str, Any]) -> None:
        stdin = cast(IO[str], self._running().stdin)
        stdin.write(json.dumps(order) + "\n")
        stdin.flush()
        answer = self._hear()
        if "done" not in answer:
            raise StillroomError(f"The simulated probes refused {dict(order)}: {answer}")

    def _hear(self) -> dict[str, Any]:
        line = cast(IO[str], self._running().stdout).readline()
        if not line:
            self.stop()
            raise StillroomError("The process of the simulated probes ended before it was ready.")
        return cast(dict[str, Any], json.loads(line))

    def _running(self) -> subprocess.Popen[str]:
        if self._process is None:
            raise StillroomError("The process of the simulated probes has not been started.")
        return self._process
