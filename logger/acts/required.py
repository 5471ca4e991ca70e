"""What a person must give with every act: a name, a text that is not blank, an interval that is not empty."""

from __future__ import annotations

import unicodedata

from ..errors import IntervalError, Refused
from ..instants import rfc3339
from ..model.roles import refuse_unseen


def required_person(who: str) -> str:
    """The name of who acts; Refused without one."""
    return required_text(who, "name of the person who does this")


def required_text(text: str, what: str) -> str:
    """A text that must be given."""
    if not visible(text):
        raise Refused(f"Enter the {what}. Nothing was changed.")
    return refuse_unseen(text.strip(), what)


def visible(text: str) -> bool:
    """Whether a text has a sign that a person can see.

    >>> visible("door closed"), visible(" \\u00a0\\u200b"), visible("")
    (True, False, False)
    """
    return any(unicodedata.category(sign)[0] not in "ZC" for sign in text)


def check_interval(from_ns: int, to_ns: int) -> None:
    if to_ns <= from_ns:
        raise IntervalError(
            f"The interval is empty: it begins {rfc3339(from_ns)} and ends {rfc3339(to_ns)}; "
            "the end must be after the start."
        )
