"""The services of many rooms in one process: shared loops, a writer thread a room, else nothing in common.

A room that cannot be begun, or whose service ended, is named and tried again; the others go on. Rooms with
the newest readings begin first: people wait for their verdicts.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from fnmatch import fnmatchcase

from ..config import in_force
from ..errors import Refused, StillroomError
from ..rooms.registry import Registry, RoomEntry
from ..rooms.roles import refuse_older
from ..rooms.summary import is_kept, write_summary
from ..store import Store
from . import systemd
from .room_name import in_room
from .service import Service
from .service_calendar import make_calendar
from .shared_loops import SharedLoops, SharedWork

MOST = 100  # rooms of a process; a fault of the process touches all of them
FILES_OF_A_ROOM, FILES_BESIDE = 12, 200  # descriptors: five at rest, more while it reads sealed files
AGAIN_S = 60.0
STOPPERS = 8


def chosen(registry: Registry, pattern: str) -> list[RoomEntry]:
    """The rooms whose key fits a pattern such as hall-*; Refused where none does, or too many."""
    entries = [entry for key, entry in registry.rooms.items() if fnmatchcase(key, pattern)]
    listed = ", ".join(registry.rooms) or "none"
    if not entries:
        raise Refused(
            f"--only: expected a pattern that fits rooms of {registry.file}, such as 'hall-*', found "
            f"{pattern!r}. It has: {listed}."
        )
    if len(entries) > MOST:
        raise Refused(
            f"--only: expected at most {MOST} rooms for one process, found {len(entries)}. Name a part of "
            "them, such as 'hall-*', and run the others in another process."
        )
    return entries


def raise_file_limit(rooms: int) -> None:
    """Let this process open what so many rooms need; Refused where the system does not let it."""
    try:
        import resource
    except ImportError:  # Windows has no such limit
        return
    needed = FILES_OF_A_ROOM * rooms + FILES_BESIDE
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY or soft >= needed:
        return
    most = needed if hard == resource.RLIM_INFINITY else min(needed, hard)
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
    if resource.getrlimit(resource.RLIMIT_NOFILE)[0] < needed:
        raise Refused(
            f"{rooms} rooms need {needed} open files, and this process may have {most}. Raise its limit "
            "(LimitNOFILE= in its systemd unit, `ulimit -Hn` in a shell), or name fewer rooms with --only."
        )


@dataclass(frozen=True)
class RunningRoom:
    """A room with its service; `held` lets go of its lock and its record."""

    service: Service
    store: Store
    held: ExitStack


class ManyRooms:
    """The services of some rooms of a list, kept running."""

    def __init__(self, entries: Sequence[RoomEntry], report: Callable[[str], None]) -> None:
        self._entries = entries
        self._report = report
        self._loops = SharedLoops()
        self._calendar = make_calendar()
        self._long_work = threading.Semaphore(2)
        self._running: dict[str, RunningRoom] = {}
        self._tried_s: dict[str, float] = {}
        self._faults: dict[str, str] = {}

    @property
    def running(self) -> list[str]:
        """Keys of the rooms whose services run."""
        return list(self._running)

    def start(self) -> None:
        """Begin every room that can be, those with the newest readings first."""
        self._loops.start()
        self._calendar.start()
        stores = [(entry, self._opened(entry)) for entry in self._entries]
        opened = [(entry, *store) for entry, store in stores if store is not None]
        for entry, store, stack in sorted(opened, key=lambda room: -(room[1].readings.newest_ns() or 0)):
            self._begin(entry, store, stack)
        systemd.notify("READY=1")

    def stores(self) -> list[Store]:
        """The records of the rooms that run."""
        return [room.store for room in self._running.values()]

    def turn(self) -> bool:
        """See that every room runs; whether the shared loops do, without which none does."""
        for key, room in list(self._running.items()):
            if not room.service.alive:
                ended = f"its service ended, and is begun again in {AGAIN_S:.0f} s; see its journal"
                self._report(f"{key}: {room.service.takeover or ended}")
                self._end(key)
        for entry in self._entries:
            waited_s = time.monotonic() - self._tried_s.get(entry.key, 0.0)
            waits = entry.key in self._running or waited_s < AGAIN_S
            if not waits and (opened := self._opened(entry)) is not None:
                self._begin(entry, *opened)
        if self._loops.alive:
            systemd.notify(f"WATCHDOG=1\nSTATUS={len(self._running)} of {len(self._entries)} rooms run")
        return self._loops.alive

    def stop(self) -> list[str]:
        """End every room; gives a sentence for each whose last readings are not in its record yet."""
        systemd.notify("STOPPING=1")
        self._calendar.shutdown(wait=False)
        with ThreadPoolExecutor(STOPPERS, "stop") as pool:
            left = list(pool.map(self._end, list(self._running)))
        self._loops.stop()
        return [sentence for sentence in left if sentence]

    def _opened(self, entry: RoomEntry) -> tuple[Store, ExitStack] | None:
        """The record of a room, held as its one service does; None, and it is said, where that is not so."""
        self._tried_s[entry.key] = time.monotonic()
        stack = ExitStack()
        try:
            refuse_older(entry)
            store = stack.enter_context(Store.open(entry.data))
            stack.enter_context(store.lock_service())
            if not store.setups.versions():
                raise Refused("its setup was never applied: `stillroom config apply`")
        except (StillroomError, OSError) as error:
            stack.close()
            self._name_fault(entry.key, str(error))
            return None
        return store, stack

    def _begin(self, entry: RoomEntry, store: Store, stack: ExitStack) -> None:
        shared = SharedWork(entry.key, self._loops, self._calendar, self._long_work)
        try:
            config = in_force(store.setups.versions())
            now_ns = time.time_ns()
            if is_kept(store.folder):
                write_summary(store, config.setup, now_ns, begun_ns=now_ns)
            with in_room(entry.key):
                service = Service(store, config, shared=shared)
                service.start()
        except (StillroomError, OSError) as error:
            stack.close()
            self._name_fault(entry.key, str(error))
            return
        self._running[entry.key] = RunningRoom(service, store, stack)
        self._faults.pop(entry.key, None)

    def _end(self, key: str) -> str:
        room = self._running.pop(key)
        with room.held:
            if room.service.stop():
                return ""
            return f"{key}: {room.service.remainder or 'its service did not end in time'}"

    def _name_fault(self, key: str, why: str) -> None:
        """Say why a room does not run, once for each reason."""
        if self._faults.get(key) != why:
            self._report(f"{key}: does not run: {why}")
        self._faults[key] = why
