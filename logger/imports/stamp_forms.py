"""Refusals of a column of times in which rows have different forms."""

from __future__ import annotations

import re

from ..errors import ImportRefused
from .stamps import half_word, shape


def refuse_mixed_forms(line_of: dict[str, int], *, offset: bool) -> None:
    """A time that is written otherwise than all others has lost something: 05:00 of 05:00:00, or its PM."""
    padded = next((text for text in line_of if _has_zero(text, offset)), None)
    bare = next((text for text in line_of if _is_bare(text, offset)), None)
    if padded is not None and bare is not None:
        raise _mixed(bare, padded, line_of)
    usual, usual_shape = "", ""
    for text in line_of:
        this_shape = shape(text, offset)
        usual, usual_shape = (usual or text), (usual_shape or this_shape)
        if this_shape != usual_shape:
            raise _mixed(text, usual, line_of)


def refuse_third_half(line_of: dict[str, int]) -> None:
    """A day has two halves: a third word for one of them is a damaged one, or of another language."""
    by_word: dict[str, str] = {}
    for text in line_of:
        by_word.setdefault(half_word(text), text)
    if len(by_word) > 2:
        last = max(by_word.values(), key=lambda text: line_of[text])
        raise _mixed(last, next(iter(by_word.values())), line_of)


def _mixed(text: str, usual: str, line_of: dict[str, int]) -> ImportRefused:
    return ImportRefused(
        f"Line {line_of[text]}: {text!r} has another form than {usual!r} in line {line_of[usual]}. "
        "Correct the line, or split the file where the time format changes."
    )


def _has_zero(text: str, clock_only: bool) -> bool:
    """Whether an hour, or a part of a date, is filled up with a zero."""
    return bool(re.match(r"\D*0\d(?!\d)", text) if clock_only else re.search(r"(?<!\d)0\d(?!\d)", text))


def _is_bare(text: str, clock_only: bool) -> bool:
    """Whether an hour, or a part of a date, is one digit alone."""
    return bool(re.match(r"\D*\d(?!\d)", text) if clock_only else re.search(r"(?<!\d)\d(?!\d)", text))
