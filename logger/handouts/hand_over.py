"""The hand-over between shifts: what happened since the last sign-off, one line an event, and what waits.

A case is one line whatever its runs and alarms; an inspection is one line whether it began, ended or both.
Signing off is an act in the journal, from which the next hand-over counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..acts.alarms import alarm_list
from ..acts.inspections import inspections
from ..acts.marks import marks
from ..acts.required import required_person
from ..acts.work_stops import stops_in_force
from ..core.alarms.lifecycle import AlarmState
from ..errors import Refused
from ..inspections.cases import cases_in
from ..instants import NS, rfc3339, wall

if TYPE_CHECKING:
    from ..store import Store
    from ..verdicts.verdicts import Verdicts

KIND = "hand-over"
LONGEST_NS = 7 * 86_400 * NS  # without a sign-off, and for one that was forgotten


@dataclass(frozen=True)
class HandOverLine:
    """One event with its instant; where: zone or probe, or ""."""

    at_ns: int
    where: str
    what: str
    waits: bool = False

    def to_dict(self, zone: ZoneInfo) -> dict[str, Any]:
        """As plain data; `local`: in the room's time."""
        return {"at": rfc3339(self.at_ns // NS * NS), "local": wall(self.at_ns, zone), "where": self.where,
                "what": self.what, "waits": self.waits}  # fmt: skip


@dataclass(frozen=True)
class HandOver:
    """What happened over [from_ns, to_ns); signed_by: who signed off last, "" where nobody did."""

    from_ns: int
    to_ns: int
    signed_by: str
    lines: tuple[HandOverLine, ...]
    waiting: tuple[str, ...]


def last_sign_off(store: Store) -> tuple[int, str] | None:
    """When the last hand-over was signed off, and by whom; None where none was."""
    for entry in store.journal.entries(kind=KIND, newest_first=True, limit=1):
        return entry.at_ns, entry.who
    return None


def hand_over(verdicts: Verdicts, now_ns: int, since_ns: int | None = None) -> HandOver:
    """Everything since the last sign-off, or since an instant; at most a week."""
    last = last_sign_off(verdicts.store)
    begin = since_ns if since_ns is not None else last[0] if last else now_ns - LONGEST_NS
    begin = max(begin, now_ns - LONGEST_NS)
    if begin >= now_ns:
        zone = ZoneInfo(verdicts.setup.room.timezone)
        raise Refused(f"--since {wall(begin, zone)}: expected a time before now, {wall(now_ns, zone)}.")
    lines = [
        *_cases(verdicts, begin, now_ns),
        *_inspections(verdicts.store, begin, now_ns),
        *_others(verdicts, begin, now_ns),
    ]
    return HandOver(
        begin,
        now_ns,
        last[1] if last and since_ns is None else "",
        tuple(sorted(lines, key=lambda line: line.at_ns)),
        tuple(_waiting(verdicts.store)),
    )


def sign_off(verdicts: Verdicts, shown: HandOver, who: str, comment: str) -> int:
    """Journal that a person took over what was shown; the number of the entry."""
    zone = ZoneInfo(verdicts.setup.room.timezone)
    what: dict[str, Any] = {
        "from": rfc3339(shown.from_ns // NS * NS),
        "to": rfc3339(shown.to_ns // NS * NS),
        "lines": [line.to_dict(zone) for line in shown.lines],
        "waiting": list(shown.waiting),
    }
    return verdicts.store.journal.append(KIND, required_person(who), what, comment.strip()).number


def _cases(verdicts: Verdicts, begin: int, now_ns: int) -> list[HandOverLine]:
    """Cases in use that began since; and those out of use in one line each, too, as the shift saw them."""
    zone = ZoneInfo(verdicts.setup.room.timezone)
    lines = []
    for record in cases_in(verdicts, None, begin, now_ns, now_ns):
        case = record.case
        if case.to_ns <= begin:
            continue
        number = "not numbered yet" if record.number is None else str(record.number)
        names = ", ".join(verdicts.setup.zone(z).name for z in case.zones)
        until = "goes on" if record.running else f"until {wall(case.to_ns, zone)}"
        word = "" if case.in_use else ", out of use"
        missing = record.missing
        needs = f"; missing: {', '.join(missing)}" if missing else ""
        what = f"case {number}{word}, {until}, {record.state}; {len(case.runs)} runs{needs}"
        lines.append(HandOverLine(max(case.from_ns, begin), names, what, bool(missing)))
    return lines


def _inspections(store: Store, begin: int, now_ns: int) -> list[HandOverLine]:
    lines = []
    for job in inspections(store):
        begun = begin <= job.from_ns < now_ns
        ended = job.to_ns is not None and begin <= job.to_ns < now_ns
        if begun or ended or (job.to_ns is None and job.from_ns < now_ns):
            words = [w for w, so in (("began", begun), ("ended", ended), ("runs", job.to_ns is None)) if so]
            at = job.from_ns if begun else job.to_ns if ended and job.to_ns is not None else begin
            lines.append(HandOverLine(at, job.zone, f"inspection {job.key} ({job.title}) {', '.join(words)}"))
    return lines


def _others(verdicts: Verdicts, begin: int, now_ns: int) -> list[HandOverLine]:
    """Marks, work that was stopped, changes of the setup."""
    store = verdicts.store
    lines = [
        HandOverLine(max(mark.from_ns, begin), mark.zone, f"marked by {mark.who}: {mark.reason}")
        for mark in marks(store)
        if mark.from_ns < now_ns and mark.to_ns > begin
    ]
    lines += [
        HandOverLine(stop.at_ns, zone, f"work stopped by {stop.who}: {stop.why}", True)
        for zone, stop in stops_in_force(store).items()
        if stop.at_ns >= begin
    ]
    lines += [
        HandOverLine(v.at_ns, "", f"setup {v.version} in force, by {v.who}: {v.why}")
        for v in store.setups.versions()
        if begin <= v.at_ns < now_ns
    ]
    return lines


def _waiting(store: Store) -> list[str]:
    """What the next shift finds waiting: alarms that nobody acknowledged or that are put aside."""
    quiet = (AlarmState.NORMAL,)
    return [f"alarm {a.key}: {a.state.value}" for a in alarm_list(store) if a.state not in quiet] + [
        f"zone {zone}: work stopped by {stop.who}" for zone, stop in stops_in_force(store).items()
    ]
