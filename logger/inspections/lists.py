"""Lists of inspections as people keep them: CSV or a workbook, one row a job, to questions and jobs.

Columns by name, in any order; `zone`, `from` and `to` are wanted, the others may be missing. All
faults of a list are told at once, with their rows.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from ..errors import Refused, StillroomError
from ..instants import parse
from ..model import Inspection
from ..model.figures import number_of

WANTED = ("zone", "from", "to")
COLUMNS = (
    *("key", *WANTED, "title", "part", "material", "length_mm", "tolerance_um"),
    *("machine", "person", "activity"),
)
WORKBOOKS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")
MOST_FAULTS = 20


@dataclass(frozen=True)
class ListedInspection:
    """A job of a list with the number of its row, counted as a person counts them."""

    row: int
    job: Inspection


def read_list(file: Path, zone: ZoneInfo, *, named: bool = True) -> list[ListedInspection]:
    """The inspections of a file; Refused with all faults. `named`: each must have a unique key."""
    head, *rows = _rows(file)
    names = [cell.strip().casefold().replace(" ", "_") for cell in head[1]]
    missing = [w for w in (("key", *WANTED) if named else WANTED) if w not in names]
    if missing:
        raise Refused(
            f"{file}: expected the columns {', '.join(missing)} in its first row (others: "
            f"{', '.join(c for c in COLUMNS if c not in missing)}), found {', '.join(names) or 'nothing'}."
        )
    entries, faults = list[ListedInspection](), list[str]()
    for number, cells in rows:
        try:
            entries.append(
                ListedInspection(number, _inspection(dict(zip(names, cells, strict=False)), number, zone))
            )
        except (StillroomError, ValueError) as fault:
            faults.append(f"row {number}: {fault}")
    faults += _twice(entries) if named else []
    if faults:
        more = f"\n  … and {len(faults) - MOST_FAULTS} more" if len(faults) > MOST_FAULTS else ""
        raise Refused(
            f"{file} has {number_of(len(faults), 'fault')}:\n  " + "\n  ".join(faults[:MOST_FAULTS]) + more
        )
    return entries


def _twice(entries: list[ListedInspection]) -> list[str]:
    first_line: dict[str, int] = {}
    faults = []
    for entry in entries:
        if entry.job.key in first_line:
            faults.append(
                f"row {entry.row}: key {entry.job.key!r} is in row {first_line[entry.job.key]}, too"
            )
        first_line.setdefault(entry.job.key, entry.row)
    return faults


def _rows(file: Path) -> list[tuple[int, list[str]]]:
    """Rows with anything in them, with their numbers."""
    from ..imports.outside import sheet_rows

    try:
        content = file.read_bytes()
    except OSError as error:
        raise Refused(f"{file} cannot be read: {error.strerror}.") from None
    rows = sheet_rows(file.name, content) if file.suffix.lower() in WORKBOOKS else _delimiter(content, file)
    if not rows:
        raise Refused(f"{file}: expected a first row with the names of the columns, found nothing.")
    return rows


def _delimiter(content: bytes, file: Path) -> list[tuple[int, list[str]]]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise Refused(f"{file}: expected text in UTF-8, found another byte at {error.start}.") from None
    first = text.partition("\n")[0]
    separator = max(";,\t", key=first.count)
    rows = enumerate(csv.reader(text.splitlines(), delimiter=separator), 1)
    return [(number, cells) for number, cells in rows if any(cell.strip() for cell in cells)]


def _inspection(row: Mapping[str, str], number: int, zone: ZoneInfo) -> Inspection:
    text = {name: row.get(name, "").strip() for name in COLUMNS}
    for name in WANTED:
        if not text[name]:
            raise Refused(f"{name} is missing")
    return Inspection(
        key=text["key"] or f"row {number}",
        zone=text["zone"],
        from_ns=parse(text["from"], zone, "from"),
        to_ns=parse(text["to"], zone, "to"),
        title=text["title"] or text["part"] or text["key"] or f"row {number}",
        part=text["part"],
        material=text["material"],
        length_mm=_number(text["length_mm"], "length_mm"),
        tolerance_um=_number(text["tolerance_um"], "tolerance_um"),
        machine=text["machine"],
        person=text["person"],
        activity=text["activity"],
    )


def _number(text: str, name: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise Refused(f"{name}: expected a number, found {text!r}") from None
    if not 0 < value < 1e6:
        raise Refused(f"{name}: expected a number above 0, found {text}")
    return value
