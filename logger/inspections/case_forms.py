"""Forms of cases as plain data: in lists and answers over HTTP, in records, packages and case sheets.

Instants are RFC 3339 in UTC; values are in the unit that stands beside them, U is expanded (k = 2).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NotRequired, TypedDict

from ..model import Verdict
from ..model.plain_forms import ExcursionForm


class Act(TypedDict):
    """Who did something and when, and the entry of the journal; `proven` where it was asked."""

    who: str
    at: str
    entry: int
    proven: NotRequired[bool | None]


class CaseInspection(TypedDict):
    """An affected inspection and the decision on it; None while it is missing.

    Its verdict and effect are those of the inspection itself, and stand in records and packages alone.
    """

    inspection: str
    decision: str | None
    customer: NotRequired[str]
    why: NotRequired[str]
    who: NotRequired[str]
    at: NotRequired[str]
    entry: NotRequired[int]
    proven: NotRequired[bool | None]
    verdict: NotRequired[Verdict]
    reason: NotRequired[str]
    effect_um: NotRequired[float | None]
    share_of_tolerance: NotRequired[float | None]
    title: NotRequired[str]


CaseSummary = TypedDict(
    "CaseSummary",
    {
        "case": int | None,
        "continued": Sequence[int],
        "revision": int,
        "state": str,
        "in_use": bool,
        "cause": str,
        "zones": Sequence[str],
        "from": str,
        "to": str,
        "settled": dict[str, str],
        "runs": Sequence[ExcursionForm],
    },
)
CaseSummary.__doc__ = """A case without what people wrote and without inspections."""


class CaseForm(CaseSummary):
    """All of a case: texts by their names, and who wrote each."""

    texts: dict[str, str]
    written: dict[str, Act]
    inspections: list[CaseInspection]
    missing: Sequence[str]
    reopened: str | None
    closed: Act | None
