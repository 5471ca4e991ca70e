"""Whether this machine's clock can be believed; what it stamps meanwhile is marked, and mended later.

A clock is unsure when it shows an instant before what is stored already, or before this program was
written; when it steps while the program runs and no time server confirms it; and, where service.toml
says so, while the system has not synchronised it. It is sure again when the system says so, when it was
set to an instant that can be, or when a person recorded what was found.
Source: adjtimex(2): state 5 is TIME_ERROR.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from ..instants import NS, rfc3339
from ..model import Row
from ..probes.clock import Clock, boot_id
from ..store import Store
from ..store.hot.clocks import UNSURE
from ..store.unplaced import record_doubts

TIME_ERROR = 5
WRITTEN_NS = 1_790_000_000 * NS  # nothing was measured by this program before it was written
STEP_NS = NS  # set, not slewed

Event = Callable[[str, Mapping[str, object]], None]


def is_synchronised() -> bool | None:
    """Whether the system has synchronised its clock; None where the system does not say."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.create_string_buffer(512))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else int(state) != TIME_ERROR


@dataclass
class ClockWatch:
    """The clock of one run of the service. `limit_s`: so far it may step, or lie before what is stored.

    Rows go through `stamped` in any thread; `look` is called now and then in one.
    """

    store: Store
    clock: Clock
    event: Event
    limit_s: float = 30.0
    demanded: bool = False  # it must be synchronised
    synchronised: Callable[[], bool | None] = is_synchronised
    why: str = ""  # it is unsure because of this; "": it is believed
    _base_ns: int = 0
    _step: str = ""  # one that a bus met before `look` did
    _since_ns: int = 0  # and when, monotonic

    def begin(self) -> None:
        """Decide at the start, against what is stored; a doubt of this boot that nobody settled goes on."""
        record_doubts(self.store)
        if (open_ := self.store.clocks.unsure_boots().get(boot_id())) is not None:
            self._base_ns, self.why = open_.base_ns, open_.why
            return
        self._base_ns = self._base()
        self.why = self._doubt(self.store.readings.newest_ns() or 0)
        if self.why:
            self.store.clocks.record_doubt(boot_id(), self._base_ns, self.why)

    def mark_unsure(self, rows: Sequence[Row]) -> Sequence[Row]:
        """Rows of the buses, marked while the clock is unsure."""
        if not self.why:
            self._meet_step(min((row.monotonic_ns for row in rows), default=0))
        return [replace(row, source=UNSURE) for row in rows] if self.why or self._step else rows

    def check(self) -> None:
        """Whether a sure clock has stepped, or an unsure one is known by now.

        Then what it stamped is mended, as a recorded act.
        """
        if not self.why:
            self._doubt_step()
        elif boot_id() not in self.store.clocks.unsure_boots():
            self._trust_clock()  # a person has corrected it
        else:
            self._record_correction()

    def _meet_step(self, since_ns: int) -> None:
        if self._step or abs(step_ns := self._base() - self._base_ns) <= self.limit_s * NS:
            return
        if self.synchronised() is not True:
            self._since_ns = since_ns
            self._step = f"it stepped by {step_ns / NS:+.0f} s, and no time server confirms it"

    def _doubt_step(self) -> None:
        self._meet_step(self.clock.monotonic_ns())
        if not self._step:
            self._base_ns = self._base() if self.synchronised() is True else self._base_ns
            return
        self._base_ns, why = self._base(), self._step
        self.store.clocks.record_doubt(boot_id(), self._base_ns, why, self._since_ns)
        self.why, self._step = why, ""

    def _trust_clock(self) -> None:
        self._base_ns, self.why = self._base(), ""

    def _record_correction(self) -> None:
        was_set = abs(self._base() - self._base_ns) > STEP_NS
        if self.synchronised() is not True and not was_set:
            return
        if self._impossible(self._newest_sure()):
            return
        with self.store.begin() as conn:
            self.store.clocks.record_correction(
                boot_id(), self._base(), "stillroom", f"known again: {self.why}", conn
            )
        self.event("clock-known", {"boot": boot_id(), "at": rfc3339(self.clock.wall_ns())})
        self._trust_clock()

    def _doubt(self, newest_ns: int) -> str:
        if doubt := self._impossible(newest_ns):
            return doubt
        return (
            "the system has not synchronised it" if self.demanded and self.synchronised() is not True else ""
        )

    def _impossible(self, newest_ns: int) -> str:
        now_ns = self.clock.wall_ns()
        if now_ns < WRITTEN_NS:
            return f"it shows {rfc3339(now_ns)}, before this program was written"
        if now_ns < newest_ns - self.limit_s * NS:
            return f"it shows {rfc3339(now_ns)}, before the newest reading of {rfc3339(newest_ns)}"
        return ""

    def _newest_sure(self) -> int:
        return max(self.store.readings.newest_taken().values(), default=0)

    def _base(self) -> int:
        return self.clock.wall_ns() - self.clock.monotonic_ns()
