"""Starts and stops of inspections from files, for measuring programs that can only write files.

A file `NAME.json` in the folder `inspections-in` of the data folder says {"act": "start", "zone": …,
"title": …, "key": …} or {"act": "stop", "key": …}. What was done moves to `done/`; what was refused to
`refused/`, with the reason beside it. A file that is still being written is left for the next turn.
"""

from __future__ import annotations

import itertools
import json
import os
import reprlib
import stat
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from ..acts.inspections import stop_inspection
from ..errors import Refused, StillroomError
from ..instants import NS
from ..model import Inspection, Setup
from ..store import Store
from ..store.origin import acting_through
from .readiness import begin

FOLDER = "inspections-in"
WHO = f"folder {FOLDER}"
# A file whose last change is younger may still be being written.
QUIET_NS = 2 * NS
LARGEST_BYTES = 100_000
_LONGEST_NAME = 200  # bytes
_FIELDS = {f.name for f in fields(Inspection)} - {"from_ns", "to_ns"}


@dataclass(frozen=True)
class ProcessedFile:
    """Outcome of one file: key of the inspection, or in `refused` the reason."""

    name: str
    key: str
    refused: str = ""


def process_files(store: Store, setup: Setup, now_ns: int) -> list[ProcessedFile]:
    """Process the files in order of their names; each is moved to done/ or refused/."""
    folder = store.folder / FOLDER
    folder.mkdir(exist_ok=True)
    processed = []
    for file in sorted(folder.glob("*.json")):
        with suppress(OSError):  # gone since, or it cannot be moved away: the next one is taken all the same
            if now_ns - file.lstat().st_mtime_ns >= QUIET_NS:
                processed.append(_process(store, setup, file, now_ns))
    return processed


def _process(store: Store, setup: Setup, file: Path, now_ns: int) -> ProcessedFile:
    try:
        with acting_through(at="dropped file", file=file.name[:200]):
            outcome = ProcessedFile(file.name, act(store, setup, _read_request(file), now_ns))
    except StillroomError as refused:
        outcome = ProcessedFile(file.name, "", str(refused))
    place = file.parent / ("refused" if outcome.refused else "done")
    place.mkdir(exist_ok=True)
    target = _free(place, f"{now_ns}-{file.stem}")
    file.replace(target)
    if outcome.refused:
        target.with_suffix(".txt").write_text(outcome.refused + "\n", encoding="utf-8")
    return outcome


def _free(place: Path, stem: str) -> Path:
    """A name that a file system can hold (255 bytes on most), and that nothing there has."""
    short = os.fsdecode(os.fsencode(stem)[:_LONGEST_NAME])
    names = (short if not n else f"{short}-{n}" for n in itertools.count())
    return next(p for name in names if not os.path.lexists(p := place / f"{name}.json"))


def act(store: Store, setup: Setup, request: Mapping[str, Any], now_ns: int) -> str:
    """Start or stop an inspection from plain data; returns its key.

    The act is the folder's: whoever may write there can write any name into a file. The name that it
    gives under `person` is who measures, and stands as that alone.
    """
    entries = dict(request)
    what = entries.pop("act", None)
    if what == "stop":
        return stop_inspection(store, str(entries.get("key", "")), WHO, now_ns).key
    if what != "start":
        raise Refused(f'act: expected "start" or "stop", found {reprlib.repr(what)}.')
    unknown = sorted(set(entries) - _FIELDS)
    if unknown or not entries.get("zone"):
        raise Refused(
            f"expected zone and any of {', '.join(sorted(_FIELDS))}; "
            f"found {', '.join(reprlib.repr(name)[1:-1] for name in sorted(entries)[:20])}."
        )
    inspection = _inspection({"key": "", "title": "", **entries})
    return begin(store, setup, inspection, WHO, now_ns).key


def _inspection(entries: Mapping[str, Any]) -> Inspection:
    for name, value in entries.items():
        number = name in ("length_mm", "tolerance_um")
        fits = value is None or isinstance(value, int | float) if number else isinstance(value, str)
        if not fits or isinstance(value, bool) or (number and value is not None and not 0 < value < 1e6):
            raise Refused(
                f"{name}: expected {'a number above 0' if number else 'text'}, found {reprlib.repr(value)}."
            )
    return Inspection(from_ns=0, to_ns=None, **entries)


def _read_request(file: Path) -> dict[str, Any]:
    try:
        request = json.loads(_content(file), parse_constant=_no_number)
        json.dumps(request, ensure_ascii=False).encode()  # half a character cannot be stored
    except (ValueError, RecursionError) as error:
        raise Refused(f"The file is not JSON that can be used: {error}.") from None
    if not isinstance(request, dict):
        raise Refused('Enter an object such as {"act": "stop", "key": "I-2701"}.')
    return request


def _content(file: Path) -> bytes:
    """The bytes of a plain file, never more than are allowed; Refused for a folder, a link or a pipe."""
    if not stat.S_ISREG(file.lstat().st_mode):
        raise Refused("This is a folder or a link, not a file. Drop a plain file with JSON in it.")
    try:
        with file.open("rb") as stream:
            content = stream.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise Refused(f"The file cannot be read: {error.strerror}.") from None
    if len(content) > LARGEST_BYTES:
        raise Refused(f"The file is larger than {LARGEST_BYTES:,} bytes, too large for a start or a stop.")
    return content


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number")
