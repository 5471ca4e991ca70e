"""Where sealed files lie: a folder, or an object store at an address.

A place holds files by name, each written once and never changed. It is asked for no truth: seals say what
there is, and locks are held by the hot tier. Names are those of the seals, without the leading `archive/`.
"""

from __future__ import annotations

import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol
from urllib.parse import unquote, urlsplit

from ...errors import ArchiveAway, Refused
from ..files import PART, copy_synced, plain_write_errors, publish


class Place(Protocol):
    """A folder or an object store that holds sealed files. Every method may be called from any thread.

    What the place itself refuses, or that it does not answer, is ArchiveAway.
    """

    address: str

    def path(self, name: str) -> Path | None:
        """Where a file may be read in place; None where it must be fetched."""

    def put(self, name: str, source: Path) -> None:
        """Store the bytes of a local file, durably; FileExistsError where the name is taken."""

    def get(self, name: str) -> bytes:
        """All bytes of a file; FileNotFoundError where there is none."""

    def holds(self, name: str) -> bool:
        """Whether the name is taken."""

    def names(self) -> list[str]:
        """Every name, sorted."""

    def remove(self, name: str) -> None:
        """Let go of a file; one that is not there is no fault."""

    def free(self) -> int | None:
        """Bytes that are free; None where nobody can say."""


class FolderPlace:
    """A folder of this machine, or a share that is mounted."""

    def __init__(self, root: Path, *, own: bool = False) -> None:
        """own: it lies in the data folder and is made at need; another one that is away is not made anew."""
        self.address = str(root)
        self._root = root
        self._own = own

    def path(self, name: str) -> Path | None:
        """Where a file may be read in place."""
        self._see()
        path = self._root / name
        if not self._own and not path.exists():
            self._refuse_empty()
        return path

    def put(self, name: str, source: Path) -> None:
        """Give a synced file its name here, copied where it lies elsewhere."""
        self._see()
        path = self._root / name
        if path.exists():
            raise FileExistsError(str(path))
        part = path.with_name(path.name + PART)
        with plain_write_errors(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            if part != source:
                copy_synced(source, part)
            publish(part, path)

    def get(self, name: str) -> bytes:
        """All bytes of a file."""
        self._see()
        with self._plain_refusals(name):
            try:
                return (self._root / name).read_bytes()
            except FileNotFoundError:
                self._refuse_empty()
                raise

    def holds(self, name: str) -> bool:
        """Whether the name is taken."""
        self._see()
        with self._plain_refusals(name):
            return (self._root / name).exists()

    def names(self) -> list[str]:
        """Every name, sorted."""
        self._see()
        with self._plain_refusals():
            files = [path for path in self._root.rglob("*") if path.is_file() or path.is_symlink()]
        return sorted(path.relative_to(self._root).as_posix() for path in files)

    def remove(self, name: str) -> None:
        """Let go of a file."""
        with self._plain_refusals(name):
            (self._root / name).unlink(missing_ok=True)

    def free(self) -> int | None:
        """Bytes that are free on its disk."""
        self._see()
        return shutil.disk_usage(self._root).free if self._root.is_dir() else None

    def _see(self) -> None:
        if self._own:
            return
        try:
            is_folder = stat.S_ISDIR(self._root.stat().st_mode)
        except (FileNotFoundError, NotADirectoryError):
            raise ArchiveAway(
                f"The archive {self.address} is not there. Mount its share; if it is a new place, make the "
                "folder first: stillroom does not create it, so that an unmounted share is not mistaken "
                "for an empty disk."
            ) from None
        except OSError as error:
            raise self._refusal(self._root, error) from error
        if not is_folder:
            raise ArchiveAway(
                f"The archive {self.address} is a file, and a folder is needed. Name the folder that is to "
                "hold the sealed files."
            )

    def _refuse_empty(self) -> None:
        """Where a share is not mounted the folder stays at which it was, and nothing is in it."""
        if not self._own and not any(self._root.iterdir()):
            raise ArchiveAway(
                f"The archive {self.address} is empty, and sealed files of this record were there. Mount its "
                "share; if they were deleted, put them back from a backup."
            )

    @contextmanager
    def _plain_refusals(self, name: str = "") -> Iterator[None]:
        """What the system refuses at another place as ArchiveAway; that a file is missing stays as it is."""
        try:
            yield
        except (FileNotFoundError, FileExistsError):
            raise
        except OSError as error:
            if self._own:
                raise
            raise self._refusal(self._root / name, error) from error

    def _refusal(self, path: Path, error: OSError) -> ArchiveAway:
        why = error.strerror or str(error)
        return ArchiveAway(
            f"The archive {self.address} cannot be used: {error.filename or path}: {why}. Give the account "
            "of the service this folder with all that is in it, to read and to write, and see that its disk "
            "or share answers."
        )


def place_at(address: str, endpoint: str = "") -> Place:
    """The place at an address: a path, or a URL such as file:///mnt/archive or s3://bucket/prefix.

    Refused where no library for such an address is installed.
    """
    scheme = urlsplit(address).scheme if "://" in address else ""
    if scheme in ("", "file"):
        path = Path(unquote(urlsplit(address).path)) if scheme else Path(address)
        if scheme and urlsplit(address).netloc not in ("", "localhost"):
            raise Refused(
                "archive: expected file:// with the whole path, such as file:///mnt/archive, found "
                f"{address!r}."
            )
        if not path.is_absolute():
            raise Refused(
                "archive: expected an absolute path or an address such as s3://bucket/prefix, found "
                f"{address!r}."
            )
        return FolderPlace(path)
    from .object_place import ObjectPlace

    return ObjectPlace(address, endpoint)
