"""A record of three days whose readings follow a formula, stored and judged as the service does it.

The bay is stable but for an excursion about 7.5 h before NOW, with 2 h of settling; it has a gap of
20 min at 4 h before NOW. The bench is not shown: probe P6 is overdue. Readings follow from
sines, so that a test can compute them again.
"""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
from functools import cache
from pathlib import Path

import numpy as np

from dashboard.data.source import Source
from logger.acts.alarms import put_alarm
from logger.acts.inspections import add_inspection, apply_setup
from logger.core.alarms.lifecycle import Alarm, AlarmState, Cell
from logger.instants import NS, rfc3339
from logger.model import Conformity, Inspection, Row
from logger.people import People, invented
from logger.service import heartbeat
from logger.store import Store
from logger.verdicts.current import Current
from logger.verdicts.live_verdicts import LiveVerdicts
from tests.dashboard.synthetic_setup import HOUR, NOW, PLACES, START, setup, texts

__all__ = ["HOUR", "NOW", "PLACES", "START", "Synthetic", "setup", "value_at"]

MINUTE = 60 * NS
OFFSET_NS = 19 * NS  # of each reading in its minute: the newest one is 41 s old
GAP = range(NOW - 4 * HOUR, NOW - 4 * HOUR + 20 * MINUTE)
INSPECTIONS = (
    Inspection("J1", "machine-bay", NOW - 30 * HOUR, NOW - 28 * HOUR, "Gear hub 4471"),
    Inspection(
        *("J2", "machine-bay", NOW - 8 * HOUR, NOW - 6 * HOUR, "Valve body 4480"),
        *("VB-9 no. 4", "aluminium", 420.0, 30.0),
        person="Radek Sova",
    ),
    Inspection("J3", "plate-bench", NOW - 3 * HOUR, NOW - 2 * HOUR, "Ring set 100 mm"),
)


def value_at(channel: str, taken_ns: np.ndarray) -> np.ndarray:
    """The value of a channel by formula, canonical unit."""
    probe, _, quantity = channel.partition(".")
    hours = (np.asarray(taken_ns) - NOW) / HOUR
    if quantity == "relative_humidity":
        return np.round(48.0 + 2.0 * np.sin(hours / 5) + PLACES[probe][4] - 20, 1)
    bump = 0.75 * np.exp(-(((hours + 7.5) / 0.55) ** 2)) if PLACES[probe][1] == "machine-bay" else 0.0 * hours
    share = 0.6 if probe == "P3" else 1.0
    return np.round(PLACES[probe][4] + 0.04 * np.sin(hours * 5) + 0.03 * np.sin(hours / 3) + share * bump, 2)


def _rows(channel: str) -> list[Row]:
    """Three days of readings of a channel, one a minute; the bay's probes were silent in the gap."""
    taken_ns = np.arange(START + OFFSET_NS, NOW, MINUTE, dtype=np.int64)
    silent = GAP if PLACES[channel[:2]][1] == "machine-bay" else range(0)
    pairs = zip(taken_ns.tolist(), value_at(channel, taken_ns).tolist(), strict=True)
    return [Row(channel, at, at, value) for at, value in pairs if at not in silent]


@cache
def _scratch() -> str:
    folder = tempfile.mkdtemp(prefix="stillroom-tests-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@cache
def _founded(simulated: bool) -> Path:
    """The record, made once for all tests of a process."""
    folder = Path(_scratch()) / f"founded-{simulated}"
    with Store.open(folder, create=True, simulated=simulated) as store:
        apply_setup(
            store, texts(simulated=simulated), "Greta Holm", "first setup", "Ines Faber", START - HOUR
        )
        if simulated:
            invented.settle(People(store))
        for channel in setup().channels:
            store.append("poll", _rows(channel))
        for inspection in INSPECTIONS:
            add_inspection(store, setup(), inspection, "Greta Holm")
        LiveVerdicts(Current(store).verdicts).judge(NOW)
    return folder


class Synthetic(Source):
    """A copy of that record; `add` and `raise_alarm` let a test make things happen."""

    def __init__(self, *, simulated: bool = True, now_ns: int = NOW) -> None:
        folder = Path(tempfile.mkdtemp(dir=_scratch()))
        shutil.copytree(_founded(simulated), folder, dirs_exist_ok=True)
        super().__init__(folder)
        self.now = now_ns

    def go_on(self, minutes: int) -> None:
        """So many minutes pass, with a reading of every channel in each."""
        first = self.now // MINUTE * MINUTE + OFFSET_NS
        taken_ns = np.array([first + n * MINUTE for n in range(minutes)], np.int64)
        for channel in self.setup().channels:
            values = value_at(channel, taken_ns).tolist()
            self.add(*(Row(channel, at, at, v) for at, v in zip(taken_ns.tolist(), values, strict=True)))
        self.now += minutes * MINUTE

    def add(self, *rows: Row) -> None:
        """Readings that arrive now."""
        self.store.append("poll", rows)

    def age_statements(self, age_s: float) -> None:
        """The newest statements were made so long ago."""
        for zone, body in self.store.verdict_cache.live().items():
            aged = {**json.loads(body), "at": rfc3339(self.now - round(age_s * NS))}
            self.store.verdict_cache.put_live(zone, json.dumps(aged))

    def beat(self, age_s: float, *, stopped: bool) -> None:
        """The service's newest sign of life."""
        heartbeat.beat(self.store.folder, {"at": rfc3339(self.now - round(age_s * NS)), "stopped": stopped})

    def raise_alarm(self, state: AlarmState = AlarmState.UNACKNOWLEDGED) -> None:
        """The bay's temperature alarm, out since five minutes, and the statement that goes with it."""
        out = {"verdict": "not stable", "reason": "nonconforming", "sentence": "Machine bay is not stable."}
        body = {**self.live()["machine-bay"], **out, "next_step": "P1 is at 20.71 °C, limit 20.5 °C."}
        self.store.verdict_cache.put_live("machine-bay", json.dumps(body))
        cell = Cell(
            self.now - MINUTE, self.now, Conformity.NONCONFORMING, 20.71, 0.1, -0.21, "degC", 20.5, "P1"
        )
        self._raise("bay-temperature", state, cell)

    def fall_silent(self) -> None:
        """The bay's alarm for silent sources, which no setup has to declare."""
        silent = ("P1.temperature", "P2.temperature")
        cell = Cell(
            *(self.now - MINUTE, self.now, Conformity.NONCONFORMING, 400.0, 0.0, -220.0, "s", 180.0),
            *(silent[0], silent),
        )
        self._raise("machine-bay.evidence", AlarmState.UNACKNOWLEDGED, cell)

    def _raise(self, key: str, state: AlarmState, cell: Cell) -> None:
        alarm = Alarm(key, state, since_ns=self.now - 5 * MINUTE, worst=cell, occurrence=1)
        with self.store.begin() as conn:
            put_alarm(conn, alarm, self.now)
