"""Certificates, shown to a person before they are relied on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from .options import DEFAULT_DATA, Config, Data, Json
from .output import answer, table

if TYPE_CHECKING:
    from ..formats.dcc import Dcc, PointTable, TablePoint


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
    from ..config.outside import certificate_of
    from ..formats.dcc import LARGEST_BYTES

    try:
        # One byte more than is allowed is enough to know.
        with file.open("rb") as stream:
            content = stream.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise Refused(f"{file} cannot be read: {error.strerror or error}.") from None
    certificate = certificate_of(content, str(file))
    answer(_payload(certificate), as_json, _lines(certificate, file))


def _payload(certificate: Dcc) -> dict[str, Any]:
    from dataclasses import asdict

    body = asdict(certificate)
    body["calibrated_on"] = certificate.calibrated_on.isoformat()
    body["due_on"] = certificate.due_on.isoformat() if certificate.due_on else None
    return body


def _lines(certificate: Dcc, file: Path) -> list[str]:
    due = f"due {certificate.due_on}" if certificate.due_on else "no recalibration date stated"
    signature = "signature present, not verified" if certificate.signed else "no signature"
    items = [
        f"  of {' '.join(filter(None, (i.manufacturer, i.model, i.name)))}: {', '.join(i.marks)}"
        for i in certificate.items
    ]
    issuer = certificate.issuer or "issuer not stated"
    calibrated = f"calibrated on {certificate.calibrated_on}, {due}"
    return [
        f"Certificate {certificate.number}, {issuer}, {certificate.accreditation}".rstrip(", "),
        f"  {calibrated}; schema {certificate.schema_version}, {signature}",
        *items,
        *(line for number, t in enumerate(certificate.tables, start=1) for line in _table(number, t)),
        *(f"  left out: {reason}" for reason in certificate.left_out),
        "",
        *_to_write(certificate, file),
    ]


def _table(number: int, t: PointTable) -> list[str]:
    rows = [
        (
            *(f"{x:.10g}" for x in (p.indication, p.reference)),
            f"{p.correction:+.10g}",
            f"{p.U:.10g}",
            _note(p),
        )
        for p in t.points
    ]
    adjustment = f", {t.taken}" if t.taken else ""
    head = f"Table {number}: {t.quantity.replace('_', ' ')} in {t.unit}{adjustment}, U with k = {t.k:g}"
    return [
        "",
        f"{head}; {t.name}",
        *table(("indication", "reference", "correction", "U", ""), rows),
        f"  worked point: {worked_point(t)}",
    ]


def _note(point: TablePoint) -> str:
    return f"mean of {point.merged}" if point.merged > 1 else ""


def worked_point(t: PointTable) -> str:
    """The point with the largest correction, where a turned sign shows most."""
    point = max(t.points, key=lambda p: abs(p.correction))
    return f"indicates {point.indication:.10g} -> corrected {point.reference:.10g} {t.unit}"


def _to_write(certificate: Dcc, file: Path) -> list[str]:
    quantities = list(dict.fromkeys(t.quantity for t in certificate.tables))
    lines = [f"To put it in use, write certificates/{file.stem}.toml beside it:", ""]
    lines += [f'dcc = "{file.name}"', f'sha256 = "{certificate.sha256}"']
    for quantity in quantities:
        several = sum(t.quantity == quantity and t.taken != "as found" for t in certificate.tables) > 1
        lines += [
            "",
            "[[use]]",
            f'channel = "...{quantity}"',
            "valid_from = ...   # the day it is put in use",
        ]
        lines += ["table = ...   # the number of one of the tables above"] if several else []
        lines += [] if certificate.due_on else ["due_on = ...   # as your own schedule has it"]
    return lines
