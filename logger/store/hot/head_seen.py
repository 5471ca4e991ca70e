"""The newest journal entry that a folder has seen at a server: one that knows less is an older copy.

One line in `head.seen`, rewritten in place after each commit. It is not forced to the disk: after a loss
of power it may be some entries behind, which only makes it milder.
"""

from __future__ import annotations

import os
import threading
from pathlib import Path

from ...errors import StoreGone
from .journal import FIRST

FILE = "head.seen"
WIDTH = 96


class HeadSeen:
    """The file of one data folder."""

    def __init__(self, folder: Path, called: str) -> None:
        self.path = folder / FILE
        self._called = called
        self._guard = threading.Lock()
        self.head = self._read()

    def note(self, head: tuple[int, str]) -> None:
        """Remember a head that was committed."""
        with self._guard:
            if head[0] < self.head[0]:
                return
            self.head = head
            try:
                handle = os.open(self.path, os.O_WRONLY | os.O_CREAT, 0o600)
            except OSError:  # a folder that takes nothing: the service says so elsewhere
                return
            try:
                os.write(handle, f"{head[0]} {head[1]}".ljust(WIDTH).encode() + b"\n")
            finally:
                os.close(handle)

    def refuse_older(self, newest: int, digest_there: str | None) -> None:
        """StoreGone where a server lacks the entry that was seen, or has another one under its number.

        `newest`: its last entry; `digest_there`: of the entry with our number, None where its file has it.
        """
        number, digest = self.head
        if newest >= number and digest_there in (None, digest):
            return
        there = f"ends with entry {newest}" if newest < number else f"has another entry {number}"
        raise StoreGone(
            f"{self._called} {there}, but this folder has seen entry {number}, {digest[:16]}…, there: an "
            "older copy of the record answers, after a takeover or a restore. Nothing was written. Let the "
            f"server that has entry {number} answer again; readings wait in memory and are stored then. If "
            f"the older copy is to hold from now on, stop the service and remove {self.path}."
        )

    def _read(self) -> tuple[int, str]:
        try:
            number, digest = self.path.read_text("ascii").split()
            return int(number), digest
        except (OSError, ValueError):
            return FIRST
