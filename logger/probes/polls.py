"""Polls that are under way on one bus: each in a thread of its own, with one deadline.

A driver that does not come back (a file that the kernel holds, a name server, a port that cannot be closed)
is set apart by name: it is tried again, less and less often, and never waited for. Who shares its wire is not
asked meanwhile; everybody else keeps their time.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial

from ..processes.deadline import Attempt, DeadlineExceeded
from .driver import Interruptible, ProbeDriver, Raw

FIRST_PAUSE_S = 30.0
LONGEST_PAUSE_S = 3600.0
MOST_HANGING = 16  # attempts of one probe that hang at once; more are not begun before one comes back
AT_THE_END_S = 0.7  # so long a poll may still take when its bus is to stop
_SHARE = 0.2  # of its interval a probe may hold up its neighbours on another wire
_SLICE_S = 0.1

Ask = Callable[[ProbeDriver], Sequence[Raw]]


@dataclass
class Stuck:
    """A probe that missed its deadline: since when, how often, and when it may be tried again."""

    since_s: float
    times: int = 0
    not_before_s: float = 0.0
    hanging: list[Attempt[Sequence[Raw]]] = field(default_factory=list)

    @property
    def hangs(self) -> int:
        """How many of its attempts have not ended yet."""
        return sum(not attempt.ended for attempt in self.hanging)

    def note_missed(self, attempt: Attempt[Sequence[Raw]]) -> None:
        """One more attempt that did not end in time."""
        pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(self.times, 20))
        self.times += 1
        self.not_before_s = time.monotonic() + pause_s
        self.hanging = [earlier for earlier in (*self.hanging, attempt) if not earlier.ended]


@dataclass(frozen=True)
class PollResult:
    """A poll that is over: its answers, or None where its deadline passed."""

    driver: ProbeDriver
    answers: Sequence[Raw] | None
    why: str = ""


@dataclass(frozen=True)
class _Poll:
    driver: ProbeDriver
    attempt: Attempt[Sequence[Raw]]
    until_s: float


class RunningPolls:
    """The polls of the drivers of one bus. Used from the bus's thread alone."""

    def __init__(self, drivers: Sequence[ProbeDriver], ask: Ask) -> None:
        self._drivers = tuple(drivers)
        self._ask = ask
        self._polls: dict[str, _Poll] = {}
        self._wires = {driver.probe: driver.wire for driver in drivers}
        self._closing: Attempt[None] | None = None
        self.stuck: dict[str, Stuck] = {}

    def hindrance(self, driver: ProbeDriver) -> str:
        """Why a probe cannot be asked now; empty when it can."""
        if driver.probe in self._polls:
            return "not asked: its previous poll is still running"
        if self._closing is not None and not self._closing.ended:
            return "not asked: the line does not close"
        own = self.stuck.get(driver.probe)
        if own and self._rests(driver, own):
            return f"not asked: it has not come back for {_age(own)}"
        for other, stuck in self.stuck.items():
            if other != driver.probe and self._wires[other] is driver.wire and stuck.hangs:
                return f"not asked: {other} has held the line for {_age(stuck)}"
        return ""

    def _rests(self, driver: ProbeDriver, stuck: Stuck) -> bool:
        """Whether a stuck probe is left alone; two threads never use one wire."""
        shares = driver.wire is not driver
        return time.monotonic() < stuck.not_before_s or stuck.hangs >= (1 if shares else MOST_HANGING)

    def begin(self, driver: ProbeDriver, stopping: Callable[[], bool]) -> None:
        """Begins a poll and waits for it: to its deadline where it has a wire, else for a share of its time.

        A probe that is stuck is not waited for at all.
        """
        attempt = Attempt(f"poll of {driver.probe}", partial(self._ask, driver))
        self._polls[driver.probe] = _Poll(driver, attempt, attempt.begun_s + driver.deadline_s)
        alone = driver.wire is driver and len(self._wires) > 1
        wait_s = min(driver.deadline_s, _SHARE * driver.interval_s) if alone else driver.deadline_s
        if driver.probe not in self.stuck:
            _wait(attempt, wait_s, stopping)

    @property
    def waits(self) -> bool:
        """Whether a poll is under way whose end must be looked for."""
        return bool(self._polls)

    def take_results(self) -> Iterator[PollResult]:
        """Polls that are over since this was last asked."""
        for poll in list(self._polls.values()):
            driver, attempt = poll.driver, poll.attempt
            if not attempt.ended and time.monotonic() < poll.until_s:
                continue
            del self._polls[driver.probe]
            if not attempt.ended:
                yield self._note_missed(driver, attempt, f"no end within {driver.deadline_s:g} s")
                continue
            try:
                answers = attempt.result()
            except DeadlineExceeded as late:
                yield self._note_missed(driver, attempt, str(late))
                continue
            self.stuck.pop(driver.probe, None)
            yield PollResult(driver, answers)

    def close(self) -> None:
        """Closes every wire that nobody holds, interrupts who can be; waits for a moment at most."""
        in_use = {id(poll.driver.wire) for poll in self._polls.values() if not poll.attempt.ended}
        in_use |= {id(self._wires[probe]) for probe, stuck in self.stuck.items() if stuck.hangs}
        for driver in self._drivers:
            if id(driver.wire) in in_use and isinstance(driver, Interruptible):
                driver.interrupt()
        free = [driver for driver in self._drivers if id(driver.wire) not in in_use]
        self._closing = Attempt("closing lines", partial(_close, free))
        self._closing.wait(AT_THE_END_S)

    def _note_missed(self, driver: ProbeDriver, attempt: Attempt[Sequence[Raw]], why: str) -> PollResult:
        stuck = self.stuck.setdefault(driver.probe, Stuck(attempt.begun_s))
        stuck.note_missed(attempt)
        return PollResult(driver, None, why)


def _age(stuck: Stuck) -> str:
    return f"{time.monotonic() - stuck.since_s:.0f} s"


def _close(drivers: Sequence[ProbeDriver]) -> None:
    for driver in drivers:
        driver.close()


def _wait(attempt: Attempt[Sequence[Raw]], seconds: float, stopping: Callable[[], bool]) -> None:
    """Until it ends, for so long at most; less where the bus is to stop."""
    until_s = time.monotonic() + seconds
    while not attempt.ended and (left_s := until_s - time.monotonic()) > 0:
        if stopping():
            until_s = min(until_s, time.monotonic() + AT_THE_END_S)
            attempt.wait(min(AT_THE_END_S, left_s))
            return
        attempt.wait(min(_SLICE_S, left_s))
