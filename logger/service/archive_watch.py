"""Whether the archive can be reached where it lies outside the data folder, tried once a minute."""

from __future__ import annotations

import time

from ..store import Store
from .senders import Senders

ARCHIVE = "reach the archive"
EVERY_S = 60.0


class ArchiveWatch:
    """Tries the place of the sealed files: a share or an object store that is away is named at once."""

    def __init__(self, store: Store, senders: Senders) -> None:
        self._store = store
        self._senders = senders
        self._tried_s = -EVERY_S

    def turn(self) -> None:
        """Once a minute, by a courier: such a place may hang. In the data folder there is nothing to try."""
        now_s = time.monotonic()
        if not self._store.archive.content.is_own and now_s - self._tried_s >= EVERY_S:
            self._tried_s = now_s
            self._senders.begin(ARCHIVE, self._store.archive.reach)
