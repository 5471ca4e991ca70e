"""A profile as the TOML file that a person reads, mends and keeps."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from typing import Any

from .profile import Column, Profile

_NOT_HERE = frozenset(
    {
        "time_headings",
        "columns",
        "form",
        "order",
        "zone",
        "zones",
        "day_in",
        "repeated_hour",
        "jumps_are_real",
    }
)
_DEFAULTS = {f.name: f.default for f in fields(Profile)}


def profile_text(
    profile: Profile, notes: Mapping[str, str] | None = None, questions: Sequence[str] = ()
) -> str:
    """The file; `notes` are remarks behind a key or a column's name, `questions` stand above all.

    What is left to its default is not profile_text.
    """
    notes = notes or {}
    lines = [f"# Open: {q}" for q in questions]
    lines += [_line(name, getattr(profile, name), notes) for name in _fields_to_write(profile, _NOT_HERE)]
    lines += ["", "[time]", _line("headings", profile.time_headings, notes)]
    of_time = sorted(_NOT_HERE - {"time_headings", "columns", "zones"})
    lines += [_line(name, getattr(profile, name), notes) for name in of_time if _differs(profile, name)]
    for since, zone in profile.zones:
        lines += ["", "[[time.zones]]", f"from = {_text(since)}", f"zone = {_text(zone)}"]
    for column in profile.columns:
        lines += ["", *_column(column, notes)]
    return "\n".join(lines) + "\n"


def _fields_to_write(profile: Profile, omitted: frozenset[str]) -> Iterator[str]:
    for field in fields(Profile):
        if field.name not in omitted and _differs(profile, field.name):
            yield field.name


def _differs(profile: Profile, name: str) -> bool:
    return bool(getattr(profile, name) != _DEFAULTS[name])


def _column(column: Column, notes: Mapping[str, str]) -> list[str]:
    note = notes.get(column.name, "")
    lines = [*([f"# {note}"] if note else []), "[[columns]]", _line("heading", column.heading, {})]
    lines.append(_line("channel", column.channel, {}))
    for name in ("unit", "unit_in"):
        if getattr(column, name) is not None:
            lines.append(_line(name, getattr(column, name), {}))
    if column.time:
        lines.append(_line("time", column.time, {}))
    if column.only:
        only = ", ".join(f"{_text(key)} = {_text(value)}" for key, value in column.only)
        lines.append(f"only = {{ {only} }}")
    return lines


def _line(name: str, value: Any, notes: Mapping[str, str]) -> str:
    note = notes.get(name, "")
    return f"{name} = {_text(value)}{f'  # {note}' if note else ''}"


def _text(value: Any) -> str:
    """A TOML value: its basic strings are profile_text as those of JSON, DEL apart (TOML 1.0, "String")."""
    plain = list(value) if isinstance(value, tuple) else value
    return json.dumps(plain, ensure_ascii=False).replace("\x7f", "\\u007F")
