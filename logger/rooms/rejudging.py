"""Years of many rooms judged anew: in this process, or by workers of Dask's distributed scheduler.

A task is a room, a zone and a year. What travels is where the record lies, which days, and the state of the
bodies; what comes back are a year's verdicts as text. Workers read records and write none.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..config import in_force
from ..core.judge.judgement import JUDGE_VERSION
from ..errors import Refused, StillroomError, sentence_of
from ..model.figures import number_of
from ..store import Store
from ..verdicts.ledger import Ledger
from ..verdicts.years import JudgedYear, YearTask, changed_days, finish, judge_year, take_in, year_tasks
from .registry import RoomEntry
from .roles import refuse_older

if TYPE_CHECKING:
    from distributed import Client

MEMORY = "2 GiB"  # of one worker; a room-year of 16 channels takes about 0.6
# With the threshold that the library gives its workers, freed memory goes back to the system at every turn,
# and a year takes twice the time and more (measured); the other two keep large arrays and few heaps.
MALLOC = {
    "MALLOC_TRIM_THRESHOLD_": "1073741824",
    "MALLOC_MMAP_THRESHOLD_": "33554432",
    "MALLOC_ARENA_MAX": "1",
    **dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"),
}
TRIES = 3
WORKERS_S = 60.0
AHEAD = 4  # zones in hand for each worker: memory here is bounded, and no worker waits


@dataclass(frozen=True)
class YearResult:
    """One room-year: its digest, and how many days differ from what is stored. `why`: it was not judged."""

    room: str
    zone: str
    year: int
    digest: str = ""
    days: int = 0
    changed: int = 0
    stored: bool = False
    why: str = ""


@dataclass(frozen=True)
class ZoneWork:
    """A zone of a room with its years, in order."""

    room: str
    folder: Path
    tasks: tuple[YearTask, ...]


def plan(rooms: Sequence[RoomEntry], now_ns: int) -> Iterator[ZoneWork | YearResult]:
    """What there is to judge; for a room that cannot be asked, a result that says why."""
    for entry in rooms:
        try:
            refuse_older(entry)
            with Store.open(entry.data, read_only=True) as store:
                ledger = Ledger(store, in_force(store.setups.versions()).setup)
                for zone in ledger.setup.zones:
                    if tasks := year_tasks(ledger, zone, now_ns):
                        yield ZoneWork(entry.key, entry.data, tuple(tasks))
        except (StillroomError, OSError) as error:
            yield YearResult(entry.key, "", 0, why=str(error))


def judged(folder: str, task: YearTask, before: JudgedYear | None, expected: Mapping[str, str]) -> JudgedYear:
    """Judge one year of a record that is only read: what a worker does.

    Refused where this process is not of the `expected` versions: a worker may join late.
    """
    if expected != versions():
        raise Refused(f"This worker has {_words(versions())}; expected {_words(expected)}.")
    with Store.open(Path(folder), read_only=True) as store:
        setup = in_force(store.setups.versions()).setup
        return judge_year(Ledger(store, setup), task, before.state if before else None)


def without_days(year: JudgedYear) -> JudgedYear:
    """A year without its verdicts: what the next one needs of it."""
    return replace(year, days={})


def rejudge_here(work: Sequence[ZoneWork | YearResult], *, dry_run: bool) -> Iterator[YearResult]:
    """Judge one zone after the other in this process."""
    for item in work:
        if isinstance(item, YearResult):
            yield item
            continue
        years: list[JudgedYear] = []
        changed = False
        for task in item.tasks:
            try:
                year = judged(str(item.folder), task, years[-1] if years else None, versions())
            except (StillroomError, OSError) as error:
                yield YearResult(item.room, task.zone, task.year, why=str(error))
                break
            result = _taken(item, year, dry_run=dry_run)
            changed |= bool(result.changed)
            yield result
            years.append(without_days(year))
        else:
            yield from _finished(item, years, changed=changed, dry_run=dry_run)


def rejudge_by_workers(
    work: Sequence[ZoneWork | YearResult], client: Client, *, dry_run: bool
) -> Iterator[YearResult]:
    """Judge by the workers of a scheduler; results come as they are ready, the years of a zone in order."""
    refuse_other_versions(client)
    waiting = [item for item in work if isinstance(item, ZoneWork)][::-1]
    yield from (item for item in work if isinstance(item, YearResult))
    running = _Running(client, dry_run)
    for _ in range(AHEAD * max(1, len(client.scheduler_info()["workers"]))):
        if waiting:
            running.submit(_ZoneYears(waiting.pop()))
    while running.futures:
        zone = yield from running.take_next()
        if zone.next_task is not None:
            running.submit(zone)
        elif waiting:
            running.submit(_ZoneYears(waiting.pop()))


@dataclass
class _ZoneYears:
    """A zone in work: its years so far, without their verdicts. No year is judged after one that failed."""

    zone: ZoneWork
    years: list[JudgedYear] = field(default_factory=list)
    changed: bool = False
    failed: bool = False

    @property
    def next_task(self) -> YearTask | None:
        count = len(self.years)
        return None if self.failed or count == len(self.zone.tasks) else self.zone.tasks[count]


class _Running:
    """Years that workers judge just now, one of each zone."""

    def __init__(self, client: Client, dry_run: bool) -> None:
        from distributed import as_completed

        completed: Any = as_completed
        self.futures: dict[Any, _ZoneYears] = {}
        self._client, self._dry_run, self._ready = client, dry_run, completed()

    def submit(self, zone: _ZoneYears) -> None:
        """Hand the next year of a zone to a worker, with the state of the bodies at its begin."""
        before = zone.years[-1] if zone.years else None
        future = self._client.submit(
            judged, str(zone.zone.folder), zone.next_task, before, versions(), pure=False, retries=TRIES - 1
        )
        self.futures[future] = zone
        self._ready.add(future)

    def take_next(self) -> Generator[YearResult, None, _ZoneYears]:
        """Wait for a year; yields its result, after the last one of a zone also what `_finished` says.

        Returns the zone.
        """
        future = next(self._ready)
        zone = self.futures.pop(future)
        if future.status == "finished":
            year = future.result()
            result = _taken(zone.zone, year, dry_run=self._dry_run)
            zone.changed |= bool(result.changed)
            yield result
            zone.years.append(without_days(year))
            if zone.next_task is None:
                yield from _finished(zone.zone, zone.years, changed=zone.changed, dry_run=self._dry_run)
        else:  # a worker met a fault, or died at it each time: it is named, and the rest goes on
            task, why = zone.next_task, future.exception()
            assert task is not None  # noqa: S101 (it was submitted)
            zone.failed = True
            yield YearResult(zone.zone.room, task.zone, task.year, why=sentence_of(why))
        future.release()
        return zone


@contextmanager
def local_workers(count: int) -> Iterator[Client]:
    """So many workers on this machine, each a process with one thread; they end with the block."""
    distributed = _distributed()
    import dask

    with dask.config.set(
        {
            "distributed.nanny.pre-spawn-environ": MALLOC,  # after the import, which puts its own there
            "distributed.scheduler.allowed-failures": TRIES,
            "distributed.worker.memory.spill": False,
            "distributed.worker.memory.target": False,
        }
    ):
        logging.getLogger("distributed").setLevel(logging.ERROR)
        try:
            cluster = distributed.LocalCluster(
                n_workers=count, threads_per_worker=1, processes=True, host="127.0.0.1",
                dashboard_address=None, memory_limit=MEMORY, silence_logs=logging.CRITICAL,
            )  # fmt: skip
        except (RuntimeError, OSError) as error:
            raise StillroomError(
                f"{number_of(count, 'worker')} could not be started here: {error} Nothing was judged or "
                "changed. See that 1 GiB of memory is free for each, then repeat it, or leave --workers out."
            ) from error
        with cluster, distributed.Client(cluster) as client:
            yield client
            logging.getLogger("distributed").setLevel(logging.CRITICAL)  # its own closing is no fault


@contextmanager
def remote_workers(address: str, ca: Path, certificate: Path, key: Path) -> Iterator[Client]:
    """The workers of a scheduler elsewhere, by TLS with certificates of both sides."""
    if not address.startswith("tls://"):
        raise Refused(
            f"--scheduler: expected tls://HOST:PORT, found {address!r}. Whoever reaches a scheduler runs "
            "programs on its workers, so it is used by TLS with certificates of both sides alone."
        )
    distributed = _distributed()
    security = distributed.Security(
        tls_ca_file=str(ca),
        tls_client_cert=str(certificate),
        tls_client_key=str(key),
        require_encryption=True,
    )
    try:
        client = distributed.Client(address, security=security, timeout="20s")
    except (OSError, TimeoutError) as error:
        raise Refused(f"--scheduler {address}: expected a scheduler that answers, found {error}.") from error
    with client:
        try:
            client.wait_for_workers(1, timeout=WORKERS_S)
        except TimeoutError:
            raise Refused(f"--scheduler {address}: expected a worker within a minute, found none.") from None
        yield client


def refuse_other_versions(client: Client) -> None:
    """Refused where a worker has another program or judge than this process: its verdicts would be others."""
    mine = versions()
    for worker, theirs in client.run(versions).items():
        if theirs != mine:
            raise Refused(
                f"Worker {worker} has {_words(theirs)}; this program has {_words(mine)}. Nothing was judged: "
                "install the same version everywhere."
            )


def versions() -> dict[str, str]:
    """What decides about a verdict: judge, program and the library of arrays."""
    return {"judge": str(JUDGE_VERSION), "stillroom": version("stillroom"), "numpy": version("numpy")}


def _words(facts: Mapping[str, str]) -> str:
    return ", ".join(f"{name} {value}" for name, value in facts.items())


def _taken(work: ZoneWork, year: JudgedYear, *, dry_run: bool) -> YearResult:
    with Store.open(work.folder, read_only=dry_run) as store:
        act: Callable[[Store, JudgedYear], list[int]] = changed_days if dry_run else take_in
        changed = act(store, year)
    task = year.task
    return YearResult(work.room, task.zone, task.year, year.digest, len(year.days), len(changed), not dry_run)


def _finished(
    work: ZoneWork, years: Sequence[JudgedYear], *, changed: bool, dry_run: bool
) -> Iterator[YearResult]:
    """Nothing where all is well; a result where the record changed under the judging."""
    if dry_run:
        return
    with Store.open(work.folder) as store:
        if not finish(store, in_force(store.setups.versions()).setup, years, changed=changed):
            why = "its setup, marks or decisions changed meanwhile: its service judges it again"
            yield YearResult(work.room, work.tasks[-1].zone, work.tasks[-1].year, why=why)


def _distributed() -> Any:
    try:
        import distributed
    except ImportError:
        raise Refused(
            "Workers take the extra `group`: pip install 'stillroom[group]'. Without --workers all is judged "
            "in this process."
        ) from None
    return distributed
