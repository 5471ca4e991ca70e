"""Small files that ask for a great deal: named, refused with a sentence, and whoever reads them goes on."""

from __future__ import annotations

import ctypes
import gzip
import io
import os
import time
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.errors import ImportRefused
from logger.imports import Profile, import_content
from logger.imports.describing import describe
from logger.imports.importer import checked
from logger.imports.outside import description_of
from logger.imports.reading import read_content
from logger.instants import NS
from logger.model import Setup
from logger.processes.child_limits import LIMITED, ChildLimits
from logger.processes.confined import end_idle, run_confined

NOW = 1_900_000_000 * NS
HEAD = b"time,temperature\n"
ROW = b"2026-10-13T09:00:00Z,20.05\n"
MIB = 1 << 20

only_limited = pytest.mark.skipif(
    not LIMITED, reason="this system sets no limits; such files are refused unread"
)


def workbook(sheet: str) -> bytes:
    """A workbook of one sheet (ECMA-376, part 1: the members that a reader needs)."""
    built = io.BytesIO()
    kind = "http://schemas.openxmlformats.org"
    with zipfile.ZipFile(built, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{kind}/package/2006/content-types"><Default Extension="xml" '
            'ContentType="application/xml"/></Types>',
        )
        archive.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{kind}/package/2006/relationships"><Relationship Id="r1" '
            f'Type="{kind}/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/>'
            "</Relationships>",
        )
        archive.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{kind}/spreadsheetml/2006/main" '
            f'xmlns:r="{kind}/officeDocument/2006/relationships"><sheets><sheet name="S" sheetId="1" '
            'r:id="r1"/></sheets></workbook>',
        )
        archive.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{kind}/package/2006/relationships"><Relationship Id="r1" '
            f'Type="{kind}/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/>'
            "</Relationships>",
        )
        archive.writestr(
            "xl/worksheets/sheet1.xml",
            f'<worksheet xmlns="{kind}/spreadsheetml/2006/main"><sheetData>{sheet}</sheetData></worksheet>',
        )
    return built.getvalue()


def last_cell() -> bytes:
    """One cell in the last row and column that a sheet can have, and one in the first."""
    return workbook(
        '<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    )


def open_document(rows: int, columns: int) -> bytes:
    """An OpenDocument sheet whose one cell says how often it is repeated (ODF 1.3, part 3, 19.675)."""
    built = io.BytesIO()
    names = "urn:oasis:names:tc:opendocument:xmlns"
    with zipfile.ZipFile(built, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr(
            "META-INF/manifest.xml",
            f'<manifest:manifest xmlns:manifest="{names}:manifest:1.0"/>',
        )
        archive.writestr(
            "content.xml",
            f'<office:document-content xmlns:office="{names}:office:1.0" xmlns:table="{names}:table:1.0" '
            f'xmlns:text="{names}:text:1.0"><office:body><office:spreadsheet><table:table table:name="S">'
            f'<table:table-row table:number-rows-repeated="{rows}"><table:table-cell '
            f'table:number-columns-repeated="{columns}" office:value-type="float" office:value="20.5">'
            "<text:p>20.5</text:p></table:table-cell></table:table-row></table:table></office:spreadsheet>"
            "</office:body></office:document-content>",
        )
    return built.getvalue()


def zipped_commas(size: int) -> bytes:
    """A table of that many commas, never there at once."""
    built = io.BytesIO()
    with (
        zipfile.ZipFile(built, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open("a.csv", "w") as member,
    ):
        member.write(HEAD)
        for _ in range(size // MIB):
            member.write(b"," * MIB)
    return built.getvalue()


def gzip_of(size: int) -> bytes:
    """That many zeros, packed without ever being there at once: members of a gzip file stand in a row."""
    block = gzip.compress(b"0" * (64 * MIB), 9)
    return block * (size // (64 * MIB))


def zipped_entities() -> bytes:
    """A workbook whose sheet grows by entities that hold ten of the next, nine times over."""
    doctype = "".join(f'<!ENTITY e{n} "{f"&e{n + 1};" * 10}">' for n in range(9))
    plain = zipfile.ZipFile(io.BytesIO(workbook("")))
    built = io.BytesIO()
    with zipfile.ZipFile(built, "w") as archive:
        for name in plain.namelist():
            archive.writestr(name, plain.read(name))
        archive.writestr(
            "xl/sharedStrings.xml",
            f'<!DOCTYPE sst [{doctype}<!ENTITY e9 "ha">]><sst><si><t>&e0;</t></si></sst>',
        )
    return built.getvalue()


BOMBS: dict[str, Callable[[], bytes]] = {
    "last cell.xlsx": last_cell,
    "repeated cell.ods": lambda: open_document(1_048_576, 16_384),
    "zip.zip": lambda: zipped_commas(600 * MIB),
    "gzip.csv.gz": lambda: gzip_of(6144 * MIB),
    "nested.json": lambda: b"[{" + b'"a":[' * 200_000,
    "brackets.json": lambda: b"[" * 3_000_000,
    "entities.xlsx": zipped_entities,
    "one line.csv": lambda: HEAD + b"x" * (40 * MIB),
    "empty columns.csv": lambda: b"time" + b"," * 1_000_000 + b"temperature\n" + b"," * 1_000_000 + b"\n",
    "a million columns.csv": lambda: b",".join(b"h%d" % n for n in range(1_000_000)) + b"\n" + b"1,\n" * 999,
    "quoted.csv": lambda: HEAD + b'"' * (20 * MIB + 1),
    "packed over and over.gz": lambda: gzip.compress(gzip.compress(gzip.compress(gzip.compress(HEAD + ROW)))),
}  # fmt: skip


@pytest.mark.slow
@only_limited
@pytest.mark.parametrize("name", BOMBS)
def test_a_bomb_is_refused_with_a_sentence_and_the_next_file_is_read(
    name: str, memory: Any, plain: Profile, setup: Setup
) -> None:
    """What a person sees is the name of the file and what is wrong; this process neither ends nor grows."""
    content = BOMBS[name]()
    before = resident()
    with pytest.raises(ImportRefused) as refused:
        checked(name, content, plain, setup, NOW)
    assert str(refused.value).startswith(f"{name}: ")
    assert str(refused.value).endswith(".")
    assert len(str(refused.value)) < 600
    with pytest.raises(ImportRefused):
        description_of(name, content, setup)
    assert resident() - before < len(content) + 150 * MIB
    store = memory()
    import_content("next.csv", HEAD + ROW, plain, store, setup, "Greta Holm", NOW)
    assert len(store.rows) == 1


def resident() -> int:
    """Bytes of memory of this process now (proc(5), statm)."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def hungry(size: int) -> int:
    return len(bytearray(size))


def endless() -> None:
    while True:
        pass


def asleep() -> None:
    time.sleep(3600)


def fatal() -> None:
    os._exit(3)


def killed() -> None:
    os.kill(os.getpid(), 9)


def faulty() -> None:
    raise KeyError("column")


def talkative() -> bytes:
    return b"x" * (2 * MIB)


SMALL = ChildLimits(memory=64 * MIB, computing_s=1, clock_s=60, answer=MIB)
LARGE = replace(SMALL, memory=512 * MIB, computing_s=60)
PINNED: list[bytearray] = []


@pytest.mark.slow
@only_limited
@pytest.mark.parametrize(
    ("work", "args", "expected"),
    [
        (hungry, (256 * MIB,), "more than 64 MiB of memory"),
        (endless, (), "longer than 1 s of computing"),
        (fatal, (), "ended by itself"),
        (killed, (), "memory"),
        (faulty, (), "KeyError"),
        (talkative, (), "take more than 1 MiB"),
    ],
)
def test_each_limit_is_a_sentence(work: Any, args: tuple[Any, ...], expected: str) -> None:
    """Whatever becomes of the child, the caller gets a refusal with the file's name and the limit."""
    with pytest.raises(ImportRefused, match=expected) as refused:
        run_confined("odd.csv", SMALL, work, *args)
    assert str(refused.value).startswith("odd.csv: ")
    assert run_confined("good.csv", SMALL, hungry, MIB) == MIB


@pytest.mark.slow
def test_work_that_waits_is_ended_by_the_clock() -> None:
    """Time on the clock is limited too: a child that only waits uses no computing time."""
    limits = ChildLimits(memory=64 * MIB, computing_s=1, clock_s=0.5, answer=MIB)
    with pytest.raises(ImportRefused, match="longer than"):
        run_confined("odd.csv", limits, asleep)


@pytest.mark.skipif(
    not (LIMITED and hasattr(ctypes.CDLL(None), "malloc_trim")), reason="no memory is given back on request"
)
def test_a_child_that_read_a_long_file_reads_the_next_one() -> None:
    """What it took is given back, though a piece in use lies above it: a start costs more than many files."""
    end_idle()
    assert len({run_confined("long.csv", LARGE, in_pieces) for _ in range(3)}) == 1


def in_pieces() -> int:
    """120 MiB in pieces, the last of which stays."""
    pieces = [bytearray(4096) for _ in range(30_000)]
    PINNED.append(pieces[-1])
    return os.getpid()


@only_limited
def test_the_child_writes_no_file(tmp_path: Path) -> None:
    """Reading never writes: the child may not make a file longer than nothing."""
    with pytest.raises(ImportRefused, match="OSError"):
        run_confined("odd.csv", SMALL, write, tmp_path / "made")


def write(path: Path) -> None:
    path.write_bytes(b"x")


def test_without_limits_what_unpacks_is_refused_politely(
    monkeypatch: pytest.MonkeyPatch, plain: Profile, setup: Setup
) -> None:
    """Where the system cannot limit a process, packed files and workbooks are refused; text is read."""
    monkeypatch.setattr("logger.imports.containers.LIMITED", False)
    for content in (last_cell(), gzip.compress(HEAD + ROW), b"PAR1"):
        with pytest.raises(ImportRefused, match=r"Linux only.*plain text"):
            checked("a.xlsx", content, plain, setup, NOW)
    assert checked("a.csv", HEAD + ROW, plain, setup, NOW).rows == 1


@only_limited
@pytest.mark.parametrize("at", [0.1, 0.4, 0.7, 0.99])
def test_a_torn_table_of_an_open_document_is_refused_at_once(at: float, setup: Setup) -> None:
    """A sheet whose text ends within a table (a copy that broke off): a sentence, and no endless search for
    the end of the table. The call is bounded, as the child would be ended after a minute of computing."""
    with zipfile.ZipFile(io.BytesIO(open_document(3, 3))) as whole:
        members = {name: whole.read(name) for name in whole.namelist()}
    text = members["content.xml"]
    built = io.BytesIO()
    with zipfile.ZipFile(built, "w") as archive:
        for name, content in (members | {"content.xml": text[: round(at * len(text))]}).items():
            archive.writestr(name, content)
    little = replace(ChildLimits.for_size(0), computing_s=20.0)
    with pytest.raises(ImportRefused, match=r"content\.xml is damaged"):
        run_confined("torn.ods", little, describe, "torn.ods", built.getvalue(), setup)


def test_a_sheet_in_an_unknown_encoding_is_refused_in_words(plain: Profile, setup: Setup) -> None:
    """One letter of `UTF-8` was damaged."""
    built = io.BytesIO()
    with zipfile.ZipFile(built, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", '<?xml version="1.0" encoding="UPF-8"?><a/>')
    with pytest.raises(ImportRefused, match=r"content\.xml is damaged, unknown encoding: UPF-8"):
        read_content("a.ods", built.getvalue(), plain, setup)
