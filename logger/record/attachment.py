"""A large file inside a PDF: compressed beside the typesetting, and put where a small one kept its place.

The typesetter compresses what it attaches slowly, and while nothing else goes on. So it gets a stand-in with
the name of the file; here the stand-in's stream is exchanged for the file's, compressed by zlib, and the
offsets of what follows are moved on (ISO 32000-1, 7.5.4 and 7.11.4).
"""

from __future__ import annotations

import re
import zlib

LEAST_BYTES = 1_000_000  # of a file that is worth the exchange
LEVEL = 3  # half the time of 4, and a tenth more bytes
_EMBEDDED = re.compile(
    rb"(?P<head>\n\d+ 0 obj\n<</Length )(?P<length>\d+)(?P<type>/Type/EmbeddedFile/Filter/FlateDecode[^<>]*"
    rb"/Params<</Size )(?P<size>\d+)(?P<tail>[^<>]*>>>>\nstream\n)"
)
_XREF = re.compile(
    rb"xref\n0 (\d+)\n((?:\d{10} \d{5} [nf]\r\n)+)trailer\n(.*)startxref\n(\d+)\n%%EOF\s*$", re.S
)


def stand_in(name: str, content: bytes) -> bytes:
    """What is attached in place of a file until it is exchanged; its name and size make it unlike others."""
    return (f"in place of {name}, {len(content)} bytes\n" * 20).encode()


def exchange(pdf: bytes, small: bytes, content: bytes, packed: bytes) -> bytes | None:
    """The PDF with `content` (compressed: `packed`) where `small` is attached; None where it is not seen."""
    for place in _EMBEDDED.finditer(pdf):
        begin, end = place.end(), place.end() + int(place["length"])
        if int(place["size"]) == len(small) and _inflated(pdf[begin:end]) == small:
            head = b"".join([
                place["head"], b"%d" % len(packed), place["type"], b"%d" % len(content), place["tail"],
            ])  # fmt: skip
            moved = len(head) + len(packed) - (end - place.start())
            rest = _moved_offsets(pdf[end:], place.start() + 1, moved)
            return None if rest is None else b"".join([pdf[: place.start()], head, packed, rest])
    return None


def _inflated(stream: bytes) -> bytes:
    try:
        return zlib.decompress(stream)
    except zlib.error:
        return b""


def _moved_offsets(rest: bytes, after: int, moved: int) -> bytes | None:
    """The end of a PDF with the offsets of all objects behind `after` moved on; None without such a table."""
    table = _XREF.search(rest, max(0, rest.rfind(b"\nxref\n")))
    if table is None:
        return None
    entries = []
    for entry in table[2].splitlines(keepends=True):
        at = int(entry[:10])
        entries.append(b"%010d%s" % (at + moved if at > after else at, entry[10:]))
    numbers = b"xref\n0 %s\n" % table[1]
    end = b"trailer\n%sstartxref\n%d\n%%%%EOF" % (table[3], int(table[4]) + moved)
    return b"".join([rest[: table.start()], numbers, *entries, end])
