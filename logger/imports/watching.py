"""A folder that is watched: each file is imported once it is whole, and nothing in it is ever changed.

A file is whole when its size and time of change have stayed the same for a while. What was refused is
tried again when the file, or how files are read, has changed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from ..errors import Refused
from ..processes.waits import moved, waiting_for
from .importer import ImportResult

State = Literal["imported", "already", "refused"]

QUIET_S = 10.0
_UNFINISHED = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".download", ".swp", "~")
_LITTER = ("thumbs.db", "desktop.ini")


@dataclass(frozen=True)
class Outcome:
    """Outcome of one file; `why` is the reason of a refusal."""

    path: Path
    state: State
    why: str = ""
    result: ImportResult | None = None


@dataclass(frozen=True)
class _FileState:
    size: int
    changed_ns: int
    since_s: float  # when it was first seen like that


class Folder:
    """What is known of the files of one folder and the folders in it."""

    def __init__(self, folder: Path, quiet_s: float = QUIET_S) -> None:
        self.folder = folder
        self.quiet_s = quiet_s
        self._states: dict[Path, _FileState] = {}
        self._processed: dict[Path, tuple[int, int, str]] = {}

    @property
    def waiting(self) -> list[Path]:
        """Files that are not whole yet, by name."""
        return sorted(
            p
            for p, state in self._states.items()
            if self._processed.get(p, ())[:2] != (state.size, state.changed_ns)
        )

    def look(self, bring: Callable[[Path], ImportResult], now_s: float, how: str = "") -> list[Outcome]:
        """Import what has become whole; `how` names how files are read just now, such as a setup's version.

        now_s: a monotonic clock. Refused where the folder cannot be read.
        """
        return list(self.outcomes(bring, now_s, how))

    def outcomes(
        self, bring: Callable[[Path], ImportResult], now_s: float, how: str = ""
    ) -> Iterator[Outcome]:
        """What `look` gives, one by one: what a failing store interrupts has been reported up to there."""
        with waiting_for(f"the watched folder {self.folder}"):
            files = self._files()
        self._states = {path: state for path, state in self._states.items() if path in files}
        ready = []
        for path, (size, changed_ns) in sorted(files.items()):
            before = self._states.get(path)
            if before is None or (before.size, before.changed_ns) != (size, changed_ns):
                self._states[path] = before = _FileState(size, changed_ns, now_s)
            quiet = now_s - before.since_s >= self.quiet_s
            if quiet and self._processed.get(path) != (size, changed_ns, how):
                ready.append((path, (size, changed_ns, how)))
        for path, mark in ready:
            yield self._import_one(path, mark, bring)

    def _import_one(
        self, path: Path, mark: tuple[int, int, str], bring: Callable[[Path], ImportResult]
    ) -> Outcome:
        try:
            result = bring(path)
        except (Refused, ValueError) as error:  # of this file; a store that fails is no fault of it
            self._processed[path] = mark
            return Outcome(path, "refused", str(error))
        self._processed[path] = mark
        return Outcome(path, "already" if result.already else "imported", "", result)

    def _files(self) -> dict[Path, tuple[int, int]]:
        try:
            paths = [p for p in self.folder.rglob("*") if _is_wanted(p.relative_to(self.folder))]
            if not self.folder.is_dir():
                raise Refused(f"There is no folder {self.folder} to watch.")
        except OSError as error:
            raise Refused(f"The watched folder {self.folder} cannot be read: {error.strerror}.") from None
        files = {}
        for path in paths:
            moved()
            try:
                info = path.stat()
                if path.is_file():
                    files[path] = (info.st_size, info.st_mtime_ns)
            except OSError:
                continue  # gone between listing and looking
        return files


def _is_wanted(path: Path) -> bool:
    """Hidden files, lock files of office programs and copies that are under way are not for us."""
    name = path.name.lower()
    hidden = any(part.startswith((".", "~$")) for part in path.parts)
    return not (hidden or name.endswith(_UNFINISHED) or name in _LITTER)
