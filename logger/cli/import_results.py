"""What an import answers: as plain data, and as lines for a person."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..instants import rfc3339
from .output import table

if TYPE_CHECKING:
    from ..imports import Conflict, ImportResult
    from ..imports.preview import Preview


def result_dict(r: ImportResult, dry_run: bool) -> dict[str, Any]:
    return {
        "file": r.name,
        "sha256": r.sha256,
        "dry_run": dry_run,
        "already": r.already,
        "rows": r.rows,
        "stored": r.stored,
        "duplicates": r.duplicates,
        "conflicts": [_conflict(c) for c in r.conflicts],
        "flagged": r.flagged,
        "from": None if r.first_ns is None else rfc3339(r.first_ns),
        "to": None if r.last_ns is None else rfc3339(r.last_ns),
        "assumed": list(r.assumed),
        "left_out": [{"line": line, "text": text} for line, text in r.left_out],
    }


def preview_dict(seen: Preview) -> dict[str, Any]:
    def row(one: Any) -> dict[str, Any]:
        return {"line": one.line, "at": rfc3339(one.taken_ns), "values": dict(one.values)}

    axes = [
        {
            "channel": a.channel,
            "readings": a.rows,
            "step_s": a.step_s,
            "gaps": [[rfc3339(begin), rfc3339(end)] for begin, end in a.gaps],
            "low": a.low,
            "high": a.high,
        }
        for a in seen.axes
    ]
    ends = {"first": [row(r) for r in seen.first], "last": [row(r) for r in seen.last]}
    return {**ends, "flagged": [row(r) for r in seen.flagged], "axes": axes}


def _conflict(c: Conflict) -> dict[str, Any]:
    return {"channel": c.channel, "taken": rfc3339(c.taken_ns), "stored": c.stored, "found": c.found}


def result_lines(done: Sequence[ImportResult], dry_run: bool, shown: Sequence[Preview | None]) -> list[str]:
    from ..imports.preview import lines_of

    total = sum(r.stored for r in done)
    heads = ("file", "rows", "stored", "there already", "conflicts", "without value", "from", "to")
    rows = [_row(r) for r in done]
    notes = [f"  {r.name}: {note}" for r in done for note in r.assumed]
    notes += [f"  {r.name}: imported before, nothing to do" for r in done if r.already]
    if not dry_run and any(r.conflicts for r in done):
        notes.append("  values that contradict others wait for a decision: stillroom conflict list")
    seen = [line for one in shown if one is not None for line in ("", *lines_of(one))]
    first = f"{total} readings would be stored." if dry_run else f"{total} readings are stored."
    return [first, "", *table(heads, rows), *seen, "", *notes]


def _row(r: ImportResult) -> tuple[Any, ...]:
    ends = [None if at is None else rfc3339(at) for at in (r.first_ns, r.last_ns)]
    return r.name, r.rows, r.stored, r.duplicates, len(r.conflicts), r.flagged, *ends
