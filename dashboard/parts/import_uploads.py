"""Files on their way from a browser: announced first, and then taken straight into a file on disk.

The announcement is a small request with the name and the size, which a worker answers like any other: who may
not import gets no ticket. Only a ticket lets a large body in, once, and no longer than what was announced
(`connections.py` asks `claim` when it has the headers). Nothing of the file goes through memory.
"""

from __future__ import annotations

import secrets
import shutil
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from logger.errors import Refused

MOST_BYTES = 512 << 20  # larger files go in by the command
MOST_TICKETS = 16  # at once; a further one takes the place of the oldest
LASTS_S = 600.0  # from the announcement to the first byte
LEFT_FREE = 256 << 20  # bytes of disk that no upload takes


class Spool:
    """A body that is being received into a file; what does not become whole is removed.

    Has what waitress asks of a buffer: `append`, `getfile`, `close` and a length.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file: IO[bytes] = path.open("x+b")
        self._length = 0
        self._whole = False

    def append(self, data: bytes) -> None:
        """Takes the next bytes."""
        self._file.write(data)
        self._length += len(data)

    def getfile(self) -> IO[bytes]:
        """The file, for who reads the body from its start."""
        self._file.seek(0)
        return self._file

    def keep(self) -> None:
        """It is whole: the file stays."""
        self._file.flush()
        self._whole = True

    def close(self) -> None:
        """The request is over, whole or not."""
        self._file.close()
        if not self._whole:
            self.path.unlink(missing_ok=True)

    def __len__(self) -> int:
        return self._length

    def __bool__(self) -> bool:
        return True


@dataclass
class Ticket:
    """One announced file; `spool` from when its body came in."""

    name: str
    size: int
    account: str
    until_s: float
    spool: Spool | None = None


class Uploads:
    """The announced files. May be called from any thread; `claim` is from the one that reads all sockets."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._tickets: OrderedDict[str, Ticket] = OrderedDict()
        self._guard = threading.Lock()

    def announce(self, name: str, size: int, account: str) -> str:
        """A ticket for one body of exactly that size; Refused where it is too large or there is no room."""
        if size < 1:
            raise Refused(f"{name} is empty: choose a file with readings.")
        if size > MOST_BYTES:
            raise Refused(
                f"{name} is larger than {MOST_BYTES >> 20} MiB; import it with `stillroom import` on the "
                "machine."
            )
        with self._guard:
            now_s = time.monotonic()
            coming = [t for t in self._tickets.values() if t.spool is not None or t.until_s > now_s]
            expected = sum(ticket.size for ticket in coming)
        free = max(0, shutil.disk_usage(self._folder).free - expected)
        if free < size + LEFT_FREE:
            raise Refused(
                f"{name} needs {size >> 20} MiB in {self._folder}, where {free >> 20} MiB are free and "
                f"{LEFT_FREE >> 20} MiB must stay so. Make room there, or use `stillroom import`."
            )
        ticket = secrets.token_urlsafe(24)
        with self._guard:
            self._tickets[ticket] = Ticket(name, size, account, time.monotonic() + LASTS_S)
            while len(self._tickets) > MOST_TICKETS:
                self._tickets.popitem(last=False)
        return ticket

    def claim(self, ticket: str, size: int) -> Spool | None:
        """Where the body of a ticket goes; None where no such body is expected."""
        with self._guard:
            upload = self._tickets.get(ticket)
            if upload is None or upload.size != size or upload.spool is not None:
                return None
            if upload.until_s < time.monotonic():
                del self._tickets[ticket]
                return None
            try:
                upload.spool = Spool(self._folder / secrets.token_hex(12))
            except OSError:
                return None
            return upload.spool

    def take(self, ticket: str, account: str, size: int, body: IO[bytes]) -> tuple[str, Path]:
        """Name and place of a file that came in whole, which is the caller's from now on; Refused otherwise.

        body: read where the server did not ask `claim` before it came, as that of a test does not.
        """
        late = self.claim(ticket, size)
        if late is not None:
            while part := body.read(1 << 20):
                late.append(part)
        with self._guard:
            upload = self._tickets.get(ticket)
            if upload is None or upload.account != account or upload.spool is None:
                raise Refused("Session expired. Choose the file again.")
            del self._tickets[ticket]
        if len(upload.spool) != upload.size:
            upload.spool.close()
            raise Refused(f"{upload.name}: upload incomplete. Choose the file again.")
        upload.spool.keep()
        if late is not None:
            late.close()  # else the server does, at the end of the request
        return upload.name, upload.spool.path
