"""Locks between processes, held by the operating system: they vanish with the process."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from ..errors import StoreError, StoreInUse

# Windows locks bytes against reading as well: a byte far behind the process number is taken.
FAR = 1 << 30


@contextmanager
def try_lock(path: Path, wait_s: float = 0.0) -> Iterator[bool]:
    """Try for `wait_s` to hold the lock for the time of the block; gives whether it is ours."""
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise StoreError(
            f"{path} could not be opened: {error.strerror}. Check that this account may write to the folder."
        ) from error
    try:
        until = time.monotonic() + wait_s
        while not (ours := _try_lock(handle)) and time.monotonic() < until:
            time.sleep(0.05)
        if ours:
            with suppress(OSError):  # on a full disk the lock holds all the same, it only has no name
                os.ftruncate(handle, 0)
                os.lseek(handle, 0, os.SEEK_SET)
                os.write(handle, f"{os.getpid()}\n".encode())
        yield ours
    finally:
        os.close(handle)  # lets go of the lock as well


@contextmanager
def service_lock(folder: Path) -> Iterator[None]:
    """Be the one service on a data folder, or raise StoreInUse naming the other."""
    path = folder / "service.lock"
    with try_lock(path) as ours:
        if not ours:
            owner = path.read_text(encoding="ascii", errors="replace").strip() or "unknown"
            raise StoreInUse(
                f"Another service works on {folder}: process {owner}. Two would poll the same probes; "
                "stop that one first, or name another folder with --data."
            )
        yield


if sys.platform == "win32":  # untried: written from the documentation of msvcrt
    import msvcrt

    def _try_lock(handle: int) -> bool:
        os.lseek(handle, FAR, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _try_lock(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True
