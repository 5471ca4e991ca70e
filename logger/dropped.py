"""Starts and stops that a measuring program drops as files: the way in for programs that can only write.

A file `NAME.json` in the folder `inspections-in` of the data folder says {"act": "start", "zone": …,
"title": …, "key": …} or {"act": "stop", "key": …}. What was done moves to `done/`; what was refused to
`refused/`, with the reason beside it. A file that is still being written is left for the next turn.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from .actions import stop_inspection
from .errors import Refused, StillroomError
from .model import NS, Inspection, Setup
from .readiness import begin
from .store import Store

FOLDER = "inspections-in"
WHO = "dropped file"
# A file whose last change is younger may still be being written.
QUIET_NS = 2 * NS
LARGEST_BYTES = 100_000
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
        if now_ns - file.stat().st_mtime_ns < QUIET_NS:
            continue
        found.append(_taken(store, setup, file, now_ns))
    return found


def _taken(store: Store, setup: Setup, file: Path, now_ns: int) -> Dropped:
    try:
        done = Dropped(file.name, act(store, setup, _said(file), now_ns))
    except StillroomError as refused:
        done = Dropped(file.name, "", str(refused))
    place = file.parent / ("refused" if done.refused else "done")
    place.mkdir(exist_ok=True)
    target = place / f"{now_ns}-{file.name}"
    file.replace(target)
    if done.refused:
        target.with_suffix(".txt").write_text(done.refused + "\n", encoding="utf-8")
    return done


def act(store: Store, setup: Setup, said: Mapping[str, Any], now_ns: int) -> str:
    """Start or stop as plain data says; gives the key of the inspection."""
    given = dict(said)
    what = given.pop("act", None)
    if what == "stop":
        return stop_inspection(store, str(given.get("key", "")), _who(given), now_ns).key
    if what != "start":
        raise Refused(f'act: wanted "start" or "stop", found {what!r}.')
    unknown = sorted(set(given) - _GIVEN)
    if unknown or not given.get("zone"):
        raise Refused(
            f"wanted zone and any of {', '.join(sorted(_GIVEN))}; found {', '.join(sorted(given))}."
        )
    job = _job({"key": "", "title": "", **given})
    return begin(store, setup, job, _who(given), now_ns).key


def _job(given: Mapping[str, Any]) -> Inspection:
    for name, value in given.items():
        number = name in ("length_mm", "tolerance_um")
        fits = value is None or isinstance(value, int | float) if number else isinstance(value, str)
        if not fits or isinstance(value, bool):
            raise Refused(f"{name}: wanted {'a number' if number else 'text'}, found {value!r}.")
    return Inspection(from_ns=0, to_ns=None, **given)


def _who(given: Mapping[str, Any]) -> str:
    return str(given.get("person") or WHO)


def _said(file: Path) -> dict[str, Any]:
    if file.stat().st_size > LARGEST_BYTES:
        raise Refused(f"wanted a small file, found {file.stat().st_size} bytes.")
    try:
        said = json.loads(file.read_text(encoding="utf-8"))
    except (UnicodeDecodeError, ValueError) as error:
        raise Refused(f"wanted JSON, found something else: {error}.") from None
    if not isinstance(said, dict):
        raise Refused('wanted an object as in {"act": "stop", "key": "I-2701"}.')
    return said
