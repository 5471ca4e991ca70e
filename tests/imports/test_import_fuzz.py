# ruff: noqa: PT017 (damage may be harmless: a refusal is looked at where there is one)
"""Damaged files of every kind through the whole reader: readings that the whole file holds, or a sentence.

Each file is made once, whole, with readings that no damage can turn into one another: a value says which
instant it belongs to. Then bytes of it, or of what is packed in it, are turned, cut, put in and doubled. What
is read afterwards must be pairs of instant and value that the whole file holds, but for cells that the damage
itself hit; a failure of the program (no refusal) fails the test.
"""

from __future__ import annotations

import gzip
import io
import json
import math
import random
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P
from openpyxl import Workbook

from logger.errors import CertificateRefused, ConfigError, ImportRefused, UnitError
from logger.formats.dcc import read as read_certificate
from logger.imports import Profile, profile_of
from logger.imports.describing import describe
from logger.imports.outside import description_of, reading_of
from logger.imports.profile import Column
from logger.imports.reading import read_content
from logger.imports.writing import profile_text
from logger.model import Setup
from tests.formats.certificates import certificate

ROWS = 30
FIRST = datetime(2026, 9, 14, tzinfo=UTC)
PROFILE = Profile("p", ("time",), (Column("temperature", "P1.temperature", "degC"),), zone="UTC")
AT = [FIRST + timedelta(minutes=10 * n) for n in range(ROWS)]
VALUES = [19.51 + n / 10 for n in range(ROWS)]


def csv() -> bytes:
    rows = [f"{at:%Y-%m-%dT%H:%M:%SZ},{value:.2f},ok" for at, value in zip(AT, VALUES, strict=True)]
    return ("time,temperature,state\n" + "\n".join(rows) + "\n").encode()


def records() -> bytes:
    rows = zip(AT, VALUES, strict=True)
    return json.dumps(
        [{"time": f"{a:%Y-%m-%dT%H:%M:%SZ}", "temperature": round(v, 2)} for a, v in rows]
    ).encode()


def xlsx() -> bytes:
    book, built = Workbook(), io.BytesIO()
    book.active.append(["time", "temperature"])
    for at, value in zip(AT, VALUES, strict=True):
        book.active.append([at.replace(tzinfo=None), round(value, 2)])
    book.save(built)
    return built.getvalue()


def ods() -> bytes:
    book, built = OpenDocumentSpreadsheet(), io.BytesIO()
    table = Table(name="S")
    for at, value in [("time", "temperature"), *zip(AT, VALUES, strict=True)]:
        row = TableRow()
        for cell in (at if isinstance(at, str) else f"{at:%Y-%m-%dT%H:%M:%S}", value):
            number = isinstance(cell, float)
            item = (
                TableCell(valuetype="float", value=f"{cell:.2f}") if number else TableCell(valuetype="string")
            )
            item.addElement(P(text=str(cell)))
            row.addElement(item)
        table.addElement(row)
    book.spreadsheet.addElement(table)
    book.write(built)
    return built.getvalue()


def zipped(members: dict[str, bytes], how: int = zipfile.ZIP_STORED) -> bytes:
    built = io.BytesIO()
    with zipfile.ZipFile(built, "w", how) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return built.getvalue()


def inside(content: bytes, damage: Callable[[bytes], bytes]) -> bytes:
    """The same archive with one of its members damaged, and its checksums true: what a reader sees whole."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    name = max(members, key=lambda n: ("sheet1" in n or n == "content.xml", len(members[n])))
    return zipped(members | {name: damage(members[name])})


def damaged(content: bytes, dice: random.Random) -> bytes:
    """One to three of: a byte turned, a part cut, doubled or moved, odd bytes put in, the end lost."""
    odd = (
        b'"',
        b"\0",
        b"\xff",
        b"\n",
        b"#",
        b",",
        b"<",
        b"&",
        b"[",
        b"}",
        b"\\ud800",
        b"\xef\xbb\xbf",
        b"1e999",
    )
    for _ in range(dice.choice((1, 1, 2, 3))):
        at, end = sorted(dice.randrange(len(content) + 1) for _ in range(2))
        end = min(end, at + 60)
        what = dice.randrange(6)
        if what == 0 and at < len(content):
            content = content[:at] + bytes([content[at] ^ 1 << dice.randrange(8)]) + content[at + 1 :]
        elif what == 1:
            content = content[:at] + content[end:]
        elif what == 2:
            content = content[:end] + content[at:]
        elif what == 3:
            content = content[:at] + dice.choice(odd) * dice.choice((1, 1, 2, 200)) + content[at:]
        elif what == 4:
            content = content[:at]
        else:
            content = content[end:] + content[at:end] + content[:at]
    return content


MADE: dict[str, tuple[str, bytes]] = {
    "csv": ("a.csv", csv()),
    "json": ("a.json", records()),
    "xlsx": ("a.xlsx", xlsx()),
    "ods": ("a.ods", ods()),
    "gz": ("a.csv.gz", gzip.compress(csv(), mtime=0)),
    "zip": ("a.zip", zipped({"a.csv": csv()}, zipfile.ZIP_DEFLATED)),
}
REFUSALS = (ImportRefused, UnitError)
TRUE = {int(at.timestamp()): round(value, 2) for at, value in zip(AT, VALUES, strict=True)}


def tried(kind: str, dice: random.Random, read: Any, look: Any, setup: Setup) -> str:
    name, whole = MADE[kind]
    deep = kind in ("xlsx", "ods", "zip") and dice.random() < 0.7
    content = inside(whole, lambda part: damaged(part, dice)) if deep else damaged(whole, dice)
    try:
        look(name, content, setup)
    except REFUSALS as refused:
        assert str(refused).rstrip().endswith((".", "?", ")", "}", '"', "'", "…")), refused
    try:
        (series,) = read(name, content, PROFILE, setup).series
    except REFUSALS as refused:
        assert str(refused)
        return "refused"
    output = {int(ns) // 10**9: float(v) for ns, v in zip(series.taken_ns, series.value, strict=True)}
    odd = [at for at, value in output.items() if not math.isnan(value) and TRUE.get(at) != round(value, 2)]
    # Damage within a cell may leave another number or time there: three places are damaged at the most, and
    # a part put elsewhere has two ends.
    assert len(odd) <= 9, (kind, content, odd)
    return "read"


@pytest.mark.parametrize("kind", MADE)
def test_a_whole_file_is_read_whole(kind: str, setup: Setup) -> None:
    (series,) = read_content(*MADE[kind], PROFILE, setup).series
    assert dict(zip((series.taken_ns // 10**9).tolist(), series.value.round(2).tolist(), strict=True)) == TRUE


@pytest.mark.slow
@pytest.mark.parametrize("kind", MADE)
def test_damaged_files_are_read_right_or_refused(kind: str, setup: Setup) -> None:
    """A hundred of each kind in every run, in this process, so that no failure hides behind the child."""
    dice = random.Random(f"damage {kind}")
    output = [tried(kind, dice, read_content, describe, setup) for _ in range(100)]
    assert {"refused", "read"} >= set(output)


@pytest.mark.long
@pytest.mark.parametrize("kind", MADE)
def test_damaged_files_by_the_ten_thousand(kind: str, setup: Setup) -> None:
    """Through the child, as files come in: 100,000 over all kinds; a failure of the program is told apart."""
    dice = random.Random(f"long {kind}")
    output = {"refused": 0, "read": 0}
    for _ in range(100_000 // len(MADE)):
        output[tried(kind, dice, through_child, description_of, setup)] += 1
    print(kind, output)


def through_child(name: str, content: bytes, profile: Profile, setup: Setup) -> Any:
    try:
        return reading_of(name, content, profile, setup)
    except ImportRefused as refused:
        assert "the program failed" not in str(refused), (name, content, str(refused))
        raise


def test_damaged_profiles_and_certificates_are_read_or_refused() -> None:
    """TOML and XML: a profile or its faults, a certificate or what is wrong with it."""
    dice = random.Random("texts")
    profile, paper = profile_text(PROFILE).encode(), certificate()
    for _ in range(300):
        try:
            profile_of("p.toml", damaged(profile, dice).decode("utf-8", "replace"))
        except ConfigError as faults:
            assert "p.toml" in str(faults)
        try:
            read_certificate(damaged(paper, dice), "c.xml")
        except CertificateRefused as refused:
            assert str(refused).startswith("c.xml")


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 100_000, "a = " + "9" * 10_000, "a" + ".a" * 100_000 + " = 1", "[a]\n" * 2,
        'a = "' + "x" * 3_000_000 + '"', "a = {" + "b = {" * 50_000, "\0", "a = 1e99999999999",
    ],
)  # fmt: skip
def test_toml_that_asks_for_a_great_deal_is_a_fault(text: str) -> None:
    """Deep brackets, endless numbers and keys, a giant file: a fault with the name of the file."""
    with pytest.raises(ConfigError, match=r"p\.toml"):
        profile_of("p.toml", text)
