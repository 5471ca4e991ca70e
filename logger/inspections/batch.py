"""Many intervals at once, each answered as if it had been asked alone.

Intervals that lie near each other are answered from one judgement of their days; what is young
enough to change within the hour is asked one by one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from ..core.evidence.derived import in_air
from ..core.judge.days import DAY_NS
from ..errors import StillroomError
from ..instants import NS
from ..verdicts.verdicts import Verdicts
from .assess import TIMES_TAU, Assessment, Question, assess, assessed, settled

# Younger than this, a judgement can still depend on where it ends.
YOUNG_NS = DAY_NS
# Days of one judgement: bounds memory.
CHUNK_DAYS = 14


@dataclass(frozen=True)
class Answer:
    """The answer to the question at `place`, or why there is none."""

    place: int
    question: Question
    found: Assessment | None
    refused: str = ""


@dataclass(frozen=True)
class _Known:
    """A question that can be judged, with its pre-window and the first instant that it needs."""

    place: int
    question: Question
    before_s: int
    begin_ns: int


def assess_many(verdicts: Verdicts, questions: Sequence[Question], now_ns: int) -> list[Answer]:
    """Answers in the order of the questions; a faulty question is answered with its fault."""
    records = {z: verdicts.record(z) for z in {q.zone for q in questions} & set(verdicts.setup.zones)}
    for zone in records:
        verdicts.refresh(zone, now_ns)
    known, done = list[_Known](), list[Answer]()
    for place, question in enumerate(questions):
        try:
            verdicts.setup.zone(question.zone)
            ends, record = (question.from_ns, question.to_ns), records[question.zone]
            before_s = verdicts.pre_window_in_record_s(
                question.zone, ends, record, now_ns, question.pre_window_s
            )
            whole = settled(verdicts.setup, question)
            known.append(_Known(place, whole, before_s, _begin_ns(whole, before_s)))
        except StillroomError as refused:
            done.append(Answer(place, question, None, str(refused)))
    for group in _groups(known, now_ns):
        done += _answered(verdicts, group, now_ns)
    return sorted(done, key=lambda a: a.place)


def _begin_ns(asked: Question, before_s: int) -> int:
    mastered = asked.from_ns if asked.mastered_ns is None else asked.mastered_ns
    lag_s = TIMES_TAU * max(asked.part.tau_s, asked.scale.tau_s)
    return min(asked.from_ns - before_s * NS, mastered) - round(lag_s) * NS


def _groups(known: Iterable[_Known], now_ns: int) -> Iterator[list[_Known]]:
    """Questions of one zone whose days lie together. An activity is judged anew for each day, as alone."""
    group: list[_Known] = []
    for one in sorted(known, key=lambda k: (k.question.zone, k.question.activity, k.begin_ns)):
        if group and not _fits(group, one, now_ns):
            yield group
            group = []
        group.append(one)
    if group:
        yield group


def _fits(group: Sequence[_Known], one: _Known, now_ns: int) -> bool:
    first = group[0]
    alike = (first.question.zone, first.question.activity) == (one.question.zone, one.question.activity)
    young = max(first.question.to_ns, one.question.to_ns) > now_ns - YOUNG_NS
    alone = one.question.features and (one.question.part.tau_s or one.question.scale.tau_s)
    days = one.begin_ns // DAY_NS - first.begin_ns // DAY_NS
    near = days == 0 if one.question.activity else days < CHUNK_DAYS
    return alike and near and not young and not alone


def _answered(verdicts: Verdicts, group: Sequence[_Known], now_ns: int) -> Iterator[Answer]:
    first = group[0]
    if len(group) == 1:
        yield Answer(first.place, first.question, assess(verdicts, first.question, now_ns))
        return
    end_ns = max(one.question.to_ns for one in group)
    judgement = verdicts.judgement(
        first.question.zone, first.begin_ns, end_ns, now_ns, activity=first.question.activity, refresh=False
    )
    # What follows from other quantities is computed once, and not for each interval.
    derived = in_air(judgement.cells, verdicts.setup, judgement.zone)
    judgement = replace(judgement, cells={**judgement.cells, **derived})
    for one in group:
        yield Answer(one.place, one.question, assessed(verdicts, judgement, one.question, one.before_s))
