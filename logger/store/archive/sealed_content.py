"""The bytes of sealed files: written once under a name, compared, and read again from where they lie.

By its seal a file is called `archive/room=…/….parquet`, wherever the archive is. It is written into the data
folder first and synced; then it gets its name at the place, only where none has it, and is fetched whole
and compared before any seal speaks of it. From an address a file is fetched whole as well, and compared with
its seal before a byte of it is used; the folder of copies, which may be deleted, spares that.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from ...errors import ArchiveAway, StoreDamaged, StoreError
from ..files import PART, write_durably
from .file_place import FolderPlace, Place

FOLDER = "archive"
MEMORY_BYTES = 64 << 20  # of files fetched from an address: about three years of a room with 16 channels


class SealedContent:
    """The sealed files of one data folder, at their place. Safe from several threads."""

    def __init__(
        self, folder: Path, sha256_of: Callable[[str], str | None], *, read_only: bool = False
    ) -> None:
        """sha256_of: the digest in a file's seal, None without one; read_only: no copy is added."""
        self.staging = folder / FOLDER
        self.is_own = True
        self.place: Place = FolderPlace(self.staging, own=True)
        self._sha256_of = sha256_of
        self._copies: Path | None = None
        self._read_only = read_only
        self._fetched: OrderedDict[str, bytes] = OrderedDict()
        self._lock = threading.Lock()

    def use(self, place: Place, copies: Path | None) -> None:
        """Keep sealed files at another place, and copies of them in a folder or nowhere."""
        self.place, self._copies, self.is_own = place, copies, False

    def part(self, file: str) -> Path:
        """Where a new file is written, beside no other, before it has its name."""
        path = self.staging / name_of(file)
        return path.with_name(path.name + PART)

    def is_free(self, file: str) -> bool:
        """Whether no file has that name at the place."""
        return not self.place.holds(name_of(file))

    def see(self, file: str) -> None:
        """Ask for a sealed file where it lies; ArchiveAway where its place does not answer, or is empty."""
        if not self.is_own and self.is_free(file):
            with suppress(FileNotFoundError):  # missing alone: for those who read it
                self.get(file)

    def put(self, file: str) -> bytes:
        """Give what was written for a file its name at the place, and read it back; gives its bytes.

        StoreError where something else is there then, or a name that was free is not: nothing is lost.
        """
        part, name = self.part(file), name_of(file)
        written = None if self.is_own else part.read_bytes()
        try:
            self.place.put(name, part)
        except FileExistsError as error:
            raise StoreError(
                f"{self.at(file)} came to be there while it was written here; it was left as it is. Nothing "
                "was sealed and nothing is lost: the next attempt takes another name. See that no other "
                "record uses this place."
            ) from error
        content = self.get(file)
        if written is None:
            return content
        if content != written:
            self.forget(file)
            raise StoreError(
                f"{self.at(file)} did not read back as it was written. Nothing was sealed and nothing is "
                "lost: what was to be sealed is still where it was. Check that place, then try again."
            )
        self._keep_copy(file, written)
        part.unlink(missing_ok=True)
        return content

    def get(self, file: str) -> bytes:
        """A file as it lies at the place, whatever its seal says."""
        return self.place.get(name_of(file))

    def origin(self, file: str) -> Path | bytes:
        """A file as it lies at the place, never a copy: its path in a folder, else its bytes."""
        path = self.place.path(name_of(file))
        return self.get(file) if path is None else path

    def read(self, file: str) -> Path | bytes:
        """A file to be read: its path where it lies in a folder, else its bytes, equal to its seal.

        StoreDamaged where they are not. Files without a seal are fetched as they are.
        """
        sha256 = None if self.is_own else self._sha256_of(file)
        if sha256 is not None and (copy := self._copy_of(file, sha256)) is not None:
            return copy
        path = self.place.path(name_of(file))
        return self._fetch(file, sha256) if path is None else path

    def remove(self, file: str) -> None:
        """Let go of a file and of its copy."""
        self.place.remove(name_of(file))
        self.forget(file)
        if self._copies is not None:
            (self._copies / name_of(file)).unlink(missing_ok=True)

    def forget(self, file: str) -> None:
        """Take away what was put and is not sealed; where the place refuses that it stays, as a leftover."""
        with suppress(ArchiveAway, OSError):
            self.place.remove(name_of(file))
        with self._lock:
            self._fetched.pop(file, None)

    def files(self) -> list[str]:
        """Every file at the place by the name that a seal gives it, sorted."""
        return [f"{FOLDER}/{name}" for name in self.place.names()]

    def at(self, file: str) -> str:
        """Where a file lies, for a sentence."""
        return f"{self.place.address}/{name_of(file)}"

    def _fetch(self, file: str, sha256: str | None) -> bytes:
        with self._lock:
            if file in self._fetched:
                self._fetched.move_to_end(file)
                return self._fetched[file]
        content = self.get(file)
        if sha256 is None:
            return content
        if hashlib.sha256(content).hexdigest() != sha256:
            raise StoreDamaged(
                f"{self.at(file)} is not what was sealed: its SHA-256 differs. Restore it from a "
                "backup; `stillroom verify` says what is proven."
            )
        self._remember(file, content)
        self._keep_copy(file, content)
        return content

    def _remember(self, file: str, content: bytes) -> None:
        with self._lock:
            self._fetched[file] = content
            while len(self._fetched) > 1 and sum(map(len, self._fetched.values())) > MEMORY_BYTES:
                self._fetched.popitem(last=False)

    def _copy_of(self, file: str, sha256: str) -> bytes | None:
        """The copy of a file, where it is whole; one that is not is fetched again."""
        with self._lock:
            if file in self._fetched:
                return self._fetched[file]
        if self._copies is None:
            return None
        try:
            content = (self._copies / name_of(file)).read_bytes()
        except OSError:
            return None
        if hashlib.sha256(content).hexdigest() != sha256:
            return None
        self._remember(file, content)
        return content

    def _keep_copy(self, file: str, content: bytes) -> None:
        if self._copies is None or self._read_only:
            return
        with suppress(StoreError):  # a copy is a comfort: without it the file is fetched again
            write_durably(self._copies / name_of(file), content)


def name_of(file: str) -> str:
    """The name of a file at its place, of the one that its seal gives it.

    >>> name_of("archive/room=east/year=2026/month=09/readings-0001.parquet")
    'room=east/year=2026/month=09/readings-0001.parquet'
    """
    return file.removeprefix(f"{FOLDER}/")
