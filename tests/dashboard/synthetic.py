"""A record that is invented by formula, for tests of the pages: no store, no judge, always the same.

The bay is stable but for an excursion from 8 h to 7 h before NOW with 2 h of settling; it has a gap of
20 min at 4 h before NOW. The bench is not shown: probe P6 is overdue. Its readings follow from
sines, so that a test can compute them again.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache, cached_property
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from dashboard.data.administration import RecordAdministration
from logger.core.alarms.lifecycle import Alarm, AlarmState, Cell
from logger.core.measurement.interval import require_judgeable
from logger.core.measurement.soak import SoakPlan
from logger.errors import Refused, UnknownName
from logger.inspections.assess import Question
from logger.inspections.soak_clocks import SoakReading, begin_soak, clocks, end_soak
from logger.instants import NS
from logger.model import Conformity, Excursion, Inspection, Period, Row, Setup
from logger.people import People, invented
from logger.store import JournalEntry, Store
from logger.verdicts.curves import Curve
from tests.dashboard.synthetic_setup import HOUR, NOW, PLACES, START, rules, setup
from tests.dashboard.synthetic_words import bay_periods, told

__all__ = ["HOUR", "NOW", "PLACES", "START", "Synthetic", "rules", "setup", "value_at"]


@cache
def _scratch() -> str:
    folder = tempfile.mkdtemp(prefix="stillroom-tests-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@cache
def _founded(simulated: bool) -> Path:
    """A founded record with its invented people, made once for all tests: passwords are slow on purpose."""
    folder = Path(_scratch()) / f"founded-{simulated}"
    with Store.open(folder, create=True, simulated=simulated) as store:
        if simulated:
            invented.settle(People(store))
    return folder


def value_at(channel: str, taken_ns: np.ndarray) -> np.ndarray:
    """The value of a channel by formula, canonical unit."""
    probe, _, quantity = channel.partition(".")
    hours = (np.asarray(taken_ns) - NOW) / HOUR
    if quantity == "relative_humidity":
        return np.round(48.0 + 2.0 * np.sin(hours / 5) + PLACES[probe][4] - 20, 1)
    bump = 0.75 * np.exp(-(((hours + 7.5) / 0.55) ** 2)) if PLACES[probe][1] == "machine-bay" else 0.0 * hours
    share = 0.6 if probe == "P3" else 1.0
    return np.round(PLACES[probe][4] + 0.04 * np.sin(hours * 5) + 0.03 * np.sin(hours / 3) + share * bump, 2)


class Synthetic:
    """Answers what `Source` asks; `add` and `raise_alarm` let a test make things happen."""

    def __init__(self, *, simulated: bool = True, now_ns: int = NOW) -> None:
        self.simulated = simulated
        self.now = now_ns
        self.at: int | None = None  # instant of the statements; None: now
        self.beat: dict[str, Any] | None = None
        self.rows: list[Row] = []
        self.acknowledged: list[tuple[str, str, str]] = []
        self.acted_ns: list[int] = []
        self._alarms: dict[str, Alarm] = {}
        self.activities: list[str] = []  # asked about in checks
        self._setup = setup()
        self.jobs = {
            "J1": Inspection("J1", "machine-bay", NOW - 30 * HOUR, NOW - 28 * HOUR, "Gear hub 4471"),
            "J2": Inspection(
                *("J2", "machine-bay", NOW - 8 * HOUR, NOW - 6 * HOUR, "Valve body 4480"),
                *("VB-9 no. 4", "aluminium", 420.0, 30.0),
            ),
            "J3": Inspection("J3", "plate-bench", NOW - 3 * HOUR, NOW - 2 * HOUR, "Ring set 100 mm"),
        }

    @cached_property
    def store(self) -> Store:
        """A real record, empty but for accounts: who may do what is never invented."""
        folder = Path(tempfile.mkdtemp(dir=_scratch()))
        shutil.copytree(_founded(self.simulated), folder, dirs_exist_ok=True)
        return Store.open(folder)

    def setup(self) -> Setup:
        return self._setup

    @cached_property
    def keeping(self) -> RecordAdministration:
        """A real, nearly empty record with the example's setup, for pages that look at the record itself."""
        from logger.acts.inspections import apply_setup
        from logger.config import example_folder, load

        folder = Path(tempfile.mkdtemp())
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        store = Store.open(folder / "data", create=True, simulated=True)
        apply_setup(store, load(example_folder()).texts, "Greta Holm", "first setup", "Ines Faber", START)
        return RecordAdministration(store, self.setup)

    def live(self) -> Mapping[str, Mapping[str, Any]]:
        out = any(a.state is not AlarmState.NORMAL for a in self._alarms.values())
        return told(self.at or self.now, out=out)

    def add(self, *rows: Row) -> None:
        """Readings that arrive now."""
        self.rows += rows

    def arrived_after(self, cursor: int) -> tuple[list[tuple[int, Row]], int]:
        if cursor < 0:
            return [], len(self.rows)
        return [(i + 1, row) for i, row in enumerate(self.rows) if i >= cursor], len(self.rows)

    def heartbeat(self) -> Mapping[str, Any] | None:
        return self.beat

    def newest(self) -> Mapping[str, Row]:
        found = {c: Row(c, self.now - 41 * NS, self.now - 40 * NS, 0.0) for c in self._setup.channels}
        return found | {row.channel: row for row in self.rows if row.value is not None}

    def extent(self) -> tuple[int, int] | None:
        return START, NOW

    def corrected(self, channel: str, from_ns: int, to_ns: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        first = max(from_ns, START)
        first += (-(first - START)) % (60 * NS)
        taken = np.arange(first, min(to_ns, NOW), 60 * NS, dtype=np.int64)
        if channel[:2] in ("P1", "P2", "P3"):
            taken = taken[~((taken >= NOW - 4 * HOUR) & (taken < NOW - 4 * HOUR + 1200 * NS))]
        value = value_at(channel, taken)
        later = [
            r
            for r in self.rows
            if r.channel == channel and from_ns <= r.taken_ns < to_ns and r.taken_ns >= NOW
        ]
        taken = np.concatenate([taken, [r.taken_ns for r in later]]).astype(np.int64)
        value = np.concatenate([value, [np.nan if r.value is None else r.value for r in later]])
        if to_ns - from_ns == 1 and not len(taken):  # the newest reading of a quiet record
            taken, value = np.array([from_ns]), value_at(channel, np.array([from_ns]))
        return taken, value, np.full(len(taken), 0.1 if channel.endswith("temperature") else 1.8)

    def curve(self, channel: str, from_ns: int, to_ns: int, bins: int) -> Curve:
        """Extremes of the formula in equal bins; no derived channel."""
        taken, value, U = self.corrected(channel, from_ns, to_ns)
        width = max((to_ns - from_ns) // bins, 1)
        place = (taken - from_ns) // width
        first = np.concatenate([[0], np.flatnonzero(np.diff(place)) + 1]) if len(taken) else np.empty(0, int)
        low, high, total = (f.reduceat(value, first) for f in (np.minimum, np.maximum, np.add))
        n = np.diff([*first, len(taken)])
        start = from_ns + place[first] * width
        return Curve(start, start + width, low, high, total / n, U[first], n)

    def acts(self, from_ns: int, to_ns: int, limit: int) -> list[JournalEntry]:
        entries = (
            JournalEntry(i + 1, at, "alarm", who, {"alarm": alarm}, comment, "0" * 64)
            for i, (at, (alarm, who, comment)) in enumerate(
                zip(self.acted_ns, self.acknowledged, strict=True)
            )
        )
        return [e for e in entries if from_ns <= e.at_ns < to_ns][:limit]

    def periods(self, zone: str, from_ns: int, to_ns: int, now_ns: int) -> list[Period]:
        every = (
            bay_periods()
            if zone == "machine-bay"
            else [
                Period(zone, START, NOW - 20 * HOUR, "stable", "conforming"),
                Period(
                    zone,
                    NOW - 20 * HOUR,
                    NOW + 9999 * HOUR,
                    "not shown",
                    "indeterminate",
                    "plate-bench.temperature",
                    "P6",
                ),
            ]
        )
        return [
            replace(p, from_ns=max(p.from_ns, from_ns), to_ns=min(p.to_ns, to_ns))
            for p in every
            if p.from_ns < to_ns and p.to_ns > from_ns
        ]

    def excursions(self, zone: str | None, from_ns: int, to_ns: int, now_ns: int) -> list[Excursion]:
        one = Excursion(
            "machine-bay",
            "machine-bay.temperature",
            NOW - 8 * HOUR,
            NOW - 7 * HOUR,
            20.77,
            NOW - 7 * HOUR - 1800 * NS,
            20.5,
            0.1,
            "degC",
            0.17,
            ("P1", "P2"),
            True,
            "agreed with quality",
        )
        return [one] if zone in (None, one.zone) and one.from_ns < to_ns and one.to_ns > from_ns else []

    def check(
        self, zone: str, from_ns: int, to_ns: int, now_ns: int, pre_window_s: int | None, *, activity: str
    ) -> Mapping[str, Any]:
        self.activities.append(activity)
        from logger.instants import rfc3339

        found = [p for p in self.periods(zone, from_ns, to_ns, now_ns) if p.verdict != "stable"]
        worst = next((p for p in found if p.verdict == "not stable"), found[0] if found else None)
        reasons = [
            {
                "reason": p.reason,
                "rule": p.rule,
                "probe": p.probe,
                "from": rfc3339(p.from_ns),
                "to": rfc3339(p.to_ns),
                "worst": 20.77 if p.reason == "nonconforming" else None,
                "limit": 20.5 if p.reason == "nonconforming" else None,
                "U": 0.1 if p.reason == "nonconforming" else None,
                "unit": "degC",
                "proven": p.reason == "nonconforming",
                "basis": "agreed with quality",
                "why": "certificate overdue" if p.reason == "indeterminate" else "",
                "pre_window": False,
            }
            for p in ([worst] + [p for p in found if p is not worst] if worst else [])
        ]
        statistics = {
            c: {
                "quantity": "temperature",
                "unit": "degC",
                "readings": 120,
                "min": 19.9,
                "max": 20.77,
                "mean": 20.1,
                "span": 0.87,
                "share_conforming": 0.6,
                "share_within": 0.7,
            }
            for c in self._setup.channels_in(zone)
            if c.endswith("temperature")
        }
        return {
            "verdict": worst.verdict if worst else "stable",
            "zone": zone,
            "from": rfc3339(from_ns),
            "to": rfc3339(to_ns),
            "pre_window_s": 7200 if pre_window_s is None else pre_window_s,
            "reason": worst.reason if worst else "conforming",
            "because": "as the synthetic record says",
            "leading": reasons[0] if reasons else None,
            "decision_rule": "guarded acceptance, w = U",
            "provisional": False,
            "reasons": reasons,
            "statistics": statistics,
            "digest": "d" * 64,
            "setup": "s" * 64,
            "software": "stillroom 0",
        }

    def assess(self, asked: Question, now_ns: int) -> Mapping[str, Any]:
        ends = asked.zone, asked.from_ns, asked.to_ns
        clock = ZoneInfo(self._setup.room.timezone)
        require_judgeable(asked.zone, ends[1:], (0, now_ns), now_ns, 60 * NS, clock=clock)
        told = self.check(*ends, now_ns, asked.pre_window_s, activity=asked.activity)
        lines = [{"name": "temperature of the part", "um": 0.61}, {"name": "variation", "um": 0.3}]
        side = {"mean_C": 20.1, "u_K": 0.06, "u_shared_K": 0.0, "how": "air", "channels": ["P1.temperature"]}
        thermal = {
            "feature": "Gear hub", "length_mm": 420.0, "tolerance_um": 30.0, "material": "aluminium",
            "scale_material": "steel", "case": "off 20 °C and not corrected", "adding_up": "gum",
            "nde_um": 0.97, "ed_um": 0.5, "tve_um": 0.5,
            "tve_source": "part and scale only, structure not included",
            "U_um": 1.36, "k": 2.0, "unde_um": 0.1, "tei_pct": 5.2, "share_of_tolerance": 0.078,
            "share_allowed": None, "within_share": None, "contributions": lines, "notices": ["as the air"],
            "temperatures": {"part": side, "scale": side, "air_span_K": 0.2},
        }  # fmt: skip
        return {**told, "thermal": thermal if asked.features else None, "statement": None, "stamp": "stamp"}

    def answers(self, jobs: Sequence[Inspection], now_ns: int) -> Sequence[Mapping[str, Any] | str]:
        return [
            self.check(j.zone, j.from_ns, j.to_ns or now_ns, now_ns, None, activity=j.activity)
            if j.from_ns // (60 * NS) < now_ns // (60 * NS)
            else "no complete minute"
            for j in jobs
        ]

    def soaks(self, now_ns: int) -> list[SoakReading]:
        return [SoakReading(c, 21.0, 20.0, False, now_ns + HOUR, 0.5) for c in clocks(self.store)]

    def begin_soak(
        self, zone: str, name: str, from_C: float, plan: SoakPlan, *, who: str, now_ns: int
    ) -> None:
        words = {"from_C": from_C, "plan": plan, "who": who, "now_ns": now_ns}
        begin_soak(self.store, self._setup, zone, name, **words)

    def end_soak(self, number: int, who: str) -> None:
        end_soak(self.store, number, who)

    def ready(self, zone: str, now_ns: int) -> str:
        return f"{zone}: yes, now."

    def raise_alarm(self, state: AlarmState = AlarmState.UNACKNOWLEDGED) -> None:
        """The bay's temperature alarm, out since five minutes."""
        cell = Cell(
            self.now - 60 * NS, self.now, Conformity.NONCONFORMING, 20.71, 0.1, -0.21, "degC", 20.5, "P1"
        )
        self._alarms["bay-temperature"] = Alarm(
            "bay-temperature", state, since_ns=self.now - 300 * NS, worst=cell, occurrence=1
        )

    def fall_silent(self) -> None:
        """The bay's alarm for silent sources, which no setup has to declare."""
        silent = ("P1.temperature", "P2.temperature")
        cell = Cell(
            *(self.now - 60 * NS, self.now, Conformity.NONCONFORMING, 400.0, 0.0, -220.0, "s", 180.0),
            *(silent[0], silent),
        )
        self._alarms["machine-bay.evidence"] = Alarm(
            "machine-bay.evidence",
            AlarmState.UNACKNOWLEDGED,
            since_ns=self.now - 300 * NS,
            worst=cell,
            occurrence=1,
        )

    def alarms(self) -> list[Alarm]:
        return list(self._alarms.values())

    def inspections(self) -> list[Inspection]:
        return list(self.jobs.values())

    def acknowledge(self, alarms: Sequence[str], who: str, comment: str, now_ns: int) -> None:
        for alarm in alarms:
            if alarm not in self._alarms:
                raise UnknownName("alarm", alarm, self._alarms)
            self.acknowledged.append((alarm, who, comment))
            self.acted_ns.append(now_ns)
            self._alarms[alarm] = replace(
                self._alarms[alarm],
                condition=AlarmState.ACKNOWLEDGED,
                acknowledged_by=who,
                acknowledged_ns=now_ns,
                comment=comment,
            )

    def start_inspection(self, inspection: Inspection, who: str, now_ns: int) -> None:
        self.jobs[inspection.key] = inspection

    def stop_inspection(self, key: str, who: str, now_ns: int) -> Inspection:
        if self.jobs[key].to_ns is not None:
            raise Refused("stopped already")
        self.jobs[key] = replace(self.jobs[key], to_ns=now_ns)
        return self.jobs[key]
