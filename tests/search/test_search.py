"""No way to *stable* without evidence: random rooms, judged by the definitions written out plainly.

`plainly.py` shares nothing with the judge; a room that was ever judged otherwise goes into `cases.json`
(`python -m tests.search SEED` prints it) and is judged again in every run.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from . import judged, plainly, rooms

CASES: list[rooms.Room] = json.loads((Path(__file__).parent / "cases.json").read_text("utf-8"))
MANY = 10_000


def difference(room: rooms.Room) -> str:
    """Where the judge says something else than the definitions; "" where nowhere."""
    expected = plainly.Judge(room).reasons
    for split in (0, room["split"]):
        result = judged.reasons(room, split)
        for cell, (item, other) in enumerate(zip(result, expected, strict=True)):
            if item != other:
                return f"room {room['seed']}, cell {cell}, split {split}: {item}, by the definitions {other}"
    return ""


def differences(begin: int, end: int) -> list[str]:
    """Of the rooms of some seeds."""
    return [result for seed in range(begin, end) if (result := difference(rooms.room(seed)))]


@pytest.mark.parametrize("part", range(4))
def test_a_hundred_rooms_are_judged_by_the_definitions(part: int) -> None:
    """Cell by cell, in one go and in two, always the same hundred."""
    assert [
        result for seed in range(25 * part, 25 * (part + 1)) if (result := difference(rooms.room(seed)))
    ] == []


@pytest.mark.long
@pytest.mark.parametrize("part", range(100))
def test_ten_thousand_rooms_are_judged_by_the_definitions(part: int) -> None:
    """The same for all seeds below 10,000."""
    per = MANY // 100
    assert [
        result for seed in range(per * part, per * (part + 1)) if (result := difference(rooms.room(seed)))
    ] == []


@pytest.mark.parametrize("case", CASES, ids=lambda room: str(room["seed"]))
def test_rooms_that_were_once_judged_wrongly(case: rooms.Room) -> None:
    assert difference(case) == ""


@pytest.mark.slow
def test_the_rooms_hold_every_reason_and_kind() -> None:
    """Else the comparison would prove little: each reason in 20 cells at least, each kind of doubt."""
    built = [rooms.room(seed) for seed in range(100)]
    output = [reason for room in built for reason in judged.reasons(room)]
    expected = ("nonconforming", "marked", "settling", "indeterminate", "guard band", "conforming")
    assert {reason for reason in expected if output.count(reason) >= 20} == set(expected)
    kinds = {rule["kind"] for room in built for rule in room["rules"]}
    assert kinds == {
        "limit", "span", "slope", "spread", "gradient", "difference", "plane", "condensation"
    }  # fmt: skip
    quantities = {rule.get("quantity", "temperature") for room in built for rule in room["rules"]}
    assert quantities == {"temperature", "relative_humidity", "dew_point"}
    for part in ("tests", "agree_K", "agree_dew_point_K", "bodies", "clocks", "user_span"):
        assert sum(bool(room[part]) for room in built) >= 5
    doubted = [plainly.Judge(room) for room in built]
    suspect = [r for judge in doubted for rows in judge.readings.values() for r in rows if r.suspect]
    assert len(suspect) >= 20
    assert sum(r.missing for judge in doubted for rows in judge.readings.values() for r in rows) >= 20
    assert sum(len(channel.disagrees) for judge in doubted for channel in judge.sound.values()) >= 20
