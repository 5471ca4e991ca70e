"""The register of probes as a paper and as CSV: everything that ISO/IEC 17025:2017, 6.4.13 asks for.

Identity with serial number and firmware, maker's description, position, calibrations with their dates,
results and criteria, due day; and what an entry lacks.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from ..core.calibration.status import RegisterEntry, register
from ..instants import rfc3339, wall
from ..model import Certificate, Setup
from ..model.figures import channel_words, unit_name
from .paper import compile_paper, frame, section

COLUMNS = (
    *("channel", "probe", "serial", "firmware", "description", "quantity", "unit", "range", "used_range"),
    *(
        "resolution",
        "position",
        "zone",
        "medium",
        "certificate",
        "laboratory",
        "accreditation",
        "calibrated_on",
    ),
    *("valid_from", "due", "errors", "as_found", "U", "k", "drift", "certificate_range", "file"),
    *("status", "missing"),
)


def register_rows(setup: Setup, at_ns: int) -> list[dict[str, Any]]:
    """One row a channel, every column of COLUMNS; None where a thing is not stated."""
    return [_row(setup, entry) for entry in register(setup, at_ns)]


def _row(setup: Setup, entry: RegisterEntry) -> dict[str, Any]:
    channel, place = setup.channels[entry.confirmation.channel], entry.position
    zone = setup.zones.get(place.zone) if place else None
    return {
        "channel": channel.key,
        "probe": entry.probe,
        "serial": entry.serial,
        "firmware": setup.probes[entry.probe].firmware or None,
        "description": entry.description,
        "quantity": channel.quantity,
        "unit": channel.unit,
        "range": span_text(channel.probe_span),
        "used_range": span_text(channel.user_span),
        "resolution": channel.resolution,
        "position": place.name if place else None,
        "zone": zone.name if zone else None,
        "medium": place.medium if place else None,
        **_certificate(entry.confirmation.certificate),
        "due": entry.confirmation.due.isoformat() if entry.confirmation.due else None,
        "status": entry.confirmation.status,
        "missing": ", ".join(entry.missing),
    }


def span_text(span: tuple[float, float] | None) -> str | None:
    """A range as text.

    >>> span_text((-40.0, 60.0)), span_text(None)
    ('-40 to 60', None)
    """
    return None if span is None else f"{span[0]:g} to {span[1]:g}"


def _certificate(c: Certificate | None) -> dict[str, Any]:
    names = (
        "certificate",
        "laboratory",
        "accreditation",
        "calibrated_on",
        "valid_from",
        "errors",
        "as_found",
    )
    if c is None:
        return dict.fromkeys((*names, "U", "k", "drift", "certificate_range", "file"))
    errors = [(at, 0.0 - value) for at, value in zip(c.indications, c.corrections, strict=True)]
    as_found = [] if c.as_found is None else zip(c.as_found.indications, c.as_found.errors, strict=True)
    return {
        "certificate": c.number,
        "laboratory": c.issuer,
        "accreditation": c.accreditation or None,
        "calibrated_on": c.calibrated_on,
        "valid_from": rfc3339(c.valid_from_ns),
        "errors": _error_text(errors),
        "as_found": _error_text(as_found) or None,
        "U": "; ".join(f"{value:g}" for value in c.U),
        "k": c.k,
        "drift": c.drift,
        "certificate_range": span_text(c.range),
        "file": f"certificates/{c.number}",
    }


def _error_text(errors: Iterable[tuple[float, float]]) -> str:
    return "; ".join(f"{error:+.6g} at {at:g}" for at, error in errors)


def register_csv(setup: Setup, at_ns: int) -> bytes:
    """The register as CSV in UTF-8; a text that would run as a formula gets a leading '."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in register_rows(setup, at_ns):
        writer.writerow([_cell(row[name]) for name in COLUMNS])
    return out.getvalue().encode()


def _cell(value: Any) -> Any:
    text = isinstance(value, str) and value[:1] in "=@\t\r"
    formula = isinstance(value, str) and value[:1] in "+-" and not value[1:2].isdigit()
    return f"'{value}" if value and (text or formula) else value


def register_pdf(setup: Setup, at_ns: int, *, simulated: bool) -> bytes:
    """The register as PDF, A4 across: instruments first, then their calibrations."""
    rows = register_rows(setup, at_ns)
    short = sum(bool(row["missing"]) for row in rows)
    noun = "channel" if len(rows) == 1 else "channels"
    words = frame(setup, "Register of probes", simulated=simulated) | {
        "sentence": f"{len(rows)} {noun}, {short} of them not complete.",
        "because": f"As of {wall(at_ns, ZoneInfo(setup.room.timezone))}. Errors: indication minus reference, "
        "in the unit of U; drift allowed: the criterion by which a calibration accepts the one before it.",
        "sections": [_instruments(rows), _calibrations(rows)],
    }
    return compile_paper("register", words, at_ns)


def _instruments(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    heads = ["Channel", "Serial", "Firmware", "Instrument", "Range", "Resolution", "Position", "Status"]
    lines = [
        [
            channel_words(r["channel"]), r["serial"], r["firmware"] or "not stated", r["description"],
            _minus(f"{r['range']} {unit_name(r['unit'])}"), f"{r['resolution']:g} {_own(r)}", _place(r),
            _status(r),
        ]
        for r in rows
    ]  # fmt: skip
    return section("Instruments", heads, "lllwllll", lines, "There is no probe.")


def _calibrations(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    heads = [
        "Channel",
        "Certificate",
        "Laboratory",
        "Calibrated",
        "Due",
        "Errors",
        "U",
        "Drift allowed",
        "Entry",
    ]
    lines = [
        [
            channel_words(r["channel"]), r["certificate"] or "none", _laboratory(r), r["calibrated_on"] or "",
            r["due"] or "", _minus(_errors(r)),
            f"{_once(r['U'])} {_own(r)} (k = {r['k']:g})" if r["U"] else "",
            f"{r['drift']:g} {_own(r)}" if r["drift"] else "",
            f"missing: {r['missing']}" if r["missing"] else "complete",
        ]
        for r in rows
    ]  # fmt: skip
    return section("Calibrations", heads, "lllllwlll", lines, "There is none.")


def _own(r: dict[str, Any]) -> str:
    """The unit of a difference of readings."""
    return {"degC": "K"}.get(r["unit"], unit_name(r["unit"]))


def _minus(text: str) -> str:
    """A true minus sign before each negative number.

    >>> _minus("-40 to 60 °C"), _minus("+0.02 at -20; -0.01 at 20")
    ('−40 to 60 °C', '+0.02 at −20; −0.01 at 20')
    """
    return re.sub(r"(?<![\w-])-(?=\d)", "−", text)


def _once(text: str) -> str:
    """Equal values of all points, said once.

    >>> _once("0.06; 0.06; 0.06"), _once("0.06; 0.08")
    ('0.06', '0.06; 0.08')
    """
    values = list(dict.fromkeys(text.split("; ")))
    return values[0] if len(values) == 1 else text


def _status(r: dict[str, Any]) -> str:
    return "valid" if r["status"] == "confirmed" else str(r["status"])


def _errors(r: dict[str, Any]) -> str:
    """Errors, with those that were found before an adjustment."""
    return f"{r['errors'] or ''}" + (f"; before adjustment {r['as_found']}" if r["as_found"] else "")


def _place(r: dict[str, Any]) -> str:
    return f"{r['position']}, {r['medium']}" if r["position"] else "none"


def _laboratory(r: dict[str, Any]) -> str:
    return f"{r['laboratory']}, {r['accreditation'] or 'no accreditation number'}" if r["laboratory"] else ""
