"""Bytes to text. A byte order mark or strict UTF-8 decides; what is only a guess is said to be one."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

import numpy as np

from ..errors import ImportRefused

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
# Degree, micro, plus-minus, powers, no-break space, quotes, dashes, accents and umlauts.
# One degree sign alone makes statistical guessers say an Asian encoding.
_WESTERN = frozenset(
    "°µ±²³·\xa0×§€‘’“”–—…ÄÖÜäöüßàáâãåæçèéêëìíîïñòóôõøùúûýÀÁÂÃÅÆÇÈÉÊËÌÍÎÏÑÒÓÔÕØÙÚÛ".encode("cp1252")
)
_LOST_DIGIT = re.compile(r"(?<=\d)\0+(?=\d)")
_LONGEST = 4  # bytes of one character
_GUESS_BYTES = 65536  # more makes the guess slower, not better
_BLOCK = 1 << 20  # bytes looked at in one go


@dataclass(frozen=True)
class Decoded:
    """Text, the encoding it was read with and how that became known.

    NUL characters are blanks there, but between two digits, where one may stand for a third: no number
    is read out of that.
    """

    text: str
    encoding: str
    how: str


def decoded(content: bytes, declared: str | None = None) -> Decoded:
    """Text of a file; ImportRefused where no encoding can read it.

    >>> decoded("20,35 °C".encode("cp1252")).encoding
    'cp1252'
    """
    encoding, how = (declared, "declared") if declared else _detected(content)
    try:
        text = _decoded(content, encoding)
    except (UnicodeDecodeError, LookupError) as error:
        raise ImportRefused(
            f"The file cannot be read as {encoding} ({how}): {error}. Set `encoding` in the profile."
        ) from None
    if "\0" in text:
        text = _LOST_DIGIT.sub("\ufffd", text).replace("\0", " ")
    return Decoded(text.removeprefix("\ufeff"), encoding, how)


def _decoded(content: bytes, encoding: str) -> str:
    """The text; a character that is torn off at the end of the file goes with the line that is torn there."""
    try:
        return content.decode("latin-1" if _is_latin_1(content, encoding) else encoding)
    except UnicodeDecodeError as error:
        before = content[: error.start]
        torn = bool(before) and error.end == len(content) and len(content) - error.start <= _LONGEST
        is_certain = (
            encoding.startswith(("utf-16", "utf-32")) or not before.isascii()
        )  # one byte proves no UTF-8
        if not (torn and is_certain and encoding.startswith("utf-")):
            raise
        return before.decode(encoding)


def _is_latin_1(content: bytes, encoding: str) -> bool:
    """Whether text in the western set of Windows has none of the signs that set it apart: that reads faster.

    Both sets are the same but for the bytes 80 to 9f (ISO/IEC 8859-1; RFC 1345 from memory).
    """
    if len(content) < _BLOCK or encoding.lower().replace("-", "") not in ("cp1252", "windows1252"):
        return False
    whole = np.frombuffer(content, np.uint8)
    return not any(((whole[n : n + _BLOCK] & 0xE0) == 0x80).any() for n in range(0, len(whole), _BLOCK))


def _detected(content: bytes) -> tuple[str, str]:
    for mark, encoding in _MARKS:
        if content.startswith(mark):
            return encoding, "byte order mark"
    if encoding := _by_zero_bytes(content):
        return encoding, "pattern of zero bytes"
    try:
        _decoded(content, "utf-8")
    except UnicodeDecodeError:
        pass
    else:
        return "utf-8", "valid UTF-8"
    if encoding := _by_unit(content):
        return encoding, "the only one under which a unit of temperature can be read"
    if {b for b in set(content) if b >= 0x80} <= _WESTERN:
        return "cp1252", "only western letters and signs beyond ASCII"
    one_byte = re.search(rb"(?<![A-Za-z\x80-\xff])\xb0 ?[CF](?![A-Za-z])", content[:_GUESS_BYTES])
    return _guessed(content, _SINGLE_BYTE if one_byte else None), "a guess"


# Where the degree sign stands in the character sets of older systems, before C or F and behind no letter.
_DEGREES = {"cp1252": b"\xb0", "cp850": b"\xf8", "mac_roman": b"\xa1"}
_SQUARE = {
    "cp932": (b"\x81\x8e", b"\x81\x8b"),
    "gb18030": (b"\xa1\xe6", b"\xa1\xe3"),
    "cp949": (b"\xa1\xc9", b"\xa1\xc6"),
    "euc_jp": (b"\xa1\xee", b"\xa1\xeb"),
    "big5": (b"\xa2\x4a", b"\xa2\x58"),
}


def _by_unit(content: bytes) -> str:
    """The one encoding under which a sign for degrees stands where one belongs, and all else can be read."""
    head = content[:_GUESS_BYTES]
    candidates = [
        e
        for e, sign in _DEGREES.items()
        if re.search(rb"(?<![A-Za-z\x80-\xff])" + sign + rb" ?[CF](?![A-Za-z])", head)
    ]
    candidates = [e for e in candidates if _reads(content, e)]
    candidates += [
        e for e, signs in _SQUARE.items() if any(s in head for s in signs) and _reads_wide(content, e)
    ]
    if candidates == ["cp1252"] and not {b for b in set(content) if b >= 0x80} <= _WESTERN:
        return ""  # the sign stands in the same place in its Eastern neighbours
    return candidates[0] if len(candidates) == 1 else ""


_SINGLE_BYTE = ["cp1250", "cp1251", "cp1252", "cp1253", "cp1254", "cp1257"]


def _reads(content: bytes, encoding: str) -> bool:
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError:
        return False
    return all(c.isprintable() or c in "\t\r\n\0\x0c\xa0" for c in set(text))


def _reads_wide(content: bytes, encoding: str) -> bool:
    """Whether it can be read so, with a unit of temperature that stands alone in the text."""
    return _reads(content, encoding) and bool(
        re.search(r"(?<!\w)(?:℃|℉|°\s?[CF])|[(（\[][^)）\]]{0,100}℃", content.decode(encoding))
    )


def _by_zero_bytes(content: bytes) -> str:
    """UTF-16 without a mark: every other byte of plain text is zero."""
    head = content[:4096]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if odd > 0.4 * len(head) / 2 and even < odd / 10:
        return "utf-16-le"
    if even > 0.4 * len(head) / 2 and odd < even / 10:
        return "utf-16-be"
    return ""


def _guessed(content: bytes, among: list[str] | None = None) -> str:
    from charset_normalizer import from_bytes

    best = from_bytes(content[:_GUESS_BYTES], cp_isolation=among).best()
    if best is None:
        raise ImportRefused(
            "The file is not text in any known encoding. If it is text, set `encoding` in the profile; else "
            "export it again as text, a workbook, JSON or Parquet."
        )
    return best.encoding
