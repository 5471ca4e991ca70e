"""One line for an inspection report that leads back to the verdict and its digest."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from ...errors import Refused
from ...instants import parse

_UTC = ZoneInfo("UTC")
_FORM = re.compile(
    r"stillroom: (?P<zone>\S+) (?P<start>\S+)/(?P<end>\S+), pre-window (?P<pre>\d+) s"
    r"(, activity \"(?P<activity>[^\"]*)\")?: (?P<verdict>stable|not stable|not shown)"
    r"(?P<young> \(provisional\))?, (?P<digest>[0-9a-f]{64})"
)


@dataclass(frozen=True)
class Stamp:
    """What a stamp says."""

    zone: str
    from_ns: int
    to_ns: int
    pre_window_s: int
    activity: str
    verdict: str
    provisional: bool
    digest: str


def stamp(told: Mapping[str, Any]) -> str:
    """The line for a check as plain data.

    >>> stamp({"zone": "bay", "from": "2026-10-19T08:00:00Z", "to": "2026-10-19T09:00:00Z",
    ...        "pre_window_s": 7200, "activity": "", "verdict": "stable", "provisional": False,
    ...        "digest": "ab" * 32})[:82]
    'stillroom: bay 2026-10-19T08:00:00Z/2026-10-19T09:00:00Z, pre-window 7200 s: stabl'
    """
    activity = f', activity "{told["activity"]}"' if told["activity"] else ""
    young = " (provisional)" if told["provisional"] else ""
    return (
        f"stillroom: {told['zone']} {told['from']}/{told['to']}, pre-window {told['pre_window_s']} s"
        f"{activity}: {told['verdict']}{young}, {told['digest']}"
    )


def read_stamp(text: str) -> Stamp:
    """A stamp as a report has it: line breaks and further blanks do not matter; Refused where it is none.

    >>> read_stamp("stillroom: bay 2026-10-19T08:00:00Z/2026-10-19T09:00:00Z,  pre-window 60 s: not shown,\\n"
    ...            + "cd" * 32).verdict
    'not shown'
    """
    found = _FORM.search(" ".join(text.split()))
    if found is None:
        raise Refused(
            "stamp: wanted the whole line as in 'stillroom: <zone> <start>/<end>, pre-window … s: stable, "
            f"<64 digits>', found {text[:120]!r}."
        )
    return Stamp(
        zone=found["zone"],
        from_ns=parse(found["start"], _UTC, "start of the stamp"),
        to_ns=parse(found["end"], _UTC, "end of the stamp"),
        pre_window_s=int(found["pre"]),
        activity=found["activity"] or "",
        verdict=found["verdict"],
        provisional=bool(found["young"]),
        digest=found["digest"],
    )
