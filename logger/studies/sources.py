"""What a question reads of the record, each thing once, and what a question is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..core.study.figure import Answer, Question
from ..verdicts.verdicts import Verdicts
from .records import RecordUsed, read_channel
from .study import StudyRequest

Progress = Callable[[str], None]


@dataclass
class Sources:
    """What a study reads, each thing once; every number read goes into the digest.

    progress: called with what is being done, for work that takes longer than a moment.
    """

    verdicts: Verdicts
    request: StudyRequest
    now_ns: int
    progress: Progress
    read: dict[str, RecordUsed] = field(default_factory=dict)
    arrays: list[np.ndarray[Any, Any]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def record(self, channel: str, from_ns: int | None = None, to_ns: int | None = None) -> RecordUsed:
        """The record of a channel over the study's interval, or another one."""
        r = self.request
        begin, end = r.from_ns if from_ns is None else from_ns, r.to_ns if to_ns is None else to_ns
        name = f"{channel} {begin} {end}"
        if name not in self.read:
            self.progress(f"reading {channel}")
            used = read_channel(self.verdicts, channel, begin, end, self.now_ns)
            self.read[name] = used
            self.arrays.append(used.record.value)
            self.remarks.append(used.remark())
        return self.read[name]


@dataclass(frozen=True)
class QuestionKind:
    """A question as people read it, what it needs of the record, and what answers it.

    run: reads everything through the sources and gives what computes the answer.
    """

    key: Question
    title: str
    needs: str
    run: Callable[[Sources], Callable[[], Answer]]
    of_one_channel: bool = True
