"""Probes on paper: where they stood, by which certificate they were corrected, and both worked out again."""

from __future__ import annotations

from collections.abc import Iterator
from zoneinfo import ZoneInfo

from ..instants import parse, wall
from .corrections import as_found_words, correction_points
from .fact_forms import CertificateFacts, JudgedFacts, StayFacts
from .print_words import Note, Row, Table, at, table, unit


def probes(facts: JudgedFacts, zone: ZoneInfo) -> Table:
    """One table: a row for each certificate of a channel, and below it what its correction consists of."""
    rows = [row for stay in facts["probes"] for row in _rows_of(stay, facts, zone)]
    heads = ("Channel", "Certificate", "Calibrated", "Due", "U (k = 2)", "Status")
    return table("Probes, certificates and corrections", heads, "lllllw", rows, "No probe was in the zone.")


def _rows_of(stay: StayFacts, facts: JudgedFacts, zone: ZoneInfo) -> Iterator[Row | Note]:
    x, y, z = stay["xyz_m"]
    place = f"Serial {stay['serial']}, {stay['position']} ({stay['medium']}; {x:.2f} / {y:.2f} / {z:.2f} m)"
    place += _stay_words(stay, facts, zone)
    for c in stay["certificates"]:
        U = f"{2 * c['U'] / c['k']:.3g} {unit(c['unit'])}"
        due = _last_day(c["due"], zone)
        yield c["channel"], c["number"], c["calibrated_on"], due, U, _status(c)
        yield {"note": f"{place}. {_parts(c, zone)}"}
    for channel in stay.get("without_certificate", ()):  # records of before do not say it
        yield channel, "no certificate", "", "", "", "not calibrated: no verdict"
        yield {"note": f"{place}."}


def _stay_words(stay: StayFacts, facts: JudgedFacts, zone: ZoneInfo) -> str:
    """Since or until when, where that lies inside the interval."""
    begin, end = parse(facts["from"], zone), parse(facts["to"], zone)
    since = f", from {at(stay['from'], zone)}" if parse(stay["from"], zone) > begin else ""
    until = stay["to"] is not None and parse(stay["to"], zone) < end
    return since + (f", until {at(stay['to'], zone)}" if until else "")


def _status(c: CertificateFacts) -> str:
    return "valid" if c["status"] == "confirmed" else str(c["status"])


def _parts(c: CertificateFacts, zone: ZoneInfo) -> str:
    """Points and allowances as stated, then the correction and U as they acted in this interval."""
    issuer = f"{c['issuer']} ({c['accreditation']})" if c["accreditation"] else c["issuer"]
    units = units_of(c)
    stated = f"{issuer}: corrections ({units}) {correction_points(c)}. Drift ±{c['drift']:g}, "
    stated += f"resolution {c['resolution']:g}, noise {c['noise']:g}, other {c['other_u']:g}."
    if c["as_found"]:
        stated += f" Found later by {as_found_words(c['as_found'], units, zone)}."
    trace = c.get("worked_out")
    return stated if not trace else f"{stated} On {at(trace['at'], zone)}, {trace['text']}."


def units_of(c: CertificateFacts) -> str:
    """The units of a correction and of the indication at which it is stated."""
    return "K at °C" if c["unit"] == "K" else unit(c["unit"])


def _last_day(due: str | None, zone: ZoneInfo) -> str:
    """`due` is the first instant after the due day."""
    return "not stated" if due is None else wall(parse(due, zone) - 1, zone)[:10]
