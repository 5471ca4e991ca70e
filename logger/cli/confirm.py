"""Certificates, shown to a person before they are relied on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from .options import DEFAULT_DATA, Config, Data, Json
from .output import answer, table

if TYPE_CHECKING:
    from ..formats.dcc import Dcc, Point, Table


def add_to(app: typer.Typer) -> None:
    app.command("confirm")(confirm)


def confirm(
    *,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A Digital Calibration Certificate (XML).")],
    data: Data = DEFAULT_DATA,  # noqa: ARG001 (every command takes both folders)
    config: Config = None,  # noqa: ARG001
    as_json: Json = False,
) -> None:
    """Show what a Digital Calibration Certificate says, as it would be applied, before it is put in use.

    \b
    Compare the table with the paper, above all the sign of the worked point. Nothing is changed.
    Example:
      stillroom confirm certificates/AG-0411.xml
    """
    from ..formats.dcc import LARGEST_BYTES, read

    try:
        # One byte more than is allowed is enough to know.
        with file.open("rb") as opened:
            content = opened.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise Refused(f"{file} cannot be read: {error.strerror or error}.") from None
    found = read(content, str(file))
    answer(_payload(found), as_json, _lines(found, file))


def _payload(found: Dcc) -> dict[str, Any]:
    from dataclasses import asdict

    body = asdict(found)
    body["calibrated_on"] = found.calibrated_on.isoformat()
    body["due_on"] = found.due_on.isoformat() if found.due_on else None
    return body


def _lines(found: Dcc, file: Path) -> list[str]:
    due = f"due {found.due_on}" if found.due_on else "no day of recalibration stated"
    signature = "signature present, not verified" if found.signed else "no signature"
    items = [
        f"  of {' '.join(filter(None, (i.manufacturer, i.model, i.name)))}: {', '.join(i.marks)}"
        for i in found.items
    ]
    return [
        f"Certificate {found.number}, {found.issuer or 'issuer not stated'}, {found.accreditation}".rstrip(
            ", "
        ),
        f"  calibrated on {found.calibrated_on}, {due}; schema {found.schema_version}, {signature}",
        *items,
        *(line for number, each in enumerate(found.tables, start=1) for line in _table(number, each)),
        *(f"  left out: {reason}" for reason in found.left_out),
        "",
        *_to_write(found, file),
    ]


def _table(number: int, each: Table) -> list[str]:
    rows = [
        (
            *(f"{x:.10g}" for x in (p.indication, p.reference)),
            f"{p.correction:+.10g}",
            f"{p.U:.10g}",
            _note(p),
        )
        for p in each.points
    ]
    taken = f", {each.taken}" if each.taken else ""
    head = f"Table {number}: {each.quantity.replace('_', ' ')} in {each.unit}{taken}, U with k = {each.k:g}"
    return [
        "",
        f"{head}; {each.name}",
        *table(("indication", "reference", "correction", "U", ""), rows),
        f"  worked point: {worked_point(each)}",
    ]


def _note(point: Point) -> str:
    return f"mean of {point.merged}" if point.merged > 1 else ""


def worked_point(each: Table) -> str:
    """The point with the largest correction, where a turned sign shows most."""
    point = max(each.points, key=lambda p: abs(p.correction))
    return f"indicates {point.indication:.10g} -> corrected {point.reference:.10g} {each.unit}"


def _to_write(found: Dcc, file: Path) -> list[str]:
    quantities = list(dict.fromkeys(each.quantity for each in found.tables))
    lines = [f"To put it in use, write certificates/{file.stem}.toml beside it:", ""]
    lines += [f'dcc = "{file.name}"', f'sha256 = "{found.sha256}"']
    for quantity in quantities:
        several = sum(each.quantity == quantity and each.taken != "as found" for each in found.tables) > 1
        lines += [
            "",
            "[[use]]",
            f'channel = "...{quantity}"',
            "valid_from = ...   # the day it is put in use",
        ]
        lines += ["table = ...   # the number of one of the tables above"] if several else []
        lines += [] if found.due_on else ["due_on = ...   # as your own schedule has it"]
    return lines
