"""Readings that arrive after their days were judged and stored: what is stored is what judging anew gives.

Random rooms of `rooms.py`, through a real store. Each is judged at every arrival; then its stored days are
held against those of a second store that had every reading at once, and against a judgement anew.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.instants import NS

from . import arrivals, judged, rooms

# Few rooms in every run, many behind `long`.
FEW, MANY = 10, 200


def difference(seed: int, folder: Path) -> str:
    """What late rows change in the stored days of a room; "" where nothing."""
    room = rooms.room(seed)
    parts = arrivals.arrivals(room)
    late, altered = arrivals.stored_days(folder / f"{seed}-late", room, parts)
    once, _ = arrivals.stored_days(folder / f"{seed}-once", room, arrivals.at_once(parts))
    if altered:
        return f"room {seed}: altered by its own judgement anew: {altered}"
    return "" if late == once else f"room {seed}: {len(late)} days, stored otherwise than {len(once)} at once"


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(FEW))
def test_days_stored_before_late_rows_end_as_days_judged_anew(seed: int, tmp_path: Path) -> None:
    assert difference(seed, tmp_path) == ""


def quiet_room() -> rooms.Room:
    """One probe in air, read every 15 min at 20 degC from 20:00 to 04:00; one band, nothing remembered."""
    rule = {
        "name": "limit", "kind": "limit", "upper": 21.0, "lower": 19.0, "from_s": rooms.EVER, "to_s": None,
        "need": None, "channels": [], "window_s": 0, "activity": "", "disturbs": True, "r": 1.0,
    }  # fmt: skip
    return {
        "seed": "quiet", "cells": 480, "interval_s": 900, "max_age_s": 2700, "settings": [[-1, 0, 3600]],
        "positions": {"A1": [0.0, 0.0, 1.0]}, "placements": [["A1", "A1", rooms.EVER, None]],
        "certificates": [["A1", rooms.EVER, None, None, 0.0, 0.1, 10.0, 30.0]], "rules": [rule], "marks": [],
        "activity": "", "split": 200, "readings": {"A1": [[420.0 + 900 * n, 20.0] for n in range(32)]},
    }  # fmt: skip


def test_a_reading_after_midnight_that_comes_late_covers_cells_of_the_day_before(
    tmp_path: Path,
) -> None:
    """The readings of 00:07 to 00:52 come late; that of 23:52 is too old for the one of 01:07 to cover.

    Then 23:53 to 23:59 are indeterminate; with the late ones they lie between two readings of 15 min.
    """
    room = quiet_room()
    [whole] = arrivals.at_once([arrivals.Arrival(arrivals.rows_of(room), [])])
    begin_ns, end_ns = judged.BEGIN_NS + 4 * 3600 * NS, judged.BEGIN_NS + 5 * 3600 * NS
    late = [row for row in whole.rows if begin_ns <= row.taken_ns < end_ns]
    rest = arrivals.Arrival([row for row in whole.rows if row not in late], [])
    short, _ = arrivals.stored_days(tmp_path / "short", room, [rest])
    stored, altered = arrivals.stored_days(tmp_path / "late", room, [rest, arrivals.Arrival(late, [])])
    at_once, _ = arrivals.stored_days(tmp_path / "once", room, [whole])
    assert short[0] != at_once[0]
    assert (stored, altered) == (at_once, [])


@pytest.mark.long
@pytest.mark.parametrize("part", range(10))
def test_late_rows_of_many_rooms(part: int, tmp_path: Path) -> None:
    """The same for all seeds below 200."""
    per = MANY // 10
    seeds = range(per * part, per * (part + 1))
    assert [result for seed in seeds if (result := difference(seed, tmp_path))] == []


def test_the_first_rooms_have_late_rows() -> None:
    """Else the comparison would prove little."""
    late = [sum(len(part.rows) for part in arrivals.arrivals(rooms.room(seed))[1:]) for seed in range(FEW)]
    assert sum(n > 0 for n in late) >= FEW - 1
