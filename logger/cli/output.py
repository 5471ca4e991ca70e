"""Answers as a sentence and a table, or as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import typer

from ..model.figures import decimals, decimals_apart


def answer(payload: Any, as_json: bool, lines: Sequence[str]) -> None:
    """The payload as JSON, or the lines for a person."""
    typer.echo(json.dumps(payload, indent=2, ensure_ascii=False) if as_json else "\n".join(lines))


def altered_lines(days: Sequence[str]) -> list[str]:
    """Lines that name stored verdicts that were edited before signing; empty where there are none."""
    if not days:
        return []
    first = "Stored verdicts had been edited; these were judged anew first, and the journal says so:"
    return ["", first, *(f"  {day}" for day in days)]


def table(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> list[str]:
    """Columns lined up under their heads; numbers to the right.

    >>> print("\\n".join(table(["probe", "worst"], [["P1", 20.9], ["P2", 20.75]])))
      probe  worst
      P1      20.9
      P2     20.75
    """
    cells = [[_cell(value) for value in row] for row in rows]
    widths = [max(len(line[n]) for line in [list(heads), *cells]) for n in range(len(heads))]
    right = [bool(rows) and all(isinstance(row[n], int | float) for row in rows) for n in range(len(heads))]
    lines = [heads, *cells]
    return ["  " + "  ".join(map(_padded_cell, line, widths, right)).rstrip() for line in lines]


def _cell(value: object) -> str:
    return "" if value is None else str(value)


def _padded_cell(words: str, width: int, right: bool) -> str:
    return words.rjust(width) if right else words.ljust(width)


def figures(worst: float | None, limit: float | None, U: float | None) -> list[str]:
    """A worst value, its limit and its uncertainty, with as many decimals as the result needs; two at least.

    >>> figures(20.97, 20.5, 0.1), figures(21.001, 21.0, 0.2), figures(None, 0.4, 0.0029)
    (['20.97', '20.50', '0.10'], ['21.001', '21.000', '0.200'], ['', '0.4000', '0.0029'])
    >>> figures(20.902, 21.0, 0.1)
    ['20.902', '21.000', '0.100']
    """
    places = max(decimals(U), decimals_apart(worst, limit, U))
    return ["" if value is None else f"{value:.{places}f}" for value in (worst, limit, U)]


def duration(seconds: float) -> str:
    """A length of time as people say it.

    >>> duration(5400), duration(86400), duration(90), duration(40)
    ('1 h 30 min', '24 h', '1 min 30 s', '40 s')
    """
    hours, rest = divmod(round(seconds), 3600)
    minutes, left = divmod(rest, 60)
    parts = [(hours, "h"), (minutes, "min"), (left if not hours else 0, "s")]
    return " ".join(f"{n} {unit}" for n, unit in parts if n) or "0 s"
