"""Many questions at once, with the same answers as one by one.

Intervals that lie near each other are answered from one judgement of their days; what is young
enough to change within the hour is asked one by one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from ..core.evidence.derived import cells_in_air
from ..core.judge.days import DAY_NS
from ..errors import StillroomError
from ..instants import NS
from ..verdicts.verdicts import Verdicts
from .assess import TIMES_TAU, Assessment, Question, assess, assessment_from, with_zone_lags

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
class _Prepared:
    """A question that can be judged, with its pre-window in s and the first time it needs in ns."""

    place: int
    question: Question
    before_s: int
    begin_ns: int


def assess_many(verdicts: Verdicts, questions: Sequence[Question], now_ns: int) -> list[BatchAnswer]:
    """Answers in the order of the questions; a faulty question is answered with its fault."""
    records = {z: verdicts.record(z) for z in {q.zone for q in questions} & set(verdicts.setup.zones)}
    for zone in records:
        verdicts.refresh(zone, now_ns)
    prepared, answers = list[_Prepared](), list[BatchAnswer]()
    for place, question in enumerate(questions):
        try:
            verdicts.setup.zone(question.zone)
            ends, record = (question.from_ns, question.to_ns), records[question.zone]
            before_s = verdicts.pre_window_in_record_s(
                question.zone, ends, record, now_ns, question.pre_window_s
            )
            resolved = with_zone_lags(verdicts.setup, question)
            prepared.append(_Prepared(place, resolved, before_s, _begin_ns(resolved, before_s)))
        except StillroomError as refused:
            answers.append(BatchAnswer(place, question, None, str(refused)))
    for group in _groups(prepared, now_ns):
        answers += _answer_group(verdicts, group, now_ns)
    return sorted(answers, key=lambda a: a.place)


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


def _answer_group(verdicts: Verdicts, group: Sequence[_Prepared], now_ns: int) -> Iterator[BatchAnswer]:
    first = group[0]
    if len(group) == 1:
        yield BatchAnswer(first.place, first.question, assess(verdicts, first.question, now_ns))
        return
    end_ns = max(item.question.to_ns for item in group)
    judgement = verdicts.judgement(
        first.question.zone, first.begin_ns, end_ns, now_ns, activity=first.question.activity, refresh=False
    )
    # What follows from other quantities is computed once, and not for each interval.
    derived = cells_in_air(judgement.cells, verdicts.setup, judgement.zone)
    judgement = replace(judgement, cells={**judgement.cells, **derived})
    for item in group:
        yield BatchAnswer(
            item.place, item.question, assessment_from(verdicts, judgement, item.question, item.before_s)
        )
