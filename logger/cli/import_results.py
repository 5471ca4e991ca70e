"""Results of an import as plain data and as lines of text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..instants import rfc3339, wall
from ..model.figures import number_of
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


def preview_dict(preview: Preview) -> dict[str, Any]:
    def row(preview_row: Any) -> dict[str, Any]:
        return {
            "line": preview_row.line,
            "at": rfc3339(preview_row.taken_ns),
            "values": dict(preview_row.values),
        }

    axes = [
        {
            "channel": a.channel,
            "readings": a.rows,
            "step_s": a.step_s,
            "gaps": [[rfc3339(begin), rfc3339(end)] for begin, end in a.gaps],
            "low": a.low,
            "high": a.high,
        }
        for a in preview.axes
    ]
    ends = {"first": [row(r) for r in preview.first], "last": [row(r) for r in preview.last]}
    return {**ends, "flagged": [row(r) for r in preview.flagged], "axes": axes}


def _conflict(c: Conflict) -> dict[str, Any]:
    return {"channel": c.channel, "taken": rfc3339(c.taken_ns), "stored": c.stored, "found": c.incoming}


def result_lines(
    results: Sequence[ImportResult], dry_run: bool, previews: Sequence[Preview | None], zone: ZoneInfo
) -> list[str]:
    from ..imports.preview import lines_of

    total = sum(r.stored for r in results)
    heads = ("file", "rows", "stored", "there already", "conflicts", "without value", "from", "to")
    rows = [_row(r, zone) for r in results]
    notes = [f"  {r.name}: {note}" for r in results for note in r.assumed]
    notes += [f"  {r.name}: imported before, nothing to do" for r in results if r.already]
    if not dry_run and any(r.conflicts for r in results):
        notes.append("  conflicting values need a decision: stillroom conflict list")
    preview_lines = [line for preview in previews if preview is not None for line in ("", *lines_of(preview))]
    verb = "would be" if dry_run else "is" if total == 1 else "are"
    first = f"{number_of(total, 'reading')} {verb} stored."
    return [first, "", *table(heads, rows), *preview_lines, "", *notes]


def _row(r: ImportResult, zone: ZoneInfo) -> tuple[Any, ...]:
    ends = [None if at is None else wall(at, zone) for at in (r.first_ns, r.last_ns)]
    return r.name, r.rows, r.stored, r.duplicates, len(r.conflicts), r.flagged, *ends
