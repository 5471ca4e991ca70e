"""Digital Calibration Certificates put in use: certificates/X.xml by certificates/X.toml beside it.

    dcc = "X.xml"
    sha256 = "..."                  what `stillroom confirm` printed with the table that a person looked at

    [[use]]
    channel = "P1.temperature"
    valid_from = 2026-10-01

What comes out is a certificate like any other, so that every check of those holds for these.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import Any

from ..errors import CertificateRefused, Fault, ImportRefused
from ..formats.dcc import Dcc, PointTable, content_of
from ..formats.toml import Entry, nearest, validated
from . import schema
from .outside import certificate_of
from .tables import CertificateEntry, Tables, claim, unknown


def add_uses(tables: Tables, texts: Mapping[str, str]) -> None:
    """Append the certificates that uses make, and the faults of files that do not belong together."""
    used = set()
    for source in tables.uses:
        entry = validated(schema.DccFile, source.tables, source, (), tables.faults)
        if entry is None:
            continue
        file = str(PurePosixPath(source.file).parent / entry.value.dcc)
        used.add(file)
        certificate = _certificate(tables, entry, file, texts)
        if certificate and claim(tables, source, "certificate", certificate.number, ("dcc",)):
            _add(tables, entry, certificate)
    if all(source.file not in {f.file for f in tables.faults} for source in tables.uses):
        tables.faults += _unused(texts, used)


def _unused(texts: Mapping[str, str], used: set[str]) -> list[Fault]:
    expected = (
        "a TOML file with `dcc`, `sha256` and [[use]] beside it; `stillroom confirm` shows what to write"
    )
    files = sorted(f for f in texts if f.endswith(".xml") and f not in used)
    return [Fault(file, "", "", expected, "a certificate that no [[use]] names") for file in files]


def _certificate(
    tables: Tables, entry: Entry[schema.DccFile], file: str, texts: Mapping[str, str]
) -> Dcc | None:
    documents = [PurePosixPath(f).name for f in texts if f.endswith(".xml")]
    if file not in texts:
        expected = nearest(entry.value.dcc, documents).replace("name", "XML file beside this one", 1)
        tables.faults.append(entry.fault("dcc", expected, repr(entry.value.dcc)))
        return None
    try:
        certificate = certificate_of(content_of(texts[file]), file)
    except CertificateRefused as error:
        tables.faults.append(Fault(file, "", "", error.expected, error.found))
        return None
    except ImportRefused as error:
        expected = "a certificate that can be read within the limits of memory and time"
        tables.faults.append(Fault(file, "", "", expected, str(error).removeprefix(f"{file}: ")))
        return None
    if certificate.sha256 != entry.value.sha256:
        expected = (
            f"that of {entry.value.dcc}, {certificate.sha256}, after `stillroom confirm` showed its table"
        )
        tables.faults.append(entry.fault("sha256", expected, entry.value.sha256))
    return certificate


def _add(tables: Tables, entry: Entry[schema.DccFile], certificate: Dcc) -> None:
    numbers: set[str] = set()
    for number, raw in enumerate(entry.value.use):
        path = ("use", number)
        use = validated(schema.UseTable, raw, entry.source, path, tables.faults)
        if use is None:
            continue
        if use.value.channel in numbers:
            tables.faults.append(
                use.fault("channel", "one use for each channel", f"{use.value.channel} twice")
            )
        numbers.add(use.value.channel)
        channel = tables.channels.get(use.value.channel)
        if channel is None:
            channels = tables.names_of("channel")
            if use.value.channel not in channels:
                tables.faults.append(unknown(use, "channel", use.value.channel, channels, "channel"))
            continue
        table = _table(tables, use, certificate, channel.value.quantity)
        if table is not None:
            _put_in_use(tables, use, certificate, table)


def _table(tables: Tables, use: Entry[schema.UseTable], certificate: Dcc, quantity: str) -> PointTable | None:
    """The table that was asked for, or the only one of the quantity; as left goes before as found."""
    fitting = [t for t in certificate.tables if t.quantity == quantity]
    if use.value.table is not None:
        selected = certificate.tables[use.value.table - 1 : use.value.table]
        if selected and selected[0] in fitting:
            return selected[0]
    elif len(fitting_after := [t for t in fitting if t.taken != "as found"]) == 1:
        return fitting_after[0]
    elif len(fitting) == 1:
        return fitting[0]
    listed = ", ".join(
        f"{n} {t.quantity} {t.taken}".strip() for n, t in enumerate(certificate.tables, start=1)
    )
    expected = f"the number of a table of {quantity}"
    choice = f"{use.value.table or 'no number'}; the certificate has {listed}"
    tables.faults.append(use.fault("table", expected, "; ".join([choice, *certificate.left_out])))
    return None


def _put_in_use(tables: Tables, use: Entry[schema.UseTable], certificate: Dcc, table: PointTable) -> None:
    chosen = use.value
    indications = [point.indication for point in table.points]
    due_on = chosen.due_on or certificate.due_on
    raw: dict[str, Any] = chosen.model_dump(exclude={"table"}, exclude_none=True) | {
        "number": certificate.number,
        "serial": _serial(tables, chosen.channel, certificate),
        "issuer": certificate.issuer or "not stated",
        "accreditation": certificate.accreditation,
        "calibrated_on": certificate.calibrated_on,
        "unit": table.unit,
        "k": table.k,
        "range": chosen.range or [indications[0], indications[-1]],
        "taken": table.taken or None,
        "references": chosen.references or list(certificate.references),
        "points": [{}],
    }
    raw |= {"due_on": due_on} if due_on else {}
    head = validated(schema.CertificateFile, raw, use.source, use.path, tables.faults)
    points = [{"indication": p.indication, "correction": p.correction, "U": p.U} for p in table.points]
    points_read = [validated(schema.PointTable, p, use.source, use.path, tables.faults) for p in points]
    if head is not None:
        tables.certificates.append(CertificateEntry(head, tuple(p for p in points_read if p)))


def _serial(tables: Tables, channel: str, certificate: Dcc) -> str:
    """The mark that is the probe's serial number; else all of them, for the fault that follows."""
    marks = [mark for item in certificate.items for mark in item.marks]
    probe = tables.probes.get(channel.rsplit(".", 1)[0])
    if probe is not None and probe.value.serial in marks:
        return probe.value.serial
    return " or ".join(marks) or "none"
