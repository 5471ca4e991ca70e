"""Files on their way into the record: put aside on disk while a person answers, read beside the pages.

A file stays here until it is imported or newer ones push it out; nothing is stored before that. The pages
never look into a file: a child process does, within its limits.
"""

from __future__ import annotations

import os
import secrets
import shutil
import tempfile
import threading
import weakref
from collections import OrderedDict
from collections.abc import Callable
from contextvars import copy_context
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import Refused, StillroomError

from .import_uploads import Uploads

if TYPE_CHECKING:
    from logger.imports import ImportResult, Profile
    from logger.imports.describing import Description
    from logger.imports.preview import Preview
    from logger.model import Setup
    from logger.store import Store

MOST_FILES = 4


@dataclass
class Upload:
    """One file with what is known of it so far; `stage` is told while somebody works on it."""

    name: str
    path: Path  # where its bytes are put aside
    stage: str = ""
    refused: str = ""
    described: Description | None = None
    tried: tuple[ImportResult, Preview | None] | None = None
    profile: Profile | None = None  # by which it was tried
    result: ImportResult | None = None
    answers: dict[str, str] = field(default_factory=dict)  # as last given, so that the form keeps them
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def busy(self) -> bool:
        """Whether somebody works on it."""
        return self.lock.locked()


class Desk:
    """The files that lie open. May be called from any thread."""

    def __init__(self) -> None:
        self._files: OrderedDict[str, Upload] = OrderedDict()
        self._guard = threading.Lock()
        self._folder = Path(tempfile.mkdtemp(prefix="stillroom-desk-", dir=_large_files()))
        weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)
        self.uploads = Uploads(self._folder)

    def put(self, name: str, path: Path) -> str:
        """Keep a file that came in whole; gives the key under which it lies here."""
        key = secrets.token_urlsafe(12)
        with self._guard:
            self._files[key] = Upload(name, path)
            while len(self._files) > MOST_FILES:
                self._files.popitem(last=False)[1].path.unlink(missing_ok=True)
        return key

    def get(self, key: str) -> Upload:
        """The file under a key; Refused where it lies here no longer."""
        with self._guard:
            upload = self._files.get(key)
        if upload is None:
            raise Refused("Session expired. Choose the file again.")
        return upload


def _large_files() -> str | None:
    """Where large files lie for a while, as /tmp may be memory (file-hierarchy(7)); None: as usual."""
    place = "/var/tmp"  # noqa: S108 (a folder of its own, for nobody else, is made in it)
    return place if "TMPDIR" not in os.environ and os.access(place, os.W_OK) else None


def work(upload: Upload, doing: Callable[[Upload], None], wait_s: float = 0.8) -> None:
    """Do something with a file in a thread; what is quick is done when this returns.

    One thing at a time for a file: asked for twice, it is done once.
    """
    if not upload.lock.acquire(blocking=False):
        return
    upload.refused = ""

    def run() -> None:
        try:
            doing(upload)
        except StillroomError as error:
            upload.refused = str(error)
        except OSError as error:  # newer files have pushed it out, or the disk it lies on is gone
            upload.refused = f"{upload.name} can no longer be read: {error.strerror}. Choose it again."
        finally:
            upload.stage = ""
            upload.lock.release()

    # A thread begins without the context of the request: the journal would not know the account that acts.
    thread = threading.Thread(target=copy_context().run, args=(run,), name="import", daemon=True)
    thread.start()
    thread.join(wait_s)


def describe(upload: Upload, setup: Setup) -> None:
    """What the file shows of itself."""
    from logger.imports.outside import description_of

    upload.stage = "looking at the file"
    upload.described = description_of(upload.name, upload.path, setup)


def try_out(upload: Upload, profile: Profile, store: Store, setup: Setup, now_ns: int) -> None:
    """What an import by this profile would do."""
    from logger.imports import ImportResult
    from logger.imports.importer import checked, identity_of, trial
    from logger.imports.preview import preview_of
    from logger.imports.samples import refuse_invented, refuse_simulated

    upload.tried, upload.profile = None, profile
    sha256, beginning = identity_of(upload.path)
    if store.imports.find(sha256) is not None:
        upload.tried = ImportResult(sha256, upload.name, already=True), None
        return
    refuse_simulated(upload.name, sha256, beginning, simulated=store.simulated)
    upload.stage = "reading the file"
    reading = checked(upload.name, upload.path, profile, setup, now_ns)
    if reading.simulated:
        refuse_invented(upload.name, simulated=store.simulated)
    upload.stage = f"comparing {reading.rows:,} rows with the stored data"
    upload.tried = trial(upload.name, sha256, reading, store), preview_of(reading)


def bring_in(upload: Upload, store: Store, setup: Setup, who: str, now_ns: int) -> None:
    """Import by the profile that was tried."""
    from logger.imports import import_content

    if upload.profile is None:
        raise Refused("Preview first.")

    def say(line: str) -> None:
        upload.stage = line.partition(": ")[2] or line

    upload.result = import_content(
        upload.name, upload.path, upload.profile, store, setup, who, now_ns, report=say
    )
