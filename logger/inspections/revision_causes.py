"""Why a verdict was judged anew: what was entered since its revision before, in words."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from ..instants import NS, parse
from ..model import Inspection
from ..store import JournalEntry, Store

MOST = 3  # named one by one; more are counted
BEFORE_NS = 2 * 86_400 * NS  # a mark acts on what settles after it
_UTC = ZoneInfo("UTC")
_KINDS = ("setup", "setup-approved", "mark", "decision", "import", "clock-comparison", "clock-correction")


def causes_since(store: Store, entry: int, inspection: Inspection) -> str:
    """What was entered after a journal entry and may have changed a verdict, in words.

    Where nothing was, readings came that had not arrived before.
    """
    entries = sorted(
        (e for kind in _KINDS for e in store.journal.entries(after=entry, kind=kind)), key=lambda e: e.number
    )
    causes = list(dict.fromkeys(words for e in entries if (words := _words(e, inspection))))
    if len(causes) > MOST:
        causes = [*causes[:MOST], f"{len(causes) - MOST} more entries"]
    return "; ".join(causes) or "readings that had not arrived before"


def _words(entry: JournalEntry, inspection: Inspection) -> str:
    what: Any = entry.what
    if entry.kind in ("setup", "setup-approved"):
        why = str(what.get("reason") or entry.why)
        return f"setup {what['version']}: {why}" if why else f"setup {what['version']}"
    if entry.kind == "mark":
        return f"time marked: {entry.why}" if _concerns(what, inspection) else ""
    if entry.kind == "import":
        return f"file {what['name']} was imported"
    return "a decision between values" if entry.kind == "decision" else "a clock was compared"


def _concerns(what: Any, inspection: Inspection) -> bool:
    """Whether a mark is about the zone of an inspection, and its time or the days before."""
    begin, end = (parse(str(what[key]), _UTC) for key in ("from", "to"))
    until = end if inspection.to_ns is None else inspection.to_ns
    return what["zone"] == inspection.zone and begin < until and end > inspection.from_ns - BEFORE_NS
