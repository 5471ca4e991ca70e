"""The head of a certificate and its tables."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from ...errors import CertificateRefused
from .document import DCC, SIGNATURE, every, name_of, root_of, text_at, tokens, within
from .tables import PointTable, tables_of

if TYPE_CHECKING:
    from lxml.etree import _Element as Element


@dataclass(frozen=True)
class Item:
    """What was calibrated. `marks` are its serial and inventory numbers, in the order in which they stand."""

    name: str
    manufacturer: str
    model: str
    marks: tuple[str, ...]


@dataclass(frozen=True)
class Dcc:
    """A certificate as read. `left_out`: results that cannot be used, with the reason of each.

    `due_on` is the recommended day of recalibration, which a certificate need not state; `signed`
    says that a signature is present, and nothing of whether it is true. `references` are the marks of the
    measuring equipment that was used, or its name where it has no mark.
    """

    number: str
    issuer: str
    accreditation: str
    calibrated_on: date
    due_on: date | None
    items: tuple[Item, ...]
    tables: tuple[PointTable, ...]
    left_out: tuple[str, ...]
    schema_version: str
    signed: bool
    sha256: str
    references: tuple[str, ...] = ()


def read(content: bytes, name: str) -> Dcc:
    """A certificate from its bytes; `name` is that of the file. CertificateRefused where it is none."""
    root = root_of(content, name)
    number = text_at(root, "administrativeData", "coreData", "uniqueIdentifier")
    if not number:
        raise CertificateRefused(name, "a unique identifier", "none")
    tables, left_out = tables_of(root)
    if not tables:
        more = [f"and {len(left_out) - 10} more"] if len(left_out) > 10 else []
        listing = "; ".join([*left_out[:10], *more]) or "none"
        raise CertificateRefused(name, "a table of temperature, relative humidity or pressure", listing)
    laboratory = within(root, "administrativeData", "calibrationLaboratory")
    return Dcc(
        number=number,
        issuer="" if laboratory is None else name_of(laboratory, "contact", "name"),
        accreditation="" if laboratory is None else text_at(laboratory, "calibrationLaboratoryCode"),
        calibrated_on=_calibrated_on(root, name),
        due_on=_due_on(root, name),
        items=tuple(_item(item) for item in every(root, "item")),
        tables=tables,
        left_out=left_out,
        schema_version=root.get("schemaVersion", ""),
        signed=next(root.iter(SIGNATURE), None) is not None,
        sha256=hashlib.sha256(content).hexdigest(),
        references=_references(root),
    )


def _calibrated_on(root: Element, name: str) -> date:
    core = ("administrativeData", "coreData")
    day = text_at(root, *core, "endPerformanceDate") or text_at(root, *core, "beginPerformanceDate")
    if not day:
        raise CertificateRefused(name, "the day of calibration (endPerformanceDate)", "none")
    return _day(day, name)


def _due_on(root: Element, name: str) -> date | None:
    """The earliest day of recalibration that a statement recommends."""
    statements = [s for s in every(root, "statement") if any("recalibration" in w.lower() for w in tokens(s))]
    days = [_day(day, name) for s in statements if (day := text_at(s, "date"))]
    return min(days, default=None)


def _day(text: str, name: str) -> date:
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        raise CertificateRefused(name, "a day such as 2026-10-01", repr(text)) from None


def _item(item: Element) -> Item:
    return Item(
        name=name_of(item, "name"),
        manufacturer=name_of(item, "manufacturer", "name"),
        model=text_at(item, "model"),
        marks=_identifications(item),
    )


def _references(root: Element) -> tuple[str, ...]:
    return tuple(dict.fromkeys(mark for e in every(root, "measuringEquipment") for mark in _marks(e)))


def _marks(equipment: Element) -> tuple[str, ...]:
    """By what measuring equipment is called: its marks, else its name."""
    name = name_of(equipment, "name")
    return _identifications(equipment) or ((name,) if name else ())


def _identifications(thing: Element) -> tuple[str, ...]:
    marks = (text_at(i, "value") for i in thing.findall(f"{DCC}identifications/{DCC}identification"))
    return tuple(mark for mark in marks if mark)
