"""Parts that stand in a zone until they are as warm as it: several at once, by the air that was measured.

A clock is begun and ended by entries of the journal. Its part follows the recorded air of its zone by
its time constant; when it will be ready is told as if the air stayed as it is now.
"""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from ..core.measurement.soak import SoakPlan
from ..core.physics.thermal import response, soak_time_s
from ..errors import Refused, UnknownName
from ..instants import NS, parse, rfc3339
from ..model import Setup
from ..model.entry_forms import SoakEndEntry, SoakEntry
from ..series import Float
from ..store import JournalEntry, Store
from ..verdicts.verdicts import Verdicts

_UTC = ZoneInfo("UTC")
BEGUN, ENDED = "soak-begun", "soak-ended"
STEP_NS = 60 * NS


@dataclass(frozen=True)
class SoakClock:
    """A part that soaks; `number` is that of the entry that began it."""

    number: int
    zone: str
    name: str
    at_ns: int
    tau_s: float
    from_C: float
    residual_K: float
    how: str
    who: str


@dataclass(frozen=True)
class SoakReading:
    """How a part stands now; ready_ns None: cannot be said, because the air is not known."""

    clock: SoakClock
    part_C: float | None
    air_C: float | None
    ready: bool
    ready_ns: int | None
    share: float  # of the way, 0 to 1


def begin_soak(
    store: Store,
    setup: Setup,
    zone: str,
    name: str,
    *,
    from_C: float,
    plan: SoakPlan,
    who: str,
    now_ns: int,
) -> int:
    """A part begins to soak now; gives the number of its clock."""
    setup.zone(zone)
    if not name.strip() or not who.strip():
        raise Refused("Nothing was begun: expected a name for the part, and who begins it.")
    what: SoakEntry = {
        "zone": zone,
        "name": name.strip(),
        "at": rfc3339(now_ns),
        "tau_s": round(plan.constant.core_s, 3),
        "from_C": from_C,
        "residual_K": plan.residual_K / plan.constant.core,
        "how": plan.constant.how,
    }
    return store.journal.append(BEGUN, who.strip(), what).number


def end_soak(store: Store, number: int, who: str) -> None:
    """The part was taken to be measured, or away. Refused for one that was ended before."""
    with store.begin() as conn:
        running = {c.number: c for c in clocks(store)}
        if number not in running:
            ended = {entry.read(SoakEndEntry)["clock"] for entry in store.journal.entries(kind=ENDED)}
            if number in ended:
                raise Refused("This part was taken away before; its soak timer has ended.")
            raise UnknownName("soak clock", str(number), map(str, running))
        what: SoakEndEntry = {"clock": number, "name": running[number].name}
        store.journal.append(ENDED, who.strip(), what, conn=conn)


def clocks(store: Store) -> list[SoakClock]:
    """Clocks that run, the oldest first."""
    ended = {entry.read(SoakEndEntry)["clock"] for entry in store.journal.entries(kind=ENDED)}
    return [_clock(entry) for entry in store.journal.entries(kind=BEGUN) if entry.number not in ended]


def _clock(entry: JournalEntry) -> SoakClock:
    what = entry.read(SoakEntry)
    return SoakClock(
        entry.number,
        what["zone"],
        what["name"],
        parse(what["at"], _UTC),
        float(what["tau_s"]),
        float(what["from_C"]),
        float(what["residual_K"]),
        what["how"],
        entry.who,
    )


def read(verdicts: Verdicts, clock: SoakClock, now_ns: int) -> SoakReading:
    """The part's temperature by the air that it stood in, and when it will be ready."""
    times, air = air_since(verdicts, clock.zone, clock.at_ns, now_ns)
    if not len(times):
        return SoakReading(clock, None, None, False, None, 0.0)
    part = float(response(times, air, clock.tau_s, clock.from_C)[-1])
    now_C = float(air[-1])
    left_s = float(soak_time_s(clock.tau_s, part - now_C, clock.residual_K))
    begun = max(abs(clock.from_C - float(air[0])), clock.residual_K)
    way = np.log(begun / clock.residual_K)
    share_done = 1.0 if not way else 1 - left_s / clock.tau_s / way
    return SoakReading(
        clock, part, now_C, left_s == 0, now_ns + round(left_s) * NS, float(np.clip(share_done, 0, 1))
    )


def air_since(verdicts: Verdicts, zone: str, from_ns: int, now_ns: int) -> tuple[Float, Float]:
    """Seconds since `from_ns` and the mean of the zone's confirmed air temperatures; empty without any."""
    series = []
    for channel in _air_channels(verdicts.setup, zone):
        taken_ns, readings = verdicts.corrected_readings(channel, from_ns - 10 * STEP_NS, now_ns + 1)
        good = readings.why == 0
        if good.any():
            series.append(((taken_ns[good] - from_ns) / NS, readings.value[good]))
    if not series:
        return np.empty(0), np.empty(0)
    grid = np.append(np.arange(0.0, (now_ns - from_ns) / NS, STEP_NS / NS), (now_ns - from_ns) / NS)
    # Between readings the air moves in a straight line; before the first and after the last it stays.
    air = np.mean([np.interp(grid, seconds, value) for seconds, value in series], axis=0)
    return grid, np.asarray(air)


def _air_channels(setup: Setup, zone: str) -> list[str]:
    channels = []
    for key in setup.channels_in(zone):
        media = {setup.positions[p.position].medium for p in setup.placements_of(key)}
        if setup.channels[key].quantity == "temperature" and "air" in media:
            channels.append(key)
    return channels
