"""Whether the readings in a window suffice, minute by minute, against the definition written out plainly.

What the program counts in cells, and leaves out where a record is healthy, is here counted reading by
reading: at least the promised share of readings, no time without one longer than max(three intervals,
window/12), at least five. The records are made so that some of their gaps are exactly as long as may be.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..instants import NS
from ..series import Int, Readings
from .case import Case, CaseGroup
from .room import DAY, judged, rule, series, setup
from .rules import SPAN, finding_of, word

MINUTES = 480


@dataclass(frozen=True)
class WindowRoom:
    """How a probe is read and what a rule asks of its window; times in s."""

    interval_s: int = 60
    window_s: int = 3600
    completeness: float = 0.8
    step_s: int = 60


def cases() -> Iterator[Case]:
    """All of them."""
    group = CaseGroup(
        "evidence of every window",
        "required: completeness, no gap above max(3 intervals, window/12), 5 readings; counted one by one",
    )
    whole = np.arange(0, MINUTES * 60, 60)
    for name, room, seconds in (
        ("whole", WindowRoom(), whole),
        (
            "gaps of 300 s, 360 s and 20 min",
            WindowRoom(),
            _without(whole, (100, 104), (200, 205), (300, 319)),
        ),
        (
            "57 of 60 and 56 of 60",
            WindowRoom(completeness=0.95),
            _without(whole, (100, 104), (200, 203)),
        ),
        ("one that begins late and ends early", WindowRoom(), whole[130:350]),
        ("the same, 300 s in between", WindowRoom(), _without(whole[130:350], (200, 204))),
        ("one reading a minute where two are promised", WindowRoom(interval_s=30, completeness=0.95), whole),
        ("109 s where 90 s may be, two readings in every cell", WindowRoom(30, 600), _moved(1, 110, 119)),
        ("90 s where 90 s may be, two readings in every cell", WindowRoom(30, 600), _moved(20, 110, 115)),
        ("four readings in the window", WindowRoom(window_s=240), whole),
        ("five readings in the window", WindowRoom(window_s=300), whole),
        ("a gap inside one cell of ten minutes", WindowRoom(step_s=600), _without(whole, (121, 126))),
        ("and one of just 300 s", WindowRoom(step_s=600), _without(whole, (121, 125))),
        (
            "300 s inside a cell, and a longer gap",
            WindowRoom(step_s=600),
            _without(whole, (121, 125), (300, 320)),
        ),
        ("two hours, two gaps of 660 s", WindowRoom(window_s=7200), _without(whole, (150, 160), (250, 260))),
        ("two gaps of 240 s at the begin", WindowRoom(), _without(whole, (0, 4), (5, 8), (300, 320))),
        (
            "290 s behind the first reading",
            WindowRoom(),
            np.array([50, 340, *_without(whole[6:], (300, 320))]),
        ),
        ("a reading alone", WindowRoom(window_s=300), _without(whole, (100, 103), (104, 107))),
        ("the last one alone", WindowRoom(window_s=300), _without(whole[:104], (98, 103))),
        ("the first one alone", WindowRoom(window_s=300), _without(whole[103:], (104, 109))),
    ):
        # From the begin of the record on, and with a window of it already seen: two ways through the program.
        for observed in (0, room.window_s // room.step_s - 1):
            yield group.case(
                f"{name}, judged from cell {observed} on",
                _runs_in_words(_plainly(room, seconds)),
                lambda r=room, s=seconds, n=observed: _runs_in_words(_words_of_cells(r, s, n)),
            )
    doubt = np.full(1440, 20.0)
    doubt[600] = 21.5
    yield group.case(
        "one reading in doubt takes nothing from the other 59",
        "CONFORMING",
        lambda: word(finding_of(rule(**{**SPAN, "upper": 5.0}), {"T1": doubt}, channel={"spike": 0.5}), 620),
    )


def _moved(*places: int) -> Int:
    """A reading every 30 s; the three after 12 000 s come so many seconds after it."""
    dense = np.arange(0, MINUTES * 60, 30)
    dense[401:404] = 12_000 + np.array(places)
    return dense


def _without(seconds: Int, *lost: tuple[int, int]) -> Int:
    """Without the readings of the minutes from the first to before the second of each pair."""
    is_kept = np.ones(len(seconds), np.bool_)
    for first, end in lost:
        is_kept &= (seconds < first * 60) | (seconds >= end * 60)
    return seconds[is_kept]


def _runs_in_words(words: Sequence[str]) -> str:
    """Runs of equal words with their lengths, from the first full window on."""
    edges = [n for n in range(len(words)) if n == 0 or words[n] != words[n - 1]]
    ends = [*edges[1:], len(words)]
    return ", ".join(f"{b - a} {words[a]}" for a, b in zip(edges, ends, strict=True))


def _plainly(room: WindowRoom, seconds: Int) -> list[str]:
    words = []
    longest = max(3 * room.interval_s, room.window_s / 12)
    for end in range(room.window_s, MINUTES * 60 + 1, room.step_s):
        begin = end - room.window_s
        inside = [s for s in seconds.tolist() if begin <= s < end]
        gaps = [b - a for a, b in zip([begin, *inside], [*inside, end], strict=True)]
        if max(gaps) > longest:
            words.append("GAP")
        elif len(inside) * room.interval_s < room.completeness * room.window_s:
            words.append("INCOMPLETE")
        else:
            words.append("CONFORMING" if len(inside) >= 5 else "TOO_COARSE")
    return words


def _words_of_cells(room: WindowRoom, seconds: Int, seen: int) -> list[str]:
    span_rule = rule(**{**SPAN, "window_s": room.window_s, "completeness": room.completeness})
    built = setup((span_rule,), channel={"interval_s": room.interval_s}, step_s=room.step_s)
    like = series(np.full(len(seconds), 20.0))
    readings = Readings(DAY + seconds * NS, like.value, like.status, like.late)
    begin, end = DAY + seen * room.step_s * NS, DAY + MINUTES * 60 * NS
    finding = judged(built, {"T1": readings}, begin, end).findings[0]
    first = room.window_s // room.step_s - 1 - seen
    return [word(finding, n) for n in range(first, MINUTES * 60 // room.step_s - seen)]
