"""Many questions at once, with the same answers as one by one.

Intervals that lie near each other are answered from one judgement of their days; what is young
enough to change within the hour is asked one by one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from ..core.evidence.derived import cells_in_air
from ..core.evidence.grid import Grid
from ..core.judge.days import DAY_NS
from ..core.judge.judgement import Judgement
from ..errors import StillroomError
from ..instants import NS
from ..series import Readings
from ..verdicts.check_context import CheckContext
from ..verdicts.conditions import Read
from ..verdicts.verdicts import Verdicts
from .assess import (
    TIMES_TAU,
    Assessment,
    Outcome,
    Question,
    assessment_from,
    judged_question,
    outcome_from,
    with_zone_lags,
)

# Younger than this, a judgement can still depend on where it ends.
YOUNG_NS = DAY_NS
# Days of one judgement: bounds memory.
CHUNK_DAYS = 14


@dataclass(frozen=True)
class BatchAnswer:
    """The answer to the question at `place`, or why there is none."""

    place: int
    question: Question
    assessment: Assessment | None
    refused: str = ""


@dataclass(frozen=True)
class BatchOutcome:
    """The outcome of the question at `place`, or why there is none."""

    place: int
    question: Question
    outcome: Outcome | None
    refused: str = ""


@dataclass(frozen=True)
class _Prepared:
    """A question that can be judged, with its pre-window in s and the first time it needs in ns."""

    place: int
    question: Question
    before_s: int
    begin_ns: int


@dataclass(frozen=True)
class _Judged:
    """A question with a judgement that answers it, its pre-window in s, and what was read for it."""

    item: _Prepared
    question: Question
    judgement: Judgement
    before_s: int
    context: CheckContext
    read: Read | None = None


def assess_many(
    verdicts: Verdicts, questions: Sequence[Question], now_ns: int, *, in_table: bool = False
) -> list[BatchAnswer]:
    """Answers in the order of the questions; a faulty question is answered with its fault.

    `in_table`: for rows of a table, as in `assessment_from`.
    """
    prepared, refused = _prepare(verdicts, questions, now_ns)
    answers = [BatchAnswer(place, question, None, why) for place, question, why in refused]
    for group in _groups(prepared, now_ns):
        for j in _judge_group(verdicts, group, now_ns, with_derived=True):
            answer = assessment_from(
                verdicts,
                j.judgement,
                j.question,
                j.before_s,
                context=j.context,
                read=j.read,
                in_table=in_table,
            )
            answers.append(BatchAnswer(j.item.place, j.item.question, answer))
    return sorted(answers, key=lambda a: a.place)


def outcomes(verdicts: Verdicts, questions: Sequence[Question], now_ns: int) -> list[BatchOutcome]:
    """Verdicts and temperatures of `assess_many` alone, at a fifth of its cost."""
    prepared, refused = _prepare(verdicts, questions, now_ns)
    answers = [BatchOutcome(place, question, None, why) for place, question, why in refused]
    for group in _groups(prepared, now_ns):
        for j in _judge_group(verdicts, group, now_ns, with_derived=False):
            outcome = outcome_from(verdicts, j.judgement, j.question, j.before_s, j.context)
            answers.append(BatchOutcome(j.item.place, j.item.question, outcome))
    return sorted(answers, key=lambda a: a.place)


def _prepare(
    verdicts: Verdicts, questions: Sequence[Question], now_ns: int
) -> tuple[list[_Prepared], list[tuple[int, Question, str]]]:
    """What can be judged, and what cannot, with its place and the fault."""
    records = {z: verdicts.record(z) for z in {q.zone for q in questions} & set(verdicts.setup.zones)}
    for zone in records:
        verdicts.refresh(zone, now_ns)
    prepared, refused = list[_Prepared](), list[tuple[int, Question, str]]()
    for place, question in enumerate(questions):
        try:
            verdicts.setup.zone(question.zone)
            ends, record = (question.from_ns, question.to_ns), records[question.zone]
            before_s = verdicts.pre_window_in_record_s(
                question.zone, ends, record, now_ns, question.pre_window_s
            )
            resolved = with_zone_lags(verdicts.setup, question)
            prepared.append(_Prepared(place, resolved, before_s, _begin_ns(resolved, before_s)))
        except StillroomError as fault:
            refused.append((place, question, str(fault)))
    return prepared, refused


def _begin_ns(question: Question, before_s: int) -> int:
    mastered = question.from_ns if question.mastered_ns is None else question.mastered_ns
    lag_s = TIMES_TAU * max(question.part.tau_s, question.scale.tau_s)
    return min(question.from_ns - before_s * NS, mastered) - round(lag_s) * NS


def _groups(prepared: Iterable[_Prepared], now_ns: int) -> Iterator[list[_Prepared]]:
    """Groups of questions of one zone on neighbouring days; with an activity, of one day."""
    group: list[_Prepared] = []
    for item in sorted(prepared, key=lambda k: (k.question.zone, k.question.activity, k.begin_ns)):
        if group and not _fits(group, item, now_ns):
            yield group
            group = []
        group.append(item)
    if group:
        yield group


def _fits(group: Sequence[_Prepared], item: _Prepared, now_ns: int) -> bool:
    first = group[0]
    alike = (first.question.zone, first.question.activity) == (item.question.zone, item.question.activity)
    young = max(first.question.to_ns, item.question.to_ns) > now_ns - YOUNG_NS
    alone = item.question.features and (item.question.part.tau_s or item.question.scale.tau_s)
    days = item.begin_ns // DAY_NS - first.begin_ns // DAY_NS
    near = days == 0 if item.question.activity else days < CHUNK_DAYS
    return alike and near and not young and not alone


def _judge_group(
    verdicts: Verdicts, group: Sequence[_Prepared], now_ns: int, *, with_derived: bool
) -> Iterator[_Judged]:
    """The questions of a group with their judgement; `with_derived`: what follows from other quantities too,
    computed once and not for each interval.
    """
    first = group[0]
    context = verdicts.check_context(first.question.zone)
    if len(group) == 1:
        yield _Judged(first, *judged_question(verdicts, first.question, now_ns), context)
        return
    end_ns = max(item.question.to_ns for item in group)
    judgement = verdicts.judgement(
        first.question.zone, first.begin_ns, end_ns, now_ns, activity=first.question.activity, refresh=False
    )
    if with_derived:
        derived = cells_in_air(judgement.cells, verdicts.setup, judgement.zone)
        judgement = replace(judgement, cells={**judgement.cells, **derived})
    read = _reader_of(verdicts.store.readings.read, judgement.grid)
    for item in group:
        yield _Judged(item, item.question, judgement, item.before_s, context, read)


def _reader_of(read: Read, grid: Grid) -> Read:
    """A reader that asks the store once for each channel, for all cells of a grid."""
    ends = grid.first * grid.step_ns, (grid.first + grid.n) * grid.step_ns
    whole = cache(lambda channel: read(channel, *ends))

    def read_part(channel: str, from_ns: int, to_ns: int) -> Readings:
        readings = whole(channel)
        a, b = np.searchsorted(readings.taken_ns, (from_ns, to_ns))
        return Readings(*(column[a:b] for column in vars(readings).values()))

    return read_part
