"""A new room's setup from that of another: places, probes, limits and notices, without any evidence.

Left out is what was true of the old room's instruments and people alone: certificates, serial numbers and
firmware, the days on which probes came and went, dates and approvers of limits. Comments and order stay.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import date

from ..errors import Refused

_HEADER = re.compile(r"^\s*\[")
# File kind -> keys whose lines are left out.
_LEFT_OUT: Mapping[str, tuple[str, ...]] = {
    "room": ("simulated",),
    "probes": ("firmware", "applies_certificate"),
    "limits": ("valid_from", "valid_to", "approver"),
}


def clone_texts(texts: Mapping[str, str], key: str, name: str, day: date) -> dict[str, str]:
    """Texts of the new room, whose probes stand there from `day` on, to be completed by hand.

    Refused without a key and a name of its own.
    """
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]*", key):
        raise Refused(f"--key: expected small letters, digits and hyphens such as west, found {key!r}.")
    if not name.strip():
        raise Refused("--name: enter the name of the new room.")
    return {
        file: _clone(file, text, (key, name, day))
        for file, text in texts.items()
        if not file.startswith("certificates/") and not file.endswith(".xml")
    }


def _clone(file: str, text: str, new: tuple[str, str, date]) -> str:
    kind = file.partition(".")[0].partition("-")[0]
    blocks = [b for b in _blocks(text) if kind != "probes" or not _is_past_stay(b)]
    lines = ((block[0], line) for block in blocks for line in block if _stays(kind, line))
    return "\n".join(_line(kind, heading, line, new) for heading, line in lines)


def _blocks(text: str) -> list[list[str]]:
    """Lines by table, each with its heading first; those before the first heading are a block, too."""
    blocks: list[list[str]] = [[""]]
    for line in text.split("\n"):
        if _HEADER.match(line):
            blocks.append([])
        blocks[-1].append(line)
    blocks[0] = blocks[0][1:] or [""]
    return blocks


def _is_past_stay(block: list[str]) -> bool:
    """A placement that has an end: the probe has gone from there."""
    return block[0].strip() == "[[placements]]" and any(re.match(r"\s*to\s*=", line) for line in block)


def _stays(kind: str, line: str) -> bool:
    return not any(re.match(rf"\s*{key}\s*=", line) for key in _LEFT_OUT.get(kind, ()))


def _line(kind: str, heading: str, line: str, new: tuple[str, str, date]) -> str:
    """A line with what belongs to the new room; the heading says in which table it stands."""
    table, (key, name, day) = heading.strip(), new
    if kind == "room" and table == "[room]":
        for word, value in (("key", key), ("name", name)):
            if re.match(rf"\s*{word}\s*=", line):
                return f"{word} = {json.dumps(value, ensure_ascii=False)}"
    if kind == "probes" and table == "[[placements]]" and re.match(r"\s*from\s*=", line):
        return f"from = {day}"
    probe = re.fullmatch(r"\[probes\.([^.\]]+)\]", table)
    if kind == "probes" and probe and re.match(r"\s*serial\s*=", line):
        return f'serial = "to be entered, {probe[1]}"'
    return line
