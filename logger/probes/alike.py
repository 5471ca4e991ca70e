"""Whose answers look alike on a shared line, so that a late one could be taken for another probe's. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import combinations

from ..model import AsciiLine, Line, ModbusLine

_OPTIONAL = "?*{"
_SPECIAL = ".^$*+?{}[]()|\\"


def told_apart(one: str, other: str) -> bool:
    """Whether no line can match both patterns, by what they begin with or end with.

    False where that is not proven.

    >>> told_apart(r"T1=(?P<t>.+)", r"T2=(?P<t>.+)"), told_apart(r"T=(?P<t>.+)", r"T=(?P<t>.+) RH=(?P<h>.+)")
    (True, False)
    """
    begins, ends = (_beginning(one), _beginning(other)), (_ending(one), _ending(other))
    return _differ(*begins) or _differ(*(end[::-1] for end in ends))


def lookalikes(lines: Sequence[Line]) -> Iterator[str]:
    """Sentences about probes on one line whose answers cannot be told apart, and what to do."""
    for one, other in combinations(lines, 2):
        if one.bus == other.bus:
            both = f"Probes {one.probe} and {other.probe} on {one.bus}"
            if isinstance(one, ModbusLine) and isinstance(other, ModbusLine):
                yield from _registers(both, one, other)
            elif isinstance(one, AsciiLine) and isinstance(other, AsciiLine):
                yield from _texts(both, one, other)


def _registers(both: str, one: ModbusLine, other: ModbusLine) -> Iterator[str]:
    if (one.device, one.function, _count(one)) == (other.device, other.function, _count(other)):
        count = _count(one)
        yield (
            f"{both} are device {one.device} and read {count} register{'s' if count > 1 else ''} each: "
            "a late answer of one looks like the other's. Make them one probe, whose registers are read "
            "together, or let one of them read a block of another length."
        )


def _count(line: ModbusLine) -> int:
    first = min(r.address for r in line.registers.values())
    return max(r.address + r.count for r in line.registers.values()) - first


def _texts(both: str, one: AsciiLine, other: AsciiLine) -> Iterator[str]:
    if not told_apart(one.pattern, other.pattern):
        yield (
            f"{both}: their patterns name no address, so that a late answer of one looks like the other's; "
            "the line waits after each answer that does not come. If the probes can send their address, put "
            'it into each pattern, such as "#1 ..." and "#2 ...".'
        )


def _differ(one: str, other: str) -> bool:
    """Whether neither begins with the other."""
    return not one.startswith(other) and not other.startswith(one)


def _beginning(pattern: str) -> str:
    """The characters with which every match begins, as far as they are plain in the pattern."""
    return "" if _alternatives(pattern) else _plain(pattern)


def _ending(pattern: str) -> str:
    """The same for the end: what follows the last bracket."""
    if _alternatives(pattern):
        return ""
    after = pattern.rpartition(")")[2]
    after = (
        after[1:] if after[:1] in ("?", "*", "+") else after.partition("}")[2] if after[:1] == "{" else after
    )
    plain = _plain(after)
    return plain if len(plain) == len(re.sub(r"\\(.)", r"\1", after)) else ""


def _plain(pattern: str) -> str:
    found = ""
    at = 0
    while at < len(pattern):
        escaped = pattern[at] == "\\" and at + 1 < len(pattern) and not pattern[at + 1].isalnum()
        sign = pattern[at + 1] if escaped else pattern[at]
        if not escaped and sign in _SPECIAL:
            break
        at += 2 if escaped else 1
        if pattern[at : at + 1] and pattern[at] in _OPTIONAL:
            break
        found += sign
    return found


def _alternatives(pattern: str) -> bool:
    """Whether it has a | or flags, or signs that mean something else in places."""
    return "|" in pattern or (pattern.startswith("(?") and not pattern.startswith("(?P<"))
