"""Readings that arrive after their days were judged and stored: what is stored is what judging anew gives.

Random rooms of `rooms.py`, through a real store. Each is judged at every arrival; then its stored days are
held against those of a second store that had every reading at once, and against a judgement anew.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from . import arrivals, rooms

# Few rooms in every run, many behind `long`.
FEW, MANY = 10, 200


def difference(seed: int, folder: Path) -> str:
    """What late rows change in the stored days of a room; "" where nothing."""
    room = rooms.room(seed)
    parts = arrivals.batches(room)
    late, altered = arrivals.stored_days(folder / f"{seed}-late", room, parts)
    once, _ = arrivals.stored_days(folder / f"{seed}-once", room, [[r for part in parts for r in part]])
    if altered:
        return f"room {seed}: altered by its own judgement anew: {altered}"
    return "" if late == once else f"room {seed}: {len(late)} days, stored otherwise than {len(once)} at once"


@pytest.mark.parametrize("seed", range(FEW))
def test_days_stored_before_late_rows_end_as_days_judged_anew(seed: int, tmp_path: Path) -> None:
    assert difference(seed, tmp_path) == ""


@pytest.mark.long
@pytest.mark.parametrize("part", range(10))
def test_late_rows_of_many_rooms(part: int, tmp_path: Path) -> None:
    """The same for all seeds below 200."""
    per = MANY // 10
    seeds = range(per * part, per * (part + 1))
    assert [found for seed in seeds if (found := difference(seed, tmp_path))] == []


def test_the_first_rooms_have_late_rows() -> None:
    """Else the comparison would prove little."""
    late = [sum(len(part) for part in arrivals.batches(rooms.room(seed))[1:]) for seed in range(FEW)]
    assert sum(n > 0 for n in late) >= FEW - 1
