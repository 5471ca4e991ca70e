"""Work on files from outside in a child process, with limits of memory, time and output.

A small file can ask for more memory than the machine has, or for hours: a workbook with one cell in its last
column, an archive that unpacks to a million times its size. Whatever it does to the child, the caller gets
either what the work gave or an ImportRefused with the reason. The child starts once (about 0.2 s) and serves
one call after the other; after a failure, or where it keeps much memory, the next call gets a new one.

This limits what a file can use up. It is no barrier against a flaw in a parser that runs foreign code: the
child is the same user as its parent.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

from ..errors import ImportRefused
from .child_limits import MIB, ChildLimits
from .confined_child import HEAD, LONG, MEMORY, REFUSED, TAKEN, VALUE

P = ParamSpec("P")
T = TypeVar("T")

_BUFFERS = 10_000
# Each thread maps megabytes of its own, and each library keeps what another may use. glibc and Arrow read
# these; others do not mind. What is let go of is not given back at once: for a tenth of the memory (207
# instead of 190 MiB on a million rows) a third of the seconds of a processor, as each page is cleared anew.
_SMALL = {
    "OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "1", "ARROW_DEFAULT_MEMORY_POOL": "system",
    "MALLOC_ARENA_MAX": "1",
}  # fmt: skip


def run_confined(name: str, limits: ChildLimits, work: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
    """What `work` gives for these arguments, done in the child.

    name: of the file, for the message. The work is a function of a module; it, its arguments and its result
    can be pickled. ImportRefused with the words of any refusal, or naming the limit that was reached.
    """
    while True:
        child = _Child.idle_or_new()
        try:
            answer = child.call(limits, (_folder(), work, args, named))
        except _IdleChildEnded:
            child.end()
            continue  # it had ended while it was idle: nothing of this call was begun
        except _ChildEnded as ended:
            child.end()
            raise ImportRefused(f"{name}: {ended}") from None
        except BaseException:
            child.end()
            raise
        if answer.kind in (VALUE, REFUSED):
            child.put_back()
        else:
            child.end()
        return cast(T, _result(name, limits, answer))


def _folder() -> str:
    """Where this process stands, from which the child reads relative paths: it may have started elsewhere."""
    try:
        return str(Path.cwd())
    except OSError:  # the folder has been removed
        return os.sep


def start_early() -> None:
    """Start the child now, so that it is ready when the first file has been fetched."""
    with _guard:
        if not _idle:
            _idle.append(_Child(_start_child()))


@dataclass(frozen=True)
class _Answer:
    kind: bytes
    body: Any


class _IdleChildEnded(Exception):
    """An idle child has ended before it took the call."""


class _ChildEnded(Exception):
    """The child has ended without an answer; the text says why."""


def _result(name: str, limits: ChildLimits, answer: _Answer) -> Any:
    if answer.kind == VALUE:
        return answer.body
    if answer.kind == REFUSED:
        raise ImportRefused(*answer.body)
    if answer.kind == MEMORY:
        raise ImportRefused(f"{name}: {_too_much(limits)}")
    raise ImportRefused(
        f"{name}: the program failed on this file ({answer.body}). {limits.undone}; please report it."
    )


def _too_much(limits: ChildLimits) -> str:
    return (
        f"Reading this file needs more than {limits.memory // MIB} MiB of memory. {limits.undone}; "
        f"{limits.instead}."
    )


@dataclass
class _Child:
    """One child process; used by one thread at a time."""

    process: subprocess.Popen[bytes]
    calls: int = 0
    late: bool = False

    @staticmethod
    def idle_or_new() -> _Child:
        with _guard:
            while _idle:
                child = _idle.pop()
                if child.process.poll() is None:
                    return child
                child.end()
        return _Child(_start_child())

    def put_back(self) -> None:
        with _guard:
            if not _idle:
                _idle.append(self)
                return
        self.end()

    def end(self) -> None:
        """End it, whatever it does, and leave nothing of it."""
        self.process.kill()
        for pipe in (self.process.stdin, self.process.stdout):
            with contextlib.suppress(OSError):
                assert pipe is not None  # noqa: S101 (both were asked for)
                pipe.close()
        self.process.wait()

    def call(self, limits: ChildLimits, request: object) -> _Answer:
        fresh, self.calls = self.calls == 0, self.calls + 1
        assert self.process.stdin is not None  # noqa: S101
        assert self.process.stdout is not None  # noqa: S101
        timer = threading.Timer(limits.clock_s, self._too_late)
        timer.daemon = True
        timer.start()
        try:
            try:
                pickle.dump((limits, request), self.process.stdin, protocol=5)
                self.process.stdin.flush()
                sign = self.process.stdout.read(1)
            except OSError:
                sign = b""
            if sign != TAKEN and not fresh and not self.late:
                raise _IdleChildEnded
            return _answer(self.process.stdout, limits)
        except EOFError:
            raise _ChildEnded(self._why(limits)) from None
        finally:
            timer.cancel()

    def _too_late(self) -> None:
        self.late = True
        self.process.kill()

    def _why(self, limits: ChildLimits) -> str:
        code = self.process.wait()
        if self.late or code == -getattr(signal, "SIGXCPU", 0):
            long = f"Reading this file takes longer than {limits.computing_s:.0f} s of computing."
            return f"{long} {limits.undone}; {limits.instead}."
        if code < 0:  # a library that gets no memory ends the process, and so does the system
            return _too_much(limits)
        return f"The process that reads files ended by itself (exit {code}). {limits.undone}."


_guard = threading.Lock()
_idle: list[_Child] = []


def end_idle() -> None:
    """End the children that wait for work; the next call starts one."""
    with _guard:
        while _idle:
            _idle.pop().end()


atexit.register(end_idle)


def _start_child() -> subprocess.Popen[bytes]:
    root = str(Path(__file__).resolve().parents[2])
    # -P: a file of the folder one stands in must not take the place of a module of ours.
    child = "logger.processes.confined_child"
    code = f"import sys; sys.path.append({root!r}); from {child} import serve; serve()"
    env = os.environ | _SMALL
    return subprocess.Popen(
        [sys.executable, "-P", "-B", "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=env,
    )


def _answer(pipe: Any, limits: ChildLimits) -> _Answer:
    """Read an answer; nothing longer than the limit is waited for."""
    kind, length, count = HEAD.unpack(_read_exactly(pipe, HEAD.size))
    if count > _BUFFERS:
        raise _ChildEnded(f"The file holds too many columns. {limits.undone}.")
    lengths = [LONG.unpack(_read_exactly(pipe, LONG.size))[0] for _ in range(count)]
    total = length + sum(lengths)
    if total > limits.answer:
        raise _ChildEnded(
            f"The readings of this file take more than {limits.answer // MIB} MiB. "
            f"{limits.undone}; {limits.instead}."
        )
    body = _read_exactly(pipe, length)
    buffers = [_read_exactly(pipe, n) for n in lengths]
    # Ours: the child is this program. A parser that was taken over acts as this user in any case.
    return _Answer(kind, pickle.loads(body, buffers=buffers))  # noqa: S301


def _read_exactly(pipe: Any, length: int) -> bytearray:
    buffer = bytearray(length)
    view, at = memoryview(buffer), 0
    while at < length:
        count = pipe.readinto(view[at:])
        if not count:
            raise EOFError
        at += count
    return buffer
