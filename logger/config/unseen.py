"""Signs in config/ that nobody sees: with them a name reads otherwise than it is stored."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import chain
from typing import Any

from ..errors import Fault
from ..formats.toml import Path, fault_at, parsed
from ..model.roles import unseen_sign

_WANTED = "text without invisible characters; enter it again without this one"


def unseen_faults(texts: Mapping[str, str]) -> Iterator[Fault]:
    """A fault for each key or text with a control sign or a mark of direction in it.

    Profiles are left out: they name headings as a logger writes them. Certificates as XML carry signatures
    over their bytes, and are as their laboratory wrote them.
    """
    for file, text in texts.items():
        if not file.endswith(".toml") or file.startswith("profiles/"):
            continue
        source = parsed(file, text, [])
        if source is not None:
            yield from (fault_at(source, path, _WANTED, s) for path, s in _unseen(source.tables, ()))


def _unseen(value: Any, path: Path) -> Iterator[tuple[Path, str]]:
    if isinstance(value, str):
        sign = unseen_sign(value)
        yield from [(path, sign)] if sign else ()
    elif isinstance(value, Mapping):
        yield from chain.from_iterable(_of_key(key, inner, path) for key, inner in value.items())
    elif isinstance(value, list):
        yield from chain.from_iterable(_unseen(inner, (*path, n)) for n, inner in enumerate(value))


def _of_key(key: str, inner: Any, path: Path) -> Iterator[tuple[Path, str]]:
    if sign := unseen_sign(key) or _break(key):
        yield (*path, key.encode("unicode_escape").decode()), sign
    yield from _unseen(inner, (*path, key))


def _break(key: str) -> str:
    return "a line break or a tab" if any(sign in key for sign in "\n\r\t") else ""
