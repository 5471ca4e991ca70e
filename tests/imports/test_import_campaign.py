"""Damaged files by the thousand, against a reader that knows one spelling only and reads line by line.

What an import tells is what a line says, before or after the damage: readings may be lost, never made up.
"""

from __future__ import annotations

import math
import random
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from logger.errors import ImportRefused
from logger.imports import Profile
from logger.imports.importer import checked
from logger.imports.profile import Column
from logger.instants import NS
from logger.model import Setup

FIRST = datetime(2026, 9, 28, 22, tzinfo=UTC)
NOW = 1_900_000_000 * NS
ROWS = 40
TEMPERATURE = (Column("temperature", "P1.temperature", "degC"),)


@dataclass(frozen=True)
class Kind:
    """A spelling: how rows are written, what declares it, and the strict reading of one line."""

    head: str
    row: str  # of strftime, then the value
    comma: bool
    line: re.Pattern[str]
    stamp: str
    declared: dict[str, Any]


KINDS = {
    "ISO": Kind(
        "time,temperature\n", "%Y-%m-%dT%H:%M:%SZ,{}\n", False,
        re.compile(r"(\d{4}-\d{1,2}-\d{1,2}T\d{1,2}:\d{2}:\d{2})Z,(.*)"), "%Y-%m-%dT%H:%M:%S", {"zone": None},
    ),
    "comma": Kind(
        "Logger;7\ntime;temperature\n;°C\n", "%d.%m.%Y %H:%M:%S;{}\n", True,
        re.compile(r"(\d{1,2}\.\d{1,2}\.\d{4} \d{1,2}:\d{2}:\d{2});(.*)"), "%d.%m.%Y %H:%M:%S",
        {"zone": "UTC", "order": "day-month-year", "decimal": ","},
    ),
    "half days": Kind(
        '"time"\t"temperature"\n', '"%m/%d/%Y %I:%M:%S %p"\t{}\r\n', False,
        re.compile(r'"?(\d{1,2}/\d{1,2}/\d{4} \d{1,2}:\d{2}:\d{2} (?:[AaPp][Mm]))"?\t(.*)'),
        "%m/%d/%Y %I:%M:%S %p",
        {"zone": "UTC", "order": "month-day-year", "decimal": "."},
    ),
}  # fmt: skip
FORMS = {
    True: re.compile(r"[+-]?(?:\d+(?:,\d*)?|,\d+)(?:[eE][+-]?\d+)?"),
    False: re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"),
}


def written(kind: Kind) -> bytes:
    """Forty rows a quarter of an hour apart, over two midnights and the end of a month."""
    text = kind.head
    for n in range(ROWS):
        value = "---" if n == 17 else f"{19.5 + n * 0.13:.2f}"
        at = FIRST + timedelta(minutes=15 * n * 5)
        text += at.strftime(kind.row).format(value.replace(".", ",") if kind.comma else value)
    return text.encode()


def damaged(content: bytes, dice: random.Random) -> bytes:
    """One to three of: a byte turned, cut, put in; a line lost, twice, moved; the end lost."""
    for _ in range(dice.choice((1, 1, 1, 2, 3))):
        at = dice.randrange(len(content) + 1)
        what = dice.randrange(9)
        if what == 0 and at < len(content):
            content = content[:at] + bytes([content[at] ^ 1 << dice.randrange(8)]) + content[at + 1 :]
        elif what == 1:
            content = content[:at] + content[at + dice.randrange(1, 9) :]
        elif what == 2:
            content = content[:at] + bytes(dice.choices(range(256), k=dice.randrange(1, 5))) + content[at:]
        elif what == 3:
            content = (
                content[:at]
                + dice.choice([b"\0", b'"', b",", b";", b"\n", b"\r", b"-", b".", b"#"])
                + content[at:]
            )
        elif what == 4:
            content = content[:at]
        elif what == 5 and at < len(content):
            content = content[:at] + bytes([dice.randrange(256)]) + content[at + 1 :]
        else:
            content = b"".join(moved(content.splitlines(keepends=True), dice))
        if not content:
            return b"\n"
    return content


def moved(lines: list[bytes], dice: random.Random) -> list[bytes]:
    if not lines:
        return lines
    line = lines.pop(dice.randrange(len(lines)))
    for _ in range(dice.randrange(3)):
        lines.insert(dice.randrange(len(lines) + 1), line)
    return lines


def strictly(content: bytes, kind: Kind) -> Iterator[tuple[int, float]]:
    """Every reading that a line tells in so many words; NULs are blanks, as no digit can be known there."""
    for line in re.split(r"[\r\n]+", content.decode("latin-1").replace("\0", " ")):
        match = kind.line.fullmatch(line.strip().rstrip(",;\t "))
        if not match:
            continue
        value = match[2].strip().strip("\"'").strip()
        if not FORMS[kind.comma].fullmatch(value):
            continue
        stamp, midnight = re.subn(r" 24:00:00$|T24:00:00$", lambda m: m[0].replace("24", "00"), match[1])
        try:
            at = datetime.strptime(stamp, kind.stamp).replace(tzinfo=UTC) + timedelta(days=midnight)
        except ValueError:
            continue
        yield int(at.timestamp()) * NS, float(value.replace(",", "."))


def readings_of(content: bytes, profile: Profile, setup: Setup) -> set[tuple[int, float]] | None:
    """Instants and values of a file; None where it was refused, with its name in front."""
    try:
        (series,) = checked("made.csv", content, profile, setup, NOW).series
    except ImportRefused as refused:
        if not str(refused).startswith("made.csv: "):
            raise
        return None
    values = zip(series.taken_ns.tolist(), series.value.tolist(), strict=True)
    return {(t, v) for t, v in values if not math.isnan(v)}


def campaign(trials: int, seed: int, setup: Setup) -> dict[str, int]:
    """Runs them and counts; AssertionError with the bytes of the first one that is read wrongly."""
    dice = random.Random(seed)
    counts = {"imported": 0, "refused": 0, "readings": 0}
    whole = {name: written(kind) for name, kind in KINDS.items()}
    truth = {name: set(strictly(whole[name], kind)) for name, kind in KINDS.items()}
    for _ in range(trials):
        name = dice.choice(list(KINDS))
        kind = KINDS[name]
        profile = Profile("made", ("time",), TEMPERATURE, **kind.declared)
        content = damaged(whole[name], dice)
        result = readings_of(content, profile, setup)
        if result is None:
            counts["refused"] += 1
            continue
        output = truth[name] | set(strictly(content, kind))
        assert result <= output, (content, result - output)
        counts["imported"] += 1
        counts["readings"] += len(result)
    return counts


def test_whole_files_are_read_as_the_strict_reader_does(setup: Setup) -> None:
    for kind in KINDS.values():
        profile = Profile("made", ("time",), TEMPERATURE, **kind.declared)
        mine = readings_of(written(kind), profile, setup)
        assert mine == set(strictly(written(kind), kind))
        assert mine is not None
        assert len(mine) == ROWS - 1


@pytest.mark.slow
def test_five_hundred_damaged_files_tell_nothing_that_no_line_says(setup: Setup) -> None:
    counts = campaign(500, 20261013, setup)
    assert counts["imported"] > 50
    assert counts["refused"] > 50


@pytest.mark.long
def test_a_hundred_thousand_damaged_files(setup: Setup) -> None:
    for seed in range(50):
        counts = campaign(2_000, seed, setup)
        print(f"seed {seed}: {counts}")
