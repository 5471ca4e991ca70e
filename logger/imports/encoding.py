"""Bytes to text. A byte order mark or strict UTF-8 decides; what is only a guess is said to be one."""

from __future__ import annotations

import codecs
from dataclasses import dataclass

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
_GUESS_BYTES = 65536  # more makes the guess slower, not better


@dataclass(frozen=True)
class Decoded:
    """Text without NUL characters, the encoding it was read with and how that became known."""

    text: str
    encoding: str
    how: str


def decoded(content: bytes, declared: str | None = None) -> Decoded:
    """Text of a file; ImportRefused where no encoding can read it.

    >>> decoded("20,35 °C".encode("cp1252")).encoding
    'cp1252'
    """
    encoding, how = (declared, "declared") if declared else _found(content)
    try:
        text = content.decode(encoding)
    except (UnicodeDecodeError, LookupError) as error:
        raise ImportRefused(
            f"The file cannot be read as {encoding} ({how}): {error}. Say `encoding` in the profile."
        ) from None
    return Decoded(text.replace("\0", "").removeprefix("\ufeff"), encoding, how)


def _found(content: bytes) -> tuple[str, str]:
    for mark, encoding in _MARKS:
        if content.startswith(mark):
            return encoding, "byte order mark"
    if encoding := _by_zero_bytes(content):
        return encoding, "pattern of zero bytes"
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        pass
    else:
        return "utf-8", "valid UTF-8"
    if {b for b in set(content) if b >= 0x80} <= _WESTERN:
        return "cp1252", "only western letters and signs beyond ASCII"
    return _guessed(content), "a guess"


def _by_zero_bytes(content: bytes) -> str:
    """UTF-16 without a mark: every other byte of plain text is zero."""
    head = content[:4096]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if odd > 0.4 * len(head) / 2 and even < odd / 10:
        return "utf-16-le"
    if even > 0.4 * len(head) / 2 and odd < even / 10:
        return "utf-16-be"
    return ""


def _guessed(content: bytes) -> str:
    from charset_normalizer import from_bytes

    best = from_bytes(content[:_GUESS_BYTES]).best()
    if best is None:
        raise ImportRefused("The file is no text in any known encoding. Say `encoding` in the profile.")
    return best.encoding
