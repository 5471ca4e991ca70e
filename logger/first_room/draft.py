"""What was answered so far: texts as a person typed them, kept in a file until the setup is in force."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from ..errors import Refused, you_entered
from ..imports.describing import Description, Guess
from ..imports.drafting import DraftedColumn, drafted_columns, resolution_of
from ..probes.trial import pattern_of

LIVE = "P1"  # the key of the first probe that is read live
# Unit of a number -> quantity and span of the probe, wide enough for any room; common practice, no source.
UNITS: Mapping[str, tuple[str, str, float, float]] = {
    "degC": ("temperature in °C", "temperature", -40.0, 85.0),
    "degF": ("temperature in °F", "temperature", -40.0, 185.0),
    "%RH": ("relative humidity in %", "relative_humidity", 0.0, 100.0),
    "hPa": ("pressure in hPa", "pressure", 500.0, 1100.0),
    "ppm": ("carbon dioxide in ppm", "co2", 0.0, 10000.0),
}
NO_READING = "none"


Option = tuple[str, str]  # what is stored, and what a person reads

# What a position is in, in words; without an entry the key is the word.
MEDIA_WORDS = {
    "part": "a part: on or in a workpiece",
    "scale": "a scale of the machine",
    "structure": "the structure of the machine",
    "plate-top": "a plate, its top",
    "plate-bottom": "a plate, its underside",
    "supply": "supply air of the air handling",
    "outdoor": "outdoors",
    "pressure": "anywhere in the room: a barometer",
}


@dataclass(frozen=True)
class Field:
    """A line to fill in; with `options` one of a few. `value` is proposed; `empty`: what no entry means."""

    key: str
    label: str
    value: str = ""
    hint: str = ""
    options: tuple[Option, ...] = ()
    empty: str = ""
    kind: Literal["text", "long", "file", "date"] = "text"


@dataclass(frozen=True)
class ChannelDraft:
    """A channel as it will be written; `value` is its name in the probe's answer, `column` in a file."""

    probe: str
    name: str
    quantity: str
    unit: str
    low: float
    high: float
    resolution: float
    value: str = ""
    column: DraftedColumn | None = None

    @property
    def key(self) -> str:
        return f"{self.probe}.{self.name}"

    @property
    def words(self) -> str:
        """As people name it."""
        return f"{self.probe} {self.name.replace('_', ' ')}"

    @property
    def unit_text(self) -> str:
        """Its unit as it is printed."""
        return {"degC": "°C", "degF": "°F", "%RH": "% RH"}.get(self.unit, self.unit)


@dataclass(frozen=True)
class Draft:
    """Answers by the key of their field, and what a logger file showed, where the room begins from one."""

    values: Mapping[str, str] = field(default_factory=dict)
    described: Description | None = None

    def text(self, key: str) -> str:
        """An answer without blanks around it; empty where there is none."""
        return self.values.get(key, "").strip()

    def with_values(self, more: Mapping[str, str]) -> Draft:
        """The draft with further answers, or others."""
        return replace(self, values={**self.values, **more})

    @property
    def numbers(self) -> dict[str, str]:
        """Numbers in the probe's last answer, by their names v1, v2, …"""
        return pattern_of(self.text("line"))[1] if self.text("line") else {}

    @cached_property
    def channels(self) -> tuple[ChannelDraft, ...]:
        """What is measured: of a file its columns, of a live probe the numbers that have a unit."""
        if self.described is not None:
            return tuple(map(_of_column, drafted_columns(self._columns(self.described))))
        drafts: list[ChannelDraft] = []
        for value, example in self.numbers.items():
            unit = self.text(f"unit.{value}")
            if unit in UNITS:
                _, quantity, low, high = UNITS[unit]
                same = sum(c.quantity == quantity for c in drafts)
                name = f"{quantity}-{same + 1}" if same else quantity
                resolution = resolution_of(example)
                drafts.append(ChannelDraft(LIVE, name, quantity, unit, low, high, resolution, value))
        return tuple(drafts)

    def _columns(self, described: Description) -> tuple[Guess, ...]:
        """The columns of a file, with the units that were answered where it names none."""
        return tuple(
            replace(c, unit=self.text(f"unit.{c.name}") or None) if c.unit is None else c
            for c in described.columns
        )

    @property
    def probes(self) -> tuple[str, ...]:
        """Keys of the probes, in the order of their channels."""
        if self.described is None:
            return (LIVE,)
        return tuple(dict.fromkeys(channel.probe for channel in self.channels))


def _of_column(drafted: DraftedColumn) -> ChannelDraft:
    return ChannelDraft(
        drafted.probe,
        drafted.quantity,
        drafted.quantity,
        drafted.unit,
        drafted.low,
        drafted.high,
        resolution_of(drafted.guess.example),
        column=drafted,
    )


def number(draft: Draft, key: str, label: str, example: str) -> float:
    """An answer as a number, with a decimal point or comma; Refused says what to enter."""
    text = draft.text(key)
    if not re.fullmatch(r"[+-]?\d{1,9}(?:[.,]\d{1,9})?", text):
        raise Refused(f"{label}: enter a number such as {example}.{you_entered(text)}")
    return float(text.replace(",", "."))


def numbers(draft: Draft, key: str, label: str, example: str) -> list[float]:
    """An answer as several numbers, separated by blanks, slashes, semicolons or "x"."""
    parts = [part for part in re.split(r"[\s/;×xX]+", draft.text(key)) if part]
    ones = [Draft({"": part}) for part in parts]
    try:
        return [number(item, "", label, example) for item in ones]
    except Refused:
        raise Refused(f"{label}: enter numbers such as {example}.{you_entered(draft.text(key))}") from None


def day(draft: Draft, key: str, label: str) -> date:
    """An answer as a day."""
    try:
        return date.fromisoformat(draft.text(key))
    except ValueError:
        raise Refused(f"{label}: enter a day such as 2026-03-02.{you_entered(draft.text(key))}") from None


def needed(draft: Draft, key: str, label: str, example: str) -> str:
    """An answer that must not be empty."""
    if not (text := draft.text(key)):
        raise Refused(f"{label}: enter {example}.")
    return text


def toml(text: str) -> str:
    """A basic string of TOML: written as one of JSON, DEL apart (TOML 1.0, "String")."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def load_draft(path: Path) -> dict[str, str]:
    """The answers of an earlier start; none where there is no such file, or where it cannot be read."""
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    pairs = stored.items() if isinstance(stored, dict) else ()
    return {key: value for key, value in pairs if isinstance(value, str)}


def save_draft(path: Path, draft: Draft) -> None:
    """Keep the answers, whole or not at all."""
    partial = path.with_name(f"{path.name}.part")
    partial.write_text(json.dumps(dict(draft.values), ensure_ascii=False, indent=1), encoding="utf-8")
    os.replace(partial, path)


def is_zone(name: str) -> bool:
    """Whether there is a time zone of that name."""
    try:
        ZoneInfo(name)
    except (ValueError, OSError, LookupError):
        return False
    return True
