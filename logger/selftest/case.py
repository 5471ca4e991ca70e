"""A reference case: what must come out by a source outside this program, and what comes out."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

from ..errors import Refused, StillroomError

RAISED = (
    ArithmeticError, AssertionError, AttributeError, LookupError, OSError, RuntimeError, StillroomError,
    TypeError, ValueError, sqlite3.Error,
)  # fmt: skip
Value = float | str | bool | None | tuple[object, ...]
# Definitions that are the product's own; everything else names a publication.
OWN = "definition of this program (DEVELOPERS.md, docstrings), numbers by hand"


@dataclass(frozen=True)
class Case:
    """`compute` computes what is compared; numbers may differ by `tolerance`, all else must be equal."""

    group: str
    name: str
    source: str
    expected: Value
    compute: Callable[[], Value]
    tolerance: float = 0.0


@dataclass(frozen=True)
class Result:
    """A case that was run; `error` says what was raised instead of an answer."""

    group: str
    name: str
    source: str
    expected: Value
    found: Value
    tolerance: float
    passed: bool
    error: str = ""


def run(case: Case) -> Result:
    """Run one case. Whatever it raises is a failure of the case, told with it, and no end of the others."""
    result = Result(case.group, case.name, case.source, case.expected, None, case.tolerance, False)
    try:
        actual = _plain(case.compute())
    except RAISED as error:
        return replace(result, error=f"{type(error).__name__}: {error}")
    return replace(result, found=actual, passed=agrees(_plain(case.expected), actual, case.tolerance))


def agrees(expected: object, found: object, tolerance: float) -> bool:
    """Whether a finding is what was expected; numbers within the tolerance, sequences member by member.

    >>> agrees((1.0, "stable"), (1.0005, "stable"), 0.001), agrees(1.0, float("nan"), 1.0)
    (True, False)
    """
    if isinstance(expected, tuple):
        if not isinstance(found, tuple) or len(found) != len(expected):
            return False
        return all(agrees(e, f, tolerance) for e, f in zip(expected, found, strict=True))
    if isinstance(expected, bool) or not isinstance(expected, int | float):
        return type(expected) is type(found) and expected == found
    if isinstance(found, bool) or not isinstance(found, int | float):
        return False
    if math.isnan(expected) or math.isnan(found):
        return math.isnan(expected) and math.isnan(found)
    return abs(found - expected) <= tolerance or found == expected


def _plain(value: object) -> Value:
    """Numbers of numpy and sequences as those of the language."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return tuple(_plain(each) for each in value)
    if isinstance(value, IntEnum):
        return value.name
    return value  # type: ignore[return-value]


@dataclass(frozen=True)
class CaseGroup:
    """Makes the cases of one subject, so that each names only what is its own."""

    name: str
    source: str = OWN

    def case(
        self,
        name: str,
        expected: Value,
        compute: Callable[..., object],  # of nothing; what it needs beside is bound as defaults
        tolerance: float = 0.0,
        source: str = "",
    ) -> Case:
        """One case; its source that of the group unless it has its own."""
        return Case(self.name, name, source or self.source, expected, compute, tolerance)  # type: ignore[arg-type]

    def each(
        self,
        name: str,
        rows: Iterable[Sequence[Value]],
        compute: Callable[..., object],
        tolerance: float = 0.0,
    ) -> Iterator[Case]:
        """A case for each row: the arguments of `compute`, and last what must come out."""
        for *arguments, expected in rows:
            words = ", ".join(f"{a:g}" if isinstance(a, float) else str(a) for a in arguments)
            yield self.case(f"{name} ({words})", expected, lambda a=tuple(arguments): compute(*a), tolerance)


def refused(work: Callable[..., object], *arguments: object, **named: object) -> str:
    """ "refused" where a question is refused with a reason, else "accepted"."""
    try:
        work(*arguments, **named)
    except Refused:
        return "refused"
    return "accepted"
