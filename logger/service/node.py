"""The service of a small node: it reads and stores, and sends everything to a central stillroom.

It judges nothing and alarms nobody; the centre does. What the centre has got is sealed by month as anywhere.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from importlib.metadata import version

from ..instants import NS, rfc3339
from ..model import Config
from ..probes.clock import Clock
from ..store import Store
from . import systemd
from .forwarder import Centre, Forwarder
from .heartbeat import beat
from .jobs import Jobs, Loop
from .sources import ENDS_IN_S, HANGS_AFTER_S, Sources
from .writer import Writer

SEND_EVERY_S = 2.0
SEAL_EVERY_NS = 24 * 3600 * NS


class Node:
    """All parts of a node, started and ended in order. The caller holds `store.lock_service()`."""

    def __init__(
        self,
        store: Store,
        config: Config,
        centre: Centre,
        *,
        clock: Callable[[], int] = time.time_ns,
        bus_clock: Clock | None = None,
        send_every_s: float = SEND_EVERY_S,
    ) -> None:
        self.config = config
        self._store = store
        self._clock = clock
        self._writer = Writer(store, clock=clock)
        self._sources = Sources(store, self._writer, bus_clock)
        self._forwarder = Forwarder(store, centre)
        jobs = self._jobs = Jobs(self._writer.event)
        self._sending = Loop("send to the centre", jobs, self._send, send_every_s)
        self._watching = Loop("watchdog", jobs, self._feed, (systemd.watchdog_s() or 15.0) / 3)
        self._sealed_ns = clock()

    @property
    def takeover(self) -> str:
        """Who took the record over, as a sentence, "" while nobody did: then this node has to end."""
        return self._writer.takeover or self._jobs.takeover

    @property
    def alive(self) -> bool:
        """Whether every part that must never end still runs."""
        return not self.takeover and self._writer.alive and self._sending.alive and self._sources.alive

    def start(self) -> None:
        """Begins reading and sending; returns at once."""
        self._writer.start()
        self._writer.event("start", {"software": version("stillroom"), "node": True})
        self._sources.start(self.config)
        self._sending.start()
        self._watching.start()
        systemd.notify("READY=1")

    def stop(self, timeout_s: float = ENDS_IN_S) -> bool:
        """Ends reading, stores what is in memory, ends; what was not sent is sent after the next start."""
        systemd.notify("STOPPING=1")
        ended = self._sources.stop(timeout_s / 2)
        self._writer.event("stop", {"in_time": ended})
        ended &= self._writer.stop(timeout_s / 3)
        self._sending.stop(timeout_s / 12)  # the centre asks for what it does not have
        self._watching.stop(timeout_s / 12)
        beat(self._store.folder, {**self.status(), "stopped": True})
        return ended

    @property
    def remainder(self) -> str:
        """Where readings are that were not stored before the end, in a sentence; "" if all were."""
        return self._writer.remainder

    def status(self) -> dict[str, object]:
        """What the heartbeat says: besides the parts, how much the centre does not have and why."""
        return {
            "at": rfc3339(self._clock()),
            "pid": os.getpid(),
            "software": version("stillroom"),
            "setup": self.config.setup.version,
            "queue": self._writer.waiting,
            "readings_lost": self._writer.lost,
            "store_trouble": self._writer.trouble,
            "stored_s_ago": round(time.monotonic() - self._writer.passed_s, 1),
            "not_sent": self._forwarder.waiting,
            "centre_trouble": self._forwarder.trouble,
            **self._sources.status(),
        }

    def _send(self) -> None:
        self._forwarder.turn(lambda: not self._sending.ending)
        self._sources.watch.check()
        if not self._forwarder.waiting and self._clock() - self._sealed_ns > SEAL_EVERY_NS:
            self._store.seal(self._clock())
            self._sealed_ns = self._clock()

    def _feed(self) -> None:
        """A centre that is away or a disk that is full is no reason to begin anew: memory holds readings.

        Nor is a single probe: what does not come back is named in the heartbeat, which is given while
        readings get to the disk.
        """
        now_s = time.monotonic()
        if not self.alive:
            return
        if now_s - self._writer.tried_s < HANGS_AFTER_S:
            systemd.notify("WATCHDOG=1")
        if now_s - self._writer.passed_s < HANGS_AFTER_S:
            beat(self._store.folder, {**self.status(), "stopped": False})
