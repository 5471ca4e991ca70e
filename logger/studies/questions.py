"""The questions that can be put to a room, in the order in which they are shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from ..core.study.figure import Answer, Question
from .sources import QuestionKind, Sources


def _cycles(sources: Sources) -> Callable[[], Answer]:
    from ..core.study.periodicity import regularity

    record = sources.record(sources.request.channel).record
    return lambda: regularity(record)


KINDS = (
    QuestionKind(
        "cycles",
        "What is regular?",
        "Needs 2 days of readings every 60 s for the cycle, 7 days for the day, 4 weeks for the week.",
        _cycles,
    ),
)
QUESTIONS: Mapping[Question, QuestionKind] = MappingProxyType({kind.key: kind for kind in KINDS})
