"""When to poll: whole intervals of UTC, waited for on the monotonic clock.

A scheduler on wall time stops polling for an hour when the clock is set back by an hour. This grid
takes the wall clock only to say where the whole intervals lie; a step of it is noticed and reported at
the next poll, which happens on time, and the one after lies on the grid again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..instants import NS
from .clock import Clock

STEP_LIMIT_S = 0.25  # a change of wall against monotonic time beyond this is a step
SLEW_SHARE = 0.1  # of a smaller one so much is followed at each poll
# After a step the next poll waits for the grid, unless that comes sooner than this share of the interval.
NEAREST_SHARE = 0.3
DAY_S = 86400
MOST_SKIPPED = 10_000  # so many of the newest are told one by one


class PollGrid:
    """Instants k · interval + phase in UTC."""

    def __init__(self, interval_s: float, phase_s: float, clock: Clock) -> None:
        self.interval_s = interval_s
        self._phase_s = phase_s
        self._clock = clock
        self._offset_s = self._offset()
        self._stepped = False
        self._k = self._next()
        self.skipped_ns: Sequence[int] = ()  # when, by the wall clock, the newly missed polls were due

    def due_s(self) -> float:
        """The next poll on the monotonic clock, in seconds."""
        return self._k * self.interval_s + self._phase_s - self._offset_s

    def arrive(self) -> float:
        """To be called at the poll: by how much the wall clock stepped since the last one, else 0."""
        change_s = self._offset() - self._offset_s
        self._stepped = abs(change_s) > STEP_LIMIT_S
        self._offset_s += change_s if self._stepped else SLEW_SHARE * change_s
        return change_s if self._stepped else 0.0

    def leave(self) -> int:
        """To be called after the poll: sets the next one; how many were missed because it took so long."""
        following = self._next()
        self.skipped_ns = ()
        if self._stepped:
            self._k = following
            near = self.due_s() - self._monotonic_s() <= NEAREST_SHARE * self.interval_s
            self._k += 1 if near else 0
            return 0
        missed = range(self._k + 1, following)
        skipped = len(missed)
        self.skipped_ns = [round((k * self.interval_s + self._phase_s) * NS) for k in missed[-MOST_SKIPPED:]]
        self._k = max(self._k + 1, following)
        return skipped

    def _next(self) -> int:
        wall_s = self._monotonic_s() + self._offset_s - self._phase_s
        return math.ceil(wall_s / self.interval_s - 1e-6)

    def _monotonic_s(self) -> float:
        return self._clock.monotonic_ns() / NS

    def _offset(self) -> float:
        return (self._clock.wall_ns() - self._clock.monotonic_ns()) / NS


def divides_a_day(interval_s: float) -> bool:
    """Whether the grid of that interval looks the same on every UTC day."""
    return interval_s > 0 and abs(DAY_S / interval_s - round(DAY_S / interval_s)) < 1e-9
