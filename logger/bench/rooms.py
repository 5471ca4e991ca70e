"""Many rooms on this machine: years judged by workers each bound to one core; rooms in one process.

One core each, because a judge alone already looks at two parts side by side: two workers that share what one
had to itself would show that, and not what a second worker is worth. One and two take turns, and the shortest
time of each counts. Where others use the cores as well, the time on the wall says more about them: so what a
worker needs of its core is counted too, processor seconds and the time that it lay idle between two tasks.
"""

from __future__ import annotations

import os
import re
import resource
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..config import example_folder, in_force, load
from ..errors import Refused
from ..instants import NS
from ..model import Row, Setup
from ..rooms import registry
from ..rooms.rejudging import YearResult, local_workers, plan, rejudge_by_workers, rejudge_here
from ..rooms.summary import write_summary
from ..series import ImportedReadings
from ..service.calendar_work import FORECASTS
from ..service.many_rooms import ManyRooms, raise_file_limit
from ..store import Store

if TYPE_CHECKING:
    from distributed import Client

Digest = tuple[str, str, int, str, str]  # room, zone, year, digest, why not
DAY_NS = 86_400 * NS
ROUNDS = 2
BEGIN_NS = int(datetime(2026, 10, 2, tzinfo=UTC).timestamp()) * NS
READINGS_ON_PAPER = 84_000_000_000  # 1,000 rooms of 16 channels at 60 s over ten years
CORES_ON_PAPER = 64
LINE = re.compile(r"^\[probes\.\w+\.connection\]\n(?:(?!\[).*\n)*", re.MULTILINE)


@dataclass(frozen=True)
class RoomsFigures:
    """Of one run: seconds of wall clock, or of processor where a name says so; load of the machine before."""

    readings: int  # of all rooms together
    years: float
    here_s: float
    here_cpu_s: float
    one_s: float
    two_s: float
    one_busy_s: float  # processor of the worker, and idle between its tasks
    two_busy_s: float  # of the busier of two
    two_idle_s: float  # between its tasks, longest of the two
    equal: bool
    rooms: int
    began_s: float
    began_cpu_s: float
    room_cpu_ms: float  # of a room and minute
    room_mib: float
    load: float

    def lines(self) -> list[str]:
        """What is printed."""
        year_cpu_s, rate = self.here_cpu_s / self.years, self.readings / self.here_cpu_s
        hours = READINGS_ON_PAPER / rate / 3600
        digests = "equal" if self.equal else "NOT EQUAL"
        return [
            f"{self.readings:,} readings, {self.years:.2f} room-years, judged in this process: "
            f"{self.here_s:.1f} s, {year_cpu_s:.2f} CPU s a room-year, {rate / 1e6:.1f} million readings a "
            "CPU second",
            f"one worker on one core {self.one_s:.1f} s, two on one core each {self.two_s:.1f} s; ratio "
            f"{self.one_s / self.two_s:.2f}; digests {digests}",
            f"processor and idle between tasks: one worker {self.one_busy_s:.2f} s, the busier of two "
            f"{self.two_busy_s:.2f} s (idle {self.two_idle_s:.2f} s); ratio "
            f"{self.one_busy_s / self.two_busy_s:.2f} before what others take of the cores",
            f"at that rate 84 billion readings take {hours:.1f} CPU hours, on {CORES_ON_PAPER} cores "
            f"{hours / CORES_ON_PAPER * 60:.0f} minutes",
            f"{self.rooms} rooms in one process: begun and judged after {self.began_s:.1f} s "
            f"({self.began_cpu_s:.1f} CPU s), then {self.room_cpu_ms:.0f} ms of processor a room and minute, "
            f"{self.room_mib:.1f} MiB a room",
            f"load of this machine before: {self.load:.1f}",
        ]


def run(years: int, days: int, rooms: int, seconds: float, say: Callable[[str], None]) -> RoomsFigures:
    """Make one record and copies of it, judge them by one and by two workers, run rooms in one process."""
    if not hasattr(os, "sched_setaffinity"):
        raise Refused("Binding a process to a core is measured on Linux alone.")
    load_before = os.getloadavg()[0]
    with tempfile.TemporaryDirectory(prefix="stillroom-bench-") as scratch:
        say(f"making {years} records of {days} days")
        folders = [Path(scratch) / f"room-{n}" for n in range(years)]
        readings = _make(folders[0], days) * years
        for folder in folders[1:]:
            shutil.copytree(folders[0], folder)
        entries = [registry.RoomEntry(folder.name, folder, "0" * 64) for folder in folders]
        now_ns = BEGIN_NS + days * DAY_NS

        def judge(client: Client | None) -> tuple[float, frozenset[Digest]]:
            work, begin = list(plan(entries, now_ns)), time.perf_counter()
            if client is None:
                results = list(rejudge_here(work, dry_run=True))
            else:
                results = list(rejudge_by_workers(work, client, dry_run=True))
            return time.perf_counter() - begin, _digests(results)

        say("judging in this process")
        cpu_s = time.process_time()
        here_s, expected = judge(None)
        cpu_s = time.process_time() - cpu_s
        runs: dict[int, list[_WorkerRun]] = {1: [], 2: []}
        for workers in (1, 2) * ROUNDS:
            say(f"judging by {workers} on one core each")
            with local_workers(workers) as client:
                _bind(client)
                runs[workers].append(_measured_run(client, judge))
        alone, beside = ([min(each) for each in zip(*map(_figures, runs[n]), strict=True)] for n in (1, 2))
        equal = all(run.digests == expected for run in (*runs[1], *runs[2]))
        say(f"running {rooms} rooms in one process")
        many = _run_rooms(Path(scratch), rooms, seconds)
    judged_years = years * days / 365.25
    return RoomsFigures(
        readings, judged_years, here_s, cpu_s, alone[0], beside[0], alone[1], beside[1], beside[2],
        equal, rooms, *many, load_before,
    )  # fmt: skip


@dataclass(frozen=True)
class _WorkerRun:
    """Of one run of all workers: wall, and of each worker (processor, idle between its tasks), in seconds."""

    wall_s: float
    workers: tuple[tuple[float, float], ...]
    digests: frozenset[Digest]


def _figures(run: _WorkerRun) -> tuple[float, float, float]:
    """Wall, what the busiest worker needs of its core, and the longest idle time between tasks."""
    return run.wall_s, max(map(sum, run.workers)), max(idle_s for _, idle_s in run.workers)


def _measured_run(client: Client, judge: Callable[[Client], tuple[float, frozenset[Digest]]]) -> _WorkerRun:
    from distributed import get_task_stream

    before = client.run(time.process_time)
    with get_task_stream(client) as stream:
        wall_s, digests = judge(client)
    after = client.run(time.process_time)
    workers = tuple((after[name] - before[name], _idle_s(stream.data, name)) for name in sorted(before))
    return _WorkerRun(wall_s, workers, digests)


def _idle_s(tasks: Iterable[Mapping[str, Any]], worker: str) -> float:
    """How long a worker waited between its tasks; from the first one's begin to the last one's end."""
    spans: list[tuple[float, float]] = sorted(
        (part["start"], part["stop"])
        for task in tasks
        if task["worker"] == worker
        for part in task["startstops"]
        if part["action"] == "compute"
    )
    return sum(max(0.0, begin - end) for (_, end), (begin, _) in pairwise(spans))


def _digests(results: Iterable[YearResult]) -> frozenset[Digest]:
    return frozenset((r.room, r.zone, r.year, r.digest, r.why) for r in results)


def _make(folder: Path, days: int) -> int:
    """A record of the example's room whose months are sealed; gives its number of readings."""
    random = np.random.default_rng(7)
    taken_ns = BEGIN_NS + np.arange(days * 1440, dtype=np.int64) * 60 * NS
    hours = (taken_ns - BEGIN_NS) / 3600 / NS
    texts = load(example_folder()).texts
    with Store.open(folder, create=True, simulated=True) as store:
        store.setups.put(texts, "bench", "made", "bench", BEGIN_NS)
        setup = in_force(store.setups.versions()).setup
        for number, channel in enumerate(_measured(setup)):
            base, width = (45.0, 2.0) if channel.endswith("humidity") else (20.0, 0.15)
            wave = width * np.sin(hours / (3.8 + number / 5)) + random.normal(0, width / 20, len(hours))
            raw = np.full(len(hours), "", dtype=object)
            series = ImportedReadings(
                channel, taken_ns, np.round(base + wave, 2), raw, BEGIN_NS + days * DAY_NS, "import:bench"
            )
            store.load_series(f"import-{channel}", [series], BEGIN_NS + (days + 40) * DAY_NS)
        return len(_measured(setup)) * len(taken_ns)


def _measured(setup: Setup) -> list[str]:
    return [channel for channel in setup.channels if channel.endswith(("temperature", "relative_humidity"))]


def _bind(client: Client) -> None:
    """Each worker to one core of those that this process may use, its threads among them; and warmed up."""
    cores = sorted(os.sched_getaffinity(0))
    for place, address in enumerate(sorted(client.scheduler_info()["workers"])):
        client.run(bind, cores[place % len(cores)], workers=[address])


def bind(core: int) -> None:
    """Bind every thread of this process to one core; what a first task would import is imported before."""
    from ..verdicts import years  # noqa: F401

    for thread in os.listdir("/proc/self/task"):
        os.sched_setaffinity(int(thread), {core})


def _run_rooms(scratch: Path, count: int, seconds: float) -> tuple[float, float, float, float]:
    """Wall and processor seconds until all rooms are judged; then ms a room and minute; MiB a room."""
    now_ns = time.time_ns() // (60 * NS) * 60 * NS
    first = scratch / "many" / "room-000"
    texts = dict(load(example_folder()).texts)
    texts = {name: LINE.sub("", text) if name == "probes.toml" else text for name, text in texts.items()}
    texts["alarms.toml"] = ""  # nobody is mailed
    with Store.open(first, create=True, simulated=True) as store:
        store.setups.put(texts, "bench", "made", "bench", now_ns - 2 * DAY_NS)
        channels = _measured(in_force(store.setups.versions()).setup)
        store.append("node", _rows(channels, now_ns - DAY_NS, 1440))
    entries = []
    for n in range(count):
        folder = first.with_name(f"room-{n:03d}")
        if n:
            shutil.copytree(first, folder)
        with Store.open(folder) as store:
            key = write_summary(store, in_force(store.setups.versions()).setup, now_ns).key_name
        entries.append(registry.RoomEntry(folder.name, folder, key))
    raise_file_limit(count)
    faults: list[str] = []
    before_mib, begin_s, begin_cpu_s = _resident_mib(), time.perf_counter(), time.process_time()
    rooms = ManyRooms(entries, faults.append)
    rooms.start()
    while not all(_is_judged(store) for store in rooms.stores()) or _is_measuring():
        rooms.turn()
        time.sleep(0.2)
    began_s, began_cpu_s = time.perf_counter() - begin_s, time.process_time() - begin_cpu_s
    mib = (_resident_mib() - before_mib) / count
    begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
    while (past_s := time.perf_counter() - begin_s) < seconds:  # each minute a minute's, as nodes bring them
        for place, store in enumerate(rooms.stores()):
            if place % 60 == int(past_s) % 60:
                store.append("node", _rows(channels, time.time_ns(), 1))
        time.sleep(1.0)
    cpu_ms = (time.process_time() - begin_cpu_s) * 1000 * 60 / seconds / count
    if faults:
        raise Refused(f"Not measured: {'; '.join(faults)}.")
    rooms.stop()  # what a busy machine did not store in time is no part of what was measured
    return began_s, began_cpu_s, cpu_ms, mib


def _rows(channels: Iterable[str], from_ns: int, minutes: int) -> list[Row]:
    return [
        Row(channel, at, at + NS, 45.0 if channel.endswith("humidity") else round(20 + n % 9 / 100, 2))
        for n in range(minutes)
        for at in (from_ns + n * 60 * NS,)
        for channel in channels
    ]


def _is_judged(store: Store) -> bool:
    """Whether every zone has a statement: the first judges a whole day."""
    zones = in_force(store.setups.versions()).setup.zones_now()
    return {zone.key for zone in zones} <= store.verdict_cache.live().keys()


def _is_measuring() -> bool:
    """Whether a room still measures the skill of its forecasts, once after a start and once a day."""
    return any(thread.name == FORECASTS for thread in threading.enumerate())


def _resident_mib() -> float:
    """What this process holds in memory now; where the system does not say, the most it ever held."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        return pages * resource.getpagesize() / 2**20
    except OSError:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return peak / 2**20 if sys.platform == "darwin" else peak / 2**10
