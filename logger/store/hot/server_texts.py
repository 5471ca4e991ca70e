"""Texts between us and a database server, which refuses the NUL character that a file takes.

On the way in, NUL and the escape itself are written as U+001A and four hexadecimal digits; on the way out
that is undone. Digests are of the true text, so that they are the same in both homes. Halves of surrogate
pairs are no text in either home: UnicodeEncodeError, as from the embedded one.
"""

from __future__ import annotations

import re
from typing import Any

MARK = "\x1a"
_FORBIDDEN = re.compile("[\x00\x1a]")
_ESCAPED = re.compile("\x1a([0-9a-f]{4})")


def escape(text: str) -> str:
    r"""A text that the server takes.

    >>> escape("a\x00b"), escape("plain")
    ('a\x1a0000b', 'plain')
    """
    if "\x00" not in text and MARK not in text:
        return text
    return _FORBIDDEN.sub(lambda sign: f"{MARK}{ord(sign[0]):04x}", text)


def unescape(text: str) -> str:
    r"""The text that `escape` was given.

    >>> unescape(escape("\x00 and \x1a0000")) == "\x00 and \x1a0000"
    True
    """
    return _ESCAPED.sub(lambda sign: chr(int(sign[1], 16)), text) if MARK in text else text


def adapt(connection: Any) -> None:
    """Let a connection of psycopg escape and undo by itself."""
    dumper, loader = _adapters()
    connection.adapters.register_dumper(str, dumper)
    for kind in ("text", "varchar"):
        connection.adapters.register_loader(kind, loader)


def _adapters() -> tuple[Any, Any]:
    if not _CLASSES:
        from psycopg.adapt import Loader
        from psycopg.types.string import StrDumperUnknown

        class EscapedText(StrDumperUnknown):  # type: ignore[misc]
            """Text on its way to the server."""

            def dump(self, obj: str) -> Any:
                return super().dump(escape(obj))

        class StoredText(Loader):  # type: ignore[misc]
            """Text as the server has it."""

            def load(self, data: Any) -> str:
                return unescape(bytes(data).decode("utf-8"))

        _CLASSES.extend((EscapedText, StoredText))
    return _CLASSES[0], _CLASSES[1]


_CLASSES: list[Any] = []
