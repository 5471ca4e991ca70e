"""May I start now? And where an inspection begins, whatever asked for it.

A person asks before the part is clamped: the zone's state now, with the time at which settling ends
if the room stays as it is. While work is stopped, nobody starts.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from ..acts.inspections import inspections, start_inspection
from ..acts.work_stops import stops_in_force
from ..core.judge.body_temperature import TrackState, lag_response
from ..core.judge.judgement import Judgement
from ..core.judge.settling import BodyState
from ..errors import Refused
from ..instants import NS, rfc3339, wall
from ..model import REASONS, VERDICT_OF, Conformity, Inspection, Setup, Zone
from ..store import Store
from ..units import MICRO
from ..verdicts.verdicts import Verdicts

# Further ahead nobody can say that the room stays as it is.
HORIZON_NS = 24 * 3600 * NS
# What keeps a zone from being ready, after the names of its rules; another reason is its own word.
WORDS = {"nonconforming": "out of limits", "guard band": "within U of a limit", "indeterminate": "not shown"}
# So long after its start an inspection that still runs is asked about.
FORGOTTEN_NS = 12 * 3600 * NS


@dataclass(frozen=True)
class Readiness:
    """`from_ns`: when it may begin if the room stays as it is; now where it may, None: cannot be said."""

    zone: str
    may_start: bool
    from_ns: int | None
    reason: str
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """As plain data."""
        at = None if self.from_ns is None else rfc3339(self.from_ns)
        return {"zone": self.zone, "may_start": self.may_start, "from": at, "reason": self.reason} | {
            "sentence": self.sentence
        }


def ready(verdicts: Verdicts, zone: str, now_ns: int, activity: str = "") -> Readiness:
    """Whether an inspection may begin now in a zone, by the limits of an activity; if not, when."""
    name, clock = verdicts.setup.zone(zone).name, ZoneInfo(verdicts.setup.room.timezone)
    stop = stops_in_force(verdicts.store).get(zone)
    if stop is not None:
        why = f"work stopped {wall(stop.at_ns, clock)} by {stop.who}: {stop.why}"
        return Readiness(zone, False, None, "work stopped", f"{name}: not ready. {why[:1].upper()}{why[1:]}.")
    end_ns = now_ns // (verdicts.setup.step_s * NS) * verdicts.setup.step_s * NS
    begin_ns = end_ns - verdicts.setup.zone(zone).pre_window_s * NS
    judgement = verdicts.judgement(zone, begin_ns, end_ns, now_ns, activity=activity)
    if not judgement.grid.n or end_ns <= begin_ns:
        return Readiness(zone, False, None, "indeterminate", f"{name}: not shown. No readings yet.")
    return _of(verdicts.setup.zone(zone), judgement, now_ns, clock)


def _of(zone: Zone, judgement: Judgement, now_ns: int, clock: ZoneInfo) -> Readiness:
    reason = REASONS[int(judgement.reason[-1])]
    if VERDICT_OF[reason] == "stable":
        return _after_pre_window(zone, judgement, now_ns, clock)
    if reason == "settling":
        left_s = _settling_left_s(zone, judgement)
        if left_s is None:
            return _no(zone, reason, "machine and parts would not settle within a day in this air")
        return _later(zone, now_ns + left_s * NS, clock, (reason, "machine and parts settle"))
    rules = [
        f.rule.name
        for f in judgement.findings
        if int(f.conformity[-1])
        in (Conformity.NONCONFORMING, Conformity.INDETERMINATE, Conformity.GUARD_BAND)
    ]
    return _no(zone, reason, f"{', '.join(rules)}: {WORDS.get(reason, reason)}" if rules else reason)


def _no(zone: Zone, reason: str, why: str) -> Readiness:
    return Readiness(
        zone.key,
        False,
        None,
        reason,
        f"{zone.name}: not ready. {why[:1].upper()}{why[1:]}. No ready time yet.",
    )


def _after_pre_window(zone: Zone, judgement: Judgement, now_ns: int, clock: ZoneInfo) -> Readiness:
    """Rules must also have been met throughout the pre-window: until then, wait for it."""
    cells = zone.pre_window_s // judgement.grid.step_s
    late = 0
    for finding in judgement.findings:
        broken: Sequence[int] = (
            list(np.flatnonzero(finding.conformity[-cells:] > Conformity.CONFORMING)) if cells else []
        )
        late = max(late, int(broken[-1]) + 1 if len(broken) else 0)
    if not late:
        return Readiness(zone.key, True, now_ns, "conforming", f"{zone.name}: ready.")
    at_ns = now_ns + late * judgement.grid.step_ns
    why = f"limits were not proven for the last {zone.pre_window_s // 60} min"
    return _later(zone, at_ns, clock, ("pre-window", why))


def _later(zone: Zone, at_ns: int, clock: ZoneInfo, reasons: tuple[str, str]) -> Readiness:
    """Not now; reasons: the word for programs, and the words for people."""
    reason, why = reasons
    at = wall(_minute(at_ns), clock)
    sentence = (
        f"{zone.name}: not ready. {why[:1].upper()}{why[1:]}. Ready at {at} if the room stays as it is."
    )
    return Readiness(zone.key, False, at_ns, reason, sentence)


def _minute(at_ns: int) -> int:
    return -(-at_ns // (60 * NS)) * 60 * NS


def _settling_left_s(zone: Zone, judgement: Judgement) -> int | None:
    """Seconds until bodies have recovered while the air stays as it is; None: not within a day."""
    state: BodyState = judgement.memory.states[judgement.grid.n]
    if not zone.bodies:
        return state.settling_s
    return _bodies_left_s(zone, state.tracks, judgement.grid.step_s)


def _bodies_left_s(zone: Zone, tracks: TrackState, step_s: int) -> int | None:
    n = HORIZON_NS // NS // step_s
    longest_s = 0
    for place, body in enumerate(zone.bodies):
        track, last = tracks.track(place), tracks.air(place).last
        if track is None or last is None:
            return None
        air = np.full(n, float(last))
        course = lag_response(air, float(track.low + track.high) / 2, step_s / body.tau_s)
        within = (course >= body.lower * MICRO) & (course <= body.upper * MICRO)
        if not within[-1]:
            return None
        outside = np.flatnonzero(~within)
        longest_s = max(longest_s, (int(outside[-1]) + 1) * step_s if len(outside) else 0)
    return longest_s


def begin(store: Store, setup: Setup, job: Inspection, who: str, now_ns: int) -> Inspection:
    """Start an inspection now; it gets a key of its own where it has none. Refused while work is stopped."""
    stop = stops_in_force(store).get(job.zone)
    if stop is not None:
        raise Refused(
            f"Work in zone {job.zone!r} is stopped by {stop.who} ({stop.why}); it must be resumed before an "
            "inspection begins there."
        )
    key = job.key or new_key(now_ns)
    return start_inspection(store, setup, replace(job, key=key, title=job.title or key), who, now_ns)


def new_key(now_ns: int) -> str:
    """A key that nothing else has."""
    return time.strftime("%Y%m%d-%H%M%S", time.gmtime(now_ns // NS)) + "-" + secrets.token_hex(2)


def overlong(store: Store, now_ns: int) -> list[Inspection]:
    """Inspections that have been running for so long that the stop was probably forgotten."""
    return [j for j in inspections(store) if j.to_ns is None and now_ns - j.from_ns > FORGOTTEN_NS]


def running(store: Store) -> Mapping[str, Inspection]:
    """Inspections that run now, by key."""
    return {j.key: j for j in inspections(store) if j.to_ns is None}
