"""Bytes to the tables in them: what a file is, is told by its content and never by its name.

gzip and zip are unpacked within bounds, so that a small file cannot fill the memory.
"""

from __future__ import annotations

import io
import lzma
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from ..errors import ImportRefused
from ..processes.child_limits import LIMITED

Kind = Literal["text", "sheet", "json", "parquet"]

UNPACKED_BYTES = 1 << 29  # more than any logger writes: ten million rows are 300 MB
MEMBERS = 1000
_DEPTH = 3
_ZIP, _GZIP, _OLE, _PARQUET = b"PK\x03\x04", b"\x1f\x8b", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"PAR1"
# What zipfile and the libraries below it raise on damaged archives.
DAMAGED = (
    *(zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, NotImplementedError, RuntimeError),
    *(EOFError, OSError, ValueError, KeyError, IndexError, OverflowError),
)
_OTHERS = {
    b"%PDF": "a PDF document",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"GIF8": "a picture",
    b"SQLite format 3\0": "a database",
    b"7z\xbc\xaf": "an archive of an unsupported kind (expected zip or gzip)",
    b"Rar!": "an archive of an unsupported kind (expected zip or gzip)",
    b"\x7fELF": "a program",
    b"MZ": "a program",
    b"BZh": "an archive of an unsupported kind (expected zip or gzip)",
    b"\xfd7zXZ": "an archive of an unsupported kind (expected zip or gzip)",
    b"{\\rtf": "a text document of an office program: save it as plain text",
    b"<!DOCTYPE": "a web page",
    b"<html": "a web page",
    b"<?xml": "an XML document",
}


@dataclass(frozen=True)
class Part:
    """One table-bearing file: the file itself, or one out of a zip."""

    name: str
    kind: Kind
    content: bytes


def refuse_unlimited(name: str, content: bytes) -> None:
    """ImportRefused for what may unpack to any size, where the system sets no limits to a process."""
    if not LIMITED and content.startswith((_ZIP, _GZIP, _OLE, _PARQUET)):
        raise ImportRefused(
            f"{name}: packed files, workbooks and Parquet are read on Linux only, where their "
            "memory can be limited. Unpack the file, or save it as plain text (CSV), and import that."
        )


def parts_of(name: str, content: bytes, most_bytes: int = UNPACKED_BYTES) -> list[Part]:
    """What a file holds, unpacked; ImportRefused for what is no table, too large or damaged.

    >>> [p.kind for p in parts_of("a.csv", b"time,t\\n")]
    ['text']
    """
    parts = list(_parts(name, content, most_bytes, _DEPTH))
    if not parts:
        raise ImportRefused(f"The archive {name} holds no file.")
    return parts


def _parts(name: str, content: bytes, most_bytes: int, depth: int) -> Iterator[Part]:
    if content.startswith((_ZIP, _GZIP)) and depth == 0:
        raise ImportRefused(
            f"{name} is an archive in an archive, more than {_DEPTH} deep. "
            "Unpack it and import the file inside."
        )
    if content.startswith(_GZIP):
        inner = _gunzipped(name, content, most_bytes)
        yield from _parts(name.removesuffix(".gz"), inner, most_bytes, depth - 1)
    elif content.startswith(_ZIP) and not _is_sheet(name, content):
        yield from _members(name, content, most_bytes, depth)
    else:
        yield Part(name, _kind(name, content), content)


def _kind(name: str, content: bytes) -> Kind:
    if content.startswith((_ZIP, _OLE)):
        return "sheet"
    if content.startswith(_PARQUET):
        return "parquet"
    if content.startswith(b"PK\x05\x06"):
        raise ImportRefused(f"The archive {name} holds no file.")
    for mark, what in _OTHERS.items():
        if content.startswith(mark):
            raise ImportRefused(f"{name} is {what}; expected a table of readings.")
    if not content.lstrip(b"\0 \t\r\n\xef\xbb\xbf"):
        raise ImportRefused(f"{name}: expected a table of readings, found an empty file.")
    return "json" if _is_json(content) else "text"


def _is_json(content: bytes) -> bool:
    """Text that begins as JSON does; `[` alone may also open the heading of a section in plain text."""
    head = content[:4096].removeprefix(b"\xef\xbb\xbf").lstrip()
    if head[:1] == b"{":
        return True
    return head[:1] == b"[" and head[1:].lstrip()[:1] in (b"{", b"[", b"]")


def _is_sheet(name: str, content: bytes) -> bool:
    """Whether a zip is a workbook: those carry certain members."""
    with _zip(name, content) as archive:
        names = set(archive.namelist())
        if {"xl/workbook.xml", "xl/workbook.bin"} & names:
            _bounded(name, archive.infolist(), UNPACKED_BYTES)
            return True
        if "content.xml" in names and "mimetype" in names:
            _bounded(name, archive.infolist(), UNPACKED_BYTES)
            return True
    return False


def _zip(name: str, content: bytes) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(io.BytesIO(content))
    except DAMAGED as error:
        raise ImportRefused(f"The archive {name} is damaged: {error}.") from None


def _members(name: str, content: bytes, most_bytes: int, depth: int) -> Iterator[Part]:
    with _zip(name, content) as archive:
        members = [i for i in archive.infolist() if not i.is_dir() and not _is_litter(i.filename)]
        _bounded(name, members, most_bytes)
        remaining = most_bytes
        for info in sorted(members, key=lambda i: i.filename):
            inner = _read(name, archive, info, remaining)
            remaining -= len(inner)
            yield from _parts(f"{name}/{info.filename}", inner, most_bytes, depth - 1)


def _is_litter(member: str) -> bool:
    """What operating systems put beside the files of an archive."""
    last = member.rsplit("/", 1)[-1]
    return member.startswith("__MACOSX/") or last in (".DS_Store", "Thumbs.db", "desktop.ini")


def _bounded(name: str, members: list[zipfile.ZipInfo], most_bytes: int) -> None:
    if len(members) > MEMBERS:
        raise ImportRefused(f"The archive {name} holds {len(members)} files; expected {MEMBERS} at most.")
    if sum(m.file_size for m in members) > most_bytes:
        raise _too_large(name, most_bytes)


def _read(name: str, archive: zipfile.ZipFile, info: zipfile.ZipInfo, most_bytes: int) -> bytes:
    """One member, never more of it than is allowed: the size that an archive tells may be a lie."""
    try:
        with archive.open(info) as stream:
            inner = stream.read(most_bytes + 1)
    except DAMAGED as error:
        raise ImportRefused(f"{info.filename} in the archive {name} cannot be unpacked: {error}.") from None
    if len(inner) > most_bytes:
        raise _too_large(name, most_bytes)
    return inner


def _gunzipped(name: str, content: bytes, most_bytes: int) -> bytes:
    """All members of a gzip file, one behind the other, as its standard (RFC 1952, 2.2) has it."""
    whole, rest = bytearray(), content
    while rest.startswith(_GZIP):
        unpack = zlib.decompressobj(wbits=31)
        try:
            whole += unpack.decompress(rest, most_bytes + 1 - len(whole))
        except zlib.error as error:
            raise ImportRefused(f"The archive {name} is damaged: {error}.") from None
        if len(whole) > most_bytes:
            raise _too_large(name, most_bytes)
        if not unpack.eof:
            raise ImportRefused(f"The archive {name} ends too early: is the copy complete?")
        rest = unpack.unused_data.lstrip(b"\0")
    if rest:
        raise ImportRefused(
            f"The archive {name} is followed by {len(rest):,} bytes that are not packed, beginning with "
            f"{rest[:20]!r}: were readings written behind it? Unpack it and import its parts."
        )
    return bytes(whole)


def _too_large(name: str, most_bytes: int) -> ImportRefused:
    return ImportRefused(
        f"The archive {name} holds more than {most_bytes >> 20} MiB unpacked. Unpack it and import its parts."
    )
