"""What checks of a zone need besides its judgement, and the days of a judgement that answer a check."""

from __future__ import annotations

from dataclasses import dataclass

from ..core.judge.days import DAY_NS
from ..core.judge.judgement import Judgement, part
from ..instants import NS
from ..model import Mark

# How far back the rules of an activity are judged before the interval of the question.
ACTIVITY_DAYS = 3


@dataclass(frozen=True)
class CheckContext:
    """Marks of the room, and when the record of the zone begins, in ns."""

    marks: tuple[Mark, ...]
    begins_ns: int | None


def piece_of(judgement: Judgement, span: tuple[int, int], pre_window_s: int, activity: str) -> Judgement:
    """The days of a judgement that a question about a span is answered from."""
    day = (span[0] - pre_window_s * NS) // DAY_NS - (ACTIVITY_DAYS if activity else 0)
    end_ns = -(-span[1] // judgement.grid.step_ns) * judgement.grid.step_ns
    return part(judgement, day * DAY_NS, end_ns)
