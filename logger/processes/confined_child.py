"""The child that reads files from outside: takes calls of its parent one by one, within limits."""

from __future__ import annotations

import contextlib
import importlib
import os
import pickle
import select
import signal
import struct
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from ..errors import StillroomError
from .child_limits import LIMITED, MIB, ChildLimits

_USUAL_WORK = "logger.imports.outside"
_GROWN = 48 * MIB  # a child that keeps more than that ends, and the next call gets a new one
_IDLE_S = 30.0
# Kinds of answers, and the sign that a call was taken.
VALUE = b"v"
REFUSED = b"r"
FAILED = b"f"
MEMORY = b"m"
TAKEN = b"t"
HEAD = struct.Struct("<cQI")  # kind, bytes of the pickle, buffers beside it
LONG = struct.Struct("<Q")


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
    while _is_asked() and _call(requests, answers):
        if _in_use(1) > most:
            _give_back()
        if _in_use(1) > most:
            return


def _give_back() -> None:
    """Free memory to the system, where its C library does so on request (malloc_trim(3), glibc).

    A child that has read a long file can then read the next, which spares the start of a new one.
    """
    with contextlib.suppress(ImportError, OSError, AttributeError):
        import ctypes

        ctypes.CDLL(None).malloc_trim(0)


def _call(requests: BinaryIO, answers: BinaryIO) -> bool:
    """Do one call; False where none came."""
    try:
        limits, (folder, work, args, named) = pickle.load(requests)  # noqa: S301 (from our parent)
    except EOFError:
        return False
    answers.write(TAKEN)
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
        return _pack(VALUE, work(*args, **named))
    except StillroomError as refused:
        return _pack(REFUSED, (str(refused), getattr(refused, "bad_line", None)))
    except MemoryError:
        return _pack(MEMORY, "")
    except Exception as error:  # noqa: BLE001 (told to the parent, which refuses the file with it)
        return _pack(FAILED, f"{type(error).__name__}: {str(error)[:200]}")


def _pack(kind: bytes, value: object) -> tuple[bytes, bytes, list[pickle.PickleBuffer]]:
    buffers: list[pickle.PickleBuffer] = []
    return kind, pickle.dumps(value, protocol=5, buffer_callback=buffers.append), buffers


def _parts(kind: bytes, body: bytes, buffers: list[pickle.PickleBuffer]) -> Iterator[bytes | memoryview]:
    raw = [buffer.raw() for buffer in buffers]
    yield HEAD.pack(kind, len(body), len(raw))
    yield from (LONG.pack(part.nbytes) for part in raw)
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
