"""The key that signs cookies: made at first use, kept in the data folder for its owner alone."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from ..errors import StoreError

FILE = "secret.key"
BYTES = 32


def secret_key(folder: Path) -> bytes:
    """The key of a data folder. StoreError where its file is no key, or others may read it.

    It is no part of the record: backups and exports are without it, and a lost one only signs everybody out.
    """
    path = folder / FILE
    try:
        handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    except FileExistsError:
        return _read(path)
    with os.fdopen(handle, "wb") as file:
        file.write(secrets.token_bytes(BYTES))
        file.flush()
        os.fsync(file.fileno())
    return _read(path)


def _read(path: Path) -> bytes:
    key = path.read_bytes()
    if len(key) != BYTES:
        raise StoreError(
            f"{path}: expected {BYTES} bytes, found {len(key)}. Remove it: everybody signs in anew."
        )
    if os.name != "nt" and path.stat().st_mode & 0o077:
        raise StoreError(f"{path} can be read by others; `chmod 600 {path}`, or remove it and sign in anew.")
    return key
