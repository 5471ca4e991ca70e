"""Starts and stops that a measuring program drops as files: the way in for programs that can only write.

A file `NAME.json` in the folder `inspections-in` of the data folder says {"act": "start", "zone": …,
"title": …, "key": …} or {"act": "stop", "key": …}. What was done moves to `done/`; what was refused to
`refused/`, with the reason beside it. A file that is still being written is left for the next turn.
"""

from __future__ import annotations

import itertools
import json
import os
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
from ..store.origin import through
from .readiness import begin

FOLDER = "inspections-in"
WHO = f"folder {FOLDER}"
# A file whose last change is younger may still be being written.
QUIET_NS = 2 * NS
LARGEST_BYTES = 100_000
_LONGEST_NAME = 200  # bytes
_GIVEN = {f.name for f in fields(Inspection)} - {"from_ns", "to_ns"}


@dataclass(frozen=True)
class Dropped:
    """What became of a file; `refused` empty where it was done."""

    name: str
    key: str
    refused: str = ""


def take(store: Store, setup: Setup, now_ns: int) -> list[Dropped]:
    """Do what the files say, in the order of their names; each is moved out of the way."""
    folder = store.folder / FOLDER
    folder.mkdir(exist_ok=True)
    found = []
    for file in sorted(folder.glob("*.json")):
        with suppress(OSError):  # gone since, or it cannot be moved away: the next one is taken all the same
            if now_ns - file.lstat().st_mtime_ns >= QUIET_NS:
                found.append(_taken(store, setup, file, now_ns))
    return found


def _taken(store: Store, setup: Setup, file: Path, now_ns: int) -> Dropped:
    try:
        with through(at="dropped file", file=file.name[:200]):
            done = Dropped(file.name, act(store, setup, _said(file), now_ns))
    except StillroomError as refused:
        done = Dropped(file.name, "", str(refused))
    place = file.parent / ("refused" if done.refused else "done")
    place.mkdir(exist_ok=True)
    target = _free(place, f"{now_ns}-{file.stem}")
    file.replace(target)
    if done.refused:
        target.with_suffix(".txt").write_text(done.refused + "\n", encoding="utf-8")
    return done


def _free(place: Path, stem: str) -> Path:
    """A name that a file system can hold (255 bytes on most), and that nothing there has."""
    short = os.fsdecode(os.fsencode(stem)[:_LONGEST_NAME])
    names = (short if not n else f"{short}-{n}" for n in itertools.count())
    return next(p for name in names if not os.path.lexists(p := place / f"{name}.json"))


def act(store: Store, setup: Setup, said: Mapping[str, Any], now_ns: int) -> str:
    """Start or stop as plain data says; gives the key of the inspection.

    The act is the folder's: whoever may write there can write any name into a file. The name that it
    gives under `person` is who measures, and stands as that alone.
    """
    given = dict(said)
    what = given.pop("act", None)
    if what == "stop":
        return stop_inspection(store, str(given.get("key", "")), WHO, now_ns).key
    if what != "start":
        raise Refused(f'act: wanted "start" or "stop", found {what!r}.')
    unknown = sorted(set(given) - _GIVEN)
    if unknown or not given.get("zone"):
        raise Refused(
            f"wanted zone and any of {', '.join(sorted(_GIVEN))}; found {', '.join(sorted(given))}."
        )
    job = _job({"key": "", "title": "", **given})
    return begin(store, setup, job, WHO, now_ns).key


def _job(given: Mapping[str, Any]) -> Inspection:
    for name, value in given.items():
        number = name in ("length_mm", "tolerance_um")
        fits = value is None or isinstance(value, int | float) if number else isinstance(value, str)
        if not fits or isinstance(value, bool) or (number and value is not None and not 0 < value < 1e6):
            raise Refused(f"{name}: wanted {'a number above 0' if number else 'text'}, found {value!r}.")
    return Inspection(from_ns=0, to_ns=None, **given)


def _said(file: Path) -> dict[str, Any]:
    try:
        said = json.loads(_content(file), parse_constant=_no_number)
        json.dumps(said, ensure_ascii=False).encode()  # half a character cannot be stored
    except (ValueError, RecursionError) as error:
        raise Refused(f"The file is not JSON that can be used: {error}.") from None
    if not isinstance(said, dict):
        raise Refused('Enter an object such as {"act": "stop", "key": "I-2701"}.')
    return said


def _content(file: Path) -> bytes:
    """The bytes of a plain file, never more than are allowed; Refused for a folder, a link or a pipe."""
    if not stat.S_ISREG(file.lstat().st_mode):
        raise Refused("This is a folder or a link, not a file. Drop a plain file with JSON in it.")
    try:
        with file.open("rb") as opened:
            content = opened.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise Refused(f"The file cannot be read: {error.strerror}.") from None
    if len(content) > LARGEST_BYTES:
        raise Refused(f"The file is larger than {LARGEST_BYTES:,} bytes, too large for a start or a stop.")
    return content


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number")
