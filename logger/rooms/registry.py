"""rooms.toml: which rooms a group has, where their records lie, and the keys that a person confirmed.

[centre]
data = "centre"                 # accounts of the group, and what it has seen of its rooms

[rooms.hall-3]
data = "/srv/rooms/hall-3"      # its data folder, on this machine or a share
key = "5f0c…"                   # SHA-256 of the public key that signs its summaries
name = "Hall 3"                 # as it is called until its first summary comes
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import ConfigError, Fault, Refused

FILE = "rooms.toml"
# Paths of the centre's own pages, which no room may be called by.
TAKEN = frozenset(
    {"account", "accounts", "acknowledge", "api", "as", "assets", "first", "rooms", "sign-in", "sign-out"}
)
_KEY = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_NEW = """# The rooms of a group: `stillroom rooms add` writes it, `stillroom serve --rooms {file}` shows it.

[centre]
data = "{data}"   # accounts of the group, and what it has seen of its rooms
"""


@dataclass(frozen=True)
class RoomEntry:
    """One room of a group. `key_name`: SHA-256 of the public key that signs for it, confirmed by a person."""

    key: str
    data: Path
    key_name: str
    name: str = ""


@dataclass(frozen=True)
class Registry:
    """The rooms of a group, by key in the order of the file; `centre` is the folder of the group itself."""

    file: Path
    centre: Path
    rooms: Mapping[str, RoomEntry]

    @property
    def accounts(self) -> Path:
        """The record of the group itself: its people, and what they accepted."""
        return self.centre / "record"

    def room(self, key: str) -> RoomEntry:
        """The room of that key; Refused with those that there are."""
        if key not in self.rooms:
            listed = ", ".join(self.rooms) or "none"
            raise Refused(f"There is no room {key!r} in {self.file}. It has: {listed}.")
        return self.rooms[key]


def read(file: Path) -> Registry:
    """The list of rooms; ConfigError with all faults of the file, Refused where there is none."""
    try:
        tables = tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise Refused(
            f"{file}: expected a list of rooms, found no file. `stillroom rooms add KEY --data DIR --rooms "
            f"{file}` begins one."
        ) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise Refused(f"{file}: expected a list of rooms in TOML, found {error}.") from error
    faults: list[Fault] = []
    centre = _path(file, "centre", tables.get("centre"), faults)
    listed = tables.get("rooms", {})
    if not isinstance(listed, dict):
        faults.append(_fault(file, "rooms", "", "tables such as [rooms.hall-3]", repr(listed)))
        listed = {}
    rooms = {key: entry for key, table in listed.items() if (entry := _entry(file, key, table, faults))}
    faults += [
        _fault(file, name, "", "[centre] or [rooms.KEY]", "an unknown table") for name in _others(tables)
    ]
    if faults:
        raise ConfigError(faults)
    return Registry(file, centre, rooms)


def add(file: Path, entry: RoomEntry) -> None:
    """Append a room to the list; the file is begun where there is none, and replaced in one step."""
    refuse_key(entry.key)
    text = file.read_text(encoding="utf-8") if file.exists() else _NEW.format(file=file.name, data="centre")
    if file.exists() and entry.key in read(file).rooms:
        raise Refused(f"{file} has a room {entry.key!r} already; nothing was changed.")
    text += (
        f"\n[rooms.{entry.key}]\ndata = {_quoted(str(entry.data))}\nkey = {_quoted(entry.key_name)}\n"
        f"name = {_quoted(entry.name)}\n"
    )
    replace_file(file, text.encode())


def confirm_key(file: Path, key: str, key_name: str) -> None:
    """Put another signing key of a room into the list, which a person confirmed."""
    registry = read(file)
    old = registry.room(key).key_name
    head, table, rest = file.read_text(encoding="utf-8").partition(f"[rooms.{key}]")
    if rest.count(old) == 0:
        raise Refused(f"{file} [rooms.{key}] key: expected {old[:16]}…, found another text; edit it by hand.")
    replace_file(file, (head + table + rest.replace(old, key_name, 1)).encode())


def replace_file(file: Path, content: bytes) -> None:
    """Write a file of the group in one step: a reader has the old one or the new one, whole."""
    file.parent.mkdir(parents=True, exist_ok=True)
    fresh = file.with_name(f"{file.name}.{os.getpid()}.new")
    fresh.write_bytes(content)
    os.replace(fresh, file)


def refuse_key(key: str) -> None:
    """Refused unless a room may be called so in addresses: small letters, digits and hyphens.

    >>> refuse_key("hall-3")
    """
    if not _KEY.fullmatch(key) or key in TAKEN:
        raise Refused(
            "room: expected up to 40 small letters, digits and hyphens, and none of "
            f"{', '.join(sorted(TAKEN))}; found {key!r}."
        )


def _entry(file: Path, key: str, table: Any, faults: list[Fault]) -> RoomEntry | None:
    where = f"rooms.{key}"
    try:
        refuse_key(key)
    except Refused as refused:
        faults.append(_fault(file, where, "", str(refused).partition("expected ")[2].partition(";")[0], key))
        return None
    count = len(faults)
    data = _path(file, where, table, faults)
    if len(faults) > count:
        return None
    key_name, name = table.get("key", ""), table.get("name", "")
    if not isinstance(key_name, str) or not _SHA256.fullmatch(key_name):
        expected = "64 hexadecimal digits, as `stillroom rooms add` writes them"
        faults.append(_fault(file, where, "key", expected, repr(key_name)))
        return None
    return RoomEntry(key, data, key_name, str(name))


def _path(file: Path, where: str, table: Any, faults: list[Fault]) -> Path:
    """A folder, relative to the file."""
    value = table.get("data") if isinstance(table, dict) else None
    if not isinstance(value, str) or not value:
        entered = "no such key" if value is None else repr(value)
        faults.append(_fault(file, where, "data", "a data folder", entered))
        return file.parent
    return file.parent / value


def _others(tables: Mapping[str, Any]) -> list[str]:
    return [name for name in tables if name not in ("centre", "rooms")]


def _fault(file: Path, table: str, key: str, expected: str, entered: str) -> Fault:
    return Fault(str(file), table, key, expected, entered)


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
