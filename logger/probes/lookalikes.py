"""Whose answers look alike on a shared line, so that a late one could be taken for another probe's. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import combinations

from ..model import AsciiLine, Line, ModbusLine

_OPTIONAL = "?*{"
_SPECIAL = ".^$*+?{}[]()|\\"


def are_distinguishable(pattern: str, other_pattern: str) -> bool:
    """Whether no line can match both patterns, by what they begin with or end with.

    False where that is not proven.

    >>> are_distinguishable(r"T1=(?P<t>.+)", r"T2=(?P<t>.+)")
    True
    >>> are_distinguishable(r"T=(?P<t>.+)", r"T=(?P<t>.+) RH=(?P<h>.+)")
    False
    """
    begins, ends = (
        (_beginning(pattern), _beginning(other_pattern)),
        (_ending(pattern), _ending(other_pattern)),
    )
    return _differ(*begins) or _differ(*(end[::-1] for end in ends))


def find_lookalikes(lines: Sequence[Line]) -> Iterator[str]:
    """Sentences about probes on one line whose answers cannot be told apart, and what to do."""
    for left, right in combinations(lines, 2):
        if left.bus == right.bus:
            pair = f"Probes {left.probe} and {right.probe} on {left.bus}"
            if isinstance(left, ModbusLine) and isinstance(right, ModbusLine):
                yield from _registers(pair, left, right)
            elif isinstance(left, AsciiLine) and isinstance(right, AsciiLine):
                yield from _texts(pair, left, right)


def _registers(pair: str, left: ModbusLine, right: ModbusLine) -> Iterator[str]:
    if (left.device, left.function, _count(left)) == (right.device, right.function, _count(right)):
        count = _count(left)
        yield (
            f"{pair} are device {left.device} and read {count} register{'s' if count > 1 else ''} each: "
            "a late answer of one looks like the other's. Make them one probe, whose registers are read "
            "together, or let one of them read a block of another length."
        )


def _count(line: ModbusLine) -> int:
    first = min(r.address for r in line.registers.values())
    return max(r.address + r.count for r in line.registers.values()) - first


def _texts(pair: str, left: AsciiLine, right: AsciiLine) -> Iterator[str]:
    if not are_distinguishable(left.pattern, right.pattern):
        yield (
            f"{pair}: their patterns name no address, so that a late answer of one looks like the other's; "
            "the line waits after each answer that does not come. If the probes can send their address, put "
            'it into each pattern, such as "#1 ..." and "#2 ...".'
        )


def _differ(left: str, right: str) -> bool:
    """Whether neither begins with the other."""
    return not left.startswith(right) and not right.startswith(left)


def _beginning(pattern: str) -> str:
    """The characters with which every match begins, as far as they are plain in the pattern."""
    return "" if _alternatives(pattern) else _plain(pattern)


def _ending(pattern: str) -> str:
    """The characters with which every match ends, as far as plain: what follows the last bracket."""
    if _alternatives(pattern):
        return ""
    after = pattern.rpartition(")")[2]
    after = (
        after[1:] if after[:1] in ("?", "*", "+") else after.partition("}")[2] if after[:1] == "{" else after
    )
    plain = _plain(after)
    return plain if len(plain) == len(re.sub(r"\\(.)", r"\1", after)) else ""


def _plain(pattern: str) -> str:
    text = ""
    at = 0
    while at < len(pattern):
        escaped = pattern[at] == "\\" and at + 1 < len(pattern) and not pattern[at + 1].isalnum()
        sign = pattern[at + 1] if escaped else pattern[at]
        if not escaped and sign in _SPECIAL:
            break
        at += 2 if escaped else 1
        if pattern[at : at + 1] and pattern[at] in _OPTIONAL:
            break
        text += sign
    return text


def _alternatives(pattern: str) -> bool:
    """Whether it has a | or flags, or signs that mean something else in places."""
    return "|" in pattern or (pattern.startswith("(?") and not pattern.startswith("(?P<"))
