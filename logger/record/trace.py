"""The verdict trace: three levels like a timing diagram, so that place alone tells the verdict."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ..model import Period, Reason
from ..series import Float
from .marks import FILLS, HAIR, INK, LEVELS, PATTERNS, SOFT
from .svg import drawing, element, number, path, text

LEVEL = 11.0
TRACE_HEIGHT = 3 * LEVEL
LEAST_WIDTH = 0.4  # a minute lost in a month stays visible
_LETTER = 3.9  # points of one letter, on the safe side


def draw_trace(
    periods: Sequence[Period], x: Callable[[int], Float], top: float, left: float, right: float
) -> str:
    """Rows with their names, then the periods, the stable ones first so that none hides a worse one."""
    rows = "".join(_row(name, top + n * LEVEL, left, right) for n, name in enumerate(LEVELS))
    ordered = sorted(periods, key=lambda p: (LEVELS.index(p.verdict), p.from_ns))
    return rows + "".join(_period(p, float(x(p.from_ns)), float(x(p.to_ns)), top) for p in ordered)


def _row(name: str, y: float, left: float, right: float) -> str:
    line = path(f"M{left:g} {number(y + LEVEL - 1)}H{right:g}", HAIR, 0.4)
    return text(left - 5, y + 7.8, name, "end", fill=SOFT) + line


def _period(period: Period, x0: float, x1: float, top: float) -> str:
    y = top + LEVELS.index(period.verdict) * LEVEL
    width = max(x1 - x0, LEAST_WIDTH)
    box = element("rect", x=x0, y=y + 1, width=width, height=LEVEL - 2, fill=FILLS[period.reason])
    return box + (_word(period.reason, x0 + width / 2, y) if _fits(period.reason, width) else "")


def _fits(word: Reason, width: float) -> bool:
    return word != "conforming" and len(word) * _LETTER + 8 < width


def _word(word: Reason, x: float, y: float) -> str:
    """The reason in its box, on a plain ground so that the pattern does not cut the letters."""
    half = len(word) * _LETTER / 2 + 1
    ground = element("rect", x=x - half, y=y + 1, width=2 * half, height=LEVEL - 2, fill="#ffffff")
    return ground + text(x, y + 7.8, word, "middle", fill=INK)


def swatch(reason: Reason) -> str:
    """A small picture of the fill of a reason, for the tables of the record."""
    box = element("rect", width=18, height=8, fill=FILLS[reason])
    return drawing(18, 8, PATTERNS + box)
