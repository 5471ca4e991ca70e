"""Columns that say of which probe a row is: the rows of several probes stand below each other in one file.

Without them values of two probes would come into one channel.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from ..units import QUANTITIES, unit_name
from .grid import Row

MOST_WORDS = 64
LONGEST_WORD = 60  # characters; longer texts are remarks
SHARED = 0.25  # of the instants stand in rows of another word, or
CHANGING = 0.5  # of the rows have another word than the one above: then a word names a probe


@dataclass(frozen=True)
class RowLabels:
    """What the columns of words say. `places`: columns whose words tell rows of different probes apart.

    unit_at: a column that holds nothing but units. changing: columns with a few words, whose meaning is open.
    """

    places: tuple[int, ...] = ()
    unit_at: int | None = None
    changing: tuple[tuple[int, tuple[str, ...]], ...] = ()


def row_labels(
    rows: Sequence[Row], times: Sequence[int], others: Sequence[int], numbers: Sequence[int]
) -> RowLabels:
    """What the columns `others`, which hold neither times nor numbers, say of the rows.

    A column of `numbers` may count the probes: whole numbers that share instants, which no values do.
    """
    columns = {n: [cells[n].strip() for _, cells in rows] for n in (*others, *numbers)}
    words = {n: tuple(dict.fromkeys(cells)) for n, cells in columns.items()}
    unit_at = next((n for n in others if words[n] and all(map(_is_unit, words[n]))), None)
    several = [n for n in columns if n != unit_at and _are_labels(words[n], len(rows))]
    stamps = [" ".join(cells[t].strip() for t in times) for _, cells in rows]
    shared = {n: _share_instants(columns[n], stamps) for n in several}
    numbered = {n for n in several if n in numbers and all(word.isdigit() for word in words[n])}
    apart = [n for n in several if shared[n] or (n in others and _take_turns(columns[n]))]
    places = tuple(sorted(n for n in apart if n in others or n in numbered))
    changing = tuple((n, words[n]) for n in several if n in others and n not in places)
    return RowLabels(places, unit_at, changing)


def _is_unit(word: str) -> bool:
    return any(unit_name(word.strip("[](){}")) in q.units for q in QUANTITIES.values()) and word != "1"


def _are_labels(words: Sequence[str], rows: int) -> bool:
    """A few words, each in several rows."""
    few = 2 <= len(words) <= min(MOST_WORDS, rows // 2)
    return few and all(0 < len(word) <= LONGEST_WORD for word in words)


def _share_instants(labels: Sequence[str], stamps: Sequence[str]) -> bool:
    of_stamp: dict[str, set[str]] = defaultdict(set)
    for label, stamp in zip(labels, stamps, strict=True):
        of_stamp[stamp].add(label)
    return sum(len(of_stamp[stamp]) > 1 for stamp in stamps) >= SHARED * len(labels)


def _take_turns(labels: Sequence[str]) -> bool:
    return sum(a != b for a, b in itertools.pairwise(labels)) >= CHANGING * len(labels)
