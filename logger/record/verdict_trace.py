"""The verdict trace: three levels like a timing diagram, so that place alone tells the verdict."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ..core.judge.trace import Run, exact_runs, runs_in_columns
from ..model import Period, Reason, Verdict
from ..series import Float
from .marks import FILLS, HAIR, INK, LEVELS, PATTERNS, SOFT
from .svg import drawing, element, number, path, text

LEVEL = 11.0
TRACE_HEIGHT = 3 * LEVEL
COLUMN = 0.5  # points of the page: a minute lost in a month stays visible
_LETTER = 3.9  # points of one letter, on the safe side


def draw_trace(
    periods: Sequence[Period], x: Callable[[int], Float], top: float, left: float, right: float
) -> str:
    """Rows with their names, then the runs: the worst of each column where periods are too narrow."""
    rows = "".join(_row(name, top + n * LEVEL, left, right) for n, name in enumerate(LEVELS))
    return rows + "".join(
        _run(run.reason, run.verdict, float(x(run.from_ns)), float(x(run.to_ns)), top)
        for run in _runs(periods, x)
    )


def _runs(periods: Sequence[Period], x: Callable[[int], Float]) -> list[Run]:
    if not periods:
        return []
    from_ns, to_ns = periods[0].from_ns, periods[-1].to_ns
    if all(float(x(p.to_ns)) - float(x(p.from_ns)) >= COLUMN for p in periods):
        return exact_runs(periods, from_ns, to_ns)
    return runs_in_columns(periods, from_ns, to_ns, max(int(float(x(to_ns) - x(from_ns)) / COLUMN), 1))


def _row(name: str, y: float, left: float, right: float) -> str:
    line = path(f"M{left:g} {number(y + LEVEL - 1)}H{right:g}", HAIR, 0.4)
    return text(left - 5, y + 7.8, name, "end", fill=SOFT) + line


def _run(reason: Reason, verdict: Verdict, x0: float, x1: float, top: float) -> str:
    y, width = top + LEVELS.index(verdict) * LEVEL, x1 - x0
    box = element("rect", x=x0, y=y + 1, width=width, height=LEVEL - 2, fill=FILLS[reason])
    return box + (_word(reason, x0 + width / 2, y) if _fits(reason, width) else "")


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
