"""The stamp: one line for an inspection report that refers to the verdict by its digest."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from ...errors import Refused
from ...instants import parse
from ...model.plain_forms import CheckAnswer

_UTC = ZoneInfo("UTC")
_FORM = re.compile(
    r"stillroom: (?P<zone>\S+) (?P<start>\S+)/(?P<end>\S+), pre-window (?P<pre>\d+) s"
    r"(, activity \"(?P<activity>[^\"]*)\")?: (?P<verdict>stable|not stable|not shown)"
    r"(?P<young> \(provisional\))?, (?P<digest>[0-9a-f]{64})"
)


@dataclass(frozen=True)
class Stamp:
    """Content of a stamp."""

    zone: str
    from_ns: int
    to_ns: int
    pre_window_s: int
    activity: str
    verdict: str
    provisional: bool
    digest: str


def stamp_text(answer: Mapping[str, Any] | CheckAnswer) -> str:
    """The line for a check as plain data.

    >>> stamp_text({"zone": "bay", "from": "2026-10-19T08:00:00Z", "to": "2026-10-19T09:00:00Z",
    ...        "pre_window_s": 7200, "activity": "", "verdict": "stable", "provisional": False,
    ...        "digest": "ab" * 32})[:82]
    'stillroom: bay 2026-10-19T08:00:00Z/2026-10-19T09:00:00Z, pre-window 7200 s: stabl'
    """
    activity = f', activity "{answer["activity"]}"' if answer["activity"] else ""
    provisional = " (provisional)" if answer["provisional"] else ""
    return (
        f"stillroom: {answer['zone']} {answer['from']}/{answer['to']}, pre-window {answer['pre_window_s']} s"
        f"{activity}: {answer['verdict']}{provisional}, {answer['digest']}"
    )


def read_stamp(text: str) -> Stamp:
    """A stamp from the text of a report, whatever its line breaks and blanks; Refused where it is none.

    >>> read_stamp("stillroom: bay 2026-10-19T08:00:00Z/2026-10-19T09:00:00Z,  pre-window 60 s: not shown,\\n"
    ...            + "cd" * 32).verdict
    'not shown'
    """
    match = _FORM.search(" ".join(text.split()))
    if match is None:
        raise Refused(
            "stamp: expected the whole line as in 'stillroom: <zone> <start>/<end>, pre-window … s: stable, "
            f"<64 digits>', found {text[:120]!r}."
        )
    return Stamp(
        zone=match["zone"],
        from_ns=parse(match["start"], _UTC, "start of the stamp"),
        to_ns=parse(match["end"], _UTC, "end of the stamp"),
        pre_window_s=int(match["pre"]),
        activity=match["activity"] or "",
        verdict=match["verdict"],
        provisional=bool(match["young"]),
        digest=match["digest"],
    )
