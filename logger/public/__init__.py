"""The record of a measuring room in a notebook or a script: read, and never written.

    import stillroom

    with stillroom.open("data") as room:
        room.channels()
        room.readings("P1.temperature", "2026-10-19", "2026-10-20")

Every table is a pandas DataFrame. The unit stands in the name of its column; instants are in the time zone
of the room.
"""

from __future__ import annotations

from importlib.util import find_spec as _find_spec
from pathlib import Path as _Path
from typing import TYPE_CHECKING, Any


def _require_own_logger() -> None:
    """ImportError where another module `logger`, such as a file beside the script, hides the package."""
    try:
        hidden = _find_spec("logger.model") is None
    except (ImportError, AttributeError, ValueError):
        hidden = True
    if hidden:
        spec = _find_spec("logger")
        where = "an unknown place" if spec is None else spec.origin or str(spec.submodule_search_locations)
        raise ImportError(
            f"stillroom needs its own package `logger`, but finds {where} first. Rename that file, or start "
            "Python from another folder (or with -P)."
        )


_require_own_logger()

from logger.errors import IntervalError, Refused, StillroomError, StoreError, UnknownName  # noqa: E402

from .record_error import RecordError  # noqa: E402

if TYPE_CHECKING:
    from .room import CheckAnswer, RoomRecord


def open(folder: str | _Path) -> RoomRecord:
    """Open the record of a folder for reading; RecordError where there is none.

    Every byte of the folder stays as it is, also while the service writes it. What the service stores later
    is seen by opening the record again.
    """
    from .room import open_record

    record: RoomRecord = open_record(folder)
    return record


def __getattr__(name: str) -> Any:
    """The classes that need the libraries of the record, at their first use."""
    if name in ("CheckAnswer", "RoomRecord"):
        from . import room

        return getattr(room, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


__all__ = [
    "CheckAnswer",
    "IntervalError",
    "RecordError",
    "Refused",
    "RoomRecord",
    "StillroomError",
    "StoreError",
    "UnknownName",
    "open",
]
