"""The life of an alarm, in the words of IEC 62682 and ANSI/ISA-18.2, as a pure function.

    normal ──out for the on-delay──> unacknowledged ──acknowledge──> acknowledged
      ^                                   │                              │
      └──acknowledge── returned unacknowledged <──inside for the off-delay  └──> normal

A latching alarm goes to a latched state instead and leaves it by a reset. Shelved, suppressed by
design and out of service lie over this: the condition beneath keeps being evaluated, its notices
are withheld and said to be. Nothing here knows a clock: time comes with the cells and as an argument.

A cell that is out counts towards the on-delay, a cell that is inside by the deadband counts
towards the off-delay. A cell without evidence counts for neither and clears neither; after a gap
longer than the delay the count begins anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from enum import StrEnum
from typing import Any, Literal

from ...errors import Refused
from ...instants import NS
from ...model import AlarmSpec, Conformity
from ...units import micro
from .condition import Cell

# Cells that come to be judged longer after their end than this are history: they are counted,
# but a person is told only by a cell of the present.
LIVE_NS = 15 * 60 * NS
AHEAD_NS = 60 * NS  # what lies further ahead of the clock was stamped by one that went back since


class AlarmState(StrEnum):
    """The states of IEC 62682; nothing else can be reached."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


# Instants of an alarm that cannot lie in the future; `cause_ns` names a cause and stays.
_PAST = (
    "out_from_ns", "since_ns", "annunciated_ns", "returned_ns", "told_ns", "repeated_ns", "escalated_ns",
    "acknowledged_ns", "shelved_ns",
)  # fmt: skip
# "remove" is out of service, "return" to service again.
ActKind = Literal["acknowledge", "reset", "shelve", "unshelve", "suppress", "release", "remove", "return"]
ACTIVE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
# Conditions that wait for a person, and what they become by the acknowledgement.
ACKNOWLEDGED: Mapping[AlarmState, AlarmState] = {
    AlarmState.UNACKNOWLEDGED: AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED: AlarmState.NORMAL,
    AlarmState.LATCHED_UNACKNOWLEDGED: AlarmState.LATCHED_ACKNOWLEDGED,
}


@dataclass(frozen=True)
class Act:
    """What a person (or, for suppression, another alarm) did to this alarm."""

    kind: ActKind
    who: str
    at_ns: int
    comment: str = ""
    until_ns: int | None = None  # end of shelving


@dataclass(frozen=True)
class Notice:
    """Something that a person is to be told; `step` and `occurrence` make it the same when repeated.

    `step`: "annunciated", "returned", "escalated" or "repeated", with a number where it comes again.
    """

    alarm: str
    occurrence: int
    step: str
    at_ns: int
    since_ns: int
    worst: Cell
    cell: Cell


@dataclass(frozen=True)
class Alarm:
    """One alarm with all that its next step needs; goes through JSON unchanged."""

    key: str
    condition: AlarmState = AlarmState.NORMAL  # one of the first six; `state` is what counts
    cell_ns: int = -1  # newest cell that was evaluated
    seen_ns: int = -1  # end of the newest cell with evidence
    out_from_ns: int | None = None  # the run of cells that are out, from its first one on
    out_ns: int = 0  # how much of it was seen
    in_ns: int = 0  # how long it was seen inside by the deadband, while active
    run: Cell | None = None  # worst cell of that run
    occurrence: int = 0  # how often it was annunciated, ever
    since_ns: int | None = None
    annunciated_ns: int | None = None
    returned_ns: int | None = None
    worst: Cell | None = None  # of the occurrence
    newest: Cell | None = None  # the newest that was out, of the occurrence
    cause: str = ""  # the alarm that led the cause when this one joined it; itself, where it leads
    cause_ns: int | None = None  # when that cause began
    waits: bool = False  # for others of its cause, before it is told
    told_ns: int | None = None  # when its newest notice went out, which quiet hours or a shelf may delay
    repeats: int = 0  # how often the occurrence was told again
    repeated_ns: int | None = None
    escalated_ns: int | None = None
    told: bool = True  # whether the occurrence was announced
    acknowledged_ns: int | None = None
    acknowledged_by: str = ""
    comment: str = ""
    shelved_ns: int | None = None
    shelved_until_ns: int | None = None
    shelved_by: str = ""
    shelved_why: str = ""
    suppressed_by: str = ""
    removed_by: str = ""

    @property
    def state(self) -> AlarmState:
        """The state that people see."""
        if self.removed_by:
            return AlarmState.OUT_OF_SERVICE
        if self.suppressed_by:
            return AlarmState.SUPPRESSED
        if self.shelved_until_ns is not None:
            return AlarmState.SHELVED
        return self.condition

    @property
    def covered(self) -> bool:
        """Whether a shelf, a suppression or work on it lies over its condition."""
        return self.state is not self.condition

    def to_json(self) -> dict[str, Any]:
        """Plain values only."""
        return asdict(self)

    @staticmethod
    def from_json(body: Mapping[str, Any]) -> Alarm:
        """Inverse of `to_json`; a field that an older version did not write keeps its default."""
        known = {f.name: body[f.name] for f in fields(Alarm) if f.name in body}
        known["condition"] = AlarmState(known.get("condition", AlarmState.NORMAL))
        for name in ("run", "worst", "newest"):
            if known.get(name) is not None:
                known[name] = Cell.from_json(known[name])
        return Alarm(**known)


@dataclass(frozen=True)
class Step:
    """What a step leads to: the next state, who is to be told what, and why."""

    alarm: Alarm
    notices: tuple[Notice, ...] = ()
    reasons: tuple[str, ...] = ()


def step(spec: AlarmSpec, alarm: Alarm, cells: Iterable[Cell], acts: Iterable[Act], now_ns: int) -> Step:
    """The alarm after cells and acts, in the order of their instants, as known at `now_ns`.

    Cells that are not newer than the newest evaluated one, or not over yet, are left alone: so late
    data cannot raise an alarm of the present, and a step may be taken in any number of parts.
    """
    if not spec.action.strip():
        raise Refused(f"Alarm {spec.key!r} has no action text; say in alarms.toml what to do first.")
    parts = [_after_clock_went_back(alarm, now_ns)]
    events: list[Cell | Act] = [c for c in cells if c.to_ns <= now_ns]
    for event in sorted([*events, *acts], key=_instant):
        parts.append(_unshelved_by_time(parts[-1].alarm, min(_instant(event)[0], now_ns)))
        if isinstance(event, Act):
            parts.append(acted(parts[-1].alarm, event))
        elif event.cell_ns > parts[-1].alarm.cell_ns:
            parts.append(_judged(spec, parts[-1].alarm, event, now_ns))
    parts.append(_unshelved_by_time(parts[-1].alarm, now_ns))
    notices = tuple(notice for part in parts for notice in part.notices)
    return Step(parts[-1].alarm, notices, tuple(reason for part in parts for reason in part.reasons))


def acted(alarm: Alarm, act: Act) -> Step:
    """The alarm after one act; an act that the state does not know changes nothing and says so."""
    if act.kind == "acknowledge":
        return _acknowledged(alarm, act)
    if act.kind == "reset":
        if alarm.condition is AlarmState.LATCHED_ACKNOWLEDGED:
            return Step(
                replace(alarm, condition=AlarmState.NORMAL), (), (f"{alarm.key}: reset by {act.who}.",)
            )
        return Step(alarm, (), (f"{alarm.key}: {alarm.condition}, nothing to reset.",))
    if act.kind in ("unshelve", "release", "return"):
        return _uncovered(alarm, act.kind, act.at_ns, f"{act.kind} by {act.who}")
    return _covered(alarm, act)


def _instant(event: Cell | Act) -> tuple[int, int]:
    # An act at the very end of a cell was done in ignorance of it, hence before it.
    return (event.at_ns, 0) if isinstance(event, Act) else (event.to_ns, 1)


def _after_clock_went_back(alarm: Alarm, now_ns: int) -> Step:
    """Without this, an alarm would be blind, shelved or silent until the clock has caught up.

    What lies ahead of the clock is taken as of now; a shelf keeps the length that a person gave it.
    """
    # An act of a person may be a moment younger than the turn that comes across it.
    latest_ns = now_ns + AHEAD_NS
    ahead: dict[str, Any] = {
        name: now_ns for name in _PAST if (at := getattr(alarm, name)) is not None and at > latest_ns
    }
    if alarm.cell_ns <= now_ns and not ahead:
        return Step(alarm)
    until = alarm.shelved_until_ns
    if until is not None and "shelved_ns" in ahead:
        ahead["shelved_until_ns"] = now_ns + until - (alarm.shelved_ns or 0)
    anew = replace(alarm, cell_ns=-1, seen_ns=-1, **ahead)
    return Step(anew, (), (f"{alarm.key}: the clock went back; cells are evaluated from now on.",))


def _judged(spec: AlarmSpec, alarm: Alarm, cell: Cell, now_ns: int) -> Step:
    alarm = replace(alarm, cell_ns=cell.cell_ns)
    if cell.conformity is Conformity.INDETERMINATE:
        return Step(alarm)
    alarm = replace(_counted_anew_after_gap(spec, alarm, cell), seen_ns=cell.to_ns)
    live = now_ns - cell.to_ns <= LIVE_NS
    if cell.conformity is Conformity.NONCONFORMING:
        return _outside(spec, alarm, cell, live)
    return _inside(spec, alarm, cell, live)


def _counted_anew_after_gap(spec: AlarmSpec, alarm: Alarm, cell: Cell) -> Alarm:
    gap_ns = cell.cell_ns - alarm.seen_ns
    if alarm.condition not in ACTIVE and gap_ns > spec.on_delay_s * NS:
        return replace(alarm, out_from_ns=None, out_ns=0, run=None)
    if gap_ns > spec.off_delay_s * NS:
        return replace(alarm, in_ns=0)
    return alarm


def _outside(spec: AlarmSpec, alarm: Alarm, cell: Cell, live: bool) -> Step:
    run = _worse(alarm.run, cell)
    alarm = replace(
        alarm,
        out_from_ns=cell.cell_ns if alarm.out_from_ns is None else alarm.out_from_ns,
        out_ns=alarm.out_ns + cell.to_ns - cell.cell_ns,
        in_ns=0,
        run=run,
    )
    if alarm.condition in ACTIVE:
        return Step(replace(alarm, worst=run, newest=cell))
    if alarm.out_ns < spec.on_delay_s * NS:
        return Step(alarm)
    if not live:
        return Step(alarm, (), (f"{alarm.key}: out in a cell that came late; nobody is told by it.",))
    return _annunciated(spec, alarm, cell)


def _inside(spec: AlarmSpec, alarm: Alarm, cell: Cell, live: bool) -> Step:
    if alarm.condition not in ACTIVE:
        return Step(replace(alarm, out_from_ns=None, out_ns=0, run=None))
    if not _clear(spec, cell):
        return Step(replace(alarm, in_ns=0))
    alarm = replace(alarm, in_ns=alarm.in_ns + cell.to_ns - cell.cell_ns)
    if alarm.in_ns < spec.off_delay_s * NS or not live:
        return Step(alarm)
    return _returned(spec, alarm, cell)


def _clear(spec: AlarmSpec, cell: Cell) -> bool:
    """Inside by the deadband; where no requirement holds there is nothing to be outside of."""
    if cell.conformity is Conformity.NOT_APPLICABLE or cell.margin is None:
        return True
    return bool(micro(cell.margin) >= micro(spec.deadband))


def _worse(run: Cell | None, cell: Cell) -> Cell:
    if run is None or run.margin is None:
        return cell
    return cell if cell.margin is not None and cell.margin < run.margin else run


def _annunciated(spec: AlarmSpec, alarm: Alarm, cell: Cell) -> Step:
    withheld = alarm.covered
    alarm = replace(
        alarm,
        condition=AlarmState.UNACKNOWLEDGED,
        occurrence=alarm.occurrence + 1,
        since_ns=alarm.out_from_ns,
        annunciated_ns=cell.to_ns,
        returned_ns=None,
        worst=alarm.run,
        newest=cell,
        told=not withheld,
        cause="",
        cause_ns=None,
        waits=False,
        told_ns=None,
        repeats=0,
        repeated_ns=None,
        escalated_ns=None,
        acknowledged_ns=None,
        acknowledged_by="",
        comment="",
    )
    if withheld:
        return Step(alarm, (), (f"{spec.key}: out, its notice is withheld because it is {alarm.state}.",))
    reason = f"{spec.key}: out for {alarm.out_ns // NS} s, on-delay {spec.on_delay_s} s."
    return Step(alarm, (_notice(alarm, "annunciated", cell.to_ns, cell),), (reason,))


def _returned(spec: AlarmSpec, alarm: Alarm, cell: Cell) -> Step:
    acknowledged = alarm.condition is AlarmState.ACKNOWLEDGED
    if spec.latching:
        after = AlarmState.LATCHED_ACKNOWLEDGED if acknowledged else AlarmState.LATCHED_UNACKNOWLEDGED
    else:
        after = AlarmState.NORMAL if acknowledged else AlarmState.RETURNED_UNACKNOWLEDGED
    notice = _notice(alarm, "returned", cell.to_ns, cell)
    reason = f"{spec.key}: inside by {spec.deadband:g} for {alarm.in_ns // NS} s."
    told = alarm.told and not alarm.covered
    alarm = replace(
        alarm, condition=after, returned_ns=cell.to_ns, out_from_ns=None, out_ns=0, in_ns=0, run=None
    )
    if alarm.covered:  # what was over before the cover came off is not announced any more
        alarm = replace(alarm, waits=False)
    return Step(alarm, (notice,) if told else (), (reason,))


def _notice(alarm: Alarm, kind: Literal["annunciated", "returned"], at_ns: int, cell: Cell) -> Notice:
    since = at_ns if alarm.since_ns is None else alarm.since_ns
    return Notice(alarm.key, alarm.occurrence, kind, at_ns, since, alarm.worst or cell, cell)


def _acknowledged(alarm: Alarm, act: Act) -> Step:
    if alarm.condition not in ACKNOWLEDGED:
        return Step(alarm, (), (f"{alarm.key}: {alarm.condition}, nothing to acknowledge.",))
    after = replace(
        alarm,
        condition=ACKNOWLEDGED[alarm.condition],
        acknowledged_ns=act.at_ns,
        acknowledged_by=act.who,
        comment=act.comment,
    )
    return Step(after, (), (f"{alarm.key}: acknowledged by {act.who}.",))


def _covered(alarm: Alarm, act: Act) -> Step:
    if act.kind == "shelve":
        if act.until_ns is None or act.until_ns <= act.at_ns or not act.comment.strip():
            return Step(alarm, (), (f"{alarm.key}: not shelved; a reason and an end are wanted.",))
        after = replace(
            alarm, shelved_ns=act.at_ns, shelved_until_ns=act.until_ns, shelved_by=act.who,
            shelved_why=act.comment,
        )  # fmt: skip
    elif act.kind == "suppress":
        after = replace(alarm, suppressed_by=act.who)
    else:
        after = replace(alarm, removed_by=act.who)
    return Step(after, (), (f"{alarm.key}: {after.state} by {act.who}.",))


def _uncovered(alarm: Alarm, kind: ActKind, at_ns: int, why: str) -> Step:
    """Takes one cover off; when none is left, tells what was withheld and still stands."""
    if kind == "unshelve":
        after = replace(alarm, shelved_ns=None, shelved_until_ns=None, shelved_by="", shelved_why="")
    elif kind == "release":
        after = replace(alarm, suppressed_by="")
    else:
        after = replace(alarm, removed_by="")
    reasons = (f"{alarm.key}: {after.state}, {why}.",)
    worst = after.worst
    if after.state is AlarmState.UNACKNOWLEDGED and not after.told and worst is not None:
        after = replace(after, told=True)
        return Step(after, (_notice(after, "annunciated", at_ns, worst),), reasons)
    return Step(after, (), reasons)


def _unshelved_by_time(alarm: Alarm, at_ns: int) -> Step:
    until = alarm.shelved_until_ns
    if until is None or until > at_ns:
        return Step(alarm)
    return _uncovered(alarm, "unshelve", until, "the time on the shelf is over")
