"""Work on files from outside in a child process, with limits of memory, time and output.

A small file can ask for more memory than the machine has, or for hours: a workbook with one cell in its last
column, an archive that unpacks to a million times its size. Whatever it does to the child, the caller gets
either what the work gave or an ImportRefused with the reason. The child starts once (about 0.3 s) and serves
one call after the other; after a failure or a long file the next call gets a new one.

This limits what a file can use up. It is no barrier against a flaw in a parser that runs foreign code: the
child is the same user as its parent.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib
import os
import pickle
import select
import signal
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, ParamSpec, TypeVar, cast

from ..errors import ImportRefused, StillroomError

P = ParamSpec("P")
T = TypeVar("T")

# Only Linux counts all that a process maps for itself (setrlimit(2), RLIMIT_DATA, since 4.7).
LIMITED = sys.platform.startswith("linux")

_MIB = 1 << 20
_USUAL_WORK = "logger.imports.outside"
_GROWN = 48 * _MIB  # a child that keeps more than that ends, and the next call gets a new one
_IDLE_S = 30.0
_BUFFERS = 10_000
_VALUE, _REFUSED, _FAILED, _MEMORY = b"v", b"r", b"f", b"m"
_TAKEN = b"t"
# Each thread maps megabytes, and what a long file took is given back at once: for 3 % of the time a quarter
# of the memory (measured on a million rows). glibc and Arrow read these; others do not mind.
_SMALL = {
    "OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "1", "ARROW_DEFAULT_MEMORY_POOL": "system",
    "MALLOC_ARENA_MAX": "1", "MALLOC_TRIM_THRESHOLD_": "65536", "MALLOC_MMAP_THRESHOLD_": "65536",
}  # fmt: skip
_HEAD = struct.Struct("<cQI")  # kind, bytes of the pickle, buffers beside it
_LONG = struct.Struct("<Q")


@dataclass(frozen=True)
class ChildLimits:
    """What one call may use: bytes of memory, seconds of computing, seconds on the clock, bytes of answer.

    The two sentences end a refusal: what was not done, and what to do instead.
    """

    memory: int
    computing_s: float
    clock_s: float
    answer: int
    undone: str = "Nothing was imported"
    instead: str = "export it again as plain text, or in smaller files"

    @staticmethod
    def for_size(size: int) -> ChildLimits:
        """Generous for what loggers write: ten million rows (300 MB of text) need 1.5 GB and under a minute.

        Never more than half of the machine's memory.
        """
        computing_s = 60 + 2 * size / _MIB
        memory = min(1024 * _MIB + 16 * size, half_of_memory())
        return ChildLimits(memory, computing_s, 5 * computing_s, 256 * _MIB + 16 * size)


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
        if answer.kind in (_VALUE, _REFUSED):
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
    if answer.kind == _VALUE:
        return answer.body
    if answer.kind == _REFUSED:
        raise ImportRefused(*answer.body)
    if answer.kind == _MEMORY:
        raise ImportRefused(f"{name}: {_too_much(limits)}")
    raise ImportRefused(
        f"{name}: the program failed on this file ({answer.body}). {limits.undone}; please report it."
    )


def _too_much(limits: ChildLimits) -> str:
    return (
        f"Reading this file needs more than {limits.memory // _MIB} MiB of memory. {limits.undone}; "
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
            if sign != _TAKEN and not fresh and not self.late:
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


def _end_idle() -> None:
    with _guard:
        while _idle:
            _idle.pop().end()


atexit.register(_end_idle)


def _start_child() -> subprocess.Popen[bytes]:
    root = str(Path(__file__).resolve().parents[2])
    # -P: a file of the folder one stands in must not take the place of a module of ours.
    code = f"import sys; sys.path.append({root!r}); from logger.processes.confined import serve; serve()"
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
    kind, length, count = _HEAD.unpack(_read_exactly(pipe, _HEAD.size))
    if count > _BUFFERS:
        raise _ChildEnded(f"The file holds too many columns. {limits.undone}.")
    lengths = [_LONG.unpack(_read_exactly(pipe, _LONG.size))[0] for _ in range(count)]
    total = length + sum(lengths)
    if total > limits.answer:
        raise _ChildEnded(
            f"The readings of this file take more than {limits.answer // _MIB} MiB. "
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


def half_of_memory() -> int:
    """Bytes: half of the machine's memory, or 2 GiB where the system does not say how much it has."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2
    except (AttributeError, ValueError, OSError):
        return 2048 * _MIB


# ---- the child -------------------------------------------------------------------------------------------


class _WithoutPandas:
    """pyarrow imports pandas wherever that is installed, for a third of a second; no work here needs it."""

    def find_spec(self, name: str, *_: object) -> None:
        if name == "pandas":
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


def serve() -> None:
    """The child: take calls from the standard input until it ends or stays idle, or memory has grown."""
    requests, answers = _pipes()
    for number in ("SIGINT", "SIGTERM"):  # meant for the parent; the child ends when its input does
        signal.signal(getattr(signal, number), signal.SIG_IGN)
    _stay_inside()
    sys.meta_path.insert(0, _WithoutPandas())
    importlib.import_module(_USUAL_WORK)  # while the parent still opens its files
    most = _in_use(1) + _GROWN
    while _in_use(1) <= most and _is_asked() and _call(requests, answers):
        pass


def _call(requests: BinaryIO, answers: BinaryIO) -> bool:
    """Do one call; False where none came."""
    try:
        limits, (folder, work, args, named) = pickle.load(requests)  # noqa: S301 (from our parent)
    except EOFError:
        return False
    answers.write(_TAKEN)
    answers.flush()
    with _limit(limits):
        answer = _answer_of(folder, work, args, named)
    for part in _parts(*answer):
        answers.write(part)
    answers.flush()
    return True


def _answer_of(
    folder: str, work: Any, args: Any, named: Any
) -> tuple[bytes, bytes, list[pickle.PickleBuffer]]:
    """The answer, in which every failure is a sentence: a file must never end the program that reads it."""
    try:
        os.chdir(folder)
        return _pack(_VALUE, work(*args, **named))
    except StillroomError as refused:
        return _pack(_REFUSED, (str(refused), getattr(refused, "bad_line", None)))
    except MemoryError:
        return _pack(_MEMORY, "")
    except Exception as error:  # noqa: BLE001 (told to the parent, which refuses the file with it)
        return _pack(_FAILED, f"{type(error).__name__}: {str(error)[:200]}")


def _pack(kind: bytes, value: object) -> tuple[bytes, bytes, list[pickle.PickleBuffer]]:
    buffers: list[pickle.PickleBuffer] = []
    return kind, pickle.dumps(value, protocol=5, buffer_callback=buffers.append), buffers


def _parts(kind: bytes, body: bytes, buffers: list[pickle.PickleBuffer]) -> Iterator[bytes | memoryview]:
    raw = [buffer.raw() for buffer in buffers]
    yield _HEAD.pack(kind, len(body), len(raw))
    yield from (_LONG.pack(part.nbytes) for part in raw)
    yield body
    yield from raw


def _pipes() -> tuple[BinaryIO, BinaryIO]:
    """The standard input, and the standard output kept for answers: what a library prints goes nowhere."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    return os.fdopen(0, "rb", closefd=False), answers


def _is_asked() -> bool:
    """Whether a call comes within the time that a child stays idle."""
    if sys.platform == "win32":
        return True  # pipes cannot be waited for there; the child ends with its parent
    return bool(select.select([0], [], [], _IDLE_S)[0])


def _stay_inside() -> None:
    """Limits that hold for all calls: no file is written, few are open, nothing of a failure is dumped."""
    if not LIMITED:
        return
    import resource

    for kind, most in (("RLIMIT_FSIZE", 0), ("RLIMIT_CORE", 0), ("RLIMIT_NOFILE", 64)):
        resource.setrlimit(getattr(resource, kind), (most, most))


@contextlib.contextmanager
def _limit(limits: ChildLimits) -> Iterator[None]:
    """Memory above what is in use now, and computing time from now on."""
    if not LIMITED:
        yield
        return
    import resource

    begun = resource.getrusage(resource.RUSAGE_SELF)
    until = int(begun.ru_utime + begun.ru_stime + limits.computing_s) + 1
    resource.setrlimit(resource.RLIMIT_CPU, (until, resource.RLIM_INFINITY))
    resource.setrlimit(resource.RLIMIT_DATA, (_in_use(5) + limits.memory, resource.RLIM_INFINITY))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


def _in_use(column: int) -> int:
    """Bytes of this process by proc(5), statm: column 1 is resident, column 5 is data and stack."""
    if not LIMITED:
        return 0
    return int(Path("/proc/self/statm").read_text().split()[column]) * os.sysconf("SC_PAGE_SIZE")
