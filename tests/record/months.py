"""Made months of a gauge room for records: quiet or noisy, with few or many probes, jobs and cases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from logger.acts import inspections as actions
from logger.acts.marks import mark
from logger.inspections.cases import number_new
from logger.instants import NS, parse
from logger.model import Certificate, Inspection, Mark, Row, Setup
from logger.record.facts import record_facts, with_issue_head
from logger.record.interval import Interval
from logger.record.issuance import render_files
from logger.record.pictures import pictures
from logger.record.zone_readings import read_zone, record_csv
from logger.selftest.room import rule, setup
from logger.store import Store
from logger.verdicts.verdicts import Verdicts

VIENNA = ZoneInfo("Europe/Vienna")
START = parse("2026-10-01", VIENNA)
DAY_NS = 86_400 * NS
MINUTE_NS = 60 * NS


def gauge_room(probes: int, humid: int) -> Setup:
    """Temperature probes T1 …, the first ones with humidity; five rules, one of them for an activity."""
    places = {f"T{n + 1}": (1.0 + n % 4, 1.0 + n // 4, 1.0) for n in range(probes)}
    quiet = {"disturbs": False, "lower": None, "unit": "K", "kind": "span"}
    rules = (
        rule(name="temperature", lower=19.5, upper=20.5, basis="Instruction GR-01: 20 °C ± 0.5 K"),
        rule(name="gauge blocks", lower=19.8, upper=20.2, activity="gauge blocks", basis="Instruction GR-02",
             disturbs=False, channels=("T1.temperature",)),
        rule(name="span in 1 h", **quiet, upper=0.8, window_s=3600, basis="Instruction GR-01, 4.2"),
        rule(name="span in 24 h", **quiet, upper=2.0, window_s=86_400, basis="Instruction GR-01, 4.3"),
    )  # fmt: skip
    if humid:
        band = {"quantity": "relative_humidity", "unit": "%RH", "lower": 35.0, "upper": 60.0}
        basis = "Instruction GR-03: no rust on gauges"
        rules = (*rules, rule(name="relative humidity", **band, disturbs=False, basis=basis))
    measured = {f"T{n + 1}": ("temperature", "relative_humidity") for n in range(humid)}
    item = setup(rules, places, U={"temperature": 0.1, "relative_humidity": 1.6}, settling_s=7200,
                 quantities=measured, channel={"resolution": 0.01, "noise": 0.008})  # fmt: skip
    room = replace(
        item.room,
        name="Gauge room",
        site="Almtal Gearworks",
        timezone="Europe/Vienna",
        custodian="Greta Holm",
    )
    certificates = tuple(_three_points(c) for c in item.certificates)
    zone = replace(item.zones["bay"], name="Gauge bay")
    return replace(item, room=room, certificates=certificates, zones={"bay": zone})


def _three_points(c: Certificate) -> Certificate:
    low, middle, high = (15.0, 20.0, 25.0) if c.channel.endswith("temperature") else (30.0, 50.0, 70.0)
    return replace(
        c,
        issuer="Traunfeld Calibration Laboratory",
        accreditation="invented, TF-018",
        calibrated_on="2026-09-08",
        due_ns=parse("2027-09-09", VIENNA),
        indications=(low, middle, high),
        corrections=(-0.02, -0.01, 0.01),
        U=c.U * 3,
        drift=0.05,
        range=(low - 5, high + 5),
    )


def values(days: float, noisy: bool, number: int) -> np.ndarray:
    """A reading a minute. Noisy: at the edge of the guard band of 20.5 °C, so that the verdict alternates."""
    rng, minute = np.random.default_rng(number), np.arange(round(days * 1440))
    if noisy:
        wave = 0.02 * np.sin(minute / 47 * 2 * np.pi) + 0.02 * np.sin(minute / 1440 * 2 * np.pi)
        return np.asarray(np.round(20.372 + wave + rng.normal(0, 0.012, len(minute)), 2))
    value = 20.0 + 0.02 * number + 0.1 * np.sin(minute / 1440 * 2 * np.pi) + rng.normal(0, 0.01, len(minute))
    return np.asarray(np.round(value, 2))


class Month:
    """A made month in a store, and its record."""

    def __init__(
        self,
        folder: Path,
        *,
        probes: int = 3,
        humid: int = 2,
        days: float = 31,
        noisy: bool = False,
        warm: Sequence[tuple[float, float]] = (),
    ) -> None:
        """`warm`: hours from the beginning, and for how many hours the air was 0.9 K warmer."""
        self.setup = gauge_room(probes, humid)
        self.store = Store.open(folder / "data", create=True, simulated=False)
        self.to_ns = START + round(days * 24 * 60) * MINUTE_NS
        self.now_ns = self.to_ns + 3 * DAY_NS
        taken = START + 30 * NS + np.arange(round(days * 1440)) * MINUTE_NS
        for number, key in enumerate(self.setup.channels):
            value = values(days, noisy, number) if key.endswith("temperature") else np.full(len(taken), 47.0)
            for hour, hours in warm if key.endswith("temperature") else ():
                value[round(hour * 60) : round((hour + hours) * 60)] += 0.9
            rows = zip(taken.tolist(), value.tolist(), strict=True)
            self.store.append("made", [Row(key, t, t, v) for t, v in rows])
        self.store.seal(self.to_ns + 40 * DAY_NS)

    @property
    def verdicts(self) -> Verdicts:
        return Verdicts(self.store, self.setup)

    def jobs(self, count: int) -> None:
        """So many inspections of 20 min, spread evenly."""
        apart = (self.to_ns - START) // count // MINUTE_NS * MINUTE_NS
        made_of: dict[str, Any] = {"material": "steel", "length_mm": 120.0, "tolerance_um": 6.0}
        made_of["person"] = "Radek Sova"
        jobs = [
            Inspection(f"J-{n:04d}", "bay", at, at + 20 * MINUTE_NS, f"Ring {n}", **made_of)
            for n, at in enumerate(range(START, START + count * apart, apart))
        ]  # fmt: skip
        actions.add_inspections(self.store, self.setup, jobs, "Greta Holm")

    def marks(self, count: int) -> None:
        for n in range(count):
            begin = START + n * 20 * 3600 * NS
            mark(
                self.store,
                self.setup,
                Mark("bay", begin, begin + 600 * NS, f"door open, delivery {n}", "Greta Holm"),
            )

    def facts(self, **head: Any) -> dict[str, Any]:
        number_new(self.verdicts, self.now_ns)
        span = Interval("bay", START, self.to_ns, self.now_ns)
        self.stored = stored = read_zone(self.store, self.setup, "bay", START, self.to_ns)
        facts = record_facts(self.store, self.verdicts, self.setup, span, stored)
        readings, rows = record_csv(stored, simulated=self.store.simulated)
        self.readings = readings
        facts["readings"] = {"rows": rows, "sha256": "0" * 64}
        issue = {"number": 7, "issued_at": "2026-11-05T08:00:00Z", "by": "Greta Holm", "proven": False,
                 "replaces": None, "why": "", "signed_by": "made"}  # fmt: skip
        return with_issue_head(facts, issue | head)

    def pdf(self, out: Path) -> Path:
        """Its record as a file."""
        span = Interval("bay", START, self.to_ns, self.now_ns)
        facts = self.facts()
        drawn = pictures(
            self.stored, self.setup, self.verdicts.periods("bay", START, self.to_ns, self.now_ns), span
        )
        files = render_files(facts, drawn, self.readings)
        out.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (out / name).write_bytes(content)
        return next(out.glob("*.pdf"))
