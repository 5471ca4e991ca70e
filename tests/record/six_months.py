"""Six months of a small gauge room that never was, played by the simulator: what was planted, and its record.

Other numbers than the demo: another room, seed, season, sampling and probes. Planted are a trip of the air
handling in working hours, three set-back weekends, a swap of a probe, a recalibration that found an error, a
gap, readings that came late by a file, and 300 inspections. Nothing is measured.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

from logger.acts.cases import close, note
from logger.acts.inspections import add_inspections, apply_setup
from logger.config import load_texts
from logger.inspections.cases import all_cases, decide_on_case
from logger.instants import NS, parse
from logger.model import Inspection, Row, Setup
from logger.record.issuance import issue
from logger.simulation.room import Disturbance, SimulatedRoom
from logger.store import Store
from logger.verdicts.verdicts import Verdicts

LISBON = ZoneInfo("Europe/Lisbon")
HOUR, MINUTE = 3600 * NS, 60 * NS
EVERY = 5 * MINUTE
MONTHS = ("2026-05", "2026-06", "2026-07", "2026-08", "2026-09", "2026-10")


def when(text: str) -> int:
    return parse(text, LISBON)


BEGIN, END = when("2026-05-01"), when("2026-11-01")
NOW = when("2026-11-05T09:00")
TRIP = when("2026-06-16T09:07"), when("2026-06-16T12:41")
WEEKENDS = tuple(
    (when(f"{day}T15:10"), when(f"{day}T19:20")) for day in ("2026-05-23", "2026-07-25", "2026-09-19")
)
SWAP = when("2026-07-14T10:00")
RECALIBRATED = when("2026-08-18")
FOUND_K = 0.09  # indication minus reference, more than the certificate before left
GAP = when("2026-05-20T11:00"), when("2026-05-20T14:00")
LATE = when("2026-09-07T00:00"), when("2026-09-09T00:00")
JOBS = 300
CAUSE = "Chiller tripped on overpressure; pressostat replaced"

ROOM = """
[room]
key = "gauges"
name = "Gauge room South"
site = "Invented Works"
timezone = "Europe/Lisbon"
size_m = [6.0, 4.0, 2.8]
custodian = "Marta Reis"
simulated = true

[zones.bench]
name = "Gauge bench"
outline_m = [0.5, 0.5, 5.5, 3.5]
settling_s = 5400
hours_of_use = ["Mon-Fri 07:00-18:00"]

[positions.left]
name = "Bench left"
zone = "bench"
medium = "air"
xyz_m = [1.2, 1.0, 1.1]

[positions.right]
name = "Bench right"
zone = "bench"
medium = "air"
xyz_m = [4.4, 2.8, 1.1]
"""
LIMITS = """
[rules.bench.temperature]
lower_degC = 19.4
upper_degC = 20.6
basis = "House rule G-7: 20 °C ± 0.6 K at the bench"
approver = "Rui Prates"

[rules.bench.span-1h]
span_1h_K = 0.7
basis = "House rule G-7, 3.1"
approver = "Rui Prates"
"""


def _probe(key: str, serial: str) -> str:
    return f"""
[probes.{key}]
serial = "{serial}"
description = "Thermometer {key}"

[probes.{key}.channels.temperature]
quantity = "temperature"
unit = "degC"
resolution = 0.01
noise = 0.005
probe_span = [-20.0, 60.0]
"""


def _stay(key: str, place: str, begin: str, end: str = "") -> str:
    until = f"to = {end}\n" if end else ""
    return f'\n[[placements]]\nprobe = "{key}"\nposition = "{place}"\nfrom = {begin}\n{until}'


def _certificate(
    number: str, key: str, serial: str, day: str, valid: str, error: float, as_found: str = ""
) -> str:
    head = (
        f'number = "{number}"\nchannel = "{key}.temperature"\nserial = "{serial}"\nissuer = "Invented Lab"\n'
        f'accreditation = "invented, IL-4"\ncalibrated_on = {day}\nvalid_from = {valid}\n'
        f'due_on = {int(day[:4]) + 2}{day[4:]}\nunit = "degC"\nk = 2.0\nrange = [10.0, 30.0]\ndrift = 0.06\n'
        f'drift_basis = "two recalibrations"\n{as_found}'
    )
    points = "".join(
        f"\n[[points]]\nindication = {at + error:.2f}\nreference = {at:.1f}\nU = 0.05\n"
        for at in (15, 20, 25)
    )
    return head + points


def texts(version: int) -> dict[str, str]:
    """Setup 1 of the beginning, 2 with the swap, 3 with the recalibration of G1 as well."""
    swapped = version > 1
    probes = "sampling_interval_s = 300.0\n" + _probe("G1", "S-101") + _probe("G2", "S-102")
    stays = _stay("G1", "left", "2026-05-01")
    stays += _stay("G2", "right", "2026-05-01", "2026-07-14T10:00:00" if swapped else "")
    files = {
        "certificates/K-11.toml": _certificate("K-11", "G1", "S-101", "2026-03-02", "2026-05-01", 0.02),
        "certificates/K-12.toml": _certificate("K-12", "G2", "S-102", "2026-03-02", "2026-05-01", -0.03),
    }
    if swapped:
        probes += _probe("G3", "S-103")
        stays += _stay("G3", "right", "2026-07-14T10:00:00")
        files["certificates/K-13.toml"] = _certificate(
            "K-13", "G3", "S-103", "2026-06-01", "2026-07-14", 0.01
        )
    if version > 2:
        as_found = 'as_found_model = "linear"\n'
        as_found += "".join(
            f"\n[[as_found]]\nindication = {at + 0.02 + FOUND_K:.2f}\nerror = {0.02 + FOUND_K:.2f}\n"
            for at in (15, 20, 25)
        )
        files["certificates/K-21.toml"] = _certificate(
            "K-21", "G1", "S-101", "2026-08-18", "2026-08-18", 0.00, as_found
        )
    return {"room.toml": ROOM, "probes.toml": probes + stays, "limits.toml": LIMITS, **files}


def readings() -> dict[str, list[tuple[int, float]]]:
    """Channel -> instants and indications by the simulator; a probe that is not there has none."""
    faults = [Disturbance("air handling stopped", begin, end, 15.0) for begin, end in (TRIP, *WEEKENDS)]
    room, noise = SimulatedRoom(20_260_501, BEGIN, faults), Random(77)
    rows: dict[str, list[tuple[int, float]]] = {"G1": [], "G2": [], "G3": []}
    for at in range(BEGIN, END, EVERY):
        room.advance(at)
        for key, place in (("G1", 0.0), ("G2", 0.03), ("G3", 0.03)):
            there = key == "G1" or (at < SWAP) == (key == "G2")
            if there and not GAP[0] <= at < GAP[1]:
                rows[key].append((at, round(room.state.bay + place + noise.gauss(0, 0.006), 2)))
    return rows


@dataclass(frozen=True)
class Played:
    """The record as it was played: its store, folders of the six records, and what was planted as numbers."""

    store: Store
    setup: Setup
    records: dict[str, Path]
    inspections: list[Inspection]
    late_readings: int

    @property
    def verdicts(self) -> Verdicts:
        return Verdicts(self.store, self.setup)


def working_hours(random: Random) -> list[int]:
    """Beginnings of 300 inspections on working days, between 08:00 and 16:00; two in the trip."""
    days = [BEGIN + n * 24 * HOUR for n in range(184)]
    used = [day for day in days if ((day + HOUR) // (24 * HOUR) + 3) % 7 < 5]  # 1970 began on a Thursday
    begins = {TRIP[1] - 45 * MINUTE, TRIP[1] + 20 * MINUTE}
    while len(begins) < JOBS:
        begins.add(random.choice(used) + 8 * HOUR + random.randrange(96) * EVERY)
    return sorted(begins)


def play(folder: Path) -> Played:
    """Play all of it: readings, setups, the late file, inspections, decisions, and a record each month."""
    store = Store.open(folder / "data", create=True, simulated=True)
    for version in (1, 2, 3):
        why = ("the room begins", "G2 swapped for G3", "G1 recalibrated")[version - 1]
        apply_setup(store, texts(version), "Marta Reis", why, "Rui Prates", NOW)
    setup = load_texts(texts(3), version=3).setup
    late = 0
    for key, rows in readings().items():
        usual = [Row(f"{key}.temperature", at, at, v) for at, v in rows if not _is_late(key, at)]
        coming = [Row(f"{key}.temperature", at, NOW, v, late=True) for at, v in rows if _is_late(key, at)]
        store.append("poll", usual)
        if coming:
            store.append("file", coming)
        late += len(coming)
    store.seal(NOW + 60 * 24 * HOUR)
    jobs = [
        Inspection(
            f"Q-{n:03d}", "bench", at, at + 45 * MINUTE, f"Ring gauge {n}", material="steel", length_mm=80.0,
            tolerance_um=8.0, person="Ana Luz",
        )
        for n, at in enumerate(working_hours(Random(5)))
    ]  # fmt: skip
    add_inspections(store, setup, jobs, "Ana Luz")
    _decide(Verdicts(store, setup))
    records = {}
    for n, month in enumerate(MONTHS):
        ends = [when(f"{m}-01") for m in (*MONTHS, "2026-11")][n : n + 2]
        out = Path(tempfile.mkdtemp(dir=folder))
        issue(store, Verdicts(store, setup), setup, "bench", *ends, out, "Marta Reis", NOW)
        records[month] = out
    return Played(store, setup, records, jobs, late)


def _is_late(key: str, at: int) -> bool:
    return key == "G3" and LATE[0] <= at < LATE[1]


def _decide(verdicts: Verdicts) -> None:
    """Every case in use is decided and closed, as a metrologist would."""
    words = {
        "decision": "stands, corrected",
        "customer": "none: parts not sent yet",
        "reason": "below a tenth of tolerance",
    }
    findings = {
        "cause": "air handling", "detail": CAUSE, "immediate_action": "Measuring stopped",
        "impact": "Two ring gauges measured while the room warmed", "decision": "Corrected by the record",
        "customer": "none: parts not sent yet",
    }  # fmt: skip
    for record in all_cases(verdicts, NOW):
        if record.case.in_use and record.waits:
            for key in record.affected:
                decide_on_case(verdicts, record, key, words, "Marta Reis", NOW)
            note(verdicts.store, record.case, findings, "Marta Reis")
            close(verdicts.store, record.case, "Marta Reis", running=False, undecided=[])
