"""Everything that brings readings: buses that poll, brokers that publish, and the clock that stamps them."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from ..instants import NS
from ..model import Config, MqttTopic, Row
from ..probes import Bus, buses
from ..probes.clock import Clock, SystemClock
from ..probes.mqtt import BrokerMessage, Subscriber, subscribers
from ..store import Store
from . import incoming
from .clock_watch import ClockWatch, is_synchronised
from .writer import Writer

HANGS_AFTER_S = 120.0  # a part that has not moved for so long is said to hang
ENDS_IN_S = 3.0  # a service ends within this whatever hangs, its process within five seconds
STUCK_S = 30.0  # a probe or a broker that does not come back for so long is alarmed


class Sources:
    """The sources of one setup after the other, on one store, through one writer."""

    def __init__(
        self,
        store: Store,
        writer: Writer,
        clock: Clock | None = None,
        synchronised: Callable[[], bool | None] = is_synchronised,
    ) -> None:
        self._store = store
        self._writer = writer
        self._clock = clock or SystemClock()
        self._synchronised = synchronised
        self.watch = ClockWatch(store, self._clock, writer.event, synchronised=synchronised)
        self._config: Config | None = None
        self._buses: list[Bus] = []
        self._subscribers: list[Subscriber] = []
        self._started_ns = 0
        self._beginning = False
        self._polls: dict[str, Counter[str]] = {}  # by probe, what came of its polls

    @property
    def alive(self) -> bool:
        """Whether every thread of theirs runs, but for those that are about to."""
        return self._beginning or all(
            [*(bus.alive for bus in self._buses), *(subscriber.alive for subscriber in self._subscribers)]
        )

    def start(self, config: Config) -> None:
        """Begins with the lines of a setup; the clock is looked at first."""
        limit_s, demanded = config.setup.clock_limit_s, config.clock_synchronised
        self.watch = replace(self.watch, limit_s=limit_s, demanded=demanded)
        self.watch.begin()
        self._run(config, self._build_buses(config))

    def change(self, config: Config, timeout_s: float = 10.0) -> None:
        """Goes over to other lines; Refused, with everything as it was, where they do not fit together."""
        buses = self._build_buses(config)
        self.stop(timeout_s)
        self._run(config, buses)

    def stop(self, timeout_s: float) -> bool:
        """Ends all side by side; whether all ended in time."""
        deadline = time.monotonic() + timeout_s
        ending, self._buses = self._buses, []  # a bus that was ended is not a part that died
        subscribers_ending, self._subscribers = self._subscribers, []
        for bus in ending:
            bus.ask_to_stop()
        ended = [bus.stop(max(0.1, deadline - time.monotonic())) for bus in ending]
        ended += [source.stop(max(0.1, deadline - time.monotonic())) for source in subscribers_ending]
        return all(ended)

    def stuck(self) -> dict[str, str]:
        """What does not come back, by name: probes, lines and brokers, each with for how long."""
        stuck = {f"probe {probe}": s for bus in self._buses for probe, s in bus.stuck.items() if s > STUCK_S}
        stuck |= {f"line {b.url}": s for b in self._buses if (s := self._age_s(b)) > _hangs_after_s(b)}
        stuck |= {
            f"broker {subscriber.broker}": s
            for subscriber in self._subscribers
            if (s := subscriber.away_s) > STUCK_S
        }
        return {name: f"for {seconds:.0f} s" for name, seconds in stuck.items()}

    def status(self, publishers: Mapping[str, bool] | None = None) -> dict[str, object]:
        """What the heartbeat says of them: seconds since each bus ended a round, brokers, clock, polls.

        publishers: further brokers, and whether they are connected.
        """
        return {
            "buses": {bus.url: self._age_s(bus) for bus in self._buses},
            "stuck": self.stuck(),
            "probes_failing": {probe: why for bus in self._buses for probe, why in bus.failing.items()},
            "late_ms": self._late_ms(),
            "polls": {probe: dict(counts) for probe, counts in tuple(self._polls.items())},
            "brokers": {s.url: s.connected for s in self._subscribers} | dict(publishers or {}),
            "clock": self.watch.why or "believed",
            "clock_synchronised": self._synchronised(),
        }

    def _late_ms(self) -> float | None:
        """By how much polls begin after they are due: of the newest ones the 99th of a hundred."""
        late = sorted(s for bus in self._buses for s in tuple(bus.lateness_s))
        return round(1000 * late[int(0.99 * (len(late) - 1))], 1) if late else None

    def _build_buses(self, config: Config) -> list[Bus]:
        return buses(config.lines, self._rows, self._writer.event, self._clock)

    def _run(self, config: Config, buses: list[Bus]) -> None:
        self._beginning = True  # a thread that was not started yet is no part that died
        try:
            self._config, self._buses = config, buses
            self._started_ns = self._clock.monotonic_ns()
            topics = [line for line in config.lines if isinstance(line, MqttTopic)]
            self._subscribers = subscribers(topics, self._store.key, self._take, self._writer.event)
            for bus in self._buses:
                bus.start()
            for subscriber in self._subscribers:
                subscriber.start()
        finally:
            self._beginning = False

    def _rows(self, rows: Sequence[Row]) -> None:
        """Rows of one poll of one probe."""
        if rows:
            status = next((row.status for row in rows if row.status != "ok"), "ok")
            self._polls.setdefault(rows[0].channel.partition(".")[0], Counter())[status] += 1
        self._writer.rows(self.watch.mark_unsure(rows))

    def _take(self, messages: Sequence[BrokerMessage]) -> None:
        if self._config is not None:
            incoming.store_messages(self._store, self._config, messages, self._writer.event)

    def _age_s(self, bus: Bus) -> float:
        passed_ns = bus.passed_ns or self._started_ns
        return round((self._clock.monotonic_ns() - passed_ns) / NS, 1)


def _hangs_after_s(bus: Bus) -> float:
    return max(HANGS_AFTER_S, *(3 * driver.interval_s for driver in bus.drivers))
