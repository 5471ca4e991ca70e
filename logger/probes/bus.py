"""One thread for each line: polls its probes in turn and hands on a row for every due poll."""

from __future__ import annotations

import logging
import threading
import time
import zlib
from collections import defaultdict, deque
from collections.abc import Callable, Mapping, Sequence
from random import Random

from ..errors import ProbeError
from ..instants import NS
from ..model import Row
from ..processes.deadline import DeadlineExceeded
from .backoff import Backoff
from .clock import Clock, SystemClock, boot_id
from .debts import NOT_ASKED
from .driver import ProbeDriver, Raw, Status
from .grid import PollGrid
from .polls import PollResult, RunningPolls

log = logging.getLogger(__name__)

Emit = Callable[[Sequence[Row]], None]
Event = Callable[[str, Mapping[str, object]], None]

_LISTEN_S = 0.2  # so often a listening bus looks whether it shall stop
SPREAD_S = 0.4  # within so long of each other all buses of one interval are polled
SKIPPED = "not asked: earlier polls took too long"
_REOPEN_AFTER = 3  # polls without any answer on the line; a half-open connection is noticed in no other way


class Bus:
    """The probes on one line.

    emit: takes the rows of one probe's poll, quickly (a bounded queue, say). event: takes
    "clock-step" {url, step_s}, "overrun" {url, skipped}, "wrong-probe" {url, probe, found},
    "probe-stuck" {url, probe, error}, "probe-back" {url, probe, seconds} and "bus-error"
    {url, probe, error}. Polls lie about the middle of the interval in UTC, so that what all buses bring can
    be stored together; the url decides on which side of it, by up to 0.2 s.
    """

    def __init__(
        self, url: str, drivers: Sequence[ProbeDriver], emit: Emit, event: Event, clock: Clock | None = None
    ) -> None:
        self.url = url
        self.drivers = tuple(drivers)
        self.lateness_s: deque[float] = deque(
            maxlen=600
        )  # by how much the newest turns began after they were due
        self.passed_ns = 0  # monotonic instant of the last complete pass; a watchdog looks at it
        self._emit = emit
        self._event = event
        self._clock = clock or SystemClock()
        self._boot = boot_id()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        seed = zlib.crc32(url.encode())
        self._aside = (seed % 1000) / 1000 - 0.5
        self._under_way = RunningPolls(self.drivers, self._transact)
        self._stuck: dict[str, float] = {}  # told already: since when, monotonic
        self._backoff = {d.probe: Backoff(Random(seed)) for d in self.drivers}  # noqa: S311 (spreads retries)

    def start(self) -> None:
        """Begins polling in a thread of its own."""
        self._thread = threading.Thread(target=self.run, name=f"bus {self.url}", daemon=True)
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Lets the thread end after the poll that it is at; does not wait."""
        self._stop.set()

    def stop(self, timeout_s: float = 10.0) -> bool:
        """Asks the thread to end and waits for it; whether it has ended. Lines are closed then."""
        self.ask_to_stop()
        if self._thread is not None:
            self._thread.join(timeout_s)
        return not self.alive

    @property
    def failing(self) -> dict[str, str]:
        """Probes that gave no proper answer at their newest poll: how it failed, and how often in a row."""
        states = ((name, b.status, b.failures) for name, b in self._backoff.items())
        return {name: f"{status}, {times} times in a row" for name, status, times in states if times}

    @property
    def stuck(self) -> dict[str, float]:
        """Probes whose poll does not come back, and for how many seconds now."""
        now_s = time.monotonic()
        return {probe: now_s - since_s for probe, since_s in tuple(self._stuck.items())}

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    def run(self) -> None:
        """The loop itself; `start` runs it in a thread."""
        schedule = self._schedule()
        try:
            while not self._stop.is_set():
                grid = min(schedule, key=PollGrid.due_s)
                self._await(grid.due_s())
                if not self._stop.is_set():
                    self._turn(grid, schedule[grid])
        finally:
            self._under_way.close()

    def _schedule(self) -> dict[PollGrid, list[ProbeDriver]]:
        by_interval: dict[float, list[ProbeDriver]] = defaultdict(list)
        for driver in self.drivers:
            by_interval[driver.interval_s].append(driver)
        return {PollGrid(i, self._phase_s(i), self._clock): drivers for i, drivers in by_interval.items()}

    def _phase_s(self, interval_s: float) -> float:
        return interval_s / 2 + self._aside * min(SPREAD_S, 0.6 * interval_s)

    def _await(self, due_s: float) -> None:
        """Waits for the next poll; a probe that speaks by itself is listened to meanwhile."""
        while not self._stop.is_set():
            self._take_ended()
            left_s = due_s - self._clock.monotonic_ns() / NS
            if left_s <= 0:
                return
            waits = self._under_way.waits
            until_s = time.monotonic() + min(left_s, _LISTEN_S)
            if waits or not any([driver.listen(until_s) for driver in self.drivers]):
                self._clock.wait(self._stop, min(left_s, _LISTEN_S) if waits else left_s)

    def _turn(self, grid: PollGrid, drivers: Sequence[ProbeDriver]) -> None:
        self.lateness_s.append(self._clock.monotonic_ns() / NS - grid.due_s())
        step_s = grid.arrive()
        if step_s:
            self._event("clock-step", {"url": self.url, "step_s": step_s})
        for driver in drivers:
            if self._stop.is_set():
                return
            self._poll(driver)
        self._let_go_of_dead_line()
        skipped = grid.leave()
        if skipped:
            self._event("overrun", {"url": self.url, "skipped": skipped})
            self._report_skipped(grid.skipped_ns, drivers)
        self.passed_ns = self._clock.monotonic_ns()

    def _report_skipped(self, due_ns: Sequence[int], drivers: Sequence[ProbeDriver]) -> None:
        """A poll that was missed because those before took too long is a row as well."""
        for driver in drivers:
            rows = [Raw(c, None, "timeout", at, SKIPPED) for at in due_ns for c in driver.channels]
            self._hand_on(driver, rows)

    def _poll(self, driver: ProbeDriver) -> None:
        """One due poll of one probe: rows for all its channels, whatever happens."""
        backoff, now_s = self._backoff[driver.probe], self._clock.monotonic_ns() / NS
        self._take_ended()
        if why := self._under_way.hindrance(driver):
            self._hand_on(driver, self._fault_values(driver, backoff.status, why))
        elif not backoff.may_ask(now_s):
            why = f"not asked: {backoff.status} {backoff.failures} times in a row"
            self._hand_on(driver, self._fault_values(driver, backoff.status, why))
        else:
            self._under_way.begin(driver, self._stop.is_set)
            self._take_ended()

    def _take_ended(self) -> None:
        """Rows of the polls that came to their end, or to their deadline."""
        for ended in self._under_way.take_results():
            self._hand_on(ended.driver, self._learnt(ended))

    def _hand_on(self, driver: ProbeDriver, answers: Sequence[Raw]) -> None:
        try:
            self._emit(self._rows(answers))
        except Exception as error:  # the bus outlives whoever takes its rows; the failure is an event
            log.exception("bus %s: probe %s", self.url, driver.probe)
            self._event("bus-error", {"url": self.url, "probe": driver.probe, "error": repr(error)})

    def _learnt(self, ended: PollResult) -> Sequence[Raw]:
        driver, answers = ended.driver, ended.answers
        backoff, thing = self._backoff[driver.probe], {"url": self.url, "probe": driver.probe}
        if answers is None:
            answers = self._fault_values(driver, "timeout", ended.why)
            if driver.probe not in self._stuck:
                self._stuck[driver.probe] = self._under_way.stuck[driver.probe].since_s
                log.warning(
                    "probe %s on %s hangs (%s): it is set apart and tried again, all others go on; check "
                    "its line and power", driver.probe, self.url, ended.why,
                )  # fmt: skip
                self._event("probe-stuck", {**thing, "error": ended.why})
        elif (since_s := self._stuck.pop(driver.probe, None)) is not None:
            hung_s = round(time.monotonic() - since_s)
            log.warning("probe %s on %s answers again, after %d s", driver.probe, self.url, hung_s)
            self._event("probe-back", {**thing, "seconds": hung_s})
        if answers[0].raw == NOT_ASKED:  # neither a failure nor an answer
            return self._fault_values(driver, backoff.status, NOT_ASKED)
        if _worst(answers) == "wrong-probe":
            self._event("wrong-probe", {**thing, "found": answers[0].raw})
        backoff.learn(_worst(answers), self._clock.monotonic_ns() / NS)
        return answers

    def _transact(self, driver: ProbeDriver) -> Sequence[Raw]:
        """One transaction, in a thread of its own: nothing of the bus is changed here."""
        try:
            return transact(driver, self._clock)
        except ProbeError as lost:
            return self._fault_values(driver, "no-port", str(lost.__cause__ or lost))

    def _fault_values(self, driver: ProbeDriver, status: Status, why: str) -> list[Raw]:
        return fault_values(driver, self._clock, status, why)

    def _rows(self, answers: Sequence[Raw]) -> list[Row]:
        received_ns, monotonic_ns = self._clock.wall_ns(), self._clock.monotonic_ns()
        return [
            Row(
                channel=a.channel,
                taken_ns=a.at_ns,
                received_ns=received_ns,
                value=a.value,
                status=a.status,
                raw=a.raw if a.status != "ok" else "",
                boot=self._boot,
                monotonic_ns=monotonic_ns,
            )
            for a in answers
        ]

    def _let_go_of_dead_line(self) -> None:
        if all(b.failures >= _REOPEN_AFTER for b in self._backoff.values()):
            self._under_way.close()


def _worst(answers: Sequence[Raw]) -> Status:
    """How the poll went: "ok" when the probe answered properly, a sensor fault included."""
    failures = [a.status for a in answers if a.status not in ("ok", "sensor-fault")]
    return failures[0] if failures else "ok"


def transact(driver: ProbeDriver, clock: Clock) -> Sequence[Raw]:
    """Opens and reads once; what a driver raises is a `device-error` of each channel.

    ProbeError where the line is lost; DeadlineExceeded by a driver that noticed it does not come back.
    """
    try:
        driver.open()
        return driver.read()
    except ProbeError:
        driver.close()
        raise
    except DeadlineExceeded:
        raise
    except Exception as error:  # a fault in a driver becomes a stored row, not a dead bus
        log.exception("probe %s", driver.probe)
        driver.close()
        return fault_values(driver, clock, "device-error", repr(error))


def fault_values(driver: ProbeDriver, clock: Clock, status: Status, why: str) -> list[Raw]:
    """A row without a value for each channel."""
    at_ns = clock.wall_ns()
    return [Raw(channel, None, status, at_ns, why[:64]) for channel in driver.channels]


def stop_all(running: Sequence[Bus], timeout_s: float = 10.0) -> bool:
    """Stops all at once, so that it takes no longer than the slowest; whether all have ended in time."""
    for bus in running:
        bus.ask_to_stop()
    until_s = time.monotonic() + timeout_s
    return all([bus.stop(max(0.0, until_s - time.monotonic())) for bus in running])
