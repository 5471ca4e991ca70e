"""A study as people read it on page and paper: channels and fields by their words, not by their keys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from ..model import Setup
from ..model.figures import with_channel_words
from .questions import QUESTIONS
from .study import Study


def readable(study: Study, setup: Setup) -> Study:
    """The study with channels in words, in sentences, names of figures and texts of tables."""

    labels = {f"{item.option}: ": f"{item.label}: " for item in QUESTIONS[study.request.question].fields}

    def words(text: str) -> str:
        for option, label in labels.items():
            text = label + text.removeprefix(option) if text.startswith(option) else text
        return with_channel_words(text, setup.channels)

    answer = study.answer
    figures = tuple(
        replace(item, name=words(item.name), why_not=words(item.why_not), method=words(item.method))
        for item in answer.figures
    )
    tables: dict[str, Mapping[str, Sequence[Any]]] = {
        name: {
            head: [words(value) if isinstance(value, str) else value for value in column]
            for head, column in table.items()
        }
        for name, table in answer.tables.items()
    }
    remarks = tuple(words(line) for line in answer.remarks)
    read = replace(answer, headline=words(answer.headline), figures=figures, remarks=remarks, tables=tables)
    return replace(study, answer=read, data=tuple(words(line) for line in study.data))
